"""The looking itself: straight on if all fits, else at windows until time is up.

Windows are placed by chance, then around what was found.

What is known at any moment is as good as the time so far allows.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable

from qc.errors import DecodeError
from qc.records import TakeInfo
from qc.spot.edges import open_edges, probe_in
from qc.spot.pace import Pace
from qc.spot.piece import Piece, PieceMaker, Whole, shared_extent
from qc.spot.plan import Plan

__all__ = ["WINDOWS_S", "Looking"]

WINDOWS_S = (2.5, 2.0, 1.5, 1.0)
"""Lengths of a window, in seconds: the first that leaves room for enough of them."""
_ENOUGH = 5
# What lies between the key frame and a window's start is measured up to this: measuring
# costs more than decoding, and more windows promise more than longer ones.
_LEAD_S = 0.4
# Time that may go into edges, of all that the windows took; and by chance first.
_FOR_EDGES, _FIRST_BY_CHANCE = 0.4, 3
# A window is begun if at least this much of its time is left.
_WORTH = 0.4
_MOST_FAILURES = 4
# Of the time, for the take's first seconds, which tell how fast this machine is.
_FOR_FIRST = 0.35
# A file that ends before its announced end is followed to so near its real one.
_END_KNOWN_S = 1.0


class Looking:
    """Looks at one take.

    Parameters
    ----------
    length : float
        Seconds of the take.
    until : function of the pieces so far
        When to stop.
    clock : function
        Tells the time now, as `time.monotonic` does.
    told : function of seconds
        Told up to where the last window reached.
    """

    def __init__(
        self,
        info: TakeInfo,
        maker: PieceMaker,
        *,
        length: float,
        until: Callable[[list[Piece]], float],
        told: Callable[[float], None] | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._clock = clock
        self._maker, self.length, self._until, self._told = maker, length, until, told
        self._frame = 1.0 / float(info.grid.rate)
        self._number = int(info.fingerprint[:16] or "0", 16)
        self.failures = 0
        self._late = False
        self._spent = self._on_edges = self._cost = 0.0
        self._tried: set[tuple[float, float]] = set()
        self.window = WINDOWS_S[0]
        self.plan: Plan | None = None
        self.pieces: list[Piece] = []

    @property
    def plan_weights(self) -> tuple[float, ...]:
        """Shares of the strata in which a window was looked at whole."""
        return self.plan.weights if self.plan is not None else ()

    @property
    def left(self) -> float:
        """Seconds until looking must end."""
        return self._until(self.pieces) - self._clock()

    def straight(self, *, within: float) -> Whole | None:
        """Read from the start on; return the take if its end was reached in time.

        Otherwise what was read is the first piece, and the time it took has set the
        windows' length.
        """
        began = self._clock()
        until = self._until([])
        pace = Pace(
            self.length,
            first_s=min(self.window, self.length),
            first_until=began + _FOR_FIRST * (until - began),
            until=until,
            within=within,
            clock=self._clock,
        )

        def go_on(position: float) -> bool:
            if self._told is not None:
                self._told(position)
            return pace.go_on(position)

        read = self._maker.straight(go_on, until=until)
        if isinstance(read, Whole):
            return read
        self._spent += self._clock() - began
        if read is not None and read.end > read.start:
            self.pieces.append(read)
            long = read.end - read.start
            self._cost = pace.cost or self._spent / long
            self.window = next(
                (
                    w
                    for w in WINDOWS_S
                    # The bounds want the take's ends seen as far as a window reaches.
                    if w <= long + self._frame
                    and _ENOUGH * self._usual(w) <= max(self.left, 0.0)
                ),
                WINDOWS_S[-1],
            )
        return None

    def _usual(self, window: float) -> float:
        """Return how long a window should take."""
        return self._cost * (window + _LEAD_S / 2)

    def windows(self) -> bool:
        """Look at windows until time is up; False if the file cannot be sought."""
        room = self.length - self.window
        if room <= self._frame or not self._worth_it():
            return True
        if self._look(room, self.length) is None:
            if self._late:
                return True
            self.length = self._real_end()
            room = self.length - self.window
            if room <= self._frame:
                return bool(self.pieces)
            self._look(room, self.length)
        self.plan = plan = Plan(room, number=self._number)
        draw = plan.draw()
        while self._worth_it() and self.failures < _MOST_FAILURES:
            if self._look_at_an_edge(len(plan.weights)):
                continue
            start, end = draw.start, draw.start + self.window
            piece = None
            if not self._have(start, end):
                piece = self._look(max(start - self._frame, 0.0), end + self._frame)
                if piece is None or not piece.whole:
                    if piece is None and not self._late:
                        # The same stratum again, elsewhere.
                        draw = plan.draw()
                    continue
            plan.seen(draw)
            draw = plan.draw()
        return self.failures < _MOST_FAILURES or len(self.pieces) > self.failures

    def _real_end(self) -> float:
        """Return up to where the file reaches: it may grow still, or be cut short."""
        there, gone = 0.0, self.length
        while gone - there > _END_KNOWN_S and self.left > 0:
            middle = (there + gone) / 2.0
            if self._maker.is_there(middle):
                there = middle
            else:
                gone = middle
        return there

    def _worth_it(self) -> bool:
        done = [p.seconds_took for p in self.pieces if p.whole]
        usual = sorted(done)[len(done) // 2] if done else self._usual(self.window)
        return self.left > max(_WORTH * usual, 0.02)

    def _have(self, start: float, end: float) -> bool:
        slack = self._frame
        return any(
            first <= start + slack and end - slack <= last
            for p in self.pieces
            for first, last in [shared_extent(p)]
        )

    def _look_at_an_edge(self, by_chance: int) -> bool:
        """Spend a share of the time on where faults begin and end."""
        if by_chance < _FIRST_BY_CHANCE or self._on_edges > _FOR_EDGES * self._spent:
            return False
        for gap in open_edges(self.pieces, length=self.length):
            probe = probe_in(gap, window=self.window)
            if probe in self._tried:
                continue
            self._tried.add(probe)
            before = self._spent
            self._look(*probe)
            self._on_edges += self._spent - before
            return True
        return False

    def _look(self, start: float, end: float) -> Piece | None:
        began = self._clock()
        until = self._until(self.pieces)
        try:
            piece = self._maker.window(start, end, lead=_LEAD_S, until=until)
        except DecodeError:
            piece = None
        now = self._clock()
        self._spent += now - began
        if piece is None:
            # What time cut off says nothing of the file.
            self._late = now >= until
            self.failures += not self._late
            return None
        self.pieces.append(piece)
        if self._told is not None and math.isfinite(piece.end):
            self._told(piece.end)
        return piece
