"""The errors that a user may see: each message is one sentence that names the file or key at fault."""

__all__ = ["ConfigError", "InputError", "PipelineError", "StageError", "machine_trouble"]


class PipelineError(Exception):
    """Base of all expected failures; shown to the user as its message, without a traceback."""


class InputError(PipelineError):
    """A file that came from outside (a raw frame, a curve, an old result) cannot be used."""


class ConfigError(PipelineError):
    """The target's configuration is wrong; the message may list several findings, one a line."""


class StageError(PipelineError):
    """A stage cannot do its work with what the stages before it left."""


def machine_trouble(error):
    """An OSError (disk full, no permission, a device in the place of a folder) as a sentence that names the file."""
    named = f"{error.filename}: " if error.filename else ""
    return f"{named}{(error.strerror or str(error)).lower()}"
