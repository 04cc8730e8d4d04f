"""Light and point-spread functions against reference libraries and published numbers."""

import colour
import numpy as np
import pytest
from astropy import units as u
from astropy.modeling.models import BlackBody
from photutils.psf_matching import make_kernel

from pipeline.numerics.crosstalk import CURVE_PRIOR
from pipeline.numerics.point_spread import measured_psf, psf_fwhm
from pipeline.numerics.psf_match import convolved, gaussian_kernel, matching_kernel
from pipeline.numerics.spectrum import LINES, black_body_photons, typical_response


@pytest.mark.parametrize("temperature", [3000.0, 5772.0, 20000.0])
def test_planck_against_astropy(temperature):
    """astropy.modeling BlackBody in energy per frequency, turned into photons per wavelength. Both use CODATA 2018
    constants; 1e-8 is what the digits of h c / k leave.
    """
    wavelength = np.array([400.0, 500.7, 656.3, 900.0]) * u.nm
    body = BlackBody(temperature=temperature * u.K, scale=1.0 * u.erg / (u.s * u.cm**2 * u.AA * u.sr))
    energy = body(wavelength).to(u.W / u.m**2 / u.nm / u.sr)
    photons = (energy / (6.62607015e-34 * u.J * u.s * 2.99792458e8 * u.m / u.s / wavelength)).to(
        1 / u.s / u.nm**3 / u.sr
    )
    np.testing.assert_allclose(black_body_photons(wavelength.value, temperature), photons.value, rtol=1e-8)


def test_line_wavelengths():
    """NIST Atomic Spectra Database, air wavelengths in nm to 0.01 (from memory)."""
    expected = {"Ha": 656.28, "OIII": 500.68, "Hb": 486.13, "NII": 658.34, "SII": 671.64}
    for name, wavelength in expected.items():
        assert LINES[name].wavelength_nm == pytest.approx(wavelength, abs=0.01)


def test_typical_response_lies_near_a_measured_camera():
    """Cross-talk of the typical curves against a camera measured by the National Physical Laboratory, as published in
    the colour-science package: within two standard deviations of the prior that the refinement starts from.
    """
    camera = next(iter(colour.MSDS_CAMERA_SENSITIVITIES.values()))
    typical = typical_response()
    for wavelength, own in ((656.3, 0), (500.7, 1)):
        measured = np.array(
            [np.interp(wavelength, camera.wavelengths, camera.values[:, i]) for i in range(3)]
        )
        assumed = np.array([typical[c](wavelength) for c in "RGB"])
        ratios = (measured / measured[own], assumed / assumed[own])
        # The blue response at [O III] lies on a steep flank; it is found from the data by regression.
        compared = [i for i in range(3) if not (own == 1 and i == 2)]
        assert np.abs(ratios[0] - ratios[1])[compared].max() < 2 * CURVE_PRIOR


def _psf(fwhm, half=15, beta=3.5):
    alpha = fwhm / (2 * np.sqrt(2 ** (1 / beta) - 1))
    grid = np.arange(-half, half + 1)
    psf = (1 + (grid[:, None] ** 2 + grid[None, :] ** 2) / alpha**2) ** -beta
    return psf / psf.sum()


def test_matching_kernel_against_photutils():
    """The Fourier-ratio kernel of photutils on the same noise-free pair. The two methods regularise differently, so
    the kernels differ in detail, but both must turn one PSF into the other: ours at least as well, and within
    2 % of the peak.
    """
    source, target = _psf(2.7), _psf(3.5)
    ours = matching_kernel(measured_psf(source[None]), measured_psf(target[None]), half=7)
    theirs = make_kernel(source, target, regularization=1e-4)
    half = source.shape[0] // 2

    def misfit(weights):
        matched = convolved(np.pad(source, 10), type(ours)(np.asarray(weights), "fitted", np.nan))[
            10:-10, 10:-10
        ]
        return np.abs(matched - target).max() / target.max()

    assert half == 15
    assert misfit(ours.weights) < 0.02
    assert misfit(ours.weights) <= misfit(theirs) + 0.005
    assert ours.weights.sum() == pytest.approx(1.0, abs=1e-9)


def test_gaussian_widths_add_in_squares():
    """Identity of Gaussians; pixel integration of the kernel adds 1/12 px^2 of variance per axis: 2 % here."""
    grid = np.arange(-20, 21)
    sigma = 3.0 / 2.3548
    source = np.exp(-0.5 * (grid[:, None] ** 2 + grid[None, :] ** 2) / sigma**2)
    widened = convolved(source / source.sum(), gaussian_kernel(3.0, 4.0))
    assert psf_fwhm(widened) == pytest.approx(4.0, rel=0.02)
