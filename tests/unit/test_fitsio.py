"""Reading what cameras write, writing what the FITS standard asks for."""

import gzip
import os

import numpy as np
import pytest
from astropy.io import fits

from pipeline.bundles import LinearImage
from pipeline.errors import InputError
from pipeline.fitsio import (
    read_frame,
    read_header,
    read_image,
    read_linear,
    read_rows,
    stored_linear,
    write_fits,
    write_linear,
)


@pytest.fixture
def pixels():
    return np.random.default_rng(5).integers(0, 65535, (30, 41), dtype=np.uint16)


def test_unsigned_16_bit_comes_back_exactly_and_native(tmp_path, pixels):
    fits.PrimaryHDU(pixels).writeto(tmp_path / "raw.fits")
    frame = read_frame(tmp_path / "raw.fits")
    assert frame.dtype == np.uint16 and frame.dtype.isnative and frame.flags.c_contiguous
    np.testing.assert_array_equal(frame, pixels)


@pytest.mark.parametrize("stored", [np.uint8, np.int16, np.int32, np.float32])
def test_other_pixel_types(tmp_path, stored):
    values = np.arange(12).reshape(3, 4).astype(stored)
    fits.PrimaryHDU(values).writeto(tmp_path / "raw.fits")
    frame = read_frame(tmp_path / "raw.fits")
    assert frame.dtype.isnative
    np.testing.assert_array_equal(frame, values)


def test_compressed_files_and_later_units(tmp_path, pixels):
    fits.HDUList([fits.PrimaryHDU(), fits.CompImageHDU(pixels, compression_type="RICE_1")]).writeto(
        tmp_path / "raw.fits.fz"
    )
    index, header = read_header(tmp_path / "raw.fits.fz")
    assert index == 1 and header["NAXIS1"] == 41
    np.testing.assert_array_equal(read_frame(tmp_path / "raw.fits.fz"), pixels)
    fits.PrimaryHDU(pixels).writeto(tmp_path / "raw.fits")
    (tmp_path / "raw.fits.gz").write_bytes(gzip.compress((tmp_path / "raw.fits").read_bytes()))
    np.testing.assert_array_equal(read_frame(tmp_path / "raw.fits.gz"), pixels)


def test_the_picture_is_the_largest_image_of_its_file(tmp_path, pixels):
    thumbnail, mask = fits.ImageHDU(pixels[::8, ::8]), fits.ImageHDU((pixels > 9).astype(np.uint8)[:20])
    fits.HDUList([fits.PrimaryHDU(), thumbnail, fits.ImageHDU(pixels), mask]).writeto(tmp_path / "raw.fits")
    assert read_header(tmp_path / "raw.fits")[0] == 2
    np.testing.assert_array_equal(read_frame(tmp_path / "raw.fits"), pixels)


def test_axes_of_length_one_do_not_count_and_a_cube_is_no_frame(tmp_path, pixels):
    fits.PrimaryHDU(pixels[None, None]).writeto(tmp_path / "thin.fits")
    np.testing.assert_array_equal(read_frame(tmp_path / "thin.fits"), pixels)
    np.testing.assert_array_equal(read_frame(tmp_path / "thin.fits", rows=(3, 9)), pixels[3:9])
    fits.PrimaryHDU(np.stack([pixels] * 3)).writeto(tmp_path / "cube.fits")
    with pytest.raises(InputError, match=r"no two-dimensional image; found 41 x 30 x 3 pixels"):
        read_frame(tmp_path / "cube.fits")


def test_what_follows_the_picture_may_be_damaged(tmp_path, pixels):
    fits.PrimaryHDU(pixels).writeto(tmp_path / "raw.fits")
    with open(tmp_path / "raw.fits", "ab") as file:
        file.write(b"XTENSION= 'nothing that anybody knows'".ljust(2880, b"\xff"))
    np.testing.assert_array_equal(read_frame(tmp_path / "raw.fits"), pixels)


def test_large_integers_and_impossible_numbers(tmp_path):
    values = np.array([[0, 2**31 + 1], [2**32 - 1, 7]], dtype=np.uint32)
    fits.PrimaryHDU(values).writeto(tmp_path / "u32.fits")
    # In float32 the highest number rounds to 2^32, where none can be.
    expected = np.array([[0, 2.0**31], [np.nan, 7]], dtype=np.float32)
    np.testing.assert_array_equal(read_frame(tmp_path / "u32.fits"), expected)
    fits.PrimaryHDU(np.array([[1.0, 3e38], [-np.inf, np.nan]], dtype=np.float32)).writeto(
        tmp_path / "f32.fits"
    )
    np.testing.assert_array_equal(read_frame(tmp_path / "f32.fits"), [[1.0, np.nan], [np.nan, np.nan]])


@pytest.mark.parametrize("damage", ["truncated", "header only", "empty", "text", "no image"])
def test_damaged_files_are_named(tmp_path, pixels, damage):
    path = tmp_path / "bad.fits"
    fits.PrimaryHDU(pixels).writeto(path)
    whole = path.read_bytes()
    if damage == "no image":
        path.unlink()
        fits.PrimaryHDU().writeto(path)
    else:
        path.write_bytes(
            {
                "truncated": whole[:4000],
                "header only": whole[:2880],
                "empty": b"",
                "text": b"not an image " * 500,
            }[damage]
        )
    with pytest.raises(InputError, match=r"bad\.fits"):
        read_frame(path)


def test_odd_header_cards_do_not_stop_the_reader(tmp_path, pixels):
    path = tmp_path / "odd.fits"
    fits.PrimaryHDU(pixels).writeto(path)
    raw = bytearray(path.read_bytes())
    end = raw.index(b"END" + b" " * 77)
    raw[end : end + 80] = b"OBSERVER= 'J\xf6rg     '".ljust(80)
    raw[end + 80 : end + 160] = b"END".ljust(80)
    path.write_bytes(bytes(raw))
    index, header = read_header(path)
    assert index == 0 and header["NAXIS2"] == 30
    np.testing.assert_array_equal(read_frame(path), pixels)


def test_written_files_pass_the_checksum_verification_of_astropy(tmp_path):
    """Outside check: FITS 4.0 checksum convention (section 4.4.2.7), verified by astropy.io.fits."""
    path = tmp_path / "deep" / "out.fits"
    write_fits(
        path,
        np.ones((3, 4, 5)),
        extensions={"VARIANCE": np.full((3, 4, 5), 2.0), "MASK": np.zeros((4, 5), bool)},
        keywords={"FILTSET": ("broad", "filter set"), "SKIPPED": None, "OBJECT": "Nébuleuse"},
        history=["first step", "second step"],
    )
    with fits.open(path, checksum=True) as hdus:  # a mismatch warns, and warnings are errors
        hdus.verify("exception")
        assert [hdu.name for hdu in hdus[1:]] == ["VARIANCE", "MASK"]
        for hdu in hdus:
            assert hdu.verify_checksum() == 1 and hdu.verify_datasum() == 1
        header = hdus[0].header
        assert header["BUNIT"] == "electron/s" and header["FILTSET"] == "broad" and "SKIPPED" not in header
        assert list(header["HISTORY"]) == ["first step", "second step"]
        assert hdus["VARIANCE"].header["BUNIT"] == "electron2/s2"
        assert hdus[0].data.dtype == np.dtype(">f4")
    assert read_image(path, "VARIANCE").dtype == np.float32
    assert [p.name for p in path.parent.iterdir()] == ["out.fits"]


def test_linear_image_round_trip(tmp_path):
    rng = np.random.default_rng(6)
    image = LinearImage(*(rng.normal(size=(3, 6, 7)).astype(np.float32) for _ in range(4)))
    write_linear(tmp_path / "a.fits", image, extensions={"BACKGROUND": image.value})
    back = read_linear(tmp_path / "a.fits")
    for name in ("value", "variance", "coverage", "rejected"):
        np.testing.assert_array_equal(getattr(back, name), getattr(image, name))
    assert back.channels == ("R", "G", "B")


def test_planes_of_a_bundle_must_match():
    with pytest.raises(ValueError, match=r"variance and value should match .*\(1, 2, 2\) and \(1, 3, 3\)"):
        LinearImage(np.zeros((1, 3, 3)), np.zeros((1, 2, 2)), np.zeros((1, 3, 3)))


def test_rows_alone_equal_the_rows_of_the_whole(tmp_path, pixels):
    fits.PrimaryHDU(pixels).writeto(tmp_path / "raw.fits")
    fits.HDUList([fits.PrimaryHDU(), fits.CompImageHDU(pixels)]).writeto(tmp_path / "raw.fits.fz")
    for name in ("raw.fits", "raw.fits.fz"):
        part = read_frame(tmp_path / name, rows=(7, 19))
        assert part.dtype == np.uint16
        np.testing.assert_array_equal(part, pixels[7:19])


def test_rows_of_named_images_are_those_of_the_whole(tmp_path):
    cube = np.arange(3 * 7 * 5, dtype=np.float32).reshape(3, 7, 5)
    counts = (cube * 400).astype(np.uint16)
    write_fits(tmp_path / "stack.fits", cube, extensions={"COVERAGE": counts})
    rows = read_rows(tmp_path / "stack.fits", ("PRIMARY", "COVERAGE"), 2, 6)
    np.testing.assert_array_equal(rows["PRIMARY"], cube[:, 2:6])
    # Above 32767 the unsigned numbers of the file are signed ones plus BZERO.
    np.testing.assert_array_equal(rows["COVERAGE"], counts[:, 2:6])
    assert rows["COVERAGE"].dtype == np.uint16 and rows["PRIMARY"].dtype.isnative
    with pytest.raises(InputError, match="WEIGHT"):
        read_rows(tmp_path / "stack.fits", ("WEIGHT",), 0, 1)


@pytest.mark.parametrize("rejected", [False, True])
def test_a_stored_image_is_the_one_that_was_written_and_stays_in_the_file(tmp_path, rejected):
    planes = np.random.default_rng(4).random((4 if rejected else 3, 3, 20, 30), dtype=np.float32)
    write_linear(tmp_path / "a.fits", LinearImage(*planes), extensions={"BACKGROUND": planes[0]})
    stored, read = stored_linear(tmp_path / "a.fits"), read_linear(tmp_path / "a.fits")
    for part in ("value", "variance", "coverage", "rejected"):
        np.testing.assert_array_equal(getattr(stored, part), getattr(read, part))
    assert stored.value.dtype.isnative
    assert all(not plane.flags.writeable for plane in (stored.variance, stored.coverage))
    asked_for = stored_linear(tmp_path / "a.fits", variance=True)
    assert asked_for.variance.dtype.isnative and not asked_for.coverage.flags.writeable
    np.testing.assert_array_equal(asked_for.variance, read.variance)
    # Handed on, it gives the same file.
    write_linear(tmp_path / "b.fits", stored, extensions={"BACKGROUND": planes[0]})
    with fits.open(tmp_path / "a.fits") as one, fits.open(tmp_path / "b.fits", checksum=True) as other:
        assert [hdu.header["DATASUM"] for hdu in one] == [hdu.header["DATASUM"] for hdu in other]


def test_a_stored_image_needs_its_variance_and_a_whole_file(tmp_path):
    write_fits(tmp_path / "a.fits", np.ones((3, 4, 5), np.float32))
    with pytest.raises(InputError, match="VARIANCE"):
        stored_linear(tmp_path / "a.fits")
    plane = np.ones((3, 40, 50), np.float32)
    write_linear(tmp_path / "b.fits", LinearImage(plane, plane, plane))
    os.truncate(tmp_path / "b.fits", (tmp_path / "b.fits").stat().st_size - 5760)
    with pytest.raises(InputError, match=r"b\.fits"):
        stored_linear(tmp_path / "b.fits")
