"""Compiled inner loops: stars onto pixels, maps onto pixels."""

import numpy as np
from numba import njit

__all__ = ["add_halos", "add_stars", "sample_map"]

HALO_EDGE_PX = 3.0
"""Width over which a halo fades at its rim."""


@njit(cache=True, nogil=True)
def add_stars(image, index, x, y, flux, alpha, beta, ratio, angle, reach):
    """Add Moffat stars to a frame, each pixel seeing the flux and the place of its own channel.

    I(r) = F (beta - 1) / (pi alpha^2 q) (1 + r^2 / alpha^2)^-beta, r elliptical with axis ratio q (Moffat 1969). The
    profile is that of the image with the pixel's width in it, so it is evaluated at the centres of pixels.

    Parameters
    ----------
    image : (ny, nx) float64, changed in place
    index : (ny, nx) channel of each pixel
    x, y, flux : (C, n)
    alpha, beta, ratio, angle : of the profile
    reach : (n,) pixels out to which it is drawn
    """
    ny, nx = image.shape
    n = flux.shape[1]
    c, s = np.cos(angle), np.sin(angle)
    norm = (beta - 1.0) / (np.pi * alpha * alpha * ratio)
    for k in range(n):
        x_low = max(int(np.floor(x[:, k].min() - reach[k])), 0)
        x_high = min(int(np.ceil(x[:, k].max() + reach[k])), nx - 1)
        y_low = max(int(np.floor(y[:, k].min() - reach[k])), 0)
        y_high = min(int(np.ceil(y[:, k].max() + reach[k])), ny - 1)
        for j in range(y_low, y_high + 1):
            for i in range(x_low, x_high + 1):
                ch = index[j, i]
                dx, dy = i - x[ch, k], j - y[ch, k]
                u, v = c * dx + s * dy, (c * dy - s * dx) / ratio
                image[j, i] += flux[ch, k] * norm * (1.0 + (u * u + v * v) / (alpha * alpha)) ** -beta


@njit(cache=True, nogil=True)
def add_halos(image, index, x, y, flux, radius):
    """Add the halo of each star: an even disc with a soft rim that holds ``flux`` electrons per second."""
    ny, nx = image.shape
    n = flux.shape[1]
    # Area of the disc with a linear rim of width w about R: pi (R^2 + w^2 / 12).
    norm = 1.0 / (np.pi * (radius * radius + HALO_EDGE_PX**2 / 12.0))
    reach = radius + HALO_EDGE_PX
    for k in range(n):
        for j in range(max(int(y[0, k] - reach), 0), min(int(y[0, k] + reach) + 2, ny)):
            for i in range(max(int(x[0, k] - reach), 0), min(int(x[0, k] + reach) + 2, nx)):
                ch = index[j, i]
                r = np.sqrt((i - x[ch, k]) ** 2 + (j - y[ch, k]) ** 2)
                share = min(max((radius - r) / HALO_EDGE_PX + 0.5, 0.0), 1.0)
                image[j, i] += flux[ch, k] * norm * share


@njit(cache=True, nogil=True)
def sample_map(plane, x, y, out):
    """Cubic (Catmull-Rom) interpolation of ``plane`` at positions in its own pixels; 0 outside."""
    my, mx = plane.shape
    ny, nx = out.shape
    wx, wy = np.empty(4), np.empty(4)
    for j in range(ny):
        for i in range(nx):
            px, py = x[j, i], y[j, i]
            ix, iy = int(np.floor(px)), int(np.floor(py))
            if ix < 1 or iy < 1 or ix + 2 >= mx or iy + 2 >= my:
                out[j, i] = 0.0
                continue
            for axis in range(2):
                t = px - ix if axis == 0 else py - iy
                w = wx if axis == 0 else wy
                w[0] = ((-0.5 * t + 1.0) * t - 0.5) * t
                w[1] = (1.5 * t - 2.5) * t * t + 1.0
                w[2] = ((-1.5 * t + 2.0) * t + 0.5) * t
                w[3] = (0.5 * t - 0.5) * t * t
            total = 0.0
            for b in range(4):
                for a in range(4):
                    total += wy[b] * wx[a] * plane[iy - 1 + b, ix - 1 + a]
            out[j, i] = total
