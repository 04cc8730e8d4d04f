"""Pixels in blocks, and checksums against astropy."""

import numpy as np
import pytest
from astropy.io import fits

from pipeline.errors import InputError
from pipeline.fits_pixels import PIXELS_OF_A_CORE, read_pixels
from pipeline.fitsio import read_hdus, read_image, write_fits

KINDS = [np.uint8, np.int16, np.uint16, np.int32, np.uint32, np.float32]


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("cores", ["1", "3"])
def test_every_type_passes_astropys_verification_and_comes_back(tmp_path, monkeypatch, kind, cores):
    """Several blocks, the last one not full, and bytes that fill no word."""
    monkeypatch.setattr("os.sched_getaffinity", lambda _: set(range(3)))
    monkeypatch.setenv("OMP_NUM_THREADS", cores)
    rng = np.random.default_rng(1)
    image = rng.integers(0, 2**31, (3, 401, PIXELS_OF_A_CORE // 397)).astype(kind)
    write_fits(tmp_path / "a.fits", image[0], extensions={"MORE": image})
    with fits.open(tmp_path / "a.fits", checksum=True) as hdus:  # a mismatch warns, and warnings are errors
        hdus.verify("exception")
        assert all(hdu.verify_checksum() == 1 and hdu.verify_datasum() == 1 for hdu in hdus)
        np.testing.assert_array_equal(hdus["MORE"].data, image)
    assert (tmp_path / "a.fits").stat().st_size % 2880 == 0
    _, images = read_hdus(tmp_path / "a.fits")
    assert images["MORE"].dtype == kind and images["MORE"].dtype.isnative
    np.testing.assert_array_equal(images["MORE"], image)
    np.testing.assert_array_equal(images["PRIMARY"], image[0])


def test_the_number_of_cores_changes_no_byte_of_a_file(tmp_path, monkeypatch):
    image = np.random.default_rng(2).normal(size=(2, 700, 500)).astype(np.float32)
    monkeypatch.setattr("os.sched_getaffinity", lambda _: set(range(3)))
    written = []
    for cores in ("1", "3"):
        monkeypatch.setenv("OMP_NUM_THREADS", cores)
        write_fits(tmp_path / "a.fits", image, extensions={"MORE": image[0]})
        written.append((tmp_path / "a.fits").read_bytes())
    assert written[0] == written[1]


def test_checksums_of_any_content_are_right(tmp_path):
    """Verified by astropy, for sums whose bytes need characters moved and others; the text has no signs (appendix J.2)."""
    rng = np.random.default_rng(3)
    for _ in range(200):
        write_fits(tmp_path / "a.fits", rng.integers(-(2**31), 2**31, (2, 3), dtype=np.int32))
        with fits.open(tmp_path / "a.fits") as hdus:
            assert hdus[0].header["CHECKSUM"].isalnum()
            assert hdus[0].verify_checksum() == 1 and hdus[0].verify_datasum() == 1


def test_an_image_of_zeros(tmp_path):
    """A sum of nothing is 0, not the other zero of ones' complement."""
    write_fits(tmp_path / "a.fits", np.zeros((5, 7), np.float32))
    with fits.open(tmp_path / "a.fits", checksum=True) as hdus:
        assert hdus[0].header["DATASUM"] == "0"
        assert hdus[0].verify_checksum() == 1 and hdus[0].verify_datasum() == 1


def test_a_file_that_ends_before_its_pixels_is_refused(tmp_path):
    path = tmp_path / "a.fits"
    write_fits(path, np.ones((400, 500), np.float32), extensions={"MORE": np.ones((400, 500), np.float32)})
    path.write_bytes(path.read_bytes()[:-5000])
    with pytest.raises(InputError, match=r"a\.fits"):
        read_image(path, "MORE")
    np.testing.assert_array_equal(read_image(path), 1.0)
    with pytest.raises(EOFError, match="before its 450000 pixels"):
        read_pixels(path, 2880, ">f4", (900, 500))
