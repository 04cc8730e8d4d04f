"""What another night would bring, by the square-root law from the weights that were measured.

Inverse-variance weights add up, so noise(N + n) / noise(N) = sqrt(W / (W + w)), with W the summed weight so far and
w that of the frames to come. It holds as long as the new frames are like the old ones and nothing but random
noise limits the stack.
"""

import math
from dataclasses import dataclass

import numpy as np

__all__ = ["SetOutlook", "limiting_set", "outlook", "relative_weights", "sets_in_picture"]

CLEARLY = 0.8
"""A set limits if its figure is below this share of the next one: a difference of 1.5 in integration time."""


@dataclass(frozen=True)
class SetOutlook:
    """One more night for one filter set.

    Attributes
    ----------
    filter_set : name
    frames : lights that the next night is taken to give (the median of the nights so far)
    hours : their exposure
    noise_ratio : noise afterwards over noise now
    frames_to_halve : lights needed, beyond those there are, to halve the noise
    weighted : True where measured weights were used, False where frames had to be taken as equal
    """

    filter_set: str
    frames: int
    hours: float
    noise_ratio: float
    frames_to_halve: int
    weighted: bool


def outlook(filter_set):
    """The outlook of a :class:`FilterSet`, or None where it has no usable light."""
    nights = {}
    for light in filter_set.used:
        nights.setdefault(light.night, []).append(light)
    if not nights:
        return None
    weights, weighted = relative_weights(filter_set.used)
    total = float(np.sum(weights))
    frames = round(float(np.median([len(lights) for lights in nights.values()])))
    frames = max(frames, 1)
    typical_weight = float(np.median(weights[weights > 0]))
    typical_exposure = float(np.median([light.exposure_s for light in filter_set.used]))
    return SetOutlook(
        filter_set=filter_set.name,
        frames=frames,
        hours=frames * typical_exposure / 3600.0,
        noise_ratio=math.sqrt(total / (total + frames * typical_weight)),
        # Half the noise is four times the weight: three times what there is comes on top.
        frames_to_halve=math.ceil(3.0 * total / typical_weight),
        weighted=weighted,
    )


def relative_weights(lights):
    """(weights, measured) of the lights in their order; equal ones where they were not measured."""
    weights = [light.weight for light in lights]
    if lights and all(weight is not None for weight in weights) and sum(weights) > 0:
        return np.array(weights, dtype=np.float64), True
    return np.ones(len(lights)), False


def sets_in_picture(evidence):
    """Names of the filter sets that the fused picture is made of, as its records say; all of them if they do not."""
    names = set()
    fused, lines = evidence.record("fuse", "fused"), evidence.record("lines", "lines")
    if fused is not None:
        names |= set(str(fused.metrics.get("base") or "").split("+"))
    if lines is not None:
        # A line is given in the unit of "<filter set> <channel>", the set that shows it best.
        owners = [
            value for name, value in lines.metrics.items() if name.startswith("line_channel_") and value
        ]
        names |= {str(owner).split()[0] for owner in owners}
    known = [each.name for each in evidence.filter_sets]
    return [name for name in known if name in names] or known


def limiting_set(signal_to_noise):
    """The filter set that clearly has the lowest figure, or None.

    Parameters
    ----------
    signal_to_noise : dict name -> finite number
    """
    if len(signal_to_noise) < 2:
        return None
    lowest, next_one = sorted(signal_to_noise, key=signal_to_noise.get)[:2]
    return lowest if signal_to_noise[lowest] < CLEARLY * signal_to_noise[next_one] else None
