"""Render: white balance, tone curve and colour space; a 16-bit TIFF and a PNG from the fused linear light."""

import io

import numpy as np
import tifffile
from PIL import Image, ImageCms
from PIL.PngImagePlugin import PngInfo

from pipeline import qa
from pipeline.atomic import replaced
from pipeline.fitsio import read_keywords, read_linear
from pipeline.numerics.fill import enclosed, filled
from pipeline.numerics.stretch import find_stretch, render_for_display

__all__ = ["covered_box", "run", "srgb_profile"]

WELL_COVERED = 0.5
"""Share of the usual number of frames below which a pixel at the border is too noisy to be shown."""

PROFILE_DATE = b"\x07\xd0\x00\x01\x00\x01" + bytes(6)
"""Date in the colour profile (2000-01-01): with the time of the run, equal pictures would be unequal files."""

PROFILE_DATE_AT = slice(24, 36)
"""Where the header of an ICC profile has its date (ICC.1:2010, 7.2.1 table 17; from memory)."""

PNG_LEVEL = 6
"""zlib's own default; higher ones take several times as long for a few percent."""


def run(layout, unit, settings, **_):
    """Render the fused picture."""
    with qa.record(layout, "render", unit) as record:
        options = settings["render"]
        fused, header = read_linear(layout.fused()), read_keywords(layout.fused())
        record.input(layout.fused())
        gains = np.array([float(header[f"WHITE_{channel}"]) for channel in "RGB"])
        rows, columns = covered_box(_well_covered(fused.coverage), options["crop_coverage"])
        value, valid = _complete(fused.value[:, rows, columns], fused.valid[:, rows, columns], gains)
        stretch = find_stretch(
            value, valid, sky_level=options["sky_level"], softening_sigma=options["softening_sigma"],
            white_quantile=options["white_quantile"],
        )  # fmt: skip
        display = render_for_display(value, valid, stretch, saturation=options["saturation"])
        text = _description(settings["target"]["name"], header)
        _write_tiff(layout.fused_tiff(), display, text)
        _write_png(layout.preview(), display, text, options["preview_pixels"])
        _report(record, display, valid, stretch)


def covered_box(covered, share):
    """Slices of the rows and columns that remain when border rows and columns are cut off.

    The border line with the least cover goes first, until each of the four is covered over at least ``share`` of
    its length inside the box. Everything is kept if nothing would remain.

    Parameters
    ----------
    covered : (ny, nx) bool
    share : 0 to 1

    Returns
    -------
    slice of rows, slice of columns
    """
    ny, nx = covered.shape
    total = np.zeros((ny + 1, nx + 1), dtype=np.int64)
    total[1:, 1:] = covered.cumsum(axis=0, dtype=np.int64).cumsum(axis=1)
    y0, y1, x0, x1 = 0, ny, 0, nx
    while y0 < y1 and x0 < x1:

        def part(a, b, c, d):
            return (total[b, d] - total[a, d] - total[b, c] + total[a, c]) / ((b - a) * (d - c))

        sides = (
            part(y0, y0 + 1, x0, x1), part(y1 - 1, y1, x0, x1), part(y0, y1, x0, x0 + 1), part(y0, y1, x1 - 1, x1),
        )  # fmt: skip
        worst = int(np.argmin(sides))
        if sides[worst] >= share:
            return slice(y0, y1), slice(x0, x1)
        y0, y1, x0, x1 = y0 + (worst == 0), y1 - (worst == 1), x0 + (worst == 2), x1 - (worst == 3)
    return slice(0, ny), slice(0, nx)


def srgb_profile():
    """Bytes of an ICC profile of the sRGB colour space; always the same."""
    profile = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    profile[PROFILE_DATE_AT] = PROFILE_DATE
    return bytes(profile)


def _well_covered(coverage):
    """(ny, nx) bool: enough frames in all channels; patches inside the field, like clipped cores, count as covered."""
    least = coverage.min(axis=0)
    usual = np.median(least[least > 0]) if (least > 0).any() else 0.0
    poor = (least <= 0) | (least < WELL_COVERED * usual)
    return ~(poor & ~enclosed(poor))


def _complete(value, valid, gains):
    """White-balanced planes without holes, and where they show the sky.

    Clipped cores of stars have no value in some channels or all. There the colour is that of the hole's rim,
    and the brightness at least the rim's, more where a channel that is not clipped tells so.
    """
    everywhere = valid.all(axis=0)
    hole = enclosed(~everywhere)
    balanced = np.where(valid, value * gains[:, None, None].astype(np.float32), np.float32(0.0))
    if not hole.any():
        return balanced, everywhere
    rim = np.stack([filled(plane, hole) for plane in balanced])
    told = valid & hole & (rim > 0)
    factor = np.divide(balanced, rim, out=np.ones_like(rim), where=told).max(axis=0)
    factor = filled(np.maximum(factor, 1.0), hole & ~told.any(axis=0))
    return np.where(hole, rim * factor, balanced), everywhere | hole


def _report(record, display, valid, stretch):
    shown = display[valid] if valid.any() else display.reshape(-1, 3)
    brightness = shown.mean(axis=-1)
    black, white = 0.5 / 255, 1 - 0.5 / 255
    record.metrics(
        {
            "width_px": display.shape[1],
            "height_px": display.shape[0],
            "picture_median_level": float(np.median(brightness)),
            "sky_display_level": stretch.sky_level,
            "black_fraction": float(np.mean(brightness <= black)),
            "white_fraction": float(np.mean(brightness >= white)),
            "sky_noise_e_s": stretch.sigma,
            "softening_e_s": stretch.soft,
            "white_level_e_s": stretch.white,
        }
    )
    for channel, level in zip("RGB", stretch.sky, strict=True):
        record.metric(f"sky_subtracted_e_s_{channel}", float(level))


def _description(target, header):
    lines = [
        f"{header[f'LINE{i}']} x {header[f'BOOST{i}']:.1f}" for i in range(1, 10) if f"LINE{i}" in header
    ]
    return f"{target}; stars and dust: {header['BASE']}; gas: {', '.join(lines) or 'none'}; recipe {header['RECIPE']}; sRGB"


def _write_tiff(path, display, text):
    with replaced(path) as temporary:
        tifffile.imwrite(
            temporary, np.rint(display * 65535).astype(np.uint16), photometric="rgb", iccprofile=srgb_profile(),
            description=text.encode("ascii", "replace").decode(), metadata=None, datetime=False, software="Duskloom",
        )  # fmt: skip


def _write_png(path, display, text, longest):
    picture = Image.fromarray(np.rint(display * 255).astype(np.uint8))
    if max(picture.size) > longest:
        scale = longest / max(picture.size)
        size = tuple(max(1, round(side * scale)) for side in picture.size)
        picture = picture.resize(size, Image.Resampling.LANCZOS)
    information = PngInfo()
    information.add_text("Description", text)
    buffer = io.BytesIO()
    picture.save(buffer, "PNG", icc_profile=srgb_profile(), pnginfo=information, compress_level=PNG_LEVEL)
    with replaced(path) as temporary:
        temporary.write_bytes(buffer.getvalue())
