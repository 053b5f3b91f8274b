"""How long frames are shown: the ordinary period, and whether there is one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Periods", "periods_of"]

# Frames this far from the median period are not ordinary; where more than this share
# is not, the rate itself varies (house choices).
_ODD_SHARE = 0.25
_VARIABLE_SHARE = 0.1


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
        varies=float(np.mean(~near)) > _VARIABLE_SHARE,
    )
