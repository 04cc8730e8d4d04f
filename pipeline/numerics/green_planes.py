"""Which pixels of a frame are green: a test of a colour pattern on the pixels themselves."""

from dataclasses import dataclass

import numpy as np

from pipeline.numerics.robust import MAD_TO_SIGMA

__all__ = ["GreenTest", "green_test"]

MOST_CELLS = 400_000
"""So many 2 x 2 cells are looked at: enough to see a difference of a hundredth of the noise of a pixel."""

SIGNIFICANT = 5.0
"""A contrast counts above so many of its own standard errors."""

LEAST_OF_NOISE = 0.05
"""And above this part of the scatter of single pixels: in the mean of a million pixels, readout patterns of a
fraction of an ADU show that have nothing to do with colour."""

RELATION = 3.0
"""The two pixels of one diagonal are both green when the two of the other differ at least so many times as much.
The green planes of a sensor agree within about a per cent; red and blue rarely within ten (no source)."""


@dataclass(frozen=True)
class GreenTest:
    """Contrast along the two diagonals of the 2 x 2 cell.

    Attributes
    ----------
    main : pixel (0, 0) minus (1, 1), ADU
    anti : pixel (0, 1) minus (1, 0), ADU
    limit : smallest contrast that counts, ADU
    """

    main: float
    anti: float
    limit: float

    @property
    def greens(self):
        """Where the green pixels lie.

        "main" or "anti" for the diagonal whose pixels are alike while the other's are not, "none" if both are (no
        colour filters, or grey light), None where the pixels do not decide.
        """
        main, anti = abs(self.main), abs(self.anti)
        if max(main, anti) <= self.limit:
            return "none"
        if anti > RELATION * main:
            return "main"
        if main > RELATION * anti:
            return "anti"
        return None


def green_test(frame):
    """Compare the pixels on the diagonals of the 2 x 2 cell.

    Each pixel is compared with the mean of its four diagonal neighbours, in which any slope of the light cancels;
    so does the camera's offset. The middle half of the differences is averaged, which leaves stars and hot pixels out.

    Parameters
    ----------
    frame : (ny, nx) raw frame, ADU

    Returns
    -------
    GreenTest, or None for a frame too small to tell
    """
    ny, nx = frame.shape
    if ny < 8 or nx < 8:
        return None
    # Whole rows of cells, evenly spread.
    cells = (ny // 2) * (nx // 2)
    rows = np.arange(2, ny - 1, 2 * max(1, round(cells / MOST_CELLS)))
    above, here, below = (np.asarray(frame[rows + dy], dtype=np.float32) for dy in (-1, 0, 1))
    count = (nx - 4) // 2
    contrasts, limits = [], []
    for first in (2, 3):
        left, here_x, right = (slice(x, x + 2 * count - 1, 2) for x in (first - 1, first, first + 1))
        centre = here[:, here_x]
        around = above[:, left] + above[:, right] + below[:, left] + below[:, right]
        difference = np.sort((centre - np.float32(0.25) * around)[np.isfinite(around + centre)], axis=None)
        if difference.size < 8:
            return None
        middle = difference[difference.size // 4 : difference.size - difference.size // 4]
        contrasts.append(float(middle.mean(dtype=np.float64)))
        scatter = 0.5 * MAD_TO_SIGMA * float(middle[-1] - middle[0])
        limits.append(max(SIGNIFICANT / np.sqrt(difference.size), LEAST_OF_NOISE) * scatter)
    return GreenTest(contrasts[0], contrasts[1], float(max(limits)))
