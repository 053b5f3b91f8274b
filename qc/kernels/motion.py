"""The motion of small pictures: sums over their patches, and what most of them share.

Both ways do the same operations in the same order, so that they agree to the last bit.
"""

from __future__ import annotations

import math
from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from qc import kernels

if kernels.compiled:  # else slower, and otherwise the same
    from qc.kernels import _planes

__all__ = [
    "FirstVote",
    "between",
    "common_motion",
    "first_vote",
    "patch_sums",
    "smooth_small",
    "weigh_patches",
]

_Array: TypeAlias = NDArray[np.float64]
_Small: TypeAlias = NDArray[np.float32]
_Four: TypeAlias = tuple[float, float, float, float]


def smooth_small(
    picture: _Small, weights: tuple[float, float, float, float, float]
) -> _Small:
    """Smooth a small picture, down and across by the same weights.

    Parameters
    ----------
    picture : (h, w) array of float32
        Five pixels at least, both ways.
    weights : five numbers
        Of a pixel and of those one to four away from it, on either side; taken as
        float32.

    Returns
    -------
    (h, w) array of float32

    Notes
    -----
    At the border the picture is mirrored about its outermost pixels (OpenCV's
    ``BORDER_REFLECT_101``).
    """
    if min(picture.shape) < len(weights):
        raise ValueError("a picture must be no smaller than its smoothing")
    if kernels.compiled:
        out = np.empty(picture.shape, np.float32)
        _planes.smooth_small(np.ascontiguousarray(picture), out, weights)
        return out
    height, width = picture.shape
    reach = len(weights) - 1
    wide = np.pad(picture, ((reach, reach), (0, 0)), mode="reflect")
    down = _nine_taps([wide[k : k + height] for k in range(2 * reach + 1)], weights)
    wide = np.pad(down, ((0, 0), (reach, reach)), mode="reflect")
    return _nine_taps([wide[:, k : k + width] for k in range(2 * reach + 1)], weights)


def _nine_taps(parts: list[_Small], weights: tuple[float, ...]) -> _Small:
    middle = len(weights) - 1
    out = np.float32(weights[0]) * parts[middle]
    for k, weight in enumerate(weights[1:], 1):
        pair = parts[middle - k] + parts[middle + k]
        pair *= np.float32(weight)
        out += pair
    return np.asarray(out, np.float32)


def between(at: float, sigma: float, inverse: _Array) -> _Four:
    """Return weights of the pixels at -1, 0, 1, 2 for the place `at`, 0 to 1.

    The least-squares best for what smoothing leaves of a picture whose every
    frequency is alike: its autocorrelation is a Gaussian (linear prediction of a
    stationary signal, textbook statistics).

    Parameters
    ----------
    sigma : float
        Of the smoothing; the autocorrelation's is larger by the root of two.
    inverse : (4, 4) array of float64
        Inverse of the autocorrelation between the four pixels.
    """
    if kernels.compiled:
        return _planes.between(at, sigma, inverse)
    like = []
    for k in (-1, 0, 1, 2):
        off = (k - at) / sigma
        like.append(math.exp(-0.25 * (off * off)))
    n0, n1, n2, n3 = like
    w, x, y, z = [a * n0 + b * n1 + c * n2 + d * n3 for a, b, c, d in inverse.tolist()]
    whole = w + x + y + z
    return w / whole, x / whole, y / whole, z / whole


def patch_sums(
    picture: _Small,
    anchor: _Small,
    slope: _Array,
    *,
    top: int,
    left: int,
    across: _Four,
    down: _Four,
) -> _Array:
    """Sum over patches how a picture, moved, differs from its anchor.

    Parameters
    ----------
    picture : (h, w) array of float32
    anchor : (4, H, W) array of float32
        The part of the anchor that holds the patches; what else its changes are
        multiplied by: three pictures.
    slope : (side,) array of float64
        A light that slopes over a patch; its length is the side of the patches.
    top, left : int
        Where in the picture the patches begin; a pixel before them and two after are
        read too.
    across, down : four numbers
        Weights of the pixels at -1, 0, 1, 2, taken as float32.

    Returns
    -------
    (7, patches) array of float64
        Sums of the change times each of the three, of the change, of the change times
        the slope across and the slope down, and of its square. Columns of patches are
        summed in float32, and then added up.
    """
    _, height, width = anchor.shape
    side = len(slope)
    rows, columns = height // side, width // side
    if kernels.compiled:
        out = np.empty((7, rows * columns))
        _planes.patch_sums(picture, anchor, slope, out, side, top, left, across, down)
        return out
    if not (1 <= top <= len(picture) - height - 2) or not (
        1 <= left <= picture.shape[1] - width - 2
    ):
        raise ValueError("patches must lie inside their picture")
    area = picture[top - 1 : top + height + 2, left - 1 : left + width + 2]
    lines = _four_taps([area[:, k : k + width] for k in range(4)], across)
    seen = _four_taps([lines[k : k + height] for k in range(4)], down)
    change = seen - anchor[0]
    tilt = np.tile(slope.astype(np.float32), rows)[:, None]
    by_line = np.empty((6, rows, side, width), np.float32)
    factors = (*anchor[1:], np.float32(1.0), tilt, change)
    for out, factor in zip(by_line, factors, strict=True):
        np.multiply(change, factor, out=out.reshape(height, width))
    # Line after line: numpy adds in pairs along the last axis only.
    sums = np.add.reduce(by_line, axis=2)
    values = sums.reshape(6, rows * columns, side).astype(np.float64)
    values = np.insert(values, 4, slope * values[3], axis=0)
    return np.asarray(np.add.accumulate(values, axis=2)[:, :, -1], np.float64)


def _four_taps(parts: list[_Small], weights: _Four) -> _Small:
    one, two, three, four = (
        np.float32(weight) * part for weight, part in zip(weights, parts, strict=True)
    )
    return np.asarray(one + two + three + four, np.float32)


def weigh_patches(
    sums: _Array, facts: _Array, unlike: float
) -> tuple[_Array, _Array, _Array, _Array]:
    """Tell what each patch says by itself, and what its vote counts.

    Parameters
    ----------
    sums : (7, n) array
        Of `patch_sums`, light of length one.
    facts : (n, 12) array of float64
        Of the anchor's patches: energy and length of the contrast, trace of the normal
        matrix, 1 if it is textured, the inverse of that matrix, and the root through
        which a pull is felt.
    unlike : float
        Share of a patch's energy that may be another thing than the anchor had.

    Returns
    -------
    pull, felt, own : (n, 2) arrays
        Right sides of the normal equations, the pull as it is felt, and the shift, in
        px, of each patch.
    worth : (n,) array
        0 for a patch that has no vote.
    """
    n = len(facts)
    if kernels.compiled:
        pull, felt, own = np.empty((n, 2)), np.empty((n, 2)), np.empty((n, 2))
        worth = np.empty(n)
        _planes.weigh_patches(n, sums, facts, pull, felt, own, worth, unlike)
        return pull, felt, own, worth
    energy, length, trace, textured, *rest = facts.T
    along, light = sums[2], sums[3:6] * sums[3:6]
    left = sums[6] - (light[0] + light[1] + light[2])
    # The pieces of the other picture's energy: (a + d)^2 without means.
    other = energy + 2.0 * length * along + left
    x, y = -sums[0], -sums[1]
    own = np.stack([rest[0] * x + rest[1] * y, rest[2] * x + rest[3] * y], axis=1)
    felt = np.stack([rest[4] * x + rest[5] * y, rest[6] * x + rest[7] * y], axis=1)
    told = own[:, 0] * x + own[:, 1] * y
    unexplained = left - along * along - told
    usable = (textured > 0) & (unexplained < unlike * np.maximum(other, 1e-6))
    usable &= along > -length
    # Capped: one strong edge must not outvote everything else.
    usual = _in_order(np.where(usable, trace, 0.0)) / n + 1e-6
    return np.stack([x, y], axis=1), felt, own, usable / np.maximum(trace, usual)


class FirstVote(NamedTuple):
    """What patches say of the common shift before any is weighed against the others.

    Attributes
    ----------
    voters : int
        Patches that have a vote; the rest is 0 if there are none.
    x, y : float
        Their upper median, px, each way for itself.
    spread : float
        Upper median of their distances from it.
    resting, together : int
        How many are closer to rest, and to that median, than was asked for.
    """

    voters: int
    x: float
    y: float
    spread: float
    resting: int
    together: int


def first_vote(
    own: _Array,
    worth: _Array,
    *,
    rest: tuple[float, float],
    still: float,
    follows: float,
) -> FirstVote:
    """Count what patches say by themselves, see `weigh_patches`.

    Parameters
    ----------
    own : (n, 2) array
    worth : (n,) array
    rest : (float, float)
        The shift, in px, of what stays where it is.
    still, follows : float
        Distances, in px, from rest and from the median shift.
    """
    if kernels.compiled:
        found = _planes.first_vote(len(worth), own, worth, rest, still, follows)
        return FirstVote(*found)
    votes = own[worth > 0]
    if not len(votes):
        return FirstVote(0, 0.0, 0.0, 0.0, 0, 0)
    x, y = np.sort(votes, axis=0)[len(votes) // 2].tolist()
    off = np.hypot(votes[:, 0] - x, votes[:, 1] - y)
    resting = np.hypot(votes[:, 0] - rest[0], votes[:, 1] - rest[1]) < still
    return FirstVote(
        len(votes),
        x,
        y,
        float(np.sort(off)[len(off) // 2]),
        int(np.count_nonzero(resting)),
        int(np.count_nonzero(off < follows)),
    )


def common_motion(
    guess: _Four,
    *,
    felt: _Array,
    pull: _Array,
    worth: _Array,
    model_felt: _Array,
    weighing: _Array,
    model: _Array,
    scales: tuple[float, ...],
    lean: tuple[float, float, float, float],
) -> tuple[_Array, _Array]:
    """Correct a motion so that the patches near it follow it, pass by pass.

    Parameters
    ----------
    guess : four numbers
        The motion to begin with.
    felt : (n, 2) array
        Each patch's pull in px that it can tell.
    pull : (n, 2) array
        Right sides of the patches' normal equations.
    worth : (n,) array
        What a patch's vote counts at most; 0 for one that has none.
    model_felt, model : (2 n, 4) arrays
        What a motion gives in `felt`, and as a shift, two rows a patch.
    weighing : (n, 16) array
        The patches' normal matrices.
    scales : one or two numbers
        Distances at which a patch has no vote any more (Tukey's biweight), pass by
        pass.
    lean : four numbers
        Added to the diagonal, times the trace of its first two.

    Returns
    -------
    theta : (4,) array
    off : (n,) array
        How far each patch is from it.
    """
    n = len(worth)
    if kernels.compiled:
        out = np.empty(4 + n)
        first, second = (*scales, 0.0)[:2]
        _planes.common_motion(
            n, felt, pull, worth, model_felt, weighing, model, out, guess,
            (first, second), lean,
        )  # fmt: skip
        return out[:4], out[4:]
    theta = np.array(guess)
    off = _stray(felt, model_felt, theta)
    for scale in scales:
        far = off / scale
        near = np.maximum(1.0 - far * far, 0.0)
        vote = near * (near * worth)
        normal = _in_order(vote[:, None] * weighing).reshape(4, 4)
        x, y = vote * pull[:, 0], vote * pull[:, 1]
        rows = model.reshape(n, 2, 4)
        target = _in_order(x[:, None] * rows[:, 0] + y[:, None] * rows[:, 1])
        size = normal[0, 0] + normal[1, 1] + 1e-9
        normal[range(4), range(4)] += size * np.array(lean)
        theta = np.array(_solved(normal.tolist(), target.tolist()))
        off = _stray(felt, model_felt, theta)
    return theta, off


def _in_order(values: _Array) -> _Array:
    """Return the sum over the first axis, one after the other, from 0."""
    return np.array(np.add.accumulate(values, axis=0)[-1], np.float64)


def _stray(felt: _Array, model_felt: _Array, theta: _Array) -> _Array:
    parts = model_felt * theta
    there = parts[:, 0] + parts[:, 1] + parts[:, 2] + parts[:, 3]
    rest = felt - there.reshape(felt.shape)
    return np.asarray(np.sqrt(rest[:, 0] * rest[:, 0] + rest[:, 1] * rest[:, 1]))


def _solved(a: list[list[float]], b: list[float]) -> list[float]:
    """Solve four equations by elimination; `a` is symmetric and positive."""
    for k in range(4):
        for i in range(k + 1, 4):
            share = a[i][k] / a[k][k]
            for j in range(k, 4):
                a[i][j] -= share * a[k][j]
            b[i] -= share * b[k]
    out = [0.0] * 4
    for i in (3, 2, 1, 0):
        rest = b[i]
        for j in range(i + 1, 4):
            rest -= a[i][j] * out[j]
        out[i] = rest / a[i][i]
    return out
