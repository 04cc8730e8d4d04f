"""Haloes that reflections between filter and sensor put round bright stars in a line map, found and taken off.

Light that is reflected twice reaches the sensor out of focus: round every star lies an even image of the pupil, a
disc with a sharp rim, of a radius that the glass and its distance set and with a fixed share of the star's light.
Filters differ in both, so a line map (narrow minus scaled broad) keeps a disc of either sign from each filter. Round
star s of light F_s in the line's channel

    h_s(r) = a_s F_s T(r),    T(r) = sum_k t_k E((r - R_k) / w_k),    E(z) = erfc(z / sqrt 2) / 2,

where T is the same for all stars, and a_s is near 1 (a clipped core hides light, a spectrum is no black body). The far
wings of the star itself, which matched PSFs leave, are further discs, with soft rims.

Gas is no such thing: its edges are not circles about stars. So no levels are used, only steps: the mean of a sector's
pixels just inside a radius minus that just outside. The median over eight sectors is blind to a ridge or an edge of
gas that crosses some of them, and to a slope, which has opposite signs on opposite sides. What is common to the stars
is the weighted mean of (step / light) at each radius; T is fitted to that, one disc at a time.

Geometry of such ghosts: W. J. Smith, Modern Optical Engineering (from memory); the measure by sectors is ours.
"""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage
from scipy.optimize import least_squares
from scipy.special import erfc

from pipeline.numerics.stack_stars import aperture_flux

__all__ = ["Disc", "HaloModel", "find_haloes", "remove_haloes", "star_light"]

SECTORS = 8
"""Enough that gas in two or three of them leaves the median alone, few enough that each has a good mean."""

INNER_FWHM = 1.5
"""Radius within which the star itself is seen, not its halo."""

REACH_SHARE = 1 / 6
"""Largest radius over the shorter side of the image: beyond it hardly any star has a whole rim in the field."""

REACH_PX = 150
"""Largest radius; wider discs are so faint that no rim shows."""

STARS = 60
"""Brightest stars on which rims are looked for; the others are fainter than 1 % of the brightest as a rule."""

SIDE_FWHM, GAP_FWHM = 1.0, 0.5
"""Width of the belts inside and outside a radius, and half the gap between them: a rim is as soft as the PSF."""

LEAST_SIDE_PX = 3

DETECTION_SIGMA = 7.0
"""Significance of a step common to the stars. Some 150 radii are tried, and an error from eight sectors has long
tails (Student's t with 7 degrees of freedom: probability 2e-4 beyond 7), which a mean over stars shortens."""

WITHOUT_BEST_SIGMA = 4.0
"""Significance of a common step that must be left without the star that shows it best: one star alone may sit in a
bubble of gas, or on a ridge."""

MOST_DISCS = 5
"""Discs in a line map: two filters with two reflections each that matter, and the wings."""

LARGEST_SHARE = 0.2
"""Share of a star's light beyond which a disc is no reflection: coated glass sends back a few percent at most."""

LIGHT_SCATTER = 0.3
"""Relative error of a star's light as a measure of its halo, before its own steps are looked at."""

LIGHT_PASSES = 3
"""Rounds in which light and template are improved in turn; a fourth changes the demo's template by less than 1 %."""

SHOWS_NOISE = 0.05
"""Discs below this share of the noise per pixel stay: over the thousand pixels of a disc that is 1.6 sigma."""

TABLE_STEP_PX = 0.05
"""Step of the table of a halo's profile: rims are at least 0.3 px soft, so a chord errs by less than 0.4 % of them."""

CONTROLS = 8
"""Places round each star at which steps are measured as well: what gas alone does there."""

CONTROL_SHARE = 0.75
"""Distance of those places over the largest radius: near enough for like gas, far enough to see another part."""

MAD_TO_MEDIAN_ERROR = 1.4826 * 1.2533 / np.sqrt(SECTORS)
"""Median absolute deviation of the sectors to the standard error of their median (normal errors)."""


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


@dataclass(frozen=True)
class _Steps:
    """Steps of each star at each radius, (n, radii), and the belts on which they were measured."""

    radii: np.ndarray
    step: np.ndarray
    error: np.ndarray
    side: int
    gap: int

    def expected(self, profile):
        """(radii,) step of a radial ``profile`` on the same belts."""
        # Belts are made of rings 1 px wide, all of them at half-integer radii: each ring is needed once.
        first = int(self.radii[0]) - self.gap - self.side
        last = int(self.radii[-1]) + self.gap + self.side
        total = np.concatenate([[0.0], np.cumsum(profile(np.arange(first, last) + 0.5))])
        at = self.radii.astype(int) - first
        inside = total[at - self.gap] - total[at - self.gap - self.side]
        return (inside - (total[at + self.gap + self.side] - total[at + self.gap])) / self.side


def star_light(continuum, stars, fwhm):
    """(n,) light of each star in ``continuum`` (ny, nx), within 3 FWHM and above the ring around."""
    plane = np.nan_to_num(continuum)
    flux, _ = aperture_flux(plane, np.ones_like(plane), stars.x, stars.y, radius_px=3.0 * fwhm)
    return np.maximum(np.nan_to_num(flux), 0.0)


def find_haloes(line, variance, light, x, y, fwhm):
    """The haloes that the stars of a line map have in common.

    Parameters
    ----------
    line, variance : (ny, nx) float32; variance NaN where nothing is known
    light : (n,) light of the stars in the line's channel, in the line's unit
    x, y : (n,) positions, pixels
    fwhm : of the line map, pixels

    Returns
    -------
    HaloModel
    """
    n = len(light)
    nothing = HaloModel((), np.asarray(light, dtype=np.float64), np.zeros(n))
    order = np.argsort(-light, kind="stable")[:STARS]
    order = order[light[order] > 0]
    known = np.isfinite(variance)
    if not len(order) or not known.any():
        return nothing
    noise = float(np.sqrt(np.median(variance[known])))
    steps = _measure(np.where(known, line, np.nan), x[order], y[order], fwhm, noise)
    if steps is None:
        return nothing
    start, bright = light[order], light[order]
    for _ in range(LIGHT_PASSES):
        discs = _fit_discs(steps, bright)
        if not discs:
            return nothing
        bright, error = _light_by_halo(steps, discs, start)
    all_light, all_error = nothing.light.copy(), LIGHT_SCATTER * nothing.light
    all_light[order], all_error[order] = bright, error
    return HaloModel(discs, all_light, all_error)


def remove_haloes(line, variance, continuum, stars, fwhm):
    """Take the haloes of stars off a line map.

    Parameters
    ----------
    line, variance : (ny, nx) float32
    continuum : (ny, nx), starlight expected in the line's channel
    stars : StackStars
    fwhm : of the line map, pixels

    Returns
    -------
    line, variance : (ny, nx) float32; the variance grows by that of what was taken off
    model : HaloModel
    """
    fwhm = fwhm if np.isfinite(fwhm) else stars.typical_fwhm
    model = find_haloes(line, variance, star_light(continuum, stars, fwhm), stars.x, stars.y, fwhm)
    out, out_variance = line.copy(), variance.copy()
    if not model.discs:
        return out, out_variance, model
    peak = np.abs(model.profile(np.arange(INNER_FWHM * fwhm, model.reach_px))).max()
    least = SHOWS_NOISE * float(np.sqrt(np.nanmedian(variance))) / peak
    radii = np.arange(0.0, 1.5 * model.reach_px + 4.0, TABLE_STEP_PX)
    table = model.profile(radii)
    for s in np.flatnonzero(model.light > least):
        window, r = _around(line.shape, stars.x[s], stars.y[s], model.reach_px)
        halo = np.interp(r, radii, table)
        out[window] -= (model.light[s] * halo).astype(np.float32)
        out_variance[window] += ((model.light_error[s] * halo) ** 2).astype(np.float32)
    return out, out_variance, model


def _around(shape, x, y, radius):
    """Window about a star, and the distances from it there."""
    ny, nx = shape
    x0, x1 = max(int(x - radius), 0), min(int(x + radius) + 2, nx)
    y0, y1 = max(int(y - radius), 0), min(int(y + radius) + 2, ny)
    distance = np.hypot(np.arange(x0, x1)[None, :] - x, np.arange(y0, y1)[:, None] - y)
    return (slice(y0, y1), slice(x0, x1)), distance


def _measure(line, x, y, fwhm, noise):
    """The steps about each star, or None where the image is too small for belts."""
    reach = int(min(REACH_PX, min(line.shape) * REACH_SHARE))
    side = max(LEAST_SIDE_PX, round(SIDE_FWHM * fwhm))
    gap = max(1, round(GAP_FWHM * fwhm))
    radii = np.arange(int(np.ceil(INNER_FWHM * fwhm)) + side + gap, reach - side - gap + 1)
    if radii.size < 2 * side:
        return None
    step, error = (np.zeros((len(x), radii.size)) for _ in range(2))
    turn = 2 * np.pi * np.arange(CONTROLS) / CONTROLS
    for s in range(len(x)):
        step[s], error[s] = _median_steps(line, x[s], y[s], radii, side, gap, noise)
        near = zip(
            x[s] + CONTROL_SHARE * reach * np.cos(turn),
            y[s] + CONTROL_SHARE * reach * np.sin(turn),
            strict=True,
        )
        controls = [_median_steps(line, cx, cy, radii, side, gap, noise) for cx, cy in near]
        error[s] = np.maximum(error[s], _gas_scatter(controls, side))
    return _Steps(radii, step, error, side, gap)


def _gas_scatter(controls, side):
    """(radii,) scatter of steps where no star is in the middle; 0 where none was seen whole.

    The median over places is not moved by a star or two that lie near one; that over neighbouring radii steadies it.
    """
    size = np.abs([np.where(np.isfinite(error), step, np.nan) for step, error in controls])
    seen = np.isfinite(size)
    ordered = np.sort(np.where(seen, size, np.inf), axis=0)
    number = seen.sum(axis=0)
    middle = np.take_along_axis(ordered, np.maximum(number // 2, 0)[None] - (number == CONTROLS), axis=0)[0]
    middle = np.where(number >= CONTROLS // 2, middle, 0.0)
    return 1.4826 * ndimage.median_filter(middle, 2 * side + 1, mode="nearest")


def _sector_profiles(line, x, y, reach):
    """Sum and number of pixels by sector and belt of 1 px: (SECTORS, reach) each."""
    window, r = _around(line.shape, x, y, reach)
    cut = line[window]
    rows, columns = np.mgrid[window]
    sector = np.floor(np.arctan2(rows - y, columns - x) / (2 * np.pi) * SECTORS).astype(int) % SECTORS
    use = np.isfinite(cut) & (r < reach)
    cell = sector[use] * reach + r[use].astype(int)
    total = np.bincount(cell, cut[use], minlength=SECTORS * reach).reshape(SECTORS, reach)
    return total, np.bincount(cell, minlength=SECTORS * reach).reshape(SECTORS, reach)


def _median_steps(line, x, y, radii, side, gap, noise):
    """Median over sectors of the step at each radius, and its error (inf where a sector is not seen)."""
    total, count = _sector_profiles(line, x, y, radii[-1] + gap + side)
    total, count = (np.pad(np.cumsum(a, axis=1), ((0, 0), (1, 0))) for a in (total, count))
    levels, spread = [], 0.0
    for start in (radii - gap - side, radii + gap):
        pixels = count[:, start + side] - count[:, start]
        levels.append((total[:, start + side] - total[:, start]) / np.where(pixels > 0, pixels, np.nan))
        spread = spread + noise**2 / np.maximum(pixels, 1)
    step = levels[0] - levels[1]
    whole = np.isfinite(step).all(axis=0)
    step = np.where(whole, step, 0.0)
    middle = np.median(step, axis=0)
    scatter = MAD_TO_MEDIAN_ERROR * np.median(np.abs(step - middle), axis=0)
    expected = 1.2533 * np.sqrt(spread.mean(axis=0) / SECTORS)
    return middle, np.where(whole, np.maximum(scatter, expected), np.inf)


def _common(steps, light, profile=None):
    """Step over light common to the stars, its error, and the significance of a step at all: (radii,) each.

    With a ``profile``, of what it leaves. A star's light is itself uncertain by a share of the step, so that no star
    outweighs all others in the mean; were there no rim, that would be nothing, so the significance is without it.
    It is 0 where one star alone speaks.
    """
    light = light[:, None]
    step = steps.step if profile is None else steps.step - light * steps.expected(profile)
    weight = 1.0 / steps.error**2
    total = np.sum(weight * light**2, axis=0)
    seen = total > 0
    total = np.where(seen, total, 1.0)
    share = np.sum(weight * light * step, axis=0) / total
    sense = np.sign(share)
    best = np.argmax(sense * step / steps.error, axis=0)[None]
    rest = weight.copy()
    np.put_along_axis(rest, best, 0.0, axis=0)
    rest_total = np.sum(rest * light**2, axis=0)
    without = (
        sense * np.sum(rest * light * step, axis=0) / np.sqrt(np.where(rest_total > 0, rest_total, np.inf))
    )
    significance = np.where(without > WITHOUT_BEST_SIGMA, np.abs(share) * np.sqrt(total), 0.0)
    for _ in range(2):
        weight = 1.0 / (steps.error**2 + (LIGHT_SCATTER * share * light) ** 2)
        total = np.where(seen, np.sum(weight * light**2, axis=0), 1.0)
        share = np.sum(weight * light * step, axis=0) / total
    return share, np.where(seen, 1.0 / np.sqrt(total), np.inf), np.where(seen, significance, 0.0)


def _fit_discs(steps, light):
    """Discs that explain the common steps, added while what is left is significant: tuple of Disc."""
    share, error, significance = _common(steps, light)
    use = np.isfinite(error)
    discs = ()
    while len(discs) < MOST_DISCS:
        at = int(np.argmax(significance))
        if significance[at] < DETECTION_SIGMA:
            break
        left, *_ = _common(steps, light, _sum_of(discs))
        seed = Disc(float(steps.radii[at]), float(steps.gap), float(left[at]))
        tried = _refined(steps, share, error, use, (*discs, seed))
        if any(abs(disc.light_share) > LARGEST_SHARE for disc in tried if disc.radius_px > steps.radii[0]):
            break
        discs = tried
        significance = _common(steps, light, _sum_of(discs))[2]
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
    low = np.column_stack([start[:, 0] - reach, np.full(len(discs), 0.3), np.full(len(discs), -30.0)])
    high = np.column_stack([start[:, 0] + reach, 0.5 * start[:, 0] + 0.4, np.full(len(discs), 30.0)])
    start = np.clip(start, low + 1e-6, high - 1e-6)
    fit = least_squares(misfit, start.ravel(), bounds=(low.ravel(), high.ravel()), loss="soft_l1")
    return unpacked(fit.x)


def _light_by_halo(steps, discs, light):
    """Light of each star from its own steps, drawn to ``light`` by how uncertain that is; and the error."""
    expected = steps.expected(_sum_of(discs))
    weight = expected**2 / steps.error**2
    total = weight.sum(axis=1)
    total_safe = np.where(total > 0, total, 1.0)
    own = (expected * steps.step / steps.error**2).sum(axis=1) / total_safe
    # Neighbouring radii share their belts: only one step in a belt's width is independent.
    own_variance = np.where(total > 0, 2.0 * steps.side / total_safe, np.inf)
    prior_variance = (LIGHT_SCATTER * light) ** 2
    pull = prior_variance / (prior_variance + own_variance)
    return np.maximum(light + pull * (own - light), 0.0), np.sqrt(prior_variance * (1.0 - pull))
