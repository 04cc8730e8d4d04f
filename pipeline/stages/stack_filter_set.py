"""Stack a filter set: the merge of its sessions' partial sums. A new night costs that night and this merge."""

from contextlib import ExitStack

import numpy as np

from pipeline import qa
from pipeline.bundles import LinearImage
from pipeline.errors import StageError
from pipeline.fitsio import read_keywords, read_rows, read_shape, write_linear
from pipeline.grid_keywords import finer_of, grid_keywords
from pipeline.noise_keywords import noise_of_header
from pipeline.numerics.block_noise import BLOCK
from pipeline.numerics.crop_box import crop_box
from pipeline.numerics.fill import enclosed
from pipeline.numerics.noise_growth import merged_growth
from pipeline.numerics.packed_sum import KINDS, unpack
from pipeline.numerics.partial_sum import merge
from pipeline.progress import progress
from pipeline.scratch_arrays import ScratchArrays

__all__ = ["run"]


IMAGES = tuple(name.upper() for name in KINDS)
"""Of a session's stack."""

SAMPLE_STEP = 4
"""Every so many rows and columns count for the usual number of samples."""

BAND_PIXELS = 1_000_000
"""Pixels of a plane that are merged at once: some 100 MB in float64, for any number of sessions and any size."""


def run(layout, unit, settings, *, sessions):
    """Merge the stacks of ``sessions`` into that of filter set ``unit``."""
    options = settings["merge"]
    with qa.record(layout, "stack_filter_set", unit) as record, ExitStack() as files:
        paths = [layout.session_stack(name) for name in sessions]
        for path in paths:
            record.input(path)
        headers = [read_keywords(path) for path in paths]
        sessions, paths, headers = _wanted(sessions, paths, headers, options["leave_out"], unit, record)
        arrays = files.enter_context(ScratchArrays(layout.stack(unit).parent))
        image, rejected_share = _merged(paths, unit, arrays, options["outvote_few"])
        box = _crop_box(image, options["crop_coverage"])
        frames = sum(int(header["NFRAMES"]) for header in headers)
        exposure_s = sum(float(header["EXPTOTAL"]) for header in headers)
        write_linear(
            layout.stack(unit),
            image,
            keywords={
                "FILTSET": (unit, "filter set"),
                "NSESSION": (len(sessions), "sessions merged"),
                "NFRAMES": (frames, "frames in the sum"),
                "EXPTOTAL": (exposure_s, "[s] total exposure"),
                "CHANNELS": (",".join(image.channels), "planes in order"),
                **grid_keywords(finer_of(headers[0])),
                # Counted from 1, both ends included, as in a section of the FITS standard's kin.
                "CROPX1": (box[2] + 1, "first column of the well covered box"),
                "CROPX2": (box[3], "last column of the well covered box"),
                "CROPY1": (box[0] + 1, "first row of the well covered box"),
                "CROPY2": (box[1], "last row of the well covered box"),
            },
            history=[f"stack_filter_set: merge of {name}" for name in sessions],
        )
        record.metrics(
            {
                "sessions": len(sessions),
                "frames_used": frames,
                "exposure_s": exposure_s,
                "coverage_share": float(image.valid.all(axis=0).mean()),
                "rejected_share": rejected_share,
                "crop_box_px": [box[2], box[0], box[3], box[1]],
            }
        )
        if frames == 0:
            record.flag(
                "no_frames", "fail", f"no light of the filter set {unit} could be stacked; its stack is empty"
            )
            return
        for c, channel in enumerate(image.channels):
            _record_noise(record, channel, image, c, headers)
            _record_growth(record, channel, headers)


def _wanted(sessions, paths, headers, left_out, unit, record):
    """The sessions that are not left out by night or name."""
    kept = [
        entry
        for entry in zip(sessions, paths, headers, strict=True)
        if entry[0] not in left_out and entry[2].get("NIGHT") not in left_out
    ]
    if not kept:
        raise StageError(
            f"merge.leave_out leaves no session of {unit}: expected at least one of {', '.join(sessions)}"
        )
    for name in sessions:
        if name not in [entry[0] for entry in kept]:
            record.flag("left_out", "info", f"{name} is left out of the stack by merge.leave_out")
    return tuple(list(part) for part in zip(*kept, strict=True))


def _crop_box(image, share):
    """Largest rectangle in which every channel has ``share`` of the usual number of samples, but for holes such as clipped cores
    of stars.
    """
    good = np.ones(image.shape[1:], dtype=bool)
    for plane in image.coverage:
        seen = plane[::SAMPLE_STEP, ::SAMPLE_STEP]
        usual = float(np.median(seen[seen > 0])) if (seen > 0).any() else np.inf
        good &= plane >= share * usual
    return crop_box(good | enclosed(~good))


def _record_growth(record, channel, headers):
    """Noise against the number of frames, 1, 2, 4, ..., session after session, with the ideal curve."""
    found = [noise_of_header(header, channel) for header in headers]
    if not any(found):
        return
    growth = merged_growth([figures for figures in found if figures])
    record.metric("noise_growth_frames", growth.frames)
    record.metric(f"noise_growth_block8_e_s_{channel}", growth.block)
    record.metric(f"noise_growth_ideal_block8_e_s_{channel}", growth.ideal_block)
    record.metric(f"noise_growth_sample_e_s_{channel}", growth.sample)


def _merged(paths, unit, arrays, outvote):
    """The LinearImage of all sessions, merged band by band, and the share of all samples that was rejected."""
    shapes = [read_shape(path, IMAGES[0]) for path in paths]
    for path, shape in zip(paths, shapes, strict=True):
        if shape != shapes[0]:
            raise StageError(f"{path}: expected planes of {shapes[0]} (channels, y, x), found {shape}")
    _, ny, nx = shapes[0]
    image = LinearImage(*(arrays.zeros(shapes[0], np.float32) for _ in range(4)))
    height = max(1, BAND_PIXELS // nx)
    everything = rejected = 0
    for first in progress(range(0, ny, height), f"merge {unit}", unit="bands"):
        stop = min(first + height, ny)
        total = merge((_part(path, first, stop) for path in paths), outvote=outvote)
        samples = total.coverage.astype(np.float32) + total.rejected
        band = np.s_[:, first:stop]
        image.value[band], image.variance[band], image.coverage[band] = (
            total.mean,
            total.variance,
            total.coverage,
        )
        np.divide(total.rejected, samples, out=image.rejected[band], where=samples > 0)
        everything += int(samples.sum(dtype=np.float64))
        rejected += int(total.rejected.sum(dtype=np.int64))
        arrays.release()
    return image, rejected / everything if everything else 0.0


def _part(path, first, stop):
    """PartialSum of some rows of a session."""
    return unpack({name.lower(): rows for name, rows in read_rows(path, IMAGES, first, stop).items()})


def _record_noise(record, channel, image, c, headers):
    """Ideal noise from the variance of the merge; the measured one by the ratio that the sessions found."""
    valid = image.coverage[c] > 0
    if not valid.any():
        return
    ideal = float(np.sqrt(np.median(image.variance[c][valid]))) / BLOCK
    known = [
        (float(header[f"NRATIO_{channel}"]), float(header["EXPTOTAL"]))
        for header in headers
        if f"NRATIO_{channel}" in header
    ]
    record.metric(f"ideal_noise_block8_e_s_{channel}", ideal)
    if known:
        ratios, exposures = np.array(known).T
        ratio = float(np.sqrt(np.average(ratios**2, weights=exposures)))
        record.metric(f"noise_ratio_block8_{channel}", ratio)
        record.metric(f"noise_block8_e_s_{channel}", ratio * ideal)
