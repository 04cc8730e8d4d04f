"""How fine the grid of a stack is, in the headers of the files that are made from it."""

__all__ = ["finer_of", "grid_keywords"]

FINER = "FINER"


def grid_keywords(finer):
    """Header cards of an image with ``finer`` pixels along the side of a pixel of the anchor."""
    return {FINER: (int(finer), "pixels along the side of an anchor pixel")}


def finer_of(header):
    """What :func:`grid_keywords` wrote; 1 where a file does not say."""
    return int(header.get(FINER, 1))
