"""Where everything lies below a target's output folder; the only place that spells these paths."""

from dataclasses import dataclass
from pathlib import Path

__all__ = ["Layout"]


@dataclass(frozen=True)
class Layout:
    """The output tree of one target.

    Attributes
    ----------
    root : path of the output folder
    """

    root: Path

    def __post_init__(self):
        object.__setattr__(self, "root", Path(self.root))

    # What was found, and the plan made of it.
    def inventory(self):
        return self.root / "inventory.json"

    def session_plan(self, session):
        return self.root / "sessions" / session / "session.json"

    def master_plan(self, name):
        return self.root / "masters" / f"{name}.json"

    # Per master and per session.
    def master(self, name):
        return self.root / "masters" / f"{name}.fits"

    def measured(self, session):
        return self.root / "sessions" / session / "measured.ecsv"

    def stars(self, session):
        return self.root / "sessions" / session / "stars.fits"

    def registered(self, session):
        return self.root / "sessions" / session / "registered.ecsv"

    def frames(self, session):
        return self.root / "sessions" / session / "frames.ecsv"

    def session_stack(self, session):
        return self.root / "sessions" / session / "stack.fits"

    # The anchor, and each filter set's link to it.
    def anchor(self):
        return self.root / "anchor" / "anchor.json"

    def considered(self):
        return self.root / "anchor" / "considered.json"

    def link(self, filter_set):
        return self.root / "anchor" / f"{filter_set}.ecsv"

    # Per filter set and beyond.
    def stack(self, filter_set):
        return self.root / "stacks" / f"{filter_set}.fits"

    def sky(self, filter_set):
        return self.root / "sky" / f"{filter_set}.fits"

    def stack_stars(self, filter_set):
        return self.root / "sky" / f"{filter_set}_stars.fits"

    def flat(self, filter_set):
        return self.root / "flat" / f"{filter_set}.fits"

    def line(self, line):
        return self.root / "lines" / f"{line}.fits"

    def continuum(self):
        return self.root / "lines" / "continuum.fits"

    def fused(self):
        return self.root / "fused" / "fused.fits"

    def fused_tiff(self):
        return self.root / "fused" / "fused.tif"

    def preview(self):
        return self.root / "fused" / "preview.png"

    def comparison(self):
        return self.root / "fused" / "comparison.png"

    # What was measured and said about it.
    def qa(self, stage, unit):
        return self.root / "qa" / stage / f"{unit}.json"

    def summary(self):
        return self.root / "qa" / "summary.json"

    def report(self):
        return self.root / "report" / "index.html"

    def log(self, stage, unit):
        return self.root / "logs" / stage / f"{unit}.log"
