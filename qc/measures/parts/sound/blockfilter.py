"""Recursive filters as products of matrices: fast, and the same wherever blocks end.

A filter with feedback goes from sample to sample, which a processor does slowly. Over
a stretch of samples it is linear all the same: what comes out is a matrix times what
went in, plus a matrix times the state that it began with. Stretches are counted from
the first sample behind a gap, and every product has one fixed shape; a stretch that is
not complete yet is filled up with zeros, which nothing before them hears, and is done
again with the next block. So the numbers are the same down to the last bit, however
the samples are cut.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["BlockFilter"]

Array = NDArray[np.float64]
Sections = tuple[tuple[float, ...], ...]

_STRETCH, _STRETCHES = 40, 40  # samples that go through one product, and how often
_GROUP = _STRETCH * _STRETCHES  # samples that share one product for their states
_GROUPS = 10  # that are done at a time: their arrays stay in a core's own cache

# The sample that lies at -300 dB keeps the filter's state out of the denormal numbers,
# which take a processor many times as long, through any length of digital silence.
_TINY = 1e-15


@dataclass(frozen=True, slots=True, eq=False)
class _Matrices:
    """What one stretch, and one group of them, does to samples and state (rows)."""

    through: Array  # (stretch, stretch): samples to output
    out: Array  # (order, stretch): state to output
    gather: Array  # (stretch, order): samples to what they add to the state
    states: Array  # ((stretches + 1) order, stretches order): to each stretch's state
    after: Array  # ((stretches + 1) order, order): to the state behind the group


@functools.cache
def _matrices(sections: Sections) -> _Matrices:
    a, b, c, d = _state_space(sections)
    order = len(a)
    powers = [np.eye(order)]
    for _ in range(_STRETCH):
        powers.append(a @ powers[-1])
    response = np.array([d, *(c @ p @ b for p in powers[: _STRETCH - 1])])
    through = np.zeros((_STRETCH, _STRETCH))
    for k in range(_STRETCH):
        through[k, k:] = response[: _STRETCH - k]
    out = np.stack([c @ p for p in powers[:_STRETCH]], axis=1)
    gather = np.stack([p @ b for p in powers[_STRETCH - 1 :: -1]])
    far = [np.eye(order)]
    for _ in range(_STRETCHES):
        far.append(powers[_STRETCH] @ far[-1])
    # Row 0 is the state at the group's begin, row k + 1 what stretch k adds.
    whole = np.zeros((_STRETCHES + 1, order, _STRETCHES + 1, order))
    for source in range(_STRETCHES + 1):
        for target in range(source, _STRETCHES + 1):
            whole[source, :, target] = far[target - source].T
    flat = whole.reshape((_STRETCHES + 1) * order, -1)
    return _Matrices(
        through,
        np.ascontiguousarray(out),
        gather,
        np.ascontiguousarray(flat[:, : _STRETCHES * order]),
        np.ascontiguousarray(flat[:, _STRETCHES * order :]),
    )


def _state_space(sections: Sections) -> tuple[Array, Array, Array, float]:
    """Return a, b, c, d of x' = a x + b u, y = c x + d u for sections in a row."""
    order = 2 * len(sections)
    a, b = np.zeros((order, order)), np.zeros(order)
    # What enters a section: c of the state, d of the sample.
    c, d = np.zeros(order), 1.0
    for k, (b0, b1, b2, _, a1, a2) in enumerate(sections):
        first, second = 2 * k, 2 * k + 1
        y = b0 * c
        y[first] += 1.0
        a[first] = b1 * c - a1 * y
        a[first, second] += 1.0
        a[second] = b2 * c - a2 * y
        b[first] = (b1 - a1 * b0) * d
        b[second] = (b2 - a2 * b0) * d
        c, d = y, b0 * d
    return a, b, c, d


class BlockFilter:
    """Second-order sections over every channel of one track, block by block.

    Parameters
    ----------
    sections : (n, 6) array
        ``b0 b1 b2 1 a1 a2``, as `scipy.signal.sosfilt` takes them.
    channels : int
    """

    def __init__(self, sections: Array, channels: int) -> None:
        self._m = _matrices(tuple(tuple(map(float, s)) for s in sections))
        self._channels = channels
        size = _GROUPS * _GROUP
        self._scratch = np.empty((channels, size)), np.empty(size), np.empty(size)
        self._out = np.empty((channels, 0))
        self.reset()

    def reset(self) -> None:
        """Forget what went before: what follows does not join on."""
        order = self._m.out.shape[0]
        self._held = np.zeros((self._channels, 0))  # of a group not complete yet
        self._state = np.zeros((self._channels, order))  # at that group's begin

    def feed(self, samples: NDArray[np.floating]) -> Array:
        """Return the filtered samples.

        Returns
        -------
        (channels, n) array
            The caller's to change, until the next call.
        """
        n = samples.shape[1]
        if self._out.shape[1] < n:
            self._out = np.empty((self._channels, n))
        done, step = 0, _GROUPS * _GROUP
        while done < n:
            upto = min(done + step - self._held.shape[1], n)
            self._piece(samples[:, done:upto], self._out[:, done:upto])
            done = upto
        return self._out[:, :n]

    def _piece(self, samples: NDArray[np.floating], out: Array) -> None:
        channels, n = samples.shape
        held = self._held.shape[1]
        groups = -(-(held + n) // _GROUP)
        # Arrays of this size cost more to get from the system than to fill.
        line, whole, more = self._scratch
        line[:, :held] = self._held
        np.add(samples, _TINY, out=line[:, held : held + n])
        line[:, held + n : groups * _GROUP] = 0.0
        shape = channels, groups, _STRETCHES, _STRETCH
        stretches = line[:, : groups * _GROUP].reshape(shape)
        for channel, states in enumerate(self._states(stretches, held + n)):
            filtered = whole[: groups * _GROUP].reshape(shape[1:])
            from_state = more[: groups * _GROUP].reshape(shape[1:])
            np.matmul(stretches[channel], self._m.through, out=filtered)
            np.matmul(states, self._m.out, out=from_state)
            both = whole[held : held + n], more[held : held + n]
            np.add(*both, out=out[channel])
        full = (held + n) // _GROUP * _GROUP
        self._held = line[:, full : held + n].copy()

    def _states(self, stretches: Array, count: int) -> Array:
        """Return the state at the begin of each stretch; move on to the last group."""
        channels, groups = stretches.shape[:2]
        m, order = self._m, self._state.shape[1]
        # Of each group: its state, then what each stretch adds.
        known = np.empty((groups, channels, (_STRETCHES + 1) * order))
        added = np.matmul(stretches, m.gather).reshape(channels, groups, -1)
        known[:, :, order:] = added.swapaxes(0, 1)
        state = self._state
        for k, group in enumerate(known):
            group[:, :order] = state
            if (k + 1) * _GROUP <= count:
                state = np.matmul(group, m.after)
        self._state = state
        states = np.matmul(known, m.states)
        return np.ascontiguousarray(
            states.reshape(groups, channels, _STRETCHES, order).swapaxes(0, 1)
        )
