"""Pixels that do not show the sky: known bad ones, and lone spikes; repaired for detection only."""

import numpy as np

__all__ = ["find_spikes", "repair_pixels"]

NEIGHBOUR_FRACTION = 0.10
"""A lone spike's eight neighbours average less than this part of it; a star of FWHM 1.6 px on the centre of a
pixel gives 0.23, and any wider or off-centre star more (Gaussian profile)."""

SAME_COLOUR_FRACTION = 0.10
"""The same for the four neighbours two pixels away, which on a colour array have the spike's own colour; it
keeps a strongly coloured star, whose direct neighbours are dark, as soon as its FWHM exceeds 2.2 px."""


def find_spikes(residual, noise, *, sigma):
    """Lone pixels far above all their neighbours: particle hits and unstable hot pixels.

    Parameters
    ----------
    residual : (ny, nx) float32, frame minus the smooth background of each colour
    noise : (ny, nx) or scalar, standard deviation of a sky pixel, same unit
    sigma : least height, in noise

    Returns
    -------
    (ny, nx) bool
    """
    candidates = np.argwhere(residual > sigma * noise)
    spikes = np.zeros(residual.shape, dtype=bool)
    if candidates.size == 0:
        return spikes
    padded = np.pad(residual, 2, mode="reflect")
    row, column = candidates.T + 2
    peak = padded[row, column].astype(np.float64)
    near = sum(
        padded[row + dy, column + dx].astype(np.float64)
        for dy in (-1, 0, 1)
        for dx in (-1, 0, 1)
        if (dy, dx) != (0, 0)
    )
    far = [padded[row + dy, column + dx] for dy, dx in ((-2, 0), (2, 0), (0, -2), (0, 2))]
    # The noise of the neighbours may hide that they are empty by this much (two sigma of the mean, of one).
    level = np.broadcast_to(noise, residual.shape)[tuple(candidates.T)]
    lone = near / 8 < NEIGHBOUR_FRACTION * peak
    lone &= np.max(far, axis=0) < SAME_COLOUR_FRACTION * peak + 2.0 * level
    spikes[tuple(candidates[lone].T)] = True
    return spikes


def repair_pixels(frame, bad, cfa):
    """Replace bad pixels by the median of the good ones of the same colour around them.

    Parameters
    ----------
    frame : (ny, nx) float32
    bad : (ny, nx) bool
    cfa : Cfa

    Returns
    -------
    (ny, nx) float32, a copy. Where the whole neighbourhood is bad, the median of the colour's good pixels.
    """
    repaired = np.array(frame, dtype=np.float32)
    bad = bad | ~np.isfinite(repaired)
    where = np.argwhere(bad)
    if where.size == 0:
        return repaired
    step = 1 if cfa.is_mono else 2
    offsets = [(dy * step, dx * step) for dy in (-1, 0, 1) for dx in (-1, 0, 1) if (dy, dx) != (0, 0)]
    blank = np.where(bad, np.nan, repaired)
    padded = np.pad(blank, step, mode="reflect")
    row, column = where.T + step
    around = np.stack([padded[row + dy, column + dx] for dy, dx in offsets])
    finite = np.isfinite(around)
    lonely = ~finite.any(axis=0)
    ordered = np.sort(np.where(finite, around, np.inf), axis=0)
    count = np.maximum(finite.sum(axis=0), 1)
    picks = np.arange(len(where))
    value = 0.5 * (ordered[(count - 1) // 2, picks] + ordered[count // 2, picks])
    if lonely.any():
        value[lonely] = _colour_medians(blank, cfa)[tuple(where[lonely].T % 2)]
    repaired[tuple(where.T)] = value
    return repaired


def _colour_medians(blank, cfa):
    """(2, 2) median of the good pixels of each place in the cell; 0 where none is good."""
    medians = np.zeros((2, 2), dtype=np.float32)
    for dy in (0, 1):
        for dx in (0, 1):
            plane = blank[dy::2, dx::2]
            good = plane[np.isfinite(plane)]
            medians[dy, dx] = np.median(good) if good.size else 0.0
    return medians
