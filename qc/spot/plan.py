"""Where a spot check looks, and what follows from having seen nothing there.

The take is cut into strata. In each lies the start of one window, chosen by chance and
evenly. The longest stratum is halved each time: the half that holds the start keeps it
(within that half it is as even as before), the other gets a new one. So at any moment
there is one even, independent start in each stratum, whenever time runs out.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

__all__ = [
    "CONFIDENCE",
    "Draw",
    "Plan",
    "missable",
    "share_bound",
    "stretch_bound",
    "unseen",
]

CONFIDENCE = 0.95
"""Of the bounds: in so many of a hundred spot checks they hold."""

# Loss that is accepted where a fault needs more than half a window: see
# `stretch_bound`.
_MOST_LOSS = 1.25
# Moments this close together are one: of fractions of a second put into floats.
_SAME_S = 1e-6


@dataclass(frozen=True, slots=True)
class _Stratum:
    """Numbers ``[first, last)`` of the line of starts, and the one start chosen."""

    first: float
    last: float
    start: float

    @property
    def length(self) -> float:
        return self.last - self.first


@dataclass(frozen=True, slots=True)
class Draw:
    """A window to look at: its start, and what the strata are once it was seen."""

    start: float
    _kept: _Stratum | None
    _new: _Stratum
    _place: tuple[float, int] | None


class Plan:
    """Chooses where windows start, each next one where most has not been looked at.

    Parameters
    ----------
    length : float
        Seconds of the line of starts: the take's length less a window's.
    number : int
        Of the random numbers; the same number gives the same windows.
    """

    def __init__(self, length: float, *, number: int) -> None:
        if not length > 0:
            raise ValueError(f"a line of starts of {length} s has no room for chance")
        self._length = length
        self._random = np.random.default_rng(number)
        # By length; halves of one length in an order that spreads over the take.
        self._heap: list[tuple[tuple[float, int], _Stratum]] = []
        self._count = 0

    @property
    def weights(self) -> tuple[float, ...]:
        """Shares of the line that the strata take up; each was looked at once."""
        return tuple(s.length / self._length for _, s in self._heap)

    def draw(self) -> Draw:
        """Return the next window; it counts once it is given to `seen`."""
        if not self._heap:
            start = self._even(0.0, self._length)
            return Draw(start, None, _Stratum(0.0, self._length, start), None)
        place, whole = self._heap[0]
        middle = (whole.first + whole.last) / 2.0
        left, right = (whole.first, middle), (middle, whole.last)
        keeps, other = (left, right) if whole.start < middle else (right, left)
        start = self._even(*other)
        return Draw(
            start, _Stratum(*keeps, whole.start), _Stratum(*other, start), place
        )

    def seen(self, draw: Draw) -> None:
        """Count a window that was looked at whole."""
        if draw._kept is not None:
            if not self._heap or self._heap[0][0] != draw._place:
                raise ValueError("a window counts only once, and in its turn")
            heapq.heappop(self._heap)
            self._push(draw._kept)
        self._push(draw._new)

    def _push(self, stratum: _Stratum) -> None:
        place = round(stratum.first / stratum.length)
        halvings = round(math.log2(self._length / stratum.length))
        order = (-stratum.length, _reversed_bits(place, halvings))
        heapq.heappush(self._heap, (order, stratum))

    def _even(self, first: float, last: float) -> float:
        return float(self._random.uniform(first, last))


def _reversed_bits(value: int, bits: int) -> int:
    """Return a number with its bits in reverse: neighbours come far apart."""
    out = 0
    for _ in range(bits):
        out = out << 1 | value & 1
        value >>= 1
    return out


def share_bound(weights: Sequence[float], confidence: float = CONFIDENCE) -> float:
    """Return the share of starts that could show a fault of which none was seen.

    Parameters
    ----------
    weights : sequence of float
        Shares of the line of starts that the strata take up; one even and independent
        start lay in each.

    Returns
    -------
    float
        If more of the starts showed the fault than this, wherever they lie, one of
        those looked at would have been among them with at least `confidence`.

    Notes
    -----
    With ``q_i`` the share of stratum i that does not show the fault, nothing is seen
    with probability ``prod(q_i)``, and ``1 - sum(w_i q_i)`` of all starts show it. The
    product is greatest, for a given sum, where ``q_i = min(1, 1 / (a w_i))`` (Lagrange;
    the logarithm of the product is concave). `a` is sought that makes the product
    ``1 - confidence``. For n equal strata this is ``1 - (1 - confidence) ** (1 / n)``.
    """
    if not weights:
        return 1.0
    w = np.asarray(weights, np.float64)
    wanted = math.log(1.0 - confidence)
    low, high = -np.log(w.max()), -np.log(w.min()) - wanted  # of log a

    def logs(a: float) -> np.ndarray:
        return np.minimum(0.0, -a - np.log(w))

    for _ in range(200):
        middle = (low + high) / 2.0
        if logs(middle).sum() > wanted:
            low = middle
        else:
            high = middle
    return float(min(1.0, 1.0 - (w * np.exp(logs(high))).sum()))


def stretch_bound(
    share: float, *, window: float, needs: float
) -> tuple[float, float] | None:
    """Return the share of a take that a fault may take up, and in what stretches.

    Parameters
    ----------
    share : float
        As `share_bound` gives it.
    window, needs : float
        Seconds of a window, and of the fault that must lie in one to be judged.

    Returns
    -------
    (share, seconds) or None
        The bound holds for stretches of the fault of at least so many seconds each;
        None where a window is too short to judge the fault at all.

    Notes
    -----
    A stretch of length L is judged from starts of a total length of ``L + window - 2
    needs``. At the ends of the take nothing of them is cut off, because the first and
    the last window's length is always looked at: what would need a start outside lies
    within those. With ``window >= 2 needs`` that is at least L, also where the starts
    of several stretches overlap, since those of a row of them reach over its whole
    length. Otherwise the starts of different stretches never overlap, and the share is
    that of ``L / (L + window - 2 needs)``, which falls with L: the stretches are taken
    long enough to make it at most 1.25.
    """
    if needs > window:
        return None
    lacks = 2.0 * needs - window
    if lacks <= 0.0:
        return share, needs
    shortest = max(needs, lacks * _MOST_LOSS / (_MOST_LOSS - 1.0))
    return min(1.0, share * shortest / (shortest - lacks)), shortest


def unseen(
    seen: Iterable[tuple[float, float]], *, length: float, at_least: float = 0.0
) -> list[tuple[float, float]]:
    """Return the stretches of a take that no window covers.

    Parameters
    ----------
    seen : iterable of (start, end)
        Seconds, in any order.
    at_least : float
        Windows shorter than this do not count.

    Examples
    --------
    >>> unseen([(0, 2), (8, 10), (1, 3)], length=10)
    [(3, 8)]
    """
    out: list[tuple[float, float]] = []
    at = 0.0
    for start, end in _joined(seen):
        if end - start < at_least:
            continue
        if start > at:
            out.append((at, min(start, length)))
        at = max(at, end)
    if at < length:
        out.append((at, length))
    return [(a, b) for a, b in out if b > a]


def _joined(seen: Iterable[tuple[float, float]]) -> list[tuple[float, float]]:
    out: list[tuple[float, float]] = []
    for start, end in sorted(seen):
        if out and start <= out[-1][1]:
            out[-1] = out[-1][0], max(out[-1][1], end)
        else:
            out.append((start, end))
    return out


def missable(
    seen: Iterable[tuple[float, float]], *, length: float, needs: float
) -> list[tuple[float, float]]:
    """Return the longest stretches that a fault could take up without being met.

    Parameters
    ----------
    seen : iterable of (start, end)
        Seconds that were judged, each for itself: what reaches over two that only
        touch is met if `needs` of it lie in one of them.
    needs : float
        Seconds of a fault that must lie in a window to be judged.

    Returns
    -------
    list of (start, end)
        In order; they may overlap. Every stretch of `needs` or more that was not met
        lies within one of these, whatever chance did. Empty if all was judged.

    Notes
    -----
    A stretch that begins at `a` is met once it holds `needs` of a window that does not
    end before ``a + needs``: it can reach to the least ``max(a, start) + needs`` of
    these at most. It cannot be made longer at its front where `a` is the take's start,
    or ``end - needs`` of a window.

    Examples
    --------
    >>> missable([(0, 4), (6, 10)], length=10, needs=1)
    [(3, 7)]
    >>> missable([(0, 4), (2, 10)], length=10, needs=1)
    []
    """
    judged = [(a, b) for a, b in seen if b - a >= needs - _SAME_S]
    out: list[tuple[float, float]] = []
    for first in sorted({0.0, *(b - needs for _, b in judged)}):
        if first > length - needs - _SAME_S:
            continue
        last = min(
            (max(first, a) + needs for a, b in judged if b - needs > first + _SAME_S),
            default=length,
        )
        if last - first > needs + _SAME_S and (not out or last > out[-1][1] + _SAME_S):
            out.append((first, min(last, length)))
    return out
