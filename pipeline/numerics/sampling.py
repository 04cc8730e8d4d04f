"""Resampling straight from the pixels of a colour-filter-array frame onto the anchor's grid.

Each colour of a Bayer array sits on sub-lattices of spacing 2 (one for red, one for blue, two for green); a
mono sensor is one lattice of spacing 1. An output pixel of one channel is found by separable interpolation
on each of the channel's lattices, and the two greens are averaged. All three colours are so smoothed alike,
and a star's edge gets no coloured ring from the sampling. No frame is demosaiced first: every raw pixel is
interpolated exactly once.

All kernels are partitions of unity (on any line of the lattice the weights of all pixels sum to one, at any
phase), hence a flat field stays flat, and the flux of a star is kept: the value is the frame's surface
brightness times the area of the output pixel measured in frame pixels. What is left is the aliasing of the
lattice itself: for a Gaussian star of standard deviation s on a lattice of spacing h, four terms of relative
size exp(-2 pi^2 s^2 / h^2), 0.04 % each for FWHM 3 px and h = 2, of either sign with the phase.

Choice of the kernel, for h = 2 and a Gaussian star, computed:

    kernel      FWHM 3.0 -> x   3.5 -> x   4.0 -> x   peak at FWHM 3   dark ring at FWHM 3   noise of 8 x 8 blocks
    linear           1.20         1.15       1.11       0.53 - 1.00          none                    0.89
    cubic            1.14         1.09       1.06       0.67 - 1.00       0.9 % (2.0 %)              0.94
    lanczos          1.12         1.06       1.03       0.78 - 1.00       2.0 % (4.3 %)              0.95
    ringless         1.12         1.07       1.05       0.66 - 1.04       none  (1.5 %)              0.93

The widths are those of the mean over all phases, the peaks the lowest and highest; the ring is relative to the peak,
in the mean over all phases (and at the worst one). The last column is relative to the equivalent uncorrelated noise;
it is below 1 since the kernel carries part of a pixel across the edge of a block, and :func:`block_noise_factor`
accounts for it.

What sharpens a star digs a ring around it: the light of a star of FWHM 3 px reaches beyond the highest frequency that a
sampling of spacing 2 carries, and a kernel that cuts there rings. "ringless" falls more gently:

    K(t) = keys(t) + b (d2 p)(t) + c (d4 p)(t),    p(t) = 1 - 3 t^2 + 2 |t|^3 for |t| < 1,

with keys the cubic kernel, d2 and d4 the second and fourth central differences in steps of the lattice. A difference of
a partition of unity adds nothing to a constant, and a second one nothing to a straight line either, so that K stays a
partition of unity and reproduces slopes. b > 0 takes the ring away, c > 0 gives the width back; they were found by a
search for the least ring, mean and worst, at a width of at most 1.12 times that of FWHM 3 px.

The lanczos kernel is Lanczos' with three lobes [2]_, its six weights slightly corrected so that it reproduces parabolas.
The cubic kernel is Keys' with a = -1/2, the one of its family that reproduces parabolas. Where a pixel of
the support is missing, the linear kernel with its 2 x 2 support takes
over, renormalised over what is there: negative weights must not be renormalised.

References
----------
.. [1] R. G. Keys, "Cubic convolution interpolation for digital image processing", IEEE Trans. ASSP 29 (1981)
   1153 (from memory).
.. [2] C. E. Duchon, "Lanczos filtering in one and two dimensions", J. Appl. Meteorol. 18 (1979) 1016 (from
   memory): sinc(t) sinc(t / 3) within three steps.
"""

from functools import cache
from math import comb

import numpy as np
from numba import njit

from pipeline.numerics.cfa import Cfa
from pipeline.numerics.frame_positions import Placement, frame_positions
from pipeline.numerics.pose import Pose

__all__ = [
    "KERNELS",
    "block_noise_factor",
    "lattice_density_factor",
    "peak_loss",
    "resample",
    "sample_noise_factor",
    "warm",
]

KERNELS = ("ringless", "lanczos", "cubic", "linear")
"""Interpolation kernels on a lattice."""

RINGLESS_B, RINGLESS_C = 0.06, 0.025
"""Shares of the second and the fourth difference in the ringless kernel."""

RINGLESS = "ringless"
"""Default of the functions here: the kernel that serves few frames best."""

KEYS_A = -0.5
"""Free parameter of the cubic kernel; this value reproduces polynomials of degree two [1]_."""

REACH = {"ringless": 3, "lanczos": 3, "cubic": 2, "linear": 1}
"""Half width of the kernels, in lattice steps."""

LEAST_WEIGHT = 0.25
"""A sample that has lost more than three quarters of its linear kernel is missing: what is left lies on one side
and would be an extrapolation."""

TAPS = 6
"""Samples of a row and of a column that are weighted, for the widest kernel; the outer weights of the others are 0."""

PHASE_STEPS = 2048
"""Steps of the phase at which the weights of a kernel are kept."""

PHASES = 64
"""Number of phases over which the mean noise factor of a kernel is taken; the integrand is a smooth periodic
polynomial, for which this is exact to rounding."""


def lattice_density_factor(cfa, channel):
    """Frame pixels per pixel of the channel: 4 for red and blue, 2 for green, 1 for mono.

    One frame's image of a channel has the equivalent uncorrelated variance ``factor * sigma^2 / A`` when
    sigma^2 is the variance of a raw pixel in the units of the output and A the anchor pixels per frame pixel:
    a block of B output pixels covers B/A frame pixels, of which 1/factor carry the channel. With a partition
    of unity every one of these n = B/(A factor) pixels counts alike in the mean of the block, whose variance
    is sigma^2 / n = (factor sigma^2 / A) / B, up to the pixels at the block's edge.
    """
    n_pixels = len(cfa.offsets(channel))
    return 4.0 / n_pixels


@cache
def sample_noise_factor(cfa, channel, *, kernel=RINGLESS):
    """Mean over all phases of the sum of squared weights: variance of one output sample over sigma^2."""
    phase = (np.arange(PHASES) + 0.5) / PHASES
    total = sum(
        _kernel_values(kernel, phase - step) ** 2 for step in range(-REACH[kernel] + 1, REACH[kernel] + 1)
    )
    n_lattices = 1 if cfa.is_mono else len(cfa.offsets(channel))
    return float(total.mean() ** 2 / n_lattices)


def peak_loss(fwhm_px, cfa, *, kernel=RINGLESS):
    """Share of the peak of a Gaussian star by which sampling changes it, (n,) for widths (n,) in frame pixels.

    The peak is lowest where the star's centre lies in the middle between the pixels of its colour and highest where it
    lies on such a pixel, so samples of one star in dithered frames differ by up to this much.
    """
    sigma = np.asarray(fwhm_px, dtype=np.float64)[..., None] / (2 * np.sqrt(2 * np.log(2)))
    step = 1.0 if cfa.is_mono else 2.0

    def seen(phase):
        distance = np.arange(-REACH[kernel], REACH[kernel] + 1) - phase
        return (_kernel_values(kernel, distance) * np.exp(-0.5 * (step * distance / sigma) ** 2)).sum(axis=-1)

    return seen(0.0) ** 2 - seen(0.5) ** 2


@cache
def block_noise_factor(cfa, *, kernel=RINGLESS, block=8, finer=1.0):
    """Variance of the mean of ``block`` x ``block`` output pixels over that of as many uncorrelated ones.

    With K the kernel on a lattice of spacing h output pixels, of which ``finer`` lie along a frame pixel, the covariance of
    two samples d apart along an axis is, averaged
    over all phases, (K * K)(d / h) of a raw pixel's, hence for the mean of n along that axis

        F = sum_d (1 - |d| / n) (K * K)(d / h) / h,

    and F^2 for both. It tends to 1 for large blocks: what is missing has crossed the block's edge.
    """
    step = finer * (1.0 if cfa.is_mono else 2.0)
    reach = REACH[kernel]
    t = (np.arange(-reach * PHASES, reach * PHASES) + 0.5) / PHASES
    total = sum(
        (1 - abs(d) / block)
        * float((_kernel_values(kernel, t) * _kernel_values(kernel, t + d / step)).mean())
        for d in range(-block + 1, block)
    )
    return (total * 2 * reach / step) ** 2


def resample(frame, cfa, placement, positions, *, kernel=RINGLESS, first_row=0, first_column=0):
    """Every channel of a frame at given places.

    Parameters
    ----------
    frame : (rows, columns) float32, electrons per second; NaN or infinity where a pixel is bad, saturated or missing
    cfa : Cfa of the whole frame
    placement : Placement
    positions : (x, y, area) from :func:`pipeline.numerics.frame_positions.frame_positions`, n places
    kernel : one of ``KERNELS``
    first_row, first_column : of the frame that ``frame[0, 0]`` is, even

    Returns
    -------
    value : (C, n) float32, electrons per second per output pixel; NaN where the weight is 0
    weight : (C, n) float32 in [0, 1]: share of the kernel that found good pixels; the variance of the sample
        grows as 1 / weight
    """
    if kernel not in KERNELS:
        raise ValueError(f"kernel is one of {KERNELS}, got {kernel!r}")
    if first_row % 2 or first_column % 2:
        raise ValueError(
            f"first_row and first_column have to be even to keep the colour pattern, got {first_row}, {first_column}"
        )
    frame = np.asarray(frame, dtype=np.float32)
    x, y, area = positions
    ny, nx = placement.pose.shape
    value = np.empty((len(cfa.channels), x.size), dtype=np.float32)
    weight = np.empty_like(value)
    for c, channel in enumerate(cfa.channels):
        planes, origins, step = _lattices(frame, cfa, channel)
        origins += (first_row, first_column)
        _interpolate(
            planes,
            origins,
            step,
            x,
            y,
            area,
            np.ascontiguousarray(placement.channel_offsets[c], dtype=np.float64),
            0.5 * (nx - 1),
            0.5 * (ny - 1),
            0.5 * np.hypot(nx, ny),
            _weights_of_phases(kernel),
            value[c],
            weight[c],
        )
    return value, weight


def warm():
    """Compile the kernels of this module."""
    placement = Placement(Pose.identity((8, 8)), np.zeros((3, 2, 3)))
    positions = frame_positions(placement.pose, np.array([3.0]), np.array([3.0]))
    resample(np.zeros((8, 8), dtype=np.float32), Cfa("RGGB"), placement, positions)


def _lattices(frame, cfa, channel):
    """Planes (L, my, mx) of a channel, their origins (L, 2) as (y, x) in pixels, and their spacing."""
    if cfa.is_mono:
        return np.ascontiguousarray(frame)[None], np.zeros((1, 2)), 1.0
    ny, nx = frame.shape
    offsets = cfa.offsets(channel)
    planes = np.full((len(offsets), -(-ny // 2), -(-nx // 2)), np.nan, dtype=np.float32)
    for plane, (dy, dx) in zip(planes, offsets, strict=True):
        part = frame[dy::2, dx::2]
        plane[: part.shape[0], : part.shape[1]] = part
    return planes, np.array(offsets, dtype=np.float64), 2.0


def _kernel_values(kernel, t):
    t = np.abs(t)
    if kernel == "lanczos":
        return _lanczos(t)
    if kernel == "linear":
        return np.where(t < 1, 1 - t, 0.0)
    if kernel == "ringless":
        return _kernel_values("cubic", t) + RINGLESS_B * _difference(2, t) + RINGLESS_C * _difference(4, t)
    near = ((KEYS_A + 2) * t - (KEYS_A + 3)) * t * t + 1
    far = ((KEYS_A * t - 5 * KEYS_A) * t + 8 * KEYS_A) * t - 4 * KEYS_A
    return np.where(t < 1, near, np.where(t < 2, far, 0.0))


def _difference(order, t):
    """Central difference of even order, in steps of one, of p(t) = 1 - 3 t^2 + 2 |t|^3 within |t| < 1."""
    t = np.asarray(t, dtype=np.float64)
    made = np.zeros(t.shape)
    for k in range(order + 1):
        s = np.minimum(np.abs(t + k - order // 2), 1.0)
        made += (-1) ** k * comb(order, k) * (1.0 - s * s * (3.0 - 2.0 * s))
    return made


def _lanczos(t):
    """Lanczos' kernel plus a smooth window times a parabola that makes the six weights of a phase reproduce parabolas:
    sum(w) = 1, sum(w d) = 0 and sum(w d^2) = 0 with d the distances.
    """
    t = np.asarray(t, dtype=np.float64)
    distance = np.stack([t - np.floor(t) - k for k in range(-2, 4)], axis=-1)
    powers = distance[..., None] ** np.arange(3)
    moments = np.einsum("...k,...ki,...kj->...ij", _window(distance), powers, powers)
    wanted = np.array([1.0, 0.0, 0.0]) - np.einsum("...k,...ki->...i", _sinc3(distance), powers)
    parabola = np.linalg.solve(moments, wanted[..., None])[..., 0]
    return np.where(
        np.abs(t) < 3, _sinc3(t) + _window(t) * (parabola * t[..., None] ** np.arange(3)).sum(axis=-1), 0.0
    )


def _sinc3(t):
    return np.where(np.abs(t) < 3, np.sinc(t) * np.sinc(t / 3), 0.0)


def _window(t):
    return np.maximum(1 - (t / 3) ** 2, 0.0)


@cache
def _weights_of_phases(kernel):
    """(PHASE_STEPS + 2, TAPS) float32: the weights at equal steps of the phase, between which they run straight.

    The coordinates themselves are never rounded; the weights are off by w'' / 8 PHASE_STEPS^2, 3e-7 for lanczos.
    """
    phase = np.arange(PHASE_STEPS + 2) / PHASE_STEPS
    # The step beyond the last is only ever taken with the share 0.
    phase[-1] = 1.0
    taps = np.arange(-TAPS // 2 + 1, TAPS // 2 + 1)
    # At phase 1 the last weight is the kernel at its end, which a floor would take for the next phase.
    inside = np.minimum(phase, 1 - 1e-12)
    return _kernel_values(kernel, inside[:, None] - taps).astype(np.float32)


@njit(cache=True, nogil=True, error_model="numpy")
def _interpolate(planes, origins, step, x, y, area, offset, x0, y0, scale, table, value, weight):
    n_lattices, my, mx = planes.shape
    steps, inverse, finer = table.shape[0] - 2, 1.0 / scale, 1.0 / step
    across = np.empty(TAPS, dtype=np.float32)
    for k in range(x.size):
        value[k] = np.nan
        weight[k] = 0.0
        if not (area[k] > 0):
            continue
        u, v = (x[k] - x0) * inverse, (y[k] - y0) * inverse
        xc = x[k] + offset[0, 0] + offset[0, 1] * u + offset[0, 2] * v
        yc = y[k] + offset[1, 0] + offset[1, 1] * u + offset[1, 2] * v
        total = np.float32(0.0)
        mass = np.float32(0.0)
        for m in range(n_lattices):
            xl, yl = (xc - origins[m, 1]) * finer, (yc - origins[m, 0]) * finer
            if not (xl > -1.0 and yl > -1.0 and xl < mx and yl < my):
                continue
            # Both lie above -1, so that cutting off the fraction of what is one more is rounding down.
            i, j = int(xl + 1.0) - 1, int(yl + 1.0) - 1
            tx, ty = xl - i, yl - j
            if i >= TAPS // 2 - 1 and j >= TAPS // 2 - 1 and i + TAPS // 2 < mx and j + TAPS // 2 < my:
                left, top = tx * steps, ty * steps
                a, b = int(left), int(top)
                left, top = np.float32(left - a), np.float32(top - b)
                # Places are unsigned: signed ones might be negative, which would be looked into for every sample. And no
                # view is made of a row, which would cost more than the row.
                a, b, lattice = np.uint64(a), np.uint64(b), np.uint64(m)
                row, column = np.uint64(j - TAPS // 2 + 1), np.uint64(i - TAPS // 2 + 1)
                s0 = s1 = s2 = s3 = s4 = s5 = np.float32(0.0)
                for tap in range(np.uint64(TAPS)):
                    share = table[b, tap] + top * (table[b + np.uint64(1), tap] - table[b, tap])
                    s0 += share * planes[lattice, row, column + np.uint64(0)]
                    s1 += share * planes[lattice, row, column + np.uint64(1)]
                    s2 += share * planes[lattice, row, column + np.uint64(2)]
                    s3 += share * planes[lattice, row, column + np.uint64(3)]
                    s4 += share * planes[lattice, row, column + np.uint64(4)]
                    s5 += share * planes[lattice, row, column + np.uint64(5)]
                    row += np.uint64(1)
                for tap in range(np.uint64(TAPS)):
                    across[tap] = table[a, tap] + left * (table[a + np.uint64(1), tap] - table[a, tap])
                found = (s0 * across[0] + s1 * across[1]) + (s2 * across[2] + s3 * across[3])
                found += s4 * across[4] + s5 * across[5]
                # A pixel that cannot be used (NaN, infinity) shows in the sum; only then the slower way is taken.
                if abs(found) < np.inf:
                    total += found
                    mass += np.float32(1.0)
                    continue
            for dj in range(2):
                for di in range(2):
                    row, column = j + dj, i + di
                    if 0 <= row < my and 0 <= column < mx:
                        pixel = planes[m, row, column]
                        if abs(pixel) < np.inf:
                            share = (tx if di else 1 - tx) * (ty if dj else 1 - ty)
                            total += share * pixel
                            mass += share
        if mass >= LEAST_WEIGHT * n_lattices:
            value[k] = total / mass * area[k]
            weight[k] = min(mass / n_lattices, 1.0)
