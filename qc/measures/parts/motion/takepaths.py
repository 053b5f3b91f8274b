"""The paths of a take: where the picture's centre went, and how it swayed."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.motion.freesway import free_sway
from qc.measures.parts.motion.knocking import knocks, without_knocks
from qc.measures.parts.motion.notcamera import (
    rests_behind,
    uncovered,
    without_zoom,
)
from qc.measures.parts.motion.swaying import Path, path_pieces, sway
from qc.records import Readings

__all__ = ["sway_columns", "take_paths", "way_seen"]

_Array = NDArray[np.floating]

_SURE = 0.4  # of the picture must follow for a motion to be called the camera's


def take_paths(
    readings: Readings, first: int = 0, last: int | None = None
) -> list[Path]:
    """Return the paths of a take, or of a part of it."""
    last = readings.rows if last is None else last
    begins = readings.times()[first:last]
    return path_pieces(begins, *_shifts(readings, first, last))


def way_seen(readings: Readings) -> _Array:
    """Return how far the picture was seen to go from row to row, percent of width.

    Over gaps a path goes on as before and behind them: here that is 0.
    """
    return np.nan_to_num(np.hypot(*_shifts(readings, 0, readings.rows)))


def _shifts(readings: Readings, first: int, last: int) -> tuple[_Array, _Array]:
    """Return the camera's shift since the row before, NaN where it is not known."""
    part = {
        name: readings.columns.part(f"steadiness.{name}", first, last)
        for name in (
            "dx_percent",
            "dy_percent",
            "zoom_percent",
            "trust",
            "covered_ago_frames",
            "rests_behind",
        )
    }
    begins = readings.times()[first:last]
    with np.errstate(invalid="ignore"):
        sure = part["trust"] >= _SURE
    sure &= uncovered(part["covered_ago_frames"], begins)
    dx, dy = (
        np.where(sure, part[name], np.nan).astype(np.float64)
        for name in ("dx_percent", "dy_percent")
    )
    rests = rests_behind(part["rests_behind"], begins)
    dx[rests & sure], dy[rests & sure] = 0.0, 0.0
    return without_zoom(dx, dy, part["zoom_percent"], begins)


def sway_columns(readings: Readings, *, knock: float) -> tuple[_Array, _Array, _Array]:
    """Return size and frequency of what sways, and the speed of the pan, by row.

    Parameters
    ----------
    knock : float
        Percent of width: jumps of so much that soon settle are taken out first.
    """
    begins = readings.times()[:-1]
    size, hz, pan = (np.full(readings.rows, np.nan) for _ in range(3))
    for path in take_paths(readings):
        # A knock alone makes two or three swings beside a slow drift.
        found = sway(without_knocks(path, knocks(path, least=knock)))
        free, theirs = free_sway(path)
        more = free > found.size
        sizes, rates = (
            np.where(more, free, found.size),
            np.where(more, theirs, found.hz),
        )
        part = slice(path.first, path.last)
        nearest = np.rint((begins[part] - path.times[0]) * path.rate).astype(int)
        nearest = np.clip(nearest, 0, len(path.times) - 1)
        size[part], hz[part] = sizes[nearest], rates[nearest]
        pan[part] = found.pan[nearest]
    return size, hz, pan
