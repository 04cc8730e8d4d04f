"""The description of a scene, read from YAML; every key is needed and no other is allowed."""

from dataclasses import dataclass, fields, is_dataclass
from pathlib import Path

import yaml

__all__ = ["Scene", "SceneError", "build_scene", "read_scene"]

KINDS_OF_SPOILING = ("cloud", "defocus", "trailed")
"""What can befall a light."""


class SceneError(Exception):
    """The scene's description is wrong; one finding a line."""


@dataclass(frozen=True)
class Image:
    width: int
    height: int
    cfa: str


@dataclass(frozen=True)
class Site:
    latitude_deg: float
    longitude_deg: float
    declination_deg: float


@dataclass(frozen=True)
class Optics:
    name: str
    focal_length_mm: float
    pixel_um: float
    zero_point_e_s: float
    vignetting: float
    sensor_dust: int
    filter_dust: int
    lateral_colour: list
    seeing_fwhm_px: float
    seeing_scatter: float
    moffat_beta: float
    roundness: float


@dataclass(frozen=True)
class Camera:
    name: str
    electrons_per_adu: float
    read_noise_e: float
    offset_adu: float
    full_scale_adu: int
    gain_setting: float
    offset_setting: float
    temperature_c: float
    dark_current_e_s: float
    hot_pixel_share: float
    hot_pixel_e_s: float
    amplifier_glow_e_s: float
    bias_pattern_adu: float
    pixel_response: float
    wavelength_nm: list
    red: list
    green: list
    blue: list


@dataclass(frozen=True)
class Filter:
    header_name: str
    bands: list
    edge_nm: float
    focal_ratio: float
    halo: float
    halo_radius_px: float


@dataclass(frozen=True)
class Sky:
    glow_e_s: float
    gradient: float
    curvature: float
    town_azimuth_deg: float
    extinction: float
    transparency_scatter: float


@dataclass(frozen=True)
class Stars:
    count: int
    brightest_mag: float
    faintest_mag: float
    slope: float
    coolest_k: float
    hottest_k: float


@dataclass(frozen=True)
class Nebula:
    h_alpha_e_s: float
    oxygen_e_s: float
    dust_e_s: float
    with_lines: str
    radius_px: float
    smoothing_px: float


@dataclass(frozen=True)
class Events:
    trails_per_frame: float
    hits_per_megapixel: float


@dataclass(frozen=True)
class Night:
    date: str
    hour_angle_h: float
    flipped: bool
    filters: dict


@dataclass(frozen=True)
class Calibration:
    bias: int
    dark: int
    flat: int
    darkflat: int


@dataclass(frozen=True)
class Folders:
    light: str
    flat: str
    darkflat: str
    dark: str
    bias: str


@dataclass(frozen=True)
class Scene:
    """A scene; ``demo_inputs/scene.yaml`` explains every entry."""

    name: str
    seed: int
    image: Image
    site: Site
    optics: Optics
    camera: Camera
    filters: dict
    sky: Sky
    stars: Stars
    nebula: Nebula
    events: Events
    nights: list
    exposure_s: float
    dither_px: float
    rotation_drift_deg: float
    flat_exposure_s: float
    spoiled: list
    calibration: Calibration
    folders: Folders
    bad_files: bool

    @property
    def shape(self):
        """(ny, nx) of a frame."""
        return self.image.height, self.image.width


def read_scene(path):
    """Read a scene.

    Raises
    ------
    SceneError
        With all findings, one a line.
    """
    try:
        content = yaml.safe_load(Path(path).read_text(encoding="utf-8"))
    except (OSError, yaml.YAMLError) as error:
        raise SceneError(f"{path}: not readable ({error})") from error
    return build_scene(content, str(path))


def build_scene(content, label="scene"):
    """A scene from nested dicts; raises SceneError with all findings, one a line."""
    findings = []
    scene = _built(Scene, content, "", findings)
    if not findings:
        _check_meaning(scene, findings)
    if findings:
        raise SceneError("\n".join(f"{label}: {finding}" for finding in findings))
    return scene


def _built(kind, content, where, findings):
    if not isinstance(content, dict):
        findings.append(f"{where or 'the file'}: expected keys with values, found {content!r}")
        return None
    names = {entry.name for entry in fields(kind)}
    findings.extend(f"{where}{name}: unknown key" for name in content if name not in names)
    findings.extend(f"{where}{name}: missing" for name in sorted(names - set(content)))
    values = {}
    for entry in fields(kind):
        if entry.name not in content:
            continue
        value, place = content[entry.name], f"{where}{entry.name}."
        if is_dataclass(entry.type):
            value = _built(entry.type, value, place, findings)
        elif entry.name == "filters" and kind is Scene and isinstance(value, dict):
            value = {name: _built(Filter, item, f"{place}{name}.", findings) for name, item in value.items()}
        elif entry.name == "nights" and isinstance(value, list):
            value = [_built(Night, item, f"{place}{i}.", findings) for i, item in enumerate(value, start=1)]
        elif entry.type is float and isinstance(value, int) and not isinstance(value, bool):
            value = float(value)
        elif not isinstance(value, entry.type):
            findings.append(f"{where}{entry.name}: expected {entry.type.__name__}, found {value!r}")
        values[entry.name] = value
    return kind(**values) if not findings else None


def _check_meaning(scene, findings):
    if scene.image.cfa not in ("RGGB", "BGGR", "GRBG", "GBRG", "mono"):
        findings.append(f"image.cfa: expected a Bayer pattern or mono, found {scene.image.cfa!r}")
    if scene.nebula.with_lines not in scene.filters:
        findings.append(f"nebula.with_lines: no filter {scene.nebula.with_lines!r}")
    for number, night in enumerate(scene.nights, start=1):
        for name in night.filters:
            if name not in scene.filters:
                findings.append(f"nights.{number}.filters: no filter {name!r}")
    for night, name, light, kind in scene.spoiled:
        if kind not in KINDS_OF_SPOILING:
            findings.append(f"spoiled: {kind!r} is none of {KINDS_OF_SPOILING}")
        elif not (
            1 <= night <= len(scene.nights) and 1 <= light <= scene.nights[night - 1].filters.get(name, 0)
        ):
            findings.append(f"spoiled: there is no light {light} through {name!r} in night {night}")
    lengths = {len(getattr(scene.camera, key)) for key in ("wavelength_nm", "red", "green", "blue")}
    if len(lengths) != 1:
        findings.append("camera: wavelength_nm, red, green and blue should have the same number of entries")
