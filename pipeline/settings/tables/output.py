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
    Key(
        "output.check_disk_space",
        kind="flag",
        default=True,
        doc="Refuse to start where the results would take more disk than is free, by an estimate from the sizes of the "
        "frames.",
    ),
)
