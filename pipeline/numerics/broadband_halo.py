"""The pale discs that reflections put round bright stars in the broadband itself, found by their rims and taken off.

In a line map a star is gone and its halo is what is left (:mod:`pipeline.numerics.reflection_halo`). In the broadband
the star's own wings lie over the halo, and they belong to the star. What both do on circles of radius r is

    step(r) / F_s = w(r) + sum_k t_k rim_k(r),

with F_s the star's light. Wings fall with the radius and ever more slowly so: w is a sum of powers r^-p with factors of
no negative sign, and such a sum cannot make a bump (it is completely monotone; Bernstein 1928, from memory). A rim is a
bump. So factors of wings and rims are found together, by non-negative least squares (Lawson & Hanson 1974), and the
rims alone are taken off. A disc with a hole, the image of an obstructed pupil, has a second, falling rim.

Rims are looked for in the mean of the channels, where they are seen best; how much light they hold is asked of each
channel by itself, since coatings reflect one colour more than another.
"""

from dataclasses import replace

import numpy as np
from scipy.optimize import least_squares, nnls

from pipeline.bundles import LinearImage
from pipeline.numerics.bands import in_bands
from pipeline.numerics.reflection_halo import (
    DETECTION_SIGMA,
    LEAST_SPAN_PX,
    LEAST_WIDTH_PX,
    STARS,
    Disc,
    HaloModel,
    light_by_halo,
    star_light,
    take_off,
)
from pipeline.numerics.sector_steps import LIGHT_SCATTER, common_steps, measure_steps
from pipeline.numerics.spread_sample import every_nth

__all__ = ["find_reflections", "remove_reflections"]

WING_POWERS = tuple(range(2, 10))
"""Powers of wings: from the aureole that dust and air make (2) to the steepest profile of a sharp star (2 beta)."""

MOST_RIMS = 4
"""Two reflections that matter, each of a pupil that may have a hole."""

LEAST_RADIUS_FWHM = 3.0
"""Smallest disc; a smaller one looks like the star's own glow."""

SOFTEST = 0.12
"""Largest width of a rim over its radius: what fades more gently is glow, not a disc, and pleases the eye."""

STANDS_OUT = 0.15
"""Step of a rim over that of the wings there, at least: less is not seen, and may be a fault of the wings' model."""

LARGEST_SHARE = 0.05
"""Share of a star's light beyond which a disc is no reflection: even bare glass sends back 4 % at a face (Fresnel)."""

BAND_ROWS = 64
"""Rows that are looked at at a time: they stay in the cache."""

LIGHT_PASSES = 2
"""Rounds in which the light of stars and the profile are improved in turn."""


def find_reflections(planes, variance, known, light, x, y, fwhm, *, finer=1):
    """The reflections that stars have in common.

    Parameters
    ----------
    planes, variance : (C, ny, nx) float32
    known : (ny, nx) bool, pixels to look at
    light : (C, n) light of the stars in each channel
    x, y : (n,) positions, pixels
    fwhm : of the image, pixels
    finer : pixels of the image along the side of a pixel of the sensor

    Returns
    -------
    list of HaloModel, one a channel; all without discs where no rim shows
    """
    n = light.shape[1]
    nothing = [HaloModel((), own, np.zeros(n)) for own in light]
    mean_light = light.mean(axis=0)
    order = np.argsort(-mean_light, kind="stable")[:STARS]
    order = order[(light[:, order] > 0).all(axis=0)]
    if not len(order) or not known.any():
        return nothing
    noise = [_noise(plane, known) for plane in variance]
    mean_noise = float(np.sqrt(np.sum(np.square(noise)))) / len(noise)
    steps = measure_steps(_mean(planes, known), x[order], y[order], fwhm, mean_noise, finer=finer)
    if steps is None:
        return nothing
    start = bright = mean_light[order]
    for _ in range(LIGHT_PASSES):
        rims, wings = _find_rims(steps, bright, LEAST_RADIUS_FWHM * fwhm)
        if not rims:
            return nothing
        bright, _ = light_by_halo(steps, _total(rims, wings), start)
    models = []
    for plane, own, sigma in zip(planes, light, noise, strict=True):
        seen = measure_steps(
            _mean(plane[None], known), x[order], y[order], fwhm, sigma, controls=0, finer=finer
        )
        # Gas about the stars moves the steps of a channel as it moves those of the mean, relative to the noise or more.
        error = np.maximum(seen.error, steps.error * sigma / mean_noise)
        seen = replace(seen, error=error)
        models.append(_of_channel(seen, own, order, rims))
    return models


def remove_reflections(image, stars, fwhm, *, finer=1):
    """Take the reflections of stars off an image.

    Parameters
    ----------
    image : LinearImage, of starlight and dust
    stars : StackStars
    fwhm : of the image, pixels; NaN takes that of the stars
    finer : pixels of the image along the side of a pixel of the sensor

    Returns
    -------
    clean : LinearImage, whose variance has grown by that of what was taken off; ``image`` itself where no rim shows
    haloes : (C, ny, nx) float32, what was taken off; None where no rim shows
    models : list of HaloModel, one a channel
    """
    if not len(stars):
        return image, None, []
    fwhm = fwhm if np.isfinite(fwhm) else stars.typical_fwhm
    light = np.array([star_light(plane, stars, fwhm) for plane in image.value])
    models = find_reflections(
        image.value, image.variance, _known(image), light, stars.x, stars.y, fwhm, finer=finer
    )
    if not any(model.discs for model in models):
        return image, None, models
    value, variance = image.value.copy(), image.variance.copy()
    for c, model in enumerate(models):
        if model.discs:
            take_off(value[c], variance[c], model, stars, LEAST_RADIUS_FWHM * fwhm, finer=finer)
    haloes = np.empty_like(value)

    def band(start, stop):
        rows = np.s_[:, start:stop]
        np.copyto(value[rows], image.value[rows], where=~(image.coverage[rows] > 0))
        np.subtract(image.value[rows], value[rows], out=haloes[rows])

    in_bands(band, value.shape[1], rows=BAND_ROWS)
    return LinearImage(value, variance, image.coverage, image.rejected), haloes, models


def _known(image):
    """(ny, nx) bool: covered in all channels, with a variance."""
    known = np.empty(image.shape[1:], dtype=bool)

    def band(start, stop):
        rows = np.s_[:, start:stop]
        known[start:stop] = ((image.coverage[rows] > 0) & np.isfinite(image.variance[rows])).all(axis=0)

    in_bands(band, len(known), rows=BAND_ROWS)
    return known


def _noise(variance, known):
    """Usual noise of a pixel of a plane."""
    some = every_nth(variance)[every_nth(known)]
    return float(np.sqrt(np.median(some if some.size else variance[known])))


def _mean(planes, known):
    """(ny, nx) float32 mean of planes, NaN where nothing is known."""
    mean = np.empty(known.shape, dtype=np.float32)

    def band(start, stop):
        mean[start:stop] = np.where(known[start:stop], planes[:, start:stop].mean(axis=0), np.float32(np.nan))

    in_bands(band, len(known), rows=BAND_ROWS)
    return mean


def _of_channel(steps, light, order, rims):
    """Light of the rims in one channel, and of each star."""
    bright = light[order]
    for _ in range(LIGHT_PASSES):
        share, error, _ = common_steps(steps, bright)
        discs, wings = _factors(steps, share, error, rims)
        bright, bright_error = light_by_halo(steps, _total(discs, wings), light[order])
    all_light, all_error = light.astype(np.float64), LIGHT_SCATTER * light
    all_light[order], all_error[order] = bright, bright_error
    return HaloModel(discs, all_light, all_error)


def _find_rims(steps, light, least_radius):
    """Rims that explain what the common steps hold besides wings, added while one stands out.

    Returns
    -------
    rims : tuple of Disc
    wings : (P,) factors of the powers
    """
    share, error, _ = common_steps(steps, light)
    rims, wings = _factors(steps, share, error, ())
    apart = steps.side + steps.gap
    refused = []
    while len(rims) < MOST_RIMS:
        left, _, significance = common_steps(steps, light, _total(rims, wings))
        glow = steps.expected(_wing_profile(wings))
        seen = (significance > DETECTION_SIGMA) & (np.abs(left) > STANDS_OUT * np.abs(glow))
        seen &= steps.radii > least_radius
        looked_at = [rim.radius_px for rim in rims] + refused
        seen &= np.all([np.abs(steps.radii - radius) > apart for radius in looked_at], axis=0)
        if not rims:
            seen &= left > 0
        if not seen.any():
            break
        at = int(np.argmax(np.where(seen, significance, 0.0)))
        seed = Disc(float(steps.radii[at]), float(steps.finer), float(np.sign(left[at])))
        tried, tried_wings = _refined(steps, share, error, (*rims, seed))
        # Close to the star the wings stand out of their model by more than a faint rim further out stands out of them.
        if _is_reflection(tried, steps):
            rims, wings = tried, tried_wings
        else:
            refused.append(float(steps.radii[at]))
    return rims, wings


def _is_reflection(rims, steps):
    """Whether discs of either sign together are light of nowhere negative sign, and no more than glass sends back."""
    profile = _total(rims, np.zeros(len(WING_POWERS)))(np.arange(0.0, steps.radii[-1]))
    share = sum(rim.light_share for rim in rims)
    return (
        all(rim.share_px2 for rim in rims) and profile.min() >= -0.1 * profile.max() and share < LARGEST_SHARE
    )


def _refined(steps, share, error, rims):
    """Radii and widths of all rims fitted together to the common steps, their factors with the wings' by the way."""
    start = np.array([[rim.radius_px, min(rim.width_px, 0.8 * SOFTEST * rim.radius_px)] for rim in rims])
    reach = steps.side + steps.gap
    sharpest = LEAST_WIDTH_PX * steps.finer
    span = sharpest + LEAST_SPAN_PX * steps.finer
    low = np.column_stack([start[:, 0] - reach, np.full(len(rims), sharpest)])
    high = np.column_stack([start[:, 0] + reach, np.maximum(SOFTEST * start[:, 0], span)])

    def unpacked(p):
        return tuple(
            Disc(at, width, rim.share_px2) for (at, width), rim in zip(p.reshape(-1, 2), rims, strict=True)
        )

    def misfit(p):
        made = _factors(steps, share, error, unpacked(p))
        return np.where(np.isfinite(error), (steps.expected(_total(*made)) - share) / error, 0.0)

    start = np.clip(start, low + 1e-6, high - 1e-6)
    fit = least_squares(misfit, start.ravel(), bounds=(low.ravel(), high.ravel()), loss="soft_l1")
    return _factors(steps, share, error, unpacked(fit.x))


def _factors(steps, share, error, rims):
    """Rims with the light that the steps ask for, each of its own sign, and factors of the wings."""
    columns = [steps.expected(_power(power, steps.radii[0])) for power in WING_POWERS]
    columns += [steps.expected(replace(rim, share_px2=np.sign(rim.share_px2)).profile) for rim in rims]
    use = np.isfinite(error)
    design = np.stack(columns, axis=1)[use] / error[use, None]
    size = np.sqrt((design**2).sum(axis=0))
    found = nnls(design / size, share[use] / error[use])[0] / size
    made = tuple(
        replace(rim, share_px2=float(np.sign(rim.share_px2) * factor))
        for rim, factor in zip(rims, found[len(WING_POWERS) :], strict=True)
    )
    return made, found[: len(WING_POWERS)] * float(steps.radii[0]) ** np.array(WING_POWERS)


def _power(power, unit):
    return lambda r: (r / unit) ** -power


def _wing_profile(wings):
    return lambda r: sum(
        factor * r**-power for factor, power in zip(wings, WING_POWERS, strict=True) if factor
    )


def _total(rims, wings):
    """Profile of rims and wings together."""
    discs = HaloModel(rims, np.zeros(0), np.zeros(0)).profile
    if not np.any(wings):
        return discs
    glow = _wing_profile(wings)
    return lambda r: discs(r) + glow(r)
