"""How figures look and how they get into the page: two themes, drawn without global state, as inline SVG.

Each figure is drawn for light surroundings and recoloured for dark ones; the page picks by the reader's preference.
Text becomes outlines and ids come from a fixed salt, so the bytes depend on the data alone.
"""

import base64
import io
import re
from dataclasses import dataclass

import matplotlib as mpl
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

__all__ = ["DARK", "INCHES_WIDE", "LIGHT", "MARKERS", "RATE_LABEL", "Drawing", "Theme", "canvas", "draw"]


@dataclass(frozen=True)
class Theme:
    """Colours of a figure.

    Attributes
    ----------
    name : "light" or "dark"
    paper : background, the same as the page's
    ink : text and axes; at least 7:1 against the paper (WCAG 2.2, 1.4.6)
    faint : grid and secondary marks
    series : colours of the filter sets, all at least 3:1 against the paper (WCAG 2.2, 1.4.11) and told apart
        by lightness as well as hue; marker shapes repeat the distinction
    """

    name: str
    paper: str
    ink: str
    faint: str
    series: tuple[str, ...]


LIGHT = Theme(
    "light", "#ffffff", "#1f2630", "#c9ced6", ("#1c5d99", "#b3541e", "#2b7a4b", "#7a3b8f", "#6b6b00")
)
DARK = Theme("dark", "#171b21", "#e3e7ec", "#454d59", ("#7fb8ee", "#f2a36b", "#86d3a2", "#cf9be0", "#d8d56a"))

MARKERS = ("o", "s", "^", "D", "v")
"""Marker of each filter set, in the order of ``Theme.series``."""

INCHES_WIDE = 8.6
"""Width of a figure; with ``FONT_SIZE`` points its text is as large as the page's small print at full width."""

RATE_LABEL = "$\\mathrm{e^{-}\\,s^{-1}\\,px^{-1}}$"
"""Electrons per second and pixel in matplotlib's notation; its outlines have no superscript minus as a letter."""

FONT_SIZE = 9.5
"""Points."""

STYLE = {
    "svg.hashsalt": "report",
    "svg.fonttype": "path",
    "font.family": "DejaVu Sans",  # comes with matplotlib, so the outlines are the same everywhere
    "font.size": FONT_SIZE,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.titlesize": FONT_SIZE,
    "axes.titlelocation": "left",
    "axes.unicode_minus": True,
    "axes.grid": True,
    "grid.linewidth": 0.6,
    "legend.frameon": False,
    "lines.markersize": 4.5,
    "image.interpolation": "nearest",
    "path.simplify": False,
}
"""matplotlib settings of every figure, whatever the user's own style file says."""


@dataclass(frozen=True)
class Drawing:
    """A figure ready for the page.

    Attributes
    ----------
    light, dark : data URIs; ``dark`` is None for photographs, which need no second version
    width, height : CSS pixels
    alt : what it shows, in words, for a reader who does not see it
    caption : sentence under the figure
    """

    light: str
    dark: str | None
    width: int
    height: int
    alt: str
    caption: str


def canvas(height, rows=1, columns=1, **options):
    """A figure of the standard width with a grid of axes; returns (figure, (rows, columns) array of axes)."""
    figure = Figure(figsize=(INCHES_WIDE, height), layout="constrained")
    return figure, figure.subplots(rows, columns, squeeze=False, **options)


def draw(plot, *, alt, caption):
    """Draw a figure and recolour it for the other theme.

    Parameters
    ----------
    plot : callable taking a ``Theme`` and returning a matplotlib ``Figure``
    alt, caption : texts

    Returns
    -------
    Drawing
    """
    with mpl.rc_context({**mpl.rcParamsDefault, **STYLE, **_colours(LIGHT)}):
        figure = plot(LIGHT)
        svg = _svg(figure)
    # SVG counts 72 units per inch, CSS 96 pixels.
    width, height = (round(inches * 96) for inches in figure.get_size_inches())
    return Drawing(_uri(svg), _uri(_darkened(svg)), width, height, alt, caption)


def _colours(theme):
    return {
        "figure.facecolor": theme.paper,
        "savefig.facecolor": theme.paper,
        "axes.facecolor": theme.paper,
        "axes.edgecolor": theme.ink,
        "axes.labelcolor": theme.ink,
        "text.color": theme.ink,
        "xtick.color": theme.ink,
        "ytick.color": theme.ink,
        "grid.color": theme.faint,
    }


def _svg(figure):
    FigureCanvasSVG(figure)
    buffer = io.BytesIO()
    figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    return buffer.getvalue().decode()


def _darkened(svg):
    """The same figure with the colours of the light theme exchanged for those of the dark one."""
    exchange = dict(zip(_all_colours(LIGHT), _all_colours(DARK), strict=True))
    return re.sub("|".join(exchange), lambda match: exchange[match.group()], svg)


def _all_colours(theme):
    return (theme.paper, theme.ink, theme.faint, *theme.series)


def _uri(svg):
    return "data:image/svg+xml;base64," + base64.b64encode(svg.encode()).decode()
