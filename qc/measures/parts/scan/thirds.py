"""Frames of one picture and frames of two in turn: film speeds spread by thirds.

At 25 frames a second 24 pictures fill 50 fields when each twelfth is held for a third
field. From there on each frame takes its fields from two pictures, until the next
twelfth picture is held: half of all frames are whole, half are mixed.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from qc.spans import runs

__all__ = ["ONE_PICTURE", "TWO_PICTURES", "by_thirds"]

ONE_PICTURE, TWO_PICTURES = 0.25, 0.75
"""Fields at most, and at least, so many frames apart: half-way between the lags."""

# Moments, about three a second: at most so many whole ones between mixed ones, and so
# many taken in before and after; half a second of each kind is one or two.
_BETWEEN, _AROUND = 6, 3
# From whole to mixed and back so often; once may be a fault at one place. And so many
# mixed ones of all, and so many whole ones between them: a coder smooths away the teeth
# of one moment in several (house choices).
_TURNS, _FEWEST, _SHARE, _OTHERS = 3, 2, 0.15, 0.2
_WHOLE_BETWEEN = 0.25


def by_thirds(lag: NDArray[np.floating]) -> NDArray[np.bool_]:
    """Return which moments belong to stretches that are whole and mixed in turn.

    Parameters
    ----------
    lag : (n,) array
        How many frames the lower field is later than the upper, of the moments at
        which it is known.

    Examples
    --------
    >>> by_thirds(np.array([0.0, 0, 0, 1, 0, 0, 1, 0])).all().item()
    True
    >>> by_thirds(np.array([0.0, 0, 0, 1, 0, 0, 0, 0])).any().item()
    False
    """
    out = np.zeros(len(lag), np.bool_)
    whole = np.abs(lag) <= ONE_PICTURE
    mixed = np.abs(lag) >= TWO_PICTURES
    places = np.flatnonzero(mixed)
    for own in np.split(places, np.flatnonzero(np.diff(places) > _BETWEEN + 1) + 1):
        if len(own) < _FEWEST or np.ptp(np.sign(lag[own])) > 0:
            continue
        if np.mean(whole[own[0] : own[-1] + 1]) < _WHOLE_BETWEEN:
            continue
        first, last = _with_whole(whole, int(own[0]), int(own[-1]) + 1)
        known = (whole | mixed)[first:last]
        turns = np.count_nonzero(np.diff(mixed[first:last][known]))
        share = len(own) / (last - first)
        if (
            turns >= _TURNS
            and _SHARE <= share <= 1.0 - _SHARE
            and np.mean(~known) <= _OTHERS
        ):
            out[first:last] = True
    return out


def _with_whole(whole: NDArray[np.bool_], first: int, last: int) -> tuple[int, int]:
    """Return a stretch with some whole moments before and after it."""
    for a, b in runs(whole):
        if b == first:
            first = max(a, b - _AROUND)
        if a == last:
            last = min(b, a + _AROUND)
    return first, last
