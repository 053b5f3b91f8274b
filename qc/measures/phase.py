"""Phase: channels that cancel each other in mono, and channels that are the same."""

from __future__ import annotations

import functools
import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc.limits import Option
from qc.measures.base import (
    Chart,
    Column,
    Measure,
    Measured,
    Setup,
    Values,
    finding_of,
    signed,
)
from qc.measures.parts.sound.polarity import Compared, LowBand, LowKeeper, compared
from qc.measures.parts.sound.samesound import MOST_CHANNELS, check_same, fit
from qc.measures.parts.sound.soundlines import (
    ROWS_PER_SECOND,
    Line,
    channel_names,
    first_row,
    length_of,
    totals_of,
    tracks_of,
)
from qc.measures.parts.sound.soundpieces import CellSums
from qc.measures.parts.sound.soundviews import seen
from qc.measures.parts.sound.swapped import check_swapped
from qc.measures.parts.sound.truepeak import dbfs, row_reduce
from qc.records import AudioTrack, Finding, Grade, SoundBlock
from qc.spans import Span, bridged, past_limit

__all__ = ["MEASURE"]

Rows = NDArray[np.float64]

_CELL_HZ = 6000  # correlation is read on about so many cells a second
_WINDOW_ROWS = 40  # 400 ms: one or two syllables
_REVERSED = -0.9
_MEDIAN = 0.8  # of the limit that the middle of a stretch must be past
_RIGHT = 0.5  # from here on channels are the right way round
_UNLIKE = -0.2  # from here on they have too little in common to be turned
_TOLD_LAG_MS = 0.2
RANDOM_STATE = 1770  # fixed: fingerprints of all tracks must be made alike
_SIGNS = np.sign(np.random.default_rng(RANDOM_STATE).random(1 << 14) - 0.5)
# Twice, so that a slice may begin anywhere.
_SIGNS = np.tile(_SIGNS.astype(np.float32), 2)


class _Reader:
    def __init__(self, setup: Setup, track: AudioTrack) -> None:
        self._gate = 10.0 ** (setup.limits["phase.gate_dbfs"] / 10.0)
        self._pair = track.channels == 2
        channels = min(track.channels, MOST_CHANNELS)
        self._channels, self._all = channels, track.channels
        self._cells = CellSums(channels, max(round(track.sample_rate / _CELL_HZ), 1))
        self._last = np.zeros((channels, 1), np.float32)
        self._at: int | None = None  # the next cell's place in the take
        self._size = max(round(track.sample_rate / _CELL_HZ), 1)
        self._sums = np.zeros((_WINDOW_ROWS, 3))  # of the rows before
        self._low = LowKeeper(channels, track.sample_rate / self._size)

    def read(self, block: SoundBlock) -> Values:
        if block.gap_before:
            self._begin()
        if not seen(block).usable[: self._channels].all():
            return self._nothing(block)
        samples = block.samples[: self._channels]
        ready = None
        if self._cells.empty:
            ready = seen(block).cells(self._size)[: self._channels]
        cells, edges = self._cells.feed(samples, block.row_edges, ready)
        # The difference from cell to cell leaves offset, hum and rumble out.
        joined = np.concatenate([self._last, cells], axis=1)
        steps = joined[:, 1:] - joined[:, :-1]
        self._last = joined[:, -1:].copy()
        first = block.start // self._size if self._at is None else self._at
        self._low.feed(steps, first)
        counts = np.maximum(np.diff(edges), 1)[:, np.newaxis]
        energy = row_reduce(np.add, np.square(steps), edges)
        signs = self._signs(block, steps.shape[1])
        sketch = row_reduce(np.add, steps * signs, edges)
        values: dict[str, NDArray[np.floating]] = {
            "level_dbfs": self._wide(dbfs(np.sqrt(energy / counts))),
            "fingerprint": self._wide(sketch / np.sqrt(counts)),
        }
        if self._pair:
            both = row_reduce(np.add, (steps[0] * steps[1])[np.newaxis], edges)
            sums = np.concatenate([both, energy], axis=1)
            values["correlation"] = self._correlation(np.nan_to_num(sums), counts)
        return values

    def _signs(self, block: SoundBlock, count: int) -> NDArray[np.float32]:
        """Return +1 and -1 by the cell's place in the take: alike for all tracks."""
        first = block.start // self._size if self._at is None else self._at
        self._at = first + count
        begin = first % (len(_SIGNS) // 2)
        if begin + count <= len(_SIGNS):
            return _SIGNS[begin : begin + count]
        return np.take(_SIGNS, np.arange(begin, begin + count), mode="wrap")

    def _wide(self, values: Rows) -> Rows:
        if self._channels == self._all:
            return values
        out = np.full((len(values), self._all), math.nan)
        out[:, : self._channels] = values
        return out

    def _correlation(self, sums: Rows, counts: NDArray[np.int64]) -> Rows:
        """Return the correlation over the 400 ms that end with each row."""
        joined = np.concatenate([self._sums, sums])
        # Each window anew, so that nothing loud that is past leaves a trace.
        ten = _sum_of(joined[1:], parts=10, apart=1)
        both, a, b = _sum_of(ten, parts=_WINDOW_ROWS // 10, apart=10).T
        self._sums = joined[-_WINDOW_ROWS:].copy()
        least = self._gate * _WINDOW_ROWS * float(np.median(counts))
        with np.errstate(invalid="ignore", divide="ignore"):
            out = both / np.sqrt(a * b)
        out[~((a > least) & (b > least))] = math.nan
        return np.asarray(np.clip(out, -1.0, 1.0))

    def _begin(self) -> None:
        """Forget what came before a gap: what follows does not join on."""
        self._cells.reset()
        self._last[:] = 0.0
        self._sums[:] = 0.0
        self._at = None
        self._low.reset()

    def _nothing(self, block: SoundBlock) -> Values:
        self._begin()
        rows = len(block.row_edges) - 1
        empty = np.full((rows, self._all), math.nan)
        out: dict[str, NDArray[np.floating]] = {
            "level_dbfs": empty,
            "fingerprint": empty,
        }
        if self._pair:
            out["correlation"] = np.full(rows, math.nan)
        return out

    def finish(self) -> Mapping[str, object]:
        return {"low": self._low.finish()}


def _sum_of(values: Rows, *, parts: int, apart: int) -> Rows:
    length = len(values) - (parts - 1) * apart
    total = values[:length].copy()
    for k in range(1, parts):
        total += values[k * apart : k * apart + length]
    return total


@dataclass(frozen=True, slots=True, eq=False)
class _Pair:
    """Two channels that play together, and how alike they are over time."""

    first: Line
    second: Line
    compared: Compared

    @property
    def name(self) -> str:
        return channel_names([self.first, self.second])


def _pairs(measured: Measured) -> Iterator[_Pair]:
    """Yield the pairs that may be heard together: of a stereo track, of mono tracks."""
    waiting: Line | None = None
    for _, readings, track in tracks_of(measured):
        lines = [Line(measured, readings, track, i) for i in range(track.channels)]
        if track.channels == 2:
            yield _pair(lines[0], lines[1])
        elif track.channels == 1:
            if waiting is not None and fit(waiting, lines[0]):
                yield _pair(waiting, lines[0])
                waiting = None
            else:
                waiting = lines[0]
        elif track.channels > 2 and track.channels % 2 == 0 and "." not in track.layout:
            for k in range(0, min(track.channels, MOST_CHANNELS) - 1, 2):
                yield _pair(lines[k], lines[k + 1])


@functools.lru_cache(maxsize=1)
def _pairs_of(measured: Measured) -> tuple[_Pair, ...]:
    """Return the pairs of a take: findings and figures are made from the same."""
    return tuple(_pairs(measured))


def _pair(a: Line, b: Line) -> _Pair:
    """Compare two channels, of one track or of two, by their low bands."""
    rows = min(a.readings.rows, b.readings.rows)
    gate = float(a.measured.limits["phase.gate_dbfs"])
    levels = [x.readings["phase.level_dbfs"][:rows, x.index] for x in (a, b)]
    low = [_low_of(x) for x in (a, b)]
    with np.errstate(invalid="ignore"):
        loud = np.asarray((levels[0] > gate) & (levels[1] > gate))
    return _Pair(
        a, b, compared(low[0], low[1], first_row=first_row(a.readings), loud=loud)
    )


def _low_of(line: Line) -> tuple[LowBand, int]:
    tracks = totals_of(line.measured, "phase")
    number = next(k for k, r, _ in tracks_of(line.measured) if r is line.readings)
    return tracks[number]["low"], line.index


def _check_phase(measured: Measured) -> Iterator[Finding]:
    """Yield stretches in which two channels cancel each other."""
    limit = float(measured.limits["phase.review_correlation"])
    least = float(measured.limits["phase.min_seconds"]) * ROWS_PER_SECOND
    for pair in _pairs_of(measured):
        values = pair.compared.correlation
        times = pair.first.readings.times()[: len(values) + 1]
        held = _held(values, ROWS_PER_SECOND)
        spans = past_limit(held, limit=limit, release=limit / 2, above=False)
        for span in bridged(spans, times=times, gap=1.0):
            first, last = _from_to(pair, span)
            if (
                last - first >= least
                and pair.compared.turned(first, last)
                and np.nanmedian(values[first:last]) < _MEDIAN * limit
            ):
                yield _cancels(measured, pair, (first, last), limit)


def _from_to(pair: _Pair, span: Span) -> Span:
    """Return where polarity turns, to the row, near the ends of a stretch.

    Where the channels have more in common than halfway from one side to the other, it
    is before the turn. Loud rows weigh as quiet ones do: a pause may hold the turn.
    """
    compared, rows = pair.compared, len(pair.compared.product)
    alike = np.zeros(rows)
    np.divide(2 * compared.product, compared.apart, out=alike, where=compared.apart > 0)
    ends = []
    for at, inward in zip(span, (1, -1), strict=True):
        a, b = max(at - _WINDOW_ROWS, 0), min(at + _WINDOW_ROWS, rows)
        inside, outside = (
            _usual(alike, at + side * _WINDOW_ROWS, side) for side in (inward, -inward)
        )
        if math.isnan(outside):
            outside = 1.0  # at an end of the take: nothing is known
        over = inward * (alike[a:b] - 0.5 * (inside + max(outside, 0.0)))
        over[compared.apart[a:b] <= 0] = 0.0
        ends.append(a + int(np.concatenate([[0.0], np.cumsum(over)]).argmax()))
    first, last = ends
    # Up to the ends of the take, unless it is not turned round there.
    first = 0 if _may_be_turned(compared.correlation[:first]) else first
    last = rows if _may_be_turned(compared.correlation[last:]) else last
    return first, max(last, first + 1)


def _may_be_turned(correlation: Rows) -> bool:
    """Tell whether nothing speaks against a turn where it was not told."""
    known = correlation[~np.isnan(correlation)]
    if (known > _RIGHT).any():
        return False
    # Less than one reading looks over, such as a breath's pause, tells nothing.
    return known.size < _WINDOW_ROWS or float(np.median(known)) < _UNLIKE


def _usual(alike: Rows, at: int, side: int) -> float:
    """Return how alike channels are from a row on, to one side; NaN beyond the ends."""
    low, high = sorted((at, at + side * 2 * _WINDOW_ROWS))
    known = alike[max(low, 0) : max(high, 0)]
    known = known[known != 0]
    return float(np.median(known)) if known.size else math.nan


def _held(values: NDArray[np.floating], rows: int) -> Rows:
    """Return readings with the last known one held over short silences."""
    known = ~np.isnan(values)
    at = np.maximum.accumulate(np.where(known, np.arange(len(values)), -1))
    out = np.where(at >= 0, values[np.maximum(at, 0)], math.nan).astype(np.float64)
    out[np.arange(len(values)) - at > rows] = math.nan
    return out


def _cancels(measured: Measured, pair: _Pair, span: Span, limit: float) -> Finding:
    rows = slice(*span)
    values = pair.compared.correlation[rows]
    middle = float(np.nanmedian(values))
    both, apart = (v[rows].sum() for v in (pair.compared.both, pair.compared.apart))
    loss = -10.0 * math.log10(max(both / apart, 1e-12)) if apart > 0 else 0.0
    lost = "nearly everything" if loss > 20 else f"{loss:.0f} dB"
    lag = 1000.0 * float(np.median(np.abs(pair.compared.lag_s[rows])))
    later = f", heard {lag:.1f} ms apart" if lag >= _TOLD_LAG_MS else ""
    turned = middle < _REVERSED
    worst = int(np.nanargmin(values))
    whole = span[1] - span[0] >= 0.95 * pair.first.readings.rows
    when = (
        "in the whole take" if whole else f"for {length_of(pair.first.readings, span)}"
    )
    likely = "" if turned else "most likely "
    cancels = (
        f"added to mono they lose {lost}"
        if loss >= 1.0
        else "added to mono low voices lose most"
    )
    return finding_of(
        measured,
        pair.first.readings,
        rule="sound.phase",
        grade=Grade.REVIEW,
        first=span[0],
        last=span[1],
        worst_row=min(span[0] + worst, span[1] - 1),
        worst=float(np.nanmin(values)),
        limit=limit,
        message=(
            f"{pair.name}: one {likely}has its polarity turned round {when} "
            f"(correlation {signed(middle, 2)}{later}); {cancels}."
        ),
        advice=(
            f"{pair.name}: press the polarity (phase) switch of one of the two on the "
            "mixer, or use another cable: one is wired the other way round. If that "
            "does not help, two microphones hear the same voice from different "
            "distances: use one of them. Until then use one channel only."
        ),
    )


def _summarise(measured: Measured) -> Mapping[str, object]:
    pairs = []
    for pair in _pairs_of(measured):
        values = pair.compared.correlation
        known = values[~np.isnan(values)]
        pairs.append(
            {
                "channels": [int(line.names[0]) for line in (pair.first, pair.second)],
                "correlation_median": float(np.median(known))
                if known.size
                else math.nan,
                "correlation_lowest": float(known.min()) if known.size else math.nan,
            }
        )
    return {"pairs": pairs} if pairs else {}


def _notes(measured: Measured) -> Iterable[str]:
    for _, _, track in tracks_of(measured):
        if track.channels > MOST_CHANNELS:
            yield (
                f"Sound track {track.number + 1}: phase was read on its first "
                f"{MOST_CHANNELS} channels only."
            )


# fmt: off
_OPTIONS = (
    Option("phase.review_correlation", -0.5,
           "Review when the correlation of two channels stays under this: from -1 "
           "(one is the other turned round) over 0 (unlike sounds) to 1 (the same) "
           "(house choice).", low=-1, high=0),
    Option("phase.min_seconds", 2.0,
           "So long it must stay there (house choice).", unit="s", low=0.1, high=3600),
    Option("phase.gate_dbfs", -65.0,
           "Quieter sound is not compared (house choice; levels of the difference "
           "from sample to sample at about 6 kHz).", unit="dBFS", low=-150, high=0,
           measuring=True),
    Option("phase.same_correlation", 0.9995,
           "From this correlation on two channels are one sound recorded twice "
           "(house choice).", low=0.9, high=1),
    Option("phase.same_correlation_lossy", 0.99,
           "The same for AAC and other lossy sound, in which the two copies differ a "
           "little (house choice).", low=0.9, high=1),
)
# fmt: on

MEASURE = Measure(
    name="phase",
    label="Phase between channels",
    clock="sound",
    columns=(
        Column("correlation", "Correlation of the two channels", "", 2),
        Column("level_dbfs", "Level of what is compared", "dBFS", per_channel=True),
        Column("fingerprint", "Fingerprint of the row", "", 4, per_channel=True),
    ),
    options=_OPTIONS,
    start=_Reader,
    checks=(_check_phase, check_same, check_swapped),
    check_rules={
        "sound.phase": "Channels cancel in mono",
        "sound.same": "Same sound twice",
        "sound.swapped": "Channels changed places",
    },
    charts=(
        Chart(
            ("correlation",),
            "Correlation",
            "",
            low=-1.0,
            high=1.0,
            limits=("phase.review_correlation",),
            explain=(
                "Of the two channels over 400 ms: 1 the same, 0 unlike, -1 turned "
                "round, so that they cancel in mono."
            ),
        ),
    ),
    summarise=_summarise,
    notes=_notes,
    version=6,
    method=(
        "Samples are averaged to about 6 kHz and differenced, so that speech counts "
        "and hum and rumble do not. Pairs are the two channels of a track, and mono "
        "tracks two by two. Polarity: the band of 80 to 650 Hz of both is compared "
        "over 2 s, once a second, at every lag up to 20 ms, nearly seven metres, all "
        "parts of it made equally strong, so that a voice's pitch has no lobes; "
        "turned round is what is more alike upside down, at its best lag, than the "
        "right way up at any, by half. Over 400 ms with the lag undone it is then read "
        "row by row. Two microphones far apart are near 0; a single tone does not "
        "tell. The strip shows the two channels of a track as they are, no lag undone. "
        "The same sound twice: by one number a row, the sum with random signs. "
        "Changed places: the noise (the quietest twentieth of ten seconds) of two "
        "channels lies 6 dB apart, by treble 4, and becomes each other's within 2.5 "
        "dB at once, steady for some ten seconds on either side."
    ),
    source=(
        "Correlation: textbook statistics. Comparing by random signs: random "
        "projections (Johnson and Lindenstrauss 1984). Limits: house choice."
    ),
)
