"""From a raw frame to electrons per second: g (L - D) / F / t, with what is known of each pixel's noise.

Every stage that looks at raw frames does so through a :class:`Calibrator`; no calibrated frame is kept on disk.
With a dark of the light's exposure no bias is needed. A dark of another exposure is split by the bias and
its thermal part is scaled; without a bias the dark stands for the pedestal alone, which is said in a note.
"""

from dataclasses import dataclass, replace

import numpy as np

from pipeline.errors import StageError
from pipeline.fitsio import read_frame
from pipeline.numerics.camera import NoiseModel
from pipeline.numerics.cfa import Cfa
from pipeline.numerics.raw_to_rate import marked_rate, raw_to_rate
from pipeline.numerics.sparse_sampling import sample_raw
from pipeline.session_masters import Flags, read_masters, session_camera, session_pedestal

__all__ = ["CalibratedFrame", "Calibrator"]

NEAR_SATURATION = 0.97
"""Share of the clipping level above which a pixel is not trusted: response bends before it clips."""

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
    saturation_adu : clipping level, or None where no light of the session reaches one
    sources : dict, where gain, read noise and saturation come from ("config", "header", "measured", "assumed")
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
    def for_session(cls, session, layout, settings, *, masters=None):
        """From the masters of a session.

        Parameters
        ----------
        session : SessionPlan
        layout : Layout
        settings : dict with the sections "camera" and, for a session with a dark, "calibration"
        masters : from ``read_masters``, or None to read them; the calibrator takes their arrays over
        """
        flags = Flags()
        masters = read_masters(session, layout) if masters is None else masters
        camera = session_camera(session, masters, settings["camera"], flags)
        pedestal = session_pedestal(session, masters, settings, flags)
        gain, read_noise = camera.electrons_per_adu, camera.read_noise_e
        shape = (session.height, session.width)
        invalid = np.zeros(shape, dtype=bool)
        for master in masters.values():
            invalid |= master.bad
        flat, flat_variance = 1.0, 0.0
        if "flat" in masters:
            flat, flat_variance = masters["flat"].value, masters["flat"].usual_variance
            dim = ~(flat > LEAST_FLAT)
            invalid |= dim
            flat[dim] = 1.0
        else:
            flags("no_flat", "warn", "No flat field: vignetting and dust shadows stay in the frames.")
        noise = NoiseModel(
            gain,
            read_noise,
            session.exposure_s,
            max(pedestal.thermal_adu_s, 0.0) * gain,
            pedestal.variance_adu2 * gain**2,
            flat_variance,
        )
        return cls(
            Cfa(session.cfa), shape, pedestal.value, flat, invalid, noise, camera.saturation_adu, camera.sources,
            flags.found,
        )  # fmt: skip

    def calibrate(self, frame):
        """A whole frame (FrameRecord) as a :class:`CalibratedFrame`, in one compiled pass over the raw numbers.

        Raises
        ------
        InputError, StageError
            If the frame cannot be read, or has another size than its session.
        """
        raw = self._read(frame)
        noise = replace(self.noise, exposure_s=frame.exposure_s)
        value, invalid, saturated = raw_to_rate(
            raw, self.pedestal, self.flat, self.invalid, noise.electrons_per_adu / noise.exposure_s,
            level=self._untrusted_level(),
        )  # fmt: skip
        return CalibratedFrame(value, invalid, saturated, noise, self.flat)

    def _read(self, frame):
        raw = read_frame(frame.path, frame.hdu)
        self._expect_size(frame, raw.shape)
        return raw

    def _expect_size(self, frame, shape):
        if shape != self.shape:
            raise StageError(
                f"{frame.path}: expected {self.shape[1]} x {self.shape[0]} pixels, found {shape[1]} x {shape[0]}"
            )

    def _untrusted_level(self):
        """Raw number from which a pixel counts as saturated, or None."""
        return None if self.saturation_adu is None else NEAR_SATURATION * self.saturation_adu

    def rates(self, frame, pixels, rows, columns):
        """Electrons per second of a part of a frame, with what cannot be used marked in it.

        Parameters
        ----------
        frame : FrameRecord
        pixels : RawPixels of the frame
        rows, columns : (first, stop) of the part

        Returns
        -------
        (h, w) float32; NaN where invalid, infinity where saturated

        Raises
        ------
        InputError, StageError
            If the frame cannot be read, or has another size than its session.
        """
        self._expect_size(frame, pixels.shape)
        part = np.s_[slice(*rows), slice(*columns)]
        pedestal, flat = (
            plane[part] if isinstance(plane, np.ndarray) else plane for plane in (self.pedestal, self.flat)
        )
        return marked_rate(
            pixels.part(rows, columns), pedestal, flat, self.invalid[part],
            self.noise.electrons_per_adu / frame.exposure_s, level=self._untrusted_level(),
        )  # fmt: skip

    def rates_at(self, frame, pixels, placement, positions):
        """(C, n) samples of a frame at ``positions``; see :func:`pipeline.numerics.sparse_sampling.sample_raw`."""
        self._expect_size(frame, pixels.shape)
        return sample_raw(
            pixels.part((0, self.shape[0]), (0, self.shape[1])), self.pedestal, self.flat, self.invalid,
            self.noise.electrons_per_adu / frame.exposure_s, self.cfa, placement, positions, level=self._untrusted_level(),
        )  # fmt: skip

    def usual_variance(self, frame, rate, y, x):
        """Variance of pixels at ``rate`` at the places nearest to (x, y), with the flat field there; (n,) each."""
        flat = self.flat
        if isinstance(flat, np.ndarray):
            row, column = (
                np.clip(np.rint(np.nan_to_num(axis)), 0, size - 1).astype(int)
                for axis, size in zip((y, x), self.shape, strict=True)
            )
            flat = flat[row, column].astype(np.float64)
        return replace(self.noise, exposure_s=frame.exposure_s).variance(rate, flat=flat)

    def saturated_rate(self, frame):
        """Electrons per second at which pixels of a frame saturate, about; infinity where none do."""
        if self.saturation_adu is None:
            return np.inf
        pedestal = self.pedestal
        usual = pedestal if np.ndim(pedestal) == 0 else np.median(pedestal[:: max(1, self.shape[0] // 64)])
        adu = NEAR_SATURATION * self.saturation_adu - float(usual)
        return adu * self.noise.electrons_per_adu / frame.exposure_s
