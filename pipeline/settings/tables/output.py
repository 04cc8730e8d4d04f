"""Where the results go."""

from pipeline.settings.keys import Key

__all__ = ["KEYS"]

KEYS = (
    Key(
        "output.folder",
        kind="path",
        doc="Folder for everything the pipeline makes of this target; made if missing. A relative one "
        "starts at the working folder. Each target needs its own.",
    ),
)
