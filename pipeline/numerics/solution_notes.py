"""Figures of a solution for the QA record."""

__all__ = ["halo_notes", "law_notes", "psf_notes"]


def psf_notes(matched, channels):
    """Of each plane: width, kind of kernel, and how far matched PSFs still differ."""
    notes = {"psf_stars": matched.n_stars, "psf_target_fwhm_px": matched.target_fwhm_px}
    for (s, c), fwhm, kernel in zip(channels, matched.fwhm_px, matched.kernels, strict=True):
        name = f"{s.name}_{s.image.channels[c]}"
        notes[f"psf_fwhm_px_{name}"] = float(fwhm)
        notes[f"psf_kernel_{name}"] = kernel.method
        notes[f"psf_match_residual_{name}"] = kernel.residual
    return notes


def halo_notes(haloes):
    """Of each line: how many discs were taken off round stars, and the one with most light."""
    notes = {}
    for name, model in haloes.items():
        notes[f"halo_discs_{name}"] = len(model.discs)
        if model.discs:
            strongest = max(model.discs, key=lambda disc: abs(disc.light_share))
            notes[f"halo_radius_px_{name}"] = strongest.radius_px
            notes[f"halo_light_share_{name}"] = strongest.light_share
    return notes


def law_notes(laws, channels, typical, from_stars):
    """Of each narrow plane: the ratio of starlight at the typical colour, its scatter, the stars it rests on."""
    notes = {"continuum_ratio_from_stars": from_stars, "typical_colour": typical}
    for (s, c), law in zip(channels, laws, strict=False):
        name = f"{s.name}_{s.image.channels[c]}"
        notes[f"continuum_ratio_{name}"] = float(law(typical))
        notes[f"continuum_ratio_scatter_{name}"] = law.scatter
        notes[f"continuum_ratio_stars_{name}"] = law.n_stars
    return notes
