"""Field diagnosis on star shapes with known truth: what is there is found with its error, and nothing else."""

import numpy as np
import pytest
from scipy import stats

from pipeline.field_words import difference_finding, drift_finding, shape_findings
from pipeline.numerics.field_shape import field_shape, normal_deviation
from pipeline.numerics.focus_drift import drift, filter_difference

SHAPE = (1200, 1800)
HALF = 0.5 * np.hypot(*SHAPE)


def star_shapes(
    seed, *, tilt=(0.0, 0.0), curvature=0.0, ridge=(0.0, 0.0), common=(0.0, 0.0), radial=0.0, n=80
):
    """Six lights of the same n stars, which have peculiarities of 2 % of their own besides 3 % of noise."""
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, SHAPE[1], n), rng.uniform(0, SHAPE[0], n)
    u, v = (x - SHAPE[1] / 2) / HALF, (y - SHAPE[0] / 2) / HALF
    p, q, r2 = u * u - v * v, 2 * u * v, u * u + v * v
    own, e_own = rng.normal(0, 0.02, n), rng.normal(0, 0.01, (2, n))
    rows = []
    for light in range(6):
        seeing = 3.0 * (1 + 0.1 * rng.normal())
        ratio = 1 + tilt[0] * u + tilt[1] * v + curvature * r2 + ridge[0] * p + ridge[1] * q
        e = [e_own[i] + common[i] + radial * (p, q)[i] + rng.normal(0, 0.02, n) for i in (0, 1)]
        rows.append((np.full(n, light), x, y, seeing * (ratio + own + rng.normal(0, 0.03, n)), *e))
    return [np.concatenate(column) for column in zip(*rows, strict=True)]


def found_codes(shape):
    """Codes that are certain or likely."""
    return {f["code"] for f in shape_findings(shape) if "sigma" in f["message"]}


def test_errors_are_honest_and_nothing_is_seen_where_nothing_is():
    """The scatter of 60 fits agrees with their stated errors; the errors of plain least squares, which take
    each light for a new witness, are too small by up to the root of six.
    """
    shapes = [field_shape(*star_shapes(seed), SHAPE) for seed in range(60)]
    for value, error in (("curvature_px", "curvature_px_err"), ("radial_e", "radial_e_err")):
        pulls = [getattr(s, value) / getattr(s, error) for s in shapes]
        # The deviation of 60 values is known to 9 %; a sandwich of 80 clusters errs by as much.
        assert np.std(pulls) == pytest.approx(1, abs=0.35), value
    significance = np.array([(s.tilt_sigma, s.ridge_sigma, s.common_sigma) for s in shapes])
    # Of 180 significances of nothing, 5 sigma must not occur, 3 sigma may by chance and the errors' own error.
    assert significance.max() < 5
    assert (significance > 3).sum() <= 3
    assert sum(len(found_codes(s)) for s in shapes) <= 5


def test_a_tilt_is_found_with_its_direction_and_error():
    angle = np.radians(30)
    shapes = [
        field_shape(*star_shapes(s, tilt=(0.12 * np.cos(angle), 0.12 * np.sin(angle))), SHAPE)
        for s in range(10)
    ]
    for shape in shapes:
        # 3 px of median width, twice 12 %.
        assert shape.tilt_px == pytest.approx(0.72, abs=max(4 * shape.tilt_px_err, 0.1))
        assert shape.tilt_angle_deg == pytest.approx(30, abs=12)
        assert shape.tilt_sigma > 5
    flag = shape_findings(shapes[0])[0]
    assert (flag["code"], flag["severity"]) == ("tilt", "warn")
    assert "last column" in flag["message"] and "certain" in flag["message"]


def test_curvature_a_ridge_and_the_patterns_of_elongation_are_told_apart():
    curved = field_shape(*star_shapes(1, curvature=0.3), SHAPE)
    assert found_codes(curved) == {"field_curvature"}
    ridge = field_shape(*star_shapes(2, ridge=(0.0, 0.15)), SHAPE)
    assert ridge.ridge_angle_deg == pytest.approx(45, abs=6) and ridge.ridge_sigma > 5
    common = field_shape(*star_shapes(3, common=(-0.08, 0.0)), SHAPE)
    assert found_codes(common) == {"common_elongation"}
    assert common.common_angle_deg == pytest.approx(90, abs=5)
    for sign, word in ((1, "radial"), (-1, "tangential")):
        corner = field_shape(*star_shapes(4, radial=0.12 * sign), SHAPE)
        assert found_codes(corner) == {"off_axis"}
        assert corner.radial_e == pytest.approx(0.12 * sign, abs=4 * corner.radial_e_err)
        assert word in shape_findings(corner)[3]["message"]


def test_few_stars_are_no_map():
    few = [column[:8] for column in star_shapes(1)]
    assert field_shape(*few, SHAPE) is None
    assert shape_findings(None)[0]["code"] == "field_unmeasured"


def test_significance_is_that_of_chi_squared():
    """scipy.stats: the normal deviation with the tail probability of chi^2 with two degrees of freedom."""
    for chi2 in (2.0, 12.0, 40.0):
        assert normal_deviation(chi2) == pytest.approx(stats.norm.isf(stats.chi2.sf(chi2, 2)), rel=1e-6)
    assert normal_deviation(5000.0) == pytest.approx(np.sqrt(5000), rel=0.01), (
        "far beyond what has a probability"
    )


def wandering(rng, n, amplitude=0.15, memory=0.7):
    """Seeing that remembers: first-order autoregressive."""
    steps = rng.normal(0, amplitude * np.sqrt(1 - memory**2), n)
    width = np.empty(n)
    width[0] = rng.normal(0, amplitude)
    for k in range(1, n):
        width[k] = memory * width[k - 1] + steps[k]
    return 3.0 + width


def test_wandering_seeing_is_not_called_a_drift():
    """Least squares alone would call a third of these nights drifting at 3 sigma; see below for the share allowed."""
    hours = np.linspace(0, 4, 60)
    seen, naive = 0, 0
    for seed in range(200):
        width = wandering(np.random.default_rng(seed), hours.size)
        seen += drift(hours, width).sigma > 3
        naive += abs(stats.linregress(hours, width).slope) / stats.linregress(hours, width).stderr > 3
    assert naive > 30
    # 0.3 % of a normal distribution would be 0.5 of 200; the correlation is only known to 0.1, and 1000 such nights gave
    # 1.3 %, 2.6 of 200: six are two standard deviations more.
    assert seen <= 6


def test_a_drift_is_found_and_worded():
    rng = np.random.default_rng(4)
    hours = np.linspace(0, 4, 40)
    found = drift(hours, wandering(rng, 40, 0.08) + 0.35 * hours)
    assert found.slope == pytest.approx(0.35, abs=3 * found.slope_err)
    assert found.sigma > 5
    flag = drift_finding(found, unit="hour", what="time", width_px=3.7, seen=40)
    assert flag["severity"] == "warn" and "grows with time" in flag["message"]
    assert drift(hours[:4], hours[:4]) is None
    assert drift(np.ones(9), np.arange(9.0)) is None


def test_a_filter_out_of_focus_is_named_and_seeing_is_not_blamed_on_it():
    rng = np.random.default_rng(9)
    hours = np.arange(24) / 6
    width = wandering(rng, 24, 0.1)
    turns = filter_difference((hours[::2], width[::2]), (hours[1::2], width[1::2]))
    assert turns.apart_h == 0 and turns.sigma < 3
    assert turns.ratio == pytest.approx(1, abs=4 * turns.ratio_err)
    wide = np.hypot(width[1::2], 2.0)
    found = filter_difference((hours[::2], width[::2]), (hours[1::2], wide))
    assert found.wider == 1 and found.sigma > 5
    # Seeing of one night at different times: 5 % of the width.
    assert found.extra_px == pytest.approx(2.0, rel=0.15)
    assert "focus duo by itself" in difference_finding("broad", "duo", found)["message"]
    # One after the other, the air may have changed: 10 % is nothing then.
    after = filter_difference((hours[:12], width[:12]), (hours[12:], 1.1 * width[12:]))
    assert after.apart_h > 0 and after.sigma < 3


def test_the_colour_of_the_seeing_is_taken_off():
    """Kolmogorov seeing is (656 / 500)^-0.2 = 5.3 % sharper in red; ln widths are exact here."""
    hours = np.arange(20) / 5
    blue = np.full(10, 3.0)
    red = blue * (656 / 500) ** -0.2
    found = filter_difference((hours[::2], blue), (hours[1::2], red), (500.0, 656.0))
    assert found.ratio == pytest.approx(1, abs=1e-12)
