"""Bad pixels: those that stand out from their neighbourhood in a master, or do not hold still.

The median of a neighbourhood is only needed for the usual scatter, from a sample of the pixels. Whether a pixel is
further from it than a limit is decided by counting: of 25 values the median is the 13th, and it lies beyond a bound
if 13 of them do. That is the same answer for a tenth of the work.
"""

import numpy as np
from numba import njit
from scipy import special

from pipeline.numerics.robust import mad_std

__all__ = [
    "COLD",
    "HOT",
    "NO_VALUE",
    "UNSTABLE",
    "deviant_of_flat",
    "hot_and_cold",
    "local_medians",
    "mark",
    "unstable",
    "warm",
]  # fmt: skip

HOT, COLD, UNSTABLE, NO_VALUE = 1, 2, 4, 8
"""Bits of a master's MASK: above its neighbourhood (in a flat: responds more), below it, does not hold still, has no
value at all."""

REACH_PX = 2
"""Half width of the median filter, in pixels of one plane: smooth structure like amplifier glow passes; single pixels,
pairs and columns stand out."""

HALF = (2 * REACH_PX + 1) ** 2 // 2 + 1
"""Rank of the median among the pixels of the neighbourhood, and how many must lie beyond a bound if it does."""

LEAST_SCATTER_ADU = 0.3
"""Standard deviation of rounding to whole ADU; the scatter of a master made of one frame cannot be less."""

SAMPLE_STRIDE = 3
"""Every so many rows and columns count for the scatter; odd, so that all places of the colour pattern do."""

ENOUGH_SAMPLES = 200_000
"""The stride is widened where it would give many more: 200000 know a scatter to 0.3 %."""

LEAST_FRAMES = 6
"""The scatter of fewer values is too uncertain to call a pixel unstable."""

BLOCK_ROWS = 256
"""Rows that are judged at once."""

FALSE_ALARM = 1e-9
"""Probability that an ordinary pixel of normal noise is called unstable: one in forty frames of 26 million pixels."""

USUAL_HITS = 1e-3
"""Share of values that particle hits and the tails of clipping may take from a master without a pixel being blamed;
measured shares above it replace it."""


def hot_and_cold(master, *, sigma):
    """Pixels of a dark or bias master that are hot or cold.

    Parameters
    ----------
    master : (ny, nx) float32, ADU
    sigma : limit in units of the robust scatter about the local median

    Returns
    -------
    hot, cold : (ny, nx) bool
    """
    padded = _padded(master)
    stride = _stride(master.shape)
    sample = master[::stride, ::stride] - local_medians(master, stride)
    scatter = max(mad_std(sample), LEAST_SCATTER_ADU)
    hot, cold = np.empty(master.shape, dtype=bool), np.empty(master.shape, dtype=bool)
    _beyond(padded, np.float32(sigma * scatter), np.float32(0.0), hot, cold)
    return hot, cold


def mark(mask, above, below):
    """Set the bits of pixels that are hot, or respond more, and cold, or respond less, in ``mask`` (ny, nx) uint8."""
    mask[above] |= HOT
    mask[below] |= COLD


def unstable(variance, count, n_frames, *, sigma, expected):
    """Pixels whose values in the frames of a dark or bias scatter far more than the camera model allows.

    The sample variance of m normal values is V chi^2(m - 1) / (m - 1). A pixel is unstable if its own exceeds the
    model's both by what chance could do once in ``1 / FALSE_ALARM`` pixels and by ``(sigma / 4)^2``: pixels differ in
    read noise, and a random telegraph signal of amplitude A has a standard deviation of at most A / 2. One that
    is up in a few frames only loses these to the clipping, so it is unstable as well if more values were
    clipped than particle hits would take by chance (binomial law).

    Parameters
    ----------
    variance : (ny, nx) of the mean, ADU^2
    count : (ny, nx) values that made it
    n_frames : int, values there were
    sigma : the limit for hot pixels; a quarter of it is the least excess of the standard deviation
    expected : (ny, nx) or number, variance of one value by the camera model, ADU^2

    Returns
    -------
    (ny, nx) bool
    """
    if n_frames < LEAST_FRAMES:
        return np.zeros(variance.shape, dtype=bool)
    degrees = np.maximum(np.arange(n_frames + 1) - 1, 1)
    chance = special.chdtri(degrees, FALSE_ALARM) / degrees
    limit = np.maximum(chance, (sigma / 4) ** 2).astype(np.float32)
    stride = _stride(variance.shape)
    lost = 1.0 - count[::stride, ::stride].mean(dtype=np.float64) / n_frames
    # By number of values kept; a pixel without any has no value, which is another matter.
    hits = n_frames - np.arange(n_frames + 1)
    many = special.bdtrc(hits - 1, n_frames, max(lost, USUAL_HITS)) < FALSE_ALARM
    many[0] = False
    expected = np.broadcast_to(np.asarray(expected, dtype=np.float32), variance.shape)
    found = np.empty(variance.shape, dtype=bool)
    # In blocks of rows: temporaries of a whole large sensor would be what costs memory here.
    for first in range(0, len(variance), BLOCK_ROWS):
        rows = slice(first, first + BLOCK_ROWS)
        kept = count[rows]
        usual = np.maximum(expected[rows], np.float32(LEAST_SCATTER_ADU**2))
        found[rows] = (variance[rows] * kept > limit[kept] * usual) | many[kept]
    return found


def deviant_of_flat(flat, cfa, *, share):
    """Pixels of a normalised flat that respond unlike their neighbours of the same colour.

    Parameters
    ----------
    flat : (ny, nx) float32, about 1
    cfa : Cfa
    share : limit of the relative difference

    Returns
    -------
    strong, weak : (ny, nx) bool, respond more and less
    """
    strong, weak = np.empty(flat.shape, dtype=bool), np.empty(flat.shape, dtype=bool)
    step = 1 if cfa.is_mono else 2
    for dy in range(step):
        for dx in range(step):
            place = (slice(dy, None, step), slice(dx, None, step))
            plane = np.ascontiguousarray(flat[place])
            more, less = np.empty(plane.shape, dtype=bool), np.empty(plane.shape, dtype=bool)
            _beyond(_padded(plane), np.float32(0.0), np.float32(share), more, less)
            strong[place], weak[place] = more, less
    return strong, weak


def local_medians(plane, stride):
    """(ny / stride, nx / stride) float32: median of the neighbourhood of every ``stride``-th pixel."""
    ny, nx = plane.shape
    out = np.empty((-(-ny // stride), -(-nx // stride)), dtype=np.float32)
    _sampled_medians(_padded(plane), stride, out)
    return out


def warm():
    """Compile the kernels."""
    hot_and_cold(np.zeros((6, 6), dtype=np.float32), sigma=5.0)


def _padded(plane):
    # "reflect" mirrors about the centre of the edge pixel.
    return np.pad(np.asarray(plane, dtype=np.float32), REACH_PX, mode="reflect")


def _stride(shape):
    """Odd stride of a sample that is large enough."""
    wide = int(np.sqrt(shape[0] * shape[1] / ENOUGH_SAMPLES))
    return max(SAMPLE_STRIDE, wide - 1 + wide % 2)


@njit(cache=True, nogil=True)
def _beyond(padded, limit, share, above, below):
    """Where value - median > limit + share * median, and where median - value is: counted, see the module.

    Differences of floating-point numbers never grow when what is subtracted grows, so counting the neighbours that
    fulfil the condition in place of the median is exact, rounding included.
    """
    ny, nx = above.shape
    edge = 2 * REACH_PX + 1
    over, under = np.empty(nx, dtype=np.uint8), np.empty(nx, dtype=np.uint8)
    for y in range(ny):
        over[:], under[:] = 0, 0
        here = padded[y + REACH_PX, REACH_PX:]
        for dy in range(edge):
            for dx in range(edge):
                near = padded[y + dy, dx:]
                for x in range(nx):
                    bound = limit + share * near[x]
                    over[x] += np.uint8(here[x] - near[x] > bound)
                    under[x] += np.uint8(near[x] - here[x] > bound)
        for x in range(nx):
            above[y, x] = over[x] >= HALF
            below[y, x] = under[x] >= HALF


@njit(cache=True, nogil=True)
def _sampled_medians(padded, stride, out):
    edge = 2 * REACH_PX + 1
    values = np.empty(edge * edge, dtype=np.float32)
    for row in range(out.shape[0]):
        for column in range(out.shape[1]):
            y, x = row * stride, column * stride
            n = 0
            for dy in range(edge):
                for dx in range(edge):
                    value = padded[y + dy, x + dx]
                    j = n - 1
                    while j >= 0 and values[j] > value:
                        values[j + 1] = values[j]
                        j -= 1
                    values[j + 1] = value
                    n += 1
            out[row, column] = values[HALF - 1]
