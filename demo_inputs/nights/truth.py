"""What is true of the frames, in files of their own that the pipeline never sees."""

import json
from dataclasses import asdict
from pathlib import Path

import numpy as np
from astropy.io import fits
from astropy.table import Table

from demo_inputs.nights import spectra
from demo_inputs.nights.exposure import Observatory
from demo_inputs.nights.files import light_path

__all__ = ["write_truth"]


def write_truth(folder, scene, made, *, trails, bad_files):
    """Write ``truth.json`` (scalars), ``truth.fits`` (maps and stars) and the curves as CSV files.

    Parameters
    ----------
    folder : where to
    made : list of Light
    trails : dict path -> list of trails
    bad_files : dict path -> what is wrong
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    observatory = Observatory(scene)
    field = observatory.field
    maps = [fits.ImageHDU(getattr(field, name), name=name.upper()) for name in ("h_alpha", "oxygen", "dust")]
    stars = Table(
        {"x": field.x, "y": field.y, "magnitude": field.magnitude, "temperature_k": field.temperature_k}
    )
    for name in scene.filters:
        stars[f"rate_{name}"] = observatory.star_rates(name).T
    fits.HDUList([fits.PrimaryHDU(), *maps, fits.BinTableHDU(stars, name="STARS")]).writeto(
        folder / "truth.fits", overwrite=True
    )
    content = {
        "scene": asdict(scene),
        "map_origin": field.origin,
        "channels": ["L"] if scene.image.cfa == "mono" else list(spectra.CHANNELS),
        "rates": {
            name: {
                "diffuse": {key: value.tolist() for key, value in observatory.diffuse_rates(name).items()},
                "glow": observatory.glow_rates(name).tolist(),
            }
            for name in scene.filters
        },
        "lights": [_light(observatory, light, trails) for light in made],
        "bad_files": bad_files,
    }
    (folder / "truth.json").write_text(json.dumps(content, indent=1), encoding="utf-8")
    _write_curves(folder, observatory)


def _light(observatory, light, trails):
    scene = observatory.scene
    path = str(light_path(scene, light))
    above, below = (observatory.diffuse_rates(light.filter_name, airmass) for airmass in (0.0, light.airmass))
    pose = light.pose
    sky = observatory.glow_rates(light.filter_name) * light.glow
    return {
        "path": path,
        "night": light.night,
        "filter": light.filter_name,
        "spoiled": light.spoiled,
        "fwhm_px": light.fwhm_px,
        "beta": light.beta,
        "ratio": light.ratio,
        "airmass": light.airmass,
        "transparency": light.transparency,
        # Share of each map's light that comes through the air, channel by channel.
        "throughput": {
            key: (
                light.transparency
                * np.divide(below[key], above[key], out=np.zeros_like(sky), where=above[key] > 0)
            ).tolist()
            for key in above
        },
        "sky_e_s": sky.tolist(),
        "gradient": list(light.gradient),
        "weight": (light.transparency**2 * scene.exposure_s / np.maximum(sky, 1e-9)).tolist(),
        "pose": {
            "scale": pose.scale,
            "rotation_rad": pose.rotation_rad,
            "shift": list(pose.shift),
            "lateral": list(pose.lateral),
        },
        "trails": trails.get(path, []),
    }


def _write_curves(folder, observatory):
    """Response of the camera and transmission of the filters, as a user would have them from the makers."""
    names = ["L"] if len(observatory.sensor_curves) == 1 else list(spectra.CHANNELS)
    every = slice(None, None, 2)
    rows = np.column_stack([spectra.GRID_NM[every], *(curve[every] for curve in observatory.sensor_curves)])
    _write_csv(folder / "camera_response.csv", ["wavelength_nm", *names], rows)
    for name, curve in observatory.filters.items():
        rows = np.column_stack([spectra.GRID_NM[every], curve[every]])
        _write_csv(folder / f"filter_{name}.csv", ["wavelength_nm", "transmission"], rows)


def _write_csv(path, header, rows):
    lines = [",".join(header), *(",".join(f"{value:.5g}" for value in row) for row in rows)]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
