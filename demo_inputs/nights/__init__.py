"""The simulator's parts: sky, light, sensor, files and truth."""
