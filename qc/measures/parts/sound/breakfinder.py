"""Finds the breaks in every channel of one sound track, block by block."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.sound.lossyholes import soft_holes
from qc.measures.parts.sound.mutes import Dip
from qc.measures.parts.sound.soundbreaks import (
    AROUND,
    Break,
    Roughness,
    cell_samples,
    flat_top,
    holes,
    keyed,
    quantum,
    roughness,
    spikes,
    stuck,
)
from qc.measures.parts.sound.soundpieces import Piece, Pieces, usable
from qc.measures.parts.sound.soundrepeats import RepeatFinder
from qc.records import SoundBlock
from qc.spans import Span

__all__ = ["LOWEST_CLICK_RATE", "BreakFinder", "without_edges"]

LOWEST_CLICK_RATE = 16_000
"""Below this sample rate a voice's own pulses are as short as clicks."""

_PIECE_CELLS = 1000
_BEFORE_CELLS = 250  # what a repeated block and its copies may fill
_LONGEST_HOLE, _LONGEST_BLOCK = 100, 100  # ms
_SHORTEST_BLOCK = 5  # ms
_SHORTEST_HOLE = 3  # ms
_HOLE_DEPTH = 1 / 20
_HOLE_ROUGHNESS = 1e-4
# Tried with AAC at 192 kbit/s: an edge is spread over up to five milliseconds.
_SMEAR = 5
# What falls so far within two milliseconds, and is back as fast, may be a hole: the
# noise of the room tells, once it is known.
_DIP_DEPTH, _DIP_REACH, _DIP_EDGE = 1 / 10, 8, 2
_QUANTA = 16.0  # in coarse steps quiet sound has such holes by itself
# Spikes that follow each other evenly up to this far apart are a voice's pulses.
_PULSES = 25  # ms
_EVEN = 0.25
_AFTER_CELLS = _LONGEST_HOLE + 10
_MOST_DIPS = 5_000
_HELD_CELLS, _OFF_TIMES = 20, 3.0
# One event has several signs: the edges of a gap are jumps as well.
_APART = 5  # ms


@dataclass(slots=True)
class _Open:
    """A stretch of samples that stand still, its end not seen yet."""

    first: int
    met: bool
    height: float


class BreakFinder:
    """Finds clicks, jumps, stuck and missing samples and repeated blocks in a track.

    Parameters
    ----------
    shortest, longest : float
        Seconds that samples stand still to be told; longer is silence.
    edge_level, click_level : float
        RMS of the sound at the edges, height of a click; 1.0 is full scale.
    lossy : bool
        Lossy coding has spread edges over a few milliseconds.
    """

    def __init__(
        self,
        channels: int,
        sample_rate: int,
        *,
        shortest: float,
        longest: float,
        edge_level: float,
        click_level: float,
        lossy: bool = False,
    ) -> None:
        cell = self._cell = cell_samples(sample_rate)
        self._shortest = max(round(shortest * sample_rate), 8)
        self._longest = round(longest * sample_rate)
        self._lossy = lossy
        self._spikes = sample_rate >= LOWEST_CLICK_RATE
        self._edge_level, self._click_level = edge_level, click_level
        self._pieces = Pieces(
            channels,
            length=_PIECE_CELLS * cell,
            before=_BEFORE_CELLS * cell,
            after=_AFTER_CELLS * cell,
        )
        self._repeats = [
            RepeatFinder(shortest=_SHORTEST_BLOCK * cell, longest=_LONGEST_BLOCK * cell)
            for _ in range(channels)
        ]
        self._open: list[_Open | None] = [None] * channels
        self.dips: list[Dip] = []
        """Short falls of the level in sound that keeps its samples."""

    def feed(self, block: SoundBlock) -> Iterator[tuple[int, Break]]:
        """Yield channel index and break, in samples of the track's clock."""
        for piece in self._pieces.feed(block):
            yield from self._read(piece)

    def end(self) -> Iterator[tuple[int, Break]]:
        """Yield what was held back, at a gap or the track's end."""
        for piece in self._pieces.end():
            yield from self._read(piece)
        self._open = [None] * len(self._open)
        for finder in self._repeats:
            finder.reset()

    def _read(self, piece: Piece) -> Iterator[tuple[int, Break]]:
        for channel, line in enumerate(piece.samples):
            if not usable(line):
                self._open[channel] = None
                self._repeats[channel].reset()
                continue
            for one in self._breaks(channel, line, piece):
                yield channel, one

    def _breaks(
        self, channel: int, line: NDArray[np.float32], piece: Piece
    ) -> Iterator[Break]:
        cell, offset = self._cell, piece.start - piece.first
        for repeat in self._repeats[channel].feed(
            line, piece.start, piece.first, piece.last
        ):
            begin = repeat.first - offset
            level = _level(line[max(begin, 0) : begin + repeat.length])
            if level > self._edge_level:
                again = repeat.first + repeat.length
                yield Break("repeat", again, repeat.last, level)
        begin = max(piece.first - AROUND * cell, 0)
        near = line[begin : piece.last + _AFTER_CELLS * cell]
        first, last = piece.first - begin, piece.last - begin
        offset += begin
        yield from self._stuck(channel, near[: last + AROUND * cell], piece, offset)
        rough = roughness(near, cell)
        found: list[Break] = []
        if self._spikes:
            level = self._click_level
            found += spikes(near, rough, lowest=level, lossy=self._lossy)
        for spike in _without_pulses(found, longest=_PULSES * cell):
            if first <= spike.first < last and not keyed(
                near, spike.first, spike.last, cell
            ):
                yield _moved(spike, offset)
        found_holes = self._holes(near, rough)
        if not self._lossy and len(self.dips) < _MOST_DIPS:
            self._dip(channel, near, (first, last), offset)
        for a, b in found_holes:
            if first <= a * cell < last and not flat_top(
                near, a * cell, b * cell, cell
            ):
                level = self._level_beside(near, a, b)
                if level > max(self._edge_level, _QUANTA * quantum(near)):
                    yield Break("hole", offset + a * cell, offset + b * cell, level)

    def _holes(self, near: NDArray[np.float32], rough: Roughness) -> list[Span]:
        """Return holes of a line in cells, in order."""
        edge = _SMEAR if self._lossy else 2
        found = holes(
            rough,
            depth=_HOLE_DEPTH,
            shortest=_SHORTEST_HOLE,
            longest=_LONGEST_HOLE,
            lowest=_HOLE_ROUGHNESS,
            edge=edge,
        )
        out = [(a, b) for a, b, _ in found]
        if self._lossy:
            soft = soft_holes(near, self._cell, longest=_LONGEST_HOLE)
            out += [
                (a, b)
                for a, b in soft
                if not any(
                    a <= last + edge and first <= b + edge for first, last in out
                )
            ]
        return sorted(out)

    def _dip(
        self, channel: int, near: NDArray[np.float32], proper: Span, offset: int
    ) -> None:
        """Keep where the level falls away and is back at once."""
        cell = self._cell
        part = near[: len(near) // cell * cell].reshape(-1, cell)
        level = np.sqrt(np.einsum("ij,ij->i", part, part) / np.float32(cell))
        for a, b in _dips(level, self._edge_level):
            if proper[0] <= a * cell < proper[1]:
                left = float(level[a:b].max())
                beside = self._level_beside(near, a, b)
                span = offset + a * cell, offset + b * cell
                self.dips.append((channel, *span, beside, left))

    def _level_beside(self, near: NDArray[np.float32], first: int, last: int) -> float:
        """Return the level of the quieter side of a hole, its edges left out."""
        cell, edge = self._cell, _SMEAR if self._lossy else 2
        sides = (
            near[max(first - edge - 5, 0) * cell : max(first - edge, 0) * cell],
            near[(last + edge) * cell :],
        )
        return min(_level(s[: 5 * cell]) for s in sides)

    def _stuck(
        self, channel: int, line: NDArray[np.float32], piece: Piece, offset: int
    ) -> Iterator[Break]:
        """Yield stretches that end in this piece; remember one that goes on."""
        end = piece.start + piece.last - piece.first
        found = stuck(
            line,
            self._cell,
            shortest=self._shortest,
            edge_level=self._edge_level,
            smear=_SMEAR if self._lossy else 0,
        )
        for one, met_before, met_after in found:
            first, last = one.first + offset, one.last + offset
            height = one.height
            goes_on = one.first == 0
            begun = self._open[channel] if goes_on else None
            if begun is not None:
                first, met_before = begun.first, begun.met
                height = max(height, begun.height)
            if last > end or (last == offset + len(line) and not piece.ends):
                if begun is not None or not goes_on:
                    self._open[channel] = _Open(first, met_before, height)
                continue
            if goes_on:
                self._open[channel] = None
            enough = met_before and met_after
            if one.kind == "held" and last - first >= _HELD_CELLS * self._cell:
                # No sound stands still off zero: one side tells.
                off = abs(float(line[one.first])) > _OFF_TIMES * self._edge_level
                enough |= off and (met_before or met_after)
            if last > piece.start and enough and last - first <= self._longest:
                yield Break(one.kind, first, last, height)


def _dips(level: NDArray[np.float32], lowest: float) -> Iterator[Span]:
    """Yield stretches of cells far under what is before them and behind, in order.

    A voice's level comes and goes with its pulses: its highest within eight cells
    counts.
    """
    reach, edge = _DIP_REACH, _DIP_EDGE
    if len(level) < 2 * (reach + edge):
        return
    highest = np.lib.stride_tricks.sliding_window_view(level, reach).max(axis=1)
    # highest[i] is of the cells i to i + reach - 1.
    before = np.zeros(len(level), np.float32)
    before[reach + edge - 1 :] = highest[: len(level) - reach - edge + 1]
    deep = (level < np.float32(_DIP_DEPTH) * before) & (before > np.float32(lowest))
    done = 0
    for at in np.flatnonzero(deep).tolist():
        if at < done:
            continue
        least = _DIP_DEPTH * float(before[at])
        low = level[at : at + _LONGEST_HOLE + 1] < least
        length = int(low.argmin()) if not low.all() else len(low)
        done = end = at + length
        if not _SHORTEST_HOLE <= length <= _LONGEST_HOLE or end + reach > len(level):
            continue
        left = float(level[at:end].max())
        sides = level[at - edge - reach + 1 : at - edge + 1], level[end : end + reach]
        # A click is over in a cell or two.
        if min(float(np.sort(e)[-3]) for e in sides) * _DIP_DEPTH > left:
            yield at, end


def without_edges(found: list[Break], sample_rate: int) -> list[Break]:
    """Return breaks of one channel without those that are part of a longer one.

    The edges of a gap are jumps as well, and a hole holds stuck samples.
    """
    apart = _APART * cell_samples(sample_rate)
    for short, longer in (
        (("hole",), ("zeros", "held", "repeat")),
        (("click", "jump"), ("zeros", "held", "repeat", "hole")),
    ):
        spans = [(b.first - apart, b.last + apart) for b in found if b.kind in longer]
        first, last = np.array(spans, np.int64).reshape(-1, 2).T
        found = [
            b
            for b in found
            if b.kind not in short or not np.any((first <= b.last) & (b.first <= last))
        ]
    return found


def _without_pulses(found: list[Break], *, longest: int) -> Iterator[Break]:
    """Yield spikes that are not among four or more that follow each other evenly."""
    at = np.array([b.first for b in found])
    steps = np.diff(at)
    even = np.zeros(len(found), bool)
    for k in range(len(steps) - 2):
        three = steps[k : k + 3]
        if three.max() <= longest and np.ptp(three) <= _EVEN * three.mean():
            even[k : k + 4] = True
    yield from (b for b, pulse in zip(found, even, strict=True) if not pulse)


def _moved(one: Break, offset: int) -> Break:
    return replace(one, first=one.first + offset, last=one.last + offset)


def _level(part: NDArray[np.float32]) -> float:
    return float(np.sqrt(np.mean(np.square(part)))) if part.size else 0.0
