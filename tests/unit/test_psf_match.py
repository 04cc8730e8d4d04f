"""Kernels that bring one point-spread function to another, from stars in noise."""

import numpy as np
from scipy.ndimage import gaussian_filter
from scipy.signal import fftconvolve

from pipeline.numerics.point_spread import measured_psf
from pipeline.numerics.psf_match import matching_kernel

HALF = 17


def moffat(fwhm, beta, dx=0.0, dy=0.0, half=HALF):
    y, x = np.mgrid[-half : half + 1, -half : half + 1]
    x, y = x - dx, y - dy
    core = fwhm / (2 * np.sqrt(2 ** (1 / beta) - 1))
    # Of light 1 to infinity, so that a shallow profile holds less of it in the same square.
    return (beta - 1) / (np.pi * core**2) * (1 + (x**2 + y**2) / core**2) ** -beta


def measured(fwhm, beta, rng, *, gas=0.0, stars=24, peak_over_noise=60.0, offset_px=0.05):
    """PSF of stars of this brightness, a little off their places, before gas whose structure is this part of their peaks."""
    cuts = np.array([moffat(fwhm, beta, *rng.normal(0, offset_px, 2)) for _ in range(stars)])
    peak = cuts.max()
    clouds = gaussian_filter(rng.normal(size=cuts.shape), (0, 2, 2))
    cuts += gas * peak * clouds / clouds.std()
    cuts += rng.normal(0, peak / peak_over_noise, cuts.shape) * rng.uniform(0.2, 1.5, (stars, 1, 1))
    return measured_psf(cuts)


def test_gas_between_the_stars_leaves_no_lobes_in_the_kernel():
    """What the kernel adds more than two FWHM from a star is below half a thousandth of its peak: the noise of the sky beside a
    star of two thousand sigma. The PSFs themselves are uncertain by ten times that, from gas of 2 % of the stars' peaks.
    """
    sharp, broad = moffat(4.0, 3.4), moffat(4.4, 3.2)
    grid = np.arange(-HALF, HALF + 1)
    r = np.hypot(grid[:, None], grid[None, :])
    lobes = []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        # Gas shows through the filter that is made for it.
        source, target = measured(4.0, 3.4, rng, gas=0.02), measured(4.4, 3.2, rng)
        kernel = matching_kernel(source, target, half=9)
        left = (fftconvolve(sharp, kernel.weights, mode="same") - broad) / broad.max()
        lobes.append(np.abs(left[(r > 8.8) & (r < 14)]).max())
    assert np.median(lobes) < 5e-4


def test_without_noise_the_kernel_is_exact():
    """To a thousandth of the peak: a kernel of two FWHM half width ends where the Moffat wings do not."""
    sharp, broad = moffat(3.2, 4.0), moffat(4.4, 3.0)
    kernel = matching_kernel(measured_psf(sharp[None]), measured_psf(broad[None]), half=9, strengths=(1e-5,))
    left = (fftconvolve(sharp, kernel.weights, mode="same") - broad) / broad.max()
    assert np.abs(left[5:-5, 5:-5]).max() < 1e-3
    assert abs(kernel.weights.sum() - 1) < 1e-9


def test_stars_in_noise_keep_their_light_and_their_cores():
    """The light in an aperture of 1.6 FWHM and in a Gaussian core against that of the target, in the mean of eight fields: to a
    third of a percent. A kernel without wings, which noise would leave it without, puts 0.6 % too much there.
    """
    sharp, broad = moffat(4.0, 3.4, half=40), moffat(4.4, 3.2, half=40)
    grid = np.arange(-40, 41)
    r = np.hypot(grid[:, None], grid[None, :])
    weights = (r < 1.6 * 4.4, np.exp(-0.5 * (r / (4.4 / 2.3548)) ** 2))
    ratios = []
    for seed in range(8):
        rng = np.random.default_rng(seed)
        kernel = matching_kernel(measured(4.0, 3.4, rng), measured(4.4, 3.2, rng), half=9)
        matched = fftconvolve(sharp, kernel.weights, mode="same")
        ratios.append([np.sum(matched * weight) / np.sum(broad * weight) - 1 for weight in weights])
    assert np.abs(np.mean(ratios, axis=0)).max() < 1 / 300
