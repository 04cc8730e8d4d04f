"""How the noise fell while lights were added, as the stacking stages measured it."""

from dataclasses import dataclass

import numpy as np

__all__ = ["NoiseCurve", "noise_curves"]


@dataclass(frozen=True)
class NoiseCurve:
    """Noise of 8 x 8 blocks of a filter set, or of one session, root mean square over the channels.

    Attributes
    ----------
    session, filter_set : names; the session's is that of the filter set where all nights were merged
    frames : number of lights in the stack
    measured, ideal : noise from the data, and from the camera model; electron/s per pixel
    """

    session: str
    filter_set: str
    frames: tuple[float, ...]
    measured: tuple[float, ...]
    ideal: tuple[float, ...]


def noise_curves(evidence):
    """List of NoiseCurve: one for each filter set that was merged, else one for each of its sessions."""
    curves = []
    for filter_set in evidence.filter_sets:
        merged = _curve(
            evidence.record("stack_filter_set", filter_set.name), filter_set.name, filter_set.name
        )
        if merged is not None:
            curves.append(merged)
            continue
        for session in filter_set.sessions:
            curve = _curve(evidence.record("stack_session", session.name), session.name, filter_set.name)
            if curve is not None:
                curves.append(curve)
    return curves


def _curve(record, name, filter_set):
    """NoiseCurve of a QA record, or None where it has no figures."""
    frames = record.metrics.get("noise_growth_frames") if record is not None else None
    if not frames:
        return None
    measured = _over_channels(record.metrics, "noise_growth_block8_e_s_", len(frames))
    ideal = _over_channels(record.metrics, "noise_growth_ideal_block8_e_s_", len(frames))
    if measured is None or ideal is None:
        return None
    good = [k for k, pair in enumerate(zip(measured, ideal, strict=True)) if min(pair) > 0]
    if not good:
        return None
    return NoiseCurve(
        name, filter_set, *(tuple(float(values[k]) for k in good) for values in (frames, measured, ideal))
    )


def _over_channels(metrics, prefix, length):
    """Root mean square over the channels; NaN (None in the record) stays NaN; None where nothing was recorded."""
    rows = [
        [np.nan if value is None else value for value in metrics[prefix + channel]]
        for channel in "LRGB"
        if isinstance(metrics.get(prefix + channel), list) and len(metrics[prefix + channel]) == length
    ]
    return np.sqrt(np.mean(np.square(rows), axis=0)) if rows else None
