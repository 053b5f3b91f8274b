"""Pairs of neighbouring frames, a few a second, read on a few bands of lines.

What does not change from frame to frame (noise, scan) needs no more than that, and a
whole pass over every picture would cost more than it tells.
"""

from __future__ import annotations

import math
from collections import deque
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from qc.kernels.pairs import copy_bands
from qc.measures.base import Setup
from qc.records import Picture

__all__ = [
    "LEAST_CHANGE_PERCENT",
    "Bands",
    "FramePairs",
    "band_starts",
    "change_point",
    "field_changes",
    "percentile",
    "thinned",
]

Bands: TypeAlias = NDArray[np.unsignedinteger]

LEAST_CHANGE_PERCENT = 0.25
"""A field changes when it changes by so much of the range: less may be what a codec
leaves of a picture that stands."""

# Of a line so many pixels are looked at, evenly spread: enough for a mean of lines.
_ACROSS = 240
_MOST_BYTES = 24 * 2**20
_WIDE = 1024  # pixels
_SHAPES = 2  # of bands in use
# New memory comes in one piece of so much, for which the system then uses large pages:
# page by page it costs ten times what copying does.
_PIECE_BYTES, _MOST_NEW = 8 * 2**20, 64


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


def thinned(bands: Bands) -> NDArray[np.int32]:
    """Return bands with fewer pixels a line, evenly spread; room for differences."""
    return bands[:, :, :: math.ceil(bands.shape[2] / _ACROSS)].astype(np.int32)


def field_changes(
    before: NDArray[np.int32], now: NDArray[np.int32]
) -> tuple[float, float]:
    """Return by how many codes the upper and the lower field change, on the average.

    Parameters
    ----------
    before, now : (bands, rows, W) arrays
        The same lines of both frames; each band begins with a line of the upper field.

    Examples
    --------
    >>> one = np.full((1, 4, 8), 100, np.int32)
    >>> two = one.copy()
    >>> two[:, 0::2] += 10
    >>> field_changes(one, two)
    (10.0, 0.0)
    """
    change = np.abs(now - before).mean(axis=(0, 2))
    return float(change[0::2].mean()), float(change[1::2].mean())


class FramePairs:
    """Picks pairs of neighbouring frames and keeps bands of the earlier one.

    Parameters
    ----------
    setup : Setup
    per_second : float
        Pairs a second of the take's time.
    count, rows : int
        Bands and lines of each, see `band_starts`.
    keep_s : float
        Seconds of frames to keep the bands of, for `earlier`; less where that would
        take more than 24 MB.
    thin : bool
        Keep every other band only of pictures at least 1024 wide, but of pairs: most
        of what this costs is fetching the lines.
    """

    def __init__(
        self,
        setup: Setup,
        *,
        per_second: float,
        count: int,
        rows: int,
        keep_s: float = 0.0,
        thin: bool = False,
    ) -> None:
        video = setup.info.video
        self._tick_s = float(video.time_base) if video is not None else math.nan
        self._per_second = per_second
        self._count, self._rows = count, rows
        self._slot = -math.inf
        self._keep_s = keep_s
        self._thin = thin
        self._due = False
        self._kept: deque[tuple[float, Bands]] = deque()
        # What has been let go is filled again: new memory costs more than the copy.
        self._spare: dict[tuple[int, ...], list[Bands]] = {}
        self._height = 0
        self._starts = self._few = np.empty(0, np.int64)

    def take(self, picture: Picture) -> tuple[Bands, Bands] | None:
        """Return bands of the frame before and of this one; None when not due.

        Returns
        -------
        two (bands, rows, W) arrays in native codes, or None
            They hold until the next picture is taken.
        """
        if picture.damaged:
            self._due = False
            self._forget()
            return None
        due, self._due = self._due, False
        at = picture.pts * self._tick_s
        if not due:
            slot = math.floor(at * self._per_second + 1e-6)
            if slot > self._slot:
                self._slot, self._due = slot, True
        if not (due or self._due or self._keep_s):
            self._forget()
            return None
        if self._height != picture.height:
            starts = band_starts(picture.height, count=self._count, rows=self._rows)
            self._forget()
            self._height = picture.height
            self._starts = np.array(starts, np.int64)
            self._few = self._starts[::2].copy()
        whole = due or self._due or not self._thins(picture.width)
        self._keep(at, self._bands(picture, self._starts if whole else self._few))
        if not due or not self.reach:
            return None
        return self._kept[-2][1], self._kept[-1][1]

    def _thins(self, width: int) -> bool:
        return self._thin and width >= _WIDE

    def _keep(self, at: float, bands: Bands) -> None:
        kept = self._kept
        if kept and kept[-1][1].shape[2] != bands.shape[2]:
            self._forget()
        kept.append((at, bands))
        # Two are needed at least; time stamps may jump.
        while len(kept) > 2 and (
            not 0 <= at - kept[0][0] <= self._keep_s
            or len(kept) * bands.nbytes > _MOST_BYTES
        ):
            self._let_go(kept.popleft()[1])

    def _forget(self) -> None:
        while self._kept:
            self._let_go(self._kept.pop()[1])

    def _let_go(self, bands: Bands) -> None:
        self._spare.setdefault(bands.shape, []).append(bands)

    @property
    def reach(self) -> int:
        """How many pairs `earlier` can give, the latest among them."""
        return max(0, len(self._kept) - 1)

    def earlier(self, ago: int) -> tuple[Bands, Bands] | None:
        """Return the pair of frames `ago` frames before the latest; None if gone.

        Of every other band where pictures are thinned.
        """
        if not 0 <= ago < self.reach:
            return None
        before, now = self._kept[-2 - ago][1], self._kept[-1 - ago][1]
        if self._thins(now.shape[2]):
            before, now = (
                bands
                if len(bands) == len(self._few)
                else np.ascontiguousarray(bands[::2])
                for bands in (before, now)
            )
        return before, now

    def frame(self, ago: int) -> Bands:
        """Return what is kept of the frame `ago` frames before the latest.

        Of every other band of some frames where pictures are thinned.
        """
        return self._kept[-1 - ago][1]

    def _bands(self, picture: Picture, starts: NDArray[np.int64]) -> Bands:
        """Return a copy of the bands that begin there."""
        bands = self._room((len(starts), self._rows, picture.width), picture.y.dtype)
        copy_bands(picture.y, starts, bands)
        return bands

    def _room(self, shape: tuple[int, int, int], dtype: np.dtype[Any]) -> Bands:
        spare = self._spare.get(shape)
        if spare:
            bands = spare.pop()
            if bands.dtype == dtype:
                return bands
            self._spare.clear()
        elif len(self._spare) > _SHAPES:
            self._spare.clear()
        many = math.ceil(_PIECE_BYTES / max(math.prod(shape) * dtype.itemsize, 1))
        new: Bands = np.empty((min(many, _MOST_NEW), *shape), dtype)
        spare = self._spare.setdefault(shape, [])
        spare.extend(new)
        return spare.pop()


def change_point(
    values: NDArray[np.floating], *, old: float, new: float
) -> tuple[int, int]:
    """Return where readings go from one value to another.

    Parameters
    ----------
    values : (n,) array
        In order of time; NaN where unknown.
    old, new : float
        What they are before and behind.

    Returns
    -------
    first, latest : int
        The first place behind the change: between these two, which differ where
        readings are unknown.

    Examples
    --------
    >>> change_point(np.array([0, 0.1, np.nan, 0.6, 0.4, 0.5]), old=0, new=0.5)
    (2, 3)
    """
    known = ~np.isnan(values)
    moved = np.where(known, values, old) - 0.5 * (old + new)
    behind = known & (np.sign(new - old) * moved > 0)
    # Least readings on the wrong side: new ones before the change, old ones behind.
    before = np.concatenate([[0], np.cumsum(behind)])
    others = known & ~behind
    wrong = before + others.sum() - np.concatenate([[0], np.cumsum(others)])
    best = np.flatnonzero(wrong == wrong.min())
    last = int(best[-1])
    first = last
    while first > 0 and not known[first - 1]:
        first -= 1
    return first, last


def percentile(ordered: NDArray[np.float64], percent: float) -> float:
    """Return a percentile of values in order, between neighbours in proportion.

    What ``np.percentile`` gives, whose generality takes ten times as long as the work.

    Examples
    --------
    >>> percentile(np.array([1.0, 2.0, 4.0]), 75.0)
    3.0
    """
    place = percent / 100.0 * (ordered.size - 1)
    low = int(place)
    if low + 1 >= ordered.size:
        return float(ordered[-1])
    a, b = float(ordered[low]), float(ordered[low + 1])
    return a + (b - a) * (place - low)
