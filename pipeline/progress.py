"""Progress lines of long steps, on standard error: "measure duo-2031-03-02: 5 / 12 frames"."""

import sys
import time

__all__ = ["progress"]

MIN_INTERVAL_S = 2.0
"""Seconds between two lines of one step; a log is read by people, and flooding it helps nobody."""


def progress(items, what, *, unit="frames", stream=None):
    """Yield the items while saying how many are done.

    Parameters
    ----------
    items : sequence
    what : what is being done, named as the user knows it
    unit : plural of what is counted
    stream : where to write; standard error by default
    """
    items = list(items)
    total = len(items)
    last = time.monotonic()
    for done, item in enumerate(items, start=1):
        yield item
        now = time.monotonic()
        if done == total or now - last >= MIN_INTERVAL_S:
            print(f"{what}: {done} / {total} {unit}", file=stream or sys.stderr, flush=True)
            last = now
