"""Local sky and aperture fluxes on the samples of each colour."""

import numpy as np
from numba import njit

from pipeline.numerics.centroid import pixel_variance
from pipeline.numerics.robust import MAD_TO_SIGMA

__all__ = ["annulus_sky", "aperture_fluxes", "warm"]

CLIP_SIGMA = 2.5
"""Sky samples further than this many robust sigma from their median belong to a neighbour star or a hit."""

MIN_SKY_SAMPLES = 8
"""Fewer samples of a colour than this are no sky estimate."""


@njit(cache=True)
def annulus_sky(frame, usable, cell, x, y, inner, outer, n_channels):
    """Clipped mean of each colour in a ring around every star.

    Parameters
    ----------
    frame : (ny, nx) float32
    usable : (ny, nx) bool
    cell : (2, 2) uint8
    x, y : (n,) float64, pixels
    inner, outer : radii of the ring, pixels
    n_channels : 1 or 3

    Returns
    -------
    sky, error : (n, n_channels) float64, in the frame's unit; NaN where too few samples are usable
    """
    ny, nx = frame.shape
    sky = np.full((x.size, n_channels), np.nan)
    error = np.full((x.size, n_channels), np.nan)
    side = int(2 * outer + 3)
    samples = np.empty((n_channels, side * side))
    for star in range(x.size):
        counts = np.zeros(n_channels, dtype=np.int64)
        for row in range(max(0, int(np.ceil(y[star] - outer))), min(ny - 1, int(y[star] + outer)) + 1):
            for column in range(max(0, int(np.ceil(x[star] - outer))), min(nx - 1, int(x[star] + outer)) + 1):
                r2 = (column - x[star]) ** 2 + (row - y[star]) ** 2
                if r2 < inner * inner or r2 > outer * outer or not usable[row, column]:
                    continue
                k = cell[row % 2, column % 2]
                samples[k, counts[k]] = frame[row, column]
                counts[k] += 1
        for k in range(n_channels):
            if counts[k] < MIN_SKY_SAMPLES:
                continue
            values = samples[k, : counts[k]]
            middle = np.median(values)
            limit = CLIP_SIGMA * MAD_TO_SIGMA * np.median(np.abs(values - middle))
            total = square = 0.0
            count = 0
            for value in values:
                if abs(value - middle) <= limit:
                    total += value - middle
                    square += (value - middle) ** 2
                    count += 1
            mean = total / count
            sky[star, k] = middle + mean
            error[star, k] = np.sqrt(max(square / count - mean * mean, 0.0) / count)
    return sky, error


@njit(cache=True)
def aperture_fluxes(frame, noise, usable, cell, x, y, sky, sky_error, form, beta, radius, enclosed):
    """Flux of every star within ``radius``, per colour, as a grid with that colour on every pixel would show it.

    A colour is sampled on a quarter or half of the pixels, at places that depend on where the star happens to
    lie. So the sum over its samples is divided by what the known profile P (unit flux) puts on just these samples, and
    multiplied by what it puts in a full aperture: F = EE sum(w d) / sum(w P), w = soft edge of the aperture.
    Bad pixels are left out the same way.

    Parameters
    ----------
    frame : (ny, nx) float32
    noise : (n, 3) float64 coefficients of the variance about each star, see ``NoiseModel.coefficients``
    usable : (ny, nx) bool
    cell : (2, 2) uint8
    x, y : (n,) float64
    sky, sky_error : (n, n_channels) float64
    form : (3,) float64 quadratic form of the profile, see ``moffat.quadratic_form``
    beta : float
    radius : pixels
    enclosed : fraction of the profile's flux within ``radius``

    Returns
    -------
    flux, error : (n, n_channels) float64, unit of the frame times pixel
    peak : (n,) float64 highest sample above its sky
    """
    ny, nx = frame.shape
    n_channels = sky.shape[1]
    a, b, c = form[0], form[1], form[2]
    unit = (beta - 1.0) * np.sqrt(a * c - b * b) / np.pi
    flux = np.full((x.size, n_channels), np.nan)
    error = np.full((x.size, n_channels), np.nan)
    peak = np.full(x.size, np.nan)
    for star in range(x.size):
        light = np.zeros(n_channels)
        profile = np.zeros(n_channels)
        spread = np.zeros(n_channels)
        area = np.zeros(n_channels)
        highest = -np.inf
        for row in range(max(0, int(y[star] - radius)), min(ny - 1, int(y[star] + radius + 1)) + 1):
            for column in range(max(0, int(x[star] - radius)), min(nx - 1, int(x[star] + radius + 1)) + 1):
                if not usable[row, column]:
                    continue
                dx, dy = column - x[star], row - y[star]
                weight = min(1.0, max(0.0, radius + 0.5 - np.sqrt(dx * dx + dy * dy)))
                if weight == 0.0:
                    continue
                k = cell[row % 2, column % 2]
                value = frame[row, column] - sky[star, k]
                light[k] += weight * value
                profile[k] += weight * unit * (1.0 + a * dx * dx + 2.0 * b * dx * dy + c * dy * dy) ** -beta
                spread[k] += weight * weight * pixel_variance(frame[row, column], sky[star, k], noise, star)
                area[k] += weight
                highest = max(highest, value)
        peak[star] = highest
        for k in range(n_channels):
            if profile[k] > 0.0:
                factor = enclosed / profile[k]
                flux[star, k] = factor * light[k]
                error[star, k] = factor * np.sqrt(spread[k] + (area[k] * sky_error[star, k]) ** 2)
    return flux, error, peak


def warm():
    """Compile the kernels."""
    image = np.ones((12, 12), dtype=np.float32)
    usable = np.ones((12, 12), dtype=bool)
    cell = np.zeros((2, 2), dtype=np.uint8)
    at = np.full(1, 5.5)
    sky, error = annulus_sky(image, usable, cell, at, at, 2.0, 5.0, 1)
    aperture_fluxes(
        image, np.ones((1, 3)), usable, cell, at, at, sky, error, np.array([0.5, 0.0, 0.5]), 3.0, 2.0, 0.9
    )
