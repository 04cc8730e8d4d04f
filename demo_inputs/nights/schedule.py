"""Which frames a scene consists of, and under which sky each light is taken."""

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from demo_inputs.nights.geometry import Pose, horizon

__all__ = ["Light", "calibration_frames", "lights"]

PAUSE_S = 18.0
"""Between two lights: download and dither."""

CLOUD_TRANSPARENCY = 0.33
CLOUD_GLOW = 1.3
"""A cloud dims the stars and throws the town's light back."""

DEFOCUS_FACTOR = 2.4
"""A defocused star is so many times as wide as a good one."""

TRAIL_PX = 9.0
"""Length of the streak of a trailed frame."""

OFF_HOURS = 19.0
"""Nights are written down as starting at this hour UTC, plus the hour angle; only the order matters."""


@dataclass(frozen=True)
class Light:
    """One exposure of the field and the sky it is taken through.

    Attributes
    ----------
    night : 1, 2, ...
    filter_name : key of the scene's filters
    number : 1, 2, ... within night and filter
    start_utc : datetime
    pose : Pose
    airmass : of the middle of the exposure
    transparency : share of light that thin cloud leaves, beyond clear-sky extinction
    glow : factor on the town's glow
    gradient : (gx, gy, curvature) of the glow: 1 + gx u + gy v + curvature (u^2 + v^2), u and v in half diagonals
    fwhm_px, beta, ratio, angle_rad : of the stars
    streak_px : length along which the mount slipped
    spoiled : "" or one of the kinds of spoiling
    """

    night: int
    filter_name: str
    number: int
    start_utc: datetime
    pose: Pose
    airmass: float
    transparency: float
    glow: float
    gradient: tuple
    fwhm_px: float
    beta: float
    ratio: float
    angle_rad: float
    streak_px: float = 0.0
    spoiled: str = ""

    def random(self, scene, purpose):
        """Generator for one purpose of this light, independent of all other frames."""
        own = sorted(scene.filters).index(self.filter_name)
        return np.random.default_rng([scene.seed, 100 + purpose, self.night, own, self.number])


def lights(scene, nights):
    """All lights of the given nights (numbers from 1), filters in turn as the night goes on."""
    made = []
    for night in nights:
        made.extend(_night(scene, night))
    return made


def calibration_frames(scene, nights):
    """Calibration frames as (kind, night, filter or None, number, exposure in s).

    Bias and darks come with the first night; they are a library that stays valid.
    """
    counts = scene.calibration
    frames = []
    if 1 in nights:
        frames += [("bias", 1, None, n, 0.0) for n in range(1, counts.bias + 1)]
        frames += [("dark", 1, None, n, scene.exposure_s) for n in range(1, counts.dark + 1)]
    for night in nights:
        used = [name for name, count in scene.nights[night - 1].filters.items() if count]
        frames += [("darkflat", night, None, n, scene.flat_exposure_s) for n in range(1, counts.darkflat + 1)]
        frames += [
            ("flat", night, name, n, scene.flat_exposure_s)
            for name in used
            for n in range(1, counts.flat + 1)
        ]
    return frames


def _night(scene, night):
    plan = scene.nights[night - 1]
    rng = np.random.default_rng([scene.seed, 20, night])
    spoiled = {(name, number): kind for at, name, number, kind in scene.spoiled if at == night}
    total = sum(plan.filters.values())
    centring = rng.uniform(-7, 7, 2)
    camera_angle = np.pi * plan.flipped + np.radians(rng.uniform(-0.6, 0.6))
    wander = rng.standard_normal(total)
    made, elapsed_s, index = [], 0.0, 0
    for name, count in plan.filters.items():
        for number in range(1, count + 1):
            hour_angle = plan.hour_angle_h + (elapsed_s + 0.5 * scene.exposure_s) / 3600
            airmass, parallactic, azimuth = horizon(scene.site, hour_angle)
            drift = np.radians(scene.rotation_drift_deg) * (index / max(total - 1, 1) - 0.5)
            kind = spoiled.get((name, number), "")
            seeing = (
                scene.optics.seeing_fwhm_px
                * airmass**0.6
                * np.exp(scene.optics.seeing_scatter * wander[index])
            )
            transparency = 1.0 - abs(rng.normal(0, scene.sky.transparency_scatter))
            pose = Pose(
                scale=scene.filters[name].focal_ratio,
                rotation_rad=camera_angle + drift,
                shift=tuple(centring + rng.uniform(-scene.dither_px, scene.dither_px, 2)),
                shape=scene.shape,
                lateral=(0.0,) if scene.image.cfa == "mono" else tuple(scene.optics.lateral_colour),
            )
            # Away from the zenith lies the horizon; the town pulls the bright side towards its azimuth.
            pull = 0.5 * np.sin(np.radians(scene.sky.town_azimuth_deg) - azimuth)
            direction = parallactic + np.pi + pull + pose.rotation_rad
            rise = scene.sky.gradient * airmass / 1.5
            light = Light(
                night=night,
                filter_name=name,
                number=number,
                start_utc=datetime.fromisoformat(plan.date)
                + timedelta(hours=OFF_HOURS + 4 + plan.hour_angle_h, seconds=elapsed_s),
                pose=pose,
                airmass=airmass,
                transparency=transparency * (CLOUD_TRANSPARENCY if kind == "cloud" else 1.0),
                glow=airmass**0.8 * (CLOUD_GLOW if kind == "cloud" else 1.0),
                gradient=(rise * np.cos(direction), rise * np.sin(direction), scene.sky.curvature),
                fwhm_px=seeing * (DEFOCUS_FACTOR if kind == "defocus" else 1.0),
                beta=scene.optics.moffat_beta * (2.0 if kind == "defocus" else 1.0),
                ratio=scene.optics.roundness,
                angle_rad=rng.uniform(0, np.pi),
                streak_px=TRAIL_PX if kind == "trailed" else 0.0,
                spoiled=kind,
            )
            made.append(light)
            elapsed_s += scene.exposure_s + PAUSE_S
            index += 1
    return made
