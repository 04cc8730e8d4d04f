"""Steps of light on circles about stars, measured so that gas does not count.

The step at a radius is the mean of a sector's pixels just inside minus that just outside. The median over eight sectors
is blind to a ridge or an edge of gas that crosses some of them, and to a slope, which has opposite signs on opposite
sides. How much gas still does is measured where no star is: at places round each star.

A disc's size comes from glass and its distance from the sensor, so lengths that are fixed here are pixels of the sensor; a
stack on a finer grid (:mod:`pipeline.numerics.output_grid`) has ``finer`` of its own along each.
"""

from dataclasses import dataclass

import numpy as np
from numba import njit
from scipy import ndimage

from pipeline.numerics.bands import in_bands

__all__ = ["LIGHT_SCATTER", "RadialSteps", "common_steps", "measure_steps", "warm", "window_about"]

SECTORS = 8
"""Octants: enough that gas in two or three of them leaves the median alone, few enough that each has a good mean."""

INNER_FWHM = 1.5
"""Radius within which the star itself is seen, not its halo."""

REACH_SHARE = 1 / 6
"""Largest radius over the shorter side of the image: beyond it hardly any star has a whole rim in the field."""

REACH_PX = 150
"""Largest radius, pixels of the sensor; wider discs are so faint that no rim shows."""

SIDE_FWHM, GAP_FWHM = 1.0, 0.5
"""Width of the belts inside and outside a radius, and half the gap between them: a rim is as soft as the PSF."""

LEAST_SIDE_PX, LEAST_GAP_PX = 3, 1
"""Narrowest belt and half gap, pixels of the sensor: a sector of it at the smallest radii still has some ten pixels."""

CONTROLS = 8
"""Places round each star at which steps are measured as well: what gas alone does there."""

CONTROL_SHARE = 0.75
"""Distance of those places over the largest radius: near enough for like gas, far enough to see another part."""

MAD_TO_MEDIAN_ERROR = 1.4826 * 1.2533 / np.sqrt(SECTORS)
"""Median absolute deviation of the sectors to the standard error of their median (normal errors)."""

WITHOUT_BEST_SIGMA = 4.0
"""Significance of a common step that must be left without the star that shows it best: one star alone may sit in a
bubble of gas, or on a ridge."""

LIGHT_SCATTER = 0.3
"""Relative error of a star's light as a measure of its halo, before its own steps are looked at."""

STARS_AT_ONCE = 4
"""Stars that a core measures at a time."""


@dataclass(frozen=True)
class RadialSteps:
    """Steps of each star at each radius, (n, radii), and the belts on which they were measured.

    Lengths are pixels of the image, of which ``finer`` lie along a pixel of the sensor.
    """

    radii: np.ndarray
    step: np.ndarray
    error: np.ndarray
    side: int
    gap: int
    finer: int = 1

    def expected(self, profile):
        """(radii,) step of a radial ``profile`` on the same belts."""
        # Belts are made of rings 1 px wide, all of them at half-integer radii: each ring is needed once.
        first = int(self.radii[0]) - self.gap - self.side
        last = int(self.radii[-1]) + self.gap + self.side
        total = np.concatenate([[0.0], np.cumsum(profile(np.arange(first, last) + 0.5))])
        at = self.radii.astype(int) - first
        inside = total[at - self.gap] - total[at - self.gap - self.side]
        return (inside - (total[at + self.gap + self.side] - total[at + self.gap])) / self.side


def measure_steps(line, x, y, fwhm, noise, *, controls=CONTROLS, finer=1):
    """Measure the steps about stars.

    Parameters
    ----------
    line : (ny, nx) float32, NaN where nothing is known
    x, y : (n,) positions, pixels
    fwhm : of the image, pixels
    noise : of a pixel, in the unit of ``line``
    controls : places round each star that tell what gas does; 0 where the caller knows
    finer : pixels of the image along the side of a pixel of the sensor

    Returns
    -------
    RadialSteps, or None where the image is too small for belts
    """
    reach = int(min(finer * REACH_PX, min(line.shape) * REACH_SHARE))
    side = max(finer * LEAST_SIDE_PX, round(SIDE_FWHM * fwhm))
    gap = max(finer * LEAST_GAP_PX, round(GAP_FWHM * fwhm))
    radii = np.arange(int(np.ceil(INNER_FWHM * fwhm)) + side + gap, reach - side - gap + 1)
    if radii.size < 2 * side:
        return None
    step, error = (np.zeros((len(x), radii.size)) for _ in range(2))
    turn = 2 * np.pi * np.arange(controls) / max(controls, 1)

    def some(start, stop):
        for s in range(start, stop):
            step[s], error[s] = _median_steps(line, x[s], y[s], radii, side, gap, noise)
            near = zip(
                x[s] + CONTROL_SHARE * reach * np.cos(turn),
                y[s] + CONTROL_SHARE * reach * np.sin(turn),
                strict=True,
            )
            elsewhere = [_median_steps(line, cx, cy, radii, side, gap, noise) for cx, cy in near]
            if elsewhere:
                error[s] = np.maximum(error[s], _gas_scatter(elsewhere, side))

    in_bands(some, len(x), rows=STARS_AT_ONCE)
    return RadialSteps(radii, step, error, side, gap, finer)


def common_steps(steps, light, profile=None):
    """What the steps of stars have in common.

    A star's light is itself uncertain by a share of the step, so that no star
    outweighs all others in the mean; were there no rim, that would be nothing, so the significance is without it.
    It is 0 where one star alone speaks.

    Parameters
    ----------
    steps : RadialSteps of n stars
    light : (n,) light of the stars
    profile : callable, brightness over light at a radius that is taken off first, or None

    Returns
    -------
    share, error, significance : (radii,) step over light, its standard error, and by how many sigma it is not 0
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


def window_about(shape, x, y, radius):
    """Window about a star, and the distances from it there."""
    rows, columns = _window(shape, x, y, radius)
    across, down = (np.arange(part.start, part.stop) for part in (columns, rows))
    return (rows, columns), np.hypot(across[None, :] - x, down[:, None] - y)


def _window(shape, x, y, radius):
    """Slices of the rows and columns within ``radius`` of a place, empty outside of the image."""
    ny, nx = shape
    x0, x1 = max(int(x - radius), 0), max(min(int(x + radius) + 2, nx), 0)
    y0, y1 = max(int(y - radius), 0), max(min(int(y + radius) + 2, ny), 0)
    return slice(y0, y1), slice(x0, x1)


def _gas_scatter(controls, side):
    """(radii,) scatter of steps where no star is in the middle; 0 where none was seen whole.

    The median over places is not moved by a star or two that lie near one; that over neighbouring radii steadies it.
    """
    size = np.abs([np.where(np.isfinite(error), step, np.nan) for step, error in controls])
    seen = np.isfinite(size)
    ordered = np.sort(np.where(seen, size, np.inf), axis=0)
    number = seen.sum(axis=0)
    middle = np.take_along_axis(ordered, np.maximum(number - 1, 0)[None] // 2, axis=0)[0]
    middle = np.where(number >= CONTROLS // 2, middle, 0.0)
    return 1.4826 * ndimage.median_filter(middle, 2 * side + 1, mode="nearest")


def _sector_profiles(line, x, y, reach):
    """Sum and number of pixels by sector and belt of 1 px: (SECTORS, reach) each."""
    window = rows, columns = _window(line.shape, x, y, reach)
    return _octant_sums(line[window], x - columns.start, y - rows.start, reach)


@njit(cache=True, nogil=True)
def _octant_sums(cut, x, y, reach):
    total, count = np.zeros((SECTORS, reach)), np.zeros((SECTORS, reach), dtype=np.int64)
    for j in range(cut.shape[0]):
        for i in range(cut.shape[1]):
            u, v = i - x, j - y
            ring = int(np.sqrt(u * u + v * v))
            if ring >= reach or not np.isfinite(cut[j, i]):
                continue
            # Quadrants from their first axis to the next; half of each is nearer to the one than to the other.
            if v >= 0.0 and u > 0.0:
                sector = 0 if v < u else 1
            elif u <= 0.0 and v > 0.0:
                sector = 2 if -u < v else 3
            elif v <= 0.0 and u < 0.0:
                sector = 4 if -v < -u else 5
            else:
                sector = 6 if u < -v else 7
            total[sector, ring] += cut[j, i]
            count[sector, ring] += 1
    return total, count


def warm():
    """Compile the kernel."""
    _octant_sums(np.zeros((4, 8), dtype=np.float32)[:, 2:6], 1.0, 1.0, 2)


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
