"""Whether what came at once is a drop: what lies behind it still shows."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.spots.splash import Splash
from qc.measures.parts.spots.spotlay import laid_at, way_of
from qc.measures.parts.spots.spotranks import FOOT, middle, rms
from qc.measures.parts.spots.spotseen import is_seen
from qc.measures.parts.spots.spotstep import SHARE, Step

__all__ = ["drop_of"]

Floats = NDArray[np.float64]

_DARKER = -1.7, -0.09  # natural logarithm of what is left
# Of the change: how bright what is gone was, and how like what is around it is now.
_BRIGHT, _LIKE_AROUND = 0.5, 0.3
# Of the change: grain from which it must still show, or surely does; how like.
_GRAIN, _ALIKE = 0.3, 0.15
_GRAIN_STAYS, _SURELY_ALIKE = 0.25, 0.5
# Of the change; px of the small picture; of its breadth.
_SHOWS, _BLURS, _RIM = 0.45, (0.0, 0.8, 1.4, 2.0), 0.25


def drop_of(step: Step) -> Splash | None:
    """Return what came at once, if it looks like a drop that takes light."""
    height, width = step.after.level.shape
    change, inside = step.change, step.inside
    size = rms(change[inside])
    before, after = (f.level[step.box] for f in (step.before, step.after))
    fine = np.repeat(np.repeat(inside, SHARE, axis=0), SHARE, axis=1)
    box = (
        slice(SHARE * step.box[0].start, SHARE * step.box[0].stop),
        slice(SHARE * step.box[1].start, SHARE * step.box[1].stop),
    )
    # The scene may have come a little meanwhile.
    goal = step.after.level[step.box]
    start = np.zeros(2, np.float32)
    move = way_of(step.before.level, goal, step.box, step.around, start)
    moved = laid_at(step.before.fine, box, SHARE * move)
    was, is_now = (
        np.maximum(part, 0) + np.float32(FOOT) for part in (moved, step.after.fine[box])
    )
    # Of the light: a blur lightens what is dark and fine.
    were, are = (float(side[fine].mean()) for side in (was, is_now))
    level = float(np.log(are / were))
    if not _DARKER[0] <= level <= _DARKER[1] or not is_seen(float(np.log(were)), level):
        return None
    rough, alike = _grain(np.log(was[fine]), np.log(is_now[fine]), fine)
    if rough >= _GRAIN * size and alike <= _ALIKE:
        return None
    # What is gone leaves what is around it: a glint that goes out, a hand that leaves;
    # but no grain of its own.
    stood, stands = (
        float(side[inside].mean() - middle(side[step.around])) / size
        for side in (before, after)
    )
    gone = stood > _BRIGHT and abs(stands) < _LIKE_AROUND
    if gone and not (rough >= _GRAIN_STAYS * size and alike >= _SURELY_ALIKE):
        return None
    if _left_over(was - np.float32(FOOT), is_now - np.float32(FOOT), fine) > _SHOWS:
        return None
    rows, columns = np.nonzero(inside)
    return Splash(
        float(step.box[1].start + columns.min()) / width,
        float(step.box[0].start + rows.min()) / height,
        float(np.ptp(columns) + 1) / width,
        float(np.ptp(rows) + 1) / height,
        level,
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


def _left_over(
    before: NDArray[np.float32], after: NDArray[np.float32], inside: NDArray[np.bool_]
) -> float:
    """Return what a filter's work leaves unexplained, as a share of the change.

    A drop passes a share of the signal behind it, less of it towards its middle,
    blurred or not: what lies there shows through. Of few places seven factors explain
    much of anything, which is taken into account as for any residual deviation.

    Parameters
    ----------
    before, after : (h, w) arrays
        Percent of black-to-white.
    """
    rows, columns = (v - v.mean() for v in np.nonzero(inside))
    y, x = (v / max(float(np.ptp(v)), 1.0) for v in (rows, columns))
    # As far as the soft rim goes, and evenly beyond.
    wide = cv2.copyMakeBorder(inside.astype(np.uint8), 1, 1, 1, 1, cv2.BORDER_CONSTANT)
    deep = cv2.distanceTransform(wide, cv2.DIST_L2, 3)[1:-1, 1:-1][inside]
    rim = np.minimum(deep / (_RIM * np.sqrt(deep.size)), 1.0)
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y, rim], axis=1)
    goal = after[inside].astype(np.float64)
    change = rms(goal - before[inside])
    rests = []
    for sigma in _BLURS:
        under = cv2.GaussianBlur(before, (0, 0), sigma) if sigma else before
        factors = terms * under[inside][:, None]
        rests.append(rms(goal - (factors @ _solved(factors, goal[:, None]))[:, 0]))
    n, used = terms.shape
    free = np.sqrt(n / max(n - used, 1))
    return float(min(rests) * free) / max(change, 1e-6)
