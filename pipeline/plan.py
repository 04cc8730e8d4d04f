"""The plan that the inventory makes: frames, masters and sessions, as small JSON files.

The workflow reads these files when it starts and builds its jobs from them; they are rewritten only when
their content changes, so an unchanged session is never computed again.
"""

import json
from dataclasses import asdict, dataclass, field, fields
from pathlib import Path

from pipeline.atomic import write_if_different
from pipeline.errors import InputError

__all__ = [
    "FRAME_KINDS",
    "FrameRecord",
    "MasterPlan",
    "SessionPlan",
    "load_master",
    "load_session",
    "save_plan",
]

FRAME_KINDS = ("light", "bias", "dark", "flat", "darkflat")
"""What a raw frame can be."""


@dataclass(frozen=True)
class FrameRecord:
    """What is known of one raw frame; None stands for "the frame does not say".

    Attributes
    ----------
    path : as found, relative to the working folder where the input folder was given so
    kind : one of ``FRAME_KINDS``
    filter_set : name from the config, or None for frames without a filter
    exposure_s : seconds
    gain_setting, offset_setting : the camera's settings, not physical units
    temperature_c : sensor temperature
    outside_c : temperature at the tube or of the air
    binning : like "1x1"
    width, height : pixels
    cfa : "RGGB" and its like for the stored array's upper left 2 x 2 pixels (offsets and row order
        already applied), or "mono"
    start_utc : ISO 8601
    night : date on which the night began, noon to noon local
    electrons_per_adu, read_noise_e : from the header
    rotation_deg, focal_length_mm, pixel_um, object_name : from the header
    clipped_adu : level at which the camera clips, seen as a pile of pixels at the frame's highest value
    hdu : index of the header-data unit that holds the image
    origin : "x,y", where on the sensor a subframe begins
    given : True for a master that was made before
    size, mtime_ns : of the file
    """

    path: str
    kind: str
    filter_set: str | None
    exposure_s: float
    width: int
    height: int
    cfa: str
    night: str
    start_utc: str
    hdu: int
    size: int
    mtime_ns: int
    gain_setting: float | None = None
    offset_setting: float | None = None
    temperature_c: float | None = None
    outside_c: float | None = None
    binning: str = "1x1"
    electrons_per_adu: float | None = None
    read_noise_e: float | None = None
    rotation_deg: float | None = None
    focal_length_mm: float | None = None
    pixel_um: float | None = None
    clipped_adu: float | None = None
    object_name: str = ""
    origin: str | None = None
    given: bool = False


@dataclass(frozen=True)
class MasterPlan:
    """Which raw frames make one master, and which master is subtracted from them first.

    ``pedestal`` names the dark-flat, bias or dark master taken off each flat, or the bias master that a
    dark of another exposure needs to be scaled; None where there is none. ``given`` tells that the only frame is
    a master that was made before, to be taken over as it is.
    """

    name: str
    kind: str
    frames: list[FrameRecord]
    exposure_s: float
    width: int
    height: int
    cfa: str
    night: str
    gain_setting: float | None = None
    offset_setting: float | None = None
    temperature_c: float | None = None
    binning: str = "1x1"
    filter_set: str | None = None
    pedestal: str | None = None
    given: bool = False


@dataclass(frozen=True)
class SessionPlan:
    """One night of one filter set with one exposure, gain, offset and binning.

    ``masters`` has the keys "bias", "dark" and "flat", each the name of a master or None. ``notes`` are
    findings of the inventory about this session, in the form of the flags of a QA record.
    """

    name: str
    filter_set: str
    night: str
    exposure_s: float
    width: int
    height: int
    cfa: str
    frames: list[FrameRecord]
    masters: dict[str, str | None]
    gain_setting: float | None = None
    offset_setting: float | None = None
    temperature_c: float | None = None
    binning: str = "1x1"
    notes: list[dict] = field(default_factory=list)

    def find(self, path):
        """The FrameRecord of a path or of its end from a / on, or None.

        The same frames may be listed with a longer path later: the config may name their folder from the root.
        """
        found = [frame for frame in self.frames if frame.path == path]
        found += [frame for frame in self.frames if frame.path.endswith(f"/{path}")]
        return found[0] if found else None


def load_session(path):
    """Read a ``SessionPlan``; raises InputError if the file is missing or damaged."""
    return _load(SessionPlan, path)


def load_master(path):
    """Read a ``MasterPlan``; raises InputError if the file is missing or damaged."""
    return _load(MasterPlan, path)


def save_plan(path, plan):
    """Write a plan dataclass as JSON, only if it differs from what is there; return True if written."""
    text = json.dumps(asdict(plan), indent=1, sort_keys=True, ensure_ascii=False)
    return write_if_different(path, (text + "\n").encode())


def _load(kind, path):
    try:
        content = json.loads(Path(path).read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise InputError(f"{path}: not a readable plan, make the inventory again ({error})") from error
    known = {entry.name for entry in fields(kind)}
    if not isinstance(content, dict) or set(content) - known:
        raise InputError(f"{path}: not a {kind.__name__} of this version, make the inventory again")
    try:
        content["frames"] = [FrameRecord(**frame) for frame in content["frames"]]
        return kind(**content)
    except (KeyError, TypeError) as error:
        raise InputError(
            f"{path}: not a {kind.__name__} of this version, make the inventory again"
        ) from error
