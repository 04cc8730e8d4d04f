"""What is said about a stacked session: a row for every light, and the figures of its QA record."""

import numpy as np

__all__ = ["channel_metrics", "frames_table", "session_metrics"]


def frames_table(table, channels, surveys, used, shares):
    """The table of registered lights with what stacking found.

    Parameters
    ----------
    table : astropy Table, a row per light
    channels : names
    surveys : dict row -> FrameSurvey, of the lights that could be read
    used : rows that are in the stack, in its order
    shares : (len(used), C) share of samples rejected

    Returns
    -------
    astropy Table; NaN and weight 0 for lights that are not in the stack
    """
    made = table.copy()
    rank = {k: n for n, k in enumerate(used)}
    verdicts, reasons = ([str(entry) for entry in table[name]] for name in ("verdict", "reason"))
    for k, verdict in enumerate(verdicts):
        if verdict == "accept" and k not in rank:
            verdicts[k] = "reject"
            reasons[k] = "no overlap with the reference frame" if k in surveys else "cannot be read"
    made["verdict"], made["reason"] = verdicts, reasons

    def column(value, fill=np.nan):
        return np.array([value(k) if k in rank else fill for k in range(len(made))])

    for c, channel in enumerate(channels):
        made[f"scale_{channel}"] = column(lambda k, c=c: surveys[k].scales[c].scale)
        made[f"scale_err_{channel}"] = column(lambda k, c=c: surveys[k].scales[c].error)
        made[f"weight_{channel}"] = column(lambda k, c=c: float(surveys[k].weight[c]), 0.0)
        made[f"background_e_s_{channel}"] = column(
            lambda k, c=c: float(surveys[k].backgrounds[c].coefficients[0])
        )
        made[f"background_residual_e_s_{channel}"] = column(lambda k, c=c: float(surveys[k].residual[c]))
        made[f"rejected_share_{channel}"] = column(lambda k, c=c: float(shares[rank[k], c]))
    made["scale_stars"] = column(lambda k: max(entry.n_stars for entry in surveys[k].scales), 0)
    return made


def session_metrics(coverage, rejected, n_lights, n_used, exposure_s, shares):
    """Figures of the whole stack.

    Parameters
    ----------
    coverage, rejected : (C, ny, nx) samples kept and rejected
    n_lights, n_used : lights of the session, and in the stack
    exposure_s : total exposure of those in the stack
    shares : (N, C) share of samples rejected, or None
    """
    samples = coverage + rejected
    return {
        "frames_used": n_used,
        "frames_rejected": n_lights - n_used,
        "exposure_s": exposure_s,
        "coverage_share": float((coverage > 0).all(axis=0).mean()),
        "full_coverage_share": float((samples >= max(n_used, 1)).all(axis=0).mean()),
        "rejected_share": None if shares is None else float(np.mean(shares)),
    }


def channel_metrics(channel, weights, exposures, scales, figures):
    """Figures of one channel.

    Parameters
    ----------
    channel : name
    weights, exposures, scales : (N,) of the lights in the stack
    figures : NoiseFigures
    """
    rates = weights / exposures
    return {
        # Exposure that would bring the same weight under the conditions of the best light.
        f"effective_exposure_s_{channel}": float(weights.sum() / rates.max()) if rates.max() > 0 else 0.0,
        f"scale_min_{channel}": float(scales.min()),
        f"scale_max_{channel}": float(scales.max()),
        f"noise_sample_e_s_{channel}": figures.sample[-1],
        f"noise_block8_e_s_{channel}": figures.block[-1],
        f"ideal_noise_block8_e_s_{channel}": figures.ideal_block[-1],
        f"noise_ratio_block8_{channel}": figures.block[-1] / figures.ideal_block[-1],
        f"noise_growth_block8_e_s_{channel}": figures.block,
        f"noise_growth_ideal_block8_e_s_{channel}": figures.ideal_block,
        f"noise_growth_sample_e_s_{channel}": figures.sample,
        "noise_growth_frames": figures.frames,
    }
