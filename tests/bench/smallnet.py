"""A network of one hidden layer, fitted in numpy by Adam; for `fit_highlights`."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Net", "fit", "table"]

Array = NDArray[np.float64]
Rows = NDArray[np.float32]

RANDOM_STATE = 1
_FAR = 5.0
# What is fitted with is left out and shaken, so that no single feature is relied on.
_HIDDEN = 24
_ROUNDS, _BATCH, _STEP, _RIDGE = 18, 1024, 3e-3, 2e-3
_LEFT_OUT, _SHAKEN, _SHAKES = 0.15, 0.1, 24


@dataclass(frozen=True, slots=True, eq=False)
class Net:
    """A hidden layer over standardised features.

    Attributes
    ----------
    mean, spread : (features,) arrays
    weight, bias : (features, hidden) and (hidden,) arrays
    out : (hidden,) array
    constant : float
    """

    mean: Rows
    spread: Rows
    weight: Rows
    bias: Rows
    out: Rows
    constant: float

    def merits(self, x: Rows) -> Rows:
        """Return log odds for what was fitted, as of white things."""
        z = np.clip((x - self.mean) / self.spread, -_FAR, _FAR)
        hidden = np.maximum(z @ self.weight + self.bias, 0)
        return np.asarray(hidden @ self.out + self.constant, np.float32)


def fit(x: Rows, weights: Array, number: int, hidden: int = _HIDDEN) -> Net:
    """Fit by maximum likelihood with a ridge.

    Parameters
    ----------
    x : (n, features) array
    weights : (n, 2) array
        How much each row counts against, and for: as what matters, and as white.
    number : int
        Which run of chance.
    hidden : int
        Hidden units.
    """
    mean = x.mean(axis=0, dtype=np.float64).astype(np.float32)
    spread = x.std(axis=0, dtype=np.float64).astype(np.float32) + np.float32(1e-3)
    z = np.clip((x - mean) / spread, -_FAR, _FAR).astype(np.float32)
    weight, bias, out, constant = _train(z, weights, number, hidden)
    return Net(mean, spread, weight, bias, out, float(constant[0]))


def _train(z: Rows, weights: Array, number: int, units: int) -> list[Rows]:
    """Fit by Adam with a step that fades out: weight, bias, out, constant."""
    rng = np.random.default_rng([RANDOM_STATE, number])
    n, features = z.shape
    start = [
        rng.normal(0, features**-0.5, (features, units)), np.zeros(units),
        rng.normal(0, units**-0.5, units), np.zeros(1),
    ]  # fmt: skip
    net: list[Rows] = [w.astype(np.float32) for w in start]
    first, second = ([np.zeros_like(w) for w in net] for _ in range(2))
    # Drawing chance anew for every row would take longer than all the rest.
    shakes = np.float32(_SHAKEN) * rng.standard_normal(
        (_SHAKES, _BATCH, features), dtype=np.float32
    )
    against, speaking = np.ascontiguousarray(weights.astype(np.float32).T)
    batches = max(n // _BATCH, 1)
    total, count = _ROUNDS * batches, 0
    for _ in range(_ROUNDS):
        order = rng.permutation(n)
        for batch in range(batches):
            rows = order[batch * _BATCH : (batch + 1) * _BATCH]
            x = z[rows] + shakes[rng.integers(_SHAKES), : len(rows)]
            kept = np.asarray(rng.random(features) > _LEFT_OUT, np.float32)
            x *= kept / np.float32(1 - _LEFT_OUT)
            before = x @ net[0] + net[1]
            hidden = np.maximum(before, 0)
            merit = hidden @ net[2] + net[3]
            both = speaking[rows] + against[rows]
            slope = (both / (1 + np.exp(-merit)) - speaking[rows]) / len(rows)
            back = np.outer(slope, net[2]) * (before > 0)
            down = [
                x.T @ back + _RIDGE * net[0], back.sum(axis=0),
                hidden.T @ slope + _RIDGE * net[2], slope.sum(keepdims=True),
            ]  # fmt: skip
            count += 1
            step = _STEP * 0.5 * (1 + np.cos(np.pi * count / total))
            for k, d in enumerate(down):
                first[k] = 0.9 * first[k] + 0.1 * d
                second[k] = 0.999 * second[k] + 0.001 * d * d
                root = np.sqrt(second[k] / (1 - 0.999**count)) + 1e-8
                net[k] -= (step * first[k] / (1 - 0.9**count) / root).astype(np.float32)
    return net


def _wrapped(values: Rows) -> str:
    text = " ".join(str(v) for v in np.rint(100 * values).astype(int))
    return "\n".join(textwrap.wrap(text, 88))


def table(names: Sequence[str], net: Net) -> str:
    """Return a network as it stands in a module."""
    rows = zip(names, net.mean, net.spread, net.weight, strict=True)
    text = "\n".join(f"{n}: {m:.4f} {s:.4f}\n{_wrapped(w)}" for n, m, s, w in rows)
    return (
        f'TABLE = """\n{text}\n"""\n'
        "# Each hidden unit's constant and its weight in the merit, in hundredths.\n"
        f'HIDDEN = """\n{_wrapped(net.bias)}\n"""\n'
        f'OUT = """\n{_wrapped(net.out)}\n"""\n'
        f"CONSTANT = {net.constant:.3f}\n"
    )
