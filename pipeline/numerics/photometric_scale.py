"""Photometric scale of a frame: the factor that brings its star fluxes to those of the reference."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from pipeline.numerics.robust import mad_std

__all__ = ["ChannelScale", "match_stars", "photometric_scales"]

CLIP_SIGMA = 3.0
"""Stars whose ratio is further off than this are variable, blended or clipped; in units of the scatter."""

CLIP_ITERATIONS = 8
"""Upper limit; four are usual."""

LEAST_STARS = 5
"""Below this a scatter cannot be told from an outlier."""

MEASUREMENT_FLOOR = 0.01
"""Relative error added to every star in quadrature: what flat field, sampling and aperture leave in a bright
star (1 %, common practice, no source); it keeps one bright star from deciding alone."""


@dataclass(frozen=True)
class ChannelScale:
    """Scale of one channel of one frame.

    Attributes
    ----------
    scale : factor for the frame; NaN if it could not be measured
    error : one standard deviation of the factor
    n_stars : stars that were used
    shared : True if it is the one factor of all channels, since this channel's own stars do not reach the
        wanted accuracy
    """

    scale: float
    error: float
    n_stars: int
    shared: bool


def match_stars(x, y, x_reference, y_reference, *, radius_px):
    """Pairs of stars that are each other's nearest neighbour within ``radius_px``.

    Returns
    -------
    index, index_reference : (n,) int arrays
    """
    ours = np.column_stack([x, y]).astype(np.float64)
    theirs = np.column_stack([x_reference, y_reference]).astype(np.float64)
    if not len(ours) or not len(theirs):
        return np.empty(0, dtype=int), np.empty(0, dtype=int)
    distance, there = cKDTree(theirs).query(ours)
    _, back = cKDTree(ours).query(theirs)
    here = np.arange(len(ours))
    mutual = (distance <= radius_px) & (back[there] == here)
    return here[mutual], there[mutual]


def photometric_scales(flux, error, flux_reference, error_reference, *, wanted_error=0.01):
    """Scale of every channel from matched stars.

    The logarithm of the ratio reference / frame of every star has the variance (e/f)^2 + (e_r/f_r)^2 + floor^2;
    the scale is the clipped, inverse-variance weighted mean. Its error is that of the mean, enlarged by the
    square root of the reduced chi-square where the stars scatter more than they should.

    Parameters
    ----------
    flux, error, flux_reference, error_reference : (C, n) electrons per second
    wanted_error : a channel that reaches this relative error stands alone, others take the factor shared by
        all channels (a cloud is grey to first order)

    Returns
    -------
    list of ChannelScale, one a channel
    """
    ratios = [
        _mean_log_ratio(*planes) for planes in zip(flux, error, flux_reference, error_reference, strict=True)
    ]
    measured = [entry for entry in ratios if np.isfinite(entry[0])]
    if not measured:
        return [ChannelScale(np.nan, np.nan, 0, True) for _ in ratios]
    weights = np.array([1.0 / spread**2 for _, spread, _ in measured])
    common = float(np.average([log_ratio for log_ratio, _, _ in measured], weights=weights))
    common_error = float(1.0 / np.sqrt(weights.sum()))
    scales = []
    for log_ratio, spread, count in ratios:
        alone = np.isfinite(log_ratio) and spread <= wanted_error
        value, sigma = (log_ratio, spread) if alone else (common, common_error)
        scales.append(ChannelScale(float(np.exp(value)), float(np.exp(value) * sigma), count, not alone))
    return scales


def _mean_log_ratio(flux, error, flux_reference, error_reference):
    """(mean, its standard deviation, stars used) of ln(reference / frame); NaN with too few stars."""
    arrays = (np.asarray(a, dtype=np.float64) for a in (flux, error, flux_reference, error_reference))
    flux, error, flux_reference, error_reference = arrays
    good = np.isfinite(flux) & np.isfinite(flux_reference) & np.isfinite(error) & np.isfinite(error_reference)
    # Three sigma keeps the logarithm of a noisy flux from being biased by more than its own error.
    good &= (flux > 3 * error) & (flux_reference > 3 * error_reference)
    if good.sum() < LEAST_STARS:
        return np.nan, np.nan, int(good.sum())
    ratio = np.log(flux_reference[good] / flux[good])
    variance = (error[good] / flux[good]) ** 2 + (error_reference[good] / flux_reference[good]) ** 2
    variance += MEASUREMENT_FLOOR**2
    used = np.ones(ratio.size, dtype=bool)
    centre = float(np.median(ratio))
    for _ in range(CLIP_ITERATIONS):
        pull = (ratio - centre) / np.sqrt(variance)
        spread = max(1.0, mad_std(pull[used]))
        now = np.abs(pull) <= CLIP_SIGMA * spread
        if now.sum() < LEAST_STARS:
            break
        centre = float(np.average(ratio[now], weights=1 / variance[now]))
        if np.array_equal(now, used):
            break
        used = now
    weights = 1 / variance[used]
    chi_square = float((weights * (ratio[used] - centre) ** 2).sum() / max(used.sum() - 1, 1))
    return centre, float(np.sqrt(max(chi_square, 1.0) / weights.sum())), int(used.sum())
