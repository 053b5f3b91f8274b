"""Where a soft stretch truly begins and ends: at the step where focus was lost."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.focus.medians import median_of_known
from qc.spans import Span

__all__ = ["lens_part", "stepped"]

# A step this near to where the limit is crossed may be where it began, seconds.
_NEAR_S = 0.4
# Readings on either side of a step that are held against each other.
_SIDE = 3
# A fall is abrupt if so much of it, as logarithms, comes at once.
_AT_ONCE = 0.5
# Readings of edges so many frames beside a stretch tell of its ends.
_BESIDE = 12
# Of what is called all of a sharpness that is gone.
_LEAST_PERCENT = 1.0


def lens_part(
    percent: NDArray[np.floating],
    read: NDArray[np.intp],
    span: Span,
    crisp: Callable[[int], bool],
) -> Span:
    """Return a soft stretch without what goes before or behind with crisp edges.

    Parameters
    ----------
    percent : (rows,) array
        Sharpness against the best of the shot.
    read : array of rows
        Where edges were read.
    span : (first, last)
    crisp : function of a row
        Whether detail there is less by something else than a lens.

    Returns
    -------
    (first, last)
        Between a reading that is crisp and one that is not, the steepest fall is where
        focus was lost. Nothing is left where all readings are crisp.
    """
    first, last = span
    inside = read[(read >= first) & (read < last)].tolist()
    lost = [row for row in inside if not crisp(row)]
    if not lost:
        return (first, first) if inside else span
    # The readings next to those that are lost, perhaps beside the stretch.
    before = read[(read < lost[0]) & (read >= first - _BESIDE)].tolist()
    behind = read[(read > lost[-1]) & (read < last + _BESIDE)].tolist()
    if before and crisp(before[-1]):
        part = percent[before[-1] : lost[0] + 1]
        first = max(first, before[-1] + 1 + _steepest(part))
    if behind and crisp(behind[0]):
        part = percent[lost[-1] : behind[0] + 1]
        last = min(last, behind[0] - _steepest(part[::-1]))
    return first, last


def stepped(
    percent: NDArray[np.floating],
    times: NDArray[np.floating],
    span: Span,
    around: Span,
) -> Span:
    """Return a soft stretch with the frames between an abrupt loss and the limit.

    Parameters
    ----------
    percent : (rows,) array
        Sharpness against the best of the shot.
    times : (rows + 1,) array
        Seconds at which rows begin, and the end of the last.
    span : (first, last)
        Where it is under the limit.
    around : (first, last)
        The stretch is made no longer than this.

    Notes
    -----
    Focus that is lost at once leaves a coder with rests of detail, and a reading of
    noise with that of before, for some frames: the limit is crossed only then. Where
    more than half of the fall comes from one frame to the next, the stretch begins
    there. A slow fall has no such step.
    """
    first, last = span
    level = np.log(np.maximum(percent, _LEAST_PERCENT))
    inside = level[first:last]
    if np.isnan(inside).all():
        return span
    low = float(median_of_known(inside))
    begin = _earlier(level, times[:-1], first, around[0], low)
    rows = len(level)
    # Backwards in time the end is a beginning.
    end = rows - _earlier(
        level[::-1], -times[:0:-1], rows - last, rows - around[1], low
    )
    return begin, end


def _earlier(
    level: NDArray[np.floating],
    times: NDArray[np.floating],
    first: int,
    least: int,
    low: float,
) -> int:
    """Return where the fall that ends at row `first` begins, if it is a step."""
    earliest = int(np.searchsorted(times, times[first] - _NEAR_S - 1e-9))
    earliest = max(earliest, least + 1)
    best, at = 0.0, first
    for row in range(first, earliest - 1, -1):
        if np.isnan(level[row - 1 : row + 1]).any():
            break
        step = float(level[row - 1] - level[row])
        if not step > best:
            continue
        before = level[max(row - _SIDE, least) : row]
        behind = level[row : row + _SIDE]
        fall = float(median_of_known(before) - median_of_known(behind))
        if fall >= _AT_ONCE * (float(before.max()) - low):
            best, at = step, row
    if at == first:
        return first
    top = float(np.nanmax(level[max(earliest - _SIDE, least) : at]))
    return at if best >= 0.5 * _AT_ONCE * (top - low) else first


def _steepest(percent: NDArray[np.floating]) -> int:
    """Return after which of some rows most of the sharpness goes."""
    level = np.log(np.maximum(percent, _LEAST_PERCENT))
    fall = np.nan_to_num(-np.diff(level), nan=-np.inf)
    return int(np.argmax(fall))
