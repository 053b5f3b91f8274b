"""Flat tops: sound that was cut off first and turned down afterwards.

Tops that slope, behind a low cut, and tops that the filter of a converter has rippled
are read in `tilttops`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.sound.soundbreaks import quantum
from qc.measures.parts.sound.soundpieces import Piece, Pieces, usable
from qc.measures.parts.sound.tilttops import Slope, SlopingTops
from qc.records import SoundBlock

__all__ = ["FlatTops", "Flats"]

Samples = NDArray[np.float32]

# Dither moves a flat top by two steps of 16 bits, rounding by one.
_TOLERANCE = 3.0 / 32768
_SHORTEST = 3
# In one second so many tops with so many samples, all at the highest level that the
# sound reaches on that side, are no chance. Once that level is known one top will do.
_TOPS, _TOP_SAMPLES = 3, 10
_LOWEST = 0.01  # quieter, the steps of 16 bits are too coarse
_SQUARE_SHARE = 0.5
_RAIL = 1.5


@dataclass(slots=True)
class Flats:
    """Flat-topped samples of one channel.

    Attributes
    ----------
    rows : list of arrays
        Hundredths since the take's start, in which they lie.
    counts : list of arrays
        How many, for each row.
    level : float
        Where the sound is cut off, the higher of the two sides; 1.0 is full scale.
    low_cut_hz : float
        Corner of a low cut behind which tops slope; 0 where they are flat.
    """

    rows: list[NDArray[np.int64]] = field(default_factory=list)
    counts: list[NDArray[np.int64]] = field(default_factory=list)
    level: float = 0.0
    low_cut_hz: float = 0.0

    def over(self, first_row: int, rows: int) -> NDArray[np.int64]:
        """Return the samples in each of `rows` rows from `first_row` on."""
        out = np.zeros(rows, np.int64)
        for at, count in zip(self.rows, self.counts, strict=True):
            inside = (at >= first_row) & (at < first_row + rows)
            np.add.at(out, at[inside] - first_row, count[inside])
        return out


@dataclass(frozen=True, slots=True, eq=False)
class _Tops:
    """Sharp-edged flat tops of one side in one piece."""

    level: float  # signed
    rows: NDArray[np.int64]
    counts: NDArray[np.int64]
    sure: bool


class FlatTops:
    """Finds flat tops under full scale in one track.

    A top is flat when three or more samples one after another lie within three steps
    of 16 bits of the highest sample of a second, on one side of zero, and the sound
    leaves them twice as fast as a smooth (parabolic) peak that flat could.

    Parameters
    ----------
    full : float
        From this magnitude on it is clipping at full scale and counted elsewhere.
    """

    def __init__(self, channels: int, sample_rate: int, *, full: float) -> None:
        self._rate, self._full = sample_rate, full
        self._pieces = Pieces(channels, length=sample_rate, before=64, after=64)
        self._found: list[list[_Tops]] = [[] for _ in range(channels)]
        self._sloping = [SlopingTops(sample_rate, full) for _ in range(channels)]

    def feed(self, block: SoundBlock) -> None:
        """Take in a block; call `end` before one behind a gap."""
        for piece in self._pieces.feed(block):
            self._look(piece)

    def end(self) -> None:
        """Take in what was held back, at a gap or the track's end."""
        for piece in self._pieces.end():
            self._look(piece)

    def _look(self, piece: Piece) -> None:
        offset = piece.start - piece.first
        for channel, line in enumerate(piece.samples):
            if not usable(line):
                continue
            self._sloping[channel].look(
                line, start=piece.start, first=piece.first, last=piece.last
            )
            both = [self._side(line, side) for side in (1.0, -1.0)]
            levels = [level for level, _ in both]
            # The same level on either side is one limit.
            alike = abs(levels[0] + levels[1]) <= 2 * _TOLERANCE
            together = _is_sure([t for _, tops in both for t in tops])
            for level, tops in both:
                if tops:
                    places = np.concatenate([np.arange(a, b) for a, b in tops]) + offset
                    rows, counts = np.unique(
                        places * 100 // self._rate, return_counts=True
                    )
                    sure = _is_sure(tops) or (alike and together)
                    self._found[channel].append(
                        _Tops(level, rows, counts.astype(np.int64), sure)
                    )

    def _side(self, line: Samples, side: float) -> tuple[float, list[tuple[int, int]]]:
        """Return the highest level on one side of zero, and its flat tops."""
        # Sound may lie on one side only: its valleys are no tops of the other.
        top = float(line.max()) if side > 0 else -float(line.min())
        if not _LOWEST <= top < self._full:
            return side * top, []
        level = np.float32(side * (top - _TOLERANCE))
        at = np.flatnonzero(line >= level if side > 0 else line <= level)
        if len(at) < _SHORTEST or len(at) > _SQUARE_SHARE * len(line):
            return side * top, []
        tops = list(_runs(at))
        if tops:
            step = max(quantum(line), _TOLERANCE)
            tops = list(_sharp(line, tops, side * top, step))
        return side * top, tops

    def finish(self) -> list[Flats]:
        """Return what was found, channel by channel."""
        self.end()
        out = []
        for found, sloping in zip(self._found, self._sloping, strict=True):
            levels = np.array([t.level for t in found if t.sure])
            flats = Flats()
            for tops in found:
                near = np.abs(levels - tops.level) <= 2 * _TOLERANCE
                if levels.size and near.any():
                    flats.rows.append(tops.rows)
                    flats.counts.append(tops.counts)
                    flats.level = max(flats.level, abs(tops.level))
            self._add(flats, sloping.finish())
            out.append(flats)
        return out

    def _add(self, flats: Flats, slope: Slope | None) -> None:
        """Add tops that slope, or are not flat to the step, where none are known."""
        if slope is None:
            return
        known = np.unique(np.concatenate([*flats.rows, np.zeros(0, np.int64)]))
        rows = slope.first * 100 // self._rate
        fresh = ~np.isin(rows, known)
        if 2 * np.count_nonzero(fresh) < len(rows):
            return
        at, where = np.unique(rows[fresh], return_inverse=True)
        flats.rows.append(at)
        flats.counts.append(
            np.bincount(where, slope.length[fresh]).round().astype(np.int64)
        )
        flats.level, flats.low_cut_hz = slope.level, slope.hertz


def _is_sure(tops: list[tuple[int, int]]) -> bool:
    return len(tops) >= _TOPS and sum(b - a for a, b in tops) >= _TOP_SAMPLES


def _runs(at: NDArray[np.intp]) -> Iterator[tuple[int, int]]:
    """Yield runs of places that follow one another, long enough to be a top."""
    breaks = np.flatnonzero(np.diff(at) > 1)
    firsts = at[np.concatenate([[0], breaks + 1])]
    lasts = at[np.concatenate([breaks, [len(at) - 1]])] + 1
    long = lasts - firsts >= _SHORTEST
    yield from zip(firsts[long].tolist(), lasts[long].tolist(), strict=True)


def _sharp(
    line: Samples, tops: list[tuple[int, int]], top: float, step: float
) -> Iterator[tuple[int, int]]:
    """Yield the tops that sound leaves too fast for a smooth peak; none of a square.

    A parabola that stays within `step` over L samples has fallen by ``step * ((L + 3)
    / (L - 1))**2`` two samples beyond them.
    """
    kept, rails = [], 0
    for first, last in tops:
        if first < 2 or last + 1 >= len(line):
            continue
        length = last - first
        falls = abs(top - float(line[first - 2])), abs(top - float(line[last + 1]))
        rails += min(falls) > _RAIL * abs(top)
        smooth = step * ((length + 3) / (length - 1)) ** 2
        if sum(falls) / 2 > 2.0 * smooth and min(falls) > smooth:
            kept.append((first, last))
    if 2 * rails <= len(tops):
        yield from kept
