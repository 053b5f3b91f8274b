"""Film speeds spread over fields: 24 pictures a second in 60 fields, by 2:3.

Each picture is held for two fields and three in turn. So twice in five frames a field
is the one of the frame before once more, while the other goes on: first one of the two
fields, then the other. Nothing else makes fields stand in that turn.
"""

from __future__ import annotations

import math
from fractions import Fraction
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.scan.framepairs import (
    LEAST_CHANGE_PERCENT,
    FramePairs,
    field_changes,
    thinned,
)

__all__ = ["PULLDOWNS", "Pulldown", "PulldownWatch", "pulldown_of"]

Array = NDArray[np.float64]
Pulldown = Literal["2:3", "2:3:3:2"]

PULLDOWNS: tuple[Pulldown, ...] = ("2:3", "2:3:3:2")
"""What is told apart; a column holds the place here, from 1 on."""

_ROUND = 5  # frames
# Frames from the one in which the upper field stands to that of the lower one.
_TURNS: dict[int, Pulldown] = {1: "2:3:3:2", 2: "2:3", 3: "2:3", 4: "2:3:3:2"}
# A field that stands changes so many times less than the other; else they go alike
# (house choices; coded fields that stood changed a third of the others and less).
_STANDS, _ALIKE = 1.8, 1.4
# So many frames of each of the five must be known, and so many of all fit.
_FEWEST, _FIT = 2, 0.85
# Twenty frames are four rounds.
_FRAMES = 20
# What holds 24 or 25 pictures a second in fields of 60 or 59.94.
_RATES = (Fraction(29), Fraction(31))
# Looked for so often at once, and once more in so many moments.
_MOST_LOOKS, _LOOK_EVERY = 2.0, 30.0


def pulldown_of(upper: Array, lower: Array, *, least: float) -> Pulldown | None:
    """Tell how pictures are spread over the fields of successive frames.

    Parameters
    ----------
    upper, lower : (n,) arrays
        Change of each field since the frame before, codes; NaN where not known.
    least : float
        A frame in which neither field changes by so much tells nothing.

    Returns
    -------
    "2:3", "2:3:3:2" or None
        None where fields do not stand in that turn, or too little moves to tell.

    Examples
    --------
    >>> upper = np.tile([9.0, 9.0, 0.5, 9.0, 9.0], 4)
    >>> lower = np.tile([9.0, 9.0, 9.0, 9.0, 0.5], 4)
    >>> pulldown_of(upper, lower, least=1.0)
    '2:3'
    >>> pulldown_of(np.zeros(20), np.zeros(20), least=1.0)
    """
    most = np.fmax(upper, lower)
    known = np.isfinite(upper) & np.isfinite(lower) & (most >= least)
    if np.count_nonzero(known) < _FEWEST * _ROUND:
        return None
    floor = 1e-6 * float(most[known].max())
    ratio = np.log(np.maximum(lower, floor) / np.maximum(upper, floor))
    phase = np.arange(len(upper)) % _ROUND
    own = [ratio[known & (phase == p)] for p in range(_ROUND)]
    if min(len(values) for values in own) < _FEWEST:
        return None
    middle = np.array([np.median(values) for values in own])
    stands = math.log(_STANDS)
    up, down = np.flatnonzero(middle >= stands), np.flatnonzero(middle <= -stands)
    if len(up) != 1 or len(down) != 1:
        return None
    others = np.delete(middle, [up[0], down[0]])
    if np.abs(others).max() > math.log(_ALIKE):
        return None
    # Sign and size of each frame, not only of most of its kind.
    wanted = np.zeros(_ROUND)
    wanted[up[0]], wanted[down[0]] = 1.0, -1.0
    kind = np.where(ratio >= stands, 1.0, np.where(ratio <= -stands, -1.0, 0.0))
    if np.mean(kind[known] == wanted[phase[known]]) < _FIT:
        return None
    return _TURNS[int(down[0] - up[0]) % _ROUND]


class PulldownWatch:
    """Looks for pulldown where a moment looks like it; seldom, so that it costs little.

    Parameters
    ----------
    rate : Fraction or None
        Frames a second; only of 60 fields, or 59.94, is it looked for.
    """

    def __init__(self, rate: Fraction | None) -> None:
        self._asked = rate is not None and _RATES[0] <= rate <= _RATES[1]
        self._looks = _MOST_LOOKS

    def read(self, pairs: FramePairs, *, likely: bool, span: int) -> float:
        """Return the place in `PULLDOWNS`, from 1 on; 0: none; NaN: not looked for.

        Parameters
        ----------
        likely : bool
            Whether the moment looks like it.
        span : int
            Codes from black to white.
        """
        self._looks = min(_MOST_LOOKS, self._looks + 1.0 / _LOOK_EVERY)
        if not (self._asked and likely) or self._looks < 1.0:
            return math.nan
        count = min(pairs.reach, _FRAMES)
        if count < _FEWEST * _ROUND:
            return math.nan
        changes = np.full((count, 2), np.nan)
        for ago in range(count):
            pair = pairs.earlier(ago)
            if pair is not None and pair[1].size:
                changes[count - 1 - ago] = field_changes(*map(thinned, pair))
        least = span * LEAST_CHANGE_PERCENT / 100.0
        # As many frames must move as tell it, else it is not known.
        moving = np.count_nonzero(np.max(changes, axis=1) >= least)
        if moving < _FEWEST * _ROUND:
            return math.nan
        found = pulldown_of(changes[:, 0], changes[:, 1], least=least)
        if found is None:
            self._looks -= 1.0
            return 0.0
        return float(PULLDOWNS.index(found) + 1)
