"""Flat tops that lossy coding has softened: cut-off sound in AAC and its like.

Coding puts a ripple on every flat top, so that no two samples of it are alike any
more, and a clean voice has flat half-waves of its own. What only cut-off sound has is
one level at which its half-waves pile up, whatever their width, with far fewer close
under it and next to none beyond. That is a matter of the whole take, not of a moment.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.sound.flattops import Flats
from qc.measures.parts.sound.soundpieces import Pieces, usable
from qc.records import SoundBlock

__all__ = ["Halves", "SoftTops", "loud_halves"]

Samples = NDArray[np.float32]

_LOWEST = 0.01
# Half-waves under this share of the highest of their second are not looked at.
_LOUD = 0.7
# A half-wave is flat if it is over the higher share of its top for this part of its
# width at the lower one. A sine gives 0.43, a triangle 0.2, a square 1.
_HIGH, _WIDE, _FLAT = 0.9, 0.5, 0.55
_NARROWEST_S = 4 / 24_000
# Levels are counted in steps of half a per cent, from `_LOWEST` to four times full
# scale.
_STEP = 0.005
_STEPS = int(np.log(4.0 / _LOWEST) / _STEP) + 1
# All of the following must hold. Tried on voices of 80 to 300 Hz, music and machines
# through AAC of 96 to 320 kbit/s, as they are and cut off (house choice).
_NEAR = 3  # steps: so close are the tops to their one level
_FEWEST = 20  # flat ones there
_SHARE = 0.35  # of all half-waves as high or higher
_PILE = 1.3  # as many within `_NEAR` as in the fifth under it, times this
_UNDER = (int(np.log(0.80) / _STEP), int(np.log(0.94) / _STEP))
_AS_HIGH = int(np.log(0.9) / _STEP)
_BEYOND, _BEYOND_SHARE = int(np.log(1.12) / _STEP), 0.1
# The tops of one steady tone are all as wide as each other; those of a voice are not.
_WIDTHS = 1.3
_SHOWN = 0.05  # flat tops this close to the level are shown


@dataclass(slots=True)
class _Side:
    """Half-waves on one side of zero.

    `levels` and `tops` count all loud ones, by their level and by their highest sample;
    `flat` holds the flat ones of each second as they are, and their rows.
    """

    levels: NDArray[np.int64] = field(default_factory=lambda: np.zeros(_STEPS, int))
    tops: NDArray[np.int64] = field(default_factory=lambda: np.zeros(_STEPS, int))
    flat: list[tuple[Samples, NDArray[np.int32], NDArray[np.int32]]] = field(
        default_factory=list
    )


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
        self._sides = [(_Side(), _Side()) for _ in range(channels)]

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
        for sides, line in zip(self._sides, samples, strict=True):
            if not usable(line):
                continue
            for over, halves in loud_halves(line, narrowest=narrowest):
                side = sides[0 if over else 1]
                side.levels += _counted(halves.levels)
                side.tops += _counted(halves.tops)
                flat = halves.high > 0
                middles = (halves.firsts[flat] + halves.lasts[flat]) // 2 + offset
                rows = (middles * 100 // self._rate).astype(np.int32)
                high = halves.high[flat].astype(np.int32)
                side.flat.append((halves.levels[flat], rows, high))

    def finish(self) -> list[Flats]:
        """Return what was found, channel by channel."""
        self.end()
        out = []
        for sides in self._sides:
            flats = Flats()
            for side in sides:
                _add(flats, side, self._full)
            out.append(flats)
        return out


def _counted(levels: Samples) -> NDArray[np.int64]:
    steps = np.log(np.maximum(levels, _LOWEST) / _LOWEST) / _STEP
    at = np.minimum(steps.astype(np.int64), _STEPS - 1)
    return np.bincount(at, minlength=_STEPS)


def _add(out: Flats, side: _Side, full: float) -> None:
    """Add the tops at the one level at which a side is cut off, if it is."""
    if not side.flat:
        return
    levels, rows, high = (
        np.concatenate([f[k] for f in side.flat]) for k in range(3)
    )  # fmt: skip
    at = _level(side, _counted(levels.astype(np.float32)))
    if at is None:
        return
    level = _LOWEST * np.exp((at + 0.5) * _STEP)
    near = np.abs(np.log(levels / level)) <= (_NEAR + 0.5) * _STEP
    narrow, wide = np.quantile(high[near], [0.1, 0.9])
    if wide < _WIDTHS * narrow or level >= full:
        return
    shown = np.abs(levels - level) <= _SHOWN * level
    found, which = np.unique(rows[shown], return_inverse=True)
    counts = np.bincount(which, high[shown], minlength=len(found))
    out.rows.append(found.astype(np.int64))
    out.counts.append(counts.astype(np.int64))
    out.level = max(out.level, float(level))


def _level(side: _Side, flat: NDArray[np.int64]) -> int | None:
    """Return the step at which half-waves pile up; None if they do nowhere."""
    at = np.arange(_STEPS)

    def between(counts: NDArray[np.int64], low: int, high: int) -> NDArray[np.int64]:
        """Count from `low` to `high` steps beside each step, both included."""
        summed = np.concatenate([[0], np.cumsum(counts)])
        ends = np.clip(at + high + 1, 0, _STEPS), np.clip(at + low, 0, _STEPS)
        return np.asarray(summed[ends[0]] - summed[ends[1]], np.int64)

    close = between(flat, -_NEAR, _NEAR)
    share = close / np.maximum(between(side.levels, _AS_HIGH, _STEPS), 1)
    pile = between(side.levels, -_NEAR, _NEAR)
    sure = (
        (close >= _FEWEST)
        & (share >= _SHARE)
        & (pile >= _PILE * between(side.levels, *_UNDER))
        & (between(side.tops, _BEYOND, _STEPS) <= _BEYOND_SHARE * close)
    )
    return int(np.where(sure, close, 0).argmax()) if sure.any() else None


@dataclass(frozen=True, slots=True, eq=False)
class Halves:
    """The loud half-waves on one side of zero.

    Attributes
    ----------
    firsts, lasts : (n,) arrays
        Samples, half-open.
    tops : (n,) array
        Highest magnitude.
    levels : (n,) array
        Median magnitude of the samples close to the top.
    high : (n,) array
        Samples close to the top; 0 where the half-wave is not flat.
    """

    firsts: NDArray[np.int64]
    lasts: NDArray[np.int64]
    tops: Samples
    levels: Samples
    high: NDArray[np.int64]

    def those(self, mask: NDArray[np.bool_]) -> Halves:
        """Return those of a mask."""
        return Halves(
            self.firsts[mask],
            self.lasts[mask],
            self.tops[mask],
            self.levels[mask],
            self.high[mask],
        )


def loud_halves(line: Samples, *, narrowest: int) -> Iterator[tuple[bool, Halves]]:
    """Yield the loud half-waves over zero (True), then those under it (False).

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
    highest = float(part.max()), -float(part.min())
    # Beyond any sample where nothing is loud enough.
    above, under = (np.float32(_LOUD * h if h >= _LOWEST else np.inf) for h in highest)
    loud = np.flatnonzero((part > above) | (part < -under)) + turns[0]
    if not len(loud):
        return
    which = np.searchsorted(turns, loud, side="right") - 1
    which = which[np.concatenate([[True], which[1:] != which[:-1]])]
    over = ~below[turns[which]]
    halves = _halves(line, turns[which], turns[which + 1], narrowest)
    for wanted in (True, False):
        side = over == wanted
        if side.any():
            yield wanted, halves.those(side)


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
    close = share > _HIGH
    high = np.add.reduceat(close, starts, dtype=np.int64)
    # From the first sample to the last over the lower share.
    wide = np.flatnonzero(share > _WIDE)
    left = wide[np.searchsorted(wide, starts)]
    right = wide[np.searchsorted(wide, starts + lengths) - 1]
    width = right - left + 1
    flat = (high > _FLAT * width) & (width >= narrowest)
    # Each has one close to its top at least: the top itself.
    owner = np.repeat(np.arange(len(starts), dtype=np.float64), lengths)[close]
    # Shares lie between 0 and 1: one sort by owner and share.
    ordered = np.sort(owner + share[close] / 2)
    middles = np.cumsum(high) - high + high // 2
    levels = (ordered[middles] - np.arange(len(starts))) * 2 * tops
    return Halves(
        firsts, lasts, tops, levels.astype(np.float32), np.where(flat, high, 0)
    )
