"""How much disk the results will take, from the sizes of what the stages write, and how much there is."""

import shutil
from dataclasses import dataclass
from pathlib import Path

from pipeline.numerics.cfa import Cfa
from pipeline.plan import load_master

__all__ = ["DiskNeed", "describe_disk", "disk_need", "shown_bytes"]

MASTER_BYTES = 9
"""A pixel of a master: value and variance in float32, mask."""

SESSION_BYTES = 6
"""A pixel and channel of a session's partial sum, compressed: some 5 where frames are dropped, less where interpolated."""

STACK_BYTES = 16
"""A pixel and channel of a filter set's stack: value, variance, coverage and rejected share in float32."""

FLAT_BYTES = 20
"""The same with the background that was subtracted."""

LINE_BYTES = 13
"""A pixel of a line map: flux, variance and significance in float32, mask."""

CONTINUUM_BYTES = 3 * 16
"""A pixel of the continuum in three colours, as a stack."""

FUSED_BYTES = 3 * 12
"""A pixel of the fused picture: value, variance and coverage in float32, three colours."""

PICTURE_BYTES = 3 * 2 + 3
"""A pixel of the 16-bit picture and of the 8-bit preview, which is compressed but hardly shrinks where there is noise."""

TABLE_BYTES_PER_LIGHT = 400_000
"""Star list and table rows of a light; a list of about 1500 stars is as long."""

OTHER_BYTES = 10_000_000
"""Report, records and logs."""


@dataclass(frozen=True)
class DiskNeed:
    """What a complete run takes, in bytes.

    Attributes
    ----------
    by_stage : dict stage -> size of its results
    present : what of it there is already, and will be replaced
    passing : copies that exist for a moment, while a file is replaced by its next version
    free : room on the file system of the output folder
    """

    by_stage: dict
    present: int
    passing: int
    free: int

    @property
    def missing(self):
        """What is still to be written, and for a moment twice."""
        return max(0, sum(self.by_stage.values()) - self.present) + self.passing

    @property
    def short(self):
        """Bytes by which the disk is too small; 0 if it is large enough."""
        return max(0, self.missing - self.free)


def disk_need(graph, *, cores):
    """The :class:`DiskNeed` of a target.

    Parameters
    ----------
    graph : Graph, after the inventory
    cores : number of files that may be replaced at a time
    """
    layout, sessions = graph.layout, list(graph.sessions.values())
    stacked = max((plan.width * plan.height for plan in sessions), default=0)
    stacked *= graph.output_scale**2
    channels = {plan.filter_set: len(Cfa(plan.cfa).channels) for plan in sessions}
    masters = [load_master(path) for path in layout.root.glob("masters/*.json")]
    sizes = {
        "masters": [(layout.master(plan.name), MASTER_BYTES * plan.width * plan.height) for plan in masters],
        "stack_session": [
            (layout.session_stack(plan.name), SESSION_BYTES * channels[plan.filter_set] * stacked)
            for plan in sessions
        ],
        "stack_filter_set": [(layout.stack(name), STACK_BYTES * n * stacked) for name, n in channels.items()],
        "flatten": [(layout.flat(name), FLAT_BYTES * n * stacked) for name, n in channels.items()],
        "lines": [
            *((layout.line(name), LINE_BYTES * stacked) for name in graph.lines),
            (layout.continuum(), CONTINUUM_BYTES * stacked),
        ],
        "fuse": [(layout.fused(), FUSED_BYTES * stacked)],
        "render": [(layout.fused_tiff(), PICTURE_BYTES * stacked)],
    }
    by_stage = {stage: sum(size for _, size in files) for stage, files in sizes.items()}
    lights = sum(len(plan.frames) for plan in sessions)
    by_stage["tables and report"] = TABLE_BYTES_PER_LIGHT * lights + OTHER_BYTES
    written = [item for files in sizes.values() for item in files]
    present = sum(min(size, _size(path)) for path, size in written)
    largest = sorted((size for path, size in written if _size(path)), reverse=True)[:cores]
    return DiskNeed(by_stage, present, sum(largest), _free(layout.root))


def describe_disk(need):
    """The estimate as lines of text."""
    stages = ", ".join(f"{stage} {shown_bytes(size)}" for stage, size in need.by_stage.items() if size)
    total = sum(need.by_stage.values())
    lines = [
        f"Disk: the results take about {shown_bytes(total)} ({stages})",
        f"      still to be written {shown_bytes(need.missing)}, free {shown_bytes(need.free)}",
    ]
    if need.short:
        lines.append(f"      TOO SMALL by {shown_bytes(need.short)}")
    return lines


def shown_bytes(size):
    """Like "3.4 GB"; powers of ten, as disks are sold."""
    for unit, scale in (("TB", 1e12), ("GB", 1e9), ("MB", 1e6)):
        if size >= scale:
            return f"{size / scale:.3g} {unit}"
    return f"{size / 1e3:.0f} kB"


def _size(path):
    try:
        return Path(path).stat().st_size
    except OSError:
        return 0


def _free(folder):
    """Bytes free where the folder is, or will be."""
    folder = Path(folder).resolve()
    while not folder.exists() and folder != folder.parent:
        folder = folder.parent
    return shutil.disk_usage(folder).free
