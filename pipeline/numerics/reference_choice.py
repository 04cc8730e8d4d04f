"""Which of many frames is the best one to hold all others against."""

import numpy as np

from pipeline.numerics.verdict import ACCEPT

__all__ = ["best_frames", "frame_scores"]

NOISE_PREFIX = "noise_e_s_"
"""Beginning of the names of the columns with the sky noise of each channel."""


def frame_scores(tables):
    """Scores of the frames of several sessions; 1 is typical of the accepted ones, higher is better.

    score = sqrt(n_stars) / (fwhm x noise x elongation^2), over its median: many stars to match, sharp, under a dark
    and clear sky, round. Noise is the mean over the channels.

    Parameters
    ----------
    tables : dict of session name to a table with n_stars, fwhm_px, elongation, noise_e_s_c and verdict

    Returns
    -------
    dict of session name to (n,) float64; NaN where a frame has no stars
    """
    raw = {}
    for name, table in tables.items():
        noise = np.mean([table[c] for c in table.colnames if c.startswith(NOISE_PREFIX)], axis=0)
        stars, fwhm, elongation = (
            np.asarray(table[c], dtype=np.float64) for c in ("n_stars", "fwhm_px", "elongation")
        )
        with np.errstate(invalid="ignore", divide="ignore"):
            raw[name] = np.where(stars > 0, np.sqrt(stars) / (fwhm * noise * elongation**2), np.nan)
    everything = np.concatenate(list(raw.values()))
    accepted = np.concatenate([np.asarray(table["verdict"]) == ACCEPT for table in tables.values()])
    typical = everything[accepted & np.isfinite(everything)]
    unit = np.median(typical) if typical.size else 1.0
    return {name: values / unit for name, values in raw.items()}


def best_frames(tables):
    """[(session, row, score), ...] of the accepted frames, best first; ties in the order of names and rows."""
    scores = frame_scores(tables)
    found = [
        (name, row, float(scores[name][row]))
        for name in sorted(tables)
        for row in np.flatnonzero((np.asarray(tables[name]["verdict"]) == ACCEPT) & np.isfinite(scores[name]))
    ]
    return [(name, int(row), score) for name, row, score in sorted(found, key=lambda each: -each[2])]
