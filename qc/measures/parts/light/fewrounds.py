"""Light that goes up and down as lamps on the mains would have it, but too few times.

Under 60 Hz mains at 59.94 frames a second a round takes 8.3 s. Until two and a half of
them are seen it may as well be an iris, a dimmer or a cloud: it is no finding, but what
was seen is said.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.light.lightwaves import STRIPS
from qc.measures.parts.light.mains import percent_of_stops

__all__ = ["FewRounds", "few_rounds"]

Array = NDArray[np.float64]

# So much of a round shows that it goes up and down, not only up (house choice).
_LEAST_ROUNDS = 1.2
_OFF_HZ, _STEP_HZ = 0.05, 0.01
_KNOWN = 0.9
# What the swing must explain of all that the light does, and the share of the strips'
# swings that must be common to them (house choices).
_EXPLAINED, _TOGETHER = 0.8, 0.7


@dataclass(frozen=True, slots=True)
class FewRounds:
    """A swing of the whole picture's light.

    Attributes
    ----------
    hertz : float
    rounds : float
        Seen in this shot.
    percent : float
        Percent flicker, as of the measure.
    """

    hertz: float
    rounds: float
    percent: float


def few_rounds(
    changes: NDArray[np.floating], times: Array, *, beat: float, most: float
) -> FewRounds | None:
    """Look for a slow swing of all strips together near a frequency.

    Parameters
    ----------
    changes : (n, STRIPS) array
        Stops since the frame before, within one shot; NaN where not known.
    times : (n,) array
        Seconds.
    beat : float
        Where lamps on the mains would beat, Hz.
    most : float
        Rounds from which on it is looked for like any flicker.

    Returns
    -------
    FewRounds or None

    Notes
    -----
    Least squares of each strip's level on a cosine and a sine. A straight line is not
    taken off: what an iris does at once would look like a round of a saw.
    """
    since = np.asarray(times - times[0], np.float64)
    length = float(since[-1])
    if not _LEAST_ROUNDS <= beat * length < most:
        return None
    known = np.isfinite(changes[1:]).mean(axis=0) >= _KNOWN
    if known.sum() < STRIPS // 3:
        return None
    steps = np.nan_to_num(np.asarray(changes[:, known], np.float64))
    steps[0] = 0.0
    level = np.cumsum(steps, axis=0)
    level -= level.mean(axis=0)
    whole = level.mean(axis=1)
    total = float(whole @ whole)
    best: tuple[float, float, NDArray[np.complex128]] | None = None
    for hertz in np.arange(beat - _OFF_HZ, beat + _OFF_HZ + 1e-9, _STEP_HZ).tolist():
        if not _LEAST_ROUNDS <= hertz * length < most:
            continue
        turn = 2 * np.pi * hertz * since
        waves = np.stack([np.cos(turn), np.sin(turn)], axis=1)
        waves -= waves.mean(axis=0)
        swings = np.linalg.lstsq(waves, level, rcond=None)[0]
        left = whole - waves @ swings.mean(axis=1)
        explained = 1.0 - float(left @ left) / total if total > 0 else 0.0
        if best is None or explained > best[0]:
            best = explained, hertz, swings[0] + 1j * swings[1]
    if best is None or best[0] < _EXPLAINED:
        return None
    _, hertz, each = best
    common = abs(each.mean())
    if common**2 < _TOGETHER * float(np.mean(np.abs(each) ** 2)):
        return None
    return FewRounds(hertz, hertz * length, percent_of_stops(float(common)))
