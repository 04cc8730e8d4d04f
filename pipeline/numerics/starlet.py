"""The starlet transform: an image as a sum of details of growing size, and noise removed size by size.

The isotropic undecimated wavelet transform of Starck & Murtagh [1]_: c_0 is the image, c_(j+1) is c_j convolved with the
B3 spline h = [1, 4, 6, 4, 1] / 16 with 2^j - 1 zeros between its taps, and w_(j+1) = c_j - c_(j+1). The image is the sum
of all w_j and the last c, exactly.

References
----------
.. [1] J.-L. Starck, F. Murtagh, Astronomical Image and Data Analysis, 2nd ed. (2006), ch. 2 (from memory).
"""

import numpy as np
from scipy import ndimage

__all__ = ["denoise", "noise_gains", "starlet"]

B3_SPLINE = np.array([1.0, 4.0, 6.0, 4.0, 1.0]) / 16.0
"""Taps of the scaling function."""

N_SCALES = 5
"""Details up to 2^5 = 32 pixels; larger structure of gas stands far above any noise."""

MIN_SCALE_SHARE = 4
"""A scale larger than this part of the image is not looked at."""


def starlet(image, n_scales=N_SCALES):
    """Details and rest.

    Parameters
    ----------
    image : (ny, nx)

    Returns
    -------
    details : list of (ny, nx) float64, finest first
    rest : (ny, nx) float64
    """
    smooth = np.asarray(image, dtype=np.float64)
    details = []
    for j in range(n_scales):
        taps = np.zeros(4 * 2**j + 1)
        taps[:: 2**j] = B3_SPLINE
        smoother = ndimage.correlate1d(ndimage.correlate1d(smooth, taps, axis=0, mode="mirror"), taps, axis=1, mode="mirror")
        details.append(smooth - smoother)
        smooth = smoother
    return details, smooth


def noise_gains(n_scales=N_SCALES, *, sampling_sigma_px=0.0):
    """Standard deviation of each detail of noise whose equivalent uncorrelated variance is 1.

    White noise of unit variance is correlated first by a Gaussian of ``sampling_sigma_px``, as resampling does; the
    transform is linear, so the response to one unit pulse gives the result exactly.
    """
    size = 8 * 2**n_scales + 1
    pulse = np.zeros((size, size))
    pulse[size // 2, size // 2] = 1.0
    if sampling_sigma_px:
        pulse = ndimage.gaussian_filter(pulse, sampling_sigma_px, mode="constant")
    return np.array([np.sqrt(np.sum(detail**2)) for detail in starlet(pulse, n_scales)[0]])


def denoise(image, variance, *, sigma, sampling_sigma_px=0.85, n_scales=N_SCALES):
    """Take away details that do not stand out of the noise.

    A coefficient w of noise s is multiplied by max(0, 1 - (k s / w)^2) (the positive-part James-Stein rule), which goes to 1 for
    strong structure, so that filaments keep their contrast, unlike with soft thresholds.

    Parameters
    ----------
    image, variance : (ny, nx), equivalent uncorrelated variance; NaN where unknown
    sigma : k
    sampling_sigma_px : correlation length of the noise; 0.85 px is that of cubic interpolation on a lattice of 2 px

    Returns
    -------
    (ny, nx) float32
    """
    if sigma <= 0:
        return np.asarray(image, dtype=np.float32)
    known = np.isfinite(variance)
    usual = float(np.median(variance[known])) if known.any() else 0.0
    noise = np.sqrt(np.where(known, variance, usual))
    n_scales = max(1, min(n_scales, int(np.log2(max(min(image.shape) / MIN_SCALE_SHARE, 2)))))
    details, rest = starlet(np.where(known, image, 0.0), n_scales)
    total = rest
    for detail, gain in zip(details, noise_gains(n_scales, sampling_sigma_px=sampling_sigma_px), strict=True):
        limit = (sigma * gain * noise) ** 2
        power = detail**2
        total = total + detail * np.where(power > limit, 1.0 - limit / np.maximum(power, limit + 1e-300), 0.0)
    return total.astype(np.float32)
