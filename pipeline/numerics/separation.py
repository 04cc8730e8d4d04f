"""Split measured channels into continuum and emission lines, pixel by pixel.

Model. A filter set s seen through colour channel c measures

    F_d = k_d(colour) C_{c(d)} + sum_l a_{d,l} L_l + noise,      d = (s, c)

with C the continuum of the broadband set in its own channels (k = 1 there by definition), L_l the flux
of line l in the strongest channel of its narrow set, k_d the narrow/broad ratio of starlight, which depends
on its colour (Spector, Finkelman & Brosch 2012, MNRAS 419, 2156; from memory), and a the mixing matrix: CFA
cross-talk for the narrow set, and the share of the line that the broadband passes (Waller 1990, PASP 102,
1217; from memory). With one line, one narrow and one broad datum the solution is the classical
(N - k B) / (1 - k b).

Generalised least squares with a diagonal data covariance. The normal equations are an arrow,

    | A    B |  A diagonal, for each datum sees one continuum channel at most,
    | B^T  D |

so the continuum is eliminated at once, and the lines are the solution of the small system S = D - B^T A^-1 B (Schur
complement), through its Cholesky factor. That is the Cholesky factorisation of the whole, without its zeros.
"""

from dataclasses import dataclass

import numpy as np
from numba import njit

from pipeline.numerics.bands import in_bands

__all__ = ["Mixture", "separate", "warm"]

RESULTS = ("continuum", "lines", "line_variance", "remainder_variance")
"""What :func:`separate` returns."""

CHUNK_PX = 512
"""Pixels solved at a time: their float64 planes, some sixty, take a quarter of a megabyte and stay in the cache."""

BAND_PX = 1 << 18
"""Pixels that a core is given at a time."""

SINGULAR = 1e-10
"""A pivot below this share of its diagonal element means that the data do not tell two unknowns apart."""


@dataclass(frozen=True)
class Mixture:
    """What each datum sees of each unknown.

    Attributes
    ----------
    continuum : (D,) int, index of the continuum channel behind each datum; -1 for none
    ratio : (D, P) float64, polynomial coefficients in colour, lowest first, of k_d; (1, 0, ...) for broadband
    colour_range : (low, high), colours are clipped to it, since the polynomial holds only where there were stars
    lines : (D, L) float64, response of each datum to each line
    broad : (C,) int, datum that measures each continuum channel in the broadband
    """

    continuum: np.ndarray
    ratio: np.ndarray
    colour_range: tuple
    lines: np.ndarray
    broad: np.ndarray

    @property
    def broadband_response(self):
        """(C, L): what one unit of each line adds to each broadband channel."""
        return self.lines[self.broad]


def separate(data, variance, colour, mixture, *, wanted=RESULTS):
    """Solve the model at every pixel.

    Parameters
    ----------
    data : (D, ny, nx) float32, e-/s; same PSF everywhere
    variance : (D, ny, nx) float32; not finite or not positive where there is no datum
    colour : (ny, nx) float32, colour of the continuum as in ``Mixture.ratio``
    mixture : Mixture
    wanted : names of the results to return, in the order of ``RESULTS``; the others cost no memory

    Returns
    -------
    continuum : (C, ny, nx) float32
    lines : (L, ny, nx) float32
    line_variance : (L, ny, nx) float32
    remainder_variance : (C, ny, nx) float32
        Variance of "broadband minus its lines", B_c - sum_l b_{c,l} L_l, with the covariance of B and L.

    Pixels where the data do not determine all unknowns: 0, with variance NaN.
    """
    n_data = len(data)
    n_lines, n_continuum = mixture.lines.shape[1], len(mixture.broad)
    sizes = dict(zip(RESULTS, (n_continuum, n_lines, n_lines, n_continuum), strict=True))
    out = {
        name: np.zeros((sizes[name] if name in wanted else 0, *colour.shape), np.float32) for name in RESULTS
    }
    flat_data, flat_variance = (
        np.ascontiguousarray(planes, dtype=np.float32).reshape(n_data, -1) for planes in (data, variance)
    )
    flat_out = tuple(planes.reshape(len(planes), colour.size) for planes in out.values())
    flat_colour = np.ascontiguousarray(colour, dtype=np.float32).reshape(-1)
    model = (
        np.asarray(mixture.continuum, dtype=np.int64), *_laws(mixture), *map(float, mixture.colour_range),
        np.ascontiguousarray(mixture.lines, dtype=np.float64), np.asarray(mixture.broad, dtype=np.int64),
    )  # fmt: skip

    def band(start, stop):
        _solve(flat_data, flat_variance, flat_colour, *model, *flat_out, start, stop)

    in_bands(band, colour.size, rows=BAND_PX)
    return tuple(out[name] for name in wanted)


def _laws(mixture):
    """Coefficients (D, P) of each k_d, lowest first, and how many of them count: without trailing zeros, one at least."""
    ratio = np.zeros((len(mixture.continuum), 1))
    if len(mixture.ratio):
        ratio = np.ascontiguousarray(mixture.ratio, dtype=np.float64)
    return ratio, np.array([max([1, *(np.flatnonzero(row) + 1)]) for row in ratio], dtype=np.int64)


@njit(cache=True, nogil=True, error_model="numpy")
def _solve(
    data, variance, colour, behind, laws, terms, low, high, lines, broad,
    continuum, line, line_variance, remainder_variance, start, stop,
):  # fmt: skip
    """:func:`separate` for some pixels of a row; results without planes are not wanted."""
    n_data, n_lines, n_continuum = data.shape[0], lines.shape[1], broad.size
    size = min(CHUNK_PX, stop - start)
    hue, total = np.empty((2, size))
    weight, weighted, share = np.empty((3, n_data, size))
    a, right_c = np.empty((2, n_continuum, size))
    b, reduced = np.empty((2, n_continuum, n_lines, size))
    normal, inverse = np.empty((2, n_lines, n_lines, size))
    right, found, limit = np.empty((3, n_lines, size))
    solved = np.empty(size, dtype=np.bool_)
    for first in range(start, stop, size):
        # The last ones overlap those before, and are solved twice.
        first = min(first, stop - size)
        part = slice(first, first + size)
        _clip(hue, colour[part], low, high)
        a[:], right_c[:], b[:], normal[:], right[:], solved[:] = 0.0, 0.0, 0.0, 0.0, 0.0, True
        for d in range(n_data):
            _weigh(weight[d], weighted[d], data[d, part], variance[d, part])
            for j in range(n_lines):
                _add_multiple(right[j], lines[d, j], weighted[d])
                for i in range(j + 1):
                    _add_multiple(normal[j, i], lines[d, j] * lines[d, i], weight[d])
            c = behind[d]
            if c < 0:
                continue
            share[d] = laws[d, terms[d] - 1]
            for k in range(terms[d] - 2, -1, -1):
                _horner(share[d], hue, laws[d, k])
            _add_product(right_c[c], 1.0, weighted[d], share[d])
            _set_product(total, weight[d], share[d])
            _add_product(a[c], 1.0, total, share[d])
            for j in range(n_lines):
                _add_multiple(b[c, j], lines[d, j], total)
        for j in range(n_lines):
            limit[j] = normal[j, j]
        # The elimination: from here on a is its reciprocal, normal is S, and its right-hand side belongs to the lines alone.
        for c in range(n_continuum):
            _turn_over(a[c], solved)
            for j in range(n_lines):
                _set_product(reduced[c, j], b[c, j], a[c])
                _add_product(right[j], -1.0, reduced[c, j], right_c[c])
                for i in range(j + 1):
                    _add_product(normal[j, i], -1.0, reduced[c, j], b[c, i])
        _invert(normal, inverse, limit, solved)
        found[:] = 0.0
        for j in range(n_lines):
            for i in range(n_lines):
                _add_product(found[j], 1.0, inverse[j, i], right[i])
        for c in range(continuum.shape[0]):
            _set_product(total, right_c[c], a[c])
            for j in range(n_lines):
                _add_product(total, -1.0, reduced[c, j], found[j])
            _put(continuum[c, part], total, solved, 0.0)
        for j in range(line.shape[0]):
            _put(line[j, part], found[j], solved, 0.0)
        for j in range(line_variance.shape[0]):
            _put(line_variance[j, part], inverse[j, j], solved, np.nan)
        for c in range(remainder_variance.shape[0]):
            # Var(B - b L) = V_B - 2 b Cov(B, L) + b Cov(L, L) b, where Cov(B, L) = (b - k B / A) Cov(L, L).
            d = broad[c]
            total[:] = variance[d, part]
            for m in range(n_lines):
                _set_product(hue, share[d], reduced[behind[d], m])
                for j in range(n_lines):
                    _add_shared(total, lines[d, j], lines[d, m], hue, inverse[m, j])
            _put(remainder_variance[c, part], total, solved, np.nan)


@njit(cache=True, nogil=True, error_model="numpy")
def _invert(normal, inverse, limit, solved):
    """Inverse of the positive matrix whose lower half is ``normal[j, i]`` (n,), which is lost, and where it exists.

    A pivot up to ``SINGULAR`` times ``limit[j]`` (n,) counts as 0.
    """
    n_lines = normal.shape[0]
    factor = normal
    for j in range(n_lines):
        for i in range(j + 1):
            for m in range(i):
                _add_product(factor[j, i], -1.0, factor[j, m], factor[i, m])
            if i < j:
                _set_product(factor[j, i], factor[j, i], factor[i, i])
            else:
                # The diagonal is kept as its reciprocal.
                _pivot(factor[j, j], limit[j], solved)
    # Inverse of the factor in its place, then the transpose of that times itself.
    for j in range(n_lines):
        for i in range(j):
            total = inverse[j, i]
            _set_product(total, factor[j, i], factor[i, i])
            for m in range(i + 1, j):
                _add_product(total, 1.0, factor[j, m], factor[m, i])
            _set_product(total, total, factor[j, j])
            factor[j, i] = -total
    inverse[:] = 0.0
    for j in range(n_lines):
        for i in range(j + 1):
            for m in range(j, n_lines):
                _add_product(inverse[j, i], 1.0, factor[m, j], factor[m, i])
            inverse[i, j] = inverse[j, i]


# The steps, each for a row of pixels.


@njit(cache=True, nogil=True)
def _add_multiple(row, factor, other):
    if factor == 0.0:
        return
    for p in range(row.size):
        row[p] += factor * other[p]


@njit(cache=True, nogil=True)
def _add_product(row, factor, one, other):
    if factor == 0.0:
        return
    for p in range(row.size):
        row[p] += factor * (one[p] * other[p])


@njit(cache=True, nogil=True)
def _add_shared(row, factor, response, share, covariance):
    """Part of two lines in the variance of a channel without them."""
    if factor == 0.0:
        return
    for p in range(row.size):
        row[p] += factor * (2.0 * share[p] - response) * covariance[p]


@njit(cache=True, nogil=True)
def _set_product(row, one, other):
    for p in range(row.size):
        row[p] = one[p] * other[p]


@njit(cache=True, nogil=True)
def _horner(row, variable, coefficient):
    for p in range(row.size):
        row[p] = row[p] * variable[p] + coefficient


@njit(cache=True, nogil=True)
def _clip(row, values, low, high):
    for p in range(row.size):
        row[p] = min(max(np.float64(values[p]), low), high)


@njit(cache=True, nogil=True, error_model="numpy")
def _weigh(weight, weighted, value, spread):
    """Inverse variance of a datum, and that times the datum; 0 where there is none."""
    for p in range(weight.size):
        inverse = 1.0 / np.float64(spread[p])
        known = (inverse > 0.0) & (inverse < np.inf) & (abs(value[p]) < np.inf)
        weight[p] = inverse if known else 0.0
        weighted[p] = inverse * np.float64(value[p]) if known else 0.0


@njit(cache=True, nogil=True, error_model="numpy")
def _turn_over(row, solved):
    """Reciprocals; what is not positive is not solved."""
    for p in range(row.size):
        solved[p] &= row[p] > 0.0
        row[p] = 1.0 / row[p] if row[p] > 0.0 else 1.0


@njit(cache=True, nogil=True, error_model="numpy")
def _pivot(row, limit, solved):
    """Reciprocals of the roots; up to its limit a pivot is 0 and the pixel not solved."""
    for p in range(row.size):
        solved[p] &= row[p] > SINGULAR * limit[p]
        row[p] = 1.0 / np.sqrt(row[p] if solved[p] else 1.0)


@njit(cache=True, nogil=True)
def _put(row, values, solved, otherwise):
    for p in range(row.size):
        row[p] = values[p] if solved[p] else otherwise


def warm():
    """Compile the kernels."""
    plane = np.ones((2, 2, 2), dtype=np.float32)
    mixture = Mixture(
        np.zeros(2, int), np.ones((2, 1)), (0.0, 0.0), np.array([[0.0], [1.0]]), np.zeros(1, dtype=int)
    )
    separate(plane, plane, plane[0], mixture)
