"""How much light of bright stars lies far from their cores: the halo that a filter adds.

For each bright star, the azimuthal median in rings one pixel wide (a median, so neighbours do not count) is
integrated from ``INNER`` to ``OUTER`` star widths, above the level just outside, and divided by the light inside
``INNER``. A Moffat profile of beta 3 alone has 0.9 % there (from its growth curve 1 - (1 + (r/a)^2)^(1 - beta)),
so filters are to be compared with each other, not with zero.
"""

import math

import numpy as np

from pipeline.errors import InputError
from pipeline.fitsio import read_image
from pipeline.numerics.output_grid import finer_places
from pipeline.numerics.robust import mad_std
from pipeline.report_page.quantities import measured, unmeasured
from pipeline.tables import read_table

__all__ = ["INNER", "OUTER", "halo_share", "ring_profile", "star_halo"]

INNER = 3.0
"""Radius where the core ends, in star widths (FWHM)."""

OUTER = 9.0
"""Radius where the halo is taken to end, in star widths; reflections inside filters reach some tens of pixels."""

LEVEL_WIDTH = 2.0
"""Width of the ring that gives the level outside, in star widths."""

STARS = 12
"""Brightest usable stars that count; fainter ones have no measurable halo."""

CANDIDATES = 60
"""Stars looked at to find them: the brightest may be clipped or near the edge."""

MIN_STARS = 4
"""Fewer stars than this give no trustworthy median and scatter."""


def halo_share(filter_set, link_path, *, output_scale=1):
    """Share of halo light of a filter set, with the standard error over stars.

    Parameters
    ----------
    filter_set : FilterSet
    link_path : the set's star table in anchor coordinates
    output_scale : pixels of the stack along the side of one of the anchor

    Returns
    -------
    Quantity, dimensionless
    """
    if filter_set.flat is None or not link_path.is_file():
        return unmeasured("no flattened stack with linked stars")
    widths = [width for light in filter_set.used if (width := light.number("fwhm_px")) is not None]
    if not widths:
        return unmeasured("no star width")
    try:
        table, image = read_table(link_path), read_image(filter_set.flat)
    except InputError:
        return unmeasured("stars or stack cannot be read")
    image = np.mean(image, axis=0, dtype=np.float64) if image.ndim == 3 else image.astype(np.float64)
    fluxes = [np.asarray(table[name], dtype=np.float64) for name in table.colnames if _is_flux(name)]
    if not fluxes:
        return unmeasured("no star fluxes")
    width = output_scale * float(np.median(widths))
    x, y = (finer_places(table[axis], output_scale) for axis in "xy")
    shares = []
    for k in np.argsort(-np.nan_to_num(np.sum(fluxes, axis=0)), kind="stable")[:CANDIDATES]:
        share = star_halo(image, float(x[k]), float(y[k]), width)
        if share is not None and len(shares) < STARS:
            shares.append(share)
    if len(shares) < MIN_STARS:
        return unmeasured(f"only {len(shares)} bright stars well inside the field, {MIN_STARS} needed")
    error = math.sqrt(math.pi / 2) * mad_std(shares) / math.sqrt(len(shares))
    return measured(100.0 * float(np.median(shares)), "%", 100.0 * error)


def star_halo(image, x, y, width):
    """Halo share of one star, or None where it does not fit into the image or has no light.

    Parameters
    ----------
    image : (ny, nx), background near zero
    x, y : centre, pixels
    width : FWHM, pixels
    """
    reach = (OUTER + LEVEL_WIDTH) * width
    ny, nx = image.shape
    if not (reach <= x <= nx - 1 - reach and reach <= y <= ny - 1 - reach):
        return None
    distance, cut = _surroundings(image, x, y, reach)
    radii, areas, profile = ring_profile(distance, cut, int(reach))
    level = np.median(profile[radii >= OUTER * width])
    # Inside, where the profile is steep, every pixel counts; a ring's median would be too coarse.
    inside = distance < INNER * width
    core = (cut[inside] - level).sum()
    ring = (radii >= INNER * width) & (radii < OUTER * width)
    halo = ((profile - level) * areas)[ring].sum()
    if not (np.isfinite(core) and np.isfinite(halo) and core > 0):
        return None
    return float(halo / core)


def ring_profile(distance, values, rings):
    """Azimuthal medians in rings one pixel wide.

    Parameters
    ----------
    distance : array, pixels from the centre
    values : array of the same shape
    rings : how many rings, from the centre on

    Returns
    -------
    radii, areas, profile : (rings,) mean distance and number of the pixels in each ring, median of their values
    """
    members = [np.floor(distance) == number for number in range(rings)]
    radii = np.array([distance[ring].mean() if ring.any() else number for number, ring in enumerate(members)])
    areas = np.array([ring.sum() for ring in members])
    profile = np.array([np.median(values[ring]) if ring.any() else 0.0 for ring in members])
    return radii, areas, profile


def _surroundings(image, x, y, reach):
    """(distance from (x, y), values) of the pixels around a position that is that far inside the image."""
    x0, y0 = math.floor(x - reach), math.floor(y - reach)
    side = math.ceil(2 * reach) + 2
    cut = image[max(y0, 0) : y0 + side, max(x0, 0) : x0 + side]
    rows, columns = np.indices(cut.shape)
    return np.hypot(columns + max(x0, 0) - x, rows + max(y0, 0) - y), cut


def _is_flux(name):
    return name.startswith("flux_") and not name.startswith("flux_err")
