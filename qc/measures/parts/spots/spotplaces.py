"""Which spots are nothing but a stuck pixel, and which pixels are part of a spot."""

from __future__ import annotations

from qc.measures.parts.spots.spotmaps import Spot
from qc.measures.parts.spots.stuckpixels import StuckPixel

__all__ = ["holds", "is_pixel"]

_TINY = 0.02  # of the width


def is_pixel(spot: Spot, pixel: StuckPixel, width: int, height: int) -> bool:
    """Return whether a spot is nothing but a stuck pixel, spread by averaging."""
    tiny = spot.w <= _TINY and spot.h * height <= _TINY * width
    return tiny and holds(spot, pixel, width, height)


def holds(spot: Spot, pixel: StuckPixel, width: int, height: int) -> bool:
    """Return whether a pixel lies within a spot's box, or hardly outside."""
    x, y = (pixel.x + 0.5) / width, (pixel.y + 0.5) / height
    right, down = _TINY / 2, _TINY / 2 * width / height
    across = -right <= x - spot.x <= spot.w + right
    return across and -down <= y - spot.y <= spot.h + down
