"""How much brighter each strip of a picture became since the frame before.

Twice, for two kinds of scene. In a still framing what moves is local: the middle half
of a strip's cells leaves it out. Under a moving camera every cell changes; but what
one cell loses its neighbour gains, so that the plain mean over a part of a strip stays
smooth in time, and a lamp's beat stands out of it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from qc.kernels.light import StripTable, middle_means, strip_look
from qc.measures.parts.level.smallcells import cells_of, small_cells
from qc.measures.parts.light.lightwaves import PARTS, STRIPS
from qc.records import Picture
from qc.signal import Signal, to_linear
from qc.views import field_lumas

__all__ = ["CELLS", "StripFollower", "middle_means"]

Array = NDArray[np.float32]

CELLS = 30
"""Cells a strip is cut into; those that change most and least are left out."""

# Near black a code is a large step of light, and a black level that is not quite black
# falsifies ratios; near the top the camera bends or clips the light.
_LOWEST, _HIGHEST = 8.0, 92.0
# A strip of which less is usable tells nothing.
_LEAST_CELLS = 6
# Nor does a part of one: usable cells before and now, on the average.
_LEAST_PART_CELLS = 3.5
_TABLE_STEPS = 4096


class StripFollower:
    """Follows the light of each strip from frame to frame; remembers one picture."""

    def __init__(self, signal: Signal) -> None:
        stops = _stops_table(signal)
        self._table = StripTable(
            stops=stops,
            rises=np.diff(stops, append=stops[-1:]),
            low=_LOWEST,
            high=_HIGHEST,
            scale=_TABLE_STEPS / 100.0,
            parts=PARTS,
            fewest=_LEAST_CELLS,
            least=_LEAST_PART_CELLS,
        )
        self._before: Array | None = None

    def read(self, picture: Picture) -> tuple[Array, Array] | None:
        """Return stops since the frame before; None for a first picture.

        Returns
        -------
        strips : (STRIPS,) array
            Mean of each strip's middle half.
        parts : (STRIPS * PARTS,) array
            Plain mean of each part of each strip, from left to right, from the top.
            NaN in both where a strip or part is too dark or too bright to tell: what
            leaves the usable range stops at its end.
        """
        if picture.damaged or min(picture.y.shape) < STRIPS:
            self._before = None
            return None
        cells = small_cells(picture, CELLS, STRIPS)
        self._before, changes = strip_look(cells, self._table, self._before)
        return None if changes is None else (changes[:STRIPS], changes[STRIPS:])

    def between_fields(self, picture: Picture) -> Array | None:
        """Return stops from a picture's upper field to its lower one, strip by strip.

        Returns
        -------
        (STRIPS,) array or None
            As `read` does it; None for a picture that is not interlaced, or too small.
        """
        if not picture.interlaced or min(picture.y.shape) < 2 * STRIPS:
            return None
        looks = picture.view(field_lumas)
        upper, lower = (cells_of(luma, CELLS, STRIPS) for luma in looks)
        before, _ = strip_look(upper, self._table, None)
        _, changes = strip_look(lower, self._table, before)
        return None if changes is None else changes[:STRIPS]


def _stops_table(signal: Signal) -> Array:
    """Return log2 of scene light over percent of signal; the first is never used."""
    share = np.arange(_TABLE_STEPS + 2) / _TABLE_STEPS
    share[0] = share[1]
    return np.log2(to_linear(share, transfer=signal.transfer)).astype(np.float32)
