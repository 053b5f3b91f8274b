"""Where light jumps: what changes then from frame to frame is no doing of a lens.

Light that veils the picture, or a screen that flashes, takes contrast from fine and
from coarse detail by different shares. Jumps are those that flashes are counted by.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from qc.records import Readings
from qc.spans import Span

__all__ = ["between_jumps", "flashing", "jumps"]

# Of the picture must become brighter, or darker, at once.
_AREA_PERCENT = 25.0
# A stretch begins with a jump if one lies within so many frames.
_NEAR = 2
_RISE, _FALL = "flash.rise_percent", "flash.fall_percent"
_FLASHES = "flash.flashes_per_second"


def flashing(readings: Readings) -> NDArray[np.bool_]:
    """Return where the picture goes bright and dark, or the reverse, in a second."""
    if _FLASHES not in readings.columns:
        return np.zeros(readings.rows, np.bool_)
    return np.asarray(readings[_FLASHES] >= 1.0, np.bool_)


def jumps(readings: Readings) -> NDArray[np.int8]:
    """Return 1 where much of the picture turns brighter at once, -1 darker, else 0.

    Where things only change places, as much turns brighter as darker.
    """
    if _RISE not in readings.columns or _FALL not in readings.columns:
        return np.zeros(readings.rows, np.int8)
    net = np.nan_to_num(readings[_RISE] - readings[_FALL])
    return np.asarray(np.sign(net) * (np.abs(net) > _AREA_PERCENT), np.int8)


def between_jumps(jump: NDArray[np.int8], span: Span) -> bool:
    """Return whether a stretch begins with a jump of light and ends with one back.

    Examples
    --------
    >>> jump = np.array([0, 0, 0, 1, 0, 0, 0, -1, 0], np.int8)
    >>> between_jumps(jump, (3, 7)), between_jumps(jump, (0, 7))
    (True, False)
    """
    first, last = span
    begins, ends = (
        set(jump[max(row - _NEAR, 0) : row + _NEAR + 1].tolist()) - {0}
        for row in (first, last)
    )
    return any(-direction in ends for direction in begins)
