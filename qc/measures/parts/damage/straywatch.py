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

from qc.kernels.stray import BEFORE, Changes, LineChanges, few_codes
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
        self._changes = LineChanges(
            (_LINES, CELLS[0]), counted=ROWS, times=_TIMES, least=_LEAST
        )
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
        signal = picture.signal
        few_codes(
            picture.cb,
            picture.cr,
            zero=signal.chroma_zero,
            factor=100.0 / signal.chroma_span,
            out=now[ROWS:],
        )
        row, seen = self._count, self._seen
        lags = min(len(seen), BEFORE)
        before = tuple([seen[-k].cells for k in range(1, lags + 1)])
        changes = self._changes.read(now, before)
        self._sums.append((changes.on, changes.over))
        lines = changes.lines
        seen.append(Seen(row, luma, now, lines[0], lines[min(lags, 2) - 1]))
        self._past.rows[row % _PAST] = row
        # Levels under black are kept as if above it: all that counts is what is alike.
        cv2.convertScaleAbs(cells, self._past.cells[row % _PAST], 1.0 / PAST_STEP)
        self._count += 1
        if lags == BEFORE:
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

    def _look(self, row: int, changes: Changes) -> None:
        """Keep groups of pictures that end before this one and may be stray."""
        if changes.most < _LEAST:
            return
        for n in changes.groups:
            self._waiting.append((row - n, row, False))
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
