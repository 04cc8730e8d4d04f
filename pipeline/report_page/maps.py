"""The block maps of a run, and what several sections of the page read off them."""

from dataclasses import dataclass

import numpy as np

from pipeline.errors import InputError
from pipeline.report_page.blocks import BlockMap, read_block_map
from pipeline.report_page.evidence import Flag
from pipeline.report_page.regions import Region, regions

__all__ = ["Maps", "read_maps"]


@dataclass(frozen=True)
class Maps:
    """Block maps by name.

    Attributes
    ----------
    flats : dict filter set -> BlockMap, those that exist
    lines : dict line -> BlockMap
    regions : list of Region, where signal is compared
    problems : Flags about files that could not be read
    """

    flats: dict[str, BlockMap]
    lines: dict[str, BlockMap]
    regions: tuple[Region, ...]
    problems: tuple[Flag, ...]

    def backgrounds(self):
        """Filter set -> subtracted background, mean of the channels, (by, bx) electron/s per pixel."""
        return {
            name: np.mean(flat.background, axis=0)
            for name, flat in self.flats.items()
            if flat.background is not None and np.isfinite(flat.background).all(axis=0).any()
        }

    def best_signal_to_noise(self):
        """Filter set -> (signal-to-noise of a block, region in words), in the region and channel that suit it best."""
        best = {}
        for name, flat in self.flats.items():
            figures = [
                (float(np.median(values)), region.name)
                for region in self.regions
                if region.mask.shape == flat.value.shape[1:]
                for plane in flat.significance
                if (values := plane[region.mask & np.isfinite(plane)]).size
            ]
            if figures:
                best[name] = max(figures)
        return best


def read_maps(evidence):
    """Read all flattened stacks and line maps of a run; what cannot be read is noted and left out."""
    problems = []
    deepest_first = sorted(evidence.filter_sets, key=lambda each: -each.used_s)
    paths = {each.name: each.flat for each in deepest_first if each.flat is not None}
    flats = _read(paths, problems)
    lines = _read(evidence.lines, problems)
    compared = tuple(regions(lines, flats))
    in_order = {each.name: flats[each.name] for each in evidence.filter_sets if each.name in flats}
    return Maps(in_order, lines, compared, tuple(problems))


def _read(paths, problems):
    maps = {}
    for name, path in paths.items():
        try:
            found = read_block_map(path)
        except InputError as error:
            problems.append(
                Flag("report", name, "unreadable_product", "warn", f"An image cannot be used: {error}.")
            )
            continue
        # An image without data stands for what could not be done; the stage that wrote it says why.
        if found is not None:
            maps[name] = found
    return maps
