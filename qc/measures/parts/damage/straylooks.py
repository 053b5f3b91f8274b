"""What is kept of pictures to find stray ones, and what is told of these."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "BEFORE",
    "BEHIND",
    "LONGEST",
    "PAST_STEP",
    "SHORT",
    "Around",
    "Past",
    "Seen",
    "Stray",
    "around_of",
]

_Array = NDArray[np.float32]

SHORT = 3
"""Stray pictures together at most; more of them are another shot."""
LONGEST = 12
"""So many pictures together may be rolled."""
PAST_STEP = 0.5
"""Earlier pictures are kept in steps of so many percent of black-to-white."""
BEFORE, BEHIND = 8, 4
"""Pictures around a group that tell what is usual."""

_USUAL = 0.7  # of the changes around are smaller


class Seen(NamedTuple):
    """What is kept of a picture.

    Attributes
    ----------
    row : int
        Number of the picture.
    luma : (h, w) array
        `proxy_luma`.
    cells : (lines, columns) array
        Luma in cells, and colour at a few points.
    change, over : (lines,) arrays
        Mean change since the picture before, and since the one before that.
    """

    row: int
    luma: _Array
    cells: _Array
    change: _Array
    over: _Array


class Past(NamedTuple):
    """Pictures of the last seconds, coarsely.

    Attributes
    ----------
    cells : (n, rows, columns) array of uint8
        Levels in steps of `PAST_STEP` percent.
    rows : (n,) array
        Numbers of the pictures; -1 where there is none.
    """

    cells: NDArray[np.uint8]
    rows: NDArray[np.int64]


class Stray(NamedTuple):
    """Pictures that do not belong between their neighbours.

    Attributes
    ----------
    first, last : int
        Rows, half-open.
    top, bottom : float
        The part concerned, shares of the height.
    kind : str
        ``"flat"``, ``"other"``, ``"old"``, ``"shifted"``, ``"rolled"``, ``"colour"``
        or ``"swapped"``.
    """

    first: int
    last: int
    top: float
    bottom: float
    kind: str


class Around(NamedTuple):
    """A group of pictures that may be stray, and what is around it.

    Attributes
    ----------
    before, behind : Seen
        Its neighbours.
    calm : list of (lines,) arrays
        What changes next to the group, though it is not the group's change; where a
        picture farther off is alike and the nearer one is not, the lesser of the two.
    usual : (lines,) array
        What changes from picture to picture around.
    most : (lines,) array
        The same at most, were there another stray picture around.
    """

    before: Seen
    group: list[Seen]
    behind: Seen
    calm: list[_Array]
    usual: _Array
    most: _Array

    @property
    def ends(self) -> _Array:
        """How much changes both where the group begins and where it ends."""
        return np.asarray(np.minimum(self.group[0].change, self.behind.change))


def around_of(seen: Sequence[Seen], group: tuple[int, int]) -> Around | None:
    """Find a group's neighbours; None if it has none.

    Parameters
    ----------
    seen : sequence of Seen
        Pictures in a row.
    group : (first, last)
        Rows, half-open.
    """
    base = seen[0].row
    first, last = group[0] - base, group[1] - base
    if first < 2 or last >= len(seen):
        return None
    # The first picture's change is since one that is not there.
    pairs = [s.change for s in seen[max(1, first - BEFORE) : first]]
    pairs += [s.change for s in seen[last + 1 : last + 1 + BEHIND]]
    ranked = np.sort(np.stack(pairs), axis=0)
    usual, most = ranked[int(_USUAL * (len(pairs) - 1))], ranked[-3:][0]
    before, behind = seen[first - 1], seen[last]
    calm = [_least(before.change, before.over)]
    if last + 2 < len(seen):
        calm.append(_least(seen[last + 1].change, seen[last + 2].over))
    elif last + 1 < len(seen):
        calm.append(seen[last + 1].change)
    return Around(before, list(seen[first:last]), behind, calm, usual, most)


def _least(one: _Array, other: _Array) -> _Array:
    """Return that of two changes which is the lesser as a whole."""
    return one if float(one.sum()) <= float(other.sum()) else other
