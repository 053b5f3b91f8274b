"""How levels swing where speech is told: as syllables do, as strings, or as clapping.

What stands over the quiet moments is told as speech by its level alone. Plucked or
struck notes fade into each other and swing little; people who clap swing as fast as
syllables, without the slower swings of words and sentences.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

__all__ = ["Swings", "swing_of"]

Array = NDArray[np.float64]

# Hundredths of a second; a window with less speech than this is not looked at.
_WINDOW, _HOP, _LEAST = 400, 200, 100
_RANGE_DB = 40.0
_FAST_HZ = (2.5, 8.0)


def swing_of(level_db: Array) -> tuple[float, float]:
    """Return by how much a level swings, and the share of that in 2.5 to 8 Hz.

    Parameters
    ----------
    level_db : (rows,) array
        Of hundredths of a second.

    Returns
    -------
    float
        Standard deviation in dB.
    float
        Of the power of all swings (Hann); NaN where there are none.

    Examples
    --------
    >>> at = np.arange(400) / 100
    >>> swing, share = swing_of(-20 + 5 * np.sin(2 * np.pi * 4 * at))
    >>> round(swing, 2), round(share, 2)
    (3.54, 1.0)
    """
    level = np.maximum(level_db, level_db.max() - _RANGE_DB)
    level = level - level.mean()
    power = np.square(np.abs(np.fft.rfft(level * np.hanning(len(level)))))
    hertz = np.fft.rfftfreq(len(level), 0.01)
    fast = (hertz >= _FAST_HZ[0]) & (hertz < _FAST_HZ[1])
    total = float(power.sum())
    return float(level.std()), float(power[fast].sum()) / total if total else math.nan


class Swings:
    """Gathers the swings of one track's channels, over windows of four seconds."""

    def __init__(self, channels: int) -> None:
        self._found: list[list[tuple[float, float]]] = [[] for _ in range(channels)]
        self.reset()

    def reset(self) -> None:
        """Forget what went before: what follows does not join on."""
        empty = np.zeros((len(self._found), 0))
        self._level, self._speech = empty, empty.astype(bool)

    def feed(self, level: Array, speech: NDArray[np.bool_]) -> None:
        """Take in powers in the band of speech, and where speech is told.

        Parameters
        ----------
        level, speech : (channels, rows) arrays
        """
        self._level = np.concatenate([self._level, level], axis=1)
        self._speech = np.concatenate([self._speech, speech], axis=1)
        while self._level.shape[1] >= _WINDOW:
            spoken = np.count_nonzero(self._speech[:, :_WINDOW], axis=1)
            for channel in np.flatnonzero(spoken >= _LEAST):
                part = self._level[channel, :_WINDOW]
                decibels = 10.0 * np.log10(np.maximum(part, 1e-20))
                self._found[channel].append(swing_of(decibels))
            self._level = self._level[:, _HOP:]
            self._speech = self._speech[:, _HOP:]

    def finish(self) -> tuple[list[float], list[float]]:
        """Return the usual swing and share of each channel; NaN where none is known."""
        both = [
            np.median(found, axis=0) if found else np.full(2, math.nan)
            for found in self._found
        ]
        return [float(b[0]) for b in both], [float(b[1]) for b in both]
