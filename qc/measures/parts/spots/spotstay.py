"""What has come to stay while things move about, and whether later looks show it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.spots.splash import Shown, Splash
from qc.measures.parts.spots.spotranks import middle, ranked, rms

__all__ = ["KEEPS", "Landed", "lies_as", "rests"]

Map = NDArray[np.float32]
Mask = NDArray[np.bool_]
Box = tuple[slice, slice]

KEEPS = 0.6, 1.6
"""Of what came: least and most that a look that shows it has of that."""
_QUIET, _MOST_OF = 0.6, 0.85  # of the change: what so many of the places around may do
_RESTS = 0.35  # of the slope over two px: less than one px of motion


@dataclass(slots=True, eq=False)
class Landed:
    """What has come to stay while things move about.

    Attributes
    ----------
    pattern : (h, w) array
        How it changed its box; 0 outside of it.
    shown : Shown
        The lasting picture with it, where the newest look lay.
    since : float
        Seconds of the first look that shows it.
    """

    found: Splash
    box: Box
    pattern: Map
    around: Mask
    shown: Shown
    since: float
    looks: int = 0
    missed: int = 0

    def shows(self, here: Map) -> bool | None:
        """Return whether a look shows what came; None if nothing can be told.

        Parameters
        ----------
        here : (h, w) array
            What the look changes the box by, against the lasting picture.
        """
        size = rms(self.pattern[self.pattern != 0])
        # What passes around it may pass before it too.
        if ranked(np.abs(here[self.around]), _MOST_OF) > _QUIET * size:
            return None
        share = float((here * self.pattern).sum()) / float((self.pattern**2).sum())
        return KEEPS[0] <= share + 1.0 <= KEEPS[1]


def lies_as(last: Shown, now: Shown) -> bool:
    """Return whether most of a picture shows just what another did."""
    return rests(last.level, now.level)


def rests(last: Map, now: Map) -> bool:
    """Return whether most of a picture, in logarithms, is just as another was."""
    moved = middle(np.abs(now[::2, ::2] - last[::2, ::2]))
    slopes = middle(np.abs(now[::2, 2::2] - now[::2, :-2:2]))
    return moved < _RESTS * slopes
