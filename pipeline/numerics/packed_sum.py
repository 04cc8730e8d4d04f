"""A partial sum in whole numbers, each plane counted in a step that is small against the noise.

What a stack tells below its own noise is noise, and whole numbers without it shrink to a fraction in a lossless
compression. With a step of q the rounding adds q^2 / 12 to the variance and no bias [1]_. For the picture, steps of a
thirtieth of the noise would do. They are so much smaller here that sums of sessions merge to what one sum over all frames
gives, but for the rounding of float32: what is added costs six bits a number.

References
----------
.. [1] W. D. Pence, R. L. White, R. Seaman, "Optimal compression of floating-point astronomical images without significant
   loss of information", PASP 122 (2010) 1065, section 3: noise grows by sqrt(1 + q^2 / 12) with q in sigma (from memory).
"""

from dataclasses import dataclass

import numpy as np
from numba import njit

from pipeline.numerics.partial_sum import PartialSum

__all__ = ["KINDS", "Steps", "pack", "unpack", "warm"]

KINDS = {
    "value": np.int32,
    "weight": np.int32,
    "variance": np.int32,
    "coverage": np.int16,
    "rejected": np.int16,
}
"""Planes of a packed sum and their types. A session has fewer than 32768 frames."""

VALUE_STEPS = 2048
"""Steps in the noise of a complete pixel. The largest count is a million times that noise, more than a saturated pixel of
hundreds of frames."""

WEIGHT_STEPS = 100_000
"""Steps in the weight of a complete pixel. In a merge an error e of the weight counts e times the difference of the means,
which is a star's height where the seeing of nights differs."""

VARIANCE_STEPS = 500
"""Steps in the variance of a complete pixel, 0.1 %; it is known to less."""


LARGEST = np.float32(2**31 - 128)
"""The largest float32 that an int32 can hold."""


@dataclass(frozen=True)
class Steps:
    """What one count of each plane stands for, in the units of :class:`PartialSum`; the counts of frames count ones."""

    value: float
    weight: float
    variance: float

    @classmethod
    def of_frames(cls, weights, variances):
        """Steps for a sum over frames.

        Parameters
        ----------
        weights : (N, C) of the frames
        variances : (N, C) equivalent uncorrelated variance of their samples in empty sky
        """
        total = weights.sum(axis=0)
        seen = total > 0
        if not seen.any():
            return cls(1.0, 1.0, 1.0)
        variance = ((weights**2 * variances).sum(axis=0)[seen] / total[seen] ** 2).min()
        return cls(
            float(np.sqrt(variance)) / VALUE_STEPS,
            float(total[seen].min()) / WEIGHT_STEPS,
            float(variance) / VARIANCE_STEPS,
        )


def pack(part, steps):
    """Planes of ``KINDS`` by name, from a PartialSum.

    A weight that is not 0 stays so, and what is larger than the type can hold becomes its largest number.
    """
    planes = {name: np.empty(part.mean.shape, dtype=kind) for name, kind in KINDS.items()}
    _pack(
        *(np.ascontiguousarray(plane).ravel() for plane in vars(part).values()),
        *(np.float32(1.0 / step) for step in (steps.value, steps.weight, steps.variance)),
        *(plane.ravel() for plane in planes.values()),
    )
    return planes


def unpack(planes):
    """PartialSum from planes by name that are in their units again."""
    floats = (np.asarray(planes[name], dtype=np.float32) for name in ("value", "weight", "variance"))
    return PartialSum(
        *floats, *(np.asarray(planes[name]).astype(np.uint16) for name in ("coverage", "rejected"))
    )


def warm():
    """Compile the kernel of this module."""
    pack(PartialSum.empty((1, 2, 2)), Steps(1.0, 1.0, 1.0))


@njit(cache=True, nogil=True, error_model="numpy")
def _pack(mean, weight, variance, coverage, rejected, per_value, per_weight, per_variance, *planes):
    values, weights, variances, kept, gone = planes
    none, one, half = np.float32(0.0), np.float32(1.0), np.float32(0.5)
    for n in range(mean.size):
        count = mean[n] * per_value
        count = count if count < LARGEST else LARGEST
        count = count if count > -LARGEST else -LARGEST
        values[n] = np.int32(count + (half if count >= none else -half))
    for n in range(mean.size):
        count = weight[n] * per_weight + half
        count = count if count > one else one
        count = count if count < LARGEST else LARGEST
        weights[n] = np.int32(count if weight[n] > none else none)
    for n in range(mean.size):
        count = variance[n] * per_variance + half
        count = count if count > one else one
        count = count if count < LARGEST else LARGEST
        variances[n] = np.int32(count if weight[n] > none else none)
    for n in range(mean.size):
        kept[n] = coverage[n]
        gone[n] = rejected[n]
