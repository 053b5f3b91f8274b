"""From counts of burnt pixels to stops: what is extrapolated, and a measured bound."""

from __future__ import annotations

import math
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from qc.signal import Signal, to_linear

__all__ = [
    "BINS",
    "BIN_STOPS",
    "LOW",
    "censored_normal",
    "close_stops",
    "least_stops",
    "top_shares",
]

# Demand is counted in bins of this many stops, from LOW up; what lies below is only
# part of the whole. From LOW up a normal distribution describes the lit field well
# (chosen among -0.4 to -2 on rendered scenes).
BIN_STOPS = 0.05
LOW = -1.4
BINS = 80


def _hazard(z: float) -> float:
    """Return density over upper tail of the standard normal distribution."""
    if z > 6.0:  # asymptotic series; good to 1e-4 here
        return z + 1.0 / z - 2.0 / z**3
    tail = 0.5 * math.erfc(z / math.sqrt(2.0))
    return math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi) / tail


def censored_normal(
    *, mean: float, variance: float, known: float, lost: float, low: float, cut: float
) -> tuple[float, float] | None:
    """Fit a normal distribution cut off below and censored above.

    Parameters
    ----------
    mean, variance : float
        Of the known values, all above `low`.
    known, lost : float
        How many are known, and how many only to be above `cut`.
    low : float
        Nothing is told of what lies below.

    Returns
    -------
    (mean, standard deviation) or None
        The most likely ones; None where the data do not bend like a normal
        distribution.

    Notes
    -----
    Newton's method in mean/sigma and 1/sigma, in which the likelihood of censored
    normal data is concave (Olsen, Econometrica 46(5), 1978; from memory).
    """
    if known <= 0 or not variance > 0:
        return None
    b = 1.0 / math.sqrt(variance)
    a = mean * b
    for _ in range(40):
        at_cut, at_low = b * cut - a, b * low - a
        hc, hl = _hazard(at_cut), _hazard(at_low)
        dc, dl = hc * (hc - at_cut), hl * (hl - at_low)
        every = known + lost
        ga = -known * (b * mean - a) - lost * hc + every * hl
        gb = (
            -known / b
            + known * (mean * (b * mean - a) + b * variance)
            + lost * cut * hc
            - every * low * hl
        )
        haa = known + lost * dc - every * dl
        hab = -known * mean - lost * cut * dc + every * low * dl
        hbb = (
            known / b**2
            + known * (mean**2 + variance)
            + lost * cut**2 * dc
            - every * low**2 * dl
        )
        det = haa * hbb - hab * hab
        if not det > 0 or not haa > 0:
            return None
        da, db = (hbb * ga - hab * gb) / det, (haa * gb - hab * ga) / det
        scale = min(1.0, 0.5 * b / abs(db)) if db else 1.0
        a, b = a - scale * da, b - scale * db
        if abs(a / b) > 50.0 or b < 0.2:
            return None
        if abs(da) + abs(db) < 1e-9 * (1.0 + abs(a) + b):
            break
    return a / b, 1.0 / b


def close_stops(
    counts: NDArray[np.floating],
    *,
    allowed: float,
    ignored: float = 0.0,
    least_lost: float = 0.0,
    most: float,
) -> float:
    """Return how far to close until no more than `allowed` of the picture is burnt.

    Parameters
    ----------
    counts : (BINS + 1,) array
        From `BurntLight.read`: shares of the picture.
    allowed, ignored : float
        Shares of the picture: what may burn, and what is burnt but does not matter
        (swabs); the latter is taken from the top.
    least_lost : float
        What is cut off in all channels lies at least so many stops over the level.
    most : float
        Extrapolation ends here.

    Returns
    -------
    float
        Stops; 0 where nothing is to close, NaN where it cannot be told.
    """
    bins = np.asarray(counts[:BINS], np.float64).tolist()
    lost = max(float(counts[BINS]) - ignored, 0.0)
    left = ignored - (float(counts[BINS]) - lost)
    for i in range(BINS - 1, -1, -1):
        if left <= 0:
            break
        taken = min(left, bins[i])
        bins[i] -= taken
        left -= taken
    known = np.array(bins)
    above = lost + np.append(np.cumsum(known[::-1])[::-1], 0.0)  # at the lower edges
    zero = round(-LOW / BIN_STOPS)
    if above[zero] <= allowed:
        return 0.0
    edges = LOW + BIN_STOPS * np.arange(BINS + 1)
    if lost <= 0.5 * allowed:
        # Strictly falling from there on: the share burns at one demand only.
        i = int(np.flatnonzero(above > allowed)[-1])
        part = (above[i] - allowed) / max(above[i] - above[i + 1], 1e-12)
        return max(float(edges[i] + BIN_STOPS * min(part, 1.0)), 0.0)
    total = float(known.sum())
    if total < max(2e-3, 0.05 * lost):
        return math.nan
    middles = edges[:-1] + 0.5 * BIN_STOPS
    mean = float(known @ middles) / total
    variance = float(known @ (middles - mean) ** 2) / total
    fitted = censored_normal(
        mean=mean,
        variance=variance,
        known=total,
        lost=lost,
        low=LOW,
        cut=least_lost,
    )
    if fitted is None:
        return most
    centre, spread = fitted
    standard = NormalDist()
    upper = standard.cdf((centre - LOW) / spread)
    wanted = allowed / (total + lost) * upper
    if not 0.0 < wanted < 1.0:
        return math.nan
    stops = centre - spread * standard.inv_cdf(wanted)
    return min(max(stops, least_lost), most)


def top_shares(
    histogram: NDArray[np.int64], *, first_code: int, total: int, signal: Signal
) -> NDArray[np.float32]:
    """Return the shares of the picture in luma codes from the burning one up.

    Returns
    -------
    (n,) array of float32
        Codes are taken together so that there are as many as in 8 bits.
    """
    wide = 1 << (signal.bit_depth - 8)
    codes = histogram[first_code:]
    codes = np.append(codes, np.zeros(-len(codes) % wide, codes.dtype))
    counts = codes.reshape(-1, wide).sum(axis=1)
    shares: NDArray[np.float32] = (counts / max(total, 1)).astype(np.float32)
    return shares


def least_stops(
    shares: NDArray[np.floating], *, first_code: int, allowed: float, signal: Signal
) -> float:
    """Return a bound: the iris must be closed at least so far.

    A code that is cut off or compressed never stands for less light than it says. So
    the iris must be closed at least until the code of the pixel at rank `allowed`
    would come under the level. What is left out of the picture (swabs) lowers that
    rank by no more than its own share.

    Parameters
    ----------
    shares : array
        From `top_shares`.
    allowed : float
        Share of the picture that may be burnt, swabs included.

    Returns
    -------
    float
        Stops, 0 or more; NaN where no more than that is burnt.
    """
    above = np.cumsum(shares[::-1].astype(np.float64))[::-1]
    burning = np.flatnonzero(above > allowed + 1e-6)  # float32 shares
    if not len(burning):
        return math.nan
    code = first_code + int(burning[-1]) * (1 << (signal.bit_depth - 8))
    percents = np.array([signal.percent(code), signal.percent(first_code)])
    light = to_linear(percents / 100.0, transfer=signal.transfer)
    return float(np.log2(light[0] / light[1]))
