"""Whether a white that is followed is still the same part of the same surface.

The box in which a white is read stays where it lies in the picture until it is looked
for anew. While the camera moves it slides over what is filmed, off the surface or into
a fold of it; and what is found next, of much the same colour, may lie elsewhere. Only
what keeps its place in the scene can tell a drift.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.running import running_range
from qc.records import Readings

__all__ = ["same_parts"]

Array = NDArray[np.float64]

# At the latest after so long a surface is looked for anew: see `NeutralTracker`.
_LOOK_S = 2.0
# A camera that strays by no more than this share of the width within that time stands:
# there a hand that covers a part of a surface makes its box jump (house choice).
_STANDS = 0.01
# A box has left the part on which it lay if it slides by more than this share of the
# side of a square as large as its surface, and another is found if it lies farther away
# than this many sides (house choices).
_SLID, _ELSEWHERE = 0.5, 1.0


def same_parts(
    readings: Readings, rows: NDArray[np.intp], size: tuple[int, int]
) -> NDArray[np.intp]:
    """Return which part of which surface is read in each row, as a number.

    Parameters
    ----------
    readings : Readings
    rows : (n,) array
        Rows with a white that was found.
    size : (width, height)
        Of the picture, pixels.

    Returns
    -------
    (n,) array
        The same number, the same part of the same surface; -1 where a box has slid
        off what was looked at.
    """
    tracks = readings["white.found_track"][rows]
    new = np.zeros(len(rows), np.bool_)
    new[1:] = tracks[1:] != tracks[:-1]
    slid = np.zeros(len(rows), np.bool_)
    if "steadiness.dx_percent" in readings.columns and len(rows) > 1:
        elsewhere, slid = _strayed(readings, rows, size)
        new |= elsewhere
    new[1:] |= slid[:-1] & ~slid[1:]
    return np.where(slid, -1, np.cumsum(new))


def _strayed(
    readings: Readings, rows: NDArray[np.intp], size: tuple[int, int]
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return where a box lies elsewhere than in the row before, and where it has slid.

    Motion adds up over no more than `_LOOK_S`: over minutes its errors would.
    """
    width, height = size
    steps = [readings[f"steadiness.d{axis}_percent"] for axis in "xy"]
    every = np.cumsum(np.nan_to_num(np.stack(steps, axis=1).astype(np.float64)), axis=0)
    every *= width / 100.0
    row_s = float(np.median(np.diff(readings.edges)) * readings.time_base)
    around = 2 * max(1, round(_LOOK_S / max(row_s, 1e-6))) + 1
    moves = running_range(every, around)[rows].max(axis=1) > _STANDS * width
    box = readings["white.neutral_box"][rows].astype(np.float64)
    place = box[:, :2] + 0.5 * box[:, 2:] - every[rows]
    share = readings["white.found_share_percent"][rows].astype(np.float64) / 100.0
    side = np.sqrt(np.maximum(share, 0.0) * width * height)
    elsewhere = np.zeros(len(rows), np.bool_)
    away = np.hypot(*np.diff(place, axis=0).T)
    elsewhere[1:] = moves[1:] & (away > _ELSEWHERE * np.maximum(side[1:], side[:-1]))
    # What a box has slid since it was put there, or since the latest look there was.
    put = np.zeros(len(rows), np.intp)
    put[1:] = np.where(
        (np.diff(box, axis=0) != 0).any(axis=1), np.arange(1, len(rows)), 0
    )
    np.maximum.accumulate(put, out=put)
    at = readings.times()[rows]
    since = np.maximum(put, np.searchsorted(at, at - _LOOK_S))
    slid = moves & (np.hypot(*(place - place[since]).T) > _SLID * side)
    return elsewhere, slid
