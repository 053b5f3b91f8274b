"""The level of an unchanged scene, followed from frame to frame.

A gain in the camera multiplies the light of every part of the picture alike. So the
picture, as cells of log light, is held against an earlier picture of the same place:
what most cells do together, in all parts of the picture, is the camera's (or an even
lamp's); what single parts do is the scene's. When the cells no longer agree, the
framing or too much of the scene has changed: the level is carried on if at least the
frame before agrees; else a new place begins.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from qc.kernels.light import Agreement, common_level, looked_up
from qc.measures.parts.level.samethings import SightKeeper
from qc.measures.parts.level.smallcells import level_cells
from qc.measures.parts.running import running_median
from qc.records import Picture
from qc.signal import Signal, to_linear

__all__ = [
    "LevelFollower",
    "Swing",
    "level_steps",
    "smoothed",
    "swings",
    "trimmed",
]

# Percent of range: under it noise and the black level count, over it clip and knee.
_LOW_PERCENT, _HIGH_PERCENT, _HIGH_HDR_PERCENT = 6.0, 85.0, 95.0
_LEAST_CELLS, _LEAST_PART = 0.05, 0.15
# Cells agree within so many stops, and so much of a stop's change: curves differ.
_TOLERANCE, _TOLERANCE_SHARE = 0.08, 0.15
_AGREE, _PARTS_AGREE = 0.5, 0.8
_LOST_SECONDS = 0.5
_TABLE_STEPS = 50


class LevelFollower:
    """Gives every picture's level against the first one of its place.

    Parameters
    ----------
    signal : Signal
    tick_s : float
        Seconds of a tick of the pictures' time stamps.
    """

    def __init__(self, signal: Signal, *, tick_s: float) -> None:
        self._tick_s = tick_s
        top = _HIGH_HDR_PERCENT if signal.is_hdr else _HIGH_PERCENT
        # Log light by level, to a fiftieth of a percent: a thousandth of a stop.
        percent = np.arange(round(102.0 * _TABLE_STEPS)) / _TABLE_STEPS
        light = to_linear(np.maximum(percent, 1.0) / 100.0, transfer=signal.transfer)
        self._table = np.log2(light).astype(np.float32)
        limit = float(self._table[round(top * _TABLE_STEPS)])
        self._how = Agreement(
            least_cells=_LEAST_CELLS,
            tolerance=_TOLERANCE,
            share=_TOLERANCE_SHARE,
            agree=_AGREE,
            least_part=_LEAST_PART,
            parts_agree=_PARTS_AGREE,
            limit=limit,
        )
        low = float(self._table[round(_LOW_PERCENT * _TABLE_STEPS)])
        self._sight = SightKeeper(low, limit)
        self._table[percent < _LOW_PERCENT] = np.nan
        self._table[percent > top] = np.inf
        self._anchor: NDArray[np.float32] | None = None
        self._last: NDArray[np.float32] | None = None
        self._zero = self._level = 0.0
        self._carried = 0
        self._place = -1
        self._seen_s = 0.0

    def read(self, picture: Picture) -> dict[str, float]:
        """Return ``level_stops``, ``place``, ``entered_percent`` and ``carried``.

        `carried` counts how often the level was carried on from the frame before
        because the framing had moved on: each time it may have gone off a little.
        `entered_percent` is the share of cells that are brighter than the rest says:
        something bright that came in.
        """
        now_s = picture.pts * self._tick_s
        if picture.damaged:
            self._sight.read(None, now_s, moved=False)
            return {"place": float(self._place)}
        cells, carried, place = self._cells(picture), self._carried, self._place
        out = self._followed(cells, now_s)
        lost = "level_stops" not in out and place >= 0
        moved = lost or self._carried != carried or self._place != place
        self._sight.read(cells, now_s, moved=moved)
        return out

    def finish(self) -> Mapping[str, object]:
        """Return what was kept of moves of the camera, see `samethings.followed`."""
        return {**self._sight.finish(), "how": self._how}

    def _followed(self, cells: NDArray[np.float32], now_s: float) -> dict[str, float]:
        found = self._against(self._anchor, cells)
        if found is None and self._last is not None:
            # The framing has moved on, but from the frame before it is a small step.
            step = self._against(_known(self._last), cells)
            if step is not None and abs(now_s - self._seen_s) < _LOST_SECONDS:
                self._zero = self._level + step[0]
                self._carried += 1
                self._anchor = _known(cells)
                found = 0.0, step[1]
        if found is not None:
            self._last, self._level = cells, self._zero + found[0]
            self._seen_s = now_s
            return {
                "place": float(self._place),
                "level_stops": self._level,
                "entered_percent": found[1],
                "carried": float(self._carried),
            }
        lost_s = now_s - self._seen_s
        if self._anchor is not None and 0 <= lost_s < _LOST_SECONDS:
            return {"place": float(self._place)}
        if np.count_nonzero(np.isfinite(cells)) < _LEAST_CELLS * cells.size:
            return {"place": float(self._place)}
        self._anchor = _known(cells)
        self._seen_s = now_s
        self._last, self._zero, self._level = cells, 0.0, 0.0
        self._place += 1
        return {
            "place": float(self._place),
            "level_stops": 0.0,
            "entered_percent": 0.0,
            "carried": float(self._carried),
        }

    def _cells(self, picture: Picture) -> NDArray[np.float32]:
        """Return log light of cells; NaN near black, infinite near the clip."""
        return looked_up(picture.view(level_cells), self._table, scale=_TABLE_STEPS)

    def _against(
        self, anchor: NDArray[np.float32] | None, cells: NDArray[np.float32]
    ) -> tuple[float, float] | None:
        """Return the common change since an anchor, None where there is none.

        And what percent of the cells are brighter than that explains.
        """
        if anchor is None or anchor.shape != cells.shape:
            return None
        found = common_level(anchor, cells, self._how)
        if found is None:
            return None
        return found[0], 100.0 * found[1] / cells.size


def _known(cells: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return cells with NaN for those near the clip too."""
    out: NDArray[np.float32] = np.where(cells == np.inf, np.float32(np.nan), cells)
    return out


# ------------------------------------------------------------------ over the take


@dataclass(frozen=True, slots=True)
class Swing:
    """A change of level in one direction; `first` and `last` are rows, inclusive."""

    first: int
    last: int
    stops: float


def level_steps(
    level: NDArray[np.floating], times: NDArray[np.floating], *, least: float = 0.12
) -> list[tuple[int, float]]:
    """Find where a level jumps at once, flat before and after.

    Parameters
    ----------
    level : (n,) array
        Stops, all known.
    times : (n,) array
        Seconds.
    least : float
        Smaller jumps are let be.

    Returns
    -------
    list of (row, stops)
        First row after the jump, and how far it went.
    """
    found: list[tuple[int, float]] = []
    n = len(level)
    before = np.maximum(np.searchsorted(times, times - 0.10), 0)
    after = np.minimum(np.searchsorted(times, times + 0.10), n - 1)
    jumps = np.abs(level[after] - level[before])
    row = 0
    while row < n:
        if not jumps[row] >= least:
            row += 1
            continue
        end = row
        while end + 1 < n and jumps[end + 1] >= least:
            end += 1
        peak = row + int(np.argmax(jumps[row : end + 1]))
        a, b = int(before[peak]), int(after[peak])
        early = level[np.searchsorted(times, times[a] - 0.4) : a + 1]
        late = level[b : np.searchsorted(times, times[b] + 0.4) + 1]
        low, high = float(np.median(early)), float(np.median(late))
        size = high - low
        loose = max(0.2 * abs(size), 0.03)
        flat = np.ptp(early) <= loose and np.ptp(late) <= loose
        if flat and abs(size) >= least and len(early) > 1 and len(late) > 1:
            middle = a + int(np.argmax(np.abs(np.diff(level[a : b + 1])))) + 1
            found.append((middle, size))
        row = end + 1
    return found


def swings(level: NDArray[np.floating], *, least: float) -> list[Swing]:
    """Return the changes of a level in one direction of at least `least` stops each.

    A change goes on until the level has come back by `least`.

    Examples
    --------
    >>> found = swings(np.array([0, 1, 2, 1.9, 0]), least=1)
    >>> [(s.first, s.last, s.stops) for s in found]
    [(0, 2, 2.0), (2, 4, -2.0)]
    """
    pivots: list[int] = []
    low = high = 0
    way = 0
    for i in range(1, len(level)):
        value = level[i]
        if way >= 0 and value > level[high]:
            high = i
        if way <= 0 and value < level[low]:
            low = i
        if way == 0:
            if value - level[low] >= least:
                pivots, way, high = [low], 1, i
            elif level[high] - value >= least:
                pivots, way, low = [high], -1, i
            continue
        if way > 0 and level[high] - value >= least:
            pivots.append(high)
            way, low = -1, i
        elif way < 0 and value - level[low] >= least:
            pivots.append(low)
            way, high = 1, i
    if way:
        pivots.append(high if way > 0 else low)
    return [Swing(a, b, float(level[b] - level[a])) for a, b in pairwise(pivots)]


def trimmed(level: NDArray[np.floating], swing: Swing) -> tuple[int, int]:
    """Return the rows between which a swing really moves, without its level ends.

    Parameters
    ----------
    level : (rows,) array
        Stops.
    swing : Swing
    """
    part = np.asarray(level[swing.first : swing.last + 1], np.float64)
    still = 0.1 * abs(swing.stops)
    begins = int(np.flatnonzero(np.abs(part - part[0]) <= still)[-1])
    ends = int(np.flatnonzero(np.abs(part - part[-1]) <= still)[0])
    if ends <= begins:
        return swing.first, swing.last
    return swing.first + begins, swing.first + ends


def smoothed(
    level: NDArray[np.floating], times: NDArray[np.floating], *, seconds: float
) -> NDArray[np.float64]:
    """Return running medians over about `seconds`."""
    step = float(np.median(np.diff(times))) if len(times) > 1 else math.inf
    rows = round(seconds / step) if step > 0 else 1
    rows = min(max(rows + 1 - rows % 2, 1), len(level))
    values = np.asarray(level, np.float64)
    return running_median(values, rows)
