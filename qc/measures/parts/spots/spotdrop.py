"""Whether what came at once is a drop: what lies behind it still shows."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.spots.splash import Splash
from qc.measures.parts.spots.spotranks import FOOT, ranked, rms
from qc.measures.parts.spots.spotstep import Step

__all__ = ["drop_of"]

Floats = NDArray[np.float64]

# Natural logarithm of what is left; of the change, evenly.
_DARKER, _EVENLY = (-0.68, -0.06), 0.8
_QUIET, _MOST_OF = 0.4, 0.6  # of the change: what so many of the places around do
# Of the change: how bright what is gone was, and how like what is around it is now.
_BRIGHT, _LIKE_AROUND = 0.5, 0.3
# Of the change: how far it may have stood out from what is around it before. Where two
# things meet a small change of light is a large one of the edge.
_STANDS_OUT = -5.0, 4.0
# Of the change: grain from which it must still show, or surely does; how like.
_GRAIN, _ALIKE = 0.3, 0.15
_GRAIN_STAYS, _SURELY_ALIKE = 0.25, 0.5
_SHOWS, _BLURS = 0.28, (0.0, 0.7, 1.4, 2.2)  # of the change; px


def drop_of(step: Step) -> Splash | None:
    """Return what came at once, if it looks like a drop that takes light."""
    height, width = step.after.shape
    change, inside = step.change[step.box], step.inside
    x, y, w, h = (int(v) for v in step.facts[:4])
    size = rms(change[inside])
    mean = float(change[inside].mean())
    if not _DARKER[0] <= mean <= _DARKER[1] or mean > -_EVENLY * size:
        return None
    if ranked(np.abs(change[step.around]), _MOST_OF) > _QUIET * size:
        return None
    before, after = step.before[step.box], step.after[step.box]
    was, is_now = (
        float(side[inside].mean() - np.median(side[step.around])) / -mean
        for side in (before, after)
    )
    if not _STANDS_OUT[0] < was < _STANDS_OUT[1]:
        return None
    rough, alike = _grain(before[inside], after[inside], inside)
    if rough >= _GRAIN * size and alike <= _ALIKE:
        return None
    # What is gone leaves what is around it: a glint that goes out, a hand that leaves;
    # but no grain of its own.
    gone = was > _BRIGHT and abs(is_now) < _LIKE_AROUND
    if gone and not (rough >= _GRAIN_STAYS * size and alike >= _SURELY_ALIKE):
        return None
    if _left_over(step) > _SHOWS:
        return None
    return Splash(
        x / width,
        y / height,
        w / width,
        h / height,
        mean,
        step.row,
        without=step.without,
    )


def _grain(
    before: NDArray[np.float32], after: NDArray[np.float32], inside: NDArray[np.bool_]
) -> tuple[float, float]:
    """Return how rough a place was but for its slope, and how like that it is now."""
    rows, columns = np.nonzero(inside)
    slope = np.stack([np.ones_like(rows), rows, columns], axis=1).astype(np.float64)
    both = np.stack([before, after], axis=1).astype(np.float64)
    was, is_now = (both - slope @ _solved(slope, both)).T
    power = float((was**2).sum() * (is_now**2).sum())
    alike = float((was * is_now).sum()) / np.sqrt(power) if power > 0 else 0.0
    return rms(was), float(alike)


def _solved(factors: Floats, goal: Floats) -> Floats:
    """Return the factors' weights by least squares, held a little towards nothing."""
    square = factors.T @ factors
    square += 1e-6 * np.trace(square) * np.eye(len(square))
    # cv2's: numpy's asks a library that wakes threads for six equations.
    _, best = cv2.solve(square, factors.T @ goal, flags=cv2.DECOMP_SVD)
    return np.asarray(best, np.float64)


def _left_over(step: Step) -> float:
    """Return what a filter's work leaves unexplained, as a share of the change.

    A drop passes a share of the signal behind it, less of it towards its middle,
    blurred or not: what lies there shows through. Of few places six factors explain
    much of anything, which is taken into account as for any residual deviation.
    """
    inside = step.inside
    rows, columns = (v - v.mean() for v in np.nonzero(inside))
    y, x = (v / max(float(np.ptp(v)), 1.0) for v in (rows, columns))
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)
    goal = np.exp(step.after[step.box][inside].astype(np.float64)) - FOOT
    was = np.exp(step.before) - np.float32(FOOT)
    change = rms(goal - was[step.box][inside])
    rests = []
    for sigma in _BLURS:
        under = cv2.GaussianBlur(was, (0, 0), sigma) if sigma else was
        factors = terms * under[step.box][inside][:, None]
        rests.append(rms(goal - (factors @ _solved(factors, goal[:, None]))[:, 0]))
    n, used = terms.shape
    free = np.sqrt(n / max(n - used, 1))
    return float(min(rests) * free) / max(change, 1e-6)
