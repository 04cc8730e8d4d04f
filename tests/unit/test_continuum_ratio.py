"""Laws of starlight: their level."""

import numpy as np
import pytest

from pipeline.numerics.continuum_ratio import ColourLaw, levelled


def _ratios(level, error, n=60):
    rng = np.random.default_rng(2)
    law = ColourLaw(np.array([0.1, 0.02]), (-1.0, 1.0), 0.01, n)
    colour = rng.uniform(-0.9, 0.9, n)
    ratio = level * law(colour) * (1 + error * rng.normal(size=n))
    return law, colour, ratio, np.full(n, error) * law(colour)


def test_the_level_follows_apertures_that_are_precise():
    """Sixty of 1 % each, and 1 % of the match, say 0.2 %; beside that the prior of 0.7 % draws back by a fifteenth of the 3 %."""
    law = levelled(*_ratios(1.03, 0.01))
    assert law(0.3) / _ratios(1.03, 0.01)[0](0.3) == pytest.approx(1.03, abs=0.006)


def test_the_level_stays_where_apertures_know_nothing():
    """Sixty of 100 % each say 13 %, to 0.7 % of the prior: hardly any of what they claim is believed."""
    start, *_ = told = _ratios(1.0, 1.0)
    assert levelled(*told)(0.3) / start(0.3) == pytest.approx(1.0, abs=0.01)


def test_apertures_full_of_gas_move_the_level_less_than_cores_err():
    """Sixty of 30 % each say 4 %, cores 0.7 %: a thirtieth of the 6 % that they claim is believed."""
    law, colour, ratio, error = _ratios(1.06, 0.3)
    assert levelled(law, colour, ratio, error)(0.3) / law(0.3) == pytest.approx(1.0, abs=0.005)


def test_far_off_stars_and_unknown_ones_do_not_count():
    law, colour, ratio, error = _ratios(1.03, 0.01)
    ratio[:6] *= 1.5
    ratio[6] = np.nan
    assert levelled(law, colour, ratio, error)(0.3) / law(0.3) == pytest.approx(1.03, abs=0.006)
