"""Raw frames damaged in every way that copying, capture programs and chance know, by the seed of a generator."""

import gzip
import io

import numpy as np
from astropy.io import fits

__all__ = ["DAMAGES", "damaged", "template"]

CARD_BYTES = 80
BLOCK_BYTES = 2880
"""Sizes of FITS 4.0, sections 3.1 and 3.3.1."""

NASTY_VALUES = (
    "0", "1", "-1", "3", "7", "999", "-999999", "1000000000", "99999999999999999999", "1E300", "-1E300", "1E-300", "NaN", "nan",
    "Infinity", "-inf", "T", "F", "''", "'abc'", "'-10 C'", "'9999-12-31T23:59:59'", "'0001-01-01T00:00:00'",
    "'0000-00-00T00:00:00'", "'2031-02-30T25:61:61'", "'31/12/99'", "'J\xf6rg \xff\xfe'", "(1,2)", "'never closed", "=", "",
    "'\x00\x01'", "1,5", "' '", "'../../../etc/passwd'", "'{filter_set}'", "0x10", "1 2 3", "1_000",
)  # fmt: skip
"""Values that a card may hold, sane for some keywords and mad for others."""

KEYWORDS = (
    "SIMPLE", "BITPIX", "NAXIS", "NAXIS1", "NAXIS2", "BZERO", "BSCALE", "BLANK", "EXTEND", "PCOUNT", "GCOUNT", "IMAGETYP",
    "FILTER", "EXPTIME", "DATE-OBS", "DATE-LOC", "CCD-TEMP", "GAIN", "OFFSET", "XBINNING", "YBINNING", "BAYERPAT", "ROWORDER",
    "XBAYROFF", "YBAYROFF", "EGAIN", "RDNOISE", "SITELONG", "ROTATANG", "FOCALLEN", "OBJECT", "XORGSUBF", "YORGSUBF", "MJD-OBS",
    "CHECKSUM", "XTENSION", "GROUPS", "ZIMAGE", "TFIELDS",
)  # fmt: skip
"""Keywords that the inventory or the reader below it look at."""


def template(frame, header):
    """Bytes of a FITS file with a frame and a header (dict)."""
    hdu = fits.PrimaryHDU(frame)
    hdu.header.update(header)
    return _bytes_of(hdu)


def damaged(kind, frame, header, rng):
    """(suffix, bytes) of a file with damage of one kind, see ``DAMAGES``."""
    return DAMAGES[kind](frame, header, rng)


def _bytes_of(*hdus):
    buffer = io.BytesIO()
    fits.HDUList(list(hdus)).writeto(buffer, output_verify="ignore")
    return buffer.getvalue()


def _compressed(frame, header):
    method = {"f": "GZIP_2"}.get(frame.dtype.kind, "RICE_1")
    hdu = fits.CompImageHDU(frame, compression_type=method)
    hdu.header.update(header)
    return _bytes_of(fits.PrimaryHDU(), hdu)


def _truncated(frame, header, rng):
    whole = template(frame, header)
    return ".fits", whole[: rng.integers(0, len(whole))]


def _truncated_compressed(frame, header, rng):
    whole = _compressed(frame, header)
    return ".fits.fz", whole[: rng.integers(0, len(whole))]


def _truncated_gzip(frame, header, rng):
    whole = gzip.compress(template(frame, header), mtime=0)
    return ".fits.gz", whole[: rng.integers(0, len(whole))]


def _sprinkled(whole, rng, first=0, stop=None):
    """Some bytes replaced by random ones."""
    raw = bytearray(whole)
    stop = len(raw) if stop is None else stop
    for place in rng.integers(first, stop, rng.integers(1, 40)):
        raw[place] = rng.integers(0, 256)
    return bytes(raw)


def _random_bytes_in_header(frame, header, rng):
    return ".fits", _sprinkled(template(frame, header), rng, stop=BLOCK_BYTES)


def _random_bytes_anywhere(frame, header, rng):
    return ".fits", _sprinkled(template(frame, header), rng)


def _random_bytes_compressed(frame, header, rng):
    return ".fits.fz", _sprinkled(_compressed(frame, header), rng)


def _random_bytes_in_tiles(frame, header, rng):
    whole = _compressed(frame, header)
    return ".fits.fz", _sprinkled(whole, rng, first=len(whole) // 2)


def _random_bytes_gzip(frame, header, rng):
    return ".fits.gz", _sprinkled(gzip.compress(template(frame, header), mtime=0), rng)


def _nothing_but_random_bytes(frame, header, rng):
    return ".fits", rng.bytes(int(rng.integers(0, 9000)))


def _bytes_lost(frame, header, rng):
    """A stretch is missing, so that blocks no longer begin where they should."""
    whole = template(frame, header)
    first = int(rng.integers(0, len(whole)))
    return ".fits", whole[:first] + whole[first + int(rng.integers(1, 4000)) :]


def _bytes_added(frame, header, rng):
    whole = template(frame, header)
    first = int(rng.integers(0, len(whole)))
    return ".fits", whole[:first] + rng.bytes(int(rng.integers(1, 4000))) + whole[first:]


def _as_text(frame, header, rng):
    """Copied as text by a system that ends lines with two characters."""
    return ".fits", template(frame, header).replace(b"\n", b"\r\n")


def _zeros_at_the_end(frame, header, rng):
    whole = template(frame, header)
    return ".fits", whole[: int(rng.integers(0, len(whole)))].ljust(len(whole), b"\0")


def _with_card(whole, keyword, text):
    """The file with a card replaced, or added before END."""
    card = f"{keyword:<8}= {text}"[:CARD_BYTES].ljust(CARD_BYTES).encode("latin-1")
    for start in range(0, len(whole), CARD_BYTES):
        old = whole[start : start + 8].decode("latin-1").strip()
        if old == keyword:
            return whole[:start] + card + whole[start + CARD_BYTES :]
        if old == "END":
            return whole[:start] + card + b"END".ljust(CARD_BYTES) + whole[start + 2 * CARD_BYTES :]
    return whole


def _nasty_cards(whole, rng, most):
    for _ in range(rng.integers(1, most + 1)):
        whole = _with_card(
            whole, KEYWORDS[rng.integers(len(KEYWORDS))], NASTY_VALUES[rng.integers(len(NASTY_VALUES))]
        )
    return whole


def _one_nasty_card(frame, header, rng):
    return ".fits", _nasty_cards(template(frame, header), rng, 1)


def _nasty_cards_together(frame, header, rng):
    return ".fits", _nasty_cards(template(frame, header), rng, 12)


def _nasty_cards_gzip(frame, header, rng):
    return ".fits.gz", gzip.compress(_nasty_cards(template(frame, header), rng, 3), mtime=0)


def _nasty_cards_compressed(frame, header, rng):
    whole = _compressed(frame, header)
    names = (
        "ZNAXIS1",
        "ZNAXIS2",
        "ZTILE1",
        "ZTILE2",
        "ZBITPIX",
        "NAXIS1",
        "NAXIS2",
        "PCOUNT",
        "TFORM1",
        "ZCMPTYPE",
        "ZNAXIS",
        "THEAP",
    )
    first = whole.index(b"XTENSION")
    keyword, value = names[rng.integers(len(names))], NASTY_VALUES[rng.integers(len(NASTY_VALUES))]
    return ".fits.fz", whole[:first] + _with_card(whole[first:], keyword, value)


def _huge(frame, header, rng):
    whole = template(frame, header)
    for keyword in ("NAXIS1", "NAXIS2"):
        whole = _with_card(whole, keyword, str(10 ** rng.integers(4, 12)))
    return (".fits", whole) if rng.random() < 0.5 else (".fits.gz", gzip.compress(whole, mtime=0))


def _wrong_axes(frame, header, rng):
    shapes = (
        (2, *frame.shape),
        (3, *frame.shape),
        (1, 1, *frame.shape),
        (frame.size,),
        (frame.shape[1], 1),
        (1, frame.shape[1]),
        (3, 3),
    )
    shape = shapes[rng.integers(len(shapes))]
    return ".fits", template(np.resize(frame, shape), header)


def _no_numbers(frame, header, rng):
    values = frame.astype(np.float32)
    share = (0.01, 0.4, 0.6, 1.0)[rng.integers(4)]
    values[rng.random(frame.shape) < share] = (np.nan, np.inf, -np.inf, 3e38)[rng.integers(4)]
    return ".fits", template(values, header)


def _one_value(frame, header, rng):
    return ".fits", template(np.full_like(frame, rng.integers(0, 65536)), header)


def _no_end(frame, header, rng):
    return ".fits", template(frame, header).replace(b"END".ljust(CARD_BYTES), b"EMD".ljust(CARD_BYTES), 1)


def _empty(frame, header, rng):
    return ".fits", b""


def _no_image(frame, header, rng):
    column = fits.Column("a", "E", array=np.arange(5.0))
    return ".fits", _bytes_of(fits.PrimaryHDU(), fits.BinTableHDU.from_columns([column]))


DAMAGES = {
    function.__name__.strip("_"): function
    for function in (
        _truncated, _truncated_compressed, _truncated_gzip, _random_bytes_in_header, _random_bytes_anywhere,
        _random_bytes_compressed, _random_bytes_in_tiles, _random_bytes_gzip, _nothing_but_random_bytes, _bytes_lost, _bytes_added,
        _as_text, _zeros_at_the_end, _one_nasty_card, _nasty_cards_together, _nasty_cards_gzip, _nasty_cards_compressed, _huge,
        _wrong_axes, _no_numbers, _one_value, _no_end, _empty, _no_image,
    )
}  # fmt: skip
"""Name of each kind of damage to the function that does it."""
