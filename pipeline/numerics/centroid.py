"""Star positions: Gaussian-windowed moments for any detection, profile fits for the vetted ones.

Compiled, since both visit a few hundred pixels around each of up to some thousand stars.
"""

import numpy as np
from numba import njit

__all__ = ["centroid_bound", "fit_positions", "pixel_variance", "warm", "windowed_moments"]

WINDOW_REACH = 4.0
"""Radius of the moment window in its sigma; beyond, the weight is below 4e-4."""

WINDOW_ITERATIONS = 16
"""Upper limit for the windowed centre; a star needs about five."""

FIT_ITERATIONS = 12
"""Upper limit of Gauss-Newton steps of a position; three or four suffice from a windowed centre."""

STEP_TOLERANCE_PX = 1e-4
"""A hundredth of the best centroid error met in practice."""

LONGEST_STEP_PX = 0.5
"""A longer step means that the linearisation no longer holds; it is cut to this."""


def centroid_bound(fwhm, snr):
    """Cramer-Rao bound of a coordinate of a well-sampled Gaussian star in white noise: sigma sqrt(2) / SNR.

    With the SNR of the optimally weighted flux, the bound is the star's sigma over that SNR times sqrt(2) where
    background noise rules (King 1983, PASP 95, 163, from memory) and sigma / SNR where the star's own rules.
    """
    return np.sqrt(2.0) * fwhm / (2.0 * np.sqrt(2.0 * np.log(2.0))) / snr


@njit(cache=True)
def windowed_moments(image, x, y, sigma):
    """Centres and second moments under a round Gaussian window of fixed size.

    The centre is iterated as in x' = x + 2 sum(w I dx) / sum(w I), which converges fast when the window has
    about the star's width.

    Parameters
    ----------
    image : (ny, nx) float32, background subtracted
    x, y : (n,) float64 first guesses, pixels
    sigma : of the window, pixels

    Returns
    -------
    (n, 6) float64: x, y, Mxx, Myy, Mxy (pixels^2, of the windowed light), sum of weighted light; the moments
    are NaN where there is no positive light or the centre runs away by more than two sigma + 1 px.
    """
    ny, nx = image.shape
    out = np.full((x.size, 6), np.nan)
    reach = WINDOW_REACH * sigma
    for star in range(x.size):
        cx, cy = x[star], y[star]
        for iteration in range(WINDOW_ITERATIONS + 1):
            last = iteration == WINDOW_ITERATIONS
            total = sx = sy = sxx = syy = sxy = 0.0
            for row in range(max(0, int(cy - reach)), min(ny - 1, int(cy + reach) + 1) + 1):
                for column in range(max(0, int(cx - reach)), min(nx - 1, int(cx + reach) + 1) + 1):
                    dx, dy = column - cx, row - cy
                    r2 = dx * dx + dy * dy
                    if r2 > reach * reach:
                        continue
                    light = image[row, column] * np.exp(-0.5 * r2 / sigma**2)
                    total += light
                    sx += light * dx
                    sy += light * dy
                    sxx += light * dx * dx
                    syy += light * dy * dy
                    sxy += light * dx * dy
            if not total > 0.0:
                break
            mx, my = sx / total, sy / total
            if last or (abs(mx) < STEP_TOLERANCE_PX and abs(my) < STEP_TOLERANCE_PX):
                out[star, 2] = sxx / total - mx * mx
                out[star, 3] = syy / total - my * my
                out[star, 4] = sxy / total - mx * my
                out[star, 5] = total
                break
            cx += 2.0 * mx
            cy += 2.0 * my
            if abs(cx - x[star]) > 2.0 * sigma + 1.0 or abs(cy - y[star]) > 2.0 * sigma + 1.0:
                break
        out[star, 0], out[star, 1] = cx, cy
    return out


@njit(cache=True)
def pixel_variance(value, sky, noise, star):
    """Variance of a sample: a r + b + c r^2 with its own rate, or that of the local sky where this is higher."""
    rate = max(max(value, sky), 0.0)
    return (noise[star, 2] * rate + noise[star, 0]) * rate + noise[star, 1]


@njit(cache=True)
def fit_positions(frame, noise, usable, cell, channel, x, y, sky, form, beta, radius):
    """Least-squares positions of stars of known profile, on the samples of one or all colours.

    Model: sky_c + A_c (1 + a dx^2 + 2 b dx dy + c dy^2)^-beta, weights 1 / variance
    (of the samples themselves, but not below the variance of their local sky); the amplitudes are
    eliminated from the normal equations (Schur complement), and the remaining 2 x 2 matrix is the inverse covariance
    of the position.

    Parameters
    ----------
    frame : (ny, nx) float32
    noise : (n, 3) float64 coefficients of the variance about each star, see ``NoiseModel.coefficients``
    usable : (ny, nx) bool
    cell : (2, 2) uint8 channel of each pixel of the repeating cell
    channel : index of the only channel to use, or -1 for all with a common position
    x, y : (n,) float64 first guesses
    sky : (n, n_channels) float64 local sky
    form : (3,) float64 a, b, c
    beta : float
    radius : of the fitted disc, pixels

    Returns
    -------
    (n, 6) float64: x, y, variance of x, variance of y, chi^2, degrees of freedom; NaN where the fit fails.
    """
    ny, nx = frame.shape
    n_channels = sky.shape[1]
    a, b, c = form[0], form[1], form[2]
    out = np.full((x.size, 6), np.nan)
    for star in range(x.size):
        cx, cy = x[star], y[star]
        amplitude = np.zeros(n_channels)
        for iteration in range(FIT_ITERATIONS + 1):
            top, bottom = max(0, int(np.ceil(cy - radius))), min(ny - 1, int(np.floor(cy + radius)))
            left, right = max(0, int(np.ceil(cx - radius))), min(nx - 1, int(np.floor(cx + radius)))
            # First pass: the amplitudes at this position.
            pp = np.zeros(n_channels)
            pd = np.zeros(n_channels)
            for row in range(top, bottom + 1):
                for column in range(left, right + 1):
                    k = cell[row % 2, column % 2]
                    dx, dy = column - cx, row - cy
                    if not usable[row, column] or (channel >= 0 and k != channel):
                        continue
                    if dx * dx + dy * dy > radius * radius:
                        continue
                    p = (1.0 + a * dx * dx + 2.0 * b * dx * dy + c * dy * dy) ** -beta
                    weight = 1.0 / pixel_variance(frame[row, column], sky[star, k], noise, star)
                    pp[k] += weight * p * p
                    pd[k] += weight * p * (frame[row, column] - sky[star, k])
            for k in range(n_channels):
                amplitude[k] = pd[k] / pp[k] if pp[k] > 0.0 else 0.0
            # Second pass: normal equations of the position, and chi^2.
            nxx = nyy = nxy = gx = gy = chi2 = 0.0
            count = 0
            px = np.zeros(n_channels)
            py = np.zeros(n_channels)
            for row in range(top, bottom + 1):
                for column in range(left, right + 1):
                    k = cell[row % 2, column % 2]
                    dx, dy = column - cx, row - cy
                    if not usable[row, column] or (channel >= 0 and k != channel):
                        continue
                    if dx * dx + dy * dy > radius * radius:
                        continue
                    q = 1.0 + a * dx * dx + 2.0 * b * dx * dy + c * dy * dy
                    p = q**-beta
                    slope = 2.0 * beta * amplitude[k] * p / q
                    jx, jy = slope * (a * dx + b * dy), slope * (b * dx + c * dy)
                    weight = 1.0 / pixel_variance(frame[row, column], sky[star, k], noise, star)
                    residual = frame[row, column] - sky[star, k] - amplitude[k] * p
                    nxx += weight * jx * jx
                    nyy += weight * jy * jy
                    nxy += weight * jx * jy
                    gx += weight * jx * residual
                    gy += weight * jy * residual
                    px[k] += weight * jx * p
                    py[k] += weight * jy * p
                    chi2 += weight * residual * residual
                    count += 1
            for k in range(n_channels):
                if pp[k] > 0.0:
                    nxx -= px[k] * px[k] / pp[k]
                    nyy -= py[k] * py[k] / pp[k]
                    nxy -= px[k] * py[k] / pp[k]
            determinant = nxx * nyy - nxy * nxy
            if not determinant > 0.0 or not (nxx > 0.0 and nyy > 0.0):
                break
            step_x = (nyy * gx - nxy * gy) / determinant
            step_y = (nxx * gy - nxy * gx) / determinant
            length = np.hypot(step_x, step_y)
            if length < STEP_TOLERANCE_PX or iteration == FIT_ITERATIONS:
                if length < 0.1:
                    out[star, 0], out[star, 1] = cx, cy
                    out[star, 2], out[star, 3] = nyy / determinant, nxx / determinant
                    out[star, 4], out[star, 5] = chi2, count - 2 - n_channels
                break
            if length > LONGEST_STEP_PX:
                step_x *= LONGEST_STEP_PX / length
                step_y *= LONGEST_STEP_PX / length
            cx += step_x
            cy += step_y
            if np.hypot(cx - x[star], cy - y[star]) > radius:
                break
    return out


def warm():
    """Compile the kernels."""
    image = np.ones((8, 8), dtype=np.float32)
    at = np.full(1, 3.5)
    windowed_moments(image, at, at, 1.0)
    usable = np.ones((8, 8), dtype=bool)
    for channels in (1, 3):
        cell = np.zeros((2, 2), dtype=np.uint8)
        fit_positions(
            image,
            np.ones((1, 3)),
            usable,
            cell,
            -1,
            at,
            at,
            np.zeros((1, channels)),
            np.array([0.5, 0.0, 0.5]),
            3.0,
            2.0,
        )
