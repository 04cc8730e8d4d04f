"""How the noise fell while a session's lights were added, as the stacking stage measured it."""

from dataclasses import dataclass

import numpy as np

__all__ = ["NoiseCurve", "noise_curves"]


@dataclass(frozen=True)
class NoiseCurve:
    """Noise of 8 x 8 blocks of one session, root mean square over the channels.

    Attributes
    ----------
    session, filter_set : names
    frames : number of lights in the stack
    measured, ideal : noise from the data, and from the camera model; electron/s per pixel
    """

    session: str
    filter_set: str
    frames: tuple[float, ...]
    measured: tuple[float, ...]
    ideal: tuple[float, ...]


def noise_curves(evidence):
    """List of NoiseCurve, one for each session whose record has the figures."""
    curves = []
    for session in evidence.sessions:
        record = evidence.record("stack_session", session.name)
        frames = record.metrics.get("noise_growth_frames") if record is not None else None
        if not frames:
            continue
        measured = _over_channels(record.metrics, "noise_growth_block8_e_s_", len(frames))
        ideal = _over_channels(record.metrics, "noise_growth_ideal_block8_e_s_", len(frames))
        if measured is None or ideal is None:
            continue
        good = [k for k, pair in enumerate(zip(measured, ideal, strict=True)) if min(pair) > 0]
        if good:
            pick = [tuple(float(values[k]) for k in good) for values in (frames, measured, ideal)]
            curves.append(NoiseCurve(session.name, session.filter_set, *pick))
    return curves


def _over_channels(metrics, prefix, length):
    """Root mean square over the channels; NaN (None in the record) stays NaN; None where nothing was recorded."""
    rows = [
        [np.nan if value is None else value for value in metrics[prefix + channel]]
        for channel in "LRGB"
        if isinstance(metrics.get(prefix + channel), list) and len(metrics[prefix + channel]) == length
    ]
    return np.sqrt(np.mean(np.square(rows), axis=0)) if rows else None
