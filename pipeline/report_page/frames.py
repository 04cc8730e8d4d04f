"""Which lights were left out or count little, and why."""

from dataclasses import dataclass

import numpy as np

from pipeline.report_page.quantities import percent, significant

__all__ = ["Remark", "frame_remarks"]

NOTABLE = 1.25
"""A light whose sky, noise or star width exceeds the set's median by this factor is told apart by it; smaller
differences are the ordinary course of a night."""

CAUSES = (
    ("star width", lambda light: light.number("fwhm_px")),
    ("sky level", lambda light: _mean(light.by_channel("sky_e_s"))),
    ("noise", lambda light: _mean(light.by_channel("noise_e_s"))),
)
"""What can lower a weight, as name and number."""


@dataclass(frozen=True)
class Remark:
    """One light that did not count fully.

    Attributes
    ----------
    light : Light
    relative_weight : over the set's median; None if it was not used or has no weight yet
    reason : text
    """

    light: object
    relative_weight: float | None
    reason: str


def frame_remarks(filter_sets, low_weight):
    """Rejected lights, those with a remark, and those whose weight is under `low_weight` of their set's median.

    They come by filter set and in order of time.

    Parameters
    ----------
    filter_sets : list of FilterSet
    low_weight : fraction

    Returns
    -------
    list of Remark
    """
    remarks = []
    for each in filter_sets:
        weights = [light.weight for light in each.used if light.weight is not None]
        median = float(np.median(weights)) if weights else 0.0
        for light in each.lights:
            if not light.used:
                remarks.append(Remark(light, None, light.reason or "no reason was recorded"))
                continue
            share = light.weight / median if median > 0 and light.weight is not None else None
            if share is not None and share < low_weight:
                remarks.append(Remark(light, share, light.reason or _why_light(light, each)))
            elif light.reason:
                remarks.append(Remark(light, share, light.reason))
    return remarks


def _why_light(light, filter_set):
    """What stands out in a light of small weight, from its own numbers against its set's medians."""
    causes = []
    for name, value in CAUSES:
        here = value(light)
        others = [number for other in filter_set.used if (number := value(other)) is not None]
        if here is None or not others or np.median(others) <= 0:
            continue
        ratio = here / float(np.median(others))
        if ratio >= NOTABLE:
            causes.append(f"{name} {significant(ratio, 2)} times the median")
    scales = [1 / s for other in filter_set.used if (s := _mean(other.by_channel("scale")))]
    own = _mean(light.by_channel("scale"))
    if own and scales and (1 / own) / float(np.median(scales)) <= 1 / NOTABLE:
        causes.append(f"transparency {percent((1 / own) / float(np.median(scales)))} of the median")
    return ", ".join(causes) if causes else "its noise is larger; no single cause stands out"


def _mean(values):
    return sum(values.values()) / len(values) if values else None
