"""Watches a take for what comes from one frame to the next, and stays."""

from __future__ import annotations

from collections import deque

from qc.measures.parts.spots.splash import Splash
from qc.measures.parts.spots.spotarrived import Arrived
from qc.measures.parts.spots.spotdrop import drop_of
from qc.measures.parts.spots.spotstep import BESIDE, Frame, steps_in

__all__ = ["ArrivalWatch"]

_FRAMES = 90  # kept at most until they are looked at
_MOST_WAITING = 12
_EARLIER, _EVERY_S = 32, 0.25  # frames that show how things lay before
_REMEMBERED, _BESIDE_ROWS = 96, 2  # steps whose verdict is kept; rows off


class ArrivalWatch:
    """Watches for drops that land; bounded memory."""

    def __init__(self) -> None:
        self._frames: deque[Frame] = deque(maxlen=_FRAMES)
        self._earlier: deque[Frame] = deque(maxlen=_EARLIER)
        self._old = 0  # of the frames, those whose changes were looked at
        self._waiting: list[Arrived] = []
        # Row, middle (x, y), whether it is a drop.
        self._judged: deque[tuple[int, float, float, bool]] = deque(maxlen=_REMEMBERED)
        self.found: list[Splash] = []

    def frame(self, frame: Frame) -> None:
        """Remember a frame."""
        if self._frames and self._frames[-1].level.shape != frame.level.shape:
            self._frames.clear()
            self._earlier.clear()
            self._old = 0
        if len(self._frames) == _FRAMES:
            self._old = max(self._old - 1, 0)
        self._frames.append(frame)
        if not self._earlier or frame.seconds - self._earlier[-1].seconds >= _EVERY_S:
            row, seconds, level = frame.row, frame.seconds, frame.level
            self._earlier.append(Frame(row, seconds, level, level[:0]))

    def look(self) -> None:
        """See whether what came before is still there."""
        left = []
        if not self._frames:
            return
        for one in self._waiting:
            for frame in self._frames:
                one.look(frame.level, frame.seconds)
            if one.has_stayed(frame.seconds):
                self.found.append(one.told)
            elif not one.is_lost(frame.seconds):
                left.append(one)
        self._waiting = left

    def search(self, *, steady: bool = True) -> None:
        """See what has come since frames were looked at before.

        Parameters
        ----------
        steady : bool
            If not, nothing can be told of them: the camera moves.
        """
        frames = list(self._frames)
        for step in steps_in(frames, self._old) if steady else ():
            found = drop_of(step)
            self._judged.append((step.row, *step.middle, found is not None))
            if found is None or self._is_known(found):
                continue
            one = Arrived(found, step, self._earlier)
            for frame in frames:
                one.look(frame.level, frame.seconds)
            self._waiting.append(one)
        del self._waiting[_MOST_WAITING:]
        # The last ones were not steady for long enough to tell.
        self._old = max(len(frames) - BESIDE, 0)
        while len(self._frames) > 2 * BESIDE + 2:
            self._frames.popleft()
            self._old = max(self._old - 1, 0)

    def denies(self, new: Splash) -> bool:
        """Return whether a splash that was told otherwise came at once as no drop."""
        said = [
            good
            for row, x, y, good in self._judged
            if abs(row - new.row) <= _BESIDE_ROWS
            and abs(new.x + 0.5 * new.w - x) < new.w
            and abs(new.y + 0.5 * new.h - y) < new.h
        ]
        return bool(said) and not any(said)

    def _is_known(self, new: Splash) -> bool:
        """Return whether a splash was found from the frame beside already."""
        return any(
            abs(one.found.row - new.row) <= 2
            and abs(one.found.x - new.x) < new.w
            and abs(one.found.y - new.y) < new.h
            for one in self._waiting
        )

    def all(self) -> list[Splash]:
        """Return what has come, at the end of a take."""
        self.look()
        if not self._frames:
            return self.found
        now = self._frames[-1].seconds
        left = [one for one in self._waiting if one.has_stayed(now, at_last=True)]
        return self.found + [one.told for one in left]
