"""How pictures in a few cells change, line by line: whether one may not belong there.

Both ways do the same operations in the same order, so that they agree to the last bit.
"""

from __future__ import annotations

from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from qc import kernels

if kernels.compiled:  # else slower, and otherwise the same
    from qc.kernels import _planes

__all__ = ["BEFORE", "Changes", "LineChanges", "few_codes"]

_Array: TypeAlias = NDArray[np.float32]
_Plane: TypeAlias = NDArray[np.unsignedinteger]

BEFORE = 4
"""Pictures before one that it is held against."""
_LANES = 8  # sums of a line that are added side by side


class Changes(NamedTuple):
    """How a picture differs from those before it.

    Attributes
    ----------
    lines : (n, lines) array of float32
        Mean change of each line since the picture before, the one before that, ...;
        zeros, (1, lines), if there is none.
    most : float
        Of the line that has changed most since the picture before.
    on, over : float
        Sums of the first two over the lines that count.
    groups : tuple of int
        How many pictures just before this one may be strays together.
    """

    lines: _Array
    most: float
    on: float
    over: float
    groups: tuple[int, ...]


_GROUPS = tuple(
    tuple(n + 1 for n in range(BEFORE - 1) if bits >> n & 1)
    for bits in range(1 << (BEFORE - 1))
)


class LineChanges:
    """Holds pictures in cells against the `BEFORE` before them.

    Parameters
    ----------
    shape : (lines, columns)
        Of the cells; columns a multiple of eight.
    counted : int
        So many lines, the first, are summed up.
    times, least : float
        A group of pictures may be stray where a line changes, into the group and out of
        it, by this many times what the pictures around it differ by, or twice what was
        usual before, and by this much more.
    """

    def __init__(
        self, shape: tuple[int, int], *, counted: int, times: float, least: float
    ) -> None:
        if shape[1] % _LANES:
            raise ValueError(f"lines must have a multiple of 8 cells, got {shape[1]}")
        self._shape = shape
        self._counted = counted
        self._times, self._least = times, least
        # The latest changes since the picture before.
        self._recent = np.zeros((BEFORE + 1, shape[0]), np.float32)
        self._next = 0

    def read(self, now: _Array, before: tuple[_Array, ...]) -> Changes:
        """Compare a picture with those before it, the latest first, `BEFORE` at most.

        All pictures must be read in their order; after a break `before` begins anew.
        """
        at, self._next = self._next, (self._next + 1) % (BEFORE + 1)
        lines, columns = self._shape
        out = np.empty((max(len(before), 1), lines), np.float32)
        if kernels.compiled:
            most, on, over, bits = _planes.stray_lines(
                now, before, (lines, columns, self._counted), self._recent, at,
                self._times, self._least, out,
            )  # fmt: skip
            return Changes(out, most, on, over, _GROUPS[bits])
        out[:] = 0.0
        for to, then in zip(out, before, strict=False):
            change = np.abs(then - now).reshape(lines, columns // _LANES, _LANES)
            sums = np.add.reduce(change, axis=1)
            sums = sums[:, 0::2] + sums[:, 1::2]
            sums = sums[:, 0::2] + sums[:, 1::2]
            to[:] = (sums[:, 0] + sums[:, 1]) * np.float32(1.0 / columns)
        self._recent[at] = out[0]
        counted = out[:, : self._counted].astype(np.float64)
        on, over = np.add.accumulate(counted[[0, min(1, len(out) - 1)]], axis=1)[:, -1]
        groups = self._groups(at, out) if len(before) == BEFORE else ()
        return Changes(out, float(out[0].max()), float(on), float(over), groups)

    def _groups(self, at: int, changes: _Array) -> tuple[int, ...]:
        """Return the groups of pictures before the latest that may be stray."""
        # From the picture before a group into it, for groups of one and more; and what
        # was usual before that one.
        latest = self._recent[(at - 1 - np.arange(BEFORE)) % (BEFORE + 1)]
        into, usual = latest[:-1], latest[1:]
        apart = np.minimum(changes[1:], np.float32(2.0) * usual)
        most = np.float32(self._times) * apart + np.float32(self._least)
        fires = (np.minimum(into, changes[0]) > most).any(axis=1)
        return tuple((np.flatnonzero(fires) + 1).tolist())


def few_codes(
    one: _Plane,
    two: _Plane,
    *,
    zero: float,
    factor: float,
    out: _Array,
) -> None:
    """Write codes of two planes at a few points, evenly spread, less zero times factor.

    Parameters
    ----------
    out : (2 n, columns) array of float32
        Filled: n lines of the one plane and n of the other; zeros for a plane with
        fewer pixels.
    """
    lines, columns = len(out) // 2, out.shape[1]
    if kernels.compiled and all(p.strides[1] == p.itemsize for p in (one, two)):
        _planes.few_codes(one, two, (lines, columns), zero, factor, out)
        return
    for plane, to in ((one, out[:lines]), (two, out[lines:])):
        down, across = plane.shape[0] // lines, plane.shape[1] // columns
        if not down or not across:
            to[:] = 0.0
            continue
        few = plane[down // 2 :: down, across // 2 :: across]
        np.subtract(few[:lines, :columns], np.float32(zero), out=to)
        to *= np.float32(factor)
