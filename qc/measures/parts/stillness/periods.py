"""How long frames are shown: the ordinary period, and whether there is one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "RATE_CHANGE",
    "VARIABLE_SHARE",
    "Periods",
    "RateChange",
    "periods_of",
    "rate_change",
]

# Frames this far from the median period are not ordinary; where more than this share
# is not, the rate itself varies (house choices).
_ODD_SHARE = 0.25
VARIABLE_SHARE = 0.1
# A rate that changes once: frames on either side at least, by how much, and so that no
# frame of either side is nearer to the other's rate but for rounding, and few others
# (house choices).
_EACH_SIDE, RATE_CHANGE, _OTHERS = 12, 0.01, 0.05
_ROUNDED_TICKS, _CLEARLY = 1.0, 10.0


@dataclass(frozen=True, slots=True)
class Periods:
    """What the time stamps of a take say about its frame rate.

    Attributes
    ----------
    median, shortest, longest : float
        Seconds that frames are shown; the last frame is left out.
    ordinary : float
        Mean of those near the median: the real frame period.
    jitter : float
        Standard deviation of those near the median.
    wander : float
        How far their stamps stray, from the earliest to the latest, from a clock of
        the real period, in seconds.
    count, odd : int
        Frames near the median, and others.
    varies : bool
        Frames are shown for different lengths of time throughout.
    mean : float
        Mean of all.
    """

    median: float
    shortest: float
    longest: float
    ordinary: float
    jitter: float
    wander: float
    mean: float
    count: int
    odd: int
    varies: bool

    @property
    def odd_share(self) -> float:
        """Of all frames, those that are not near the median."""
        return self.odd / (self.count + self.odd)


def periods_of(edges: NDArray[np.int64], *, tick: float) -> Periods | None:
    """Return what time stamps say about the frame rate; None for under two frames.

    Parameters
    ----------
    edges : (n + 1,) array of int64
        Ticks at which frames begin, and the end of the last, which often is left open
        and not looked at.
    tick : float
        Seconds.

    Examples
    --------
    >>> p = periods_of(np.array([0, 40, 80, 160, 200, 9000]), tick=0.001)
    >>> p.ordinary, p.longest, p.odd
    (0.04, 0.08, 1)
    """
    ticks = np.diff(edges[:-1]).astype(np.float64)
    if not ticks.size:
        return None
    median = float(np.median(ticks))
    # Stamps rounded to coarse ticks jump by one.
    near = np.abs(ticks - median) <= max(_ODD_SHARE * median, 1.0)
    usual = ticks[near] if near.any() else ticks
    return Periods(
        median=round(median * tick, 9),
        shortest=round(float(ticks.min()) * tick, 9),
        longest=round(float(ticks.max()) * tick, 9),
        ordinary=round(float(usual.mean()) * tick, 12),
        jitter=float(usual.std()) * tick,
        wander=float(np.ptp(np.cumsum(usual - usual.mean()))) * tick,
        mean=float(ticks.mean()) * tick,
        count=int(near.sum()),
        odd=int(near.size - near.sum()),
        varies=float(np.mean(~near)) > VARIABLE_SHARE,
    )


@dataclass(frozen=True, slots=True)
class RateChange:
    """Where a take's frame rate changes once, and for good.

    Attributes
    ----------
    row : int
        First frame that is shown for another length of time.
    before, behind : float
        Frame periods, seconds.
    """

    row: int
    before: float
    behind: float

    @property
    def share(self) -> float:
        """By what share of the longer period the two differ."""
        return abs(self.behind - self.before) / max(self.before, self.behind)


def rate_change(edges: NDArray[np.int64], *, tick: float) -> RateChange | None:
    """Return where the frame rate changes, if it does so once.

    Parameters
    ----------
    edges, tick
        See `periods_of`.

    Notes
    -----
    The place is where the sum of what periods are off their mean is farthest from 0
    (Page, Biometrika 41, 1954, for a change of a mean; from memory).

    Examples
    --------
    >>> edges = np.concatenate([np.arange(25) * 40, 1000 + np.arange(31) * 20])
    >>> rate_change(edges, tick=0.001)
    RateChange(row=25, before=0.04, behind=0.02)
    """
    ticks = np.diff(edges[:-1]).astype(np.float64)
    if len(ticks) < 2 * _EACH_SIDE:
        return None
    # A pause or a lost frame must not draw the change to itself.
    median = float(np.median(ticks))
    clear = np.clip(ticks, 0.4 * median, 2.5 * median)
    row = int(np.abs(np.cumsum(clear - clear.mean())).argmax()) + 1
    if not _EACH_SIDE <= row <= len(ticks) - _EACH_SIDE:
        return None
    sides = ticks[:row], ticks[row:]
    usual = [float(np.median(side)) for side in sides]
    # Stamps rounded to coarse ticks need the mean; lost frames must not be in it.
    near = [
        np.abs(side - mid) <= max(_ODD_SHARE * mid, _ROUNDED_TICKS)
        for side, mid in zip(sides, usual, strict=True)
    ]
    means = [float(side[ok].mean()) for side, ok in zip(sides, near, strict=True)]
    apart = abs(means[1] - means[0])
    if apart < RATE_CHANGE * max(means):
        return None
    for side, ok, mean in zip(sides, near, means, strict=True):
        off = np.abs(side[ok] - mean)
        if np.mean(~ok) > _OTHERS or np.mean(off > 0.5 * apart + _ROUNDED_TICKS) > 0:
            return None
        # Jitter by chance would make such a change no clearer than this.
        if apart < _CLEARLY * float(side[ok].std()) / np.sqrt(ok.sum()):
            return None
    return RateChange(row, means[0] * tick, means[1] * tick)
