"""Does the dust in the flat sit where it sits in the lights?

A flat takes dust shadows out of the lights if nothing has moved. If the dust has, each shadow of the flat leaves a bright
copy of itself in the calibrated lights. So the fine structure of the calibrated lights, in sensor pixels, is held against
that of the flat:

    beta = sum(H_light H_flat) / sum(H_flat^2)

over the places where the flat has shadows: 0 where they were removed, -1 where they are only in the flat, towards +1 where they
are weakened too little (a flat with a pedestal left in, or stray light). The error is the scatter of the same sum
with the flat's map shifted against the lights' by many amounts, which contains the noise and whatever structure
the sky has.
"""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from pipeline.numerics.robust import mad_std

__all__ = ["DustMatch", "block_map", "dust_match", "fine_structure"]

BLOCKS = 200
"""Blocks along the longer side; dust shadows cover several of them."""

SMOOTH_BLOCKS = 8.0
"""Standard deviation of the smoothing that vignetting and sky gradients pass and shadows do not, in blocks."""

SHADOW_DEPTH = 0.004
"""Shadows in a flat that are shallower are lost in the noise of lights."""

SHADOW_SIGMA = 5.0
"""The same in scatter of the flat's own fine structure."""

LEAST_SHADOW_BLOCKS = 4
"""Fewer blocks with a shadow are hot spots rather than dust."""

SHIFTS = 400
"""Shifted copies whose scatter is the error; it is then known to 4 %."""


@dataclass(frozen=True)
class DustMatch:
    """Remains of the flat's dust shadows in the lights.

    Attributes
    ----------
    beta, beta_err : see the module; NaN where the flat has no shadow
    deepest : depth of the flat's deepest shadow, relative
    shadow_blocks : blocks that hold shadows
    """

    beta: float
    beta_err: float
    deepest: float
    shadow_blocks: int


def block_map(frame, good, shape_blocks=None):
    """Medians of blocks of an even number of pixels.

    Parameters
    ----------
    frame : (ny, nx)
    good : (ny, nx) bool
    shape_blocks : edge of a block in pixels; None chooses ``BLOCKS`` along the longer side

    Returns
    -------
    (rows, columns) float64, NaN where less than half of a block is good
    """
    ny, nx = frame.shape
    edge = shape_blocks or max(4, max(ny, nx) // BLOCKS // 2 * 2)
    rows, columns = ny // edge, nx // edge

    def blocks(plane):
        cut = plane[: rows * edge, : columns * edge].reshape(rows, edge, columns, edge)
        return cut.transpose(0, 2, 1, 3).reshape(rows, columns, edge * edge)

    usable = blocks(good)
    values = np.where(usable, blocks(frame), np.nan)
    enough = usable.mean(axis=2) >= 0.5
    made = np.full((rows, columns), np.nan)
    # The middle half of each block: faint stars go with the highest quarter, and colours mix alike everywhere.
    ordered = np.sort(values[enough], axis=1)
    count = usable[enough].sum(axis=1)
    index = np.arange(edge * edge)
    middle = (index >= count[:, None] // 4) & (index < count[:, None] - count[:, None] // 4)
    made[enough] = np.where(middle, ordered, 0.0).sum(axis=1) / middle.sum(axis=1)
    return made


def fine_structure(blocks):
    """Map over its own smooth version, minus 1; NaN stay NaN and do not spread."""
    known = np.isfinite(blocks)
    weight = ndimage.gaussian_filter(known.astype(float), SMOOTH_BLOCKS, mode="nearest")
    smooth = ndimage.gaussian_filter(np.where(known, blocks, 0.0), SMOOTH_BLOCKS, mode="nearest")
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(known & (smooth > 0), blocks * weight / smooth - 1.0, np.nan)


def dust_match(light_maps, flat_map):
    """Compare the lights' fine structure with the flat's.

    Parameters
    ----------
    light_maps : list of (rows, columns), block maps of calibrated lights, NaN at stars
    flat_map : (rows, columns), block map of the flat

    Returns
    -------
    DustMatch
    """
    flat = fine_structure(flat_map)
    stack = np.stack([fine_structure(each) for each in light_maps])
    seen = np.isfinite(stack)
    count = seen.sum(axis=0)
    light = np.where(seen, stack, 0.0).sum(axis=0) / np.maximum(count, 1)
    limit = max(SHADOW_DEPTH, SHADOW_SIGMA * mad_std(flat))
    flat = np.where(np.isfinite(flat), flat, 0.0)
    # Only what is darker is dust, and it has neighbours that are dark as well.
    shadow = ndimage.binary_opening(flat < -limit, structure=np.ones((2, 2), dtype=bool))
    if shadow.sum() < LEAST_SHADOW_BLOCKS:
        return DustMatch(np.nan, np.nan, 0.0, 0)
    deep = np.where(shadow, flat, 0.0)
    usable = count > 0
    # More than twice what any shadow could leave is what remains of bright stars and knots.
    usable &= np.abs(light) < 6 * mad_std(light[usable]) + 2 * float(-deep.min())
    beta = _slope(deep, light, usable)
    rng = np.random.default_rng(0)
    rows, columns = deep.shape
    shifted = [
        _slope(
            np.roll(deep, (int(rng.integers(rows)), int(rng.integers(columns))), axis=(0, 1)), light, usable
        )
        for _ in range(SHIFTS)
    ]
    return DustMatch(beta, mad_std(shifted), float(-deep.min()), int(shadow.sum()))


def _slope(deep, light, usable):
    power = float(np.sum(deep[usable] ** 2))
    return float(np.sum((deep * light)[usable]) / power) if power > 0 else np.nan
