"""What has come to a place, and whether later looks still show it there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.spots.splash import Shown, Splash
from qc.measures.parts.spots.spotranks import ranked, rms

__all__ = ["KEEPS", "Landed", "lies_as"]

Map = NDArray[np.float32]
Mask = NDArray[np.bool_]
Box = tuple[slice, slice]

KEEPS = 0.6, 1.6
"""Of what came: least and most that a look that shows it has of that."""
_QUIET, _MOST_OF = 0.6, 0.85  # of the change: what so many of the places around may do
_AS_IT_WAS, _RESTS_PX = 0.75, 1.5  # of the change: what else is in its place; px
_SUDDEN_LOOKS, _SUDDEN_SEEN = 3, 0.6  # at least; of its looks
_SUDDEN_LEAST_S = 1.6
_RESTS, _MUCH_AS = 0.35, 0.7  # of the slope over two px: less than one px of motion


@dataclass(slots=True, eq=False)
class Landed:
    """What has come, and is to stay.

    Attributes
    ----------
    pattern : (h, w) array
        How it changed its box; 0 outside of it.
    shown : Shown
        The lasting picture, where the newest look lay: with it, or, of what came at
        once, without it.
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
    misses: int = 0
    tries: int = 0
    seen_s: float = 0.0  # of the newest look that shows it
    sudden: bool = False

    @property
    def is_there(self) -> bool:
        """Whether it was seen often enough by the end of a take."""
        if self.sudden:
            often = self.looks >= max(_SUDDEN_LOOKS, _SUDDEN_SEEN * self.tries)
            return often and self.seen_s - self.since >= _SUDDEN_LEAST_S
        return self.looks > 0

    def shows(self, now: Shown, here: Map) -> bool | None:
        """Return whether a look shows what came; None if nothing can be told.

        Parameters
        ----------
        here : (h, w) array
            What the look changes the box by, against the lasting picture.
        """
        power = float((self.pattern**2).sum())
        share = float((here * self.pattern).sum()) / power
        good = KEEPS[0] <= share + (0.0 if self.sudden else 1.0) <= KEEPS[1]
        inside = self.pattern != 0
        size = rms(self.pattern[inside])
        if ranked(np.abs(here[self.around]), _MOST_OF) <= _QUIET * size:
            return good
        # What passes around it may pass before it; or not, if it is much as it was.
        off = here[inside] - self.pattern[inside]
        same = rms(off - off.mean()) <= _AS_IT_WAS * size
        return True if good and same and self.sudden and self._rests(now) else None

    def _rests(self, now: Shown) -> bool:
        """Return whether the camera surely stands as it stood when something came.

        Of the picture's places most count: what passes takes some along.
        """
        move = now.since(self.shown)
        if move is None:
            return lies_as(self.shown, now, _MUCH_AS)
        return ranked(np.hypot(move[..., 0], move[..., 1]), 0.5) <= _RESTS_PX


def lies_as(last: Shown, now: Shown, share: float = _RESTS) -> bool:
    """Return whether most of a picture shows just what another did.

    Parameters
    ----------
    share : float
        Of the slopes over two px, that it may differ by.
    """
    few = now.level[::2, ::2]
    moved = float(np.median(np.abs(few - last.level[::2, ::2])))
    slopes = float(np.median(np.abs(now.level[::2, 2::2] - now.level[::2, :-2:2])))
    return moved < share * slopes
