"""Phase: channels that cancel each other in mono, and channels that are the same."""

from __future__ import annotations

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
from qc.measures.parts.sound.samesound import MOST_CHANNELS, check_same, fit, heard
from qc.measures.parts.sound.soundlines import (
    ROWS_PER_SECOND,
    Line,
    length_of,
    tracks_of,
)
from qc.measures.parts.sound.soundpieces import CellSums
from qc.measures.parts.sound.soundviews import seen
from qc.measures.parts.sound.truepeak import (
    SILENCE_DBFS,
    dbfs,
    row_reduce,
)
from qc.records import AudioTrack, Finding, Grade, SoundBlock
from qc.spans import bridged, past_limit

__all__ = ["MEASURE", "mono_loss_db"]

Rows = NDArray[np.float64]

_CELL_HZ = 6000  # correlation is read on about so many cells a second
_WINDOW_ROWS = 40  # 400 ms: one or two syllables
# Channels of different tracks are compared by one number a row. For unlike sounds its
# correlation scatters by the root of one over the rows, 0.07 over two seconds.
_SKETCH_WINDOW_ROWS = 200
_REVERSED = -0.9
RANDOM_STATE = 1770  # fixed: fingerprints of all tracks must be made alike
_SIGNS = np.sign(np.random.default_rng(RANDOM_STATE).random(1 << 14) - 0.5)
_SIGNS = _SIGNS.astype(np.float32)


def mono_loss_db(correlation: float, ratio_db: float = 0.0) -> float:
    """Return what the sum of two channels loses against unlike sound, in dB.

    Parameters
    ----------
    correlation : float
        -1 to 1.
    ratio_db : float
        Level of one channel over the other.

    Returns
    -------
    float
        20 dB or more stand for "all".

    Examples
    --------
    >>> mono_loss_db(0.0), round(mono_loss_db(-0.9), 1), mono_loss_db(-1.0)
    (0.0, 10.0, inf)
    """
    ratio = 10.0 ** (ratio_db / 20.0)
    kept = 1.0 + 2.0 * correlation * ratio / (1.0 + ratio**2)
    return math.inf if kept <= 1e-12 else 0.0 - 10.0 * math.log10(kept)


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
        counts = np.maximum(np.diff(edges), 1)[:, np.newaxis]
        energy = row_reduce(np.add, np.square(steps), edges)
        sketch = row_reduce(np.add, steps * self._signs(block, steps.shape[1]), edges)
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
        return np.take(_SIGNS, np.arange(first, first + count), mode="wrap")

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
        return {}


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
    correlation: NDArray[np.floating]
    lag: int  # rows that the reading stands behind the middle of its window

    @property
    def name(self) -> str:
        a, b = (str(x).removeprefix("Channel ") for x in (self.first, self.second))
        return f"Channels {a} and {b}"


def _pairs(measured: Measured) -> Iterator[_Pair]:
    """Yield the pairs that may be heard together: of a stereo track, of mono tracks."""
    waiting: Line | None = None
    for _, readings, track in tracks_of(measured):
        lines = [Line(measured, readings, track, i) for i in range(track.channels)]
        if track.channels == 2:
            yield _Pair(
                lines[0], lines[1], readings["phase.correlation"], _WINDOW_ROWS // 2
            )
        elif track.channels == 1:
            if waiting is not None and fit(waiting, lines[0]):
                yield _across(waiting, lines[0])
                waiting = None
            else:
                waiting = lines[0]
        elif track.channels > 2 and track.channels % 2 == 0 and "." not in track.layout:
            for k in range(0, min(track.channels, MOST_CHANNELS) - 1, 2):
                yield _across(lines[k], lines[k + 1])


def _across(a: Line, b: Line) -> _Pair:
    """Return a pair by the fingerprints of its channels."""
    rows = min(a.readings.rows, b.readings.rows)
    x, y = (heard(line)[:rows] for line in (a, b))
    width = _SKETCH_WINDOW_ROWS
    sums = [_trailing(v, width) for v in (x * y, x * x, y * y)]
    with np.errstate(invalid="ignore", divide="ignore"):
        out = sums[0] / np.sqrt(sums[1] * sums[2])
    known = _trailing((x != 0.0) & (y != 0.0), width)
    out[known < width // 4] = math.nan
    return _Pair(a, b, out, width // 2)


def _trailing(values: NDArray[np.generic], width: int) -> Rows:
    summed = np.concatenate([[0.0], np.cumsum(values, dtype=np.float64)])
    ends = np.arange(1, len(values) + 1)
    return np.asarray(summed[ends] - summed[np.maximum(ends - width, 0)])


def _check_phase(measured: Measured) -> Iterator[Finding]:
    """Yield stretches in which two channels cancel each other."""
    limit = float(measured.limits["phase.review_correlation"])
    least = float(measured.limits["phase.min_seconds"]) * ROWS_PER_SECOND
    for pair in _pairs(measured):
        readings, values = pair.first.readings, pair.correlation
        times = readings.times()
        held = _held(values, ROWS_PER_SECOND)
        spans = past_limit(held, limit=limit, release=limit / 2, above=False)
        for first, last in bridged(spans, times=times, gap=1.0):
            if last - first < least:
                continue
            span = max(first - pair.lag, 0), min(last, readings.rows)
            yield _cancels(measured, pair, span, values[first:last], limit)


def _held(values: NDArray[np.floating], rows: int) -> Rows:
    """Return readings with the last known one held over short silences."""
    known = ~np.isnan(values)
    at = np.maximum.accumulate(np.where(known, np.arange(len(values)), -1))
    out = np.where(at >= 0, values[np.maximum(at, 0)], math.nan).astype(np.float64)
    out[np.arange(len(values)) - at > rows] = math.nan
    return out


def _cancels(
    measured: Measured,
    pair: _Pair,
    span: tuple[int, int],
    values: NDArray[np.floating],
    limit: float,
) -> Finding:
    middle = float(np.nanmedian(values))
    a, b = (
        _loudness(line, slice(*span)) for line in (pair.first, pair.second)
    )  # fmt: skip
    loss = mono_loss_db(middle, a - b)
    lost = "nearly everything" if loss > 20 else f"{loss:.0f} dB"
    turned = middle < _REVERSED
    worst = int(np.nanargmin(values))
    whole = span[1] - span[0] >= 0.95 * pair.first.readings.rows
    when = (
        "in the whole take" if whole else f"for {length_of(pair.first.readings, span)}"
    )
    likely = "" if turned else "most likely "
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
            f"(correlation {signed(middle, 2)}); added to mono they lose {lost}."
        ),
        advice=(
            f"{pair.name}: press the polarity (phase) switch of one of the two on the "
            "mixer, or use another cable: one is wired the other way round. If that "
            "does not help, two microphones hear the same voice from different "
            "distances: use one of them. Until then use one channel only."
        ),
    )


def _loudness(line: Line, rows: slice) -> float:
    level = line.readings["phase.level_dbfs"][rows, line.index].astype(np.float64)
    power = 10.0 ** (level / 10.0)
    mean = float(np.nanmean(power)) if np.isfinite(power).any() else 0.0
    return float(10.0 * np.log10(max(mean, 10.0 ** (SILENCE_DBFS / 10.0))))


def _summarise(measured: Measured) -> Mapping[str, object]:
    pairs = []
    for pair in _pairs(measured):
        known = pair.correlation[~np.isnan(pair.correlation)]
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
    checks=(_check_phase, check_same),
    check_rules={
        "sound.phase": "Channels cancel in mono",
        "sound.same": "Same sound twice",
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
    method=(
        "Samples are averaged to about 6 kHz and differenced, so that speech counts "
        "and hum and rumble do not. A stereo track: correlation over the 400 ms that "
        "end with each row. Channels of different tracks are compared by one number a "
        "row, the sum with random signs, which is turned round where the sound is and "
        "the same where the sound is: exact for both, within about 0.07 over 2 s for "
        "unlike sounds. Pairs are the two channels of a track, and mono tracks two by "
        "two; two microphones far apart are near 0."
    ),
    source=(
        "Correlation: textbook statistics. Comparing by random signs: random "
        "projections (Johnson and Lindenstrauss 1984). Limits: house choice."
    ),
)
