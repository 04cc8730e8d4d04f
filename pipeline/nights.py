"""To which night a frame belongs: from noon to noon, local.

The clock is that of the config, else of the header (the site's longitude, or a local time beside the universal
one), else universal time. Longitudes in headers are sometimes counted westwards, and universal noon is midnight
somewhere; so a clock that the user did not give is held against the lights: where they run straight through its
noon, the middle of the longest pause in their times of day is taken for noon instead. What was settled is
remembered, and changed only if later lights contradict it: an earlier night keeps its name.
"""

from collections import defaultdict
from datetime import datetime, timedelta

import numpy as np

__all__ = ["night_of", "proposed_shift", "settle_shifts"]

DEGREES_PER_HOUR = 15.0
"""The Earth's rotation."""

LEAST_DAY_H = 3.0
"""Nowhere that has dark nights does one take stars through so short a pause about noon: lights closer to it on
both sides mean that it is not noon."""


def proposed_shift(facts, site):
    """Local time minus UTC in hours, as config or header give it, and whether the config does.

    Parameters
    ----------
    facts : dict, see ``pipeline.headers.header_facts``
    site : section "site" of the settings
    """
    if site["longitude_deg"] is not None:
        return site["longitude_deg"] / DEGREES_PER_HOUR, True
    if site["utc_offset_h"] is not None:
        return float(site["utc_offset_h"]), True
    if "longitude_deg" in facts:
        return facts["longitude_deg"] / DEGREES_PER_HOUR, False
    return float(facts.get("utc_offset_h", 0.0)), False


def settle_shifts(starts, remembered):
    """Clocks to use in place of proposed ones.

    Parameters
    ----------
    starts : list of (start_utc of a light, proposed shift in hours)
    remembered : dict str(whole hours proposed) -> shift settled in an earlier run

    Returns
    -------
    dict str(whole hours proposed) -> shift, for those that do not stand as proposed
    """
    by_clock = defaultdict(list)
    for start, shift in starts:
        by_clock[_clock(shift)].append((_hour(start), shift))
    settled = dict(remembered)
    for clock, lights in by_clock.items():
        hours = np.sort([hour for hour, _ in lights])
        shift = settled.get(clock, float(np.median([shift for _, shift in lights])))
        if _runs_through_noon(hours, shift):
            settled[clock] = _shift_by_pause(hours)
    return settled


def night_of(start_utc, shift_h, settled=None):
    """Date on which the night of an exposure began.

    Parameters
    ----------
    start_utc : ISO 8601
    shift_h : local time minus UTC, hours
    settled : from :func:`settle_shifts`
    """
    shift_h = (settled or {}).get(_clock(shift_h), shift_h)
    try:
        return (datetime.fromisoformat(start_utc) + timedelta(hours=shift_h - 12)).date().isoformat()
    except OverflowError:
        # A clock that stands at the beginning or end of the calendar; its date is as good as any.
        return start_utc[:10]


def _clock(shift):
    return f"{round(shift):+d}"


def _hour(start_utc):
    moment = datetime.fromisoformat(start_utc)
    return moment.hour + moment.minute / 60 + moment.second / 3600


def _runs_through_noon(hours, shift):
    """Whether the times of day (UTC hours) come close to local noon from both sides."""
    from_noon = (hours + shift - 12 + 12) % 24 - 12
    before, after = from_noon[from_noon < 0], from_noon[from_noon >= 0]
    if before.size == 0 or after.size == 0:
        return False
    return after.min() - before.max() < LEAST_DAY_H


def _shift_by_pause(hours):
    """Shift, in whole hours, that puts noon into the middle of the longest pause."""
    pauses = np.diff(np.append(hours, hours[0] + 24))
    longest = int(pauses.argmax())
    noon_utc = hours[longest] + pauses[longest] / 2
    return float((round(12 - noon_utc) + 12) % 24 - 12)
