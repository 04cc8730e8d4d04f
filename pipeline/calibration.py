"""From a raw frame to electrons per second: g (L - D) / F / t, with what is known of each pixel's noise.

Every stage that looks at raw frames does so through a :class:`Calibrator`; no calibrated frame is kept on disk.
With a dark of the light's exposure no bias is needed. A dark of another exposure is split by the bias and
its thermal part is scaled; without a bias the dark stands for the pedestal alone, which is said in a note.
"""

from dataclasses import dataclass

import numpy as np

from pipeline.errors import StageError
from pipeline.fitsio import read_frame, read_hdus
from pipeline.numerics.camera import NoiseModel
from pipeline.numerics.cfa import Cfa

__all__ = ["CalibratedFrame", "Calibrator"]

ASSUMED_ELECTRONS_PER_ADU = 1.0
"""Used where neither config, header nor flats give the conversion gain; rates are then ADU per second."""

ASSUMED_READ_NOISE_E = 5.0
"""Used where nothing gives the read noise; common for cooled cameras, no source."""

SAME_EXPOSURE = 0.02
"""Relative difference up to which a dark counts as of the light's exposure."""

PLATEAU_PIXELS = 5
"""So many pixels at exactly the highest value of a frame are a clipped level, not a chance."""

NEAR_SATURATION = 0.97
"""Share of the clipping level above which a pixel is not trusted: response bends before it clips."""

CONTAINER_MAX_ADU = 65535
"""Highest number a 16-bit file can hold."""

LEAST_FLAT = 0.05
"""A pixel that sees less than this share of the usual light carries no information worth amplifying."""


@dataclass(frozen=True)
class CalibratedFrame:
    """A calibrated frame, or a band of its rows.

    Attributes
    ----------
    value : (rows, nx) float32, electrons per second, sky included
    invalid : (rows, nx) bool, pixels known to be bad
    saturated : (rows, nx) bool
    noise : NoiseModel
    flat : (rows, nx) float32 or 1.0, to pass to the noise model
    """

    value: np.ndarray
    invalid: np.ndarray
    saturated: np.ndarray
    noise: NoiseModel
    flat: np.ndarray | float


@dataclass(frozen=True)
class Calibrator:
    """Calibration of the frames of one session.

    Attributes
    ----------
    cfa : Cfa
    shape : (ny, nx)
    pedestal : (ny, nx) float32 or number, ADU: dark, scaled dark, bias or constant
    flat : (ny, nx) float32 or 1.0
    invalid : (ny, nx) bool
    noise : NoiseModel of the session's exposure
    saturation_adu : level from the config, or None to find it in each frame
    sources : dict, where gain and read noise come from ("config", "header", "measured" or "assumed")
    notes : list of flags in the form of a QA record's
    """

    cfa: Cfa
    shape: tuple
    pedestal: np.ndarray | float
    flat: np.ndarray | float
    invalid: np.ndarray
    noise: NoiseModel
    saturation_adu: float | None
    sources: dict
    notes: list

    @classmethod
    def for_session(cls, session, layout, settings):
        """Read the masters of a session.

        Parameters
        ----------
        session : SessionPlan
        layout : Layout
        settings : dict with the section "camera"
        """
        camera = settings["camera"]
        shape = (session.height, session.width)
        notes = []
        masters = {kind: _Master.read(layout.master(name), shape) for kind, name in session.masters.items() if name}
        dark, bias, flat = (masters.get(kind) for kind in ("dark", "bias", "flat"))
        pedestal, thermal_adu_s = _pedestal(dark, bias, session, camera, notes)
        gain, gain_from = _first(
            ("config", camera["electrons_per_adu"]),
            ("header", _median(frame.electrons_per_adu for frame in session.frames)),
            ("measured", flat.number("GAINPTC") if flat else None),
            ("assumed", ASSUMED_ELECTRONS_PER_ADU),
        )
        read_noise_adu = next((m.number("RDNADU") for m in (bias, dark) if m and m.number("RDNADU")), None)
        read_noise, noise_from = _first(
            ("config", camera["read_noise_e"]),
            ("header", _median(frame.read_noise_e for frame in session.frames)),
            ("measured", read_noise_adu * gain if read_noise_adu else None),
            ("assumed", ASSUMED_READ_NOISE_E),
        )
        if gain_from == "assumed":
            notes.append(
                _note("gain_unknown", "warn", "Neither config, header nor flats give electrons per ADU: 1 is assumed, so rates are ADU per second and noise figures are only relative.")
            )
        if noise_from == "assumed":
            notes.append(
                _note("read_noise_unknown", "warn", f"Neither config, header, bias nor dark pairs give the read noise: {ASSUMED_READ_NOISE_E:g} electrons are assumed.")
            )
        if flat is None:
            notes.append(_note("no_flat", "warn", "No flat field: vignetting and dust shadows stay in the frames."))
        invalid = np.zeros(shape, dtype=bool)
        for master in masters.values():
            invalid |= master.bad
        flat_value = 1.0
        if flat is not None:
            invalid |= ~(flat.value > LEAST_FLAT)
            flat_value = np.where(flat.value > LEAST_FLAT, flat.value, np.float32(1.0)).astype(np.float32)
        noise = NoiseModel(gain, read_noise, session.exposure_s, max(thermal_adu_s, 0.0) * gain)
        return cls(
            Cfa(session.cfa),
            shape,
            pedestal,
            flat_value,
            invalid,
            noise,
            camera["saturation_adu"],
            {"electrons_per_adu": gain_from, "read_noise_e": noise_from},
            notes,
        )

    def calibrate(self, frame):
        """A whole frame (FrameRecord) as a :class:`CalibratedFrame`."""
        return self.calibrate_rows(frame, 0, self.shape[0])

    def calibrate_rows(self, frame, first, stop, *, saturation_adu=None):
        """Rows ``first`` to ``stop`` of a frame.

        ``saturation_adu`` is the level of the whole frame from :meth:`saturation_of`; where it is not given, it
        is found in the rows that are read.

        Raises
        ------
        InputError, StageError
            If the frame cannot be read, or has another size than its session.
        """
        whole = (first, stop) == (0, self.shape[0])
        raw = read_frame(frame.path, frame.hdu, rows=None if whole else (first, stop))
        if raw.shape != (stop - first, self.shape[1]):
            raise StageError(f"{frame.path}: expected {self.shape[1]} x {stop - first} pixels, found {raw.shape[1]} x {raw.shape[0]}")
        level = saturation_adu or self.saturation_adu or _clipped_level(raw)
        band = slice(first, stop)
        pedestal = self.pedestal[band] if isinstance(self.pedestal, np.ndarray) else np.float32(self.pedestal)
        flat = self.flat[band] if isinstance(self.flat, np.ndarray) else np.float32(self.flat)
        factor = np.float32(self.noise.electrons_per_adu / frame.exposure_s)
        value = (raw.astype(np.float32) - pedestal) * (factor / flat)
        invalid = self.invalid[band] | ~np.isfinite(value)
        return CalibratedFrame(value, invalid, raw >= NEAR_SATURATION * level, self.noise, flat)

    def saturation_of(self, frame):
        """Clipping level of a frame in ADU, to pass to :meth:`calibrate_rows`."""
        return self.saturation_adu or _clipped_level(read_frame(frame.path, frame.hdu))


@dataclass(frozen=True)
class _Master:
    value: np.ndarray
    bad: np.ndarray
    header: object

    @classmethod
    def read(cls, path, shape):
        header, images = read_hdus(path)
        value = images["PRIMARY"]
        if value.shape != shape:
            raise StageError(f"{path}: expected {shape[1]} x {shape[0]} pixels, found {value.shape[1]} x {value.shape[0]}")
        return cls(value, images["MASK"] > 0, header)

    def number(self, keyword):
        value = self.header.get(keyword)
        return float(value) if value is not None and value > 0 else None


def _pedestal(dark, bias, session, camera, notes):
    """(pedestal in ADU, thermal rate in ADU/s) for lights of the session's exposure."""
    if dark is not None:
        exposure = float(dark.header["EXPTIME"])
        thermal = None if bias is None else dark.value - bias.value
        if abs(exposure - session.exposure_s) <= SAME_EXPOSURE * session.exposure_s:
            return dark.value, 0.0 if thermal is None else float(np.median(thermal)) / exposure
        if bias is not None and exposure > 0:
            ratio = session.exposure_s / exposure
            notes.append(
                _note("dark_scaled", "info", f"The dark has {exposure:g} s instead of {session.exposure_s:g} s: its thermal part is scaled by {ratio:.3g}.", exposure, session.exposure_s)
            )
            return (bias.value + np.float32(ratio) * thermal).astype(np.float32), float(np.median(thermal)) / exposure
        notes.append(
            _note("dark_as_pedestal", "warn", f"The only dark has {exposure:g} s instead of {session.exposure_s:g} s and there is no bias to scale it: it is subtracted as the pedestal, and thermal current and its pattern stay in the frames.", exposure, session.exposure_s)
        )
        return dark.value, 0.0
    if bias is not None:
        notes.append(_note("no_dark", "warn", "No dark frame: only the bias is subtracted, and thermal current and amplifier glow stay in."))
        return bias.value, 0.0
    if camera["pedestal_adu"] is not None:
        notes.append(_note("constant_pedestal", "warn", f"Neither dark nor bias frames: the constant {camera['pedestal_adu']:g} ADU of camera.pedestal_adu is subtracted.", camera["pedestal_adu"]))
        return float(camera["pedestal_adu"]), 0.0
    notes.append(
        _note("no_pedestal", "warn", "Neither dark nor bias frames nor camera.pedestal_adu: nothing is subtracted, so the sky level holds the camera's offset and its noise is overestimated.")
    )
    return 0.0, 0.0


def _clipped_level(raw):
    """The highest value of a frame if many pixels share it, else what the file format can hold."""
    highest = raw.max()
    plateau = np.count_nonzero(raw == highest) >= PLATEAU_PIXELS
    # A nearly uniform frame has many pixels at its highest value as well; clipped stars stand far above the rest.
    if plateau and highest > 2 * float(np.median(raw[::7, ::7])):
        return float(highest)
    return float(max(CONTAINER_MAX_ADU, highest))


def _first(*candidates):
    """(value, name) of the first candidate (name, value) with a positive value."""
    return next((float(value), name) for name, value in candidates if value is not None and value > 0)


def _median(values):
    known = [value for value in values if value is not None]
    return float(np.median(known)) if known else None


def _note(code, severity, message, value=None, limit=None):
    return {"code": code, "severity": severity, "message": message, "value": value, "limit": limit}
