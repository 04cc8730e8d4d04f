"""How the work is done."""

from pipeline.settings.keys import Key

__all__ = ["KEYS"]

KEYS = (
    Key(
        "run.seed",
        kind="integer",
        minimum=0,
        maximum=4294967295,
        default=1,
        doc="Start of every random choice; the same number gives the same result.",
    ),
    Key(
        "run.memory_gb",
        kind="number",
        unit="GB",
        minimum=0.5,
        maximum=1024,
        default=1.0,
        doc="Memory that one job may use; large pictures are worked on in bands that fit.",
    ),
)
