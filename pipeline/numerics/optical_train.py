"""An optical train on paper: what its glass does to the focus, and what spacer the corrector wants.

Lengths in mm unless the name says otherwise.
"""

from dataclasses import dataclass

from pipeline.numerics.glass import (
    airy_zone_um,
    defocus_diameter_um,
    focus_shift_mm,
    quarter_wave_zone_um,
    refractive_index,
)

__all__ = ["RULE_INDEX", "Plate", "Train", "plate"]

RULE_INDEX = 1.5
"""Index that turns t (1 - 1/n) into the rule of thumb t/3 (common practice, no source)."""

USUAL_WAVELENGTH_NM = 550.0
"""Where a filter's passband is not known: the middle of the visible."""


@dataclass(frozen=True)
class Plate:
    """Plane glass in the beam: thickness, index at the filter's wavelength, where that is from, and the shift."""

    thickness_mm: float
    index: float
    index_from: str
    shift_mm: float


@dataclass(frozen=True)
class Train:
    """What is known of a train; None where it is not.

    Attributes
    ----------
    f_ratio : focal length over aperture
    back_focus_mm : what the corrector asks for without glass
    spacing_mm : sum of what is between its flange and the sensor
    window_shift_mm : focus shift of glass other than the filters
    """

    f_ratio: float | None
    back_focus_mm: float | None
    spacing_mm: float | None
    window_shift_mm: float = 0.0

    def spacer_mm(self, plate):
        """Spacer to add (negative: to take out) with that plate, or None: glass moves the focus outwards, so the
        corrector wants its back focus plus all shifts.
        """
        if self.back_focus_mm is None or self.spacing_mm is None:
            return None
        shift = self.window_shift_mm + (plate.shift_mm if plate else 0.0)
        return self.back_focus_mm + shift - self.spacing_mm

    def blur_um(self, defocus_mm):
        """Diameter of the geometric disc of a point that far from focus, or None."""
        if self.f_ratio is None or defocus_mm is None:
            return None
        return defocus_diameter_um(defocus_mm, self.f_ratio)

    def zones_um(self, wavelength_nm=USUAL_WAVELENGTH_NM):
        """(quarter wave, Airy) whole focus zones in um, or None."""
        if self.f_ratio is None:
            return None
        return quarter_wave_zone_um(wavelength_nm, self.f_ratio), airy_zone_um(wavelength_nm, self.f_ratio)


def plate(thickness_mm, *, glass=None, index=None, wavelength_nm=None):
    """Plane glass, its index given, or of a named glass at a wavelength, or 1.5."""
    if index is not None:
        origin = "given"
    elif glass is not None:
        wavelength = wavelength_nm or USUAL_WAVELENGTH_NM
        index, origin = refractive_index(glass, wavelength), f"{glass} at {wavelength:.0f} nm"
    else:
        index, origin = RULE_INDEX, "rule of thumb"
    return Plate(thickness_mm, index, origin, focus_shift_mm(thickness_mm, index))
