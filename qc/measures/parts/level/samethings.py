"""The level of the same things while the camera moves: pans, zooms, drives.

Under a camera that moves, another part of the scene lies in each cell, and what comes
in may be darker or brighter than what goes out. So pictures of a few cells are kept
while the framing moves on, and each is held against an earlier one laid where the
measured motion has carried it: only what is in sight in both is compared.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.kernels.light import Agreement, common_level
from qc.records import Readings
from qc.spans import runs

__all__ = ["Followed", "SightKeeper", "followed"]

_Cells = NDArray[np.float32]

# So often a picture is kept; between two of them the level is followed as at rest.
_EVERY_SECONDS = 0.2
# Kept cells are whole numbers: unknown, the range of log light, too bright.
_UNKNOWN, _LOWEST, _HIGHEST, _BURNT = 0, 1, 254, 255
# Motion is believed when so much of the picture follows it; what is unknown for a
# moment is taken to go on as before.
_TRUST, _GAP_SECONDS = 0.6, 0.15
# An earlier picture is held against later ones while so much of it is in sight, and
# no longer than its scale stays alike (house choices): each change may cost a little.
_IN_SIGHT, _SCALE = 0.6, 1.3
# Less than this of both pictures in common tells nothing.
_LEAST_SIGHT = 0.3
# Cells laid over others by parts of a cell differ where the scene has detail: they are
# smoothed, and agree within so many stops.
_TOLERANCE, _SMOOTH, _AGREE = 0.2, 3, 0.7
# From here on, percent of the width from frame to frame, a picture that cannot be
# followed moves: nothing is said of its level.
_GOES_PERCENT = 0.1
# What goes by less than this altogether, by a hand's tremor say, leaves nearly all in
# sight: half of what a kept picture counts as moved by (house choice).
_TREMOR_PERCENT = 1.0
# Between two kept pictures it has moved from here on: a cell, in widths or in scale.
_MOVED, _FEW_FRAMES = 0.02, 30
# What is lost while the camera stays within half a cell is another picture: a cut, a
# fade, something large that comes in.
_RESTS = 0.01
_FAR_PLACE = 1e4


class SightKeeper:
    """Keeps cells of pictures while the framing moves on.

    Parameters
    ----------
    low, high : float
        Range of log light that can be read, stops.
    """

    def __init__(self, low: float, high: float) -> None:
        self._low = low
        self._step = max(high - low, 1e-3) / (_HIGHEST - _LOWEST)
        self._row = -1
        self._at_s = -math.inf
        self._rows: list[int] = []
        self._kept: list[NDArray[np.uint8]] = []

    def read(self, cells: _Cells | None, now_s: float, *, moved: bool) -> None:
        """Count one picture; keep its cells where the framing has moved on."""
        self._row += 1
        if cells is None or not moved:
            return
        if 0 <= now_s - self._at_s < _EVERY_SECONDS:
            return
        if self._kept and self._kept[0].shape != cells.shape:
            return
        self._at_s = now_s
        code = np.clip((cells - self._low) / self._step + _LOWEST, _LOWEST, _HIGHEST)
        code = np.where(np.isnan(cells), _UNKNOWN, np.rint(code))
        code[cells == np.inf] = _BURNT
        self._rows.append(self._row)
        self._kept.append(code.astype(np.uint8))

    def finish(self) -> Mapping[str, object]:
        """Return what `followed` needs."""
        return {
            "rows": np.array(self._rows, np.int64),
            "cells": np.array(self._kept, np.uint8),
            "low": self._low,
            "step": self._step,
        }


@dataclass(frozen=True, slots=True, eq=False)
class Followed:
    """The level of a take with camera moves.

    Attributes
    ----------
    level : (rows,) array
        Stops against the place's first frame; NaN where not known.
    place : (rows,) array
        Another number where the level cannot be compared with what was before.
    steps : (rows,) array
        How often the level has been carried on so far over a move of the camera.
    unknown : (rows,) array of bool
        The camera moves, and what is in sight could not be followed.
    """

    level: NDArray[np.float64]
    place: NDArray[np.float64]
    steps: NDArray[np.float64]
    unknown: NDArray[np.bool_]


def followed(readings: Readings, kept: object, how: Agreement | None) -> Followed:
    """Return the level of the same things over a take.

    Parameters
    ----------
    readings : Readings
        With the columns of exposure and of steadiness.
    kept : object
        From `SightKeeper.finish`; anything else: nothing was kept.
    how : Agreement or None
        When cells count as changed alike.
    """
    level = readings["exposure.level_stops"].astype(np.float64)
    place = readings["exposure.place"].astype(np.float64)
    carried = _held(readings["exposure.carried"].astype(np.float64))
    nothing = np.zeros(readings.rows, bool)
    out = Followed(level.copy(), place.copy(), carried, nothing)
    if "steadiness.dx_percent" not in readings.columns or how is None:
        return out
    if not isinstance(kept, Mapping) or len(kept.get("rows", ())) < 2:
        return out
    motion = _motion(readings)
    how = how._replace(tolerance=_TOLERANCE, agree=_AGREE)
    at = np.asarray(kept["rows"])
    cells = _cells_of(kept)
    cells[_changed(level, motion, at)] = np.nan
    chains = list(_chains(cells, at, motion, how))
    fresh, offset, end = float(np.nanmax(place)) + 1.0, 0.0, 0
    names: dict[float, float] = {}
    for rows, walk in chains:
        first, last = int(rows[0]), int(rows[-1])
        _shift(out, names, end, first + 1, offset)
        if np.isnan(out.level[first]):
            # Nothing to begin from: a place of its own.
            base, name = 0.0, fresh
            fresh += 1.0
        else:
            base, name = out.level[first], out.place[first]
        walk = walk + base
        inside = np.arange(first, last + 1)
        out.level[inside] = np.interp(inside, rows, walk)
        out.level[inside] += _between(level, place, rows)
        out.place[inside] = name
        known = not np.isnan(level[last])
        offset = float(walk[-1] - level[last]) if known else 0.0
        if known:
            names[place[last]] = name
        end = last + 1
        if not known:
            names.pop(place[last], None)
    _shift(out, names, end, readings.rows, offset)
    added = np.diff(carried, prepend=0.0)
    for rows, _ in chains:
        added[rows[0] + 1 : rows[-1] + 1] = 0.0
        added[rows[1:]] = 1.0
    out.steps[:] = np.cumsum(added)
    free = _lost(readings, motion, at)
    for rows, _ in chains:
        free[rows[0] : rows[-1] + 1] = False
    out.unknown[:] = free
    out.level[free] = np.nan
    # What lies behind it is compared with nothing before it.
    out.place[:] += _FAR_PLACE * np.cumsum(np.diff(free, prepend=False) & free)
    return out


def _changed(
    level: NDArray[np.float64], motion: NDArray[np.float64], at: NDArray[np.intp]
) -> NDArray[np.bool_]:
    """Return which kept pictures are of a stretch that is lost while the camera rests.

    At rest the level as read is surer; where even that is lost, nothing lain over the
    picture is the same thing.
    """
    out = np.zeros(len(at), bool)
    for a, b in runs(np.isnan(level)):
        way = np.cumsum(motion[:, a:b], axis=1)
        # What is not known to rest may be followed.
        if (np.abs(way) <= _RESTS).all():
            out |= (at >= a) & (at < b)
    return out


def _held(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return values with the last known one where they are not known; 0 before."""
    known = np.where(np.isnan(values), 0, np.arange(len(values)))
    return np.nan_to_num(values[np.maximum.accumulate(known)])


def _shift(
    out: Followed, names: Mapping[float, float], first: int, last: int, offset: float
) -> None:
    """Carry the level that a chain ended with on over its place, as far as it goes."""
    places = out.place[first:last].copy()
    for old, new in names.items():
        same = places == old
        if same.any():
            begins = first + int(np.flatnonzero(same)[0])
            if begins == first:
                out.level[first:last][same] += offset
            out.place[first:last][same] = new


def _between(
    level: NDArray[np.float64], place: NDArray[np.float64], rows: NDArray[np.intp]
) -> NDArray[np.float64]:
    """Return what the level does between kept pictures, beside a straight line."""
    inside = np.arange(rows[0], rows[-1] + 1)
    out = np.zeros(len(inside))
    for a, b in pairwise(rows.tolist()):
        part = level[a : b + 1]
        if np.isnan(part).any() or (place[a : b + 1] != place[a]).any():
            continue
        line = np.linspace(part[0], part[-1], len(part))
        out[a - rows[0] : b + 1 - rows[0]] = part - line
    return out


def _lost(
    readings: Readings, motion: NDArray[np.float64], at: NDArray[np.intp]
) -> NDArray[np.bool_]:
    """Return where the camera moves, by a measured way or by none that is known."""
    out: NDArray[np.bool_] = np.asarray(np.isnan(motion).any(axis=0))
    if "framing.motion_percent" in readings.columns:
        gone = np.nan_to_num(readings["framing.motion_percent"].astype(np.float64))
        for a, b in runs(out):
            out[a:b] &= gone[a:b] > _GOES_PERCENT
            if gone[a:b].sum() <= _TREMOR_PERCENT:
                out[a:b] = False
    else:
        out[:] = False
    for a, b in pairwise(at.tolist()):
        way = motion[:, a + 1 : b + 1]
        if b - a <= _FEW_FRAMES and (np.abs(way.sum(axis=1)) > _MOVED).any():
            out[a + 1 : b + 1] = True
    return out


# ------------------------------------------------------------------------- the chain


def _motion(readings: Readings) -> NDArray[np.float64]:
    """Return shift right and down in widths, and log scale, of each row since the last.

    Returns
    -------
    (3, rows) array
        NaN where unknown for longer than a moment.
    """
    names = ("dx_percent", "dy_percent", "zoom_percent")
    out = np.array([readings[f"steadiness.{n}"] for n in names], np.float64) / 100.0
    out[2] = np.log1p(np.maximum(out[2], -0.9))
    with np.errstate(invalid="ignore"):
        unsure = ~(readings["steadiness.trust"] >= _TRUST)
    unsure |= np.isnan(out).any(axis=0)
    out[:, unsure] = np.nan
    times = readings.times()
    known = np.flatnonzero(~unsure)
    for a, b in pairwise(known.tolist()):
        if b - a > 1 and times[b] - times[a + 1] <= _GAP_SECONDS:
            for one in out:
                one[a + 1 : b] = 0.5 * (one[a] + one[b])
    return out


def _cells_of(kept: Mapping[str, object]) -> _Cells:
    code = np.asarray(kept["cells"])
    low, step = (float(kept[k]) for k in ("low", "step"))  # type: ignore[arg-type]
    out = ((code.astype(np.float32) - _LOWEST) * np.float32(step)) + np.float32(low)
    for one, known in zip(out, (code > _UNKNOWN) & (code < _BURNT), strict=True):
        # The mean of what is known about a cell; what burns at its side is left out.
        share = cv2.blur(known.astype(np.float32), (_SMOOTH, _SMOOTH))
        some = np.maximum(share, np.float32(1e-6))
        one[:] = cv2.blur(np.where(known, one, 0), (_SMOOTH, _SMOOTH)) / some
    out[code == _UNKNOWN] = np.nan
    out[code == _BURNT] = np.inf
    return np.asarray(out, np.float32)


def _chains(
    cells: _Cells, at: NDArray[np.intp], motion: NDArray[np.float64], how: Agreement
) -> Iterator[tuple[NDArray[np.intp], NDArray[np.float64]]]:
    """Yield rows of kept pictures that can be followed on, and their levels from 0."""
    begin = 0
    while begin < len(at) - 1:
        walk = [0.0]
        key = now = begin
        while now + 1 < len(at):
            now += 1
            found = _compared(cells, at, motion, key, now, how)
            if found is None and key != now - 1:
                key = now - 1
                found = _compared(cells, at, motion, key, now, how)
            if found is None:
                now -= 1
                break
            walk.append(walk[key - begin] + found[0])
            if found[1]:
                key = now
        if now > begin:
            yield at[begin : now + 1], np.array(walk)
        begin = now + 1 if now == begin else now


def _compared(
    cells: _Cells,
    at: NDArray[np.intp],
    motion: NDArray[np.float64],
    key: int,
    now: int,
    how: Agreement,
) -> tuple[float, bool] | None:
    """Return the change of level between two kept pictures, and if they lie far apart.

    None where it cannot be told.
    """
    height, width = cells.shape[1:]
    moves = motion[:, at[key] + 1 : at[now] + 1]
    # After a rest the level as read is better.
    if np.isnan(moves).any() or at[now] - at[now - 1] > _FEW_FRAMES:
        return None
    # Later zooms carry earlier shifts along; about the middle of the picture.
    growth = np.exp(moves[2].sum() - np.cumsum(moves[2]))
    scale = float(np.exp(moves[2].sum()))
    right, down = (float((m * growth).sum()) * width for m in moves[:2])
    # Cells are square, up to rounding.
    x0, y0 = (width - 1) / 2, (height - 1) / 2
    move = np.array(
        [[scale, 0, x0 * (1 - scale) + right], [0, scale, y0 * (1 - scale) + down]]
    )
    earlier = cells[key]
    finite = np.isfinite(earlier)
    inside = _laid(np.ones_like(earlier), move)
    share = float((inside > 0.99).mean())
    if share < _LEAST_SIGHT:
        return None
    laid = _laid(np.where(finite, earlier, np.float32(0)), move)
    laid[_laid(finite.astype(np.float32), move) < 0.99] = np.nan
    found = common_level(laid, np.ascontiguousarray(cells[now]), how)
    if found is None:
        return None
    shares = min(share, share / max(scale, 1e-6) ** 2)
    far = shares < _IN_SIGHT or not 1 / _SCALE < scale < _SCALE
    return found[0], far


def _laid(cells: _Cells, move: NDArray[np.float64]) -> _Cells:
    """Return cells carried along by a motion; 0 where nothing comes from."""
    height, width = cells.shape
    out = cv2.warpAffine(cells, move, (width, height), flags=cv2.INTER_LINEAR)
    return np.ascontiguousarray(out, np.float32)
