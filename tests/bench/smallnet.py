"""A network of one hidden layer, fitted in numpy by Adam; for the `fit_...` scripts."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Net", "choose", "fit", "table"]

Array = NDArray[np.float64]
Rows = NDArray[np.float32]

RANDOM_STATE = 1
_FAR = 5.0
# What is fitted with is left out and shaken, so that no single feature is relied on.
_HIDDEN = 24
_ROUNDS, _BATCH, _STEP, _RIDGE = 18, 1024, 3e-3, 2e-3
_LEFT_OUT, _SHAKEN, _SHAKES = 0.15, 0.1, 24
# Fitting on from what there is takes fewer rounds of smaller steps.
_ROUNDS_ON, _STEP_ON = 8, 1e-3
# The same for choices, which are fewer and of many rows each.
_CHOICE_HIDDEN, _CHOICE_ROUNDS, _CHOICE_BATCH, _CHOICE_STEP = 16, 30, 32, 4e-3
_CHOICE_RIDGE, _CHOICE_LEFT_OUT, _CHOICE_SHAKEN = 2e-4, 0.1, 0.2


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


def _standard(x: Rows) -> tuple[Rows, Rows, Rows]:
    """Return rows standardised and cut, and their mean and spread."""
    rows = x.reshape(-1, x.shape[-1])
    mean = rows.mean(axis=0, dtype=np.float64).astype(np.float32)
    spread = rows.std(axis=0, dtype=np.float64).astype(np.float32) + np.float32(1e-3)
    return np.clip((x - mean) / spread, -_FAR, _FAR).astype(np.float32), mean, spread


def _start(rng: np.random.Generator, features: int, units: int) -> list[Rows]:
    """Return a network to begin with: weight, bias, out, constant."""
    start = [
        rng.normal(0, features**-0.5, (features, units)), np.zeros(units),
        rng.normal(0, units**-0.5, units), np.zeros(1),
    ]  # fmt: skip
    return [w.astype(np.float32) for w in start]


class _Adam:
    """Steps of a network down a slope, which fade out over a number of them."""

    def __init__(self, net: list[Rows], step: float, total: int) -> None:
        self._net, self._step, self._total, self._count = net, step, total, 0
        self._first, self._second = ([np.zeros_like(w) for w in net] for _ in range(2))

    def go(self, down: Sequence[Rows]) -> None:
        """Take one step; `down` is the slope of each part of the network."""
        self._count += 1
        count = self._count
        step = self._step * 0.5 * (1 + np.cos(np.pi * count / self._total))
        for k, d in enumerate(down):
            self._first[k] = 0.9 * self._first[k] + 0.1 * d
            self._second[k] = 0.999 * self._second[k] + 0.001 * d * d
            root = np.sqrt(self._second[k] / (1 - 0.999**count)) + 1e-8
            move = step * self._first[k] / (1 - 0.9**count) / root
            self._net[k] -= move.astype(np.float32)


def fit(
    x: Rows,
    weights: Array,
    number: int,
    hidden: int = _HIDDEN,
    start: Net | None = None,
) -> Net:
    """Fit by maximum likelihood with a ridge.

    Parameters
    ----------
    x : (n, features) array
    weights : (n, 2) array
        How much each row counts against, and for: as what matters, and as white.
    number : int
        Which run of chance.
    hidden : int
        Hidden units; those of `start`, if that is given.
    start : Net or None
        What to fit on from; None: from chance.
    """
    rng = np.random.default_rng([RANDOM_STATE, number])
    if start is None:
        z, mean, spread = _standard(x)
        net = _start(rng, x.shape[1], hidden)
        _train(net, z, weights, rng, _ROUNDS, _STEP)
    else:
        mean, spread = start.mean, start.spread
        z = np.clip((x - mean) / spread, -_FAR, _FAR).astype(np.float32)
        constant = np.array([start.constant], np.float32)
        net = [w.copy() for w in (start.weight, start.bias, start.out, constant)]
        _train(net, z, weights, rng, _ROUNDS_ON, _STEP_ON)
    weight, bias, out, constant = net
    return Net(mean, spread, weight, bias, out, float(constant[0]))


def _train(
    net: list[Rows],
    z: Rows,
    weights: Array,
    rng: np.random.Generator,
    rounds: int,
    step: float,
) -> None:
    """Fit weight, bias, out, constant by Adam with a step that fades out; in place."""
    n, features = z.shape
    # Drawing chance anew for every row would take longer than all the rest.
    shakes = np.float32(_SHAKEN) * rng.standard_normal(
        (_SHAKES, _BATCH, features), dtype=np.float32
    )
    against, speaking = np.ascontiguousarray(weights.astype(np.float32).T)
    batches = max(n // _BATCH, 1)
    adam = _Adam(net, step, rounds * batches)
    for _ in range(rounds):
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
            adam.go([
                x.T @ back + _RIDGE * net[0], back.sum(axis=0),
                hidden.T @ slope + _RIDGE * net[2], slope.sum(keepdims=True),
            ])  # fmt: skip


def choose(x: Rows, chances: Rows, number: int) -> Net:
    """Fit a network whose merits are the log chances of one of several, but for a sum.

    Parameters
    ----------
    x : (n, several, features) array
        What there is of each that may be chosen, n times.
    chances : (n, several) array
        How likely each was in truth; 1 in all.
    number : int
        Which run of chance.
    """
    rng = np.random.default_rng([RANDOM_STATE, 2, number])
    z, mean, spread = _standard(x)
    n, several, features = z.shape
    net, truth = _start(rng, features, _CHOICE_HIDDEN), chances.astype(np.float32)
    batches = max(n // _CHOICE_BATCH, 1)
    adam = _Adam(net, _CHOICE_STEP, _CHOICE_ROUNDS * batches)
    for _ in range(_CHOICE_ROUNDS):
        order = rng.permutation(n)
        for batch in range(batches):
            some = order[batch * _CHOICE_BATCH : (batch + 1) * _CHOICE_BATCH]
            rows = z[some].reshape(-1, features)
            shake = rng.standard_normal(rows.shape, dtype=np.float32)
            rows = rows + np.float32(_CHOICE_SHAKEN) * shake
            kept = np.asarray(rng.random(features) > _CHOICE_LEFT_OUT, np.float32)
            rows *= kept / np.float32(1 - _CHOICE_LEFT_OUT)
            before = rows @ net[0] + net[1]
            hidden = np.maximum(before, 0)
            merit = (hidden @ net[2]).reshape(len(some), several)
            odds = np.exp(merit - merit.max(axis=1, keepdims=True))
            told = odds / odds.sum(axis=1, keepdims=True)
            slope = ((told - truth[some]) / len(some)).ravel()
            back = np.outer(slope, net[2]) * (before > 0)
            adam.go([
                rows.T @ back + _CHOICE_RIDGE * net[0], back.sum(axis=0),
                hidden.T @ slope + _CHOICE_RIDGE * net[2],
            ])  # fmt: skip
    return Net(mean, spread, net[0], net[1], net[2], 0.0)


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
