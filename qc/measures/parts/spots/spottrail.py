"""What single comparisons showed: the material to tell from when on a spot is there.

Sums over the whole take forget when. The last comparisons are kept one by one, coded in
bytes; of a long take every second, every fourth... of all.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.spots.spotlooks import DETAIL_CLIP, LEVEL_CLIP, Difference
from qc.measures.parts.spots.spotsums import FLOOR, Sums

__all__ = ["Kept", "SpotTrail"]

Map = NDArray[np.float32]
Codes = NDArray[np.int8]

_MOST = 160  # comparisons; some 70 kB each
_UNKNOWN = -128
_CODES = 127.0
_CLIP = {"level": LEVEL_CLIP, "detail": DETAIL_CLIP}
_SHARE = 2  # what one look alone shows of the level is kept half as finely


@dataclass(frozen=True, slots=True, eq=False)
class Kept:
    """One comparison, in bytes.

    Attributes
    ----------
    first_row, row : int
        Rows of the two looks.
    since : (h, w) array of int32
        See `Difference`.
    both : dict of (h, w) arrays of int8
        What agreed both ways, by ``"level"`` and ``"detail"``.
    ways : dict of pairs of arrays of int8
        What the earlier and what the later look showed by itself, both as large as the
        map of detail.
    """

    first_row: int
    row: int
    since: NDArray[np.int32]
    both: dict[str, Codes]
    ways: dict[str, tuple[Codes, Codes]]

    @classmethod
    def of(cls, difference: Difference) -> Kept:
        """Code a comparison."""
        both, ways = {}, {}
        height, width = difference.detail.shape
        for name, share in (("level", _SHARE), ("detail", 1)):
            # An odd line more of the one map has none beside it in the other.
            part = slice(0, share * height, share), slice(0, share * width, share)
            here, there = difference.ways[name]
            both[name] = _coded(getattr(difference, name), name)
            ways[name] = _coded(here[part], name), _coded(there[part], name)
        return cls(difference.first_row, difference.row, difference.since, both, ways)

    def values(self, name: str) -> Map:
        """Return what agreed both ways, NaN where nothing is known."""
        return decoded(self.both[name], name)


def _coded(values: Map, name: str) -> Codes:
    scale = np.float32(_CODES / _CLIP[name])
    out = np.rint(np.clip(values * scale, -_CODES, _CODES))
    out[np.isnan(out)] = _UNKNOWN
    return np.asarray(out, np.int8)


def decoded(codes: Codes, name: str) -> Map:
    """Return the natural logarithms that bytes stand for; NaN where unknown."""
    out = codes.astype(np.float32) * np.float32(_CLIP[name] / _CODES)
    out[codes == _UNKNOWN] = np.nan
    return out


class SpotTrail:
    """Comparisons one by one; memory does not grow with the take."""

    def __init__(self) -> None:
        self.kept: list[Kept] = []
        self._every = 1
        self._count = 0

    @property
    def whole(self) -> bool:
        """Whether no comparison had to be let go."""
        return self._every == 1

    def add(self, difference: Difference) -> None:
        """Keep a comparison, if it is its turn."""
        turn = self._count % self._every == 0
        self._count += 1
        if not turn:
            return
        new = Kept.of(difference)
        if self.kept and self.kept[-1].both["level"].shape != new.both["level"].shape:
            return
        self.kept.append(new)
        if len(self.kept) >= _MOST:
            self.kept = self.kept[::2]
            self._every *= 2

    def stretches(
        self, spans: list[tuple[int, int]], fewest: int = 1
    ) -> Iterator[Sums]:
        """Yield the sums over comparisons within spans of rows, as takes of their own.

        Parameters
        ----------
        spans : list of (first, last)
            Rows, half-open. A framing counts once in each span, however often it was
            shown before.
        fewest : int
            Spans with fewer comparisons are passed over.
        """
        alone = [
            Sums.of(
                one.first_row,
                one.row,
                {name: one.values(name) for name in FLOOR},
                np.ones(one.since.shape, np.bool_),
            )
            for one in self.kept
        ]
        for first, last in spans:
            within = [
                (sums, one.since < first)
                for one, sums in zip(self.kept, alone, strict=True)
                if one.first_row >= first and one.row < last
            ]
            if len(within) < max(fewest, 1):
                continue
            total = within[0][0].where(within[0][1])
            for sums, fresh in within[1:]:
                if fresh.all():
                    total.take(sums)
                elif fresh.any():
                    total.take_where(sums, fresh)
            yield total
