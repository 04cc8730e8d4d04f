"""The config of a target: which keys there are, what they mean, and whether a file is right."""
