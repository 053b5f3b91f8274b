"""For how long a part of the picture holds less detail than before."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.focus.medians import known_median, median_of_known
from qc.measures.parts.focus.partfalls import Fall
from qc.measures.parts.focus.softedges import stepped
from qc.measures.parts.focus.tiles import tile_rows
from qc.records import Readings
from qc.spans import runs

__all__ = ["Stretch", "moments_of", "stretch_of"]

# Detail is back when it has been over the middle of its fall for so long.
_BACK_S = 0.3
# Rows brought in at once, at first and at most.
_FEW, _MANY = 256, 4096
# A fall begins where a quarter of it is done, and has ended where three are.
_QUARTER = 0.25


@dataclass(frozen=True, slots=True, eq=False)
class Stretch:
    """For how long a part of the picture holds less detail.

    Attributes
    ----------
    first, last : int
        Rows, half-open.
    began, deep : int
        Rows at which a quarter, and three quarters, of the fall are done.
    share : (last - first,) array
        Detail against before, the middle one of the tiles.
    kept : float
        The same of the rest, in the middle.
    """

    first: int
    last: int
    began: int
    deep: int
    share: NDArray[np.float64]
    kept: float


def stretch_of(readings: Readings, fall: Fall, last: int) -> Stretch | None:
    """Return how long a fall of detail lasts; None if it is not there for two frames.

    Parameters
    ----------
    last : int
        Where the shot ends.
    """
    start = fall.before[0]
    low = float(np.median(fall.left[fall.tiles]))
    middle = 0.5 * (1.0 + low)
    share, rest, ends = _followed(readings, fall, last, middle)
    at = fall.behind[0] - start
    under = share < middle
    inside = at + np.flatnonzero(under[at : at + 2])
    if not inside.size:
        return None
    at = int(inside[0])
    over = np.flatnonzero(share[:at] >= middle)
    first = int(over[-1]) + 1 if over.size else 0
    lows = np.flatnonzero(under[:ends])
    if not lows.size or lows[-1] < at:
        return None
    end = int(lows[-1]) + 1
    edges = readings.edges[start : start + len(share) + 1]
    times = edges.astype(np.float64) * float(readings.time_base)
    percent = (100.0 * share).astype(np.float32)
    first, end = stepped(percent, times, (first, end), (0, len(share)))
    high, deep = (low + part * (1.0 - low) for part in (1.0 - _QUARTER, _QUARTER))
    over = np.flatnonzero(share[: first + 1] >= high)
    began = int(over[-1]) + 1 if over.size else 0
    down = np.flatnonzero(share[first:end] <= deep)
    down_at = first + int(down[0]) if down.size else first
    return Stretch(
        first=start + first,
        last=start + end,
        began=start + min(began, first),
        deep=start + down_at,
        share=share[first:end],
        kept=float(median_of_known(rest[first:end])),
    )


def _followed(
    readings: Readings, fall: Fall, last: int, middle: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], int]:
    """Return detail against before, of the tiles and the rest, and where it is back.

    Rows are counted from where the fall was seen from.
    """
    start, behind = fall.before[0], fall.behind[0]
    need = _rows_of(readings, start, last, _BACK_S)
    shares: list[NDArray[np.float64]] = []
    rests: list[NDArray[np.float64]] = []
    at, many = start, _FEW
    while at < last:
        rows = np.arange(at, min(at + many, last))
        at, many = at + many, min(2 * many, _MANY)
        detail = tile_rows(readings, rows).astype(np.float64)
        for tiles, out in ((fall.tiles, shares), (fall.rest, rests)):
            out.append(known_median((detail[:, tiles] / fall.was[tiles]).T))
        share = np.concatenate(shares)
        # What is not known for a moment is not back.
        back = np.nan_to_num(share) >= middle
        back[: behind - start + 1] = False
        found = [run for run in runs(back) if run[1] - run[0] >= need]
        if found:
            return _smooth(share), _smooth(np.concatenate(rests)), found[0][0]
    share = _smooth(np.concatenate(shares))
    return share, _smooth(np.concatenate(rests)), len(share)


def moments_of(readings: Readings, fall: Fall, stretch: Stretch) -> NDArray[np.intp]:
    """Return the row at which each of the tiles is half way down for good."""
    start = fall.before[0]
    detail = tile_rows(readings, np.arange(start, stretch.deep + 1))[:, fall.tiles]
    share = _smooth(detail.astype(np.float64) / fall.was[fall.tiles])
    over = share >= 0.5 * (1.0 + fall.left[fall.tiles])
    after = len(over) - np.argmax(over[::-1], axis=0)
    return np.asarray(start + np.where(over.any(axis=0), after, 0), np.intp)


def _rows_of(readings: Readings, first: int, last: int, seconds: float) -> int:
    each = float(readings.start(last) - readings.start(first)) / (last - first)
    return max(2, round(seconds / each))


def _smooth(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the median of each row and its neighbours: steps stay."""
    ends = np.concatenate([values[:1], values, values[-1:]])
    return known_median(np.stack([ends[:-2], ends[1:-1], ends[2:]]))
