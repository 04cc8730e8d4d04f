"""Everything that is measured on one calibrated light."""

from dataclasses import dataclass, field

import numpy as np

from pipeline.numerics.detection import DetectionError, detect
from pipeline.numerics.half_grid import STEP
from pipeline.numerics.moffat import light_fwhm, noise_area
from pipeline.numerics.sky_statistics import noise_of, sky_gradient, sky_level
from pipeline.numerics.star_measurement import common_elongation, frame_profile, measure_stars
from pipeline.numerics.trails import beside_trails, find_trails
from pipeline.numerics.vetting import vet

__all__ = ["LIMIT_SNR", "FrameMeasurement", "measure_frame"]

LIMIT_SNR = 5.0
"""The limiting flux is that of a star with this signal-to-noise ratio."""

FEW_DETECTIONS = 3000
"""Of so few the pieces of a trail, some hundred on the largest frames, can outnumber the stars and pass for what stars look
like here; they are then left out before the stars are vetted."""

TRAIL_MASK_FWHM = 2.0
"""Radius around stars that is not searched for trails, in FWHM."""


@dataclass(frozen=True)
class FrameMeasurement:
    """What one frame gave.

    Attributes
    ----------
    values : dict, columns of the session's table except for the frame's identity and verdict
    stars : dict of equally long columns, brightest first; empty when nothing could be measured
    problem : str, why the frame could not be measured; "" when it could
    fwhm_map, elongation_map : (3, 3) of the fitted stars of each ninth of the field, px and long / short axis; NaN
        where there is none. The elongation is that of the mean shape: of opposite elongations it is 1.
    """

    values: dict
    stars: dict = field(default_factory=dict)
    problem: str = ""
    fwhm_map: np.ndarray = field(default_factory=lambda: np.full((3, 3), np.nan))
    elongation_map: np.ndarray = field(default_factory=lambda: np.full((3, 3), np.nan))

    @classmethod
    def unmeasured(cls, channels, problem):
        """Of a frame that could not even be read."""
        values = {f"{kind}_{c}": np.nan for kind in ("sky_e_s", "noise_e_s") for c in channels}
        unknown = ("gradient_e_s", "gradient_angle_deg", "saturated_fraction")
        return cls(values | dict.fromkeys(unknown, np.nan) | _no_stars(), problem=problem)


def measure_frame(frame, bad, saturated, cfa, noise, options, *, flat=1.0):
    """Measure one calibrated frame.

    Parameters
    ----------
    frame : (ny, nx) float32, electron/s; bad pixels and lone spikes are filled in place
    bad : (ny, nx) bool, known bad or not finite; lone spikes are added in place
    saturated : (ny, nx) bool
    cfa : Cfa
    noise : NoiseModel of the frame
    options : the settings of section "measure"
    flat : (ny, nx) float32 or number, for the noise model

    Returns
    -------
    FrameMeasurement
    """
    usable = ~(bad | saturated)
    values = _sky_values(frame, usable, cfa)
    values["saturated_fraction"] = np.count_nonzero(saturated) / saturated.size
    values.update(_no_stars())
    try:
        detection = detect(
            frame, bad, cfa, {c: values[f"noise_e_s_{c}"] for c in cfa.channels},
            sigma=options["detection_sigma"], mesh_px=options["background_mesh_px"], spike_sigma=options["spike_sigma"],
        )  # fmt: skip
    except DetectionError as error:
        return FrameMeasurement(values, problem=str(error))
    if detection.x.size < FEW_DETECTIONS:
        crossing = find_trails(detection.image, np.zeros(0), np.zeros(0), step=STEP, star_radius_px=0.0)
        detection = detection.subset(beside_trails(detection.x, detection.y, crossing))
    vetted = vet(
        frame, detection, saturated, cfa, snr_min=options["min_star_snr"], edge_px=options["edge_px"]
    )
    if vetted.x.size == 0:
        return FrameMeasurement(
            values, problem=f"no stars: none of {vetted.n_detected} detections looks like one"
        )
    usable[tuple(detection.spikes.T)] = False

    def noise_at(x, y):
        """Coefficients of the variance about positions: the flat field hardly changes over a star."""
        seen = flat[np.rint(y).astype(int), np.rint(x).astype(int)] if isinstance(flat, np.ndarray) else flat
        return noise.coefficients(np.broadcast_to(seen, x.shape))

    profile = frame_profile(frame, usable, cfa, vetted)
    stars = measure_stars(
        frame, noise_at, usable, cfa, vetted, profile,
        aperture_fwhm=options["aperture_radius_fwhm"], most=options["max_stars"],
    )  # fmt: skip
    lines = find_trails(
        detection.image,
        stars["x"],
        stars["y"],
        step=STEP,
        star_radius_px=TRAIL_MASK_FWHM * profile.fwhm,
    )
    values.update(
        fwhm_px=profile.fwhm,
        fwhm_mad_px=profile.fwhm_mad,
        fwhm_light_px=light_fwhm(profile.fwhm, profile.beta),
        moffat_beta=profile.beta,
        elongation=profile.elongation,
        elongation_angle_deg=float(np.degrees(profile.angle)),
        n_stars=int(np.sum(stars["flags"] == 0)),
        n_profile_stars=profile.n_fitted,
        trails=len(lines),
        trail_ends="; ".join(" ".join(f"{end:.0f}" for end in line) for line in lines),
        limiting_flux_e_s=LIMIT_SNR * detection.white_noise * np.sqrt(noise_area(profile.fwhm, profile.beta)),
    )
    return FrameMeasurement(values, stars, "", *_maps_of(profile, frame.shape))


def _sky_values(frame, usable, cfa):
    values = {}
    for channel in cfa.channels:
        planes, good = cfa.planes(frame, channel), cfa.planes(usable, channel)
        values[f"sky_e_s_{channel}"] = sky_level(planes, good)
        values[f"noise_e_s_{channel}"] = noise_of(planes, good)
    gradient = sky_gradient(frame, usable, cfa)
    values["gradient_e_s"], values["gradient_angle_deg"] = gradient.amplitude, gradient.angle_deg
    return values


def _no_stars():
    unknown = (
        "fwhm_px",
        "fwhm_mad_px",
        "fwhm_light_px",
        "moffat_beta",
        "elongation",
        "elongation_angle_deg",
        "limiting_flux_e_s",
    )
    return dict.fromkeys(unknown, np.nan) | {
        "n_stars": 0,
        "n_profile_stars": 0,
        "trails": 0,
        "trail_ends": "",
    }


def _maps_of(profile, shape):
    """(3, 3) FWHM and elongation, medians over the ninths of the field."""
    rows = np.clip((3 * profile.fit_y / shape[0]).astype(int), 0, 2)
    columns = np.clip((3 * profile.fit_x / shape[1]).astype(int), 0, 2)
    fwhm, elongation = np.full((3, 3), np.nan), np.full((3, 3), np.nan)
    for i in range(3):
        for j in range(3):
            here = (rows == i) & (columns == j)
            if here.any():
                fwhm[i, j] = np.median(profile.fit_fwhm[here])
                elongation[i, j] = common_elongation(profile.fit_e1[here], profile.fit_e2[here])[0]
    return fwhm, elongation
