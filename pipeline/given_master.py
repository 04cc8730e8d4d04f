"""Take over a master that was made before, in place of making one from raw frames.

Its pixels are used as they are: bias, dark and dark-flat in ADU, a dark with its bias still in it; a flat without its
pedestal, on any scale. What such a file does not tell (how many frames it was made of, the noise of its pixels) is
recorded as unknown, or estimated from the pixels and called so.
"""

import numpy as np

from pipeline.errors import InputError, StageError
from pipeline.fitsio import read_frame, read_hdus, read_header, write_fits
from pipeline.headers import header_facts, number
from pipeline.master_keywords import master_keywords
from pipeline.numerics.cfa import Cfa
from pipeline.numerics.defects import NO_VALUE, deviant_of_flat, hot_and_cold, mark
from pipeline.numerics.flat_field import normalise
from pipeline.numerics.pixel_scatter import pixel_variance

__all__ = ["take_over"]

COUNT_KEYWORDS = ("NCOMBINE", "NCOMB", "NFRAMES")
"""Keywords of the number of frames in a master (common practice, no source)."""

KEPT_KEYWORDS = ("RDNADU", "GAINPTC")
"""What an earlier run of ours measured of the camera: read noise in ADU, gain in electrons per ADU."""


def take_over(layout, plan, settings, record):
    """Write the given master of ``plan`` as one of ours.

    Parameters
    ----------
    layout : Layout
    plan : MasterPlan whose only frame is the given file
    settings : dict with the section "calibration"
    record : QA record of the stage

    Raises
    ------
    InputError, StageError
        If the file cannot be read any more, or has another size than the inventory saw.
    """
    (frame,) = plan.frames
    record.input(frame.path)
    value = read_frame(frame.path, frame.hdu).astype(np.float32)
    if value.shape != (plan.height, plan.width):
        raise StageError(
            f"{frame.path}: expected {plan.width} x {plan.height} pixels, found {value.shape[1]} x {value.shape[0]}"
        )
    header = read_header(frame.path)[1]
    variance, mask = _what_lies_beside(frame.path, value.shape)
    mask[~np.isfinite(value)] |= NO_VALUE
    options, cfa = settings["calibration"], Cfa(plan.cfa)
    unknown = [] if variance is not None else ["the noise of its pixels (estimated from neighbours)"]
    np.nan_to_num(value, copy=False)
    constants = None
    if plan.kind == "flat":
        mask[~(value > 0)] |= NO_VALUE
        if mask.all():
            raise StageError(f"{frame.path}: a flat without light, all values are 0 or less")
        scaled = np.zeros_like(value) if variance is None else variance
        first = normalise(value, scaled, mask == 0, cfa)
        mark(mask, *deviant_of_flat(value, cfa, share=options["flat_deviation"]))
        constants = first * normalise(value, scaled, mask == 0, cfa)
    else:
        mark(mask, *hot_and_cold(value, sigma=options["hot_sigma"]))
        record.metric("level_adu", float(np.median(value)))
    if variance is None:
        variance = np.full(value.shape, pixel_variance(value), dtype=np.float32)
    count = next((n for n in (number(header.get(key, "")) for key in COUNT_KEYWORDS) if n and n >= 1), None)
    unknown += [name for name, known in _facts(plan, header_facts(header), count) if known is None]
    record.metrics({"n_frames": count, "bad_pixel_fraction": float(np.mean(mask > 0)), "given": True})
    message = f"Master {plan.name} was given as {frame.path}"
    message += f"; not known: {', '.join(unknown)}." if unknown else "."
    record.flag("master_given", "info", message)
    write_fits(
        layout.master(plan.name),
        value,
        extensions={"VARIANCE": variance, "MASK": mask},
        keywords=_keywords(plan, header, count, constants),
        history=[f"taken over from {frame.path}, not made from raw frames"],
        bunit="" if plan.kind == "flat" else "adu",
    )


def _what_lies_beside(path, shape):
    """(variance or None, mask) as they lie beside the picture in a file that was made here."""
    try:
        images = read_hdus(path)[1]
    except InputError:
        # The picture itself could be read; what is beside it is a help, not a need.
        images = {}
    variance, mask = images.get("VARIANCE"), images.get("MASK")
    if variance is None or mask is None or not variance.shape == mask.shape == shape:
        return None, np.zeros(shape, dtype=np.uint8)
    variance = variance.astype(np.float32)
    return np.where(np.isfinite(variance), variance, np.float32(0.0)), mask.astype(np.uint8)


def _facts(plan, facts, count):
    yield "number of frames", count
    yield "gain setting", plan.gain_setting
    yield "offset setting", plan.offset_setting
    if plan.kind != "flat":
        yield "temperature", plan.temperature_c
    yield "night", next((facts[key] for key in ("night", "start_utc", "start_local") if key in facts), None)


def _keywords(plan, header, count, constants):
    keywords = master_keywords(plan, None if count is None else int(count), constants)
    keywords["GIVEN"] = (True, "taken over, not made from raw frames")
    keywords.update({key: number(header.get(key, "")) for key in KEPT_KEYWORDS})
    return keywords
