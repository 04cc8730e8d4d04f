"""Arrays that belong together travel together: an image with its variance and coverage."""

from dataclasses import dataclass

import numpy as np

__all__ = ["CHANNELS_COLOUR", "CHANNELS_MONO", "LinearImage", "channels_for"]

CHANNELS_COLOUR = ("R", "G", "B")
"""Channel names of an image from a colour-filter-array sensor, in plane order."""

CHANNELS_MONO = ("L",)
"""Channel name of an image from a sensor without colour filters."""


def channels_for(n_planes):
    """Names of the channels of an image with ``n_planes`` planes (1 or 3)."""
    if n_planes == len(CHANNELS_MONO):
        return CHANNELS_MONO
    if n_planes == len(CHANNELS_COLOUR):
        return CHANNELS_COLOUR
    raise ValueError(f"an image has 1 or 3 planes, got {n_planes}")


@dataclass(frozen=True)
class LinearImage:
    """A linear image with all that is needed to use it in a measurement.

    Attributes
    ----------
    value : (C, ny, nx) float32, electrons per second per pixel
    variance : (C, ny, nx) float32, square of that unit
        Equivalent uncorrelated variance: the mean over a block of B pixels has variance
        ``mean(variance) / B``. The scatter from pixel to pixel is smaller, since resampling correlates
        neighbours.
    coverage : (C, ny, nx) float32
        Number of frames that contribute; 0 where nothing was observed.
    rejected : (C, ny, nx) float32 or None
        Share of the samples that were rejected.
    """

    value: np.ndarray
    variance: np.ndarray
    coverage: np.ndarray
    rejected: np.ndarray | None = None

    def __post_init__(self):
        if self.value.ndim != 3:
            raise ValueError(f"an image has axes (channel, y, x), got shape {self.value.shape}")
        for name in ("variance", "coverage", "rejected"):
            plane = getattr(self, name)
            if plane is not None and plane.shape != self.value.shape:
                raise ValueError(
                    f"{name} and value should match in shape (got {plane.shape} and {self.value.shape})"
                )

    @property
    def shape(self):
        """(C, ny, nx)."""
        return self.value.shape

    @property
    def channels(self):
        """Channel names in plane order."""
        return channels_for(self.value.shape[0])

    @property
    def valid(self):
        """(C, ny, nx) bool, True where at least one frame contributes."""
        return self.coverage > 0

    @property
    def has_data(self):
        """Whether any frame contributes anywhere."""
        # Plane by plane: the first one tells, as a rule.
        return any((plane > 0).any() for plane in self.coverage)
