"""Which detections are stars: those that have the size and shape that most bright ones of the frame share."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import KDTree

from pipeline.numerics.half_grid import luminance_moments

__all__ = ["FLAG_CROWDED", "FLAG_SATURATED", "Vetted", "crowded", "half_sample_mode", "vet"]

FLAG_SATURATED = 1
"""Star flag: a saturated sample lies in its core; position and flux are rough."""

FLAG_CROWDED = 2
"""Star flag: another detection of comparable light overlaps the aperture."""

MODE_SNR = 15.0
"""Detections that define the frame's own star size: their size is known to about 7 %."""

MODE_MIN = 8
"""If fewer than this are that bright, the brightest this many define the size."""

SIZE_TOLERANCE = 0.12
"""Allowed |ln(size / mode)| of a noiseless star. In a window of about its own width a star's size goes with the
root of its FWHM, so this is 27 % in FWHM: room for the growth of stars towards the corners of the field."""

SHAPE_TOLERANCE = 0.20
"""Allowed difference of a shape component (Mxx - Myy, 2 Mxy over Mxx + Myy) from the frame's median: an off-axis
star may be longer by a fifth; trail pieces and two-pixel hits are further away."""

SIZE_NOISE_REACH, SHAPE_NOISE_REACH = 1.5, 3.0
"""In a window matched to the star the log size scatters by 0.5 / SNR and a shape component by 1 / SNR (estimated,
not measured); three standard deviations are allowed."""

WINDOW_SIGMA_RANGE = (0.8, 6.0)
"""Limits of the moment window, pixels: the sharpest and the widest stars that are meant to be measured."""

WINDOW_STARS = 60
"""Clear detections that the window is fitted to: their common size is then known to a per cent or two."""

WINDOW_ROUNDS = 3
"""The isophotal size from which it starts is good to a third, and each round leaves a small part of the error."""

WIDTH_OF_HITS_OF_ARRAY, WIDTH_OF_HITS_OF_MONO = 1.1, 0.6
"""Sigma (px) up to which a common width may be that of particle hits, pieces of a line one pixel wide: they have it in every
frame, whatever the seeing. Stars of FWHM 2 px have it as well."""

WIDER, ALIKE = 1.5, 0.1
"""Stars that are told from hits are this much wider, and their widths agree to this part, which knots and blends do not."""

WIDE_STARS, WIDE_SHARE = 5, 0.25
"""So many detections of a common larger width are the stars, if they are at least this part of those as narrow as hits: in
60 hits a megapixel behind cloud and bad seeing no more stars may be left than that."""

SMALLEST_SIZE_OF_ARRAY, SMALLEST_SIZE_OF_MONO = 0.62, 0.40
"""Size (px, rms of the windowed light along an axis) below which nothing can be a star. On the luminance of a colour
array a lone pixel, smoothed by [1 2 1], has 0.71 unwindowed and about 0.6 in its own window; on a mono frame it has
none, and a star of FWHM 1.6 px has 0.5."""


@dataclass(frozen=True)
class Vetted:
    """Star candidates of a frame, brightest first.

    Attributes
    ----------
    x, y : (n,) windowed centres, pixels
    snr : (n,) signal-to-noise ratio of the windowed light
    size_ratio : (n,) windowed size over the frame's mode
    npix : (n,) area of the detection
    flags : (n,) int
    window_sigma : float, of the moment window, pixels
    n_detected : int, detections before vetting
    """

    x: np.ndarray
    y: np.ndarray
    snr: np.ndarray
    size_ratio: np.ndarray
    npix: np.ndarray
    flags: np.ndarray
    window_sigma: float
    n_detected: int

    def subset(self, which):
        """Those with the given indices."""
        columns = (self.x, self.y, self.snr, self.size_ratio, self.npix, self.flags)
        return Vetted(*(column[which] for column in columns), self.window_sigma, self.n_detected)


def half_sample_mode(values):
    """Mode by repeatedly keeping the densest half (Bickel & Fruehwirth 2006, from memory)."""
    values = np.sort(np.asarray(values, dtype=np.float64))
    if values.size == 0:
        return np.nan
    while values.size > 2:
        half = (values.size + 1) // 2
        widths = values[half - 1 :] - values[: values.size - half + 1]
        start = int(np.argmin(widths))
        values = values[start : start + half]
    return float(values.mean())


def vet(frame, detection, saturated, cfa, *, snr_min, edge_px):
    """Keep the detections that look like the frame's stars.

    Parameters
    ----------
    frame : (ny, nx) float32 on which was detected, with its bad pixels and spikes filled
    detection : Detection
    saturated : (ny, nx) bool
    cfa : Cfa
    snr_min : least signal-to-noise ratio of the windowed light
    edge_px : margin without stars, pixels

    Returns
    -------
    Vetted
    """

    def moments_of(which, sigma):
        at = detection.x[which], detection.y[which]
        return luminance_moments(frame, detection.background, not cfa.is_mono, *at, sigma)

    hits = WIDTH_OF_HITS_OF_MONO if cfa.is_mono else WIDTH_OF_HITS_OF_ARRAY
    sigma = _window(detection, moments_of, hits)
    # A correlated sum of white samples under a smooth window has the variance of the white samples.
    window_noise = detection.white_noise * np.sqrt(np.pi) * sigma
    x, y, mxx, myy, mxy, light = moments_of(slice(None), sigma).T
    with np.errstate(invalid="ignore", divide="ignore"):
        snr = light / window_noise
        total = mxx + myy
        size = np.sqrt(0.5 * total)
        e1, e2 = (mxx - myy) / total, 2.0 * mxy / total
    ny, nx = frame.shape
    smallest = SMALLEST_SIZE_OF_MONO if cfa.is_mono else SMALLEST_SIZE_OF_ARRAY
    sound = np.isfinite(snr) & np.isfinite(size) & (size > smallest) & (np.hypot(e1, e2) < 1.0)
    sound &= (x > edge_px) & (x < nx - 1 - edge_px) & (y > edge_px) & (y < ny - 1 - edge_px)
    sound &= snr > snr_min
    clipped = np.zeros(len(x), dtype=bool)
    clipped[sound] = _touches(saturated, x[sound], y[sound], 2.0 * sigma)

    mode, middle1, middle2 = _own_shape(size, e1, e2, snr, sound & ~clipped, sigma)
    with np.errstate(invalid="ignore", divide="ignore"):
        star = sound & (np.abs(np.log(size / mode)) < SIZE_TOLERANCE + SIZE_NOISE_REACH / snr)
        star &= np.hypot(e1 - middle1, e2 - middle2) < SHAPE_TOLERANCE + SHAPE_NOISE_REACH / snr
    # A saturated core is flat, so size says little; it must still be round and no smaller than a star.
    star |= sound & clipped & (size > 0.8 * mode) & (np.hypot(e1 - middle1, e2 - middle2) < SHAPE_TOLERANCE)
    keep = np.flatnonzero(star)
    keep = keep[np.argsort(-snr[keep], kind="stable")]
    keep = keep[_first_of_each(x[keep], y[keep], sigma)]
    flags = np.where(clipped[keep], FLAG_SATURATED, 0)
    return Vetted(x[keep], y[keep], snr[keep], size[keep] / mode, detection.npix[keep], flags, sigma, len(x))


def crowded(x, y, light, radius):
    """(n,) bool: within ``radius`` of the star is another with more than a tenth of its light."""
    result = np.zeros(len(x), dtype=bool)
    if len(x) < 2:
        return result
    pairs = KDTree(np.column_stack([x, y])).query_pairs(radius, output_type="ndarray")
    for one, other in (pairs.T, pairs.T[::-1]):
        result[one[light[other] > 0.1 * light[one]]] = True
    return result


def _common_width(widths, hits):
    """The width that most detections share; that of the stars, where these are outnumbered by particle hits."""
    mode = np.exp(half_sample_mode(np.log(widths)))
    wide = widths[widths > WIDER * mode]
    if mode > hits or wide.size < WIDE_STARS:
        return mode
    other = np.exp(half_sample_mode(np.log(wide)))
    n_wide, n_narrow = (np.sum(np.abs(np.log(widths / width)) < ALIKE) for width in (other, mode))
    return other if n_wide >= max(WIDE_STARS, WIDE_SHARE * n_narrow) else mode


def _window(detection, moments_of, hits):
    """Sigma of the moment window: the width that most clear, single detections share.

    It starts from the isophotal size. Under a window of sigma w a Gaussian of sigma s has the size
    m = s w / sqrt(s^2 + w^2), so s^2 = 1 / (1 / m^2 - 1 / w^2); the window is then set to s. ``hits`` is the width up to
    which detections may be particle hits.
    """
    clear = np.flatnonzero(detection.single & (detection.peak > MODE_SNR * detection.noise))
    if clear.size < MODE_MIN:
        clear = np.argsort(-detection.peak, kind="stable")[:MODE_MIN]
    if clear.size == 0:
        return WINDOW_SIGMA_RANGE[0]
    sigma = float(np.clip(_common_width(detection.size[clear], hits), *WINDOW_SIGMA_RANGE))
    # The brightest are saturated and the faintest noisy; those in between are taken.
    clear = clear[np.argsort(-detection.peak[clear], kind="stable")]
    clear = clear[len(clear) // 10 :][:WINDOW_STARS]
    for _ in range(WINDOW_ROUNDS):
        moments = moments_of(clear, sigma)
        with np.errstate(invalid="ignore", divide="ignore"):
            width2 = 1.0 / (2.0 / (moments[:, 2] + moments[:, 3]) - 1.0 / sigma**2)
        width2 = width2[np.isfinite(width2) & (width2 > 0)]
        if width2.size < 3:
            break
        sigma = float(np.clip(_common_width(np.sqrt(width2), hits), *WINDOW_SIGMA_RANGE))
    return sigma


def _own_shape(size, e1, e2, snr, usable, sigma):
    """The size that most of the clear detections share, and the median shape of those that have it.

    A Gaussian of width s has the size s w / sqrt(s^2 + w^2) in a window of width w. What is much wider or narrower than the
    window, knots or hits, has no say: for all that is much wider the size comes to the window's own, so knots agree well.
    """
    narrow, wide = (sigma / np.hypot(1.0, 1.0 / ratio) for ratio in (1.0 / WIDER, WIDER))
    near = usable & (size > narrow) & (size < wide)
    if near.sum() >= MODE_MIN:
        usable = near
    chosen = np.flatnonzero(usable & (snr > MODE_SNR))
    if chosen.size < MODE_MIN:
        bright = np.flatnonzero(usable)
        chosen = bright[np.argsort(-snr[bright], kind="stable")[:MODE_MIN]]
    if chosen.size == 0:
        return np.nan, 0.0, 0.0
    mode = np.exp(half_sample_mode(np.log(size[chosen])))
    like = chosen[np.abs(np.log(size[chosen] / mode)) < SIZE_TOLERANCE]
    return mode, np.median(e1[like]), np.median(e2[like])


def _touches(mask, x, y, radius):
    """(n,) bool: a masked pixel lies within ``radius`` of the position; looked up around each, not on the whole frame."""
    reach = int(np.ceil(radius))
    dy, dx = (offset.ravel() for offset in np.mgrid[-reach : reach + 1, -reach : reach + 1])
    near = np.hypot(dx, dy) <= radius
    ny, nx = mask.shape
    rows = np.clip(np.rint(y).astype(int)[:, None] + dy[near], 0, ny - 1)
    columns = np.clip(np.rint(x).astype(int)[:, None] + dx[near], 0, nx - 1)
    return mask[rows, columns].any(axis=1)


def _first_of_each(x, y, radius):
    """Indices that leave one entry of every group closer than ``radius``: the first."""
    keep = np.ones(len(x), dtype=bool)
    if len(x) > 1:
        for first, second in KDTree(np.column_stack([x, y])).query_pairs(radius, output_type="ndarray"):
            keep[max(first, second)] = False
    return np.flatnonzero(keep)
