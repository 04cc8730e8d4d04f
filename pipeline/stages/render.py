"""Render: white balance, tone curve and colour space; a 16-bit TIFF and a PNG from the fused linear light."""

import io

import numpy as np
import tifffile
from PIL import Image, ImageCms
from PIL.PngImagePlugin import PngInfo

from pipeline import qa
from pipeline.atomic import replaced
from pipeline.fitsio import read_keywords, read_linear
from pipeline.numerics.fill import filled
from pipeline.numerics.stretch import find_stretch, render_for_display

__all__ = ["covered_box", "run", "srgb_profile"]


def run(layout, unit, settings, **_):
    """Render the fused picture."""
    with qa.record(layout, "render", unit) as record:
        options = settings["render"]
        fused, header = read_linear(layout.fused()), read_keywords(layout.fused())
        record.input(layout.fused())
        gains = np.array([float(header[f"WHITE_{channel}"]) for channel in "RGB"])
        valid = fused.valid.all(axis=0)
        rows, columns = covered_box(valid | fused.valid.any(axis=0), options["crop_coverage"])
        valid, value = valid[rows, columns], fused.value[:, rows, columns]
        # Clipped star cores have no value; the light around them is continued inwards, so that no hole is left.
        holes = (
            ~fused.valid[:, rows, columns] & fused.valid[:, rows, columns].any(axis=0)[None]
            | _inner_holes(valid)[None]
        )
        value = np.stack(
            [_continued(plane, hole, gain) for plane, hole, gain in zip(value, holes, gains, strict=True)]
        )
        valid = valid | holes.any(axis=0)
        stretch = find_stretch(
            value, valid, sky_level=options["sky_level"], softening_sigma=options["softening_sigma"],
            white_quantile=options["white_quantile"],
        )  # fmt: skip
        display = render_for_display(value, valid, stretch, saturation=options["saturation"])
        text = _description(settings, header)
        _write_tiff(layout.fused_tiff(), display, text)
        _write_png(layout.preview(), display, text)
        grey = display.mean(axis=-1)[valid] if valid.any() else np.zeros(1)
        record.metrics(
            {
                "width_px": display.shape[1],
                "height_px": display.shape[0],
                "sky_display_level": float(np.median(grey)),
                "black_fraction": float(np.mean(grey <= 0.5 / 255)),
                "white_fraction": float(np.mean(grey >= 1 - 0.5 / 255)),
                "sky_noise_e_s": stretch.sigma,
                "softening_e_s": stretch.soft,
                "white_level_e_s": stretch.white,
            }
        )


def covered_box(valid, share):
    """Slices of the rows and columns of which at least ``share`` is covered; everything if there are none."""
    rows, columns = np.flatnonzero(valid.mean(axis=1) >= share), np.flatnonzero(valid.mean(axis=0) >= share)
    if rows.size == 0 or columns.size == 0:
        return slice(0, valid.shape[0]), slice(0, valid.shape[1])
    return slice(int(rows[0]), int(rows[-1]) + 1), slice(int(columns[0]), int(columns[-1]) + 1)


def srgb_profile():
    """Bytes of an ICC profile of the sRGB colour space."""
    return ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()


def _inner_holes(valid):
    """Uncovered spots that do not touch the border: clipped cores, not the edge of the field."""
    from scipy import ndimage

    labels, _ = ndimage.label(~valid)
    outer = np.unique(np.concatenate([labels[0], labels[-1], labels[:, 0], labels[:, -1]]))
    return (labels > 0) & ~np.isin(labels, outer)


def _continued(plane, hole, gain):
    """White-balanced plane; holes take at least the brightness of their rim."""
    plane = plane * np.float32(gain)
    if not hole.any():
        return plane
    return np.where(hole, np.maximum(filled(plane, hole), plane), plane)


def _description(settings, header):
    return f"{settings.get('target', {}).get('name', 'picture')}; base {header.get('BASE', '')}, recipe {header.get('RECIPE', '')}; sRGB"


def _write_tiff(path, display, text):
    with replaced(path) as temporary:
        tifffile.imwrite(
            temporary, np.rint(display * 65535).astype(np.uint16), photometric="rgb", iccprofile=srgb_profile(),
            description=text.encode("ascii", "replace").decode(), metadata=None, datetime=False, software="Duskloom",
        )  # fmt: skip


def _write_png(path, display, text):
    picture = Image.fromarray(np.rint(display * 255).astype(np.uint8))
    information = PngInfo()
    information.add_text("Description", text)
    buffer = io.BytesIO()
    picture.save(buffer, "PNG", icc_profile=srgb_profile(), pnginfo=information, optimize=True)
    with replaced(path) as temporary:
        temporary.write_bytes(buffer.getvalue())
