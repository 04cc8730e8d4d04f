"""What every channel of every filter set sees of every line: from curves, refined by the data."""

import numpy as np

from pipeline.numerics.bands import in_bands
from pipeline.numerics.crosstalk import CURVE_PRIOR, Refinement, refine_mixing
from pipeline.numerics.separation import separate
from pipeline.numerics.spectrum import line_response
from pipeline.numerics.stack_stars import star_mask

__all__ = ["block_means", "channel_response", "mixing_from_curves", "refined_mixing"]

BLOCK_PX = 8
"""Blocks on which the mixing is refined: 64 pixels bring the noise down eight times."""

BAND_BLOCKS = 8
"""Rows of blocks that are added up at a time: they stay in the cache."""


def mixing_from_curves(channels, narrow, lines):
    """Response of every datum to every line, in units of the line's strongest narrow channel."""
    raw = np.array([[channel_response(s, c, line) for line in lines] for s, c in channels])
    is_narrow = np.array([any(s is n for n in narrow) for s, _ in channels])
    owners = np.where(is_narrow[:, None], raw, -1.0).argmax(axis=0)
    return owners, raw / raw[owners, np.arange(len(lines))]


def block_means(matched, stars):
    """Block means of all data, star-covered pixels left out: (value, variance), each (D, by, bx) float32."""
    _, ny, nx = matched.value.shape
    covered = (
        star_mask(stars, (ny, nx), surface_brightness=0.3 * stars.noise)
        if len(stars)
        else np.zeros((ny, nx), bool)
    )
    by, bx = ny // BLOCK_PX, nx // BLOCK_PX
    value, variance = (np.full((len(matched.value), by, bx), np.nan, dtype=np.float32) for _ in range(2))

    def folded(part):
        # Rows are added first, whole: that is most of the work, and the fastest order.
        cut = part.reshape(-1, BLOCK_PX, bx * BLOCK_PX)
        return cut.sum(axis=1, dtype=np.float64).reshape(-1, bx, BLOCK_PX).sum(axis=2)

    def band(start, stop):
        rows = np.s_[start * BLOCK_PX : stop * BLOCK_PX, : bx * BLOCK_PX]
        free = ~covered[rows]
        for d in range(len(value)):
            v, s = matched.value[d][rows], matched.variance[d][rows]
            use = free & np.isfinite(s)
            count = folded(use)
            enough = count >= BLOCK_PX**2 / 4
            value[d, start:stop][enough] = folded(np.where(use, v, 0))[enough] / count[enough]
            variance[d, start:stop][enough] = folded(np.where(use, s, 0))[enough] / count[enough] ** 2

    in_bands(band, by, rows=BAND_BLOCKS)
    return value, variance


def refined_mixing(table, blocks, colour, mixture, channels, narrow, n_broad):
    """Refine the cross-talk of each colour set that sees two lines; the broadband follows by its filter.

    The continuum that is taken off first is solved with the cross-talk at hand, so both are found in turns: an error of
    the third channel comes back through the continuum, a tenth as large. The edges, which cost most and depend on that
    least, are looked for once, in the second turn.
    """
    curves, found = table, {}
    for edges in ("of curves", "sought", "kept") if n_broad else ("sought",):
        table, found = _refined_once(
            curves, table, found, edges, blocks, colour, mixture, channels, narrow, n_broad
        )
    return table, found


def _refined_once(curves, table, before, edges, blocks, colour, mixture, channels, narrow, n_broad):
    """One turn: the continuum by ``table``, then what the data make of the ``curves``."""
    current, table, found = table, curves.copy(), {}
    value, variance = blocks
    for s in narrow:
        rows = np.array([d for d, (other, _) in enumerate(channels) if other is s])
        prior = table[rows]
        if len(rows) != 3 or prior.shape[1] != 2 or not (prior.max(axis=0) > 0.5).all():
            continue
        continuum = separate(value, variance, colour, mixture(current))[0] if n_broad else None
        used = np.isfinite(variance).all(axis=0)
        rest = value[rows][:, used].astype(np.float64)
        if n_broad:
            kept = mixture(current)
            law = np.polynomial.polynomial.polyval(colour[used], kept.ratio[rows].T)
            rest = rest - law * continuum[kept.continuum[rows]][:, used]
        scale = prior.max(axis=0)
        known = {"of curves": Refinement(prior / scale, np.full(prior.shape, CURVE_PRIOR), np.zeros(2, bool))}
        known["kept"] = before.get(s.name)
        error, places = np.sqrt(variance[rows][:, used]), np.argwhere(used)
        result = refine_mixing(rest, error, prior / scale, places=places, edges=known.get(edges))
        # The same pixels look through the broadband filter: its cross-talk changes by the same factor.
        factor = np.divide(result.matrix * scale, prior, out=np.ones_like(prior), where=prior > 0)
        if n_broad == 3:
            table[:3] *= factor
        table[rows] = result.matrix * scale
        found[s.name] = result
    return table, found


def channel_response(filter_set, channel, line):
    """Response of a channel of a filter set to a line, in the unit of the curves."""
    response = filter_set.responses[channel]
    if line.name in filter_set.throughput:
        return filter_set.throughput[line.name] * line_response(line, response)
    return line_response(line, filter_set.transmission, response)
