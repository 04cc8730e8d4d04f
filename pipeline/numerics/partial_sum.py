"""A stack as a partial sum, and the merge of such sums."""

from dataclasses import dataclass

import numpy as np

__all__ = ["PartialSum", "merge"]


FEW_SAMPLES = 2
"""Samples of a pixel that cannot outvote one among them."""

ALONE_SIGMA = 6.0
"""Excess over the mean of the other parts, in errors of the difference, at which so few samples are rejected: chance does
that once in a billion pixels."""

SEEING_SHARE = 1.0
"""Part of a star's light by which sharper frames may exceed the others' mean: a seeing better by 30 % raises the peak by 0.7."""


@dataclass(frozen=True)
class PartialSum:
    """A stack as a partial sum, from which a larger stack can be made without its frames.

    Attributes
    ----------
    mean : (..., ny, nx) float32, sum(w x) / sum(w); where nothing was kept, the mean of the saturated samples as
        the best there is, else 0
    weight : float32, sum(w); 0 where nothing was kept
    variance : float32, sum(w^2 V) / sum(w)^2 with V the equivalent uncorrelated variance of a sample;
        0 where nothing was kept
    coverage : uint16, samples kept
    rejected : uint16, samples rejected
    """

    mean: np.ndarray
    weight: np.ndarray
    variance: np.ndarray
    coverage: np.ndarray
    rejected: np.ndarray

    def channel(self, c):
        """The planes of channel ``c``, in the order of the attributes."""
        return tuple(
            plane[c] for plane in (self.mean, self.weight, self.variance, self.coverage, self.rejected)
        )

    @classmethod
    def empty(cls, shape):
        """Nothing seen anywhere."""
        return cls(
            *(np.zeros(shape, dtype=np.float32) for _ in range(3)),
            *(np.zeros(shape, dtype=np.uint16) for _ in "cr"),
        )


def merge(parts, *, outvote=True):
    """One partial sum from several, in float64 and in the order given.

    Equal to the sum over all frames in one go up to the rounding of the parts to float32, as long as the
    same samples are rejected. Where no part kept anything, the mean of the saturated values, if any.

    One or two samples cannot outvote a particle hit among them. So where a part has no more, at its borders or because the
    night was short, the other parts decide: if it lies above their mean by ``ALONE_SIGMA`` errors of the difference, and by
    more than seeing can do, it is rejected. Hits and trails only add light.

    Parameters
    ----------
    parts : iterable of PartialSum of equal shape
    outvote : whether to reject so

    Returns
    -------
    PartialSum
    """
    total, alone = None, []
    for part in parts:
        weight = part.weight.astype(np.float64)
        saturated = (weight == 0) & (part.mean != 0)
        if total is None:
            shape = part.mean.shape
            total, signal, noise, last_resort = (np.zeros(shape) for _ in range(4))
            resorts, coverage, rejected = (np.zeros(shape, dtype=np.uint16) for _ in range(3))
        total += weight
        signal += weight * part.mean
        noise += weight**2 * part.variance
        last_resort += np.where(saturated, part.mean, 0.0)
        resorts += saturated
        coverage += part.coverage
        rejected += part.rejected
        if not outvote:
            continue
        few = np.flatnonzero((weight > 0) & (part.coverage <= FEW_SAMPLES))
        alone.append(
            (few, *(plane.ravel()[few] for plane in (weight, part.mean, part.variance, part.coverage)))
        )
    if total is None:
        raise ValueError("a merge needs at least one part")
    for few in alone:
        _outvote(total, signal, noise, coverage, rejected, *few)
    kept = total > 0
    divisor = np.where(kept, total, 1.0)
    mean = np.where(kept, signal / divisor, last_resort / np.maximum(resorts, 1))
    return PartialSum(
        mean.astype(np.float32),
        total.astype(np.float32),
        np.where(kept, noise / divisor**2, 0.0).astype(np.float32),
        coverage,
        rejected,
    )


def _outvote(total, signal, noise, coverage, rejected, index, weight, mean, variance, samples):
    """Take the samples of a part at the pixels ``index`` out of the sums where the other parts refute them."""
    sums = [plane.reshape(-1) for plane in (total, signal, noise, coverage, rejected)]
    others = sums[0][index] - weight
    # Others that are no more than this part cannot tell which of both is right.
    index, weight, mean, variance, samples, others = (
        column[sums[3][index] > 2 * samples.astype(np.int64)]
        for column in (index, weight, mean, variance, samples, others)
    )
    if not len(index):
        return
    weight, mean, variance = (column.astype(np.float64) for column in (weight, mean, variance))
    level = (sums[1][index] - weight * mean) / others
    error2 = variance + np.maximum(sums[2][index] - weight**2 * variance, 0.0) / others**2
    usual = float(np.median(level))
    limit = np.maximum(ALONE_SIGMA * np.sqrt(error2), SEEING_SHARE * np.maximum(level - usual, 0.0))
    bad = mean - level > limit
    index, weight, mean, variance, samples = (
        column[bad] for column in (index, weight, mean, variance, samples)
    )
    for plane, taken in zip(sums[:3], (weight, weight * mean, weight**2 * variance), strict=True):
        plane[index] -= taken
    sums[3][index] -= samples
    sums[4][index] += samples
