"""Positions, fluxes and the common profile of a frame's vetted stars."""

from dataclasses import dataclass

import numpy as np

from pipeline.numerics.aperture import annulus_sky, aperture_fluxes
from pipeline.numerics.centroid import fit_positions
from pipeline.numerics.moffat import GAUSSIAN_FWHM_PER_SIGMA, enclosed_fraction, quadratic_form
from pipeline.numerics.moffat_fit import fit_moffat
from pipeline.numerics.robust import mad_std
from pipeline.numerics.spread import spread_over_field
from pipeline.numerics.vetting import FLAG_CROWDED, FLAG_SATURATED, crowded

__all__ = ["StarProfile", "common_elongation", "frame_profile", "measure_stars"]

PROFILE_STARS = 72
"""Stars of a frame that are fitted one by one, the brightest of every part of the field: eight for each ninth of the map.
Their median FWHM is good to half a per cent."""

PROFILE_SNR = 20.0
"""Stars to fit for the profile: below, beta is hardly constrained."""

PROFILE_REACH_FWHM = 2.5
"""Half width of the fitted square in FWHM: holds the wings that tell beta, not yet the neighbours."""

PROFILE_MIN_RADIUS_PX = 4.0
"""The same for very sharp stars, so that each colour has enough samples."""

FALLBACK_BETA = 3.0
"""Exponent where no star is bright enough to fit one."""

LUMINANCE_VARIANCE_PX2 = 0.5
"""Variance along an axis that the [1 2 1] luminance kernel adds to a star."""

POSITION_REACH_FWHM = 1.5
"""Radius of a position fit in FWHM; 98 % of a star's information on its place lies inside (Gaussian)."""

POSITION_MIN_RADIUS_PX = 3.0
"""The same for very sharp stars: holds at least seven samples of red and blue."""

SKY_RING_FWHM = (2.5, 4.5)
"""Inner and outer radius of the local sky ring in FWHM."""

SKY_RING_MIN_PX = (5.0, 9.0)
"""The same for very sharp stars."""

CHANNEL_STARS = 500
"""Stars of a frame whose place is measured in each colour by itself; a session has many frames to pool."""

CHANNEL_SNR = 5.0
"""Least signal-to-noise ratio of a star in that colour."""

WORST_MISFIT = 0.35
"""Stars whose residuals from the common profile exceed this part of their signal are something else."""


@dataclass(frozen=True)
class StarProfile:
    """The profile that a frame's stars share.

    Attributes
    ----------
    fwhm, fwhm_mad : median and robust scatter over the fitted stars (geometric mean of both axes), pixels
    beta : Moffat exponent
    elongation, angle : long / short axis, and direction of the long one, radians in [0, pi)
    n_fitted : stars it rests on; 0 means that it is only estimated from moments
    fit_x, fit_y, fit_fwhm, fit_e1, fit_e2 : of the fitted stars, see ``MoffatFits``
    """

    fwhm: float
    fwhm_mad: float
    beta: float
    elongation: float
    angle: float
    n_fitted: int
    fit_x: np.ndarray
    fit_y: np.ndarray
    fit_fwhm: np.ndarray
    fit_e1: np.ndarray
    fit_e2: np.ndarray

    @property
    def form(self):
        """(3,) quadratic form of the profile."""
        return np.array(quadratic_form(self.fwhm, self.elongation, self.angle, self.beta))


def frame_profile(frame, usable, cfa, vetted):
    """Median Moffat profile of bright, isolated, unsaturated stars all over the field.

    Parameters
    ----------
    frame : (ny, nx) float32
    usable : (ny, nx) bool: neither bad nor saturated nor a spike
    cfa : Cfa
    vetted : Vetted

    Returns
    -------
    StarProfile
    """
    widening = 0.0 if cfa.is_mono else LUMINANCE_VARIANCE_PX2
    guess = GAUSSIAN_FWHM_PER_SIGMA * np.sqrt(max(vetted.window_sigma**2 - widening, 0.4))
    radius = max(PROFILE_REACH_FWHM * guess, PROFILE_MIN_RADIUS_PX)
    ny, nx = frame.shape
    margin = radius + 2
    inside = (
        (vetted.x > margin)
        & (vetted.x < nx - 1 - margin)
        & (vetted.y > margin)
        & (vetted.y < ny - 1 - margin)
    )
    alone = ~crowded(vetted.x, vetted.y, vetted.snr, 2 * radius)
    clear = inside & ((vetted.flags & FLAG_SATURATED) == 0)
    chosen = np.flatnonzero(clear & alone & (vetted.snr > PROFILE_SNR))
    if chosen.size < 3:
        chosen = np.flatnonzero(clear)
    chosen = chosen[spread_over_field(vetted.x[chosen], vetted.y[chosen], frame.shape, PROFILE_STARS)]
    fits = fit_moffat(
        frame, usable, cfa.cell, vetted.x[chosen], vetted.y[chosen], fwhm_guess=guess, radius=radius
    )
    ok = fits.ok
    if not ok.any():
        return StarProfile(guess, np.nan, FALLBACK_BETA, 1.0, 0.0, 0, *(np.zeros(0) for _ in range(5)))
    elongation, angle = common_elongation(fits.e1[ok], fits.e2[ok])
    return StarProfile(
        float(np.median(fits.fwhm[ok])),
        float(mad_std(fits.fwhm[ok])),
        float(np.exp(np.median(np.log(fits.beta[ok])))),
        elongation,
        angle,
        int(ok.sum()),
        fits.x[ok],
        fits.y[ok],
        fits.fwhm[ok],
        fits.e1[ok],
        fits.e2[ok],
    )


def common_elongation(e1, e2):
    """(elongation, angle) of the median shape of stars, see ``MoffatFits``."""
    median1, median2 = np.median(e1), np.median(e2)
    distortion = min(np.hypot(median1, median2), 0.9)
    return float((1 + distortion) / (1 - distortion)), float(0.5 * np.arctan2(median2, median1) % np.pi)


def measure_stars(frame, noise_at, usable, cfa, vetted, profile, *, aperture_fwhm, most):
    """Positions and fluxes of the vetted stars.

    Parameters
    ----------
    frame : (ny, nx) float32
    noise_at : function (x, y) -> (n, 3) coefficients of the variance there, see ``NoiseModel.coefficients``
    usable : (ny, nx) bool
    cfa : Cfa
    vetted : Vetted
    profile : StarProfile
    aperture_fwhm : aperture radius in FWHM, so that the enclosed fraction does not depend on the seeing
    most : how many stars at most; in a crowded field the brightest of every part of it

    Returns
    -------
    dict of (m,) columns, brightest first: x, y, xy_err, peak, snr, fwhm, flags, and for each channel
    flux_c, flux_err_c, x_c, y_c. ``flags`` is 0 for a star to rely on.
    """
    vetted = vetted.subset(spread_over_field(vetted.x, vetted.y, frame.shape, most))
    form, beta = profile.form, profile.beta
    noise = noise_at(vetted.x, vetted.y)
    inner, outer = (
        max(ring * profile.fwhm, least) for ring, least in zip(SKY_RING_FWHM, SKY_RING_MIN_PX, strict=True)
    )
    n_channels = len(cfa.channels)
    sky, sky_error = annulus_sky(frame, usable, cfa.cell, vetted.x, vetted.y, inner, outer, n_channels)
    reach = max(POSITION_REACH_FWHM * profile.fwhm, POSITION_MIN_RADIUS_PX)

    def positions(channel, x, y, which=slice(None)):
        return fit_positions(
            frame,
            noise[which],
            usable,
            cfa.cell,
            channel,
            x[which],
            y[which],
            np.nan_to_num(sky[which]),
            form,
            beta,
            reach,
        ).T

    x, y, x_var, y_var, chi2, freedom = positions(-1, vetted.x, vetted.y)
    with np.errstate(invalid="ignore", divide="ignore"):
        misfit = np.sqrt(np.maximum(chi2 - freedom - 3 * np.sqrt(2 * freedom), 0.0)) / vetted.snr
    saturated = (vetted.flags & FLAG_SATURATED) > 0
    # The flat core of a saturated star is masked, which leaves its place to the wings: kept from the window.
    x, y = (
        np.where(saturated | ~np.isfinite(x), vetted.x, x),
        np.where(saturated | ~np.isfinite(y), vetted.y, y),
    )
    keep = saturated | (np.isfinite(chi2) & (misfit < WORST_MISFIT) & np.isfinite(sky).all(axis=1))
    error = np.where(np.isfinite(x_var), np.sqrt(0.5 * (x_var + y_var)), profile.fwhm)
    radius = aperture_fwhm * profile.fwhm
    flux, flux_error, peak = aperture_fluxes(
        frame, noise, usable, cfa.cell, x, y, np.nan_to_num(sky), np.nan_to_num(sky_error), form, beta, radius,
        enclosed_fraction(radius, profile.fwhm, beta),
    )  # fmt: skip
    flags = vetted.flags | np.where(crowded(x, y, vetted.snr, radius + profile.fwhm), FLAG_CROWDED, 0)
    columns = {
        "x": x,
        "y": y,
        "xy_err": np.where(saturated, profile.fwhm, error),
        "peak": peak,
        "snr": vetted.snr,
        # In its matched window a star's size goes with the root of its width.
        "fwhm": profile.fwhm * vetted.size_ratio**2,
        "flags": flags.astype(np.int32),
    }
    for index, channel in enumerate(cfa.channels):
        columns[f"flux_{channel}"], columns[f"flux_err_{channel}"] = flux[:, index], flux_error[:, index]
        columns[f"x_{channel}"], columns[f"y_{channel}"] = x.copy(), y.copy()
        if n_channels > 1:
            bright = (flux[:, index] > CHANNEL_SNR * flux_error[:, index]) & keep & (flags == 0)
            chosen = np.flatnonzero(bright)
            chosen = chosen[spread_over_field(x[chosen], y[chosen], frame.shape, CHANNEL_STARS)]
            own = positions(index, x, y, chosen)
            # A colour that hardly shows the star may lock on something beside it.
            found = np.hypot(own[0] - x[chosen], own[1] - y[chosen]) < profile.fwhm
            for name, values in (("x", own[0]), ("y", own[1])):
                columns[f"{name}_{channel}"] = np.full(len(x), np.nan)
                columns[f"{name}_{channel}"][chosen[found]] = values[found]
    return {name: values[keep] for name, values in columns.items()}
