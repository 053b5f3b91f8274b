"""Watches a take for what comes from one frame to the next, and stays."""

from __future__ import annotations

from collections import deque

from qc.measures.parts.spots.splash import Splash
from qc.measures.parts.spots.spotdrop import drop_of
from qc.measures.parts.spots.spotstay import Arrived
from qc.measures.parts.spots.spotstep import BESIDE, Frame, steps_in

__all__ = ["ArrivalWatch"]

_FRAMES = 90  # kept at most until they are looked at
_MOST_WAITING = 12


class ArrivalWatch:
    """Watches for drops that land; bounded memory."""

    def __init__(self) -> None:
        self._frames: deque[Frame] = deque(maxlen=_FRAMES)
        self._old = 0  # of the frames, those whose changes were looked at
        self._waiting: list[Arrived] = []
        self.found: list[Splash] = []

    def frame(self, frame: Frame) -> None:
        """Remember a frame."""
        if self._frames and self._frames[-1].level.shape != frame.level.shape:
            self._frames.clear()
            self._old = 0
        if len(self._frames) == _FRAMES:
            self._old = max(self._old - 1, 0)
        self._frames.append(frame)

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
            if found is None or self._is_known(found):
                continue
            one = Arrived(found, step)
            for frame in frames:
                one.look(frame.level, frame.seconds)
            self._waiting.append(one)
        del self._waiting[_MOST_WAITING:]
        # The last ones were not steady for long enough to tell.
        self._old = max(len(frames) - BESIDE, 0)
        while len(self._frames) > 2 * BESIDE + 2:
            self._frames.popleft()
            self._old = max(self._old - 1, 0)

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
