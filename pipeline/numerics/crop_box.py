"""The largest rectangle of an image in which every pixel is well covered."""

import numpy as np

__all__ = ["crop_box"]


def crop_box(good):
    """Largest rectangle that holds only True.

    Row by row the heights of the columns of True that end there make a histogram, whose largest rectangle a stack
    of rising heights finds in one pass (a textbook algorithm).

    Parameters
    ----------
    good : (ny, nx) bool

    Returns
    -------
    (first row, stop row, first column, stop column); all 0 if nothing is True
    """
    best, box = 0, (0, 0, 0, 0)
    height = np.zeros(good.shape[1] + 1, dtype=np.int64)
    for row, line in enumerate(good):
        height[:-1] = np.where(line, height[:-1] + 1, 0)
        # Heights change at few columns: only there a rectangle can begin or end.
        edges = np.flatnonzero(np.diff(height, prepend=-1))
        rising = []
        for column in edges.tolist():
            start, now = column, int(height[column])
            while rising and rising[-1][1] >= now:
                start, tall = rising.pop()
                if tall * (column - start) > best:
                    best = tall * (column - start)
                    box = (row + 1 - tall, row + 1, start, column)
            if now:
                rising.append((start, now))
    return box
