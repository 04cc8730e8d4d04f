"""The table of a stack's stars on disk."""

from dataclasses import fields

import numpy as np
import pytest

from pipeline.errors import InputError
from pipeline.numerics.levelled_stars import stars_of
from pipeline.numerics.stack_stars import StackStars, detect_stars, no_stars
from pipeline.star_tables import known_stars, write_star_table
from tests.unit.synthetic_stacks import make_scene


def _same(one, other):
    for field in fields(StackStars):
        np.testing.assert_array_equal(getattr(one, field.name), getattr(other, field.name), strict=True)


def test_what_is_written_comes_back_bit_by_bit(tmp_path):
    rng = np.random.default_rng(1)
    stars = StackStars(*rng.normal(size=(6, 50)), typical_fwhm=rng.normal(), noise=rng.normal())
    write_star_table(tmp_path / "a.fits", stars, 4.7)
    _same(known_stars(tmp_path / "a.fits", 4.7), stars)


@pytest.mark.parametrize("noise", [0.01, np.nan])
def test_an_image_without_stars_has_no_typical_width(tmp_path, noise):
    write_star_table(tmp_path / "a.fits", no_stars(noise), 5.0)
    _same(known_stars(tmp_path / "a.fits", 5.0), no_stars(noise))


def test_stars_of_another_threshold_are_not_those_asked_for(tmp_path):
    write_star_table(tmp_path / "a.fits", no_stars(), 5.0)
    assert known_stars(tmp_path / "a.fits", 6.0) is None
    assert known_stars(tmp_path / "b.fits", 5.0) is None


def test_a_file_that_is_no_table_is_said(tmp_path):
    (tmp_path / "a.fits").write_bytes(b"no table")
    with pytest.raises(InputError, match=r"a\.fits"):
        known_stars(tmp_path / "a.fits", 5.0)


@pytest.mark.parametrize("seed", [5, 6, 7])
def test_a_sky_that_is_taken_off_later_does_not_change_the_stars(seed):
    """The sky of the scene is bent, and rises by 0.6 of its mean over few pixels.

    Of stars ten times as bright as the faintest none is lost, and their places stay within the error that even these have,
    about FWHM / (S/N) / 2.35 = 0.03 px, but for those that lie in a knot of gas, whose sources come apart in another way:
    fewer than a tenth. The median width moves by less than a percent, as ranks do when a hundredth of the sources changes.
    """
    scene = make_scene(seed=seed, shape=(400, 500), n_stars=150, cover=0.3)
    image = scene.stacks["broad"]
    flat = (image.value - scene.sky["broad"]).astype(np.float32).mean(axis=0)
    expected = detect_stars(flat, image.valid.all(axis=0))
    stars = stars_of(image.value, image.valid, sigma=5.0)
    sure = np.flatnonzero((expected.peak > 50 * expected.noise) & expected.starlike())
    assert sure.size > 30
    distance = np.hypot(expected.x[sure, None] - stars.x, expected.y[sure, None] - stars.y).min(axis=1)
    assert np.quantile(distance, 0.9) < 0.03
    assert stars.typical_fwhm == pytest.approx(expected.typical_fwhm, rel=0.01)
