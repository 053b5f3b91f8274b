"""Speech that falls in level within a take and stays down: a gain that was changed.

A level of speech needs long stretches to be judged by itself. Against the speech of the
same channel before, a few seconds will do, if the noise between words falls with it: a
speaker who turns away takes his voice along and leaves the noise of the room.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.sound.soundlines import ROWS_PER_SECOND
from qc.measures.parts.sound.speechmeter import activity

__all__ = ["Fall", "speech_fall"]

_STEP_ROWS = 10
_LOWEST_DBFS = -100.0
# The noise must fall by this much, unless there is this much speech behind the fall.
_NOISE_DB, _LONG_S = 6.0, 10.0
_FLOOR_PERCENT = 5.0
# No second behind the fall may come back to within this of the speech before it.
_STAYS_DB = 6.0


@dataclass(frozen=True, slots=True)
class Fall:
    """Where speech falls, and its RMS levels before and after in dBFS, and the noise's.

    Attributes
    ----------
    row : int
    """

    row: int
    before: float
    after: float
    noise: float


def speech_fall(
    rms_dbfs: NDArray[np.floating], *, least_db: float, least_s: float
) -> Fall | None:
    """Return where the speech of a channel falls for the rest of the take.

    Parameters
    ----------
    rms_dbfs : (rows,) array
        Of hundredths of a second; NaN where not measured.
    least_db : float
        By how much it falls at least.
    least_s : float
        Seconds of speech that there must be before and after.
    """
    level = np.maximum(np.nan_to_num(rms_dbfs, nan=_LOWEST_DBFS), _LOWEST_DBFS)
    level = level.astype(np.float64)
    edge = round(least_s * ROWS_PER_SECOND)
    if len(level) < 2 * edge:
        return None
    row = _turn(level, edge)
    power = 10.0 ** (level / 10.0)
    before, spoken_before, noise_before, _ = _spoken(power[:row])
    after, spoken_after, noise_after, loudest = _spoken(power[row:])
    if min(spoken_before, spoken_after) < least_s or before - after < least_db:
        return None
    falls = noise_before - noise_after >= _NOISE_DB
    if loudest > before - _STAYS_DB or not (falls or spoken_after >= _LONG_S):
        return None
    return Fall(row, before, after, noise_after)


def _turn(level: NDArray[np.float64], edge: int) -> int:
    """Return the row that parts the levels into two most unlike halves."""
    n = len(level)
    summed = np.cumsum(level)[:-1]
    count = np.arange(1, n)
    gap = summed / count - (summed[-1] + level[-1] - summed) / (n - count)
    between = np.where(gap > 0, gap**2 * count * (n - count), 0.0)
    return int(between[edge - 1 : n - edge].argmax()) + edge


def _spoken(power: NDArray[np.float64]) -> tuple[float, float, float, float]:
    """Return level and seconds of speech, level of noise and of the loudest second."""
    told = activity(power[np.newaxis])
    speech = told.speech[0]
    seconds = np.count_nonzero(speech) / ROWS_PER_SECOND
    steps = power[: len(power) // _STEP_ROWS * _STEP_ROWS]
    tenths = steps.reshape(-1, _STEP_ROWS).mean(axis=1)
    second = np.convolve(tenths, np.full(10, 0.1), "valid")
    return (
        _decibels(float(power[speech].mean())) if seconds else -math.inf,
        seconds,
        _decibels(float(np.percentile(tenths, _FLOOR_PERCENT))),
        _decibels(float(second.max())),
    )


def _decibels(power: float) -> float:
    return 10.0 * math.log10(max(power, 1e-20))
