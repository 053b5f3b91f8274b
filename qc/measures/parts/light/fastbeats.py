"""Beats of two a second and more: what counts as one, in frames or in fields."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc.measures.base import Measured
from qc.measures.parts.light.lightwaves import Wave, levels, strongest_wave
from qc.measures.parts.light.mains import percent_of_stops, pointed_to

__all__ = [
    "LOW_HZ",
    "RESOLUTION_HZ",
    "SEEN",
    "UNKNOWN_HZ",
    "WINDOW_S",
    "Beat",
    "by_coder",
    "fast_beat",
    "known_levels",
    "rate_of",
]

Array = NDArray[np.float64]

WINDOW_S = 3.0
RESOLUTION_HZ = 0.25 / WINDOW_S
"""How well a frequency is known: a quarter of a window's resolution."""
# Slower is breathing, a pulse, a hand, automatic exposure.
LOW_HZ = 2.0
UNKNOWN_HZ = 3.0
"""Under this a beat counts only where the mains would put it, or if it is steady."""
# How far a wave must stand out, how sharp it must be, how much of all strips' light it
# must explain (house choices, held against moving pictures and noise).
_CLEAR = 6.0
_NARROW = 0.5
_EXPLAINED = 0.6
# A wave this many times the surroundings would have been seen.
SEEN = 4.0
_STRIP_KNOWN = 0.9
# Without the steps at its key frames, what a coder does loses most of its beat. It is
# never this strong: a few codes from the top to the bottom of a step. A coder may set
# key frames where a strong beat makes the picture jump.
_GROUP_KEEPS = 0.7
_GROUP_PERCENT = 4.0


@dataclass(frozen=True, slots=True)
class Beat:
    """What a window holds: a wave that counts, or what could have been seen."""

    wave: Wave | None
    floor_percent: float


def rate_of(measured: Measured, times: Array | None = None) -> float:
    """Return frames a second: the declared rate, unless the frames' times differ."""
    video = measured.info.video
    declared = float(video.frame_rate) if video is not None else math.nan
    if times is None or len(times) < 2 or times[-1] <= times[0]:
        return declared
    # The median: a frame held long does not slow the others down.
    real = 1.0 / float(np.median(np.diff(times)))
    return declared if abs(real / declared - 1.0) < 0.002 else real


def known_levels(changes: NDArray[np.float32]) -> Array:
    """Return strips' levels; NaN throughout where a strip is known too little."""
    level = levels(changes)
    known = np.isfinite(changes[1:]).mean(axis=0) >= _STRIP_KNOWN
    level[:, ~known] = np.nan
    return level


def fast_beat(
    changes: NDArray[np.float32],
    times: Array,
    keys: NDArray[np.bool_],
    rate: float,
    high_hz: float = math.inf,
) -> Beat | None:
    """Look for a beat of at least two a second.

    Parameters
    ----------
    changes : (n, STRIPS) array
        Stops since the picture before.
    times : (n,) array
        Seconds.
    keys : (n,) array of bool
        Key frames.
    rate : float
        Pictures a second: frames, or fields.
    high_hz : float
        Where looking ends, not beyond half the rate.
    """
    level, high_hz = known_levels(changes), min(high_hz, rate / 2)
    wave = strongest_wave(level, times, low_hz=LOW_HZ, high_hz=high_hz)
    if wave is None:
        return None
    counts = (
        wave.clear >= _CLEAR
        and wave.narrow <= _NARROW
        and wave.explained >= _EXPLAINED
        and (
            wave.hertz >= UNKNOWN_HZ
            or bool(pointed_to(wave.hertz, rate=rate, resolution_hz=RESOLUTION_HZ))
        )
        and not by_coder(wave, changes, times, keys)
    )
    floor = percent_of_stops(SEEN * wave.floor_stops)
    return Beat(wave if counts else None, floor)


def by_coder(
    wave: Wave,
    changes: NDArray[np.float32],
    times: Array,
    keys: NDArray[np.bool_],
) -> bool:
    """Return whether the beat comes from steps at the coder's key frames."""
    at = np.flatnonzero(keys)
    if percent_of_stops(wave.stops) >= _GROUP_PERCENT:
        return False
    if len(at) < 2 or len(at) > len(keys) // 2:
        return False
    smooth = changes.copy()
    smooth[at] = np.nan
    others = np.isfinite(smooth).sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        smooth[at] = np.where(others > 0, np.nansum(smooth, axis=0) / others, np.nan)
    near = 0.5 / float(times[-1] - times[0])
    level = levels(smooth)
    level[:, ~np.isfinite(changes[1:]).any(axis=0)] = np.nan
    left = strongest_wave(
        level,
        times,
        low_hz=max(wave.hertz - 2 * near, near),
        high_hz=wave.hertz + 2 * near,
    )
    return left is not None and left.stops < _GROUP_KEEPS * wave.stops
