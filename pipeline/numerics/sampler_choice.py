"""Drops or interpolation: the choice for a session, from how evenly its frames cover the output grid.

Drops of few or badly dithered frames leave the weight of an output pixel to chance. A block of output pixels is a mean
with even weights, so uneven ones cost noise: with W the weight of a pixel,

    noise of a block over that of the best = sqrt(mean(W) mean(1 / W)),

by the variance of drops (see :mod:`pipeline.numerics.drizzle`). It is measured by dropping ones from every frame
onto some patches of the grid, in the colour that has the fewest pixels.
"""

from dataclasses import dataclass

import numpy as np

from pipeline.numerics.drizzle import drizzle
from pipeline.numerics.sampler import Sampler

__all__ = ["Coverage", "choose_sampler", "measure_coverage"]

PATCH = 48
"""Side of a patch, pixels: 2300 weights tell their scatter to a few per cent."""

PATCHES_ALONG = 3
"""Patches along each side of the image, in its middle half, where all frames of a dithered session are."""

LARGEST_LOSS = 1.04
"""Noise that evenness may cost: below 5 % in all, with a per cent left for rejection."""

LEAST_DROPS = 8
"""Frames that drop something on nearly every pixel of a colour. Overlaps are uneven, so eight drops weigh like some
five samples, the fewest among which rejection is nearly ideal."""

FEW_SHARE = 0.01
"""Share of the pixels that may have fewer."""

FALLBACK = "ringless"
"""The kernel of interpolation that keeps stars sharp and digs no ring around them."""


@dataclass(frozen=True)
class Coverage:
    """How evenly drops cover the grid.

    Attributes
    ----------
    loss : noise of blocks over that of even weights, root mean square over the patches
    empty : share of pixels on which nothing falls
    drops : frames that drop something on all but ``FEW_SHARE`` of the pixels
    """

    loss: float
    empty: float
    drops: int

    @property
    def even(self):
        """Whether drops serve this session."""
        return self.loss <= LARGEST_LOSS and self.empty == 0 and self.drops >= LEAST_DROPS


def measure_coverage(placements, weights, cfa, shape, *, pixfrac):
    """Coverage of the worst channel.

    Parameters
    ----------
    placements : N of Placement
    weights : (N, C) of the frames
    cfa : Cfa
    shape : (ny, nx) of the output
    pixfrac : see :func:`pipeline.numerics.drizzle.drizzle`
    """
    sampler = Sampler("drizzle", pixfrac)
    size = [min(PATCH, n) for n in shape]
    places = [
        np.unique(np.linspace(0.25 * (n - s), 0.75 * (n - s), PATCHES_ALONG).astype(int))
        for n, s in zip(shape, size, strict=True)
    ]
    losses, empty, fewest = [], 0.0, len(placements)
    for top in places[0]:
        for left in places[1]:
            window = (top, top + size[0], left, left + size[1])
            total = np.zeros((len(cfa.channels), *size))
            count = np.zeros(total.shape, dtype=int)
            for placement, weight in zip(placements, weights, strict=True):
                part = sampler.part_needed(placement, cfa, window)
                if part is None:
                    continue
                (first_row, stop_row), (first_column, stop_column) = part
                ones = np.ones((stop_row - first_row, stop_column - first_column), dtype=np.float32)
                _, overlap = drizzle(
                    ones,
                    cfa,
                    placement,
                    window,
                    pixfrac=pixfrac,
                    first_row=first_row,
                    first_column=first_column,
                )
                total += weight[:, None, None] * overlap
                count += overlap > 0
            if not total.any(axis=(1, 2)).all():
                return Coverage(np.inf, 1.0, 0)
            losses.append([plane[plane > 0].mean() * (1.0 / plane[plane > 0]).mean() for plane in total])
            empty = max(empty, float((total == 0).mean(axis=(1, 2)).max()))
            fewest = min(fewest, *np.quantile(count, FEW_SHARE, axis=(1, 2), method="lower").tolist())
    return Coverage(float(np.sqrt(np.mean(losses, axis=0).max())), empty, int(fewest))


def choose_sampler(kernel, pixfrac, placements, weights, cfa, shape):
    """The Sampler for a session, and the Coverage it was chosen from (None where it was not looked at).

    Parameters
    ----------
    kernel : "auto" (drops of the given size, else whole pixels, else interpolation), "drizzle" or a kernel of
        interpolation
    pixfrac : wanted
    placements, weights, cfa, shape : as for :func:`measure_coverage`
    """
    if kernel not in ("auto", "drizzle"):
        return Sampler(kernel, pixfrac), None
    coverage = measure_coverage(placements, weights, cfa, shape, pixfrac=pixfrac)
    if kernel == "drizzle" or coverage.even:
        return Sampler("drizzle", pixfrac), coverage
    whole = measure_coverage(placements, weights, cfa, shape, pixfrac=1.0)
    if whole.even:
        return Sampler("drizzle", 1.0), whole
    return Sampler(FALLBACK, pixfrac), coverage
