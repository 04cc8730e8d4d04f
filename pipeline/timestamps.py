"""Times as numbers."""

from datetime import datetime

import numpy as np

__all__ = ["hours_of"]

EPOCH = datetime(2000, 1, 1)


def hours_of(texts):
    """(n,) hours since the year 2000 of ISO 8601 times without zone, as plans and tables hold them; NaN for others."""
    made = []
    for text in texts:
        try:
            # Whole microseconds are all that datetime takes; cameras write more digits.
            moment = datetime.fromisoformat(str(text)[:26]).replace(tzinfo=None)
        except ValueError:
            made.append(np.nan)
            continue
        made.append((moment - EPOCH).total_seconds() / 3600)
    return np.array(made)
