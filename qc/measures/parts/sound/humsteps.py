"""Where hum begins and ends: its lines followed in steps of a tenth of a second.

A window of seconds shows that there is hum. Inside of it the lines are taken down to
zero frequency, where hum stands still as an arrow and everything else turns about: the
stretch over which the arrows add up most, for its length, is where the hum is.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["STEP_S", "HumStretch", "StepLines", "hum_stretch", "step_lines"]

STEP_S = 0.1
"""Five cycles of 50 Hz, six of 60: neither is seen in the other's lines."""

_HARMONICS = 6
_SHORTEST_STEPS = 8
# Grids keep within a fifth of a hertz; a window that hum does not fill shows its
# frequency only roughly, so that all are tried.
_OFFS_HZ = np.linspace(-0.21, 0.21, 43)

Arrows = NDArray[np.complex128]


@dataclass(frozen=True, slots=True, eq=False)
class StepLines:
    """The lines of both mains frequencies, step by step.

    Attributes
    ----------
    arrows : mapping of mains frequency to (channels, harmonics, steps) array
        Complex amplitude; a sine of amplitude 1 gives a length of 1.
    begins_s : (steps,) array
        When each step begins, in seconds since the take's start.
    step_s : float
    """

    arrows: dict[int, NDArray[np.complex64]]
    begins_s: NDArray[np.float64]
    step_s: float

    @property
    def end_s(self) -> float:
        """When the last step ends; minus infinity without one."""
        return (
            float(self.begins_s[-1]) + self.step_s if len(self.begins_s) else -math.inf
        )


@functools.cache
def _basis(mains: int, count: int, rate: float) -> NDArray[np.complex128]:
    """Return the waves of the harmonics over one step, (count, harmonics)."""
    at = np.arange(count)[:, np.newaxis] / rate
    numbers = np.arange(1, _HARMONICS + 1)
    return np.asarray(2.0 / count * np.exp(-2j * math.pi * mains * numbers * at))


def step_lines(
    low: NDArray[np.float64],
    rate: float,
    start_s: float,
    mains: tuple[int, ...],
    *,
    step: int | None = None,
) -> StepLines:
    """Follow the lines in a stretch of sound below about 800 Hz.

    Parameters
    ----------
    low : (channels, n) array
    rate : float
        Samples a second.
    start_s : float
        When the first sample is, in seconds since the take's start: phases are counted
        from there on, so that stretches join.
    step : int or None
        Samples a step; None: a tenth of a second.
    """
    count = round(STEP_S * rate) if step is None else step
    steps = low.shape[1] // count
    parts = low[:, : steps * count].reshape(len(low), steps, count)
    parts = parts - parts.mean(axis=2, keepdims=True)
    begins = start_s + np.arange(steps) * count / rate
    numbers = np.arange(1, _HARMONICS + 1)
    out = {}
    for hertz in mains:
        waves = _basis(hertz, count, rate)
        real = parts @ np.ascontiguousarray(waves.real)
        turned = real + 1j * (parts @ np.ascontiguousarray(waves.imag))
        turned = turned * np.exp(
            -2j * math.pi * hertz * begins[:, np.newaxis] * numbers
        )
        out[hertz] = turned.transpose(0, 2, 1).astype(np.complex64)
    return StepLines(out, begins, count / rate)


@dataclass(frozen=True, slots=True)
class HumStretch:
    """Where hum stands still.

    Attributes
    ----------
    first_s, last_s : float
    level : float
        RMS of its lines together, 1.0 being full scale.
    steady : float
        Share of the lines' energy in it that stands still, 0 to 1, of the strongest
        line.
    outside : float
        Amplitude before and after it, as a share of that in it; NaN if it fills all.
    """

    first_s: float
    last_s: float
    level: float
    steady: float
    outside: float


def hum_stretch(
    parts: Sequence[StepLines],
    channel: int,
    *,
    mains: int,
    harmonics: tuple[int, ...],
    from_first: bool = False,
    to_last: bool = False,
) -> HumStretch | None:
    """Find the one stretch of steps over which the lines stand still.

    Parameters
    ----------
    parts : sequence of StepLines
        In time.
    harmonics : tuple of int
        Those that were seen as lines.
    from_first, to_last : bool
        The stretch reaches up to this end.
    """
    numbers = np.array([h for h in harmonics if h <= _HARMONICS])
    begins = np.concatenate([p.begins_s for p in parts]) if parts else np.zeros(0)
    if not numbers.size or len(begins) < _SHORTEST_STEPS:
        return None
    step_s = parts[0].step_s
    whole = [p.arrows[mains][channel][numbers - 1] for p in parts]
    arrows = np.concatenate(whole, axis=1).astype(np.complex128)
    # What is not hum changes from step to step; lines in a voice's reach count less.
    noise = np.mean(np.square(np.abs(np.diff(arrows, axis=1))), axis=1) / 2.0
    size = np.sqrt(np.maximum(noise, 1e-16))[:, np.newaxis]
    best, where, lines = -1.0, (0, 0), arrows
    for off in _OFFS_HZ:
        turn = -2j * math.pi * off * numbers[:, np.newaxis] * (begins + step_s / 2)
        turned = arrows * np.exp(turn)
        score, span = _longest_sum(turned / size, from_first, to_last)
        if score > best:
            best, where, lines = score, span, turned
    first, last = where
    for _ in range(2):
        first, last = _trimmed(lines, first, last, from_first, to_last)
    inside = lines[:, first:last]
    mean = inside.mean(axis=1)
    energy = np.square(np.abs(inside)).mean(axis=1)
    top = int(_clearness(inside, mean).argmax())
    around = np.concatenate([lines[:, :first], lines[:, last:]], axis=1)
    outside = math.nan
    if around.shape[1]:
        # Against the arrow of the hum itself: it may go on, but weaker.
        along = (around[top] * np.conj(mean[top])).real.mean()
        outside = float(along / max(float(np.abs(mean[top]) ** 2), 1e-30))
    return HumStretch(
        float(begins[first]),
        float(begins[last - 1]) + step_s,
        float(math.sqrt(np.square(np.abs(mean)).sum() / 2.0)),
        float(np.abs(mean[top]) ** 2 / max(float(energy[top]), 1e-30)),
        outside,
    )


def _clearness(inside: Arrows, mean: NDArray[np.complex128]) -> NDArray[np.float64]:
    """Return how far each line stands over what turns about beside it, in power."""
    left = np.square(np.abs(inside - mean[:, np.newaxis])).mean(axis=1)
    return np.asarray(np.square(np.abs(mean)) / np.maximum(left, 1e-16), np.float64)


def _trimmed(
    lines: Arrows, first: int, last: int, from_first: bool, to_last: bool
) -> tuple[int, int]:
    """Move the ends to where the lines take on, and leave, their own height.

    Each step counts from -1 to 1: a loud word that crosses a line is one step only.
    """
    inside = lines[:, first:last]
    mean = inside.mean(axis=1)
    weight = _clearness(inside, mean)
    alike = (lines * np.conj(mean)[:, np.newaxis]).real
    alike /= np.maximum(np.square(np.abs(mean)), 1e-30)[:, np.newaxis]
    weight /= max(float(weight.sum()), 1e-30)
    votes = weight @ np.clip(alike, -0.5, 1.5) - 0.5
    summed = np.concatenate([[0.0], np.cumsum(votes)])
    steps = lines.shape[1]
    middle = (first + last) // 2
    if not from_first:
        first = int(summed[: middle + 1].argmin())
    if not to_last:
        last = middle + int(summed[middle:].argmax())
    if last - first < _SHORTEST_STEPS:
        return max(min(first, steps - _SHORTEST_STEPS), 0), min(
            first + _SHORTEST_STEPS, steps
        )
    return first, last


def _longest_sum(
    lines: Arrows, from_first: bool, to_last: bool
) -> tuple[float, tuple[int, int]]:
    """Return the stretch of steps whose arrows add up most for its length."""
    steps = lines.shape[1]
    summed = np.concatenate(
        [np.zeros((len(lines), 1)), np.cumsum(lines, axis=1)], axis=1
    )
    begin = np.arange(1 if from_first else steps)
    end = np.arange(steps, steps + 1) if to_last else np.arange(1, steps + 1)
    length = end[np.newaxis, :] - begin[:, np.newaxis]
    added = summed[:, np.newaxis, end] - summed[:, begin, np.newaxis]
    score = np.square(np.abs(added)).sum(axis=0) / np.maximum(length, 1)
    score[length < _SHORTEST_STEPS] = -1.0
    a, b = np.unravel_index(int(score.argmax()), score.shape)
    return float(score[a, b]), (int(begin[a]), int(end[b]))
