"""Which spots are only a stuck pixel, which pixels part of a spot; takes at rest."""

from __future__ import annotations

import numpy as np

from qc.measures.parts.spots.spotmaps import Spot
from qc.measures.parts.spots.stuckpixels import StuckPixel
from qc.records import Readings

__all__ = ["PIXEL_PERCENT", "SWAY_PERCENT", "holds", "is_pixel", "stood_still"]

_TINY = 0.02  # of the width
# The whole motion of a take, percent of the width, under which no two framings can
# lie as far apart as looks must; and the share of frames whose motion must be known.
_STILL_PERCENT, _STILL_KNOWN = 2.0, 0.8
SWAY_PERCENT = 0.35  # likewise: less than pairs of looks under a sway lie apart
PIXEL_PERCENT = 0.8  # likewise: less than a scene must come under a stuck pixel
_CORNER = 0.5  # of the width, from the middle: what a zoom moves there


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


def stood_still(readings: Readings | None, percent: float = _STILL_PERCENT) -> bool:
    """Return whether the frames' motion adds up to less than any two framings' shift.

    A zoom moves the sides and leaves the middle. Without enough readings of the motion
    nothing is said.
    """
    names = tuple(f"steadiness.{n}_percent" for n in ("dx", "dy", "zoom"))
    if readings is None or any(name not in readings.columns for name in names):
        return False
    steps = np.stack([readings[name] for name in names]).astype(np.float64)
    known = ~np.isnan(steps).any(axis=0)
    if known.mean() < _STILL_KNOWN:
        return False
    path = np.ptp(np.cumsum(np.where(known, steps, 0.0), axis=1), axis=1)
    return bool(max(np.hypot(path[0], path[1]), _CORNER * path[2]) < percent)
