"""Arrays of the running thread, kept from one use to the next: to fetch fresh memory from the system costs more than to fill it."""

import threading

import numpy as np

__all__ = ["workspace"]


def workspace(name, shape, kind):
    """An array of the running thread, with whatever its last use left in it.

    Parameters
    ----------
    name : what it is for; the next call with that name, in the same thread, takes the same memory
    shape, kind : of the array
    """
    size = int(np.prod(shape))
    kept = vars(_KEPT).get(name)
    if kept is None or kept.size < size or kept.dtype != kind:
        # The old one goes first, so that both are never there together.
        vars(_KEPT).pop(name, None)
        del kept
        kept = vars(_KEPT)[name] = np.empty(size, dtype=kind)
    return kept[:size].reshape(shape)


_KEPT = threading.local()
