"""Hum: mains frequency and its harmonics in the sound, and constant offset."""

from __future__ import annotations

import functools
import math
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from qc.limits import Option
from qc.measures.base import Chart, Column, Measure, Measured, Setup, Values, signed
from qc.measures.parts.sound.humlines import (
    MAINS_HZ,
    faintest_told,
    harmonic_lines,
    spectrum,
)
from qc.measures.parts.sound.humsteps import StepLines, step_lines
from qc.measures.parts.sound.humstretches import (
    HOP_S,
    Segment,
    groups,
    hum_finding,
    hum_windows,
)
from qc.measures.parts.sound.soundlines import (
    ROWS_PER_SECOND,
    Line,
    channel_names,
    totals_of,
    tracks_of,
)
from qc.measures.parts.sound.soundpieces import CellSums
from qc.measures.parts.sound.soundviews import seen
from qc.measures.parts.sound.truepeak import dbfs
from qc.records import AudioTrack, Finding, SoundBlock

__all__ = ["MEASURE"]

_CELL_HZ, _LOW_HZ = 6000, 2000
_TAPS = 48
# Samples that go through one product of matrices, and how many such products are one:
# larger ones would be shared out among processors, at a cost.
_STRETCH, _STRETCHES = 32, 25
_WINDOW_S = 4.0
_SHORTEST_S = 2.0
# Lines that count, and a line that may stand alone, in dB over the floor around it.
# Tried on speech, music and motors: what passes by gives up to 15, alone up to 20.
_LINE_DB, _ALONE_DB = 15.0, 25.0
_STEPS_A_HOP = 20
_RECENT = 8  # windows
_NONE_DBFS = -100.0
_MOST_SEGMENTS = 50_000


class _Reader:
    def __init__(self, setup: Setup, track: AudioTrack) -> None:
        self._rate, self._channels = track.sample_rate, track.channels
        self._size = max(round(track.sample_rate / _CELL_HZ), 1)
        cell_rate = track.sample_rate / self._size
        self._down = max(round(cell_rate / _LOW_HZ), 1)
        self._low_rate = cell_rate / self._down
        self._window = round(_WINDOW_S * self._low_rate) * self._down
        self._hop = round(HOP_S * self._low_rate) * self._down
        self._filter = _decimator(self._down) if self._down > 1 else None
        self._low_held: NDArray[np.float64] | None = None  # of the window's begin
        self._cells = CellSums(track.channels, self._size)
        self._held = np.zeros((track.channels, 0), np.float32)
        self._start: int | None = None  # first sample held
        self._now = np.full(track.channels, math.nan)
        self._sum, self._count = np.zeros(track.channels), 0
        self._segments: list[Segment] = []
        self._windows = 0
        self._faintest = np.full(track.channels, math.inf)  # hum told in some window
        # By window: what is new in it, when that begins, and its lines where needed.
        self._fresh: dict[int, tuple[NDArray[np.float64], float]] = {}
        self._steps: dict[int, StepLines] = {}

    def read(self, block: SoundBlock) -> Values:
        rows = len(block.row_edges) - 1
        out = np.full((rows, self._channels), math.nan)
        sound = bool(seen(block).usable.all())
        if block.gap_before or not sound:
            self._end()
        if not sound:
            return {"hum_dbfs": out}
        if self._start is None:
            self._start = block.start
        before = self._held.shape[1]
        ready = seen(block).cells(self._size) if self._cells.empty else None
        cells, edges = self._cells.feed(block.samples, block.row_edges, ready)
        self._sum += cells.sum(axis=1, dtype=np.float64)
        self._count += cells.shape[1]
        self._held = np.concatenate([self._held, cells], axis=1)
        out[:] = self._now
        # A window needs the filter's taps behind it.
        need, used = self._window + _TAPS, 0
        while self._held.shape[1] >= need:
            low = self._low(self._held[:, :need])
            self._low_held = low[:, self._hop // self._down :]
            self._look(low, self._start, need)
            row = int(np.searchsorted(edges, need + used - before, side="left"))
            out[row:] = self._now
            self._held = self._held[:, self._hop :]
            self._start += self._hop * self._size
            used += self._hop
        return {"hum_dbfs": out}

    def _look(self, low: NDArray[np.float64], start: int, count: int) -> None:
        """Look for hum in a window of so many cells that begins with a sample."""
        seconds = count * self._size / self._rate
        first = start * ROWS_PER_SECOND // self._rate
        last = first + round(seconds * ROWS_PER_SECOND)
        self._windows += 1
        self._follow(low, start)
        told, faintest = _hum(low, self._low_rate)
        np.minimum(self._faintest, faintest, out=self._faintest)
        for channel, found in enumerate(told):
            self._now[channel] = _NONE_DBFS if found is None else found[1]
            if found is not None and len(self._segments) < _MOST_SEGMENTS:
                mains, level, over, harmonics, sure = found
                self._segments.append(
                    Segment(
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

    def _follow(self, low: NDArray[np.float64], start: int) -> None:
        """Keep what is new in a window, and look after one whose neighbours are known.

        Where a stretch of hum begins or ends its lines are followed.
        """
        number, rate = self._windows, self._low_rate
        # A filtered sample is of the middle of its taps.
        late = 0.0
        if self._filter is not None:
            late = -(-(_TAPS - 1) // self._down) * self._down - 0.5 * (_TAPS - 1)
        at = (start + late * self._size) / self._rate
        before = self._fresh.get(number - 1)
        skip = 0
        if before is not None:
            end = before[1] + before[0].shape[1] / rate
            skip = max(round((end - at) * rate), 0)
        self._fresh[number] = low[:, skip:], at + skip / rate
        self._settle(number - 5)

    def _settle(self, number: int) -> None:
        """Follow the lines in what is new in a window if hum begins or ends near it."""
        held = self._fresh.pop(number, None)
        if held is None or not held[0].shape[1]:
            return
        near = {
            (s.channel, s.mains_hz, s.number)
            for s in self._segments[-_RECENT * self._channels :]
            if abs(s.number - number) <= _RECENT
        }
        for channel, mains, one in near:
            if not number - 1 <= one <= number + 2:
                continue
            known = [
                {(channel, mains, one + k) for k in ks} for ks in ((-2, -1), (1, 2))
            ]
            if not (known[0] & near and known[1] & near):
                step = self._hop // self._down // _STEPS_A_HOP
                self._steps[number] = step_lines(
                    held[0], self._low_rate, held[1], MAINS_HZ, step=step
                )
                return

    def _low(self, held: NDArray[np.float32]) -> NDArray[np.float64]:
        """Return a window below 840 Hz; what the last one had of it is not done again.

        Its first samples, for which the filter is not filled with sound, are left out.
        """
        if self._filter is None:
            return held.astype(np.float64)
        known = self._low_held
        if known is None:
            return _decimated(held, self._filter, self._down)
        fresh = held[:, known.shape[1] * self._down :]
        return np.concatenate(
            [known, _decimated(fresh, self._filter, self._down)], axis=1
        )

    def _end(self) -> None:
        """Read a short take, or what stands alone between gaps, and begin anew."""
        enough = _SHORTEST_S * self._rate / self._size
        length = self._held.shape[1]
        whole = self._window + _TAPS - self._hop
        if self._start is not None and enough <= length and (
            self._windows == 0 or length > whole
        ):  # fmt: skip
            self._low_held = None
            held = self._held[:, -(self._window + _TAPS) :]
            self._look(self._low(held), self._start, held.shape[1])
        self._low_held = None
        self._cells.reset()
        self._held = self._held[:, :0]
        self._start = None
        self._now[:] = math.nan

    def finish(self) -> Mapping[str, object]:
        self._end()
        for number in sorted(self._fresh):
            self._settle(number)
        mean = self._sum / self._count if self._count else self._sum * math.nan
        return {
            "segments": self._segments,
            "windows": self._windows,
            "steps": self._steps,
            "faintest_dbfs": dbfs(np.sqrt(self._faintest)).tolist(),
            # A moment's mean is its sound's, not the input's.
            "offset": (
                mean if self._count > _CELL_HZ // 2 else mean * math.nan
            ).tolist(),
        }


@functools.cache
def _decimator(down: int) -> NDArray[np.float64]:
    """Return the low-pass of one sample in `down` as a matrix.

    Returns
    -------
    (window, stretch) array
        A window of samples times it gives a stretch of samples at the lower rate.
    """
    taps = low_pass(_TAPS, 0.84 / down)[::-1]
    out = np.zeros((_TAPS + (_STRETCH - 1) * down, _STRETCH))
    for k in range(_STRETCH):
        out[k * down : k * down + _TAPS, k] = taps
    return out


def low_pass(taps: int, corner: float) -> NDArray[np.float64]:
    """Return a low-pass: a sinc in a Hamming window, 1 at zero frequency.

    Parameters
    ----------
    corner : float
        -6 dB, as a share of half the sample rate.

    Returns
    -------
    (taps,) array

    Examples
    --------
    >>> low_pass(4, 0.5).round(4).tolist()
    [0.0167, 0.4833, 0.4833, 0.0167]
    """
    at = np.arange(taps) - 0.5 * (taps - 1)
    out = np.sinc(corner * at) * np.hamming(taps)
    return np.asarray(out / out.sum())


def _decimated(
    held: NDArray[np.float32], matrix: NDArray[np.float64], down: int
) -> NDArray[np.float64]:
    """Return one low-passed sample in `down`, from the first that hears all taps on."""
    skip = -(-(_TAPS - 1) // down)  # outputs the filter is not yet filled for
    count = (held.shape[1] - _TAPS) // down
    begin = skip * down - (_TAPS - 1)
    groups = -(-count // (_STRETCH * _STRETCHES))
    window, step = len(matrix), _STRETCH * down
    line = np.zeros((len(held), begin + (groups * _STRETCHES - 1) * step + window))
    line[:, : held.shape[1]] = held[:, : line.shape[1]]
    windows = np.lib.stride_tricks.as_strided(
        line[:, begin:],
        (len(held), groups, _STRETCHES, window),
        (*(s * line.itemsize for s in (line.shape[1], _STRETCHES * step, step, 1)),),
        writeable=False,
    )
    out = np.matmul(np.ascontiguousarray(windows), matrix)
    return np.asarray(out.reshape(len(held), -1)[:, :count])


_Hum = tuple[int, float, float, tuple[int, ...], bool]


def _hum(
    low: NDArray[np.float64], rate: float
) -> tuple[list[_Hum | None], NDArray[np.float64]]:
    """Return mains, level, height over the floor, harmonics and if sure, by channel.

    And the power from which on hum of either mains frequency would be told.
    """
    spectre = spectrum(low, rate)
    faintest = np.zeros(len(low))
    best: list[_Hum | None] = [None] * len(low)
    for mains in MAINS_HZ:
        lines = harmonic_lines(spectre, mains)
        np.maximum(faintest, faintest_told(spectre, mains, _LINE_DB), out=faintest)
        for channel, over in enumerate(lines.over_db):
            strong = np.flatnonzero(over >= _LINE_DB)
            if not strong.size or strong[0] > 1:
                continue  # without fundamental and second harmonic it is another thing
            sure = strong.size > 1 or bool(over[:2].max() >= _ALONE_DB)
            power = float(lines.power[channel, strong].sum())
            level = float(dbfs(math.sqrt(power)))
            known = best[channel]
            if known is None or level > known[1]:
                harmonics = tuple(int(k) + 1 for k in strong)
                best[channel] = mains, level, float(over.max()), harmonics, sure
    return best, faintest


def _check(measured: Measured) -> Iterator[Finding]:
    for k, readings, track in tracks_of(measured):
        totals = totals_of(measured, "hum")[k]
        for index in range(track.channels):
            line = Line(measured, readings, track, index)
            own = [s for s in totals["segments"] if s.channel == index]
            for group in groups(own):
                found = hum_finding(line, group, totals)
                if found is not None:
                    yield found


def _summarise(measured: Measured) -> Mapping[str, object]:
    channels: list[dict[str, Any]] = []
    for k, _, track in tracks_of(measured):
        totals = totals_of(measured, "hum")[k]
        for index in range(track.channels):
            own = [s for s in totals["segments"] if s.channel == index]
            told = hum_windows(own, totals)
            loudest = max(told, key=lambda s: s.level_dbfs, default=None)
            offset = totals["offset"][index]
            faintest = totals["faintest_dbfs"][index]
            channels.append(
                {
                    "channel": track.channel_numbers[index],
                    "hum_dbfs": loudest.level_dbfs if loudest else math.nan,
                    "mains_hz": loudest.mains_hz if loudest else None,
                    "told_from_dbfs": faintest if math.isfinite(faintest) else None,
                    "offset_percent": 100.0 * offset,
                    "offset_dbfs": float(dbfs(abs(offset))),
                }
            )
    return {"channels": channels} if channels else {}


def _hidden(measured: Measured) -> Iterator[str]:
    """Yield the channels whose own sound would hide hum that is for review."""
    review = float(measured.limits["hum.review_dbfs"])
    for k, readings, track in tracks_of(measured):
        totals = totals_of(measured, "hum")[k]
        if not totals["windows"]:
            continue
        told = {s.channel for s in totals["segments"]}
        hidden = [
            (Line(measured, readings, track, index), faintest)
            for index, faintest in enumerate(totals["faintest_dbfs"])
            if faintest > review and index not in told
        ]
        if hidden:
            level = max(faintest for _, faintest in hidden)
            yield (
                f"{channel_names([line for line, _ in hidden])}: mains hum under about "
                f"{signed(level, 0)} dBFS could not be told from the sound, which "
                "nowhere leaves four seconds quiet enough. Record some seconds in "
                "which nobody speaks to be sure."
            )


def _notes(measured: Measured) -> Iterator[str]:
    yield from _hidden(measured)
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
    version=5,
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
        "and motors do not keep so still. In steps of a tenth of a second the lines, "
        "taken down to zero frequency, then show where hum begins and ends: where they "
        "add up most for the length; so one window is enough if it holds both. The "
        "level is that of the lines together, as "
        "plain RMS. Where a channel's own sound would hide hum for review, of five "
        "lines equally strong, a note says so. Takes under 2 s are not looked at. "
        "Lossy coding keeps hum. Offset: mean of all samples."
    ),
    source="Discrete Fourier transform: textbook. Limits: house choice.",
)
