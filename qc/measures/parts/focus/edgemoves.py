"""Sharpness of a move: its crispest edges over those now, where shots change.

Where the camera moves on all the time tiles hold new things every second, so that the
rise of the crispest edges is held against the crispest of the same move.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.focus.motionblur import CRISP_RISE_PX, Smear, unsmeared_rise
from qc.measures.parts.focus.tiles import held
from qc.records import Readings
from qc.spans import runs

__all__ = ["FEWEST_RISES", "against_move", "held_to_step", "sharper_between"]

# So few readings of edges tell of no crispest.
FEWEST_RISES = 4
# Fine detail of an edge against its width: the energy of the second derivative of a
# Gaussian edge goes with s^-3, its root with this power.
_EDGE_POWER = 1.5
# Edges no wider than so many times the crispest are as crisp, smeared or not.
_AS_CRISP = 1.2
# Readings of edges lie no farther apart, in frames; between two that differ focus was
# lost where the energy of fine detail, codes squared, halves from one frame to the
# next (house choice); less than so much is none.
_EVERY, _STEP, _LEAST_ENERGY = 12, math.log(2.0), 0.1


def against_move(readings: Readings, smear: Smear) -> NDArray[np.float64]:
    """Return the crispest edges of a move over those now, where shots change, in %."""
    rows = readings.rows
    out = np.full(rows, np.nan)
    rise = _confirmed(readings["focus.edge_rise_px"])
    shots = readings["framing.shot"]
    least = np.minimum(smear.x, smear.y)
    for first, last in runs(~smear.zooming & ~np.isnan(shots)):
        for a, b in _uncut(smear.cut, first, last):
            if np.all(shots[a:b] == shots[a]):
                continue  # tiles tell
            seen = readings["focus.edge_rise_px"][a:b]
            if np.count_nonzero(~np.isnan(seen)) < FEWEST_RISES:
                continue
            crispest = float(np.nanpercentile(seen, 10.0))
            # A reading is of the frame it was taken from, and so is its smear.
            now = unsmeared_rise(rise[a:b], least[a:b], crispest)
            hidden = np.isnan(now) & ~np.isnan(seen)
            crisp = seen <= _AS_CRISP * crispest
            now[hidden] = np.where(crisp, seen, np.inf)[hidden]
            fine = readings["focus.sharpness"][a:b]
            unread = sharper_between(now, fine)
            now = held_to_step(now, fine)
            now[np.isinf(now) | unread] = np.nan
            share = 100.0 * (crispest / np.maximum(now, crispest)) ** _EDGE_POWER
            with np.errstate(invalid="ignore"):
                share[now < CRISP_RISE_PX] = 100.0
            out[a:b] = share
    return out


def held_to_step(
    values: NDArray[np.floating], sharpness: NDArray[np.floating]
) -> NDArray[np.float64]:
    """Return each row's nearest reading; of two that differ, up to the step between.

    Parameters
    ----------
    values : (n,) array
        A width, NaN in the rows between two readings.
    sharpness : (n,) array
        Energy of fine detail, read in every row.

    Notes
    -----
    Where focus is lost or comes back at once, sharpness tells in which row: there it
    falls by half, or more, while edges get wider, or rises while they get narrower.
    """
    out = held(np.asarray(values, np.float64)[:, None])[:, 0]
    read = np.flatnonzero(~np.isnan(values))
    level = np.log(np.maximum(sharpness, _LEAST_ENERGY))
    for first, last in itertools.pairwise(read.tolist()):
        before, behind = float(values[first]), float(values[last])
        if before == behind or last - first > _EVERY:
            continue
        step = np.diff(level[first : last + 1]) * (1.0 if behind < before else -1.0)
        step = np.nan_to_num(step, nan=-np.inf)
        at = int(np.argmax(step))
        if step[at] >= _STEP:
            out[first : first + at + 1] = before
            out[first + at + 1 : last] = behind
    return out


def sharper_between(
    values: NDArray[np.floating], sharpness: NDArray[np.floating]
) -> NDArray[np.bool_]:
    """Return which rows are sharper by far than those where widths were read beside.

    Of a swing of focus that is as quick as readings are apart, all of them may be of
    soft frames: what was read there says nothing of the sharp ones between.

    Parameters
    ----------
    values, sharpness : (n,) arrays
        As for `held_to_step`.

    Examples
    --------
    >>> widths = np.array([4.0, np.nan, np.nan, np.nan, 4.0])
    >>> sharper_between(widths, np.array([2.0, 3.0, 40.0, 5.0, 3.0])).tolist()
    [False, False, True, False, False]
    """
    out = np.zeros(len(values), np.bool_)
    read = np.flatnonzero(~np.isnan(values))
    level = np.log(np.maximum(sharpness, _LEAST_ENERGY))
    for first, last in itertools.pairwise(read.tolist()):
        if last - first > _EVERY:
            continue
        most = max(level[first], level[last]) + _STEP
        with np.errstate(invalid="ignore"):
            out[first : last + 1] = level[first : last + 1] > most
    return out


def _confirmed(rise: NDArray[np.floating]) -> NDArray[np.float64]:
    """Return readings no wider than the wider of those before and behind.

    A single wide one is a thing that moves where there is no other edge.
    """
    out: NDArray[np.float64] = np.array(rise, np.float64)
    read = np.flatnonzero(~np.isnan(out))
    if read.size >= 3:
        seen = np.pad(out[read], 1, mode="edge")
        out[read] = np.minimum(out[read], np.maximum(seen[:-2], seen[2:]))
    return out


def _uncut(cut: NDArray[np.bool_], first: int, last: int) -> Iterator[tuple[int, int]]:
    edges = first + np.flatnonzero(cut[first:last])
    ends = [first, *(int(e) for e in edges if e > first), last]
    yield from itertools.pairwise(ends)
