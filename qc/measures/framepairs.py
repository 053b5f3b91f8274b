"""Pairs of neighbouring frames, a few a second, read on a few bands of lines.

What does not change from frame to frame (noise, scan) needs no more than that, and a
whole pass over every picture would cost more than it tells.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from qc.measures.base import Setup
from qc.records import Picture

__all__ = ["FramePairs", "band_starts"]


def band_starts(height: int, *, count: int, rows: int) -> list[int]:
    """Return the first lines of bands spread evenly over a picture.

    Parameters
    ----------
    height : int
        Lines of the picture.
    count, rows : int
        Bands wanted and lines of each; fewer bands where they would overlap.

    Returns
    -------
    list of int
        Even numbers, so that a band begins with a line of the top field; empty for a
        picture lower than one band.

    Examples
    --------
    >>> band_starts(1080, count=4, rows=32)
    [118, 388, 658, 928]
    >>> band_starts(40, count=4, rows=32), band_starts(20, count=4, rows=32)
    ([4], [])
    """
    count = min(count, height // rows)
    spare = height - count * rows
    return [
        (spare * (2 * i + 1) // (2 * count) + i * rows) // 2 * 2 for i in range(count)
    ]


class FramePairs:
    """Picks pairs of neighbouring frames and keeps bands of the earlier one.

    Parameters
    ----------
    setup : Setup
    per_second : float
        Pairs a second of the take's time.
    count, rows : int
        Bands and lines of each, see `band_starts`.
    """

    def __init__(
        self, setup: Setup, *, per_second: float, count: int, rows: int
    ) -> None:
        video = setup.info.video
        self._tick_s = float(video.time_base) if video is not None else math.nan
        self._per_second = per_second
        self._count, self._rows = count, rows
        self._slot = -math.inf
        self._before: NDArray[np.unsignedinteger] | None = None

    def take(
        self, picture: Picture
    ) -> tuple[NDArray[np.unsignedinteger], NDArray[np.unsignedinteger]] | None:
        """Return bands of the frame before and of this one; None when not due.

        Returns
        -------
        two (bands, rows, W) arrays in native codes, or None
        """
        if picture.damaged:
            self._before = None
            return None
        before, self._before = self._before, None
        if before is not None:
            now = self._bands(picture)
            return (before, now) if now.shape == before.shape else None
        slot = math.floor(picture.pts * self._tick_s * self._per_second + 1e-6)
        if slot > self._slot:
            self._slot = slot
            self._before = self._bands(picture)
        return None

    def _bands(self, picture: Picture) -> NDArray[np.unsignedinteger]:
        starts = band_starts(picture.height, count=self._count, rows=self._rows)
        if not starts:
            return np.empty((0, self._rows, picture.width), picture.y.dtype)
        return np.stack([picture.y[a : a + self._rows] for a in starts])
