"""Finds two neighbouring pictures that are in each other's place."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from qc.measures.parts.damage.straylooks import BEFORE, BEHIND, Seen, Stray
from qc.measures.parts.level.smallcells import ROWS

__all__ = ["swapped"]

_STEADY = 5  # steps before that all go one way
_MOVES, _MOVING_LINES = 0.1, 5  # %; what moves less is noise
_NEARER, _MOST = 1.2, 0.7  # how much nearer to the next but one; of the lines
_ON = 1.35  # two steps on are farther than a step by so much, where all goes one way
# Of a usual step: what a step may be around two swapped pictures, and between them.
_STEP, _INNER = (0.4, 2.2), (0.35, 2.0)


def swapped(seen: Sequence[Seen], first: int) -> Stray | None:
    """Tell whether a picture and the one behind it are in each other's place.

    What moves steadily then goes two steps on, one back and two on: each is nearer to
    the picture after the next than to its neighbour.
    """
    k = first - seen[0].row
    steps = range(max(2, k - BEFORE), k), range(k + 4, min(len(seen), k + 4 + BEHIND))
    if len(steps[0]) < _STEADY or not steps[1]:
        return None
    if any(np.array_equal(s.cells, t.cells) for s, t in pairwise(seen[k - 2 : k + 4])):
        return None
    change = np.stack([s.change[:ROWS] for s in seen])
    over = np.stack([s.over[:ROWS] for s in seen])
    usual = np.median(change[[*steps[0], *steps[1]]], axis=0)
    moves = usual > _MOVES
    if moves.sum() < _MOVING_LINES:
        return None
    one, two = change[:, moves], over[:, moves]
    back = (one[k] > _NEARER * two[k + 1]) & (one[k + 2] > _NEARER * two[k + 2])
    if back.mean() < _MOST:
        return None
    step = float(usual[moves].mean())
    ones, twos = one.mean(axis=1), two.mean(axis=1)
    inner = ones[k + 1], twos[k + 1], twos[k + 2]
    if not _INNER[0] * step < min(inner) <= max(inner) < _INNER[1] * step:
        return None
    # What trembles goes back and forth too; only what moves steadily can tell.
    for j in (*steps[0], *steps[1]):
        if twos[j] < _ON * 0.5 * (ones[j] + ones[j - 1]):
            return None
        if not _STEP[0] * step < ones[j] < _STEP[1] * step:
            return None
    return Stray(first, first + 2, 0.0, 1.0, "swapped")
