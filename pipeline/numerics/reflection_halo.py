"""Haloes that reflections between filter and sensor put round bright stars in a line map, found and taken off.

Light that is reflected twice reaches the sensor out of focus: round every star lies an even image of the pupil, a
disc with a sharp rim, of a radius that the glass and its distance set and with a fixed share of the star's light.
Filters differ in both, so a line map (narrow minus scaled broad) keeps a disc of either sign from each filter. Round
star s of light F_s in the line's channel

    h_s(r) = a_s F_s T(r),    T(r) = sum_k t_k E((r - R_k) / w_k),    E(z) = erfc(z / sqrt 2) / 2,

where T is the same for all stars, and a_s is near 1 (a clipped core hides light, a spectrum is no black body). The far
wings of the star itself, which matched PSFs leave, are fitted as further discs, within the smallest radius that is measured.
They stay in the map: matching keeps a star's light, so what it leaves in the wings it lacks in the core.

Gas is no such thing: its edges are not circles about stars. So no levels are used, only steps on circles
(:mod:`pipeline.numerics.sector_steps`). What is common to the stars is the weighted mean of (step / light) at each radius;
T is fitted to that, one disc at a time.

Geometry of such ghosts: W. J. Smith, Modern Optical Engineering (from memory); the measure by sectors is ours.
"""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares
from scipy.special import erfc

from pipeline.numerics.sector_steps import (
    INNER_FWHM,
    LIGHT_SCATTER,
    common_steps,
    measure_steps,
    window_about,
)
from pipeline.numerics.spread_sample import usual
from pipeline.numerics.stack_stars import aperture_flux
from pipeline.numerics.star_residue import looks_saturated

__all__ = ["Disc", "HaloModel", "find_haloes", "light_by_halo", "remove_haloes", "star_light", "take_off"]

STARS = 60
"""Brightest stars on which rims are looked for; the others are fainter than 1 % of the brightest as a rule."""

DETECTION_SIGMA = 7.0
"""Significance of a step common to the stars. Some 150 radii are tried, and an error from eight sectors has long
tails (Student's t with 7 degrees of freedom: probability 2e-4 beyond 7), which a mean over stars shortens."""

MOST_DISCS = 5
"""Discs in a line map: two filters with two reflections each that matter, and the wings."""

LARGEST_SHARE = 0.2
"""Share of a star's light beyond which a disc is no reflection: coated glass sends back a few percent at most."""

LEAST_SHARPNESS = 0.4
"""Peak over flux, relative to the usual star, of a source that counts as one: two stars in one have a half or more, a knot
of twice the width a quarter."""

LIGHT_PASSES = 3
"""Rounds in which light and template are improved in turn; on simulated fields a fourth
moves the template by 0.2 to 2.5 %."""

SHOWS_NOISE = 0.05
"""Discs below this share of the noise per pixel of the sensor stay: over the thousand pixels of a disc that is 1.6 sigma."""

LEAST_WIDTH_PX, LEAST_SPAN_PX = 0.3, 0.1
"""Sharpest rim, pixels of the sensor: stars are no sharper; and how far its width may move at least."""

TABLE_STEP_PX = 0.05
"""Step of the table of a halo's profile: rims are at least 0.3 px soft, so a chord errs by less than 0.4 % of them."""

MISFIT_CHANGE = 1e-5
"""Relative change of the misfit at which discs are fitted: far less than their error makes of it."""


@dataclass(frozen=True)
class Disc:
    """A soft-rimmed disc about every star.

    Attributes
    ----------
    radius_px, width_px : of the rim, and the sigma of its softness
    share_px2 : surface brightness over the star's light, per square pixel; negative if it is the broadband's
    """

    radius_px: float
    width_px: float
    share_px2: float

    @property
    def light_share(self):
        """Share of the star's light in the disc."""
        return self.share_px2 * np.pi * (self.radius_px**2 + self.width_px**2)

    def profile(self, r):
        """Brightness at distance ``r`` over the star's light, per square pixel."""
        return self.share_px2 * 0.5 * erfc((r - self.radius_px) / (np.sqrt(2.0) * self.width_px))


@dataclass(frozen=True)
class HaloModel:
    """What is common to the haloes of a line map, and how much of it each star has.

    Attributes
    ----------
    discs : tuple of Disc; empty where no halo shows
    light : (n,) light of each star as its halo tells, in the line's unit
    light_error : (n,) its standard error
    """

    discs: tuple
    light: np.ndarray
    light_error: np.ndarray

    def profile(self, r):
        """T(r), per square pixel."""
        return sum((disc.profile(r) for disc in self.discs), np.zeros_like(r, dtype=np.float64))

    @property
    def reach_px(self):
        """Radius beyond which no disc has light."""
        return max((disc.radius_px + 4.0 * disc.width_px for disc in self.discs), default=0.0)


def star_light(continuum, stars, fwhm):
    """(n,) light of each star in ``continuum`` (ny, nx), within 3 FWHM and above the ring around.

    It is 0 for what is no star: of knots of gas and dust that were found among the stars, some light would be taken for
    their haloes.
    """
    flux, _ = aperture_flux(continuum, None, stars.x, stars.y, radius_px=3.0 * fwhm)
    sharpness = stars.peak / stars.flux
    typical = np.median(sharpness[stars.starlike()]) if stars.starlike().any() else 0.0
    compact = (sharpness > LEAST_SHARPNESS * typical) | looks_saturated(stars)
    return np.where(compact, np.maximum(flux, 0.0), 0.0)


def find_haloes(line, variance, light, x, y, fwhm, *, finer=1):
    """The haloes that the stars of a line map have in common.

    Parameters
    ----------
    line, variance : (ny, nx) float32; variance NaN where nothing is known
    light : (n,) light of the stars in the line's channel, in the line's unit
    x, y : (n,) positions, pixels
    fwhm : of the line map, pixels
    finer : pixels of the map along the side of a pixel of the sensor

    Returns
    -------
    HaloModel
    """
    n = len(light)
    nothing = HaloModel((), np.asarray(light, dtype=np.float64), np.zeros(n))
    order = np.argsort(-light, kind="stable")[:STARS]
    order = order[light[order] > 0]
    noise = np.sqrt(usual(variance))
    if not len(order) or np.isnan(noise):
        return nothing
    known = np.isfinite(variance)
    seen = line if known.all() else np.where(known, line, np.float32(np.nan))
    steps = measure_steps(seen, x[order], y[order], fwhm, noise, finer=finer)
    if steps is None:
        return nothing
    start, bright = light[order], light[order]
    for _ in range(LIGHT_PASSES):
        discs = _fit_discs(steps, bright)
        if not discs:
            return nothing
        bright, error = light_by_halo(steps, _sum_of(discs), start)
    rims = tuple(disc for disc in discs if disc.radius_px > steps.radii[0])
    if not rims:
        return nothing
    all_light, all_error = nothing.light.copy(), LIGHT_SCATTER * nothing.light
    all_light[order], all_error[order] = bright, error
    return HaloModel(rims, all_light, all_error)


def remove_haloes(line, variance, continuum, stars, fwhm, *, finer=1):
    """Take the haloes of stars off a line map.

    Parameters
    ----------
    line, variance : (ny, nx) float32
    continuum : (ny, nx), starlight expected in the line's channel
    stars : StackStars
    fwhm : of the line map, pixels
    finer : pixels of the map along the side of a pixel of the sensor

    Returns
    -------
    line, variance : (ny, nx) float32; the variance grows by that of what was taken off
    model : HaloModel
    """
    fwhm = fwhm if np.isfinite(fwhm) else stars.typical_fwhm
    light = star_light(continuum, stars, fwhm)
    model = find_haloes(line, variance, light, stars.x, stars.y, fwhm, finer=finer)
    out, out_variance = line.copy(), variance.copy()
    if model.discs:
        take_off(out, out_variance, model, stars, INNER_FWHM * fwhm, finer=finer)
    return out, out_variance, model


def take_off(value, variance, model, stars, inner_px, *, finer=1):
    """Subtract the discs of a model, in place.

    Parameters
    ----------
    value, variance : (ny, nx) float32; the variance grows by that of what is taken off
    model : HaloModel with discs
    stars : StackStars
    inner_px : radius from which on a halo counts as seen; stars whose halo is nowhere seen there keep it
    finer : pixels of the image along the side of a pixel of the sensor
    """
    peak = np.abs(model.profile(np.arange(inner_px, model.reach_px))).max()
    # A disc has finer^2 as many pixels, each with finer times the noise relative to its share of the light.
    least = SHOWS_NOISE / finer * np.sqrt(usual(variance)) / peak
    radii = np.arange(0.0, 1.5 * model.reach_px + 4.0, TABLE_STEP_PX)
    table = model.profile(radii)
    for s in np.flatnonzero(model.light > least):
        window, r = window_about(value.shape, stars.x[s], stars.y[s], model.reach_px)
        halo = np.interp(r, radii, table)
        value[window] -= (model.light[s] * halo).astype(np.float32)
        variance[window] += ((model.light_error[s] * halo) ** 2).astype(np.float32)


def light_by_halo(steps, profile, light):
    """Light of each star from its own steps, drawn to ``light`` by how uncertain that is.

    Parameters
    ----------
    steps : RadialSteps of n stars
    profile : callable, brightness over light at a radius
    light : (n,) light of the stars

    Returns
    -------
    light, error : (n,) float64
    """
    expected = steps.expected(profile)
    weight = expected**2 / steps.error**2
    total = weight.sum(axis=1)
    total_safe = np.where(total > 0, total, 1.0)
    own = (expected * steps.step / steps.error**2).sum(axis=1) / total_safe
    # Neighbouring radii share their belts: only one step in a belt's width is independent.
    own_variance = np.where(total > 0, 2.0 * steps.side / total_safe, np.inf)
    prior_variance = (LIGHT_SCATTER * light) ** 2
    pull = prior_variance / (prior_variance + own_variance)
    return np.maximum(light + pull * (own - light), 0.0), np.sqrt(prior_variance * (1.0 - pull))


def _fit_discs(steps, light):
    """Discs that explain the common steps, added while what is left is significant: tuple of Disc."""
    share, error, significance = common_steps(steps, light)
    use = np.isfinite(error)
    discs = ()
    while len(discs) < MOST_DISCS:
        at = int(np.argmax(significance))
        if significance[at] < DETECTION_SIGMA:
            break
        left, *_ = common_steps(steps, light, _sum_of(discs))
        seed = Disc(float(steps.radii[at]), float(steps.gap), float(left[at]))
        tried = _refined(steps, share, error, use, (*discs, seed))
        if any(abs(disc.light_share) > LARGEST_SHARE for disc in tried if disc.radius_px > steps.radii[0]):
            break
        discs = tried
        significance = common_steps(steps, light, _sum_of(discs))[2]
    return discs


def _sum_of(discs):
    return HaloModel(discs, np.zeros(0), np.zeros(0)).profile


def _refined(steps, share, error, use, discs):
    """All discs fitted together to the common steps."""
    scale = np.abs(share[use]).max()

    def unpacked(p):
        return tuple(Disc(at, width, height * scale) for at, width, height in p.reshape(-1, 3))

    def misfit(p):
        return ((steps.expected(_sum_of(unpacked(p))) - share) / error)[use]

    start = np.array([[d.radius_px, d.width_px, d.share_px2 / scale] for d in discs])
    reach = steps.side + steps.gap
    sharpest = LEAST_WIDTH_PX * steps.finer
    span = sharpest + LEAST_SPAN_PX * steps.finer
    low = np.column_stack([start[:, 0] - reach, np.full(len(discs), sharpest), np.full(len(discs), -30.0)])
    high = np.column_stack([start[:, 0] + reach, 0.5 * start[:, 0] + span, np.full(len(discs), 30.0)])
    start = np.clip(start, low + 1e-6, high - 1e-6)
    fit = least_squares(
        misfit,
        start.ravel(),
        bounds=(low.ravel(), high.ravel()),
        loss="soft_l1",
        x_scale="jac",
        ftol=MISFIT_CHANGE,
    )
    return unpacked(fit.x)
