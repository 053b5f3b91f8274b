"""Hum: mains frequency and its harmonics in the sound, and constant offset."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.signal import firwin, upfirdn

from qc.limits import Option
from qc.measures.base import Chart, Column, Measure, Measured, Setup, Values, signed
from qc.measures.parts.sound.humlines import MAINS_HZ, harmonic_lines, spectrum
from qc.measures.parts.sound.soundlines import (
    ROWS_PER_SECOND,
    Line,
    first_row,
    length_of,
    totals_of,
    tracks_of,
)
from qc.measures.parts.sound.soundpieces import CellSums, usable
from qc.measures.parts.sound.truepeak import dbfs
from qc.records import AudioTrack, Finding, Grade, SoundBlock

__all__ = ["MEASURE"]

_CELL_HZ, _LOW_HZ = 6000, 2000
_TAPS = 48
_WINDOW_S, _HOP_S = 4.0, 2.0
_SHORTEST_S = 2.0
# Lines that count, and a line that may stand alone, in dB over the floor around it.
# Tried on speech, music and motors: what passes by gives up to 15, alone up to 20.
_LINE_DB, _ALONE_DB = 15.0, 25.0
# One line that is none too high counts where it stays for so many windows, over 6 s.
_STEADY = 3
_NONE_DBFS = -100.0
_MOST_SEGMENTS = 50_000


@dataclass(frozen=True, slots=True)
class _Segment:
    """Hum in one window of one channel; rows are hundredths since the take's start."""

    channel: int
    number: int
    first_row: int
    last_row: int
    mains_hz: int
    level_dbfs: float
    over_db: float
    harmonics: tuple[int, ...]
    sure: bool


class _Reader:
    def __init__(self, setup: Setup, track: AudioTrack) -> None:
        self._rate, self._channels = track.sample_rate, track.channels
        self._size = max(round(track.sample_rate / _CELL_HZ), 1)
        cell_rate = track.sample_rate / self._size
        self._down = max(round(cell_rate / _LOW_HZ), 1)
        self._low_rate = cell_rate / self._down
        self._window = round(_WINDOW_S * self._low_rate) * self._down
        self._hop = round(_HOP_S * self._low_rate) * self._down
        self._taps = firwin(_TAPS, 0.42 / self._down * 2) if self._down > 1 else None
        self._cells = CellSums(track.channels, self._size)
        self._held = np.zeros((track.channels, 0), np.float32)
        self._start: int | None = None  # first sample held
        self._now = np.full(track.channels, math.nan)
        self._sum, self._count = np.zeros(track.channels), 0
        self._segments: list[_Segment] = []
        self._windows = 0

    def read(self, block: SoundBlock) -> Values:
        rows = len(block.row_edges) - 1
        out = np.full((rows, self._channels), math.nan)
        sound = all(usable(line) for line in block.samples)
        if block.gap_before or not sound:
            self._end()
        if not sound:
            return {"hum_dbfs": out}
        if self._start is None:
            self._start = block.start
        before = self._held.shape[1]
        cells, edges = self._cells.feed(block.samples, block.row_edges)
        self._sum += cells.sum(axis=1, dtype=np.float64)
        self._count += cells.shape[1]
        self._held = np.concatenate([self._held, cells], axis=1)
        out[:] = self._now
        # A window needs the filter's taps behind it.
        need, used = self._window + _TAPS, 0
        while self._held.shape[1] >= need:
            self._look(self._held[:, :need], self._start)
            row = int(np.searchsorted(edges, need + used - before, side="left"))
            out[row:] = self._now
            self._held = self._held[:, self._hop :]
            self._start += self._hop * self._size
            used += self._hop
        return {"hum_dbfs": out}

    def _look(self, held: NDArray[np.float32], start: int) -> None:
        seconds = held.shape[1] * self._size / self._rate
        first = start * ROWS_PER_SECOND // self._rate
        last = first + round(seconds * ROWS_PER_SECOND)
        self._windows += 1
        for channel, line in enumerate(held):
            found = _hum(self._low(line), self._low_rate)
            self._now[channel] = _NONE_DBFS if found is None else found[1]
            if found is not None and len(self._segments) < _MOST_SEGMENTS:
                mains, level, over, harmonics, sure = found
                self._segments.append(
                    _Segment(
                        channel,
                        self._windows,
                        first,
                        last,
                        mains,
                        level,
                        over,
                        harmonics,
                        sure,
                    )
                )

    def _low(self, line: NDArray[np.float32]) -> NDArray[np.float64]:
        if self._taps is None:
            return line.astype(np.float64)
        low = upfirdn(self._taps, line.astype(np.float64), 1, self._down)
        skip = _TAPS // self._down  # not yet filled with sound
        count = (len(line) - _TAPS) // self._down
        return np.asarray(low[skip : skip + count], np.float64)

    def _end(self) -> None:
        """Read a short take, or what stands alone between gaps, and begin anew."""
        enough = _SHORTEST_S * self._rate / self._size
        length = self._held.shape[1]
        whole = self._window + _TAPS - self._hop
        if self._start is not None and enough <= length and (
            self._windows == 0 or length > whole
        ):  # fmt: skip
            self._look(self._held[:, -(self._window + _TAPS) :], self._start)
        self._cells.reset()
        self._held = self._held[:, :0]
        self._start = None
        self._now[:] = math.nan

    def finish(self) -> Mapping[str, object]:
        self._end()
        mean = self._sum / self._count if self._count else self._sum * math.nan
        return {
            "segments": self._segments,
            "windows": self._windows,
            # A moment's mean is its sound's, not the input's.
            "offset": (
                mean if self._count > _CELL_HZ // 2 else mean * math.nan
            ).tolist(),
        }


def _hum(
    low: NDArray[np.float64], rate: float
) -> tuple[int, float, float, tuple[int, ...], bool] | None:
    """Return mains, level, height over the floor, harmonics and if sure, or None."""
    spectre = spectrum(low, rate)
    best = None
    for mains in MAINS_HZ:
        lines = harmonic_lines(spectre, mains)
        strong = np.flatnonzero(lines.over_db >= _LINE_DB)
        if not strong.size or strong[0] > 1:
            continue  # without fundamental and second harmonic it is something else
        sure = strong.size > 1 or bool(lines.over_db[:2].max() >= _ALONE_DB)
        level = float(dbfs(math.sqrt(float(lines.power[strong].sum()))))
        found = (
            mains,
            level,
            float(lines.over_db.max()),
            tuple(int(k) + 1 for k in strong),
            sure,
        )
        if best is None or level > best[1]:
            best = found
    return best


def _check(measured: Measured) -> Iterator[Finding]:
    for k, readings, track in tracks_of(measured):
        totals = totals_of(measured, "hum")[k]
        for index in range(track.channels):
            line = Line(measured, readings, track, index)
            own = [s for s in totals["segments"] if s.channel == index]
            for group in _groups(own):
                sure = sum(s.sure for s in group)
                # One window is enough only where there are no more.
                if len(group) >= _STEADY or sure > 1 or sure == totals["windows"]:
                    found = _finding(line, group)
                    if found is not None:
                        yield found


def _groups(segments: list[_Segment]) -> Iterator[list[_Segment]]:
    """Yield windows one after another with the same mains; one may be missing."""
    group: list[_Segment] = []
    for one in segments:
        if group and (
            one.number - group[-1].number > 2 or one.mains_hz != group[-1].mains_hz
        ):
            yield group
            group = []
        group.append(one)
    if group:
        yield group


def _finding(line: Line, group: list[_Segment]) -> Finding | None:
    limits = line.measured.limits
    loudest = max(group, key=lambda s: s.level_dbfs)
    level = float(np.median([s.level_dbfs for s in group]))
    review = float(limits["hum.review_dbfs"])
    note = float(limits["hum.note_dbfs"])
    if level <= min(note, review):
        return None
    grade = Grade.REVIEW if level > review else Grade.NOTE
    base, rows = first_row(line.readings), line.readings.rows
    first = max(group[0].first_row - base, 0)
    last = min(group[-1].last_row - base, rows)
    # Windows come every two seconds: what is left at the ends is too short for one.
    if first < _HOP_S * ROWS_PER_SECOND:
        first = 0
    if rows - last < (_HOP_S + 0.2) * ROWS_PER_SECOND:
        last = rows
    if first >= last:
        return None
    whole = last - first == rows
    when = (
        "in the whole take"
        if whole
        else f"for {length_of(line.readings, (first, last))}"
    )
    mains = loudest.mains_hz
    often = [
        h for h in range(1, 13) if sum(h in s.harmonics for s in group) * 2 > len(group)
    ] or list(loudest.harmonics)  # fmt: skip
    hertz = [f"{h * mains}" for h in often[:6]]
    lines = hertz[0] if len(hertz) == 1 else f"{', '.join(hertz[:-1])} and {hertz[-1]}"
    over = float(np.median([s.over_db for s in group]))
    return line.finding(
        "sound.hum",
        (first, last),
        grade=grade,
        worst_row=min(max(loudest.first_row - base, first), last - 1),
        worst=level,
        limit=review if grade is Grade.REVIEW else note,
        unit="dBFS",
        message=(
            f"{line}: mains hum of {mains} Hz at {signed(level, 0)} dBFS {when} "
            f"(lines at {lines} Hz, up to {over:.0f} dB above the noise)."
        ),
        advice=(
            "lay microphone cables away from mains cables and power supplies, and "
            "across them, not along; run the recorder from its battery or all devices "
            "from one socket to see whether a ground loop hums; if it changes with the "
            "room's light, it is a dimmer."
        ),
    )


def _summarise(measured: Measured) -> Mapping[str, object]:
    channels: list[dict[str, Any]] = []
    for k, _, track in tracks_of(measured):
        totals = totals_of(measured, "hum")[k]
        for index in range(track.channels):
            own = [s for s in totals["segments"] if s.channel == index]
            loudest = max(own, key=lambda s: s.level_dbfs, default=None)
            offset = totals["offset"][index]
            channels.append(
                {
                    "channel": track.channel_numbers[index],
                    "hum_dbfs": loudest.level_dbfs if loudest else math.nan,
                    "mains_hz": loudest.mains_hz if loudest else None,
                    "offset_percent": 100.0 * offset,
                    "offset_dbfs": float(dbfs(abs(offset))),
                }
            )
    return {"channels": channels} if channels else {}


def _notes(measured: Measured) -> Iterator[str]:
    limit = float(measured.limits["hum.offset_note_dbfs"])
    for k, readings, track in tracks_of(measured):
        totals = totals_of(measured, "hum")[k]
        for index, offset in enumerate(totals["offset"]):
            level = float(dbfs(abs(offset)))
            if level > limit:
                yield (
                    f"{Line(measured, readings, track, index)}: the signal is shifted "
                    f"off zero by {signed(100.0 * offset, 1)} % of full scale "
                    f"({signed(level, 0)} dBFS). It takes from the headroom and clicks "
                    "at cuts: let the recorder's or mixer's input be looked at, or "
                    "switch on its low cut."
                )
        if totals["windows"] == 0:
            yield (
                f"Sound track {track.number + 1} is too short to look for hum "
                f"({_SHORTEST_S:g} s are needed)."
            )


# fmt: off
_OPTIONS = (
    Option("hum.note_dbfs", -60.0,
           "A note from this level of mains hum on, all its lines together "
           "(house choice).", unit="dBFS", low=-120, high=0),
    Option("hum.review_dbfs", -54.0,
           "Review from this level of mains hum on (house choice).",
           unit="dBFS", low=-120, high=0),
    Option("hum.offset_note_dbfs", -40.0,
           "Constant offset of the signal is told from this level on (house choice).",
           unit="dBFS", low=-120, high=0),
)
# fmt: on

MEASURE = Measure(
    name="hum",
    version=2,
    label="Mains hum",
    clock="sound",
    columns=(
        Column("hum_dbfs", "Mains hum over the last 4 s", "dBFS", per_channel=True),
    ),
    options=_OPTIONS,
    start=_Reader,
    checks=(_check,),
    check_rules={"sound.hum": "Mains hum"},
    charts=(
        Chart(
            ("hum_dbfs",),
            "Mains hum",
            "dBFS",
            low=-100.0,
            high=0.0,
            limits=("hum.review_dbfs",),
            explain=(
                "Level of the lines at 50 or 60 Hz and their multiples over the four "
                "seconds before; at the bottom where there are none."
            ),
        ),
    ),
    summarise=_summarise,
    notes=_notes,
    method=(
        "Windows of 4 s, every 2 s, below 840 Hz, a quarter of a hertz apart (Hann). "
        "Lines within 0.2 Hz times their number at the multiples of 50 and 60 Hz that "
        "stand 15 dB over the floor around them: two of them, or one by 25 dB, the "
        "first or second among them, in two windows one after another; one alone in "
        "three. Voices, music "
        "and motors do not keep so still. The level is that of the lines together, as "
        "plain RMS. Takes under 2 s are not looked at. Lossy coding keeps hum. Offset: "
        "mean of all samples."
    ),
    source="Discrete Fourier transform: textbook. Limits: house choice.",
)
