"""Interference: steady whines, and the bursts of telephones, in the sound."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from qc.limits import Option
from qc.measures.base import Measure, Measured, Setup, Values, signed
from qc.measures.parts.sound.soundlines import (
    ROWS_PER_SECOND,
    Line,
    first_row,
    grouped,
    length_of,
    totals_of,
    tracks_of,
)
from qc.measures.parts.sound.soundpieces import Piece, Pieces, usable
from qc.measures.parts.sound.steadylines import (
    BLOCKS,
    LineCounts,
    block_samples,
    chained,
    line_counts,
    slot_coherence,
    slot_power,
    slot_scores,
    spectra,
)
from qc.measures.parts.sound.truepeak import dbfs
from qc.records import AudioTrack, Finding, Grade, SoundBlock
from qc.spans import Span, bridged, runs

__all__ = ["MEASURE"]

_STANDS = 11  # of 16 blocks
# Notes die away and are struck again, a device keeps its level.
_STEADY_DB = 2.5
_GAP = 1  # counts that a voice may hide it for
_SHORTEST_TAKE = 3  # counts
_MANY_LINES = 6  # more are a motor's or an instrument's
_MAINS_HZ = (50.0, 60.0, 100.0, 120.0)
# Of so many blocks or more, and one part in their number more: chance gives a few the
# same grid. Of voices of that pitch three blocks reach 0.7, four 0.5; telephones under
# speech 0.8 to 1 (tried).
_SLOT_LEAST, _COHERENT = 3, 0.55
_SLOTS_DB, _SLOT_HITS, _SLOT_GAP_S = 9.0, 4, 2.0


class _Reader:
    def __init__(self, setup: Setup, track: AudioTrack) -> None:
        self._rate, self._channels = track.sample_rate, track.channels
        self._block = block_samples(track.sample_rate)
        length = BLOCKS * self._block
        self._pieces = Pieces(track.channels, length=length, before=0, after=0)
        self._starts: list[int] = []
        self._counts: list[list[LineCounts]] = [[] for _ in range(track.channels)]
        # First sample of a block, its level.
        self._slots: list[list[tuple[int, float]]] = [[] for _ in range(track.channels)]

    def read(self, block: SoundBlock) -> Values:
        if block.gap_before:
            self._pieces.end()
        for piece in self._pieces.feed(block):
            self._look(piece)
        return {}

    def _look(self, piece: Piece) -> None:
        if piece.last - piece.first < BLOCKS * self._block:
            return
        self._starts.append(piece.start)
        for channel, line in enumerate(piece.samples):
            if not usable(line):
                self._counts[channel].append(LineCounts.none())
                continue
            found = spectra(line.reshape(BLOCKS, self._block))
            self._counts[channel].append(line_counts(found, self._rate))
            hits = np.flatnonzero(slot_scores(found, self._rate) > _SLOTS_DB)
            if hits.size >= _SLOT_LEAST and self._on_grid(line, hits):
                level = slot_power(found[hits], self._rate)
                self._slots[channel] += [
                    (piece.start + int(k) * self._block, float(p))
                    for k, p in zip(hits, level, strict=True)
                ]

    def _on_grid(self, line: NDArray[np.float32], hits: NDArray[np.intp]) -> bool:
        blocks = line.reshape(BLOCKS, self._block)[hits]
        grid = slot_coherence(blocks, hits * self._block, self._rate)
        return grid > _COHERENT + 1.0 / len(hits)

    def finish(self) -> Mapping[str, object]:
        for _ in self._pieces.end():
            pass  # less than a count is too short to tell
        return {"starts": self._starts, "counts": self._counts, "slots": self._slots}


def _check(measured: Measured) -> Iterator[Finding]:
    for k, readings, track in tracks_of(measured):
        totals = totals_of(measured, "interference")[k]
        for index in range(track.channels):
            line = Line(measured, readings, track, index)
            yield from _whines(line, totals)
            yield from _bursts(line, totals["slots"][index])


def _whines(line: Line, totals: Mapping[str, Any]) -> Iterator[Finding]:
    counts: list[LineCounts] = totals["counts"][line.index]
    rate = line.track.sample_rate
    block = block_samples(rate)
    limits = line.measured.limits
    whole = len(counts) * BLOCKS * block / rate
    least_s = min(
        float(limits["interference.min_seconds"]),
        max(0.95 * whole, _SHORTEST_TAKE * BLOCKS * block / rate),
    )
    found = [
        (first, last, *_line(counts[first:last], at))
        for first, last, at in chained(counts, least=_STANDS, gap=_GAP)
        if (last - first) * BLOCKS * block / rate >= least_s
        and _share(counts[first:last], at) >= _STANDS / BLOCKS
        and _sag(counts[first:last], at) <= _STEADY_DB
    ]
    step = rate / block
    lines = [hertz for _, _, hertz, _ in found]
    if len(found) > _MANY_LINES:
        return
    for first, last, hertz, power in sorted(found, key=lambda f: -f[3]):
        level = float(dbfs(math.sqrt(power)))
        # A row of lines apart by the mains is hum; what is as loud as a voice is meant.
        beside = [abs(abs(other - hertz) - m) for other in lines for m in _MAINS_HZ]
        if min(beside, default=math.inf) < step or not (
            limits["interference.note_dbfs"] <= level
            and level <= limits["interference.loudest_dbfs"]
        ):
            continue
        yield _whine(line, _rows(line, totals["starts"], first, last), hertz, level)


def _line(counts: list[LineCounts], at: int) -> tuple[float, float]:
    """Return frequency and mean square of a line."""
    hertz, power = [], []
    for one in counts:
        near = np.flatnonzero(np.abs(one.bins - at) <= 1)
        if near.size:
            best = near[one.power[near].argmax()]
            hertz.append(one.hertz[best])
            power.append(one.power[best])
    return float(np.median(hertz)), float(np.median(power))


def _sag(counts: list[LineCounts], at: int) -> float:
    """Return how far a line's level usually falls in a count, in dB."""
    known = [c.sag_db[np.abs(c.bins - at) <= 1] for c in counts]
    return float(np.median([s.min() for s in known if s.size]))


def _share(counts: list[LineCounts], at: int) -> float:
    """Return in which share of the blocks a line stands out."""
    blocks = [c.counts[np.abs(c.bins - at) <= 1].max(initial=0) for c in counts]
    return float(np.mean(blocks)) / BLOCKS


def _rows(line: Line, starts: list[int], first: int, last: int) -> Span:
    rate, base = line.track.sample_rate, first_row(line.readings)
    end = starts[last - 1] + BLOCKS * block_samples(rate)
    a = starts[first] * ROWS_PER_SECOND // rate - base
    b = end * ROWS_PER_SECOND // rate - base
    # What is left over at the take's end is too short to be looked at.
    left = BLOCKS * block_samples(rate) * ROWS_PER_SECOND // rate
    b = line.readings.rows if line.readings.rows - b <= left else b
    return max(a, 0), min(b, line.readings.rows)


def _whine(line: Line, span: Span, hertz: float, level: float) -> Finding:
    limit = float(line.measured.limits["interference.review_dbfs"])
    over = level > limit
    pitch = f"{hertz / 1000:.1f} kHz" if hertz > 999.0 else f"{hertz:.0f} Hz"
    whole = span[1] - span[0] >= 0.95 * line.readings.rows
    when = "in the whole take" if whole else f"for {length_of(line.readings, span)}"
    return line.finding(
        "sound.interference",
        span,
        grade=Grade.REVIEW if over else Grade.NOTE,
        worst_row=span[0],
        worst=level,
        limit=limit if over else None,
        unit="dBFS",
        message=(
            f"{line}: a steady whine at {pitch}, {signed(level, 0)} dBFS, {when}."
        ),
        advice=(
            "listen to it with headphones; switch off chargers, screens, lamps and "
            "wireless senders near the microphone and its cable one by one, keep the "
            "cable away from them, and feed camera and recorder from batteries."
        ),
    )


def _bursts(line: Line, slots: list[tuple[int, float]]) -> Iterator[Finding]:
    rate, base = line.track.sample_rate, first_row(line.readings)
    block = block_samples(rate)
    if len(slots) < _SLOT_HITS:
        return
    hit = np.zeros(line.readings.rows, bool)
    for at, _ in slots:
        row = at * ROWS_PER_SECOND // rate - base
        hit[max(row, 0) : row + max(block * ROWS_PER_SECOND // rate, 1)] = True
    times = np.arange(len(hit) + 1) / ROWS_PER_SECOND
    for first, last in bridged(runs(hit), times=times, gap=_SLOT_GAP_S):
        inside = [
            p for at, p in slots if first <= at * ROWS_PER_SECOND // rate - base < last
        ]
        if len(inside) < _SLOT_HITS:
            continue
        level = float(dbfs(math.sqrt(max(inside))))
        yield line.finding(
            "sound.interference",
            (first, last),
            grade=Grade.REVIEW,
            worst_row=first,
            worst=level,
            unit="dBFS",
            message=(
                f"{line}: bursts of a buzz of 217 Hz, {signed(level, 0)} dBFS, within "
                f"{length_of(line.readings, (first, last))}: a mobile telephone is "
                f"sending nearby ({grouped(len(inside))} moments of a twelfth of a "
                "second)."
            ),
            advice=(
                "have all telephones switched off or put away from microphones, "
                "cables and the recorder, and the cables balanced and screened."
            ),
        )


def _option(
    name: str, default: float, unit: str, low: float, high: float, text: str
) -> Option:
    return Option(f"interference.{name}", default, text, unit=unit, low=low, high=high)


MEASURE = Measure(
    name="interference",
    version=1,
    label="Interference",
    clock="sound",
    columns=(),
    options=(
        _option("min_seconds", 8.0, "s", 4, 3600,
                "A whine is told from this length on, or when it is in the whole take "
                "(house choice)."),
        _option("note_dbfs", -75.0, "dBFS", -120, 0,
                "Fainter whines are not told (house choice)."),
        _option("review_dbfs", -55.0, "dBFS", -120, 0,
                "A whine over this is for review, else a note (house choice)."),
        _option("loudest_dbfs", -24.0, "dBFS", -60, 0,
                "A steady tone over this is meant, such as a line-up tone "
                "(house choice)."),
    ),
    start=_Reader,
    checks=(_check,),
    check_rules={"sound.interference": "Whine or telephone"},
    method=(
        "Spectra of 85 ms (Hann), every sample in one. Whine: a line from 600 Hz to "
        "19 kHz that stands 9 dB over the mean of the logarithms within 260 Hz in 11 "
        "of 16 of them and more, for 8 s or in the whole take, its weakest tenth "
        "2.5 dB under its median at most; beeps, voices and music come and go. Six "
        "lines at most, and no rows of them apart by the mains. "
        "Telephones: the 6th to 18th multiple of 216.7 Hz stand 9 dB over what lies "
        "between, four times and no two seconds apart, and keep to one grid of "
        "time: no voice keeps its pitch so exactly."
    ),
    source=(
        "Rate of the slots: 3GPP TS 45.002, 60/13 ms a frame (from memory). Own "
        "method; limits: house choice."
    ),
)  # fmt: skip
