"""The one FITS reader and the one FITS writer of the package.

Everything that comes in is turned into native byte order and C order, since compiled code reads a
big-endian array as garbage without an error. Everything that goes out carries CHECKSUM and DATASUM, its
unit, its history and the software's version, and replaces an older file in one step.

In memory, pixel (0, 0) is the centre of the first stored pixel; the 1-based convention of the FITS
standard (version 4.0, section 3.3.2) stays in this module.
"""

import hashlib
import shutil
import warnings
from pathlib import Path
from tempfile import TemporaryFile

import numpy as np
from astropy.io import fits
from astropy.io.fits.verify import VerifyWarning
from astropy.utils.exceptions import AstropyUserWarning, AstropyWarning

from pipeline import __version__
from pipeline.atomic import replaced
from pipeline.bundles import LinearImage
from pipeline.errors import InputError
from pipeline.fits_pixels import big_endian, read_pixels
from pipeline.provenance import SOFTWARE_NAME

__all__ = [
    "RATE_UNIT",
    "UNITS_OF_EXTENSION",
    "RawPixels",
    "read_frame",
    "read_hdus",
    "read_header",
    "read_image",
    "read_keywords",
    "read_linear",
    "read_rows",
    "read_shape",
    "stored_image",
    "stored_linear",
    "write_fits",
    "write_linear",
    "write_packed",
]

RATE_UNIT = "electron/s"
"""Unit of every calibrated image (FITS 4.0 spells the unit of charge counts "electron")."""

UNITS_OF_EXTENSION = {
    "VARIANCE": "electron2/s2",
    "COVERAGE": "",
    "REJECTED": "",
    "WEIGHT": "s2/electron2",
    "BACKGROUND": RATE_UNIT,
    "MASK": "",
}
"""BUNIT of the extensions that accompany an image in electrons per second."""

LARGEST_PIXELS = 1_000_000_000
"""No camera for the sky has a sensor of so many pixels; a header that promises more is damaged."""

LARGEST_ADU = 2.0**32
"""No converter counts so far: a floating-point pixel beyond is no number."""

LARGEST_COMPRESSION = 1032
"""Deflate cannot shrink anything by more (zlib's technical details: 1032 to 1), nor do the other methods of FITS on
anything but a frame without content."""

FITS_BLOCK = 2880
"""Bytes of a block (FITS 4.0, section 3.1); a primary header with no more than the required cards takes one."""

COPIED_AT_ONCE = 1 << 20
"""Bytes."""

PACKED_ROWS = 16
"""Rows that are compressed together: few enough to read a band, many enough that starting anew costs nothing."""

GZIP_MAGIC = b"\x1f\x8b"
"""First bytes of a gzip file (RFC 1952, section 2.3.1)."""


def read_header(path):
    """Header of the header-data unit that holds the picture: the largest two-dimensional image of the file.

    Returns
    -------
    hdu : int
        Its index.
    header : dict
        Upper-case keyword to value; cards that cannot be parsed are left out.

    Raises
    ------
    InputError
        If the file is not FITS or has no image.
    """
    with _opened(path) as hdus:
        index = _image_index(path, hdus)
        return index, _plain_header(hdus[index].header)


def read_frame(path, hdu=None, *, rows=None):
    """Pixels of a raw frame, as stored.

    Parameters
    ----------
    path : FITS file, plain, gzip- or tile-compressed
    hdu : index of the header-data unit; the largest image by default
    rows : (first, stop), to read only these rows; all by default

    Returns
    -------
    (ny, nx) uint16 where the camera wrote unsigned 16-bit numbers, else int32 or float32; native byte order; NaN where
    a floating-point pixel holds no number that a camera could give

    Raises
    ------
    InputError
        If the file cannot be read to its end.
    """
    with _opened(path) as hdus:
        index = _image_index(path, hdus) if hdu is None else hdu
        unit = _unit(path, hdus, index)
        if _plane_shape(unit) is None:
            raise InputError(f"{path}: no two-dimensional image in unit {index}")
        _check_promise(path, unit)
        try:
            if rows is None:
                data = unit.data.reshape(unit.shape[-2:])
            else:
                data = unit.section[(*(0,) * (len(unit.shape) - 2), slice(*rows))]
        except Exception as error:
            raise InputError(
                f"{path}: the pixels cannot be read to the end ({_first_line(error)})"
            ) from error
        if data.dtype.kind in "iu" and data.dtype.itemsize <= 2:
            wanted = np.uint16 if data.dtype.kind == "u" else np.int32
        else:
            wanted = np.int32 if np.can_cast(data.dtype, np.int32) else np.float32
        # A copy, so that nothing refers to the file (or its memory map) after it is closed.
        frame = np.array(data, dtype=wanted, order="C")
        if wanted is np.float32:
            frame[~(np.abs(frame) < LARGEST_ADU)] = np.nan
        return frame


class RawPixels:
    """The pixels of a raw frame, read part by part, without a file kept open.

    A plain file is mapped into memory for the moment of each reading; what is compressed is unpacked once into a
    folder that the caller removes.

    Parameters
    ----------
    path, hdu : as for :func:`read_frame`
    scratch : folder for what has to be unpacked

    Attributes
    ----------
    shape : (ny, nx)

    Raises
    ------
    InputError
        If the file cannot be read to its end.
    """

    def __init__(self, path, hdu, scratch):
        self.path = path
        with _opened(path) as hdus:
            index = _image_index(path, hdus) if hdu is None else hdu
            self._place = _place_of_pixels(path, hdus[index])
        if self._place is None:
            pixels = read_frame(path, hdu)
            unpacked = Path(scratch) / f"{hashlib.sha256(str(path).encode()).hexdigest()}.raw"
            pixels.tofile(unpacked)
            self._place = (unpacked, 0, pixels.dtype, pixels.shape, False)
        self.shape = self._place[3]

    def part(self, rows, columns):
        """Rows and columns (first, stop) in native byte order; types as in :func:`read_frame`."""
        path, offset, kind, shape, unsigned = self._place
        try:
            pixels = np.memmap(path, dtype=kind, mode="r", offset=offset, shape=shape)
        except (OSError, ValueError) as error:
            raise InputError(f"{self.path}: the pixels cannot be read ({_first_line(error)})") from error
        part = pixels[slice(*rows), slice(*columns)]
        if unsigned:
            # The standard's way to keep unsigned numbers (FITS 4.0, section 5.2.5): the sign bit is flipped. Copied and
            # turned in place, three times as fast as a change of type.
            numbers = np.array(part, order="C").view(np.uint16)
            if not kind.isnative:
                numbers.byteswap(inplace=True)
            numbers ^= np.uint16(0x8000)
            return numbers
        wanted = np.float32 if part.dtype.kind == "f" else np.int32
        return part.astype(np.uint16 if part.dtype == np.uint16 else wanted)


def _place_of_pixels(path, hdu):
    """(path, offset, type, shape, unsigned) of pixels that lie in the file as they are, or None."""
    with open(path, "rb") as file:
        plain = file.read(6) == b"SIMPLE"
    header = hdu.header
    kind = {8: ">u1", 16: ">i2", 32: ">i4", -32: ">f4"}.get(header.get("BITPIX"))
    if not plain or kind is None or type(hdu) not in (fits.PrimaryHDU, fits.ImageHDU):
        return None
    zero = header.get("BZERO", 0)
    if (
        header.get("BSCALE", 1) != 1
        or not (zero == 0 or (zero == 32768 and kind == ">i2"))
        or "BLANK" in header
    ):
        return None
    info = hdu.fileinfo()
    shape = (int(header["NAXIS2"]), int(header["NAXIS1"]))
    if Path(path).stat().st_size < info["datLoc"] + np.dtype(kind).itemsize * shape[0] * shape[1]:
        raise InputError(f"{path}: the file ends before its pixels do")
    return Path(path), info["datLoc"], np.dtype(kind), shape, zero == 32768


def _pixels(path, hdu):
    """Pixels of a unit of a file of ours in native byte order and C order; None where it has none."""
    if not hdu.shape:
        return None
    place = _place_of_pixels(path, hdu) if len(hdu.shape) > 1 else None
    if place is None or place[4]:
        return _native(hdu.data)
    _, offset, kind, *_ = place
    return read_pixels(path, offset, kind, hdu.shape)


def read_image(path, name=None):
    """One image of ours as native float32: the primary one, or the extension called ``name``."""
    with _opened(path) as hdus:
        try:
            data = _pixels(path, hdus[0 if name is None else name])
        except Exception as error:
            raise InputError(f"{path}: no readable image {name or 'in the primary unit'}") from error
        if data is None:
            raise InputError(f"{path}: no image {name or 'in the primary unit'}")
        return data.astype(np.float32, copy=False)


def read_hdus(path):
    """Primary header and all images of a file of ours: (Header, {"PRIMARY": array, name: array, ...})."""
    with _opened(path) as hdus:
        try:
            images = {
                (hdu.name or "PRIMARY"): _pixels(path, hdu) for hdu in hdus if hdu.is_image and hdu.shape
            }
        except Exception as error:
            raise InputError(f"{path}: cannot be read to the end ({_first_line(error)})") from error
        return hdus[0].header.copy(), images


def read_rows(path, names, first, stop, *, step=1):
    """Every ``step``-th row from ``first`` to ``stop`` of named images of a file of ours, without reading the rest.

    Returns
    -------
    dict name -> (..., (stop - first) / step, nx) in native byte order; "PRIMARY" names the primary image
    """
    with _opened(path) as hdus:
        rows = {}
        for name in names:
            try:
                hdu = hdus[0 if name == "PRIMARY" else name]
                leading = (slice(None),) * (len(hdu.shape) - 2)
                data = hdu.section[(*leading, slice(first, stop, step))]
            except Exception as error:
                raise InputError(f"{path}: no readable image {name} ({_first_line(error)})") from error
            rows[name] = np.array(data, dtype=data.dtype.newbyteorder("="), order="C")
        return rows


def read_shape(path, name):
    """Shape of a named image of a file of ours."""
    with _opened(path) as hdus:
        return tuple(hdus[name].shape)


def read_keywords(path):
    """Primary header of a file of ours, as an astropy ``Header``."""
    with _opened(path) as hdus:
        return hdus[0].header.copy()


def read_linear(path, *, rejected=True):
    """Read a file that :func:`write_linear` wrote into a :class:`LinearImage`; further extensions stay in the file.

    Parameters
    ----------
    rejected : whether to read the share of rejected samples as well, where the file has it
    """
    with _opened(path) as hdus:
        try:
            found = [hdu.name or "PRIMARY" for hdu in hdus if hdu.is_image and hdu.shape]
        except Exception as error:
            raise InputError(f"{path}: cannot be read to the end ({_first_line(error)})") from error
        missing = {"PRIMARY", "VARIANCE", "COVERAGE"} - set(found)
        if missing:
            raise InputError(f"{path}: expected the images {sorted(missing)}, found {sorted(found)}")
        wanted = {"value": 0, "variance": "VARIANCE", "coverage": "COVERAGE"}
        if rejected and "REJECTED" in found:
            wanted["rejected"] = "REJECTED"
        try:
            return LinearImage(**{part: _pixels(path, hdus[name]) for part, name in wanted.items()})
        except Exception as error:
            raise InputError(f"{path}: cannot be read to the end ({_first_line(error)})") from error


def stored_image(path, name):
    """An extension of a file of ours as it lies there: read-only, and in its byte order, which numpy minds but compiled code
    does not. It is for what is looked at or handed on, not computed with. What is compressed is read.
    """
    with _opened(path) as hdus:
        try:
            return _stored(path, hdus[name])
        except Exception as error:
            raise InputError(f"{path}: no readable image {name} ({_first_line(error)})") from error


def stored_linear(path, *, variance=False):
    """A :class:`LinearImage` like that of :func:`read_linear`, of whose parts only the value is in memory.

    The others are those of the file, see :func:`stored_image`.

    Parameters
    ----------
    variance : whether to read the variance as well
    """
    with _opened(path) as hdus:
        rejected = "REJECTED" in hdus
    return LinearImage(
        read_image(path),
        (read_image if variance else stored_image)(path, "VARIANCE"),
        stored_image(path, "COVERAGE"),
        stored_image(path, "REJECTED") if rejected else None,
    )


def _stored(path, hdu):
    """Pixels of a unit of a file of ours as they lie there."""
    place = _place_of_pixels(path, hdu)
    if place is None or place[4]:
        return _native(hdu.data)
    _, offset, kind, *_ = place
    return np.memmap(path, dtype=kind, mode="r", offset=offset, shape=hdu.shape)


def write_fits(path, data, *, extensions=None, keywords=None, history=None, bunit=RATE_UNIT):
    """Write an image with its extensions, atomically and with checksums.

    Parameters
    ----------
    path : where to
    data : primary image; float64 is written as float32
    extensions : dict name -> array
    keywords : dict keyword -> value, or (value, comment); None values are left out
    history : list of texts, one a step with its parameters
    bunit : unit of the primary image
    """
    primary = fits.PrimaryHDU(big_endian(_storable(data)))
    if bunit:
        primary.header["BUNIT"] = (bunit, "unit of the pixel values")
    with replaced(path) as temporary:
        _with_cards(primary, keywords, history).writeto(temporary, checksum=True, output_verify="exception")
        # One after the other, so that no more than one is in memory in the byte order of files.
        del primary
        for name, plane in (extensions or {}).items():
            extension = fits.ImageHDU(big_endian(_storable(plane)), name=name)
            unit = UNITS_OF_EXTENSION.get(name, "")
            if unit:
                extension.header["BUNIT"] = (unit, "unit of the pixel values")
            extension.verify("exception")
            fits.append(temporary, extension.data, extension.header, checksum=True)


def write_packed(path, planes, *, steps=None, units=None, keywords=None, history=None, after=None):
    """Write planes of whole numbers, each compressed without loss (RICE, FITS 4.0, section 10), atomically.

    Parameters
    ----------
    path : where to
    planes : dict name -> (..., ny, nx) int16 or int32; the extensions, behind a primary unit without pixels
    steps : dict name -> what one count stands for, written as BSCALE
    units : dict name -> BUNIT
    keywords, history : as for :func:`write_fits`
    after : function without arguments, called when a plane has been written and is not needed any more
    """
    with replaced(path) as temporary, open(temporary, "wb") as file:
        alone = fits.HDUList([_with_cards(fits.PrimaryHDU(), keywords, history)])
        alone.writeto(file, checksum=True, output_verify="exception")
        for name, plane in planes.items():
            tile = (*(1,) * (plane.ndim - 2), min(PACKED_ROWS, plane.shape[-2]), plane.shape[-1])
            hdu = fits.CompImageHDU(plane, name=name, compression_type="RICE_1", tile_shape=tile)
            if (steps or {}).get(name):
                hdu.header["BSCALE"] = (steps[name], "what one count stands for")
            if (units or {}).get(name):
                hdu.header["BUNIT"] = (units[name], "unit of the pixel values")
            # One after the other, so that no more than one is in memory: a list is kept whole until all is written.
            with TemporaryFile(dir=Path(path).parent) as part:
                fits.HDUList([fits.PrimaryHDU(), hdu]).writeto(part, checksum=True, output_verify="exception")
                del hdu
                part.seek(FITS_BLOCK)
                shutil.copyfileobj(part, file, COPIED_AT_ONCE)
            if after is not None:
                after()


def write_linear(path, image, *, extensions=None, keywords=None, history=None):
    """Write a :class:`LinearImage`; further ``extensions`` follow VARIANCE, COVERAGE and REJECTED."""
    planes = {"VARIANCE": image.variance, "COVERAGE": image.coverage}
    if image.rejected is not None:
        planes["REJECTED"] = image.rejected
    write_fits(
        path, image.value, extensions={**planes, **(extensions or {})}, keywords=keywords, history=history
    )


def _with_cards(primary, keywords, history):
    """The primary unit with the cards that every file of ours has, and its own."""
    header = primary.header
    header["SOFTWARE"] = (f"{SOFTWARE_NAME} {__version__}", "software that wrote this file")
    for key, entry in (keywords or {}).items():
        value, comment = entry if isinstance(entry, tuple) else (entry, None)
        if value is not None:
            header[key] = (_card_value(value), comment)
    for line in history or ():
        header["HISTORY"] = line
    return primary


class _opened:
    """An opened FITS file whose damage shows as InputError and whose mere oddities stay quiet.

    Headers of capture programs are full of small offences that astropy warns about and repairs; they do
    not concern the user. A truncated file is another matter: astropy only warns, and fails when the pixels
    are used, so that warning is turned into an error.

    Damaged bytes make the readers below us raise almost anything (by trial: a dozen kinds of exception). So whatever
    is raised while such a file is open, here and in the functions above, means that the file is damaged.
    """

    def __init__(self, path):
        self.path = path

    def __enter__(self):
        self._warnings = warnings.catch_warnings()
        self._warnings.__enter__()
        warnings.simplefilter("ignore", AstropyWarning)
        warnings.simplefilter("ignore", VerifyWarning)
        # Scaled pixels that are no numbers; what is made of them is judged by the pixels.
        warnings.simplefilter("ignore", RuntimeWarning)
        warnings.filterwarnings("error", message=".*truncated.*", category=AstropyUserWarning)
        self._file = None
        try:
            # Opened here because astropy leaves its file open when it gives up on the content.
            self._file = open(self.path, "rb")
            self.hdus = fits.open(self._file, memmap=False, lazy_load_hdus=True)
        except Exception as error:
            if self._file is not None:
                self._file.close()
            self._warnings.__exit__(None, None, None)
            raise InputError(f"{self.path}: not a readable FITS file ({_first_line(error)})") from error
        return self.hdus

    def __exit__(self, kind, error, trace):
        self.hdus.close()
        self._file.close()
        self._warnings.__exit__(None, None, None)
        if kind is not None and issubclass(kind, Exception) and not issubclass(kind, InputError):
            raise InputError(f"{self.path}: damaged FITS file ({_first_line(error)})") from error


def _image_index(path, hdus):
    """Index of the largest two-dimensional image; what a program puts beside it is a thumbnail or a mask."""
    best, most, others = None, 0, []
    try:
        for index, hdu in enumerate(hdus):
            if hdu.fileinfo()["datSpan"] < 0:
                # An axis of negative length: the reader would go round in circles.
                raise InputError(f"{path}: unit {index} is said to have less than no pixels")
            shape = _plane_shape(hdu)
            if shape is not None and shape[0] * shape[1] > most:
                best, most = index, shape[0] * shape[1]
            elif shape is None and hdu.is_image and hdu.shape:
                others.append(" x ".join(map(str, reversed(hdu.shape))))
    except Exception as error:
        if best is None:
            raise InputError(f"{path}: damaged FITS structure ({_first_line(error)})") from error
        # The picture is whole; what follows it does not concern us.
    if best is None:
        found = f"; found {', '.join(others)} pixels, which no raw frame has" if others else ""
        raise InputError(f"{path}: holds no two-dimensional image{found}")
    return best


def _plane_shape(hdu):
    """(ny, nx) of a two-dimensional image, further axes of length 1 left out; None for anything else."""
    if not hdu.is_image or len(hdu.shape) < 2 or any(length != 1 for length in hdu.shape[:-2]):
        return None
    ny, nx = hdu.shape[-2:]
    return (ny, nx) if ny > 0 and nx > 0 else None


def _unit(path, hdus, index):
    try:
        return hdus[index]
    except Exception as error:
        raise InputError(f"{path}: has no header-data unit {index} ({_first_line(error)})") from error


def _check_promise(path, hdu):
    """Refuse an image larger than its file can hold, before memory is asked for."""
    ny, nx = hdu.shape[-2:]
    with open(path, "rb") as file:
        zipped = file.read(len(GZIP_MAGIC)) == GZIP_MAGIC
        held = file.seek(0, 2)
    if zipped or isinstance(hdu, fits.CompImageHDU):
        held *= LARGEST_COMPRESSION
    promised = ny * nx * abs(hdu.header["BITPIX"]) // 8
    if ny * nx > LARGEST_PIXELS or promised > held:
        raise InputError(f"{path}: shorter than its header promises ({nx} x {ny} pixels)")


def _native(data):
    """Pixels in native byte order and C order; files are read, not mapped, so they are turned over where they are."""
    wanted = data.dtype.newbyteorder("=")
    if not (data.flags.writeable and data.flags.c_contiguous) or isinstance(data.base, np.memmap):
        return np.array(data, dtype=wanted, order="C")
    return data if data.dtype == wanted else data.byteswap(inplace=True).view(wanted)


def _plain_header(header):
    values = {}
    for card in header.cards:
        try:
            key, value = card.keyword, card.value
        except (fits.VerifyError, ValueError):
            continue
        if key and key not in ("COMMENT", "HISTORY") and not isinstance(value, fits.card.Undefined):
            values[key.upper()] = value
    return values


def _storable(array):
    array = np.asarray(array)
    if array.dtype == np.float64:
        array = array.astype(np.float32)
    if array.dtype == bool:
        array = array.astype(np.uint8)
    return array


def _card_value(value):
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, str):
        # FITS cards are ASCII; a name with accents must not stop the run.
        value = value.encode("ascii", "replace").decode()
    return value


def _first_line(error):
    return (str(error).strip() or type(error).__name__).splitlines()[0]
