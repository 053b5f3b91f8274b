"""Holes in sound that lossy coding has filled a little and whose edges it has spread.

Coding leaves of a hole neither zeros nor sharp edges: its noise spreads over a few
milliseconds. What stays is that both the level and the first difference fall for some
milliseconds, and are back at once. Either alone falls in a voice as well: the level
between two pulses of the throat, the first difference in low vowels.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.sound.soundbreaks import Roughness, holes
from qc.spans import Span, runs

__all__ = ["fullness", "soft_holes"]

# Cells of a hole, cells of an edge, and how far it must fall. Tried on voices of 80 to
# 300 Hz, music and machines through AAC at 96 to 320 kbit/s: shorter holes stand
# between the pulses of a clean voice as well, most of all where a vowel begins, and the
# mouth's closures fall by 6 to 10 times.
_DIPS = ((3, 2, 12.0), (5, 2, 9.0))
_SIDE = 4
_LONG_DEPTH, _LONG_EDGE, _LONG_SHORTEST = 1 / 12, 2, 8
_PULSES = 40  # cells
# A short hole stands alone: nothing in so many cells beside it is within three times as
# empty for as long as the shortest. Between the pulses of a dry, low voice it is.
_BESIDE, _ALONE = 25, 3.0
# A step of 16 bits: nothing is emptier.
_NOTHING = 1 / 32768
# In quieter sound pauses are as deep: two steps of 8 bits, -36 dBFS, under which sound
# that was ever stored so falls silent between words (house choice).
_LOWEST = 2 / 128
_QUIETEST = _LOWEST / 32  # of level and first difference together


def fullness(
    line: NDArray[np.float32], cell: int
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return level, and geometric mean of level and first difference, cell by cell.

    Returns
    -------
    (cells,), (cells,) arrays
        RMS, 1.0 being full scale.
    """
    count = max(len(line) - 1, 0) // cell
    steps = (line[1:] - line[:-1])[: count * cell].reshape(count, cell)
    part = line[: count * cell].reshape(count, cell)
    level = np.sqrt(np.einsum("ij,ij->i", part, part) / np.float32(cell))
    moved = np.sqrt(np.einsum("ij,ij->i", steps, steps) / np.float32(cell))
    return level, np.sqrt(level * moved)


def soft_holes(line: NDArray[np.float32], cell: int, *, longest: int) -> Iterator[Span]:
    """Yield holes of one line of lossy sound, in cells, in order.

    Parameters
    ----------
    longest : int
        Cells.
    """
    level, full = fullness(line, cell)
    empty = np.zeros(len(full), bool)
    for length, edge, times in _DIPS:
        for at in np.flatnonzero(_dips(level, full, length, edge, times)):
            empty[at : at + length] = True
    rough = Roughness(full, full, full, cell)
    for first, last, _ in holes(
        rough,
        depth=_LONG_DEPTH,
        shortest=_LONG_SHORTEST,
        longest=longest,
        lowest=_QUIETEST,
        edge=_LONG_EDGE,
    ):
        if _sounds(level, first, last):
            empty[first:last] = True
    found = list(runs(empty))
    for k, (first, last) in enumerate(found):
        # A creaking voice falls silent between its pulses, a machine's as well.
        beside = [*found[max(k - 1, 0) : k], *found[k + 1 : k + 2]]
        evenly = any(abs(first - other) <= _PULSES for other, _ in beside)
        short = last - first < _LONG_SHORTEST
        if not evenly and not (short and _recurs(full, first, last)):
            yield first, last


def _recurs(full: NDArray[np.float32], first: int, last: int) -> bool:
    """Tell whether the sound nearly falls as far shortly before or after a hole."""
    least = np.float32(_ALONE) * (full[first:last].max() + np.float32(_NOTHING))
    edge = _DIPS[0][1]
    before = full[max(first - edge - _BESIDE, 0) : max(first - edge, 0)]
    after = full[last + edge : last + edge + _BESIDE]
    for side in (before, after):
        three = np.maximum(np.maximum(side[:-2], side[1:-1]), side[2:])
        if three.size and three.min() < least:
            return True
    return False


def _dips(
    level: NDArray[np.float32],
    full: NDArray[np.float32],
    length: int,
    edge: int,
    times: float,
) -> NDArray[np.bool_]:
    """Return at which cells a hole of so many cells begins."""
    out = np.zeros(len(full), bool)
    reach = _SIDE + edge
    count = len(full) - length - 2 * reach + 1
    if count <= 0:
        return out
    inside = full[reach : reach + count].copy()
    for k in range(1, length):
        np.maximum(inside, full[reach + k : reach + k + count], out=inside)
    inside += np.float32(_NOTHING)
    least = np.float32(times) * inside
    # A median of four is under the highest of them: few are left to look at.
    two = np.maximum(full[:-1], full[1:])
    four = np.maximum(two[:-2], two[2:])
    after_at = _SIDE + 2 * edge + length
    highest = np.minimum(four[:count], four[after_at : after_at + count])
    at = np.flatnonzero(highest > least)
    before = at[:, np.newaxis] + np.arange(_SIDE)
    after = before + after_at
    sides = np.minimum(_middle(full[before]), _middle(full[after]))
    heard = np.minimum(_middle(level[before]), _middle(level[after]))
    out[reach + at] = (sides > least[at]) & (heard > _LOWEST)
    return out


def _middle(rows: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the median of each row of four."""
    ordered = np.sort(rows, axis=1)
    return np.asarray(0.5 * (ordered[:, 1] + ordered[:, 2]), np.float32)


def _sounds(level: NDArray[np.float32], first: int, last: int) -> bool:
    """Tell whether there is sound on both sides of a hole."""
    before = level[max(first - _LONG_EDGE - 5, 0) : first - _LONG_EDGE + 1]
    after = level[last + _LONG_EDGE - 1 : last + _LONG_EDGE + 5]
    return all(s.size and float(np.median(s)) > _LOWEST for s in (before, after))
