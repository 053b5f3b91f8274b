"""What the whole picture keeps of its detail while single tiles seem to lose theirs.

Where a camera swings or is moved on, an edge comes into a tile and leaves it again: the
best that the tile has been is then the edge, and without it the tile seems soft. A lens
takes detail from the whole picture, wherever its edges lie.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from qc.records import Readings

__all__ = ["keeps_detail", "way_of"]

# The picture is moved if it gets so far within a shot, percent of its width: a tenth of
# a tile. At rest what a tile holds changes with what it shows alone.
_MOVED_PERCENT = 1.25
_RESTS = 0.03  # percent of the width from one frame to the next
# Frames as sharp as this, in percent of the best, are those to hold the others against;
# so few are too few.
_SHARP_PERCENT, _FEWEST = 80.0, 12
# Of their detail this is left in frames that are not soft (house choice: soft focus is
# told under half).
_KEPT = 0.8


def way_of(readings: Readings) -> NDArray[np.float64]:
    """Return where the picture has got to at each frame, percent of its width.

    Returns
    -------
    (rows, 2) array
        NaN throughout where motion was not read.
    """
    names = "steadiness.dx_percent", "steadiness.dy_percent"
    if any(name not in readings.columns for name in names):
        return np.full((readings.rows, 2), np.nan)
    steps = np.stack([readings[name] for name in names], axis=1).astype(np.float64)
    # What is read of a picture at rest would add up over minutes.
    steps[~(np.abs(steps) > _RESTS)] = 0.0
    return np.asarray(np.cumsum(steps, axis=0))


def keeps_detail(
    detail: NDArray[np.floating],
    percent: NDArray[np.floating],
    way: NDArray[np.floating],
) -> NDArray[np.bool_]:
    """Return the frames of a shot whose picture as a whole holds the detail it had.

    Parameters
    ----------
    detail : (n,) array
        Variance of the Laplacian of each frame.
    percent : (n,) array
        Their sharpness by tiles, in percent of the best.
    way : (n, 2) array
        Where the picture was, percent of its width.

    Returns
    -------
    (n,) array of bool
        False throughout where the camera stands still: there the tiles are right.

    Examples
    --------
    >>> percent = np.repeat([90.0, 30.0, 30.0], 12)
    >>> swings = np.tile([[0.0, 0.0], [2.0, 0.0]], (18, 1))
    >>> detail = np.repeat([40.0, 38.0, 9.0], 12)
    >>> np.flatnonzero(keeps_detail(detail, percent, swings)).tolist() == [*range(24)]
    True
    >>> bool(keeps_detail(detail, percent, 0.0 * swings).any())
    False
    """
    with np.errstate(invalid="ignore"):
        sharp = percent >= _SHARP_PERCENT
        moved = bool(np.ptp(way, axis=0).max() >= _MOVED_PERCENT)
    if not moved or np.count_nonzero(sharp) < _FEWEST:
        return np.zeros(len(way), np.bool_)
    left = np.sqrt(np.asarray(detail, np.float64))
    return np.asarray(left >= _KEPT * np.median(left[sharp]), np.bool_)
