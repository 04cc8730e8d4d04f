"""The comparison sheet: what each filter set shows and what became of it, side by side, and a detail of each."""

from dataclasses import dataclass

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from pipeline.numerics.detail_window import block_means
from pipeline.picture_files import as_image

__all__ = ["Panel", "compose", "fit_blocks"]

MOST_COLUMNS = 4
"""Pictures beside each other; more filter sets start a further row."""

MARGIN_PX, LINE_SPACING = 16, 1.5
TEXT_PX = 22
PAPER, INK, FAINT_INK = (18, 18, 20), (235, 235, 235), (170, 170, 170)
"""A grey as dark as the sky of the pictures, so that their tones are judged alike."""

FRAME_COLOUR = (255, 210, 90)
"""Rectangle that shows where the detail lies."""


@dataclass(frozen=True)
class Panel:
    """One column of the sheet.

    Attributes
    ----------
    title, subtitle : what it is
    overview, detail : (ny, nx, 3) float32, encoded display values 0..1
    """

    title: str
    subtitle: str
    overview: np.ndarray
    detail: np.ndarray


def fit_blocks(cube, width):
    """``cube`` (C, ny, nx) in means of blocks so large that it is still at least ``width`` pixels wide."""
    block = max(1, cube.shape[2] // width)
    return block_means(cube, block) if block > 1 else cube


def compose(panels, *, width, box, caption):
    """The sheet as a PIL image.

    Parameters
    ----------
    panels : list of Panel, whose overviews have equal sizes, and whose details have
    width : pixels of a panel
    box : (left, top, right, bottom) of the detail in the overview, as shares of its sides
    caption : sentence below

    Returns
    -------
    PIL.Image.Image
    """
    font, small = (ImageFont.load_default(size) for size in (TEXT_PX, round(0.7 * TEXT_PX)))
    overview_height, detail_height = (_height(part, width) for part in (panels[0].overview, panels[0].detail))
    columns = min(len(panels), MOST_COLUMNS)
    rows = -(-len(panels) // columns)
    label = round(2 * LINE_SPACING * TEXT_PX)
    cell = label + overview_height + MARGIN_PX + detail_height + MARGIN_PX
    foot = round(LINE_SPACING * TEXT_PX)
    sheet = Image.new(
        "RGB", (columns * (width + MARGIN_PX) + MARGIN_PX, MARGIN_PX + rows * cell + foot), PAPER
    )
    draw = ImageDraw.Draw(sheet)
    for k, panel in enumerate(panels):
        x, y = MARGIN_PX + k % columns * (width + MARGIN_PX), MARGIN_PX + k // columns * cell
        draw.text((x, y), _shortened(panel.title, font, width), INK, font)
        draw.text(
            (x, y + round(LINE_SPACING * TEXT_PX)), _shortened(panel.subtitle, small, width), FAINT_INK, small
        )
        y += label
        sheet.paste(_sized(panel.overview, (width, overview_height)), (x, y))
        left, top, right, bottom = box
        draw.rectangle(
            (x + left * width, y + top * overview_height, x + right * width - 1, y + bottom * overview_height - 1),
            outline=FRAME_COLOUR,
        )  # fmt: skip
        sheet.paste(_sized(panel.detail, (width, detail_height)), (x, y + overview_height + MARGIN_PX))
    draw.text((MARGIN_PX, sheet.height - foot), _shortened(caption, small, sheet.width), FAINT_INK, small)
    return sheet


def _height(picture, width):
    return max(1, round(width * picture.shape[0] / picture.shape[1]))


def _sized(picture, size):
    image = as_image(picture)
    return image if image.size == size else image.resize(size, Image.Resampling.LANCZOS)


def _shortened(text, font, width):
    """As much of ``text`` as fits, so that long names do not run into the next column."""
    if font.getlength(text) <= width:
        return text
    while text and font.getlength(text + "...") > width:
        text = text[:-1]
    return text + "..."
