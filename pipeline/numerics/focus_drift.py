"""How star width changes with time or temperature, and from filter to filter.

Star width is what focus and air make together, and one frame cannot tell them apart. Seeing wanders within minutes and
comes back; so errors are widened by the correlation of neighbouring residuals, and what is left is a drift that
could still be the air's, above all when the object sinks: the sentences say so.
"""

from dataclasses import dataclass

import numpy as np
from scipy import special

__all__ = ["Difference", "Drift", "drift", "filter_difference"]

LEAST_LIGHTS = 6
"""Fewer points show a slope by chance, and no correlation of their residuals."""

SEEING_POWER = -0.2
"""Seeing goes with wavelength to this power (Kolmogorov turbulence; Roddier 1981, from memory)."""

SEEING_WANDER = 0.08
"""Relative change of the seeing within an hour, its root mean square; common practice, no source. Added where lights
through two filters were not taken side by side."""


@dataclass(frozen=True)
class Drift:
    """Change of star width with another quantity.

    Attributes
    ----------
    slope, slope_err : px per unit of that quantity
    change_px : over the whole range
    sigma : significance of the slope, as the deviation of a normal distribution that is as unlikely
    correlation : of neighbouring residuals, 0 to 0.9, by which the error was widened
    """

    slope: float
    slope_err: float
    change_px: float
    sigma: float
    correlation: float


@dataclass(frozen=True)
class Difference:
    """Star width through two filters in one night.

    Attributes
    ----------
    ratio : width through the second over that through the first, the seeing's colour taken off
    ratio_err : relative to 1, with the wandering of the seeing between them
    sigma : significance of the difference, likewise
    extra_px : width that the wider one has in excess, in quadrature; 0 where the ratio is 1
    wider : 0 or 1, which of the two is wider
    apart_h : time between the two groups of lights; 0 where they are mixed
    """

    ratio: float
    ratio_err: float
    sigma: float
    extra_px: float
    wider: int
    apart_h: float


def drift(quantity, fwhm):
    """Linear change of star width, by least squares with errors widened for correlated residuals.

    With a correlation rho of neighbours, n points know no more than n (1 - rho) / (1 + rho) independent ones (Bayley &
    Hammersley 1946).

    Parameters
    ----------
    quantity : (n,) hours, or degrees C, in order of time
    fwhm : (n,) pixels

    Returns
    -------
    Drift, or None for too few points or no range
    """
    quantity, fwhm = _finite(quantity, fwhm)
    if quantity.size < LEAST_LIGHTS or np.ptp(quantity) == 0:
        return None
    centred = quantity - quantity.mean()
    slope = float(centred @ fwhm / (centred @ centred))
    residual = fwhm - fwhm.mean() - slope * centred
    rho = _correlation(residual)
    variance = residual @ residual / (residual.size - 2) * (1 + rho) / (1 - rho)
    error = float(np.sqrt(variance / (centred @ centred)))
    change = slope * float(np.ptp(quantity))
    return Drift(slope, error, change, _significance(slope, error, quantity.size, 2, rho), rho)


def filter_difference(first, second, wavelengths_nm=(None, None)):
    """Whether stars are wider through one of two filters of the same night, for the same pixels.

    ln(width) is a level for each filter plus a slope common to both; the levels differ by the focus, and by
    the colour of the seeing, which is taken off where both wavelengths are known. Where the groups of lights lie
    apart in time, the wandering of the seeing is added to the error.

    Parameters
    ----------
    first, second : (hours, fwhm_px) of the lights through each
    wavelengths_nm : effective wavelengths, or None

    Returns
    -------
    Difference, or None for fewer than three lights through either
    """
    groups = [_finite(*group) for group in (first, second)]
    if min(group[0].size for group in groups) < 3:
        return None
    hours = np.concatenate([group[0] for group in groups])
    width = np.log(np.concatenate([group[1] for group in groups]))
    is_second = np.repeat([0.0, 1.0], [group[0].size for group in groups])
    order = np.argsort(hours, kind="stable")
    apart = max(0.0, groups[1][0].min() - groups[0][0].max(), groups[0][0].min() - groups[1][0].max())
    columns = [np.ones_like(hours), is_second]
    # Apart, slope and difference cannot be told from each other; then only the levels are compared.
    if apart == 0:
        columns.append(hours - hours.mean())
    design = np.stack(columns, axis=1)
    coefficients = np.linalg.lstsq(design, width, rcond=None)[0]
    residual = width - design @ coefficients
    rho = _correlation(residual[order])
    freedom = max(width.size - design.shape[1], 1)
    covariance = np.linalg.inv(design.T @ design) * (residual @ residual) / freedom * (1 + rho) / (1 - rho)
    step = float(coefficients[1])
    middles = [float(np.mean(group[0])) for group in groups]
    between = abs(middles[1] - middles[0]) if apart > 0 else 0.0
    error = float(np.sqrt(covariance[1, 1] + SEEING_WANDER**2 * between))
    if None not in wavelengths_nm:
        step -= SEEING_POWER * float(np.log(wavelengths_nm[1] / wavelengths_nm[0]))
    narrow = float(np.exp(np.median(width[is_second == (0 if step > 0 else 1)])))
    extra = narrow * float(np.sqrt(np.expm1(2 * abs(step))))
    # Most of the error is stated, not estimated from these lights; so their number alone counts.
    sigma = _significance(step, error, width.size, design.shape[1], 0.0)
    return Difference(float(np.exp(step)), error, sigma, extra, int(step > 0), apart)


def _finite(quantity, fwhm):
    quantity, fwhm = (np.asarray(values, dtype=np.float64) for values in (quantity, fwhm))
    good = np.isfinite(quantity) & np.isfinite(fwhm) & (fwhm > 0)
    return quantity[good], fwhm[good]


def _significance(value, error, n, terms, rho):
    """Deviation of a normal distribution as unlikely as value / error, which follows Student's t: as many degrees of
    freedom as there are independent points beyond the fitted terms.
    """
    if not error > 0:
        return np.inf
    freedom = max(n * (1 - rho) / (1 + rho) - terms, 1.0)
    # Far out the tail probability underflows; the least number there is stands for some 37 standard deviations.
    tail = max(special.stdtr(freedom, -abs(value) / error), np.finfo(np.float64).tiny)
    return float(max(0.0, -special.ndtri(tail)))


def _correlation(residual):
    """Correlation of neighbours, its bias after a line was taken off, -(2 + 4 rho) / n, undone (Kendall 1954 and
    Marriott & Pope 1954 give -(1 + 3 rho) / n for a mean; with a slope from memory).
    """
    power = float(residual @ residual)
    if power == 0:
        return 0.0
    rho = float(residual[1:] @ residual[:-1]) / power
    n = residual.size
    return float(np.clip(rho + (2 + 4 * max(rho, 0)) / n, 0.0, 0.9))
