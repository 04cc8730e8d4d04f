"""Split measured channels into continuum and emission lines, pixel by pixel.

Model. A filter set s seen through colour channel c measures

    F_d = k_d(colour) C_{c(d)} + sum_l a_{d,l} L_l + noise,      d = (s, c)

with C the continuum of the broadband set in its own channels (k = 1 there by definition), L_l the flux
of line l in the strongest channel of its narrow set, k_d the narrow/broad ratio of starlight, which depends
on its colour (Spector, Finkelman & Brosch 2012, MNRAS 419, 2156; from memory), and a the mixing matrix: CFA
cross-talk for the narrow set, and the share of the line that the broadband passes (Waller 1990, PASP 102,
1217; from memory). With one line, one narrow and one broad datum the solution is the classical
(N - k B) / (1 - k b).

Generalised least squares with a diagonal data covariance, solved through the Cholesky factor of the normal
equations.
"""

from dataclasses import dataclass

import numpy as np
from numba import njit

__all__ = ["Mixture", "separate", "warm"]

BAND_ROWS = 256
"""Rows solved at a time: bounds the float64 temporaries of the caller without costing speed."""

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


def separate(data, variance, colour, mixture):
    """Solve the model at every pixel.

    Parameters
    ----------
    data : (D, ny, nx) float32, e-/s; same PSF everywhere
    variance : (D, ny, nx) float32; not finite or not positive where there is no datum
    colour : (ny, nx) float32, colour of the continuum as in ``Mixture.ratio``
    mixture : Mixture

    Returns
    -------
    continuum : (C, ny, nx) float32
    lines : (L, ny, nx) float32
    line_variance : (L, ny, nx) float32
    remainder_variance : (C, ny, nx) float32
        Variance of "broadband minus its lines", B_c - sum_l b_{c,l} L_l, with the covariance of B and L.

    Pixels where the data do not determine all unknowns: 0, with variance NaN.
    """
    _, ny, nx = data.shape
    n_lines = mixture.lines.shape[1]
    n_continuum = len(mixture.broad)
    shapes = [(n_continuum, ny, nx), (n_lines, ny, nx), (n_lines, ny, nx), (n_continuum, ny, nx)]
    out = tuple(np.zeros(shape, dtype=np.float32) for shape in shapes)
    for first in range(0, ny, BAND_ROWS):
        rows = slice(first, min(first + BAND_ROWS, ny))
        _solve(
            np.ascontiguousarray(data[:, rows]),
            np.ascontiguousarray(variance[:, rows]),
            np.ascontiguousarray(colour[rows]),
            np.asarray(mixture.continuum, dtype=np.int64),
            np.asarray(mixture.ratio, dtype=np.float64),
            float(mixture.colour_range[0]),
            float(mixture.colour_range[1]),
            np.asarray(mixture.lines, dtype=np.float64),
            np.asarray(mixture.broad, dtype=np.int64),
            *(plane[:, rows] for plane in out),
        )
    return out


def warm():
    """Compile the kernel on a tiny image."""
    mixture = Mixture(
        np.array([0, 0]),
        np.array([[1.0, 0.0], [0.1, 0.0]]),
        (0.0, 1.0),
        np.array([[0.5], [1.0]]),
        np.array([0]),
    )
    planes = np.ones((2, 2, 2), dtype=np.float32)
    separate(planes, planes, planes[0], mixture)


@njit(cache=True, nogil=True)
def _solve(data, variance, colour, continuum, ratio, low, high, lines, broad, out_c, out_l, out_vl, out_vc):
    n_data, ny, nx = data.shape
    n_lines = lines.shape[1]
    n_cont = broad.size
    n = n_cont + n_lines
    terms = ratio.shape[1]
    design = np.zeros((n_data, n))
    for d in range(n_data):
        for j in range(n_lines):
            design[d, n_cont + j] = lines[d, j]
    normal = np.empty((n, n))
    factor = np.zeros((n, n))
    inverse = np.empty((n, n))
    right = np.empty(n)
    solution = np.empty(n)
    for y in range(ny):
        for x in range(nx):
            hue = min(max(colour[y, x], low), high)
            for i in range(n):
                right[i] = 0.0
                for j in range(i + 1):
                    normal[i, j] = 0.0
            for d in range(n_data):
                v = variance[d, y, x]
                value = data[d, y, x]
                if not (v > 0.0 and np.isfinite(v) and np.isfinite(value)):
                    continue
                c = continuum[d]
                if c >= 0:
                    k = ratio[d, terms - 1]
                    for p in range(terms - 2, -1, -1):
                        k = k * hue + ratio[d, p]
                    design[d, c] = k
                w = 1.0 / v
                for i in range(n):
                    if design[d, i] != 0.0:
                        right[i] += w * design[d, i] * value
                        for j in range(i + 1):
                            normal[i, j] += w * design[d, i] * design[d, j]
            # Cholesky factor of the normal matrix.
            good = True
            for i in range(n):
                for j in range(i + 1):
                    total = normal[i, j]
                    for m in range(j):
                        total -= factor[i, m] * factor[j, m]
                    if i == j:
                        if not total > SINGULAR * normal[i, i]:
                            good = False
                            break
                        factor[i, i] = np.sqrt(total)
                    else:
                        factor[i, j] = total / factor[j, j]
                if not good:
                    break
            if not good:
                for j in range(n_lines):
                    out_vl[j, y, x] = np.nan
                for c in range(n_cont):
                    out_vc[c, y, x] = np.nan
                continue
            # Columns of the covariance matrix that belong to lines, and the solution, by two triangular solves each.
            for column in range(n_cont, n + 1):
                for i in range(n):
                    total = right[i] if column == n else (1.0 if i == column else 0.0)
                    for m in range(i):
                        total -= factor[i, m] * solution[m]
                    solution[i] = total / factor[i, i]
                for i in range(n - 1, -1, -1):
                    total = solution[i]
                    for m in range(i + 1, n):
                        total -= factor[m, i] * solution[m]
                    solution[i] = total / factor[i, i]
                if column < n:
                    for i in range(n):
                        inverse[i, column] = solution[i]
            for c in range(n_cont):
                out_c[c, y, x] = solution[c]
            for j in range(n_lines):
                out_l[j, y, x] = solution[n_cont + j]
                out_vl[j, y, x] = inverse[n_cont + j, n_cont + j]
            # Var(B - b L) = V_B - 2 b Cov(B, L) + b Cov(L, L) b, where Cov(B, L) = A Cov(C L, L).
            for c in range(n_cont):
                d = broad[c]
                total = variance[d, y, x]
                for j in range(n_lines):
                    shared = 0.0
                    for i in range(n):
                        shared += design[d, i] * inverse[i, n_cont + j]
                    total -= 2.0 * lines[d, j] * shared
                    for m in range(n_lines):
                        total += lines[d, j] * lines[d, m] * inverse[n_cont + j, n_cont + m]
                out_vc[c, y, x] = total
