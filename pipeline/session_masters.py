"""What calibrates a session: its masters, the pedestal they make, and what is known of the camera."""

from dataclasses import dataclass, replace

import numpy as np

from pipeline.errors import InputError, StageError
from pipeline.fitsio import read_frame, read_image, read_keywords, read_rows
from pipeline.qa import finding

__all__ = ["Camera", "Flags", "Master", "Pedestal", "read_masters", "session_camera", "session_pedestal"]

ASSUMED_ELECTRONS_PER_ADU = 1.0
"""Used where neither config, header nor flats give the conversion gain; rates are then ADU per second."""

ASSUMED_READ_NOISE_E = 5.0
"""Used where nothing gives the read noise; common for cooled cameras, no source."""

SAMPLE_STRIDE = 5
"""Every so many rows and columns count for a median over a master; odd, so that all colours do."""

CONTAINER_MAX_ADU = 65535.0
"""Highest number an unsigned 16-bit file can hold: a pixel that has it is clipped, however few there are."""

DARKEST_SHARE = 0.001
"""Share of the pixels below which a pedestal is guessed: vignetted corners and shadows come closest to it, and the
few pixels that are dead lie lower still."""

LEAST_OF_BIAS = 0.5
"""A dark that was given and lies below this share of the bias level holds no bias: it was taken off before."""

LEAST_OF_LIGHTS = 0.1
"""The same in units of the darkest pixels of a light, where there is no bias; these may hold a bright sky."""


class Flags:
    """Findings in the form of a QA record's flags."""

    def __init__(self):
        self.found = []

    def __call__(self, code, severity, message, value=None, limit=None):
        self.found.append(finding(code, severity, message, value, limit))


@dataclass(frozen=True)
class Master:
    """A master as it was written: value and bad-pixel mask (ny, nx), header, and its usual variance."""

    value: np.ndarray
    bad: np.ndarray
    usual_variance: float
    header: object

    def number(self, keyword):
        """A positive number from the header, or None."""
        value = self.header.get(keyword)
        return float(value) if value is not None and value > 0 else None


@dataclass(frozen=True)
class Pedestal:
    """What is subtracted from every light: (ny, nx) float32 or a number, ADU; the thermal rate in ADU per second of
    the light itself, and the variance that the subtraction brings in, ADU^2.
    """

    value: np.ndarray | float
    thermal_adu_s: float = 0.0
    variance_adu2: float = 0.0


@dataclass(frozen=True)
class Camera:
    """Gain, read noise and clipping level (None: not reached), and where each comes from."""

    electrons_per_adu: float
    read_noise_e: float
    saturation_adu: float | None
    sources: dict


def read_masters(session, layout):
    """Masters of a session: kind -> Master, for the kinds that it has."""
    masters = {}
    for kind, name in session.masters.items():
        if name:
            path = layout.master(name)
            value, wanted = read_image(path), (session.height, session.width)
            if value.shape != wanted:
                raise StageError(
                    f"{path}: expected {wanted[1]} x {wanted[0]} pixels, found {value.shape[1]} x {value.shape[0]}"
                )
            bad = read_rows(path, ["MASK"], 0, session.height)["MASK"] > 0
            variance = read_rows(path, ["VARIANCE"], 0, session.height, step=SAMPLE_STRIDE)["VARIANCE"]
            usual = float(np.median(variance[:, ::SAMPLE_STRIDE]))
            masters[kind] = Master(value, bad, usual, read_keywords(path))
    return masters


def session_camera(session, masters, options, flags):
    """Gain, read noise and saturation: from the config, else the header, else as measured, else assumed with a flag.

    Parameters
    ----------
    session : SessionPlan
    masters : from :func:`read_masters`
    options : section "camera" of the settings
    flags : Flags
    """
    gain, gain_from = _first(
        ("config", options["electrons_per_adu"]),
        ("header", _median(frame.electrons_per_adu for frame in session.frames)),
        ("measured", _measured_gain(session, masters)),
        ("assumed", ASSUMED_ELECTRONS_PER_ADU),
    )
    noise_adu = next(
        (masters[kind].number("RDNADU") for kind in ("bias", "dark", "flat") if kind in masters), None
    )
    read_noise, noise_from = _first(
        ("config", options["read_noise_e"]),
        ("header", _median(frame.read_noise_e for frame in session.frames)),
        ("measured", noise_adu * gain if noise_adu else None),
        ("assumed", ASSUMED_READ_NOISE_E),
    )
    if gain_from == "assumed":
        message = (
            "Neither config, header nor flats give electrons per ADU: 1 is assumed, so rates are ADU per second and "
            "noise figures are only relative."
        )
        flags("gain_unknown", "warn", message, gain)
    if noise_from == "assumed":
        message = f"Neither config, header, bias nor dark pairs give the read noise: {read_noise:g} electrons are assumed."
        flags("read_noise_unknown", "warn", message, read_noise)
    level, level_from = options["saturation_adu"], "config"
    if level is None:
        # All frames of a session clip at one level, whether or not a single frame shows it plainly.
        piles = [frame.clipped_adu for frame in session.frames if frame.clipped_adu is not None]
        level, level_from = (max(piles), "measured") if piles else (CONTAINER_MAX_ADU, "assumed")
    sources = {"electrons_per_adu": gain_from, "read_noise_e": noise_from, "saturation_adu": level_from}
    return Camera(gain, read_noise, float(level), sources)


def session_pedestal(session, masters, settings, flags):
    """What to subtract from the lights of a session; what is less than right is flagged.

    Parameters
    ----------
    session : SessionPlan
    masters : from :func:`read_masters`
    settings : dict with the section "camera", and "calibration" if the session has a dark
    flags : Flags

    Returns
    -------
    Pedestal
    """
    dark, bias = masters.get("dark"), masters.get("bias")
    if dark is not None:
        dark = _with_its_bias(session, dark, bias, flags)
        return _from_dark(session, dark, bias, settings["calibration"]["exposure_tolerance"], flags)
    if bias is not None:
        message = (
            "No dark frame: only the bias is subtracted, and thermal current and amplifier glow stay in."
        )
        flags("no_dark", "warn", message)
        return Pedestal(bias.value, variance_adu2=bias.usual_variance)
    level = settings["camera"]["pedestal_adu"]
    if level is not None:
        message = (
            f"Neither dark nor bias frames: the constant {level:g} ADU of camera.pedestal_adu is subtracted."
        )
        flags("constant_pedestal", "warn", message, level)
        return Pedestal(float(level))
    level = _guessed_level(session)
    message = (
        f"Neither dark nor bias frames nor camera.pedestal_adu: the level of the darkest pixels, {level:.0f} ADU, is "
        "subtracted. The sky level and the noise that follows from it are uncertain; stars are not affected."
    )
    flags("pedestal_guessed", "warn", message, level)
    return Pedestal(level)


def _with_its_bias(session, dark, bias, flags):
    """The dark; one that was given without its bias gets it back, or is flagged if there is none."""
    if not dark.header.get("GIVEN"):
        return dark
    level = _sampled_median(dark.value)
    if bias is not None and level < LEAST_OF_BIAS * _sampled_median(bias.value):
        message = f"The given dark has a level of {level:.0f} ADU, so its bias was taken off before; it is added again."
        flags("bias_added_to_dark", "info", message, level, _sampled_median(bias.value))
        return replace(dark, value=dark.value + bias.value)
    darkest = _guessed_level(session) if bias is None else 0.0
    if level < LEAST_OF_LIGHTS * darkest:
        message = (
            f"The given dark has a level of {level:.0f} ADU and the darkest pixels of the lights {darkest:.0f} ADU: was its "
            "bias taken off? Give the bias too; without it the sky level and the noise that follows from it are wrong."
        )
        flags("dark_without_bias", "warn", message, level, darkest)
    return dark


def _from_dark(session, dark, bias, tolerance, flags):
    exposure = float(dark.header["EXPTIME"])
    ratio = session.exposure_s / exposure if exposure > 0 else np.inf
    thermal = None if bias is None else dark.value - bias.value
    rate = 0.0 if thermal is None or exposure == 0 else _sampled_median(thermal) / exposure
    if abs(exposure - session.exposure_s) <= tolerance * max(exposure, session.exposure_s):
        return Pedestal(dark.value, rate, dark.usual_variance)
    if thermal is not None and np.isfinite(ratio):
        message = f"The dark has {exposure:g} s instead of {session.exposure_s:g} s: its thermal part is scaled by {ratio:.3g}."
        flags("dark_scaled", "info", message, exposure, session.exposure_s)
        # B + k (D - B) = k D + (1 - k) B
        variance = ratio**2 * dark.usual_variance + (1 - ratio) ** 2 * bias.usual_variance
        thermal *= np.float32(ratio)
        thermal += bias.value
        return Pedestal(thermal, rate, variance)
    message = (
        f"The only dark has {exposure:g} s instead of {session.exposure_s:g} s and there is no bias to scale it: it is "
        "subtracted as the pedestal, and thermal current and its pattern stay in the frames."
    )
    flags("dark_as_pedestal", "warn", message, exposure, session.exposure_s)
    return Pedestal(dark.value, 0.0, dark.usual_variance)


def _measured_gain(session, masters):
    """From the session's flats, if these were taken at its own gain setting."""
    flat = masters.get("flat")
    if flat is None:
        return None
    setting = flat.header.get("GAINSET")
    if setting is not None and session.gain_setting is not None and setting != session.gain_setting:
        return None
    return flat.number("GAINPTC")


def _guessed_level(session):
    """Level of the darkest pixels of the first light that can be read."""
    for frame in session.frames:
        try:
            raw = read_frame(frame.path, frame.hdu)
        except InputError:
            # The stage that reads the lights reports it; here the next will do.
            continue
        finite = raw[::SAMPLE_STRIDE, ::SAMPLE_STRIDE]
        return float(np.quantile(finite[np.isfinite(finite)], DARKEST_SHARE))
    return 0.0


def _sampled_median(plane):
    return float(np.median(plane[::SAMPLE_STRIDE, ::SAMPLE_STRIDE]))


def _first(*candidates):
    """(value, name) of the first candidate (name, value) with a positive value."""
    return next((float(value), name) for name, value in candidates if value is not None and value > 0)


def _median(values):
    known = [value for value in values if value is not None]
    return float(np.median(known)) if known else None
