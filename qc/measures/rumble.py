"""Rumble: knocks on a microphone, rubbing and wind, which lie under voices."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from qc.limits import Option
from qc.measures.base import Measure, Measured, Setup, Values, signed
from qc.measures.parts.sound.blockfilter import BlockFilter
from qc.measures.parts.sound.soundlines import (
    ROWS_PER_SECOND,
    Line,
    first_row,
    length_of,
    totals_of,
    tracks_of,
)
from qc.measures.parts.sound.soundpieces import CellSums
from qc.measures.parts.sound.soundviews import seen
from qc.measures.parts.sound.speechmeter import high_pass
from qc.measures.parts.sound.truepeak import lfe_index, row_reduce
from qc.records import AudioTrack, Finding, Grade, SoundBlock
from qc.spans import Span, bridged, runs

__all__ = ["MEASURE", "low_pass_section"]

_CELL_HZ, _LOW_CELL_HZ = 6000, 600
_UNDER_HZ, _FROM_HZ, _REST_HZ = 60.0, 15.0, 110.0
_STEP_ROWS = 5  # 50 ms
# After a start or a gap filters take so long to settle on an offset.
_SETTLE_STEPS = 8
# A burst stands over what is heard at the same time, and over what the channel has
# under voices otherwise. Tried: of speech, strings, an organ and applause nothing that
# is loud enough does either; drums do both.
_OVER_REST_DB, _OVER_USUAL_DB = 3.0, 12.0
# Near such a burst others count that words cover, if they stay this little under them.
_UNDER_REST_DB = 6.0
# What lasts and hardly changes is a machine, or mains hum.
_LASTS_STEPS, _STEADY_DB = 12, 2.0
# Fewer and shorter bursts that are not this loud are of a hand laid on a table.
_FEW, _SHORT_S, _LOUD_DBFS = 3, 0.3, -25.0
_HOLE_STEPS = 2
_APART_S = 20.0
_REVIEW_S = 0.2
_FAINT = 1e-12


def low_pass_section(hertz: float, rate: float) -> NDArray[np.float64]:
    """Return a Butterworth low-pass of second order as one section.

    Returns
    -------
    (1, 6) array
        ``b0 b1 b2 1 a1 a2``, as `scipy.signal.butter` gives them.

    References
    ----------
    Two zeros at half the rate, and a gain of 1 at 0 Hz: textbook.

    Examples
    --------
    >>> low_pass_section(60.0, 600.0).round(4).tolist()
    [[0.0675, 0.1349, 0.0675, 1.0, -1.143, 0.4128]]
    """
    out = high_pass(hertz, rate)  # which has the same poles
    out[0, :3] = 0.25 * out[0, 3:].sum() * np.array([1.0, 2.0, 1.0])
    return out


class _Reader:
    """Mean squares under 60 Hz and from 110 Hz on, every 50 ms."""

    def __init__(self, setup: Setup, track: AudioTrack) -> None:
        channels = self._channels = track.channels
        self._size = max(round(track.sample_rate / _CELL_HZ), 1)
        rate = track.sample_rate / self._size
        down = max(round(rate / _LOW_CELL_HZ), 1)
        self._cells = CellSums(channels, self._size)
        self._low_cells = CellSums(channels, down)
        twice = low_pass_section(_UNDER_HZ, rate / down)
        self._low = BlockFilter(
            np.concatenate([twice, twice, high_pass(_FROM_HZ, rate / down)]), channels
        )
        over = high_pass(_REST_HZ, rate)
        self._rest = BlockFilter(np.concatenate([over, over]), channels)
        self._held = np.zeros((0, 4, channels))  # sums and counts of rows
        self._next = 0  # first row held
        self._settling = _SETTLE_STEPS
        self._first: int | None = None
        self._steps: list[NDArray[np.float32]] = []

    def read(self, block: SoundBlock) -> Values:
        rows = len(block.row_edges) - 1
        if self._first is None:
            self._first = self._next = block.first_row // _STEP_ROWS * _STEP_ROWS
        usable = bool(seen(block).usable.all())
        if block.gap_before or not usable:
            self._begin()
        sums = self._sums(block) if usable else np.zeros((rows, 4, self._channels))
        self._hold(sums, block.first_row)
        return {}

    def _sums(self, block: SoundBlock) -> NDArray[np.float64]:
        ready = seen(block).cells(self._size) if self._cells.empty else None
        cells, edges = self._cells.feed(block.samples, block.row_edges, ready)
        low_cells, low_edges = self._low_cells.feed(cells, edges)
        low, rest = self._low.feed(low_cells), self._rest.feed(cells)
        out = np.empty((len(edges) - 1, 4, self._channels))
        for k, (x, at) in enumerate(((low, low_edges), (rest, edges))):
            out[:, 2 * k] = np.nan_to_num(row_reduce(np.add, np.square(x), at))
            out[:, 2 * k + 1] = np.diff(at)[:, np.newaxis]
        return out

    def _hold(self, sums: NDArray[np.float64], first_row: int) -> None:
        """Put rows together to steps of the take's clock; what is missing is NaN."""
        missing = first_row - self._next - len(self._held)
        empty = np.zeros((max(missing, 0), 4, self._channels))
        self._held = np.concatenate([self._held, empty, sums])
        self._take(len(self._held) // _STEP_ROWS)

    def _take(self, steps: int) -> None:
        if not steps:
            return
        part = self._held[: steps * _STEP_ROWS]
        self._held = self._held[steps * _STEP_ROWS :]
        self._next += steps * _STEP_ROWS
        four = part.reshape(steps, -1, 4, self._channels).sum(axis=1)
        with np.errstate(invalid="ignore", divide="ignore"):
            means = np.stack([four[:, 0] / four[:, 1], four[:, 2] / four[:, 3]], axis=1)
        heard = np.flatnonzero(four[:, 1, 0] > 0)
        means[heard[: self._settling]] = math.nan
        self._settling = max(self._settling - len(heard), 0)
        self._steps.append(means.astype(np.float32))

    def _begin(self) -> None:
        self._cells.reset()
        self._low_cells.reset()
        self._low.reset()
        self._rest.reset()
        self._settling = _SETTLE_STEPS

    def finish(self) -> Mapping[str, object]:
        short = -len(self._held) % _STEP_ROWS
        if len(self._held):
            self._hold(
                np.zeros((short, 4, self._channels)),
                self._next + len(self._held),
            )
        none = np.zeros((0, 2, self._channels), np.float32)
        steps = np.concatenate([none, *self._steps])
        with np.errstate(divide="ignore"):
            return {
                "first_row": self._first or 0,
                "decibels": 10.0 * np.log10(np.maximum(steps, np.float32(_FAINT))),
            }


def _bursts(
    low: NDArray[np.floating], rest: NDArray[np.floating], least: float
) -> list[tuple[Span, bool]]:
    """Return where there are bursts, in steps of 50 ms, and whether they are clear.

    Words cover those that are not: only beside a clear one are they taken for bursts.

    Parameters
    ----------
    low, rest : (steps,) arrays
        Levels under 60 Hz and from 110 Hz on, in dB; NaN where there is no sound.
    least : float
        Level from which on a burst counts.
    """
    known = low[~np.isnan(low)]
    if not known.size:
        return []
    usual = float(np.median(known))
    with np.errstate(invalid="ignore"):
        clear = low > rest + _OVER_REST_DB
        over = (
            (low >= least)
            & (low > rest - _UNDER_REST_DB)
            & (low > usual + _OVER_USUAL_DB)
        )
    return [
        ((a, b), bool(clear[a:b].any()))
        for a, b in runs(over)
        if b - a < _LASTS_STEPS or float(np.std(low[a + 1 : b - 1])) >= _STEADY_DB
    ]


def _check(measured: Measured) -> Iterator[Finding]:
    least = float(measured.limits["rumble.note_dbfs"])
    for k, readings, track in tracks_of(measured):
        totals = totals_of(measured, "rumble")[k]
        both = totals["decibels"]
        for index in range(track.channels):
            if index == lfe_index(track.layout):
                continue
            low, rest = both[:, 0, index], both[:, 1, index]
            told = _bursts(low, rest, least)
            bursts = [span for span, _ in told]
            times = np.arange(len(low) + 1.0) * (_STEP_ROWS / ROWS_PER_SECOND)
            line = Line(measured, readings, track, index)
            for first, last in bridged(bursts, times=times, gap=_APART_S):
                own = [b for b in told if first <= b[0][0] < last]
                if not any(clear for _, clear in own):
                    continue
                spans = [span for span, _ in own]
                found = _finding(line, spans, low, int(totals["first_row"]))
                if found is not None:
                    yield found


def _finding(
    line: Line, bursts: list[Span], low: NDArray[np.floating], base: int
) -> Finding | None:
    at = np.concatenate([np.arange(a, b) for a, b in bursts])
    levels = low[at]
    highest = float(levels.max())
    step_s = _STEP_ROWS / ROWS_PER_SECOND
    # A word may cut one in two.
    count = 1 + sum(b[0] - a[1] > _HOLE_STEPS for a, b in pairwise(bursts))
    if count < _FEW and len(at) * step_s < _SHORT_S and highest < _LOUD_DBFS:
        return None
    review = float(line.measured.limits["rumble.review_dbfs"])
    serious = np.count_nonzero(levels >= review) * step_s >= _REVIEW_S
    rows, start = line.readings.rows, base - first_row(line.readings)
    first = max(bursts[0][0] * _STEP_ROWS + start, 0)
    last = min(max(bursts[-1][1] * _STEP_ROWS + start, first + 1), rows)
    worst = int(at[levels.argmax()]) * _STEP_ROWS + start
    many = f"{count} bursts" if count > 1 else "a burst"
    within = length_of(line.readings, (first, last))
    return line.finding(
        "sound.rumble",
        (first, last),
        grade=Grade.REVIEW if serious else Grade.NOTE,
        worst_row=min(max(worst, first), last - 1),
        worst=highest,
        limit=review if serious else float(line.measured.limits["rumble.note_dbfs"]),
        unit="dBFS",
        message=(
            f"{line}: {many} under 60 Hz within {within}, {len(at) * step_s:.2f} s "
            f"together, up to {signed(highest, 0)} dBFS: "
            "knocks, rubbing, breath or wind on the microphone."
        ),
        advice=(
            "listen to it; fix the microphone and its cable so that nothing touches "
            "them, put it on a soft mount and under a wind shield, and switch on the "
            "low cut at the first stage. Drums, doors and steps that are meant to be "
            "heard may stand as they are."
        ),
    )


def _summarise(measured: Measured) -> Mapping[str, object]:
    channels = []
    for k, _, track in tracks_of(measured):
        both = totals_of(measured, "rumble")[k]["decibels"]
        for index in range(track.channels):
            low = both[:, 0, index]
            known = low[~np.isnan(low)]
            channels.append(
                {
                    "channel": track.channel_numbers[index],
                    "usual_dbfs": float(np.median(known)) if known.size else math.nan,
                    "highest_dbfs": float(known.max()) if known.size else math.nan,
                }
            )
    return {"channels": channels} if channels else {}


# fmt: off
_OPTIONS = (
    Option("rumble.note_dbfs", -40.0,
           "Bursts under 60 Hz are told from this level on, over 50 ms (house choice).",
           unit="dBFS", low=-80, high=0),
    Option("rumble.review_dbfs", -15.0,
           "Bursts over this for 0.2 s together are for review, else a note "
           "(house choice).", unit="dBFS", low=-80, high=0),
)
# fmt: on

MEASURE = Measure(
    name="rumble",
    version=2,
    label="Rumble",
    clock="sound",
    columns=(),
    options=_OPTIONS,
    start=_Reader,
    checks=(_check,),
    check_rules={"sound.rumble": "Knocks or wind"},
    summarise=_summarise,
    method=(
        "RMS from 15 to 60 Hz and from 110 Hz on (twice a Butterworth filter of second "
        "order), every 50 ms. A burst stands 3 dB over the sound from 110 Hz on at the "
        "same time, and 12 dB over the channel's median under 60 Hz; no 20 s from one, "
        "others count that stay up to 6 dB under it. What lasts 0.6 s and sways by "
        "less than 2 dB is a machine or hum. Told are three bursts no 20 s apart, "
        "0.3 s of them, or one over -25 dBFS. What louder speech covers is not told; "
        "drums, doors and steps are bursts as well."
    ),
    source="Butterworth filters: textbook. Own method; limits: house choice.",
)
