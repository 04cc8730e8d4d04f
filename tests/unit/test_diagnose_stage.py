"""The stage that diagnoses a session, on raw frames with known stars, dust and focus."""

import numpy as np
import pytest
from astropy.io import fits
from astropy.table import Table

from pipeline.fitsio import write_fits
from pipeline.layout import Layout
from pipeline.plan import FrameRecord, SessionPlan, save_plan
from pipeline.qa import read_record
from pipeline.stages import diagnose
from pipeline.tables import write_table
from tests.unit.star_frames import EXPOSURE_S, grid_of_stars, star_frame

SHAPE = (420, 560)
GAIN, PEDESTAL_ADU = 0.5, 400
SETTINGS = {
    "camera": {
        "electrons_per_adu": GAIN,
        "read_noise_e": 3.0,
        "saturation_adu": 65535,
        "cfa_pattern": None,
        "pedestal_adu": PEDESTAL_ADU,
        "response": None,
    },
    "calibration": {"exposure_tolerance": 0.02},
}
NAME = "wide-2031-05-01-60s"
DUST = [(120, 300), (300, 150), (330, 430), (80, 80)]


def shadows(places):
    y, x = np.indices(SHAPE)
    made = np.ones(SHAPE)
    for row, column in places:
        r = np.hypot(x - column, y - row)
        made[(r > 4) & (r < 15)] -= 0.1
    return made


def session(layout, *, elongation=1.0, drift_px=0.0, dust_in_lights=DUST, n=7, cooling_c=None):
    """Lights with dust, a flat with the dust of ``DUST``, and the tables that measuring would leave."""
    x, y, flux = grid_of_stars(SHAPE, step=40, margin=30, seed=3, flux=900)
    folder = layout.root / "raw"
    folder.mkdir(parents=True)
    records, lists, widths = [], [], []
    for k in range(n):
        width = 3.0 + drift_px * k / (n - 1)
        frame = star_frame(
            x, y, flux, shape=SHAPE, pattern="GBRG", fwhm=width, elongation=elongation, angle=0.6, seed=k, extra=30.0,
            lateral={"R": (0.8, 0.0), "B": (-0.8, 0.0)},
        )  # fmt: skip
        adu = np.rint(frame.value * shadows(dust_in_lights) * EXPOSURE_S / GAIN + PEDESTAL_ADU)
        path = folder / f"light_{k}.fits"
        fits.PrimaryHDU(np.clip(adu, 0, 65535).astype(np.uint16)).writeto(path)
        stat = path.stat()
        records.append(
            FrameRecord(
                str(path), "light", "wide", EXPOSURE_S, SHAPE[1], SHAPE[0], "GBRG", "2031-05-01",
                f"2031-05-01T22:{5 * k:02d}:00", 0, stat.st_size, stat.st_mtime_ns, temperature_c=-10.0,
                outside_c=None if cooling_c is None else 12.0 - cooling_c * k / (n - 1),
            )
        )  # fmt: skip
        lists.append(
            Table(
                {
                    "frame": np.full(x.size, k),
                    "x": x,
                    "y": y,
                    "snr": np.full(x.size, 90.0),
                    "flags": np.zeros(x.size, int),
                }
            )
        )
        widths.append(width)
    masters = {"bias": None, "dark": None, "flat": "flat"}
    save_plan(
        layout.session_plan(NAME),
        SessionPlan(NAME, "wide", "2031-05-01", EXPOSURE_S, SHAPE[1], SHAPE[0], "GBRG", records, masters),
    )
    noise = np.random.default_rng(5).normal(0, 0.004, SHAPE)
    write_fits(
        layout.master("flat"), (shadows(DUST) + noise).astype(np.float32),
        extensions={"VARIANCE": np.full(SHAPE, 1.6e-5, np.float32), "MASK": np.zeros(SHAPE, np.uint8)},
        keywords={"KIND": "flat", "EXPTIME": 1.0}, bunit="",
    )  # fmt: skip
    table = Table({"frame": np.arange(n), "fwhm_px": widths, "start_utc": [r.start_utc for r in records]})
    table["verdict"] = ["accept"] * n
    write_table(layout.measured(NAME), table)
    stars = Table({name: np.concatenate([each[name] for each in lists]) for name in lists[0].colnames})
    write_table(layout.stars(NAME), stars)


@pytest.fixture
def layout(tmp_path):
    return Layout(tmp_path / "out")


def diagnosed(layout):
    diagnose.run(layout, NAME, SETTINGS)
    record = read_record(layout.qa("diagnose", NAME))
    return record["metrics"], {flag["code"]: flag for flag in record["flags"]}


def test_a_sound_session_has_nothing_to_warn_of(layout):
    session(layout)
    metrics, flags = diagnosed(layout)
    assert {flag["severity"] for flag in flags.values()} == {"info"}, flags
    # Red and blue lie 0.8 px to either side of green; that is no elongation of the optics.
    assert metrics["field_common_e"] < 0.01
    # FWHM of 7 x 130 stars; two per cent as for any frame.
    assert metrics["field_width_px"] == pytest.approx(3.0, rel=0.02)
    assert abs(metrics["dust_left"]) < 0.15 and metrics["dust_blocks"] > 50


def test_focus_is_followed_with_the_thermometer_outside_where_there_is_one(layout):
    session(layout, drift_px=1.2, cooling_c=4.0)
    metrics, flags = diagnosed(layout)
    # 1.2 px over 4 degrees of cooling.
    assert metrics["focus_temperature_slope_px_per_degree"] == pytest.approx(-0.3, rel=0.02)
    assert "shrinks with temperature" in flags["focus_with_temperature"]["message"]


def test_trailed_drifting_and_dusty(layout):
    moved = [(row + 30, column + 30) for row, column in DUST]
    session(layout, elongation=1.3, drift_px=1.0, dust_in_lights=moved)
    metrics, flags = diagnosed(layout)
    warned = {code for code, flag in flags.items() if flag["severity"] == "warn"}
    assert warned == {"common_elongation", "focus_with_time", "flat_dust"}
    # (1.3 - 1) / (1.3 + 1), along 0.6 rad; the common exponent of a Moffat fit moves it by less than 0.01.
    assert metrics["field_common_e"] == pytest.approx(0.1304, abs=0.01)
    assert metrics["field_common_angle_deg"] == pytest.approx(np.degrees(0.6), abs=2)
    # 1 px in half an hour.
    assert metrics["focus_time_slope_px_per_hour"] == pytest.approx(2.0, rel=0.01)
    assert metrics["dust_left"] == pytest.approx(-1, abs=0.2)


def test_lights_that_are_gone_or_all_rejected_end_nothing(layout):
    session(layout)
    (layout.root / "raw" / "light_0.fits").unlink()
    _, flags = diagnosed(layout)
    assert (
        flags["frame_unreadable"]["severity"] == "warn"
        and "light_0.fits" in flags["frame_unreadable"]["message"]
    )
    table = Table(
        {"frame": [0], "fwhm_px": [3.0], "start_utc": ["2031-05-01T22:00:00"], "verdict": ["reject"]}
    )
    write_table(layout.measured(NAME), table)
    _, flags = diagnosed(layout)
    assert list(flags) == ["no_lights"]
