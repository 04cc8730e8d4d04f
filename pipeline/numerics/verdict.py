"""Which frames of a session to use, judged against stated limits and against the session itself.

The brightness of the sky never speaks against a frame or a night: the weight of a frame deals with its noise.
"""

from dataclasses import dataclass

import numpy as np

from pipeline.numerics.robust import mad_std

__all__ = ["ACCEPT", "REJECT", "Verdict", "judge", "rank_transparency"]

ACCEPT, REJECT = "accept", "reject"

RANKS = slice(4, 100)
"""Stars that are compared by brightness rank. The first few may be saturated, and one star that dithering moves out of
the field shifts them most; beyond the last, faint frames are incomplete."""

CLEAR_QUANTILE = 0.8
"""The session's clear level: most of a night is clear, and single frames above it are noise."""

FWHM_SPREADS = 5.0
"""A frame is out of focus only if it also stands out of the session's scatter by this many robust sigma."""

SPREAD_ROOM = 1.125
"""The scatter may raise the stated ratio by no more than this: a handful of lights of changing seeing must not make room
for one that is defocused (1.6 becomes 1.8 at most)."""

HAZE = 0.85
"""Transparency below which the reader is told, although the frame is used."""


@dataclass(frozen=True)
class Verdict:
    """accept or reject, and the reason in plain words; an accepted frame may carry a remark."""

    verdict: str
    reason: str


def rank_transparency(fluxes):
    """Star flux of each frame relative to the session's clear level, before any star is matched.

    All frames of a session show nearly the same stars, so the k-th brightest star of one frame is compared
    with the k-th brightest of the others; the median over k forgives the few that dithering exchanges. It only
    serves to judge; the photometric scale is measured on matched stars later.

    Parameters
    ----------
    fluxes : list of (n_i,) star fluxes, saturated ones included, in any order

    Returns
    -------
    (n_frames,) float64; 0 for a frame without stars, all NaN where too few stars can be compared
    """
    depth = RANKS.stop
    ranked = np.full((len(fluxes), depth), np.nan)
    for row, flux in zip(ranked, fluxes, strict=True):
        brightest = np.sort(np.asarray(flux, dtype=np.float64))[::-1][:depth]
        row[: brightest.size] = brightest
    ranked = ranked[:, RANKS]
    enough = np.isfinite(ranked).sum(axis=0) >= max(1, len(fluxes) // 2)
    if not enough.any():
        return np.full(len(fluxes), np.nan)
    with np.errstate(divide="ignore", invalid="ignore"):
        logs = np.log(ranked[:, enough])
    typical = np.nanmedian(logs, axis=0)
    ratio = np.array([np.nanmedian(row - typical) if np.isfinite(row).any() else -np.inf for row in logs])
    clear = np.quantile(ratio[np.isfinite(ratio)], CLEAR_QUANTILE)
    return np.exp(ratio - clear)


def judge(values, transparency, problems, limits):
    """A verdict for each frame of a session.

    Parameters
    ----------
    values : list of dict with n_stars, elongation, fwhm_px, saturated_fraction
    transparency : (n,) from :func:`rank_transparency`
    problems : list of str, why a frame could not be measured, or ""
    limits : dict with min_stars, max_elongation, max_fwhm_ratio, max_fwhm_px (or None), min_transparency,
        max_saturated_fraction

    Returns
    -------
    list of Verdict
    """
    fwhm = np.array([frame["fwhm_px"] for frame in values], dtype=np.float64)
    elongation = np.array([frame["elongation"] for frame in values], dtype=np.float64)
    measured = np.isfinite(fwhm)
    session = {
        "fwhm": np.median(fwhm[measured]) if measured.any() else np.nan,
        "fwhm_scatter": mad_std(fwhm[measured]) if measured.any() else np.nan,
        "elongation": np.median(elongation[measured]) if measured.any() else np.nan,
    }
    return [
        _judge_one(frame, share, problem, session, limits)
        for frame, share, problem in zip(values, transparency, problems, strict=True)
    ]


def _judge_one(frame, transparency, problem, session, limits):
    """The gravest finding first, since one cause often brings the others with it."""
    if frame["saturated_fraction"] > limits["max_saturated_fraction"]:
        return Verdict(
            REJECT,
            f"overexposed: {100 * frame['saturated_fraction']:.0f} % of the pixels saturated, "
            f"limit {100 * limits['max_saturated_fraction']:.0f} %",
        )
    if problem:
        return Verdict(REJECT, problem)
    cloudy = np.isfinite(transparency) and transparency < limits["min_transparency"]
    cloud = (
        f"cloud: star flux {100 * transparency:.0f} % of the session's"
        if np.isfinite(transparency) and transparency < HAZE
        else ""
    )
    if frame["elongation"] > limits["max_elongation"]:
        return Verdict(
            REJECT,
            f"stars trailed: elongation {frame['elongation']:.2f}, session median {session['elongation']:.2f}, "
            f"limit {limits['max_elongation']:.2f}",
        )
    stated = limits["max_fwhm_ratio"] * session["fwhm"]
    scattered = session["fwhm"] + FWHM_SPREADS * session["fwhm_scatter"]
    widest = min(max(stated, scattered), SPREAD_ROOM * stated)
    if frame["fwhm_px"] > widest:
        return Verdict(
            REJECT,
            f"out of focus: FWHM {frame['fwhm_px']:.1f} px, session median {session['fwhm']:.1f} px, "
            f"limit {widest:.1f} px",
        )
    if limits["max_fwhm_px"] is not None and frame["fwhm_px"] > limits["max_fwhm_px"]:
        return Verdict(
            REJECT,
            f"out of focus: FWHM {frame['fwhm_px']:.1f} px, stated limit {limits['max_fwhm_px']:.1f} px",
        )
    if cloudy:
        return Verdict(REJECT, f"{cloud}, limit {100 * limits['min_transparency']:.0f} %")
    if frame["n_stars"] < limits["min_stars"]:
        because = f" ({cloud})" if cloud else ""
        return Verdict(REJECT, f"too few stars: {frame['n_stars']}, needed {limits['min_stars']}{because}")
    return Verdict(ACCEPT, f"{cloud}; used with less weight" if cloud else "")
