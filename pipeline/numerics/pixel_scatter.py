"""Scatter of single pixels in one image whose noise is not known otherwise."""

from pipeline.numerics.robust import mad_std

__all__ = ["pixel_variance"]

STEP_PX = 2
"""Neighbours of the same colour, in every colour pattern and in mono."""

LEAST_EDGE_PX = 2 * STEP_PX
"""Smaller images have no neighbours to speak of."""


def pixel_variance(image):
    """Variance of a pixel, from the second differences of neighbours of the same colour along the rows.

    ``a - 2 b + c`` of three pixels of variance V has the variance (1 + 4 + 1) V, and any slope cancels in it. What
    differs from pixel to pixel for good (the sensor's fixed pattern) counts as noise here, so this is an upper limit; the
    few pixels that stand out do not matter.

    Parameters
    ----------
    image : (ny, nx); NaN are ignored

    Returns
    -------
    float, square of the image's unit; 0 for an image too small
    """
    if min(image.shape) < LEAST_EDGE_PX:
        return 0.0
    left, middle, right = image[:, : -2 * STEP_PX], image[:, STEP_PX:-STEP_PX], image[:, 2 * STEP_PX :]
    return float(mad_std(left - 2 * middle + right) ** 2 / 6) if left.size else 0.0
