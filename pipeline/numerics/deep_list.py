"""One deep star list from many frames: the errors of a single frame's list would be common to all poses."""

import numpy as np

from pipeline.numerics.pose_refinement import mutual_nearest

__all__ = ["merge_stars"]

SEEN_SHARE = 0.3
"""A star that the reference frame does not show joins the list if at least this share of the frames does."""

SEEN_LEAST = 2
"""And at least this many frames: one detection may be anything."""

SCALE_SNR = 15.0
"""Stars that measure the flux ratio of two frames."""

MATCH_REACH = 4.0
"""Two detections are one star if they lie within this many times their joint error ..."""

MATCH_LEAST_PX, MATCH_MOST_PX = 0.5, 1.5
"""... but no closer and no further apart than this is asked."""


def merge_stars(reference, others, channels):
    """Average the positions and fluxes of stars over frames that are registered to a reference frame.

    Parameters
    ----------
    reference : dict of columns x, y, xy_err, snr, flux_c, flux_err_c of the reference frame
    others : list of the same dicts, with x and y already in the reference frame's pixels; fluxes in each frame's
        own scale
    channels : names c

    Returns
    -------
    dict of the same columns and ``n_frames``, brightest first. Positions are averaged with weights 1 / error^2,
    fluxes too, after each frame is brought to the reference's scale by the median ratio of common stars.
    ``xy_err`` is that of the average.
    """
    names = [f"{kind}_{c}" for c in channels for kind in ("flux", "flux_err")]
    total = _Sums(reference, channels)
    total.add(reference, np.arange(len(reference["x"])), np.ones(len(channels)))
    for stars in others:
        here, there = _pairs(stars, total.averages())
        ratio = _ratios(stars, here, total, there, channels)
        entry = np.full(len(stars["x"]), -1, dtype=np.intp)
        entry[here] = there
        new = np.flatnonzero(entry < 0)
        entry[new] = total.grow(len(new))
        total.add(stars, entry, ratio)
    result = total.averages()
    least = max(SEEN_LEAST, int(np.ceil(SEEN_SHARE * (1 + len(others)))))
    keep = np.arange(len(result["x"])) < len(reference["x"])
    keep |= result["n_frames"] >= least
    order = np.flatnonzero(keep)
    order = order[np.argsort(-result["snr"][order], kind="stable")]
    return {name: result[name][order] for name in ("x", "y", "xy_err", "snr", "n_frames", *names)}


class _Sums:
    """Growing weighted sums of the stars of a list."""

    def __init__(self, reference, channels):
        size = len(reference["x"])
        self.channels = channels
        self.position = np.zeros((size, 3))
        self.flux = np.zeros((size, len(channels), 2))
        self.square_snr = np.zeros(size)
        self.count = np.zeros(size, dtype=np.int32)

    def grow(self, extra):
        size = len(self.count)
        self.position = np.concatenate([self.position, np.zeros((extra, 3))])
        self.flux = np.concatenate([self.flux, np.zeros((extra, len(self.channels), 2))])
        self.square_snr = np.concatenate([self.square_snr, np.zeros(extra)])
        self.count = np.concatenate([self.count, np.zeros(extra, dtype=np.int32)])
        return np.arange(size, size + extra)

    def add(self, stars, entry, ratio):
        weight = 1.0 / stars["xy_err"] ** 2
        self.position[entry] += np.column_stack([weight * stars["x"], weight * stars["y"], weight])
        for index, channel in enumerate(self.channels):
            flux, error = stars[f"flux_{channel}"] * ratio[index], stars[f"flux_err_{channel}"] * ratio[index]
            good = np.isfinite(flux) & np.isfinite(error) & (error > 0)
            weight = 1.0 / error[good] ** 2
            self.flux[entry[good], index] += np.column_stack([weight * flux[good], weight])
        self.square_snr[entry] += stars["snr"] ** 2
        self.count[entry] += 1

    def averages(self):
        weight = self.position[:, 2]
        columns = {
            "x": self.position[:, 0] / weight,
            "y": self.position[:, 1] / weight,
            "xy_err": weight**-0.5,
            # Per frame, so that a star seen in few frames does not sink below fainter ones.
            "snr": np.sqrt(self.square_snr / self.count),
            "n_frames": self.count.copy(),
        }
        for index, channel in enumerate(self.channels):
            light, weight = self.flux[:, index].T
            known = weight > 0
            for name, value in (
                (f"flux_{channel}", np.divide(light, weight, out=np.full(len(light), np.nan), where=known)),
                (f"flux_err_{channel}", np.power(weight, -0.5, out=np.full(len(light), np.nan), where=known)),
            ):
                columns[name] = value
        return columns


def _pairs(stars, known):
    here, there = mutual_nearest(
        np.column_stack([stars["x"], stars["y"]]), np.column_stack([known["x"], known["y"]]), MATCH_MOST_PX
    )
    distance = np.hypot(stars["x"][here] - known["x"][there], stars["y"][here] - known["y"][there])
    joint = np.hypot(stars["xy_err"][here], known["xy_err"][there])
    near = distance <= np.maximum(MATCH_REACH * joint, MATCH_LEAST_PX)
    return here[near], there[near]


def _ratios(stars, here, total, there, channels):
    """Reference flux over this frame's, per channel; 1 where no star tells."""
    known = total.averages()
    ratios = np.ones(len(channels))
    for index, channel in enumerate(channels):
        mine, theirs = stars[f"flux_{channel}"][here], known[f"flux_{channel}"][there]
        clear = (mine > SCALE_SNR * stars[f"flux_err_{channel}"][here]) & (theirs > 0)
        if clear.any():
            ratios[index] = np.median(theirs[clear] / mine[clear])
    return ratios
