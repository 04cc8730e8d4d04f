"""Pixels that are read in blocks against what the library wrote."""

import numpy as np
import pytest
from astropy.io import fits

from pipeline.errors import InputError
from pipeline.fits_pixels import PIXELS_OF_A_CORE, read_pixels
from pipeline.fitsio import read_hdus, read_image, write_fits

KINDS = [np.uint8, np.int16, np.uint16, np.int32, np.uint32, np.float32]


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("cores", ["1", "3"])
def test_every_type_comes_back_on_any_number_of_cores(tmp_path, monkeypatch, kind, cores):
    """Several blocks, the last one not full."""
    monkeypatch.setattr("os.sched_getaffinity", lambda _: set(range(3)))
    monkeypatch.setenv("OMP_NUM_THREADS", cores)
    rng = np.random.default_rng(1)
    image = rng.integers(0, 2**31, (3, 401, PIXELS_OF_A_CORE // 397)).astype(kind)
    write_fits(tmp_path / "a.fits", image[0], extensions={"MORE": image})
    _, images = read_hdus(tmp_path / "a.fits")
    assert images["MORE"].dtype == kind and images["MORE"].dtype.isnative
    np.testing.assert_array_equal(images["MORE"], image)
    np.testing.assert_array_equal(images["PRIMARY"], image[0])


@pytest.mark.parametrize("kind", [*KINDS, ">f4"])
def test_files_are_those_that_the_library_writes_in_one_go(tmp_path, kind):
    """But for the comments, which tell the time."""
    image = np.random.default_rng(2).integers(0, 2**31, (3, 47, 53)).astype(kind)
    kept = image.copy()
    write_fits(tmp_path / "ours.fits", image, extensions={"MORE": image[1, ::2]})
    np.testing.assert_array_equal(image, kept)
    with fits.open(tmp_path / "ours.fits") as hdus:
        primary, more = (hdu.copy() for hdu in hdus)
    fits.HDUList([primary, more]).writeto(tmp_path / "theirs.fits", checksum=True)
    assert (tmp_path / "ours.fits").stat().st_size == (tmp_path / "theirs.fits").stat().st_size
    with (
        fits.open(tmp_path / "ours.fits", checksum=True) as one,
        fits.open(tmp_path / "theirs.fits") as other,
    ):
        for unit, same in zip(one, other, strict=True):
            assert unit.verify_checksum() == 1 and unit.verify_datasum() == 1
            assert unit.header["DATASUM"] == same.header["DATASUM"]
            assert sorted(unit.header) == sorted(same.header)
            np.testing.assert_array_equal(unit.data, same.data)


def test_a_file_that_ends_before_its_pixels_is_refused(tmp_path):
    path = tmp_path / "a.fits"
    write_fits(path, np.ones((400, 500), np.float32), extensions={"MORE": np.ones((400, 500), np.float32)})
    path.write_bytes(path.read_bytes()[:-5000])
    with pytest.raises(InputError, match=r"a\.fits"):
        read_image(path, "MORE")
    np.testing.assert_array_equal(read_image(path), 1.0)
    with pytest.raises(EOFError, match="before its 450000 pixels"):
        read_pixels(path, 2880, ">f4", (900, 500))
