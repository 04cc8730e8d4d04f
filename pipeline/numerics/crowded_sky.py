"""The sky of a field that is full of nebula, where next to no place is free of all of it.

A place without H-alpha may hold [O III] or dust. So each kind of light is looked for by itself. Every line has a
channel that shows it best, its *owner*; dust shows best in the channels of the continuum set. Cells are fitted by

    owner j :      O_j = P_j + sum_k g_jk O_k + d_j D          (k another owner)
    continuum c :  B_c = P_c + sum_k b_ck O_k
    others :       N   = P   + sum_k a_k  O_k + e D

with polynomials P and with D the dust, which is what the second line leaves over. Light is never negative, so each fit
is one to the lower edge, as of :func:`find_free_cells`: owner j over the cells without line j, whatever else they hold.
The g are cross-talk, the b the share of the lines that the broadband passes, found without any curve. The skies S
follow from S_j - sum_k g_jk S_k = P_j and S_c = P_c + sum_k b_ck S_k, and are polynomials as well.
"""

from dataclasses import dataclass

import numpy as np

from pipeline.numerics.free_cells import agreeing_cells, explained_cells
from pipeline.numerics.sky_cells import Cells
from pipeline.numerics.sky_model import fit_together, fit_with_templates
from pipeline.numerics.sky_terms import CELLS_PER_TERM
from pipeline.numerics.surface import PolynomialSurface, exponents

__all__ = ["CrowdedSky", "crowded_sky"]

LEAST_DETERMINANT = 0.3
"""Of I - g: below, two owners show so nearly the same mixture of lines that their skies cannot be told apart."""

PASSES = 2
"""Fits of a set of planes: the first learns the shares g, b, d, the next counts the noise that they bring in."""


@dataclass(frozen=True)
class CrowdedSky:
    """Skies of all planes.

    Attributes
    ----------
    continuum : list of Sky, one a channel of the continuum set
    narrow : list of lists of Sky, one a channel of each narrow set
    free_share : dict of float; "dust", and "line_0", ... by owner: share of cells without that light
    """

    continuum: list
    narrow: list
    free_share: dict


def crowded_sky(continuum, narrow, owners, *, max_order, clip_sigma=3.0):
    """Skies from cells of which hardly any is free of all nebula.

    Parameters
    ----------
    continuum : Cells of the set that shows the dust, or None
    narrow : list of Cells of the sets that carry lines
    owners : list of (set, channel) indices into ``narrow``, one for each line
    max_order, clip_sigma : as for :func:`find_free_cells`

    Returns
    -------
    CrowdedSky, or None where the planes do not tell the lines apart or cells are too few
    """
    tables = ([continuum] if continuum is not None else []) + list(narrow)
    known = np.isfinite(np.concatenate([table.value for table in tables])).all(axis=0)
    how = {"known": known, "max_order": max_order, "clip_sigma": clip_sigma}
    owned = [(narrow[s].value[c], narrow[s].error[c]) for s, c in owners]
    parts, dust = {}, []
    if continuum is not None:
        parts["dust"] = _free_part(continuum, range(continuum.value.shape[0]), owned, **how)
        if parts["dust"] is None:
            return None
        dust = [_left_over(parts["dust"], owned, max_order)]
    for s, cells in enumerate(narrow):
        for c in range(cells.value.shape[0]):
            others = [light for light, place in zip(owned, owners, strict=True) if place != (s, c)]
            explained = bool(dust) and len(others) == len(owned)
            parts[s, c] = _free_part(cells, [c], [*others, *dust], explained=explained, **how)
            if parts[s, c] is None:
                return None
    # What lights the sky is the same for all of them, so their surfaces are of one order.
    fits = dict(zip(parts, _fits(parts.values(), max_order), strict=True))
    continuum_fits = fits.pop("dust", [])
    fits = {place: fit for place, (fit,) in fits.items()}
    shares = {f"line_{j}": parts[place].free_share(known) for j, place in enumerate(owners)}
    if dust:
        shares["dust"] = parts["dust"].free_share(known)
    owner_fits = [fits[place] for place in owners]
    count = len(owners)
    crosstalk = np.zeros((count, count))
    for j, fit in enumerate(owner_fits):
        crosstalk[j, np.arange(count) != j] = fit.shares[: count - 1]
    if not np.linalg.det(np.eye(count) - crosstalk) > LEAST_DETERMINANT:
        return None
    unmix = np.linalg.inv(np.eye(count) - crosstalk)
    skies = {place: fits[place].mixed(row, owner_fits) for place, row in zip(owners, unmix, strict=True)}
    owner_skies = [skies[place] for place in owners]
    for place, fit in fits.items():
        if place not in owners:
            skies[place] = fit.plus(fit.shares[:count], owner_skies)
    narrow_skies = [[skies[s, c] for c in range(len(cells.value))] for s, cells in enumerate(narrow)]
    continuum_skies = [fit.plus(fit.shares, owner_skies) for fit in continuum_fits]
    return CrowdedSky(continuum_skies, narrow_skies, shares)


@dataclass(frozen=True)
class _Fit:
    """A Sky before the shares of the templates' own skies are put back."""

    sky: object
    shares: np.ndarray

    @property
    def surface(self):
        return self.sky.surface

    def mixed(self, row, fits):
        """Sky of the sum of ``fits`` times ``row``, with what this one was held out on."""
        return _combined(self.sky, zip(row, (fit.sky for fit in fits), strict=True))

    def plus(self, shares, skies):
        """Sky of this fit plus ``skies`` times ``shares``."""
        return _combined(self.sky, [(1.0, self.sky), *zip(shares, skies, strict=True)])


def _combined(own, weighted):
    """Weighted sum of skies of one frame; held-out residuals are those of ``own``."""
    weighted = list(weighted)
    order = max(sky.surface.order for _, sky in weighted)
    size = len(exponents(order))
    coefficients, covariance = np.zeros(size), np.zeros((size, size))
    for weight, sky in weighted:
        n = sky.surface.coefficients.size  # terms are sorted by degree
        coefficients[:n] += weight * sky.surface.coefficients
        covariance[:n, :n] += weight**2 * sky.covariance
    frame = own.surface
    surface = PolynomialSurface(order, coefficients, frame.x0, frame.y0, frame.scale)
    return type(own)(surface, covariance, own.held_out_rms, own.held_out)


def _sum(shares, templates):
    return sum(share * value for share, (value, _) in zip(shares, templates, strict=True))


def _left_over(part, owned, max_order):
    """(value, error), each (gy, gx): the dust, what the lines and a surface leave of the continuum, all its channels together.

    The surface is not the last word: that of another order changes this by a surface, which whatever the dust is fitted to has
    of its own.
    """
    (fits,) = _fits([part], max_order)
    cells = part.cells
    left = [
        plane - fit.surface.evaluate(cells.x, cells.y) - _sum(fit.shares, owned)
        for plane, fit in zip(cells.value, fits, strict=True)
    ]
    return np.mean(left, axis=0), np.sqrt(np.mean(cells.error**2, axis=0) / len(left))


@dataclass(frozen=True)
class _Part:
    """Planes, the cells in which they hold nothing but sky and the light of templates, and these (gy, gx, T) or None."""

    cells: Cells
    free: np.ndarray
    templates: np.ndarray

    def free_share(self, known):
        """Share of the known cells."""
        return float(self.free.sum() / max(known.sum(), 1))


def _free_part(cells, channels, templates, *, known, max_order, clip_sigma, explained=False):
    """The :class:`_Part` of some channels of ``cells`` with ``templates``, (value, error) of each; None with too few cells.

    With ``explained`` the templates are all the light that there is.
    """
    channels = list(channels)
    part = Cells(cells.x, cells.y, cells.value[channels], cells.error[channels], cells.shape)
    columns = np.stack([value for value, _ in templates], axis=-1) if templates else None
    if explained:
        free = explained_cells(part, known, columns, order=max_order, clip_sigma=clip_sigma)
        return _Part(part, free, columns)
    shares = np.zeros((len(channels), len(templates)))
    for step in range(PASSES):
        variance = part.error**2
        for t, (_, template_error) in enumerate(templates):
            variance = variance + (shares[:, t, None, None] * template_error) ** 2
        noisy = Cells(part.x, part.y, part.value, np.sqrt(variance), part.shape)
        free = agreeing_cells(noisy, known, max_order=max_order, clip_sigma=clip_sigma, templates=columns)
        if free.sum() < CELLS_PER_TERM * (len(exponents(1)) + len(templates)):
            return None
        if step < PASSES - 1:
            found = fit_with_templates(part, free, columns, max_order=max_order)
            shares = np.array([one for _, one in found]).reshape(shares.shape)
    return _Part(part, free, columns)


def _fits(parts, max_order):
    """List of _Fit of each part, all of one order."""
    made = fit_together([(part.cells, part.free, part.templates) for part in parts], max_order=max_order)
    return [[_Fit(*one) for one in channels] for channels in made]
