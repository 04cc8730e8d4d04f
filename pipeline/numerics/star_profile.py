"""One Moffat profile for all stars of a plane, each star before a background of its own.

Gas beside a star slopes and bends, and the wings of the star reach into whatever ring a level is taken from. So brightness of a
star and the polynomial under it are fitted together with the profile, to the pixels as they are: an interpolated star is
blunter, by more than planes differ.
"""

from dataclasses import dataclass, replace

import numpy as np

from pipeline.numerics.robust import mad_std

__all__ = ["Profile", "StarFits", "fit_profile"]

ORDER = 2
"""Order of the polynomial under a star."""

CLIP_SIGMA = 4.0
"""Departure of a pixel from its star's profile that marks a neighbour."""

FIELD_VARIATION = 0.1
"""Relative difference of star profiles over a field that is no reason to clip."""

CLIP_PASSES = 2
"""Refits without neighbours; the second finds those that the first fit had to follow."""

MAX_WEIGHT_RATIO = 30.0
"""Largest weight of a star relative to the median: one star should not rule, it may be a close double."""

START_SLOPE = 3.0
"""Moffat beta where a fit begins."""

NARROWEST_FWHM = 0.7
"""Width below which a profile is a hot pixel."""

LEAST_SCATTER = 1e-6
"""Scatter over height that a star has at least: exact images have none."""

ITERATIONS = 40
"""Upper limit of steps of a fit; five to ten do."""

CONVERGED = 1e-7
"""Relative fall of the sum of squares that counts as standing still."""

DAMPING = (1e-3, 10.0, 0.1)
"""First damping of a step, relative, and its factors after a bad and a good step; customary values."""

REACH = 1.0
"""Radius of the disc that is fitted, in half sizes of the cut-outs: in their corners there is more gas than star."""

SLOPES = (1.2, 60.0)
"""Range of beta: below, a star has hardly a finite flux; above, it is a Gaussian."""


@dataclass(frozen=True)
class Profile:
    """(1 + s |L (r - r0)|^2)^-beta with s = 4 (2^(1/beta) - 1): peak 1, L in 1 / FWHM (Moffat 1969, A&A 3, 455; from memory).

    Attributes
    ----------
    parameters : (6,) float64: r0 in pixels, x first; the three elements of the triangular L; ln beta
    """

    parameters: np.ndarray

    @property
    def beta(self):
        """Exponent of the wings."""
        return float(np.exp(self.parameters[5]))

    def on_grid(self, half, *, at=(0.0, 0.0)):
        """Values on the pixels of a square round a star.

        Parameters
        ----------
        half : half size of the square, pixels
        at : x and y of the star from the square's middle, pixels; (n, 1, 1) each for n stars

        Returns
        -------
        (2 half + 1, 2 half + 1) float64, or n of them
        """
        return self._values(*self._offsets(half, at))

    def with_gradient(self, half, at):
        """The same for n stars, and (6, n, 2 half + 1, 2 half + 1) its derivatives."""
        u, v = self._offsets(half, at)
        _, _, l1, l2, l3, log_beta = self.parameters
        beta = np.exp(log_beta)
        power = 2.0 ** (1.0 / beta)
        steepness = 4.0 * (power - 1.0)
        first, second = l1 * u + l2 * v, l3 * v
        size = first**2 + second**2
        form = 1.0 + steepness * size
        value = form**-beta
        # Of a change of |L r|^2, and of beta, which the steepness follows.
        outer = -beta * steepness * value / form
        inner = 4.0 * np.log(2.0) * power / beta * size
        slopes = (
            -2.0 * outer * first * l1,
            -2.0 * outer * (first * l2 + second * l3),
            2.0 * outer * first * u,
            2.0 * outer * first * v,
            2.0 * outer * second * v,
            value * (beta * inner / form - beta * np.log(form)),
        )
        return value, np.array(slopes)

    def _offsets(self, half, at):
        grid = np.arange(-half, half + 1.0)
        x0, y0 = self.parameters[:2]
        return np.broadcast_arrays(grid - (at[0] + x0), grid[:, None] - (at[1] + y0))

    def _values(self, u, v):
        _, _, l1, l2, l3, log_beta = self.parameters
        steepness = 4.0 * (2.0 ** np.exp(-log_beta) - 1.0)
        return (1.0 + steepness * ((l1 * u + l2 * v) ** 2 + (l3 * v) ** 2)) ** -np.exp(log_beta)


@dataclass(frozen=True)
class StarFits:
    """The profile of a plane, and what n stars leave of it.

    Attributes
    ----------
    profile : Profile
    slope_error : standard deviation of ln beta, from what the stars scatter by, whatever it is: gas before all
    slope_direction : (6,) by how much the best parameters change with ln beta
    x, y : (n,) places of the stars in ``left``, pixels from its middle
    height : (n,) of the stars, in the unit of the plane
    left : (n, k, k) float64, stars without profile and background; 0 where a neighbour was
    weight : (n,) of each star in a mean of ``left / height``, sum 1
    """

    profile: Profile
    slope_error: float
    slope_direction: np.ndarray
    x: np.ndarray
    y: np.ndarray
    height: np.ndarray
    left: np.ndarray
    weight: np.ndarray

    def with_slope(self, log_beta):
        """The Profile that fits best among those of this ln beta, to first order."""
        change = log_beta - self.profile.parameters[5]
        return replace(self.profile, parameters=self.profile.parameters + change * self.slope_direction)


def fit_profile(cuts, x, y, outside):
    """Fit one profile to stars: by variable projection (Golub & Pereyra 1973, Kaufman 1975; from memory).

    Parameters
    ----------
    cuts : (n, k, k) float64, finite; square cut-outs of the plane
    x, y : (n,) places of the stars, pixels from the middles of the squares
    outside : (k, k) bool, where a square holds little of its star

    Returns
    -------
    StarFits of the stars that are brighter than their surroundings, or None without such
    """
    levels = np.median(cuts[:, outside], axis=1)
    peaks = cuts.max(axis=(1, 2)) - levels
    bright = peaks > 0
    if not bright.any():
        return None
    cuts, x, y, peaks = cuts[bright], x[bright], y[bright], peaks[bright]
    at = (x[:, None, None], y[:, None, None])
    scatter = np.array([mad_std(cut[outside]) for cut in cuts])
    problem = _Problem(cuts, at, _weights(scatter, peaks))
    parameters = _start(np.median((cuts - levels[bright, None, None]) / peaks[:, None, None], axis=0))
    for _ in range(CLIP_PASSES):
        parameters = problem.solved(parameters)
        height, model, surface = problem.parts(parameters)
        if not (height > 0).any():
            return None
        left = cuts - model - surface
        noise = np.array([mad_std(rest[outside]) for rest in left])
        # Besides noise, stars differ a little over the field, in proportion to the profile.
        limit = CLIP_SIGMA * np.hypot(noise[:, None, None], FIELD_VARIATION * model)
        bounded = np.minimum(np.abs(left), limit)
        scatter = np.sqrt(np.mean(bounded**2, axis=(1, 2)))
        problem = _Problem(
            np.where(np.abs(left) > limit, model + surface, cuts), at, _weights(scatter, height)
        )
    return problem.result(problem.solved(parameters))


def _start(image):
    """Parameters of a round star as wide as ``image`` (k, k)."""
    width = 2 * max(np.sqrt((image > 0.5 * image.max()).sum() / np.pi), 0.5)
    return np.array([0.0, 0.0, 1 / width, 0.0, 1 / width, np.log(START_SLOPE)])


def _weights(scatter, height):
    """Of each star's pixels: 1 / ``scatter``, but none that lets a star rule for its ``height`` over it."""
    seen = height > 0
    relative = np.divide(scatter, height, out=np.full(height.shape, np.inf), where=seen)
    least = max(np.median(relative[seen]) / np.sqrt(MAX_WEIGHT_RATIO), LEAST_SCATTER)
    return np.where(seen, 1 / (np.maximum(relative, least) * np.abs(height)), 0.0)


class _Problem:
    """The weighted least squares of one profile, heights and polynomials eliminated."""

    def __init__(self, cuts, at, weight):
        self.cuts, self.at, self.weight = cuts, at, weight
        self.half = cuts.shape[1] // 2
        grid = np.arange(-self.half, self.half + 1) / self.half
        v, u = (plane.ravel() for plane in np.meshgrid(grid, grid, indexing="ij"))
        self.used = np.flatnonzero(np.hypot(u, v) <= REACH)
        terms = np.array([u**i * v**j for i in range(ORDER + 1) for j in range(ORDER + 1 - i)])
        self.surfaces, triangle = np.linalg.qr(terms[:, self.used].T)
        self.to_grid = np.linalg.solve(triangle.T, terms)
        self.data = self._without_surface(cuts)

    def solved(self, start):
        """Best parameters, from a first guess (Levenberg 1944, Marquardt 1963; from memory)."""
        parameters, damping = start, DAMPING[0]
        cost, normal, gradient = self._normal_equations(parameters)
        for _ in range(ITERATIONS):
            step = np.linalg.lstsq(normal + damping * np.diag(np.diag(normal)), gradient, rcond=None)[0]
            trial = parameters - step
            trial[5] = np.clip(trial[5], *np.log(SLOPES))
            found = self._normal_equations(trial) if self._sound(trial) else (np.inf, None, None)
            if not found[0] <= cost:
                damping *= DAMPING[1]
                continue
            settled = cost - found[0] <= CONVERGED * cost
            parameters, (cost, normal, gradient) = trial, found
            damping *= DAMPING[2]
            if settled:
                break
        return parameters

    def _sound(self, parameters):
        """Whether this is a star: not narrower than a point, within its square and near the middle."""
        x0, y0, l1, _, l3, _ = parameters
        inverse_area = abs(l1 * l3)
        return (
            np.hypot(x0, y0) < 0.5 * self.half and 0.25 / self.half**2 < inverse_area < 1 / NARROWEST_FWHM**2
        )

    def parts(self, parameters):
        """Height (n,) of each star, its profile in that height, and the polynomial under it: (n, k, k) each."""
        model = Profile(parameters).on_grid(self.half, at=self.at)
        height = self._heights(self._without_surface(model))
        model *= height[:, None, None]
        rest = (self.cuts - model).reshape(len(model), -1)[:, self.used] @ self.surfaces
        return height, model, (rest @ self.to_grid).reshape(model.shape)

    def result(self, parameters):
        """StarFits of the solution."""
        height, model, surface = self.parts(parameters)
        misfit, jacobian = self._linearised(parameters)
        inverse = np.linalg.pinv(np.einsum("nki,nkj->ij", jacobian, jacobian))
        # The covariance of clusters (Liang & Zeger 1986, from memory): pixels of a star correlate, stars do not.
        moved = np.einsum("nki,nk->ni", jacobian, misfit) @ inverse
        weight = (self.weight * height) ** 2
        used = weight > 0
        return StarFits(
            Profile(parameters),
            float(np.sqrt(np.sum(moved[:, 5] ** 2))),
            inverse[:, 5] / inverse[5, 5],
            *(places[used].ravel() for places in self.at),
            height[used],
            (self.cuts - model - surface)[used],
            weight[used] / weight.sum(),
        )

    def _without_surface(self, images):
        flat = images.reshape(len(images), -1)
        flat = flat[:, self.used]
        return flat - (flat @ self.surfaces) @ self.surfaces.T

    def _heights(self, bare):
        return np.einsum("nk,nk->n", bare, self.data) / np.einsum("nk,nk->n", bare, bare)

    def _normal_equations(self, parameters):
        misfit, jacobian = self._linearised(parameters)
        jacobian = jacobian.reshape(-1, jacobian.shape[2])
        return float(np.sum(misfit**2)), jacobian.T @ jacobian, jacobian.T @ misfit.ravel()

    def _linearised(self, parameters):
        """Weighted misfit (n, k * k), and how it changes with the parameters, (n, k * k, 6)."""
        model, slopes = Profile(parameters).with_gradient(self.half, self.at)
        bare = self._without_surface(model)
        height = self._heights(bare)
        unit = bare / np.sqrt(np.einsum("nk,nk->n", bare, bare))[:, None]
        jacobian = np.empty((*bare.shape, len(slopes)))
        for i, slope in enumerate(slopes):
            column = self._without_surface(slope)
            column -= np.einsum("nk,nk->n", column, unit)[:, None] * unit
            jacobian[..., i] = (self.weight * height)[:, None] * column
        return self.weight[:, None] * (height[:, None] * bare - self.data), jacobian
