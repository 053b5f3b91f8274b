"""Jumps of an unchanged scene's level: an iris knocked, a gain switched; not flashes.

A jump is a change from one moment to the next with a level stretch on both sides, in
all parts of the picture alike. A lamp that is switched changes the colours too, as a
rule, and where light falls. What goes up and down several times a second is flashing
or flickering light: its level says nothing of iris and gain.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc.measures.base import Measured
from qc.measures.parts.level.levelwalk import swings, trimmed

__all__ = [
    "BACK_SECONDS",
    "BACK_SHARE",
    "STAYS_ADVICE",
    "Jump",
    "colours_moved",
    "jump_advice",
    "jump_message",
    "paired",
    "steadied",
]

# Swings of this much that follow one another faster than this, so many in a row, are
# flashes: an automatic iris takes a second or more for a round (common practice).
_FLASH_STOPS = 0.12
_FLASH_SECONDS = 0.35
_FLASH_SWINGS = 3
BACK_SECONDS = 10.0
"""What jumps back after longer than this is another event."""
BACK_SHARE = 0.35
"""Back: what is left over, as a share of the jump."""
# Colours count as moved by this much of red or blue against green, and by so many times
# what they waver by anyway; a lamp of 3200 K against one of 4300 K is half a stop
# (Planck's law).
_COLOUR_STOPS, _COLOUR_TIMES = 0.15, 4.0
_COLOUR_SECONDS = 1.0

STAYS_ADVICE = (
    "Keep hands off the iris ring and the gain switch while recording, and lock the "
    "ring, unless this was meant; set both before the take begins."
)
"""What to do about a level that goes to another one and stays there."""


@dataclass(frozen=True, slots=True)
class Jump:
    """One jump, or one and its way back; rows of the readings, `last` exclusive.

    Attributes
    ----------
    stops : float
        With its sign.
    back_s : float
        Seconds until it jumped back; NaN if it stayed.
    """

    first: int
    last: int
    stops: float
    back_s: float = np.nan

    @property
    def is_back(self) -> bool:
        """Whether the level came back."""
        return bool(np.isfinite(self.back_s))


def steadied(
    level: NDArray[np.float64], times: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return a level with a straight line in place of flashes.

    Parameters
    ----------
    level, times : (n,) arrays
        Stops, all known; seconds.
    """
    found = swings(level, least=_FLASH_STOPS)
    moves = [trimmed(level, s) for s in found]
    middles = np.array([0.5 * (times[a] + times[b]) for a, b in moves])
    out = level
    i = 0
    while i < len(found):
        j = i + 1
        while j < len(found) and middles[j] - middles[j - 1] <= _FLASH_SECONDS:
            j += 1
        if j - i >= _FLASH_SWINGS:
            a, b = moves[i][0], moves[j - 1][1]
            out = level.copy() if out is level else out
            ends = _beside(level, times, a, b)
            out[a : b + 1] = np.interp(times[a : b + 1], times[[a, b]], ends)
        i = j
    return out


def _beside(
    level: NDArray[np.float64], times: NDArray[np.float64], a: int, b: int
) -> tuple[float, float]:
    """Return the level just before a stretch and just after; the other at the ends."""
    before = level[np.searchsorted(times, times[a] - _FLASH_SECONDS) : a]
    after = level[b + 1 : np.searchsorted(times, times[b] + _FLASH_SECONDS) + 1]
    known = [float(np.median(part)) for part in (before, after) if part.size]
    if not known:
        middle = float(np.median(level[a : b + 1]))
        return middle, middle
    return known[0], known[-1]


def paired(
    steps: Iterable[tuple[int, float]],
    rows: NDArray[np.intp],
    times: NDArray[np.float64],
    *,
    least: float,
) -> list[Jump]:
    """Put jumps and their ways back together.

    Parameters
    ----------
    steps : iterable of (place, stops)
        From `level_steps`; places in `rows`.
    rows : (n,) array
        Rows of the readings.
    times : (n,) array
        Seconds at `rows`.
    least : float
        Smaller jumps are let be.

    Examples
    --------
    >>> found = paired(
    ...     [(2, 1.0), (5, -0.9)], np.arange(9), np.arange(9.0), least=0.5
    ... )
    >>> [(j.first, j.last, j.stops, j.back_s) for j in found]
    [(2, 5, 1.0, 3.0)]
    """
    left = [(at, stops) for at, stops in steps if abs(stops) >= least]
    out: list[Jump] = []
    while left:
        at, stops = left.pop(0)
        if left:
            after, back = left[0]
            seconds = float(times[after] - times[at])
            if seconds <= BACK_SECONDS and abs(stops + back) <= BACK_SHARE * abs(stops):
                # The way back may be the way out of the next one, when it pumps.
                if len(left) == 1 or times[left[1][0]] - times[after] > BACK_SECONDS:
                    left.pop(0)
                out.append(Jump(int(rows[at]), int(rows[after]), stops, seconds))
                continue
        out.append(Jump(int(rows[at]), int(rows[at]) + 1, stops))
    return out


def colours_moved(measured: Measured, row: int) -> bool:
    """Return whether colours changed along with a jump at a row.

    Bands of brightness are held against themselves: what is cut off on one side of the
    jump would else be taken for another colour. More than half of those that are known
    on both sides must have moved.
    """
    kept = measured.totals.get("exposure", {}).get("closing")
    readings = measured.picture
    if readings is None or not isinstance(kept, dict) or "tints" not in kept:
        return False
    looks, tints = kept["looks"], np.asarray(kept["tints"], np.float64)
    if not len(looks):
        return False
    times = readings.times()
    at, now = times[looks], times[row]
    before = tints[(looks < row) & (at >= now - _COLOUR_SECONDS)]
    after = tints[(looks >= row) & (at <= now + _COLOUR_SECONDS)]
    moved = []
    for one, other in zip(before.swapaxes(0, 1), after.swapaxes(0, 1), strict=True):
        a, b = (t[np.isfinite(t).all(axis=1)] for t in (one, other))
        if not len(a) or not len(b):
            continue
        much = np.abs(np.median(b, axis=0) - np.median(a, axis=0))
        wavers = np.maximum(a.std(axis=0), b.std(axis=0))
        limit = np.maximum(_COLOUR_STOPS, _COLOUR_TIMES * wavers)
        moved.append(bool((much > limit).any()))
    return sum(moved) > len(moved) / 2


def jump_message(jump: Jump) -> str:
    """Say by how much the level jumps, and whether it comes back."""
    much = f"{abs(jump.stops):.1f} stop{'s' * (abs(jump.stops) >= 1.05)}"
    way = "up" if jump.stops > 0 else "down"
    out = (
        f"The level of the unchanged scene jumps {way} by {much} at once, in all parts "
        "alike"
    )
    if jump.is_back:
        return f"{out}, and back {jump.back_s:.1f} s later."
    return f"{out}, and stays there."


def jump_advice(jump: Jump) -> str:
    """Say what to look after at the rig."""
    if jump.is_back:
        return (
            "Set iris and gain to manual, and keep hands off both while recording. If "
            "nobody touched them, something switches to and fro: the gain, a filter in "
            "the lens, or a lamp with a loose contact."
        )
    return STAYS_ADVICE
