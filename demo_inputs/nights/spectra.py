"""Light by wavelength: black bodies, town glow, filters, sensor; and what a pixel counts of it."""

import numpy as np
from scipy import special
from scipy.interpolate import PchipInterpolator

__all__ = [
    "CHANNELS",
    "GRID_NM",
    "H_ALPHA_NM",
    "OXYGEN_NM",
    "band_rates",
    "dust_spectrum",
    "extinction_curve",
    "filter_curve",
    "glow_spectrum",
    "line_rates",
    "photon_spectrum",
    "sensor_curves",
]

GRID_NM = np.arange(380.0, 720.5, 0.5)
"""Wavelengths on which integrals are taken; half a nanometre resolves the edges of a 10 nm filter."""

CHANNELS = ("R", "G", "B")

H_ALPHA_NM = 656.28
OXYGEN_NM = 500.68
"""Air wavelengths of H-alpha and [O III] (NIST Atomic Spectra Database, from memory)."""

HC_OVER_K_NM_K = 1.438777e7
"""Second radiation constant, nm K (CODATA 2018)."""

LAMP_LINES = (
    (435.8, 0.05),
    (546.1, 0.09),
    (577.0, 0.05),
    (569.0, 0.07),
    (589.3, 0.30),
    (615.7, 0.06),
    (557.7, 0.03),
    (630.0, 0.02),
)
"""Mercury and sodium lamps and natural airglow: wavelength and share of the glow's photons (invented town)."""

LINE_SIGMA_NM = 1.5
"""Width of a lamp line; pressure-broadened sodium is a few nanometres wide."""


def photon_spectrum(temperature_k):
    """Photons per nm of a black body on ``GRID_NM``, 1 at 550 nm (Planck: lambda^-4 / (exp(c2 / lambda T) - 1))."""

    def planck(nm):
        return nm**-4.0 / np.expm1(HC_OVER_K_NM_K / (nm * temperature_k))

    return planck(GRID_NM) / planck(550.0)


def dust_spectrum():
    """Starlight of 9000 K scattered by small grains: bluer by lambda^-1.5; 1 at 550 nm."""
    return photon_spectrum(9000.0) * (GRID_NM / 550.0) ** -1.5


def glow_spectrum():
    """Photons per nm of the town's glow: white LEDs (blue peak and phosphor), lamp lines, a faint natural floor."""
    blue = np.exp(-0.5 * ((GRID_NM - 452.0) / 11.0) ** 2)
    phosphor = np.exp(-0.5 * ((GRID_NM - 570.0) / 58.0) ** 2)
    led = 0.25 * blue / blue.sum() + 0.75 * phosphor / phosphor.sum()
    floor = np.full_like(GRID_NM, 1.0 / GRID_NM.size)
    total = 0.28 * led + 0.05 * floor
    for nm, share in LAMP_LINES:
        line = np.exp(-0.5 * ((GRID_NM - nm) / LINE_SIGMA_NM) ** 2)
        total = total + share * line / line.sum()
    return total


def filter_curve(entry):
    """Transmission of a filter on ``GRID_NM``: bands with smooth edges."""
    curve = np.zeros_like(GRID_NM)
    for low, high, peak in entry.bands:
        rise = special.expit((GRID_NM - low) / (0.3 * entry.edge_nm))
        fall = special.expit((high - GRID_NM) / (0.3 * entry.edge_nm))
        curve = np.maximum(curve, peak * rise * fall)
    return curve


def sensor_curves(camera, *, mono=False):
    """(C, n) quantum efficiency of R, G, B, or of the bare sensor if mono."""
    colours = [
        PchipInterpolator(camera.wavelength_nm, getattr(camera, name))(GRID_NM)
        for name in ("red", "green", "blue")
    ]
    curves = np.clip(np.array(colours), 0.0, None)
    return curves.max(axis=0, keepdims=True) if mono else curves


def extinction_curve(magnitudes, airmass):
    """Transmission of the atmosphere; aerosol and Rayleigh extinction as lambda^-1.8 scaled at 550 nm."""
    return 10.0 ** (-0.4 * magnitudes * (GRID_NM / 550.0) ** -1.8 * airmass)


def band_rates(spectrum, transmission, sensor):
    """(C,) integral of a photon spectrum through filter and sensor."""
    return (spectrum * transmission * sensor).sum(axis=1) * (GRID_NM[1] - GRID_NM[0])


def line_rates(nm, transmission, sensor):
    """(C,) response to a line."""
    return np.array([np.interp(nm, GRID_NM, transmission * curve) for curve in sensor])
