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

from pipeline.numerics.bands import in_bands

__all__ = ["Mixture", "separate"]

RESULTS = ("continuum", "lines", "line_variance", "remainder_variance")
"""What :func:`separate` returns."""

CHUNK_PX = 8192
"""Pixels solved at a time: their float64 planes stay in the cache."""

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
    out = tuple(np.zeros((sizes[name], *colour.shape), dtype=np.float32) for name in wanted)
    flat_data, flat_variance = (
        np.ascontiguousarray(planes).reshape(n_data, -1) for planes in (data, variance)
    )
    flat_out = [planes.reshape(len(planes), colour.size) for planes in out]
    flat_colour = np.ascontiguousarray(colour).reshape(-1)
    laws = _laws(mixture)

    def solve(start, stop):
        part = slice(start, stop)
        shares = _shares(flat_colour[part], laws, mixture.colour_range)
        found = _solve(flat_data[:, part], flat_variance[:, part], shares, mixture, wanted)
        for planes, solution in zip(flat_out, found, strict=True):
            for plane, row in zip(planes, solution, strict=True):
                plane[part] = row

    in_bands(solve, colour.size, rows=CHUNK_PX)
    return out


def _solve(data, variance, shares, mixture, wanted):
    """:func:`separate` for a row of pixels: data and variance (D, n), results (C or L, n) float64."""
    lines, n_continuum = mixture.lines, len(mixture.broad)
    n_lines, n_pixels = lines.shape[1], data.shape[1]
    weight, weighted = _weights(data, variance)
    a, right_c = np.zeros((2, n_continuum, n_pixels))
    b = np.zeros((n_continuum, n_lines, n_pixels))
    for d, (c, share) in enumerate(zip(mixture.continuum, shares, strict=True)):
        if c < 0:
            continue
        seen = weight[d] * share
        right_c[c] += weighted[d] * share
        for j in np.flatnonzero(lines[d]):
            b[c, j] += lines[d, j] * seen
        seen *= share
        a[c] += seen
    # Sums without a library of matrices, which would start threads of its own.
    right = np.einsum("dj,dn->jn", lines, weighted)
    normal = [
        [np.einsum("d,dn->n", lines[:, j] * lines[:, i], weight) for i in range(j + 1)]
        for j in range(n_lines)
    ]
    solved = (a > 0).all(axis=0)
    if not solved.all():
        a[:, ~solved] = 1.0
    limit = [SINGULAR * normal[j][j] for j in range(n_lines)]
    # The elimination: from here on normal is S, and its right-hand side belongs to the lines alone.
    per_a = 1.0 / a
    reduced = b * per_a[:, None]
    for c in range(n_continuum):
        for j in range(n_lines):
            right[j] -= reduced[c, j] * right_c[c]
            for i in range(j + 1):
                normal[j][i] -= reduced[c, j] * b[c, i]
    inverse, solved = _inverse(normal, limit, solved)
    found = [sum(inverse[j][i] * right[i] for i in range(n_lines)) for j in range(n_lines)]
    results = []
    for name in wanted:
        if name == "continuum":
            planes = right_c * per_a
            for c in range(n_continuum):
                for j in range(n_lines):
                    planes[c] -= reduced[c, j] * found[j]
        elif name == "lines":
            planes = found
        elif name == "line_variance":
            planes = [inverse[j][j] for j in range(n_lines)]
        else:
            planes = [
                _remainder_variance(variance[d], lines[d], shares[d], reduced[mixture.continuum[d]], inverse)
                for d in mixture.broad
            ]
        if not solved.all():
            for plane in planes:
                plane[~solved] = np.nan if name.endswith("variance") else 0.0
        results.append(planes)
    return results


def _weights(data, variance):
    """Inverse variance of each datum, and that times the datum, (D, n) float64; 0 where there is none."""
    weight, weighted = variance.astype(np.float64), data.astype(np.float64)
    known = (variance > 0) & np.isfinite(variance) & np.isfinite(data)
    if not known.all():
        weight[~known], weighted[~known] = np.inf, 0.0
    np.divide(1.0, weight, out=weight)
    weighted *= weight
    return weight, weighted


def _laws(mixture):
    """Coefficients of each k_d, lowest first, without trailing zeros; None for a datum without continuum."""
    laws = []
    for d, c in enumerate(mixture.continuum):
        if c < 0:
            laws.append(None)
            continue
        terms = max([1, *(np.flatnonzero(mixture.ratio[d]) + 1)])
        laws.append([float(coefficient) for coefficient in mixture.ratio[d, :terms]])
    return laws


def _shares(colour, laws, colour_range):
    """Per datum k_d: a number if it is the same for all pixels, else (n,) float64; None without a continuum."""
    low, high = colour_range
    if colour.min() == colour.max():
        hue = min(max(float(colour[0]), low), high)
    else:
        hue = np.clip(colour.astype(np.float64), low, high)
    shares = []
    for law in laws:
        share = None
        if law is not None:
            *lower, share = law
            for coefficient in reversed(lower):
                share *= hue
                share += coefficient
        shares.append(share)
    return shares


def _inverse(normal, limit, solved):
    """Inverse of the positive matrix whose lower half is ``normal[j][i]``, planes (n,) all, and where it exists.

    ``limit[j]`` (n,): a pivot up to it counts as 0.
    """
    n_lines = len(normal)
    factor = [[None] * (j + 1) for j in range(n_lines)]
    for j in range(n_lines):
        for i in range(j + 1):
            total = normal[j][i]
            for m in range(i):
                total = total - factor[j][m] * factor[i][m]
            if i < j:
                factor[j][i] = total * factor[i][i]
            else:
                solved = solved & (total > limit[j])
                # The diagonal is kept as its reciprocal.
                factor[j][j] = 1.0 / np.sqrt(np.where(solved, total, 1.0))
    # Inverse of the factor in its place, then the transpose of that times itself.
    for j in range(n_lines):
        for i in range(j):
            total = factor[j][i] * factor[i][i]
            for m in range(i + 1, j):
                total = total + factor[j][m] * factor[m][i]
            factor[j][i] = -total * factor[j][j]
    inverse = [[None] * n_lines for _ in range(n_lines)]
    for j in range(n_lines):
        for i in range(j + 1):
            inverse[j][i] = inverse[i][j] = sum(factor[m][j] * factor[m][i] for m in range(j, n_lines))
    return inverse, solved


def _remainder_variance(variance, response, share, reduced, inverse):
    """Var(B - b L) = V_B - 2 b Cov(B, L) + b Cov(L, L) b, where Cov(B, L) = (b - k B / A) Cov(L, L)."""
    total = variance.astype(np.float64)
    for m in range(len(response)):
        gain = (2.0 * share) * reduced[m] - response[m]
        spread = sum(response[j] * inverse[m][j] for j in range(len(response)))
        gain *= spread
        total += gain
    return total
