"""What burnt-out places are judged by: the small picture, and its colours in stops.

Private to `brightparts`. All of it works on the small picture of `qc.views.proxy_rgb`,
one cell about 8 x 8 pixels at 1080p, so that noise averages out.

Colour is one-sided by nature: an object that is not neutral reaches the end of the
signal in one channel before the others, so that as long as any channel is left its
colour still shows, pressed together but not gone. Only where all three channels are at
the end does a place have no colour of its own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc.signal import Matrix, Transfer

__all__ = ["LAMP_SLOPE", "Plane", "Scene", "spread_of", "stops_between", "stops_of"]

Plane = NDArray[np.float32]

# From lamp to lamp the red of a white rises by 0.57 stops as its blue falls by one
# (Planckian locus, 2500 to 12000 K, in BT.709 primaries).
LAMP_SLOPE = 0.57


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """One small picture and where its signal ends.

    Attributes
    ----------
    rgb : (3, h, w) array of float32
        R'G'B', 1 is nominal white.
    luma : (h, w) array of float32
        Y', 1 is nominal white.
    burnt : (h, w) array of float32
        Share of each cell's pixels at or above the level.
    level, end : float
        The level, and the luma at which this camera's highlights pile up.
    transfer, matrix : str
        Names of the transfer curve and of the matrix.
    """

    rgb: Plane
    luma: Plane
    burnt: Plane
    level: float
    end: float
    transfer: Transfer
    matrix: Matrix = "bt709"


def stops_between(a: Plane, b: Plane, transfer: Transfer) -> Plane:
    """Return how many stops of light `a` lies over `b`, for values over a half.

    BT.709's curve is close to a power of 0.45 there; HLG's is a logarithm (BT.2100-2,
    a = 0.17883277); PQ's rises 13.5 stops a unit between 203 and 1000 cd/m2.
    """
    if transfer == "hlg":
        return (a - b) * np.float32(1 / (0.17883277 * np.log(2)))
    if transfer == "pq":
        return (a - b) * np.float32(13.5)
    power = 1.0 if transfer == "linear" else 2.2
    low = np.float32(0.02)
    ratio = np.maximum(a, low) / np.maximum(b, low)
    return np.asarray(np.log2(ratio) * np.float32(power), np.float32)


def stops_of(rgb: Plane, transfer: Transfer) -> Plane:
    """Return red and blue over green in stops of light, (2, h, w)."""
    red, green, blue = rgb
    return np.stack(
        [stops_between(red, green, transfer), stops_between(blue, green, transfer)]
    )


def spread_of(colour: Plane) -> Plane:
    """Return the stops between the strongest and the weakest channel."""
    red, blue = colour
    high = np.maximum(np.maximum(red, blue), 0)
    low = np.minimum(np.minimum(red, blue), 0)
    return np.asarray(high - low, np.float32)
