"""Elliptical Moffat profiles fitted to the real samples of a frame."""

from dataclasses import dataclass

import numpy as np

__all__ = ["MoffatFits", "fit_moffat"]

BETA_RANGE = (1.3, 60.0)
"""Below, the profile has hardly a finite flux; above, it is a Gaussian to within half a per cent in width."""

BETA_START = 3.0
"""Between long exposure seeing (about 4.8 by theory, 2.5 to 3.5 in practice) and optics-dominated stars."""

ITERATIONS = 40
"""Upper limit of Levenberg-Marquardt steps; a good star needs about ten."""

CONVERGED = 1e-7
"""Relative fall of the sum of squares that counts as standing still."""

DAMPING_START, DAMPING_UP, DAMPING_DOWN, DAMPING_MAX = 1e-3, 8.0, 0.3, 1e8
"""Levenberg-Marquardt control (Marquardt 1963); the values are customary."""


@dataclass(frozen=True)
class MoffatFits:
    """Fitted profiles of n stars.

    Attributes
    ----------
    x, y : (n,) centres, pixels
    fwhm : (n,) geometric mean of the two axes, pixels
    beta : (n,)
    e1, e2 : (n,) (elongation - 1) / (elongation + 1) times cos, sin of twice the angle of the long axis
    ok : (n,) bool: converged to a sound profile
    """

    x: np.ndarray
    y: np.ndarray
    fwhm: np.ndarray
    beta: np.ndarray
    e1: np.ndarray
    e2: np.ndarray
    ok: np.ndarray


def fit_moffat(frame, usable, cell, x, y, *, fwhm_guess, radius):
    """Least-squares elliptical Moffat profiles of isolated stars, on the samples as they were taken.

    Every colour has its own amplitude and local sky, all share centre and shape; so a colour filter array
    needs no interpolation and adds no width. Amplitudes and skies are eliminated at every step (variable
    projection: Golub & Pereyra 1973, with Kaufman's simplified Jacobian, from memory), which leaves six
    unknowns: centre, three of the quadratic form, and ln beta. The profile is that of the sampled image: light
    spread by atmosphere, optics and pixel together.

    Parameters
    ----------
    frame : (ny, nx) float32, any unit
    usable : (ny, nx) bool
    cell : (2, 2) uint8, channel index of each pixel of the repeating cell
    x, y : (n,) first guesses, at least ``radius`` + 1 inside the frame
    fwhm_guess : pixels
    radius : half width of the fitted square, pixels

    Returns
    -------
    MoffatFits
    """
    x, y = (np.array(values, dtype=np.float64) for values in (x, y))
    if x.size == 0:
        empty = np.zeros(0)
        return MoffatFits(empty, empty, empty, empty, empty, empty, np.zeros(0, dtype=bool))
    problem = _Stamps(frame, usable, cell, x, y, int(np.ceil(radius)))
    start = 1.0 / fwhm_guess
    parameters = np.tile([0.0, 0.0, start, 0.0, start, np.log(BETA_START)], (x.size, 1))
    parameters[:, 0], parameters[:, 1] = x - problem.column0, y - problem.row0
    parameters, settled = _levenberg_marquardt(problem, parameters)

    l1, l2, l3, beta = parameters[:, 2], parameters[:, 3], parameters[:, 4], np.exp(parameters[:, 5])
    # q = 4 (2^(1/beta) - 1) |L d|^2: the widths along the principal axes are the inverse singular values of L.
    a, b, c = l1 * l1, l1 * l2, l2 * l2 + l3 * l3
    mean, half = 0.5 * (a + c), np.hypot(0.5 * (a - c), b)
    with np.errstate(divide="ignore", invalid="ignore"):
        long, short = 1.0 / np.sqrt(mean - half), 1.0 / np.sqrt(mean + half)
        fwhm = np.sqrt(long * short)
        distortion = (long - short) / (long + short)
    double_angle = np.arctan2(-b, 0.5 * (c - a))
    moved = np.hypot(parameters[:, 0] + problem.column0 - x, parameters[:, 1] + problem.row0 - y)
    # A beta at the upper end is a Gaussian, which is a sound star; at the lower end it is not a star.
    star_like = (beta > BETA_RANGE[0] * 1.01) & (problem.light(parameters) > 0)
    ok = settled & np.isfinite(fwhm) & (moved < fwhm_guess) & star_like & (fwhm < 2 * radius)
    return MoffatFits(
        parameters[:, 0] + problem.column0,
        parameters[:, 1] + problem.row0,
        fwhm,
        beta,
        distortion * np.cos(double_angle),
        distortion * np.sin(double_angle),
        ok,
    )


class _Stamps:
    """Square cut-outs of all stars, with what a fit of any profile to them needs."""

    def __init__(self, frame, usable, cell, x, y, half):
        rows, columns = (values.ravel() for values in np.mgrid[-half : half + 1, -half : half + 1])
        self.column0, self.row0 = np.rint(x).astype(int), np.rint(y).astype(int)
        at = (self.row0[:, None] + rows, self.column0[:, None] + columns)
        self.dx, self.dy = columns.astype(np.float64), rows.astype(np.float64)
        self.data = frame[at].astype(np.float64)
        index = np.asarray(cell)[at[0] % 2, at[1] % 2]
        good = usable[at] & np.isfinite(self.data)
        self.data[~good] = 0.0
        self.masks = [((index == channel) & good).astype(np.float64) for channel in np.unique(cell)]

    def subset(self, keep):
        part = object.__new__(_Stamps)
        part.dx, part.dy, part.data = self.dx, self.dy, self.data[keep]
        part.masks = [mask[keep] for mask in self.masks]
        return part

    def profile(self, parameters):
        """(n, m) profile, its (n, 6, m) derivatives by the parameters."""
        x0, y0, l1, l2, l3, log_beta = (column[:, None] for column in parameters.T)
        dx, dy = self.dx - x0, self.dy - y0
        # In units of the FWHM, so that width and exponent hardly depend on each other.
        first, second = l1 * dx + l2 * dy, l3 * dy
        beta = np.exp(log_beta)
        root = 2.0 ** (1.0 / beta)
        steepness = 4.0 * (root - 1.0)
        q = steepness * (first**2 + second**2)
        log_term = np.log1p(q)
        value = np.exp(-beta * log_term)
        slope = -2.0 * beta * steepness * value / (1.0 + q)
        steepening = -np.log(2.0) / beta * root / (root - 1.0)
        derivatives = np.stack(
            [
                slope * -(first * l1),
                slope * -(first * l2 + second * l3),
                slope * first * dx,
                slope * first * dy,
                slope * second * dy,
                -beta * value * (log_term + steepening * q / (1.0 + q)),
            ],
            axis=1,
        )
        return value, derivatives

    def light(self, parameters):
        """(n,) covariance of the samples with the profile, over all colours: positive where there is a star."""
        value, _ = self.profile(parameters)
        return sum(
            (mask * value * self.data).sum(1)
            - (mask * value).sum(1) * (mask * self.data).sum(1) / np.maximum(mask.sum(1), 1.0)
            for mask in self.masks
        )

    def residual(self, value, derivatives=None):
        """Residual after the best amplitude and sky per channel; with the projected Jacobian if asked for."""
        residual = np.zeros_like(self.data)
        jacobian = None if derivatives is None else np.zeros_like(derivatives)
        for mask in self.masks:
            weighted = mask * value
            n, p, pp = mask.sum(1), weighted.sum(1), (weighted * value).sum(1)
            # The guard only serves stamps whose every sample of a colour is masked: they have no equation.
            determinant = np.where(n * pp - p * p > 1e-12 * n * pp, n * pp - p * p, np.inf)

            def fit(v, pv, n=n, p=p, pp=pp, determinant=determinant):
                return (n * pv - p * v) / determinant, (pp * v - p * pv) / determinant

            amplitude, sky = fit((mask * self.data).sum(1), (weighted * self.data).sum(1))
            residual += mask * (self.data - amplitude[:, None] * value - sky[:, None])
            if derivatives is not None:
                v = np.einsum("nkm,nm->kn", derivatives, mask)
                pv = np.einsum("nkm,nm->kn", derivatives, weighted)
                on_value, on_one = (part.T[:, :, None] for part in fit(v, pv))
                free = derivatives - on_value * value[:, None, :] - on_one
                jacobian += amplitude[:, None, None] * mask[:, None, :] * free
        return residual, jacobian


def _levenberg_marquardt(problem, parameters):
    """Minimise all stars side by side; those that settle drop out. Returns (parameters, settled)."""
    parameters = parameters.copy()
    count = len(parameters)
    settled = np.zeros(count, dtype=bool)
    active = np.arange(count)
    damping = np.full(count, DAMPING_START)
    part = problem
    for _ in range(ITERATIONS):
        value, derivatives = part.profile(parameters[active])
        residual, jacobian = part.residual(value, derivatives)
        cost = (residual**2).sum(1)
        normal = np.einsum("nim,njm->nij", jacobian, jacobian, optimize=True)
        gradient = np.einsum("nim,nm->ni", jacobian, residual)
        _hold_beta(parameters[active, 5], normal, gradient)
        diagonal = np.einsum("nii->ni", normal)
        # A parameter without any effect (a stamp of zeros) would make the matrix singular.
        floor = np.maximum(diagonal, 1e-12 * diagonal.max(1, keepdims=True) + np.finfo(float).tiny)
        damped = normal + (damping[active, None] * floor)[:, :, None] * np.eye(6)
        damped += (1e-12 * floor)[:, :, None] * np.eye(6)
        trial = parameters[active] + np.linalg.solve(damped, gradient[:, :, None])[:, :, 0]
        trial[:, 5] = np.clip(trial[:, 5], *np.log(BETA_RANGE))
        new_residual, _ = part.residual(part.profile(trial)[0])
        new_cost = (new_residual**2).sum(1)
        better = new_cost < cost
        still = np.abs(cost - new_cost) <= CONVERGED * cost
        parameters[active[better]] = trial[better]
        damping[active] *= np.where(better, DAMPING_DOWN, DAMPING_UP)
        settled[active[still]] = True
        going = ~still & (damping[active] < DAMPING_MAX)
        if not going.any():
            break
        active, part = active[going], part.subset(going)
    return parameters, settled


def _hold_beta(log_beta, normal, gradient):
    """Take ln beta out of the equations, in place, of the stars where it stands at a limit and would cross it."""
    low, high = np.log(BETA_RANGE)
    held = ((log_beta >= high) & (gradient[:, 5] > 0)) | ((log_beta <= low) & (gradient[:, 5] < 0))
    normal[held, 5, :] = normal[held, :, 5] = 0.0
    normal[held, 5, 5] = 1.0
    gradient[held, 5] = 0.0
