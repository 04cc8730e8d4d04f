"""Find the stars of a filter set's stack, once, for all stages that need them."""

from pipeline import qa
from pipeline.fitsio import read_linear
from pipeline.numerics.levelled_stars import stars_of
from pipeline.numerics.stack_stars import no_stars
from pipeline.star_tables import write_star_table

__all__ = ["run"]


def run(layout, unit, settings):
    """Find the stars of filter set ``unit``."""
    sigma = settings["flatten"]["star_sigma"]
    with qa.record(layout, "find_stars", unit) as record:
        image = read_linear(layout.stack(unit), rejected=False)
        record.input(layout.stack(unit))
        stars = stars_of(image.value, image.valid, sigma=sigma) if image.has_data else no_stars()
        record.metric("stars_in_stack", len(stars))
        write_star_table(layout.stack_stars(unit), stars, sigma)
