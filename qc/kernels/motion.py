"""The motion that most patches of a picture share, by reweighted least squares.

Both ways do the same operations in the same order, so that they agree to the last bit.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from qc import kernels

if kernels.compiled:  # else slower, and otherwise the same
    from qc.kernels import _planes

__all__ = ["common_motion"]

_Array: TypeAlias = NDArray[np.float64]


def common_motion(
    theta: _Array,
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
    theta : (4,) array of float64
        First guess.
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
        out[:4] = theta
        first, second = (*scales, 0.0)[:2]
        _planes.common_motion(
            n, felt, pull, worth, model_felt, weighing, model, out, (first, second),
            lean,
        )  # fmt: skip
        return out[:4], out[4:]
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
