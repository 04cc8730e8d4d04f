"""Weight of a frame in a stack.

A stack sum(w x) / sum(w) of frames that were brought to one photometric scale has the least variance for
w = 1 / Var(x), which for a frame multiplied by ``scale`` is 1 / (scale^2 sigma^2): textbook inverse variance,
and, with the transparency F = 1 / scale, the F^2 / sigma^2 of a coadd that is normalised to the reference (Zackay
& Ofek 2017 I, section 2, from memory: their unnormalised frames are added with F / sigma^2, which is the
same sum). sigma is the noise of the sky: the Poisson noise of a source must not enter, or a bright star would
be weighted otherwise than the sky beside it and its profile would depend on its brightness.
"""

import numpy as np

__all__ = ["OBJECTIVES", "frame_weight"]

OBJECTIVES = ("diffuse", "point")
"""What the stack is made for: surfaces wider than the seeing, or stars."""


def frame_weight(scale, sky_variance, *, objective="diffuse", fwhm_px=None, area_scale=1.0):
    """Inverse variance of a frame's signal.

    Parameters
    ----------
    scale : float or array, factor that brings the frame to the reference's photometric scale
    sky_variance : variance of a sky pixel before scaling, (electron/s)^2 per frame pixel
    objective : "diffuse", or "point": the signal-to-noise ratio of a star of width a is
        F / (sigma a sqrt(4 pi)) under a matched Gaussian (King 1983, from memory), so that the weight falls
        as 1 / a^2 too
    fwhm_px : seeing, needed for "point"
    area_scale : anchor pixels per frame pixel; a frame with larger pixels has less variance per anchor area

    Returns
    -------
    float or array, (s / electron)^2; 0 where an argument is not finite or the variance not positive
    """
    if objective not in OBJECTIVES:
        raise ValueError(f"objective is one of {OBJECTIVES}, got {objective!r}")
    scale = np.asarray(scale, dtype=np.float64)
    variance = np.asarray(sky_variance, dtype=np.float64) * scale**2 / area_scale
    if objective == "point":
        if fwhm_px is None:
            raise ValueError("the weight for point sources needs the seeing")
        variance = variance * np.asarray(fwhm_px, dtype=np.float64) ** 2
    usable = np.isfinite(variance) & (variance > 0)
    return np.where(usable, 1.0 / np.where(usable, variance, 1.0), 0.0)[()]
