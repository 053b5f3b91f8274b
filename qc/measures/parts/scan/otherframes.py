"""Fields of other frames: every second line from one or two frames before or behind.

A converter or a recorder that takes one field from another frame makes teeth as wide as
what moved meanwhile. A camera in the hand trembles: from one frame to the next it moves
another way, so that both fields do not change alike, and no lag follows from how they
change. Here each field is held against the other one of the frames around it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from qc.kernels.pairs import across_sums
from qc.measures.parts.scan.framepairs import FramePairs, percentile

__all__ = ["OtherFrame", "lags_since", "other_frame"]

# Fields so many frames apart at most are looked for, both ways.
_FARTHEST = 2
# As `fieldlag` has it: cells of a line, and of a patch.
_CELLS, _PATCH = 480, 16
# By so much of the range (root mean square, percent) a patch must be nearer to the
# field of one frame than to that of another to tell anything, and its squares so many
# times smaller.
_LEAST_PERCENT, _TIMES = 0.5, 2.0
# So many patches must tell one lag, so much of those that tell any, and so much of all
# that tell something: coders smooth teeth, one frame's more than another's. (Of 976
# moments of 50 progressive recordings none had two such patches.)
_FEWEST, _ONE, _OF_ALL = 4, 0.6, 0.1
# With fewer patches, but so many, or where such fields are expected, earlier frames are
# looked at as well.
_HINT, _FRAMES = 2, 3
# And so many, and so much of those that move, one way, so few of them the other way, if
# all that is told is which field is later (of 900 moments of those recordings one had
# 0.25 of what moves, the next 0.07). In bands that far apart: one edge that lies level
# and goes up by a line may seem to have a lag all along.
_WAY, _OTHER_WAY, _BANDS = 0.12, 0.2, 3
# Held against a single field: of the same recordings one had 0.08 in a frame.
_OF_ALL_BY_ONE = 0.15


@dataclass(frozen=True, slots=True)
class OtherFrame:
    """Which frame's field a frame has.

    Attributes
    ----------
    lag : float
        By how many frames the lower field is later than the upper one: whole if it is
        of another frame, less than 1 if it lies between two; NaN if neither is told.
    teeth : float
        How far the fields stand apart for it, in codes; NaN if it cannot be told.
    behind : int
        How many frames before the latest that was seen.
    """

    lag: float
    teeth: float
    behind: int


_Two: TypeAlias = tuple[NDArray[np.float64], NDArray[np.float64]]


class _Frames:
    """How far fields of the latest frames lie apart, worked out when asked for."""

    def __init__(self, pairs: FramePairs) -> None:
        self._pairs = pairs
        self._apart: dict[tuple[int, int], _Two] = {}

    def __contains__(self, ago: int) -> bool:
        return 0 <= ago <= self._pairs.reach

    def lower(self, ago: int, later: int) -> NDArray[np.float64]:
        """Return how far the lower field is off a later frame's upper one.

        Mean squares of patches (bands, across), in codes squared.
        """
        return self._of(ago, later)[0]

    def upper(self, ago: int, later: int) -> NDArray[np.float64]:
        """Return how far the upper field is off a later frame's lower one."""
        return self._of(ago, later)[1]

    def _of(self, ago: int, later: int) -> _Two:
        known = self._apart.get((ago, later))
        if known is None:
            one, two = self._pairs.frame(ago), self._pairs.frame(ago - later)
            factor = max(1, one.shape[2] // _CELLS)
            sums = across_sums(one, two, factor=factor, width=_PATCH)
            # Everything came doubled, and as sums over cells.
            pixels = _PATCH * max(1, one.shape[1] // 2 - 1)
            lower, upper = sums / (pixels * (2.0 * factor) ** 2)
            known = lower, upper
            self._apart[ago, later] = known
        return known


def other_frame(
    pairs: FramePairs, *, span: int, whole: bool, expected: bool
) -> OtherFrame:
    """Tell whether one of the fields of the latest frames is of another moment.

    Parameters
    ----------
    span : int
        Codes from black to white.
    whole : bool
        Whether fields of other frames are looked for, or lags of part of a frame alone.
    expected : bool
        Whether a field of another frame has been told before.

    Returns
    -------
    OtherFrame
        Of the latest frame of which it can be told: there must be two frames behind
        it. A lag of 0 says that a frame's fields are rather of one frame than of two;
        not that they are of one moment.

    Notes
    -----
    If the lower field was taken k frames later, it is like the upper field of the frame
    k later, and the upper field like the lower one of the frame k earlier, and both are
    less like the other field of their own frame. In a progressive frame, whatever moves
    in it, and however fine detail comes and goes between its lines, both together are
    as like for k as for -k: each lag holds one field against a frame before and one
    against a frame behind. So the two signs must be told apart as well.

    Which sign is nearer also says which field is later where no frame's field fits. If
    squares grow with the square of time, those of a frame before less those of the
    frame behind are 4 times the lag, and both together less twice those of the own
    frame 2, in one unit: what interpolating leaves out is in all of them and cancels.
    """
    frames = _Frames(pairs)
    votes, same = np.zeros(2 * _FARTHEST, np.int64), 0
    squares = np.empty(0)
    way = OtherFrame(math.nan, math.nan, _FARTHEST)
    for ago in range(_FARTHEST, _FARTHEST + _FRAMES):
        if ago + _FARTHEST not in frames:
            break
        found = _votes(frames, ago, span=span)
        if ago == _FARTHEST:
            way = found.way
        if not whole:
            break
        votes += np.bincount(found.lags, minlength=len(votes))
        same += found.same
        squares = np.append(squares, found.squares)
        most = int(votes.max())
        if most >= max(_FEWEST, _ONE * votes.sum(), _OF_ALL * (votes.sum() + same)):
            teeth = math.sqrt(percentile(np.sort(squares), 90.0))
            return OtherFrame(float(_LAGS[int(votes.argmax())]), teeth, ago)
        if most < _HINT and not expected:
            break
    if not math.isnan(way.lag):
        return way
    if same >= _FEWEST and votes.max() < _HINT:
        return OtherFrame(0.0, 0.0, _FARTHEST)
    return OtherFrame(math.nan, math.nan, _FARTHEST)


# Neighbours are the two signs of a lag.
_LAGS = [k for n in range(1, _FARTHEST + 1) for k in (-n, n)]


@dataclass(frozen=True, slots=True, eq=False)
class _Votes:
    """What the patches of a frame tell.

    Attributes
    ----------
    lags : (n,) array
        Places in `_LAGS`, of those patches that tell one.
    same : int
        Patches whose fields are rather of one frame.
    squares : (n,) array
        How far the fields stand apart for it in those that tell a lag, codes squared.
    way : OtherFrame
        By what part of a frame the lower field is later, if patches tell that.
    """

    lags: NDArray[np.intp]
    same: int
    squares: NDArray[np.float64]
    way: OtherFrame


def _votes(frames: _Frames, ago: int, *, span: int) -> _Votes:
    own = frames.lower(ago, 0) + frames.upper(ago, 0)
    apart = np.stack([frames.lower(ago, k) + frames.upper(ago, -k) for k in _LAGS])
    best = apart.argmin(axis=0)
    least, opposite = (
        np.take_along_axis(apart, k[None], axis=0)[0] for k in (best, best ^ 1)
    )
    gain = 2.0 * (span * _LEAST_PERCENT / 100.0) ** 2
    other = (own - least > gain) & (_TIMES * least < np.minimum(own, opposite))
    same = (least - own > gain) & (_TIMES * own < least)
    squares = 0.5 * (own - least)[other]
    way = OtherFrame(*_way(own, apart[0], apart[1], gain), ago)
    return _Votes(best[other], int(np.count_nonzero(same)), squares, way)


def _way(
    own: NDArray[np.float64],
    earlier: NDArray[np.float64],
    later: NDArray[np.float64],
    gain: float,
) -> tuple[float, float]:
    """Return lag and teeth from unlikeness to the own frame and to both beside it."""
    moving = np.maximum(earlier, later) - own > gain
    ways = [
        (more - less > gain) & (_TIMES * less < more) & moving
        for less, more in ((later, earlier), (earlier, later))
    ]
    counts = [int(np.count_nonzero(one)) for one in ways]
    most = max(counts)
    least = max(_FEWEST, _WAY * np.count_nonzero(moving))
    one = ways[counts.index(most)]
    places = int(np.count_nonzero(one.any(axis=1)))
    if (
        most < least
        or min(counts) > _OTHER_WAY * most
        or places < min(_BANDS, len(own))
    ):
        return math.nan, math.nan
    growth = np.maximum((earlier + later - 2.0 * own)[one], gain)
    lags = np.clip((earlier - later)[one] / (2.0 * growth), -0.5, 0.5)
    # Of two fields, and of both sides.
    teeth = np.sort(np.abs(lags) * np.sqrt(growth / 4.0))
    return percentile(np.sort(lags), 50.0), percentile(teeth, 90.0)


def lags_since(
    pairs: FramePairs, count: int, *, lag: float, span: int
) -> NDArray[np.float64]:
    """Return of each of the latest frames whether its fields lie so far apart.

    Parameters
    ----------
    count : int
        How many frames, the latest among them.
    lag : float
        By how many frames the lower field is later; whole, not 0.
    span : int
        Codes from black to white.

    Returns
    -------
    (count,) array
        In order of time: `lag`, 0 where both fields are of one frame, NaN where
        neither can be told.
    """
    frames, later = _Frames(pairs), round(lag)
    gain = (span * _LEAST_PERCENT / 100.0) ** 2
    out = np.full(count, math.nan)
    for ago in range(count):
        same = yes = 0
        # One of both frames may not be there, or not have another's field itself.
        for differs, by in ((frames.lower, later), (frames.upper, -later)):
            if ago in frames and ago - by in frames:
                own, other = differs(ago, 0), differs(ago, by)
                same += _count_less(own, other, gain)
                yes += _count_less(other, own, gain)
        if yes >= max(_FEWEST, _OF_ALL_BY_ONE * (yes + same)):
            out[count - 1 - ago] = lag
        elif same >= _FEWEST and yes < _HINT:
            out[count - 1 - ago] = 0.0
    return out


def _count_less(
    one: NDArray[np.float64], other: NDArray[np.float64], gain: float
) -> int:
    """Count patches in which one is clearly less than the other."""
    return int(np.count_nonzero((other - one > gain) & (_TIMES * one < other)))
