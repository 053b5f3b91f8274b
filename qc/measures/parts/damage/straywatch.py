"""Watches for pictures that do not belong between their neighbours.

A camera, a cable or a recorder's buffer can break pictures before they are coded; they
then decode without an error. Such a picture is unlike the one before and the one
behind it, while these two are alike. Every picture is compared in cells with the four
before it, which is cheap; where that speaks of a stray one, `strayproof` looks closer.
"""

from __future__ import annotations

from collections import deque

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.damage.straylooks import (
    LONGEST,
    PAST_STEP,
    SHORT,
    Past,
    Seen,
    Stray,
)
from qc.measures.parts.damage.strayproof import judged
from qc.measures.parts.damage.strayswap import swapped
from qc.measures.parts.level.smallcells import CELLS, ROWS, level_cells
from qc.records import Picture
from qc.views import proxy_luma

__all__ = ["StrayWatch"]

_Array = NDArray[np.float32]

_KEPT = 32
_AFTER = 3  # pictures waited for behind a group, so that the return is seen to hold
# What brings a closer look: in a line of cells, both ends change by this much more
# than the neighbours differ, or than twice what was usual just before; and by so many
# percent of black-to-white.
_TIMES, _LEAST = 2.0, 0.25
# Most of the lines change by this much where a picture begins or ends to be rolled.
_ROLL_LEAST, _ROLL_LINES = 1.5, 12
_BACK = 1.08  # how much nearer a swapped picture is to the one after the next
# Colour is read in so many lines of each plane, at as many points as there are cells.
_COLOUR_LINES = 3
_LINES = ROWS + 2 * _COLOUR_LINES
_PAST = 512  # pictures that an old one is looked for among; 0.7 MB
# A bad cable breaks thousands of pictures; so many of them tell.
_MOST_FOUND = 1000


class StrayWatch:
    """Reads a take's pictures one after the other; remembers a few seconds of them."""

    def __init__(self) -> None:
        self._count = 0
        self._seen: deque[Seen] = deque(maxlen=_KEPT)
        self._work = np.empty((SHORT + 1, _LINES, CELLS[0]), np.float32)
        # Latest changes, each in two places, so that the last few are in a row.
        self._ring = np.zeros((2, SHORT + 2, _LINES), np.float32)
        # Whole changes of the last three pictures: since the one before, and over it.
        self._sums: deque[tuple[float, float]] = deque(maxlen=3)
        self._past = Past(
            np.zeros((_PAST, ROWS, CELLS[0]), np.uint8), np.full(_PAST, -1, np.int64)
        )
        # First and last of a group to look at closer, and whether it may be swapped.
        self._waiting: list[tuple[int, int, bool]] = []
        self._found: list[Stray] = []

    def skip(self) -> None:
        """Leave out a picture that cannot be read; nothing is compared across it."""
        self._begin_anew()
        self._count += 1

    def read(self, picture: Picture) -> None:
        """Take the next picture."""
        luma, cells = picture.view(proxy_luma), picture.view(level_cells)
        if cells.shape != CELLS[::-1]:
            self.skip()  # too small to tell
            return
        if self._seen and self._seen[-1].luma.shape != luma.shape:
            self._begin_anew()
        now = np.empty((_LINES, CELLS[0]), np.float32)
        now[:ROWS] = cells
        _colour(picture, now[ROWS:])
        row, lags = self._count, min(len(self._seen), SHORT + 1)
        changes = self._changes(now, lags)
        self._ring[:, row % (SHORT + 2)] = changes[0]
        over = changes[1] if lags > 1 else changes[0]
        self._sums.append((float(changes[0, :ROWS].sum()), float(over[:ROWS].sum())))
        self._seen.append(Seen(row, luma, now, changes[0], over))
        self._past.rows[row % _PAST] = row
        # Levels under black are kept as if above it: all that counts is what is alike.
        cv2.convertScaleAbs(cells, self._past.cells[row % _PAST], 1.0 / PAST_STEP)
        self._count += 1
        if lags > SHORT:
            self._look(row, changes)
        if self._waiting:
            self._judge_waiting(ended=False)

    def finish(self) -> list[Stray]:
        """Return the stray pictures, in order."""
        self._begin_anew()
        return self._found

    def _begin_anew(self) -> None:
        self._judge_waiting(ended=True)
        self._seen.clear()
        self._sums.clear()

    def _changes(self, now: _Array, lags: int) -> _Array:
        """Return the mean change of every line since each of the pictures before."""
        out = np.zeros((max(lags, 1), _LINES), np.float32)
        if not lags:
            return out
        work = self._work[:lags]
        for lag in range(lags):
            np.subtract(self._seen[-1 - lag].cells, now, out=work[lag])
        np.abs(work, out=work)
        np.add.reduce(work, axis=2, out=out)
        out *= np.float32(1.0 / CELLS[0])
        return out

    def _look(self, row: int, changes: _Array) -> None:
        """Keep groups of pictures that end before this one and may be stray."""
        last = changes[0]
        if float(last.max()) < _LEAST:
            return
        # From the picture before a group into it, for groups of one and more; and what
        # was usual before that one.
        at = row % (SHORT + 2) + SHORT + 2
        latest = self._ring.reshape(-1, _LINES)[at - SHORT - 1 : at][::-1]
        into, usual = latest[:-1], latest[1:]
        apart = np.minimum(changes[1:], 2.0 * usual)
        fires = (np.minimum(into, last) > _TIMES * apart + _LEAST).any(axis=1)
        for n in np.flatnonzero(fires).tolist():
            self._waiting.append((row - n - 1, row, False))
        (on, _), (_, first), (again, second) = self._sums
        if on > _BACK * first and again > _BACK * second:
            self._waiting.append((row - 2, row, True))
        if again > _ROLL_LEAST * _ROLL_LINES:
            self._look_for_roll(row)

    def _look_for_roll(self, row: int) -> None:
        seen, now = self._seen, self._seen[-1]
        for n in range(SHORT + 1, min(LONGEST, len(seen) - 3) + 1):
            ends = np.minimum(seen[-1 - n].change, now.change)[:ROWS]
            if np.count_nonzero(ends > _ROLL_LEAST) < _ROLL_LINES:
                continue
            before = seen[-2 - n].cells[:ROWS]
            apart = np.abs(before - now.cells[:ROWS]).mean(axis=1)
            if np.count_nonzero(ends > 1.5 * apart) >= _ROLL_LINES:
                self._waiting.append((row - n, row, False))
                return

    def _judge_waiting(self, *, ended: bool) -> None:
        """Look closer at the groups behind which enough has been seen."""
        waiting, self._waiting = self._waiting, []
        for group in waiting:
            first, last, back = group
            if not ended and self._count < last + _AFTER:
                self._waiting.append(group)
            elif len(self._found) < _MOST_FOUND and not (
                self._found and self._found[-1].last > first
            ):
                seen = list(self._seen)
                if back:
                    found = swapped(seen, first)
                else:
                    found = judged(seen, (first, last), self._past)
                if found is not None:
                    self._found.append(found)


def _colour(picture: Picture, out: _Array) -> None:
    """Write Cb and Cr at a few points, percent of full colour, into lines of cells."""
    signal, columns = picture.signal, out.shape[1]
    factor = np.float32(100.0 / signal.chroma_span)
    for plane, to in zip(
        (picture.cb, picture.cr),
        (out[:_COLOUR_LINES], out[_COLOUR_LINES:]),
        strict=True,
    ):
        height, width = plane.shape
        down, across = height // _COLOUR_LINES, width // columns
        if not down or not across:
            to[:] = 0.0
            continue
        few = plane[down // 2 :: down, across // 2 :: across]
        np.subtract(
            few[:_COLOUR_LINES, :columns], np.float32(signal.chroma_zero), out=to
        )
        to *= factor
