"""Frames in which noise stops that is new in every frame beside them.

On a tripod nothing has to move: what tells a repeat there is the noise of the sensor.
Where a coder keeps it in every frame, a frame without new noise shows the one before.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.stillness.stillframes import (
    CALM_PERCENT,
    SMALLEST,
    Changes,
    rare_keys,
)
from qc.measures.parts.stillness.usual import spread_of, usual_beside
from qc.spans import runs

__all__ = ["noise_stops"]

Flags = NDArray[np.bool_]
Values = NDArray[np.floating]

# So many pixels change in every live frame where a coder keeps the noise.
_NOISY_PERCENT = 40.0
# The change falls to so much of what is usual, and so do the pixels that change; both
# by so many standard deviations of the take's own frames (house choices: intra coders
# give a repeat nothing, those that build on other frames up to a quarter).
_DIFFERENCE_SHARE, _CHANGED_SHARE, _SPREADS = 0.35, 0.5, 6.0
# The frames beside change by so much of what is usual (house choice).
_LIVE_SHARE = 0.7
# What a coder left out of the frame that is kept it may give it in the first repeat.
_REFINED_SHARE = 0.6
# Not less than so much, in logarithms: one frame in hundreds lies further off than the
# others say.
_LEAST_SPREAD = 0.05
# Some kinds of a coder's frames have less noise than others: those are many.
_MOST_SHARE = 0.125
# What is usual is looked for over so long on either side, in so many frames at least:
# longer than twice the longest stretch that is not called frozen.
_REACH_S, _LEAST_REACH, _MOST_REACH = 1.1, 12, 70
# So few at the ends of a take are enough.
_FEWEST = 6


def noise_stops(changes: Changes) -> Flags:
    """Return which frames have no new noise, though those on both sides have.

    Parameters
    ----------
    changes : Changes

    Returns
    -------
    (n,) array of bool
        Key frames are not among them, but for single ones between two that are: a
        coder builds them anew. None where too many would be: then they are one kind
        of a coder's frames.
    """
    n = len(changes.difference)
    out = np.zeros(n, bool)
    if n <= 2 * _FEWEST:
        return out
    keys = rare_keys(changes.key)
    reach = _reach(changes.times)
    difference, changed = (
        np.where(keys, np.nan, np.maximum(values, SMALLEST))
        for values in (changes.difference, changes.changed)
    )
    usually_changed = usual_beside(changed, reach, fewest=_FEWEST)
    falls = [
        np.log(difference / usual_beside(difference, reach, fewest=_FEWEST)),
        np.log(changed / usually_changed),
    ]
    noisy = np.asarray(usually_changed >= _NOISY_PERCENT, bool)
    # Nothing may go on moving in a small part.
    out = noisy & np.asarray(changes.cell <= CALM_PERCENT, bool)
    spreads = [_SPREADS * max(spread_of(f[noisy]), _LEAST_SPREAD) for f in falls]
    with np.errstate(invalid="ignore"):
        for fall, share, sure in zip(
            falls, (_DIFFERENCE_SHARE, _CHANGED_SHARE), spreads, strict=True
        ):
            out &= fall <= min(np.log(share), -sure)
        refined = falls[0] <= min(np.log(_REFINED_SHARE), -spreads[0])
        refined &= changes.cell <= CALM_PERCENT
    out |= changes.identical & noisy
    out[1:-1] |= keys[1:-1] & out[:-2] & out[2:]
    told = ~keys
    for first, last in runs(out):
        if first and refined[first - 1]:
            out[first - 1] = True
            first -= 1
        beside = [falls[0][:first][told[:first]], falls[0][last:][told[last:]]]
        sides = [
            part[at] for part, at in zip(beside, (-1, 0), strict=True) if part.size
        ]
        # Where motion comes to rest and goes on, the frames beside change less as well.
        if len(sides) < 2 or not min(sides) >= np.log(_LIVE_SHARE):
            out[first:last] = False
    many = out.sum() > _MOST_SHARE * max(int(noisy.sum()), 1)
    return np.zeros(n, bool) if many else out


def _reach(times: NDArray[np.float64]) -> int:
    """Return how many frames on either side tell what is usual."""
    period = float(np.median(np.diff(times)))
    if period <= 0:
        return _LEAST_REACH
    return int(np.clip(round(_REACH_S / period), _LEAST_REACH, _MOST_REACH))
