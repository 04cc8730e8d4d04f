"""How good a light is as the frame that others are held against."""

import numpy as np

__all__ = ["frame_scores"]


def frame_scores(fwhm_px, elongation, n_stars, noise_e_s):
    """Score of each light; the highest is the best reference.

        score = sqrt(n / n_best) / ((FWHM / FWHM_best)^2 * elongation * (noise / noise_best))

    A star's limiting flux goes with FWHM times noise, the precision of a pose with the square root of the number of
    stars; width counts twice since a sharp reference also separates close stars (own choice, no source).

    Parameters
    ----------
    fwhm_px, elongation, n_stars, noise_e_s : (n,) of lights that can be compared (one filter)

    Returns
    -------
    (n,) float64; NaN inputs give -inf
    """
    fwhm, elongation, stars, noise = (
        np.asarray(values, dtype=np.float64) for values in (fwhm_px, elongation, n_stars, noise_e_s)
    )
    good = np.isfinite(fwhm) & np.isfinite(elongation) & np.isfinite(noise) & (stars > 0) & (noise > 0) & (fwhm > 0)
    score = np.full(fwhm.shape, -np.inf)
    if good.any():
        best = fwhm[good].min(), stars[good].max(), noise[good].min()
        score[good] = np.sqrt(stars[good] / best[1]) / (
            (fwhm[good] / best[0]) ** 2 * elongation[good] * noise[good] / best[2]
        )
    return score
