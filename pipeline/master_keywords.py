"""What the header of every master says, made here or given."""

from pipeline.numerics.flat_field import PLACES

__all__ = ["master_keywords"]


def master_keywords(plan, n_frames, constants=None):
    """Keywords of a master.

    Parameters
    ----------
    plan : MasterPlan
    n_frames : frames that it was made of, or None where that is not known
    constants : (2, 2) level of 1.0 at each place of the colour pattern, ADU; of flats

    Returns
    -------
    dict keyword -> (value, comment)
    """
    keywords = {
        "KIND": (plan.kind, "kind of master"),
        "EXPTIME": (plan.exposure_s, "[s] exposure of its frames"),
        "NCOMBINE": (n_frames, "number of frames"),
        "NIGHT": (plan.night, "night on which they were taken"),
        "FILTSET": (plan.filter_set, "filter set"),
        "CFAPAT": (plan.cfa, "colour pattern as stored"),
        "GAINSET": (plan.gain_setting, "gain setting of the camera"),
        "OFFSET": (plan.offset_setting, "offset setting of the camera"),
        "CCD-TEMP": (plan.temperature_c, "[degC] temperature of the sensor"),
        "BINNING": (plan.binning, "binning"),
    }
    if constants is not None:
        for index, (dy, dx) in enumerate(PLACES):
            level = float(constants[dy, dx])
            keywords[f"FLATCON{index}"] = (level, f"[adu] 1.0 at cell place y={dy}, x={dx}")
    return keywords
