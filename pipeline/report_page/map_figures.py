"""Figures over the field: the backgrounds that were subtracted, and the line maps."""

import numpy as np
from matplotlib.colors import AsinhNorm
from matplotlib.ticker import MaxNLocator

from pipeline.report_page.drawing import INCHES_WIDE, RATE_LABEL, canvas, draw

__all__ = ["background_figure", "line_figure"]

MAP_EXTRA_INCHES = 1.15
"""Height that a map's title and colour bar need."""

MAP_QUANTILES = (0.5, 99.7)
"""Per cent range of a map that its grey scale spans; a few stars must not decide it."""


def background_figure(backgrounds, *, alt, caption):
    """Background models that were subtracted, relative to their median, mean of the channels.

    Parameters
    ----------
    backgrounds : dict filter set -> (by, bx) electron/s per pixel
    """

    def plot(theme):
        return _maps(
            theme,
            {name: plane - np.nanmedian(plane) for name, plane in backgrounds.items()},
            "cividis",
            False,
        )

    return draw(plot, alt=alt, caption=caption)


def line_figure(lines, *, alt, caption):
    """Line maps on an arcsinh grey scale.

    Parameters
    ----------
    lines : dict line -> (by, bx) electron/s per pixel
    """

    def plot(theme):
        return _maps(theme, lines, "gray", True)

    return draw(plot, alt=alt, caption=caption)


def _maps(theme, maps, colours, compress):
    """A row of maps with a colour bar each; at most three in a row."""
    # A single map keeps to the half of the width that two would have.
    columns = min(3, max(2, len(maps)))
    rows = -(-len(maps) // columns)
    first = next(iter(maps.values()))
    height = rows * (INCHES_WIDE / columns * first.shape[0] / first.shape[1] + MAP_EXTRA_INCHES)
    figure, axes = canvas(height, rows, columns)
    for axis in axes.ravel()[len(maps) :]:
        axis.set_visible(False)
    for axis, (name, plane) in zip(axes.ravel(), maps.items(), strict=False):
        low, high = np.nanpercentile(plane, MAP_QUANTILES if compress else (0, 100))
        if not high > low:
            low, high = low - 0.5, low + 0.5
        norm = _asinh_norm(plane, low, high) if compress else None
        limits = {} if norm else {"vmin": low, "vmax": high}
        shown = axis.imshow(plane, cmap=colours, norm=norm, **limits)
        axis.set(xticks=[], yticks=[], title=name)
        axis.grid(False)
        axis.spines[:].set_visible(False)
        bar = figure.colorbar(shown, ax=axis, orientation="horizontal", pad=0.03, aspect=30)
        bar.set_ticks(_bar_ticks(low, high))
        bar.ax.xaxis.set_major_formatter("{x:.3g}")
        bar.ax.minorticks_off()
        bar.set_label(RATE_LABEL)
        bar.outline.set_edgecolor(theme.ink)
    return figure


def _asinh_norm(plane, low, high):
    # Linear up to a few times the map's own scatter, compressed above.
    spread = np.nanmedian(np.abs(plane - np.nanmedian(plane)))
    return AsinhNorm(linear_width=max(float(2 * spread), 0.02 * (high - low)), vmin=low, vmax=high)


def _bar_ticks(low, high):
    ticks = MaxNLocator(nbins=4).tick_values(low, high)
    return [tick for tick in ticks if low <= tick <= high]
