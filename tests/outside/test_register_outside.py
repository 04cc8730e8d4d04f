"""Poses against scikit-image, positions and fluxes against photutils, profiles against scipy; real frames."""

import os
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from photutils.aperture import CircularAperture, aperture_photometry
from photutils.centroids import centroid_2dg
from scipy.optimize import least_squares
from skimage.transform import AffineTransform, SimilarityTransform

from pipeline.numerics.aperture import aperture_fluxes
from pipeline.numerics.camera import NoiseModel
from pipeline.numerics.cfa import Cfa
from pipeline.numerics.frame_measurement import measure_frame
from pipeline.numerics.moffat import quadratic_form
from pipeline.numerics.moffat_fit import fit_moffat
from pipeline.numerics.pose_refinement import fit_pose
from pipeline.numerics.registration import Limits, StarList, register
from tests.unit.star_frames import MEASURE, SKY_E_S, grid_of_stars, star_frame

SHAPE = (400, 500)
REAL = os.environ.get("DUSKLOOM_REAL_FRAMES")

needs_real_frames = pytest.mark.skipif(
    REAL is None, reason="NOT COVERED: DUSKLOOM_REAL_FRAMES does not name the folder with real frames"
)


@pytest.mark.parametrize(
    ("kind", "transform"), [("similarity", SimilarityTransform), ("affine", AffineTransform)]
)
def test_fitted_poses_against_scikit_image(kind, transform):
    """scikit-image solves total least squares, ours ordinary: alike to first order in the noise, equal without it."""
    rng = np.random.default_rng(1)
    source = rng.uniform(0, 400, (60, 2))
    truth = transform(scale=1.02, rotation=2.8, translation=(420.0, 380.0))
    for noise, tolerance in ((0.0, 1e-8), (0.1, 0.01)):
        target = truth(source) + rng.normal(0, noise, source.shape)
        pose, _ = fit_pose(kind, source, target, np.ones(60), SHAPE)
        other = transform.from_estimate(source, target)
        # With noise: second order of 0.1 px over 200 px, and 0.01 px is a tenth of the fit's own error.
        np.testing.assert_allclose(np.column_stack(pose.forward(*source.T)), other(source), atol=tolerance)


def test_positions_against_photutils():
    """A Gaussian fit in a box and our profile fit see the same noise; they agree to within it."""
    x, y, flux = grid_of_stars(SHAPE, step=40, margin=44, seed=2, flux=3000.0)
    frame = star_frame(x, y, flux, shape=SHAPE, pattern="mono", fwhm=3.0, beta=4.0)
    found = measure_frame(frame.value, frame.bad, frame.saturated, frame.cfa, frame.noise, MEASURE)
    stars = found.stars
    assert len(stars["x"]) >= len(x) - 2
    differences = []
    for column, row in zip(stars["x"], stars["y"], strict=True):
        left, top = round(column) - 6, round(row) - 6
        cut = frame.value[top : top + 13, left : left + 13].astype(float) - SKY_E_S
        other = centroid_2dg(cut, error=np.sqrt(frame.variance[top : top + 13, left : left + 13]))
        differences.append((other[0] + left - column, other[1] + top - row))
    # Errors of either are 0.006 px.
    assert np.abs(np.mean(differences, axis=0)).max() < 0.003
    assert np.std(differences) < 0.01


def test_aperture_sums_against_photutils():
    """On a mono frame ours is the plain aperture sum, with soft instead of exact edges."""
    x, y, flux = grid_of_stars(SHAPE, step=40, margin=44, seed=3, flux=3000.0)
    frame = star_frame(x, y, flux, shape=SHAPE, pattern="mono", fwhm=3.0, beta=3.0)
    exact = aperture_photometry(
        frame.value.astype(float) - SKY_E_S, CircularAperture(np.column_stack([x, y]), 4.5)
    )
    sky = np.full((len(x), 1), SKY_E_S)
    enclosed = 1 - (1 + (4.5 / 3.0) ** 2 * 4 * (2 ** (1 / 3.0) - 1)) ** -2.0
    ours, _, _ = aperture_fluxes(
        frame.value, frame.coefficients, ~frame.saturated, frame.cfa.cell, x, y, sky, 0 * sky,
        np.array(quadratic_form(3.0, 1.0, 0.0, 3.0)), 3.0, 4.5, enclosed,
    )  # fmt: skip
    ratio = ours[:, 0] / exact["aperture_sum"]
    # Edges are treated differently where the star has a few per cent of its light per pixel ring: 0.5 %.
    assert np.abs(ratio - 1).max() < 0.01
    assert np.median(ratio) == pytest.approx(1.0, abs=0.005)


def test_profile_fit_against_scipy():
    """scipy.optimize.least_squares with a round Moffat of explicit amplitude and sky, on the same samples."""
    x, y, flux = grid_of_stars((200, 200), step=60, margin=50, seed=4, flux=3000.0)
    frame = star_frame(x, y, flux, shape=(200, 200), pattern="mono", fwhm=3.4, beta=2.9)
    ours = fit_moffat(
        frame.value, ~frame.saturated, frame.cfa.cell, np.rint(x), np.rint(y), fwhm_guess=4.0, radius=9
    )
    rows, columns = np.mgrid[-9:10, -9:10]
    for k in range(len(x)):
        column, row = int(np.rint(x[k])), int(np.rint(y[k]))
        data = frame.value[row - 9 : row + 10, column - 9 : column + 10].astype(float)

        def residual(p, data=data):
            amplitude, sky, x0, y0, a, b, c, beta = p
            dx, dy = columns - x0, rows - y0
            q = a * dx * dx + 2 * b * dx * dy + c * dy * dy
            return (sky + amplitude * np.maximum(1 + q, 1e-9) ** -beta - data).ravel()

        fit = least_squares(residual, [200, 3, 0, 0, 0.2, 0, 0.2, 3.0], x_scale="jac", xtol=1e-12, ftol=1e-12)
        a, b, c, beta = fit.x[4:]
        fwhm = 2 * np.sqrt(2 ** (1 / beta) - 1) * (a * c - b * b) ** -0.25
        # The same minimum of the same sum of squares; ours stops at a relative fall of 1e-7.
        assert ours.fwhm[k] == pytest.approx(fwhm, rel=2e-3)
        assert ours.x[k] == pytest.approx(column + fit.x[2], abs=2e-3)
        assert ours.beta[k] == pytest.approx(beta, rel=2e-2)


def real_stars(path, pattern):
    with fits.open(path) as hdus:
        data = next(hdu.data for hdu in hdus if hdu.data is not None and hdu.data.ndim == 2).astype(
            np.float32
        )
    # Nothing is calibrated here: a constant for the pedestal, and a noise in ADU for weights only.
    data -= np.median(data) - 200
    nothing = np.zeros(data.shape, dtype=bool)
    found = measure_frame(data, nothing.copy(), nothing, Cfa(pattern), NoiseModel(1.0, 7.0, 1.0), MEASURE)
    good = found.stars["flags"] == 0
    xy = np.column_stack([found.stars["x"], found.stars["y"]])[good]
    return data.shape, StarList(xy, found.stars["xy_err"][good]), found.values


LIMITS = Limits(min_matched=8, max_residual_px=1.0, min_coverage=0.3, max_scale_difference=0.01)


@needs_real_frames
def test_colour_pair_has_the_listed_shift():
    """Listed: (0.25, 0.83) px on the half-size green image and 0.005 degrees, measured once by other means."""
    folder = Path(REAL) / "bayer_pair"
    shape, first, _ = real_stars(folder / "unsolved.fits", "GBRG")
    _, second, _ = real_stars(folder / "solved.fits.fz", "GBRG")
    registration, problem = register(first, second, shape, LIMITS, random_seed=1)
    assert problem == ""
    x, y = registration.pose.forward(349.5, 349.5)
    shift = np.array([x - 349.5, y - 349.5]) / 2
    np.testing.assert_allclose(shift, (0.25, 0.83), atol=0.1)
    assert registration.pose.rotation_deg() == pytest.approx(0.0, abs=0.02)
    assert registration.n_matched > 300


@needs_real_frames
def test_mono_frames_register_within_and_across_filters_and_when_offset():
    """Listed: the blue frame of 120 s is offset by about (-20.3, -1.9) px."""
    folder = Path(REAL) / "mono_night" / "SN2022yid"
    red = sorted((folder / "R").glob("*.fz"))
    blue = sorted((folder / "B").glob("*180s*.fz"))
    (offset,) = (folder / "B").glob("*B-120s*.fz")
    shape, reference, values = real_stars(blue[1], "mono")
    assert values["fwhm_px"] > 1.5
    for path, expected in ((blue[2], None), (red[0], None), (offset, (-20.3, -1.9))):
        _, stars, _ = real_stars(path, "mono")
        registration, problem = register(stars, reference, shape, LIMITS, random_seed=1)
        assert problem == "", path.name
        assert registration.residual_px < 0.3
        if expected:
            x, y = registration.pose.forward((shape[1] - 1) / 2, (shape[0] - 1) / 2)
            # "About", and against another frame of a series that drifts by up to 0.7 px.
            np.testing.assert_allclose((x - (shape[1] - 1) / 2, y - (shape[0] - 1) / 2), expected, atol=1.2)
