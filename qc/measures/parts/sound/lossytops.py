"""Flat tops that lossy coding has softened: cut-off sound in AAC and its like.

Coding puts a ripple on every flat top, so that no two samples of it are alike any
more. What stays is its shape, a half-wave that is nearly as high over most of its
width, and that many of them reach one and the same level, which hardly any goes beyond.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.sound.flattops import Flats
from qc.measures.parts.sound.soundpieces import Pieces, usable
from qc.records import SoundBlock

__all__ = ["Halves", "SoftTops", "flat_halves"]

Samples = NDArray[np.float32]

_LOWEST = 0.01
# Only the loudest half-waves of a second can be cut off.
_LOUD = 0.8
# A half-wave is flat if it is over the higher share of its top for this part of its
# width at the lower one. A sine gives 0.43, a triangle 0.2, a square 1.
_HIGH, _WIDE, _FLAT = 0.9, 0.5, 0.55
_NARROWEST_S = 4 / 24_000
# All of the following: tried on voices, music and motors through AAC of 128 to 320
# kbit/s, as they are and cut off.
_TIGHT = 0.07  # tops of one second are this close to their middle
_FEWEST = 3  # in one second, to be looked at
_LEAST, _SHARE = 6, 0.3  # flat ones of all as high, in one second
_ALIKE, _LEAST_ALL = 0.1, 10  # seconds agree on the level; tops in the take


@dataclass(frozen=True, slots=True, eq=False)
class _Second:
    """Flat half-waves on one side of zero in one second."""

    tops: int
    share: float
    level: float
    rows: NDArray[np.int64]
    counts: NDArray[np.int64]


class SoftTops:
    """Finds flat tops under full scale in one track of lossy sound.

    Parameters
    ----------
    channels, sample_rate : int
    full : float
        From this magnitude on it is clipping at full scale and counted elsewhere.
    """

    def __init__(self, channels: int, sample_rate: int, *, full: float) -> None:
        self._rate, self._full = sample_rate, full
        self._pieces = Pieces(channels, length=sample_rate, before=0, after=0)
        self._found: list[list[_Second]] = [[] for _ in range(channels)]

    def feed(self, block: SoundBlock) -> None:
        """Take in a block; call `end` before one behind a gap."""
        for piece in self._pieces.feed(block):
            self._look(piece.samples, piece.start - piece.first)

    def end(self) -> None:
        """Take in what was held back, at a gap or the track's end."""
        for piece in self._pieces.end():
            self._look(piece.samples, piece.start - piece.first)

    def _look(self, samples: Samples, offset: int) -> None:
        narrowest = max(round(_NARROWEST_S * self._rate), 4)
        for channel, line in enumerate(samples):
            if not usable(line):
                continue
            for halves in flat_halves(line, narrowest=narrowest):
                second = _second(halves, offset, self._rate)
                if second is not None and second.level < self._full:
                    self._found[channel].append(second)

    def finish(self) -> list[Flats]:
        """Return what was found, channel by channel."""
        self.end()
        return [_agreed(found) for found in self._found]


def _agreed(found: list[_Second]) -> Flats:
    """Return the tops at the one level at which a channel is cut off, if it is."""
    out = Flats()
    sure = [s.level for s in found if s.tops >= _LEAST and s.share >= _SHARE]
    if not sure:
        return out
    level = float(np.median(sure))
    own = [s for s in found if abs(s.level - level) <= _ALIKE * level]
    if sum(s.tops for s in own) < _LEAST_ALL:
        return out
    out.rows, out.counts = [s.rows for s in own], [s.counts for s in own]
    out.level = level
    return out


def _second(halves: Halves, offset: int, rate: int) -> _Second | None:
    """Return the flat half-waves on one side of zero; None if there are too few."""
    flat = halves.high > 0
    if np.count_nonzero(flat) < _FEWEST:
        return None
    level = float(np.median(halves.tops[flat]))
    near = flat & (np.abs(halves.tops - level) <= _TIGHT * level)
    as_high = int(np.count_nonzero(halves.tops > (1.0 - _TIGHT) * level))
    middles = (halves.firsts[near] + halves.lasts[near]) // 2 + offset
    rows, at = np.unique(middles * 100 // rate, return_inverse=True)
    counts = np.bincount(at, halves.high[near], minlength=len(rows)).astype(np.int64)
    count = int(np.count_nonzero(near))
    return _Second(count, count / max(as_high, 1), level, rows, counts)


@dataclass(frozen=True, slots=True, eq=False)
class Halves:
    """The loud half-waves on one side of zero.

    Attributes
    ----------
    firsts, lasts : (n,) arrays
        Samples, half-open.
    tops : (n,) array
        Highest magnitude.
    high : (n,) array
        Samples close to the top; 0 where the half-wave is not flat.
    """

    firsts: NDArray[np.int64]
    lasts: NDArray[np.int64]
    tops: Samples
    high: NDArray[np.int64]


def flat_halves(line: Samples, *, narrowest: int) -> Iterator[Halves]:
    """Yield the loud half-waves over zero, then those under it.

    Parameters
    ----------
    line : (n,) array
    narrowest : int
        Samples at half its height from which on a half-wave may be flat.
    """
    below = np.signbit(line)
    turns = np.flatnonzero(below[1:] != below[:-1]) + 1
    if len(turns) < 3:
        return
    part = line[turns[0] : turns[-1]]
    for over in (True, False):
        highest = float(part.max()) if over else -float(part.min())
        if highest < _LOWEST:
            continue
        level = np.float32(_LOUD * highest)
        loud = np.flatnonzero(part > level if over else part < -level) + turns[0]
        which = np.searchsorted(turns, loud, side="right") - 1
        which = which[np.concatenate([[True], which[1:] != which[:-1]])]
        firsts, lasts = turns[which], turns[which + 1]
        if np.count_nonzero(lasts - firsts >= narrowest) >= _FEWEST:
            yield _halves(line, firsts, lasts, narrowest)


def _halves(
    line: Samples,
    firsts: NDArray[np.int64],
    lasts: NDArray[np.int64],
    narrowest: int,
) -> Halves:
    lengths = lasts - firsts
    starts = np.cumsum(lengths) - lengths
    at = np.arange(int(lengths.sum())) + np.repeat(firsts - starts, lengths)
    magnitude = np.abs(line[at])
    tops = np.maximum.reduceat(magnitude, starts)
    share = magnitude / np.repeat(tops, lengths)
    high = np.add.reduceat(share > _HIGH, starts, dtype=np.int64)
    # From the first sample to the last over the lower share.
    wide = np.flatnonzero(share > _WIDE)
    left = wide[np.searchsorted(wide, starts)]
    right = wide[np.searchsorted(wide, starts + lengths) - 1]
    width = right - left + 1
    flat = (high > _FLAT * width) & (width >= narrowest)
    return Halves(firsts, lasts, tops, np.where(flat, high, 0))
