"""The comparison: a careful pipeline out of general libraries, one process, frames stacked with clipping.

    python -m tests.benchmarks.library_pipeline OUT DARK FLAT LIGHT...

ccdproc calibrates; an ordinary bilinear demosaic by convolution (scipy) gives three planes; astroalign finds the
transformation on the luminance and applies it to each plane; ccdproc combines with sigma clipping, as much at a time as
4 GB hold. Registered planes are kept on disk as float32, as ccdproc's own memory limit works on files.
"""

import sys
import warnings
from pathlib import Path

import astroalign
import ccdproc
import numpy as np
from astropy import units as u
from astropy.io import fits
from astropy.nddata import CCDData
from scipy import ndimage

MEMORY_LIMIT_BYTES = 4e9

RED_BLUE = np.array([[1, 2, 1], [2, 4, 2], [1, 2, 1]]) / 4
GREEN = np.array([[0, 1, 0], [1, 4, 1], [0, 1, 0]]) / 4
"""Bilinear interpolation of the missing pixels of a colour of a Bayer array (textbook)."""


def demosaic(raw):
    """(3, ny, nx) float32 of an RGGB frame."""
    planes = []
    for offsets, kernel in (([(0, 0)], RED_BLUE), ([(0, 1), (1, 0)], GREEN), ([(1, 1)], RED_BLUE)):
        sparse = np.zeros_like(raw)
        for dy, dx in offsets:
            sparse[dy::2, dx::2] = raw[dy::2, dx::2]
        planes.append(ndimage.convolve(sparse, kernel.astype(np.float32), mode="mirror"))
    return np.stack(planes)


def main(out, dark, flat, *lights):
    """Stack ``lights`` into ``out``."""
    warnings.simplefilter("ignore")
    dark, flat = (CCDData(fits.getdata(path).astype(np.float32), unit="adu") for path in (dark, flat))
    flat = ccdproc.subtract_bias(flat, dark)
    folder = Path(out).parent
    reference, registered = None, []
    for number, path in enumerate(lights):
        light = CCDData(fits.getdata(path).astype(np.float32), unit="adu")
        light = ccdproc.flat_correct(ccdproc.subtract_bias(light, dark), flat)
        planes = demosaic(np.asarray(light.data, dtype=np.float32))
        luminance = planes.mean(axis=0)
        if reference is None:
            reference = luminance
        else:
            transform, _ = astroalign.find_transform(
                luminance, reference, max_control_points=50, detection_sigma=8
            )
            planes = np.stack(
                [astroalign.apply_transform(transform, plane, reference)[0] for plane in planes]
            )
        names = []
        for c, plane in enumerate(planes):
            names.append(folder / f"registered_{number}_{c}.fits")
            CCDData(plane.astype(np.float32), unit="adu").write(names[-1], overwrite=True)
        registered.append(names)
    stack = [
        ccdproc.combine(
            [str(names[c]) for names in registered], method="average", sigma_clip=True, sigma_clip_low_thresh=3,
            sigma_clip_high_thresh=3, sigma_clip_func=np.ma.median, mem_limit=MEMORY_LIMIT_BYTES, dtype=np.float32, unit=u.adu,
        ).data
        for c in range(3)
    ]  # fmt: skip
    fits.writeto(out, np.stack(stack).astype(np.float32), overwrite=True)


if __name__ == "__main__":
    main(*sys.argv[1:])
