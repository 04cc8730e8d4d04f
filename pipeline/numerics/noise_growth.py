"""Noise of a merged stack against its number of frames, from what each session found for 1, 2, 4, ... of its own.

Parts are merged by weights W = 1 / ideal^2, hence

    noise^2 = sum(W^2 noise_i^2) / sum(W)^2,        ideal^2 = 1 / sum(W).

Frames count in the order of the sessions: n of them are all of the first sessions and the first few of the next, whose
weight grows evenly with its frames and whose noise over the ideal one is that of the nearest number it was measured for.
"""

import numpy as np

from pipeline.numerics.block_noise import NoiseFigures

__all__ = ["merged_growth"]


def merged_growth(sessions):
    """NoiseFigures of one channel of a merged stack.

    Parameters
    ----------
    sessions : list of NoiseFigures of the channel, in the order of the merge; their last entry is for all their frames

    Returns
    -------
    NoiseFigures; an entry that rests on something unmeasured is NaN
    """
    sessions = [entry for entry in sessions if entry.frames]
    ends = np.cumsum([entry.frames[-1] for entry in sessions], dtype=int)
    n = int(ends[-1]) if sessions else 0
    counts = sorted({*(2**k for k in range(n.bit_length()) if 2**k <= n), n} - {0})
    made = NoiseFigures(counts, [], [], [])
    for count in counts:
        weights, block, sample = [], [], []
        for entry, end in zip(sessions, ends, strict=True):
            taken = min(count - (end - entry.frames[-1]), entry.frames[-1])
            if taken <= 0:
                break
            at = np.interp(taken, [0, *entry.frames], [0.0, *(np.array(entry.ideal_block) ** -2.0)])
            near = int(np.argmin(np.abs(np.log(np.array(entry.frames) / taken))))
            weights.append(at)
            for out, noise in ((block, entry.block), (sample, entry.sample)):
                out.append(noise[near] / entry.ideal_block[near] / np.sqrt(at))
        weights = np.array(weights)
        made.ideal_block.append(float(weights.sum() ** -0.5))
        for parts, out in ((block, made.block), (sample, made.sample)):
            out.append(float(np.sqrt((weights**2 * np.array(parts) ** 2).sum()) / weights.sum()))
    return made
