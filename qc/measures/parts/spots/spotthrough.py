"""Whether a place is seen through something on the lens, or the scene changed there.

Both are asked of the same two pictures, from before and after. What lies on the lens
lies far out of focus: it passes a share of the light behind it, blurred, and has no
sharp edge of its own. What happens in the scene either has such edges (a drip), brings
detail that was not there, keeps all that was (a shadow), or leaves what lies around
the place (a glint that goes out).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.spots.spotranks import FOOT, middle, ranked, rms
from qc.measures.parts.spots.spotseen import is_seen

__all__ = ["Through", "through"]

Map = NDArray[np.float32]
Mask = NDArray[np.bool_]
Floats = NDArray[np.float64]

# All px are those of the small picture, all shares are of the change.
_FINE, _SMOOTH = 1.2, 0.6  # px: detail is finer; edges are looked for after
_CORE, _FEW = (5, 3), (12, 6)  # px taken off all around; places that must be left
_STRONG = 0.95  # of the places: the sharpest edges
_BLURS, _RIM = (0.0, 0.8, 1.4, 2.0), 0.25  # px; of its breadth
_WIDEST = 3.0  # px: blur behind which grain may still be like
_DARKER, _BRIGHTER = (-1.7, -0.09), 0.7  # natural logarithm of what is left
# Detail that tells: natural logarithm, times what the places around change by; and
# the share of it that a shadow keeps, and at most behind a drop that takes no light.
_TELLS, _BY, _KEPT, _LOST = 0.03, 2.0, 0.7, 0.45
_SURE, _EACH = 2.0, 4.0  # standard errors of that share; px that tell as much as one
# The same but for what has the shape of a drop. Of 54 shadows and lights that came at
# once the least was 0.64, of three drips 0.31; of four small drops that passed for a
# shadow three had less.
_KEPT_THEN = 0.3
_OTHER = 0.03  # detail that has turned
_ROUGH, _ALIKE = 0.3, (0.15, 0.38)  # grain from which it must still show; how like
# At most, of what takes light and of what does not: new edges a px, new detail, what a
# filter leaves unexplained; and at least, what the surroundings do.
_EDGE, _NEW, _LEFT, _NOT_AROUND = (0.37, 0.25), (0.28, 0.15), (0.5, 0.35), (0.33, 0.5)
# A light that goes out among others leaves the dark between them: which of the places
# around show that; how many of its own then do, and how nearly, of the change. Of 121
# drops the least was 0.38; 46 of 51 windows that went out were as dark.
_GROUND = 0.4, 0.6, 0.3
# Times as sharp or new no drop is; so little unexplained, a place may be odd at all.
_ODD, _WELL = 1.5, 0.16
# How like it must be but for the shape of a drop: where it is not at all with that, and
# where more must tell; how rough then.
_SEEN, _SEEN_ROUGH = (0.75, 0.8), 0.2
_ALIKE_MORE = 0.5  # how like the grain must be of what takes no light


@dataclass(frozen=True, slots=True)
class Through:
    """How a place is seen through what has come.

    Attributes
    ----------
    level, detail : float
        What is left of its light and of its detail, natural logarithms; detail is 0
        where there was none to speak of.
    """

    level: float
    detail: float


def through(
    before: Map, after: Map, inside: Mask, around: Mask, *, surely: bool = False
) -> Through | None:
    """Return how a place is seen through what came; None if the scene changed there.

    Parameters
    ----------
    before, after : (h, w) arrays
        Percent of black-to-white, laid over each other.
    inside, around : (h, w) arrays of bool
        Where it changed; its surroundings, but for the rim.
    surely : bool
        There must be something behind it, and be seen through it.
    """
    was, is_now = (np.maximum(v, 0) + np.float32(FOOT) for v in (before, after))
    old, new = (np.asarray(cv2.log(v), np.float32) for v in (was, is_now))
    size = rms((new - old - np.float32(middle((new - old)[around])))[inside])
    were, are = (float(side[inside].mean()) for side in (was, is_now))
    level = float(np.log(are / were))
    if size <= 0 or not _DARKER[0] <= level <= _BRIGHTER:
        return None
    dark = level <= _DARKER[1] and is_seen(float(np.log(were)), level)
    kind = int(not dark)
    old_fine, new_fine = (v - cv2.GaussianBlur(v, (0, 0), _FINE) for v in (old, new))
    core = _core(inside)
    kept, came, rough = _detail(old_fine[core], new_fine[core])
    usual = rms((new_fine - old_fine)[around])
    tells = rough > max(_TELLS, _BY * usual)
    if tells and -kept * rough > _OTHER * size:
        return None
    shadow = rough > _TELLS and _surely(kept, usual / rough, core, tells=tells) > _KEPT
    if shadow and not (dark and _blurs(was, new, core)):
        return None
    came = float(np.sqrt(max(came**2 - usual**2, 0.0))) / size
    edge = _edge(old, new, inside) / size
    odd = max(came / _NEW[kind], edge / _EDGE[kind])
    if odd > (_ODD if dark else 1.0):
        return None
    # What is gone leaves what is around it.
    if _beyond(new, inside, around) < _NOT_AROUND[kind] * size:
        return None
    ground = np.abs(new[inside] - np.float32(ranked(new[around], _GROUND[0])))
    if level < 0 and ranked(ground, _GROUND[1]) < _GROUND[2] * size:
        return None
    grain, alike = _grain(was, new, inside)
    unlike = grain >= _ROUGH * size and alike <= _ALIKE[1]
    turned = unlike and alike <= _ALIKE[0]
    if turned and surely:
        return None
    if surely or grain >= _ROUGH * size:
        own, shows = _grain(was, new, inside, shaped=True)
        if turned or surely:
            least = _SEEN_ROUGH * size if surely else max(_TELLS, _BY * usual)
            if own < least or shows < _SEEN[int(surely)]:
                return None
        elif own >= _ROUGH * size and shows <= _ALIKE[0]:
            return None
    if not dark and not (tells and kept <= _LOST and alike >= _ALIKE_MORE):
        return None
    left = _left_over(was - np.float32(FOOT), is_now - np.float32(FOOT), inside)
    if left > _LEFT[kind] or ((unlike or odd > 1.0) and left > _WELL):
        return None
    lost = rms(new_fine[core]) / max(rough, 1e-6)
    return Through(level, float(np.log(max(min(lost, 1.0), 1e-3))) if tells else 0.0)


def _core(inside: Mask) -> Mask:
    few = inside.astype(np.uint8)
    for size, least in zip(_CORE, _FEW, strict=True):
        core = cv2.erode(few, np.ones((size, size), np.uint8)) > 0
        if int(core.sum()) >= least:
            return np.asarray(core)
    return inside


def _detail(before: Map, after: Map) -> tuple[float, float, float]:
    """Return the share of detail that is kept, what is new, and what there was."""
    kept = float((before * after).sum()) / (float((before**2).sum()) + 1e-9)
    return kept, rms(after - np.float32(kept) * before), rms(before)


def _surely(kept: float, usual: float, core: Mask, *, tells: bool) -> float:
    """Return the share of detail that is kept at least.

    Of many places it is known well although the surroundings change by as much.
    """
    if tells:
        return kept
    return kept - _SURE * usual / math.sqrt(core.sum() / _EACH)


def _blurs(before: Map, after: Map, core: Mask) -> bool:
    """Return whether detail is lost, but for the shape of what came.

    Of few places the hollow of a drop may pass for their detail: it is left out.

    Parameters
    ----------
    before, after : (h, w) arrays
        Percent with the foot; natural logarithms.
    """
    rows, columns = (v - v.mean() for v in np.nonzero(core))
    y, x = (v / max(float(np.ptp(v)), 1.0) for v in (rows, columns))
    shape = np.stack([np.ones_like(x), x, y, x * x + y * y], axis=1)
    under = cv2.log(cv2.GaussianBlur(before, (0, 0), _FINE))
    both = np.stack([cv2.log(before) - under, after - under], axis=-1)[core]
    both = both.astype(np.float64)
    both -= shape @ _solved(shape, both)
    was, is_now = both.T
    return float(was @ is_now) <= _KEPT_THEN * float(was @ was)


def _edge(before: Map, after: Map, inside: Mask) -> float:
    """Return how sharp edges are that were not there, a px."""
    square = np.ones((5, 5), np.uint8)
    was, is_now = (_steepness(side) for side in (before, after))
    wide = cv2.dilate(inside.astype(np.uint8), square) > 0
    more = np.maximum(is_now - cv2.dilate(was, square), 0)
    return ranked(more[wide], _STRONG)


def _steepness(level: Map) -> Map:
    smooth = cv2.GaussianBlur(level, (0, 0), _SMOOTH)
    down, across = np.gradient(smooth)
    return np.asarray(np.hypot(down, across), np.float32)


def _beyond(level: Map, inside: Mask, around: Mask) -> float:
    """Return how far a place is from going on as what lies around it does."""
    rows, columns = np.mgrid[: level.shape[0], : level.shape[1]]
    y, x = ((v - v.mean()) / max(v.max(), 1) for v in (rows, columns))
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)
    ring = terms[around]
    factors = _solved(ring, level[around][:, None].astype(np.float64))
    return rms(level[inside] - (terms[inside] @ factors)[:, 0])


def _grain(
    before: Map, after: Map, inside: Mask, *, shaped: bool = False
) -> tuple[float, float]:
    """Return how rough a place was but for its slope, and how like that it is now.

    Of the blurs that a drop may have, the one behind which it is most like.

    Parameters
    ----------
    before, after : (h, w) arrays
        Percent with the foot; natural logarithms.
    shaped : bool
        Leave out all that has the shape of a drop: what it takes by itself is not
        what is seen through it.
    """
    if shaped:
        shape = _shape(inside)
    else:
        rows, columns = np.nonzero(inside)
        shape = np.stack([np.ones_like(rows), rows, columns], axis=1).astype(np.float64)
    sides = [after, cv2.log(before)]
    sides += [
        cv2.log(cv2.GaussianBlur(before, (0, 0), sigma))
        for sigma in (*_BLURS[1:], _WIDEST)
    ]
    both = np.stack([side[inside] for side in sides], axis=1).astype(np.float64)
    both -= shape @ _solved(shape, both)
    power = (both**2).sum(axis=0)
    alike = (both[:, :1] * both[:, 1:]).sum(axis=0)
    alike /= np.sqrt(power[0] * power[1:] + 1e-12)
    free = max(len(both) - shape.shape[1], 1) if shaped else len(both)
    return float(np.sqrt(power[1] / free)), float(alike.max())


def _shape(inside: Mask) -> Floats:
    """Return what a drop is made of: (places, terms), even and sloping ones first."""
    rows, columns = (v - v.mean() for v in np.nonzero(inside))
    y, x = (v / max(float(np.ptp(v)), 1.0) for v in (rows, columns))
    # As far as the soft rim goes, and evenly beyond.
    wide = cv2.copyMakeBorder(inside.astype(np.uint8), 1, 1, 1, 1, cv2.BORDER_CONSTANT)
    deep = cv2.distanceTransform(wide, cv2.DIST_L2, 3)[1:-1, 1:-1][inside]
    rim = np.minimum(deep / (_RIM * np.sqrt(deep.size)), 1.0)
    return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y, rim], axis=1)


def _solved(factors: Floats, goal: Floats) -> Floats:
    """Return the factors' weights by least squares, held a little towards nothing."""
    square = factors.T @ factors
    square += 1e-6 * np.trace(square) * np.eye(len(square))
    # cv2's: numpy's asks a library that wakes threads for six equations.
    _, best = cv2.solve(square, factors.T @ goal, flags=cv2.DECOMP_SVD)
    return np.asarray(best, np.float64)


def _left_over(before: Map, after: Map, inside: Mask) -> float:
    """Return what a filter's work leaves unexplained, as a share of the change.

    A drop passes a share of the signal behind it, less of it towards its middle,
    blurred or not: what lies there shows through. Of few places seven factors explain
    much of anything, which is taken into account as for any residual deviation.

    Parameters
    ----------
    before, after : (h, w) arrays
        Percent of black-to-white.
    """
    terms = _shape(inside)
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
