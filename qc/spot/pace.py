"""Whether a take that is being read straight through can be read to its end in time."""

from __future__ import annotations

from collections.abc import Callable

__all__ = ["Pace"]

# The first pictures tell nothing of the speed: files are opened, threads begin.
_WARM_S = 0.4
# Reading on is begun if it should take no more than this much of what is left ...
_LIKELY = 1.05
# ... and given up for places spread over the take if it should take more than this.
_HOPELESS = 1.4
# So near its end a take is read on a little over the time: a share of the whole time.
_OVER = 0.03


class Pace:
    """Says after every picture whether to read on.

    Up to `first_s` seconds of the take, or until `first_until`, the speed is measured.
    From then on it is read as long as its end should be reached in time.

    Parameters
    ----------
    length : float
        Seconds of the take.
    until, first_until : float
        Moments on `clock`: when reading must end, and when its first part must.
    within : float
        Seconds of the whole spot check.
    clock : function
        Tells the time now.

    Examples
    --------
    Two seconds of take in each second of time: 40 s fit into 30, and 80 s do not.

    >>> def reads_to(length):
    ...     now = [0.0]
    ...     pace = Pace(length, first_s=2.5, first_until=9.0, until=30.0, within=30.0,
    ...                 clock=lambda: now[0])
    ...     at = 0.0
    ...     while at < length and pace.go_on(at):
    ...         at, now[0] = at + 0.5, now[0] + 0.25
    ...     return at
    >>> reads_to(40.0), reads_to(80.0)
    (40.0, 2.5)
    """

    def __init__(
        self,
        length: float,
        *,
        first_s: float,
        first_until: float,
        until: float,
        within: float,
        clock: Callable[[], float],
    ) -> None:
        self._length, self._first_s = length, first_s
        self._first_until, self._until, self._within = first_until, until, within
        self._clock = clock
        self._mark: tuple[float, float] | None = None
        self._to_the_end = False
        self.cost = 0.0
        """Seconds that a second of the take takes; 0 where it is not known yet."""

    def go_on(self, position: float) -> bool:
        """Return whether to read on, after what lies at `position` seconds."""
        now = self._clock()
        if self._mark is None and position >= min(_WARM_S, self._length / 4):
            self._mark = now, position
        if not self._to_the_end:
            if position < self._first_s and now < self._first_until:
                return True
            self._to_the_end = self._takes(now, position) <= _LIKELY * self._left(now)
            return self._to_the_end
        takes, left = self._takes(now, position), self._left(now)
        if left <= 0.0:
            return takes + max(-left, 0.0) <= _OVER * self._within
        return takes <= max(_HOPELESS * left, _OVER * self._within)

    def _left(self, now: float) -> float:
        return self._until - now

    def _takes(self, now: float, position: float) -> float:
        """Return how long the rest of the take should take."""
        if self._mark is None or position <= self._mark[1]:
            return float("inf")
        self.cost = (now - self._mark[0]) / (position - self._mark[1])
        return self.cost * (self._length - position)
