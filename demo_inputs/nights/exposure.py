"""The forward model: what the sensor counts during one light or calibration frame."""

from functools import cached_property

import numpy as np
from scipy import ndimage

from demo_inputs.nights import spectra
from demo_inputs.nights.events import particle_hits, satellite_trails
from demo_inputs.nights.field import make_field
from demo_inputs.nights.kernels import add_halos, add_stars, sample_map
from demo_inputs.nights.sensor import channel_index, make_sensor, optics_flat, read_out

__all__ = ["Observatory"]

TEMPERATURE_NODES = 48
"""Temperatures at which star colours are integrated; in between they are interpolated in the logarithm."""

REACH_NEAR, REACH_FAR = 12.0, 60.0
"""Stars are drawn out to between these many core radii, the bright ones furthest."""

FAINTEST_PIXEL_E_S = 2e-3
"""A star is drawn until a pixel gets less than this; at 120 s it is a quarter of an electron."""

HALO_LEAST_E_S = 0.01
"""Halos fainter than this in a pixel are not drawn; they could not be seen."""

STREAK_STEPS = 13
"""Images of a star along a streak."""

FLAT_LEVEL = 0.42
"""Level of flats relative to full scale, in the strongest colour."""

FLAT_PANEL_K = 4300.0
"""Colour temperature of the flat panel."""


class Observatory:
    """A scene with all that is computed once: sky, sensor, rates of stars, gas, dust and glow."""

    def __init__(self, scene):
        self.scene = scene
        self.index = channel_index(scene)
        mono = scene.image.cfa == "mono"
        self.sensor_curves = spectra.sensor_curves(scene.camera, mono=mono)
        self.red, self.green = (0, 0) if mono else (0, 1)
        self.filters = {name: spectra.filter_curve(entry) for name, entry in scene.filters.items()}

    @cached_property
    def field(self):
        return make_field(self.scene)

    @cached_property
    def sensor(self):
        return make_sensor(self.scene)

    def star_rates(self, filter_name, airmass=0.0):
        """(C, n) electrons per second of all stars through a filter and the atmosphere (0: above it)."""
        scene = self.scene
        through = self.filters[filter_name] * spectra.extinction_curve(scene.sky.extinction, airmass)
        usual = spectra.band_rates(spectra.photon_spectrum(6000.0), 1.0, self.sensor_curves)[self.green]
        nodes = np.geomspace(0.9 * scene.stars.coolest_k, 1.1 * scene.stars.hottest_k, TEMPERATURE_NODES)
        table = np.array(
            [spectra.band_rates(spectra.photon_spectrum(t), through, self.sensor_curves) for t in nodes]
        )
        logs = np.log(self.field.temperature_k)
        relative = np.exp([np.interp(logs, np.log(nodes), np.log(column)) for column in table.T])
        brightness = scene.optics.zero_point_e_s / usual * 10.0 ** (-0.4 * self.field.magnitude)
        return relative * brightness

    def diffuse_rates(self, filter_name, airmass=0.0):
        """(C,) electrons per second per pixel where the maps of H-alpha, oxygen and dust are 1: dict by map."""
        nebula, scene = self.scene.nebula, self.scene
        through = self.filters[filter_name] * spectra.extinction_curve(scene.sky.extinction, airmass)
        curves, lines = self.sensor_curves, self.filters[nebula.with_lines]
        own_h = spectra.line_rates(spectra.H_ALPHA_NM, lines, curves)[self.red]
        own_o = spectra.line_rates(spectra.OXYGEN_NM, lines, curves)[self.green]
        dust = spectra.dust_spectrum()
        own_d = spectra.band_rates(dust, 1.0, curves)[self.green]
        return {
            "h_alpha": nebula.h_alpha_e_s * spectra.line_rates(spectra.H_ALPHA_NM, through, curves) / own_h,
            "oxygen": nebula.oxygen_e_s * spectra.line_rates(spectra.OXYGEN_NM, through, curves) / own_o,
            "dust": nebula.dust_e_s * spectra.band_rates(dust, through, curves) / own_d,
        }

    def glow_rates(self, filter_name):
        """(C,) electrons per second per pixel of the town's glow at the zenith."""
        glow = spectra.glow_spectrum()
        usual = spectra.band_rates(glow, 1.0, self.sensor_curves)[self.green]
        return (
            self.scene.sky.glow_e_s
            * spectra.band_rates(glow, self.filters[filter_name], self.sensor_curves)
            / usual
        )

    def expected_rate(self, light):
        """(ny, nx) float64 electrons per second that reach the sensor in a light, before pixel response."""
        ny, nx = self.scene.shape
        y, x = np.mgrid[:ny, :nx].astype(np.float64)
        rate = self._glow(light, x, y) + self._clouds(light, x, y)
        self._add_stars(rate, light)
        return rate * optics_flat(self.scene, light.filter_name)

    def expose_light(self, light):
        """(frame uint16, list of trails): a light with everything that happens to it."""
        scene = self.scene
        rate = self.expected_rate(light)
        through = self.glow_rates(light.filter_name) / self.glow_rates_unfiltered
        trails, streaks = satellite_trails(scene, light.random(scene, 1), light.fwhm_px)
        if streaks is not None:
            rate += streaks * through[self.index] / scene.exposure_s
        hits = particle_hits(scene, light.random(scene, 2))
        frame = read_out(
            scene, self.sensor, rate, scene.exposure_s, light.random(scene, 3), extra_electrons=hits
        )
        return frame, trails

    @cached_property
    def glow_rates_unfiltered(self):
        glow = spectra.glow_spectrum()
        usual = spectra.band_rates(glow, 1.0, self.sensor_curves)
        return self.scene.sky.glow_e_s * usual / usual[self.green]

    def expose_calibration(self, kind, night, filter_name, number, exposure_s):
        """(ny, nx) uint16 of a calibration frame."""
        scene = self.scene
        own = 0 if filter_name is None else 1 + sorted(scene.filters).index(filter_name)
        kinds = ("bias", "dark", "flat", "darkflat")
        rng = np.random.default_rng([scene.seed, 200 + kinds.index(kind), night, own, number])
        hits = particle_hits(scene, rng, share=exposure_s / scene.exposure_s)
        rate = None
        if kind == "flat":
            panel = spectra.photon_spectrum(FLAT_PANEL_K)
            colours = spectra.band_rates(panel, self.filters[filter_name], self.sensor_curves)
            wanted = FLAT_LEVEL * scene.camera.full_scale_adu * scene.camera.electrons_per_adu / exposure_s
            rate = (wanted * colours / colours.max())[self.index] * optics_flat(scene, filter_name)
            rate = rate * (1.0 + 0.01 * rng.standard_normal())
        return read_out(scene, self.sensor, rate, exposure_s, rng, extra_electrons=hits)

    def _glow(self, light, x, y):
        ny, nx = self.scene.shape
        half = 0.5 * np.hypot(nx, ny)
        u, v = (x - 0.5 * (nx - 1)) / half, (y - 0.5 * (ny - 1)) / half
        gx, gy, curvature = light.gradient
        shape = 1.0 + gx * u + gy * v + curvature * (u * u + v * v)
        return light.glow * self.glow_rates(light.filter_name)[self.index] * shape

    def _clouds(self, light, x, y):
        field, pose = self.field, light.pose
        # Each pixel looks where its own colour comes from.
        stretch = 1.0 + np.array(pose.lateral)[self.index]
        cx, cy = pose.centre
        sx, sy = pose.to_sky(cx + (x - cx) / stretch, cy + (y - cy) / stretch)
        sx, sy = sx - field.origin[0], sy - field.origin[1]
        rates = self.diffuse_rates(light.filter_name, light.airmass)
        total = np.zeros(self.scene.shape)
        sampled = np.empty(self.scene.shape)
        for name, per_channel in rates.items():
            sample_map(getattr(field, name), sx, sy, sampled)
            # The gas is smooth on the scale of a star; a Gaussian of the seeing's width is all it needs. A pixel of
            # the sky plane is larger or smaller on the sensor by the square of the scale.
            blurred = ndimage.gaussian_filter(sampled, light.fwhm_px / 2.3548, mode="nearest")
            total += blurred * (light.transparency * per_channel / pose.scale**2)[self.index]
        return total

    def _add_stars(self, rate, light):
        scene, field = self.scene, self.field
        flux = self.star_rates(light.filter_name, light.airmass) * light.transparency
        n_channels = len(self.sensor_curves)
        positions = [light.pose.to_frame(field.x, field.y, channel) for channel in range(n_channels)]
        x, y = (np.array([p[axis] for p in positions]) for axis in (0, 1))
        near = (
            (x[0] > -80) & (x[0] < scene.image.width + 80) & (y[0] > -80) & (y[0] < scene.image.height + 80)
        )
        x, y, flux = x[:, near], y[:, near], flux[:, near]
        beta = light.beta
        alpha = light.fwhm_px / (2.0 * np.sqrt(2.0 ** (1.0 / beta) - 1.0))
        peak = flux.max(axis=0) * (beta - 1.0) / (np.pi * alpha**2)
        reach = np.sqrt(np.maximum((peak / FAINTEST_PIXEL_E_S) ** (1.0 / beta) - 1.0, 0.0))
        reach = alpha * np.clip(reach, REACH_NEAR / 4, REACH_FAR)
        entry = scene.filters[light.filter_name]
        core = flux * (1.0 - entry.halo)
        steps = np.linspace(-0.5, 0.5, STREAK_STEPS) * light.streak_px if light.streak_px else [0.0]
        for step in steps:
            add_stars(
                rate, self.index, x + step * np.cos(0.7), y + step * np.sin(0.7), core / len(steps), alpha, beta,
                light.ratio, light.angle_rad, reach,
            )  # fmt: skip
        halo = flux * entry.halo
        seen = halo.max(axis=0) / (np.pi * entry.halo_radius_px**2) > HALO_LEAST_E_S
        add_halos(rate, self.index, x[:, seen], y[:, seen], halo[:, seen], entry.halo_radius_px)
