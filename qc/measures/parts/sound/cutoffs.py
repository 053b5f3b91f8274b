"""Where one channel is cut off while another carries sound, to the hundredth.

A cable that comes off leaves nothing but zeros, or the noise of the converter alone,
and does so at once. That is certain after a moment: nothing in a room falls silent so.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from qc.measures.base import Measured
from qc.measures.parts.sound.soundlines import (
    ROWS_PER_SECOND,
    Line,
    first_row,
    totals_of,
    tracks_of,
)
from qc.measures.parts.sound.truepeak import SILENCE_DBFS, keeps_samples, lfe_index
from qc.spans import Span, bridged, runs

__all__ = [
    "COARSE",
    "CutOff",
    "Heard",
    "cut_offs",
    "gated",
    "judged",
    "nothing",
    "told_gaps",
]

COARSE = ("pcm_u8", "pcm_s8", "pcm_alaw", "pcm_mulaw")
"""In coarse or logarithmic steps quiet sound rounds to zeros by itself."""

# A row of nothing but zeros has no level at all.
_NOTHING_DBFS = SILENCE_DBFS + 1.0
# Noise that is left lies so far under all that the channel carries otherwise, and the
# fall to it takes no longer than so many rows: what fades or is gated is none.
_UNDER_FLOOR_DB, _EDGE_DB = 12.0, 6.0
_EDGE_ROWS, _LOOKED_ROWS = 2, 8
# Single rows over it, such as of a plug that crackles, do not end a stretch.
_BRIDGE_ROWS, _LOW_SHARE = 10, 0.98
# Of the rows with sound these are the lowest: the noise of the room.
_FLOOR_PERCENT = 5.0
_SHORTEST_ALIVE = 50
# A gate in a mixer or wireless receiver cuts to zeros as well (house choices).
_GATE_TIMES, _GATE_DB, _GATE_SHARE = 4, 12.0, 0.9


@dataclass(frozen=True, slots=True)
class CutOff:
    """A stretch of rows of one channel; `zeros`: not even noise is left."""

    span: Span
    zeros: bool


@dataclass(frozen=True, slots=True, eq=False)
class Heard:
    """How many channels carry sound in each hundredth of the take.

    Attributes
    ----------
    counts : (rows,) array
    origin : int
        Number of the first row.
    """

    counts: NDArray[np.int32]
    origin: int

    @classmethod
    def of(cls, measured: Measured) -> Heard:
        """Count the channels over the level from which they carry sound."""
        tracks = tracks_of(measured)
        level = np.float32(measured.limits["peaks.sound_level_dbfs"])
        origin = min((first_row(r) for _, r, _ in tracks), default=0)
        length = max((first_row(r) + r.rows for _, r, _ in tracks), default=0) - origin
        counts = np.zeros(length, np.int32)
        for _, readings, _ in tracks:
            rms = readings["peaks.rms_dbfs"]
            at = slice(first_row(readings) - origin, None)
            counts[at][: len(rms)] += np.count_nonzero(rms > level, axis=1)
        return cls(counts, origin)

    def beside(self, line: Line) -> NDArray[np.bool_]:
        """Return in which rows of a channel another one carries sound."""
        own = line.column("rms_dbfs") > np.float32(line.limit("sound_level_dbfs"))
        at = slice(first_row(line.readings) - self.origin, None)
        return np.asarray(self.counts[at][: len(own)] > own)


def judged(measured: Measured) -> Iterator[Line]:
    """Yield the channels that should carry something."""
    unused = set(measured.limits["peaks.unused_channels"])
    for _, readings, track in tracks_of(measured):
        for index in range(track.channels):
            line = Line(measured, readings, track, index)
            if index != lfe_index(track.layout) and unused.isdisjoint(line.names):
                yield line


def nothing(rms: NDArray[np.floating]) -> NDArray[np.bool_]:
    """Return which rows hold zeros only."""
    return np.asarray(rms <= _NOTHING_DBFS)


def cut_offs(line: Line, heard: Heard) -> list[CutOff]:
    """Return where a channel is cut off while another carries sound.

    Where a hole is told as a drop-out already it is left out.
    """
    if "peaks.rms_dbfs" not in line.readings.columns:
        return []
    own = line.column("rms_dbfs")
    least = line.limit("cut_min_seconds") * ROWS_PER_SECOND
    told, beside = told_gaps(line), heard.beside(line)
    found = [
        one
        for one in _candidates(line, own)
        if not any(a < one.span[1] and one.span[0] < b for a, b in told)
    ]
    if gated(own, [one.span for one in found if one.zeros]):
        return []
    return [
        one
        for one in found
        if one.span[1] - one.span[0] >= least
        and np.count_nonzero(beside[slice(*one.span)])
        >= max(0.5 * least, 0.05 * (one.span[1] - one.span[0]))
    ]


def _candidates(line: Line, rms: NDArray[np.float32]) -> list[CutOff]:
    """Return stretches of zeros, and of noise far under the channel's own, in order."""
    codec = line.track.codec
    if codec in COARSE:
        return []
    zeros = nothing(rms)
    found = [
        CutOff(span, zeros=bool(zeros[slice(*span)].mean() >= _LOW_SHARE))
        for span in _falls(rms, line.limit("dead_level_dbfs"))
    ]
    if keeps_samples(codec):
        found += [CutOff(span, zeros=True) for span in _bridged(zeros)]
    out: list[CutOff] = []
    # The longer of two that overlap.
    for one in sorted(found, key=lambda c: (c.span[0], -c.span[1])):
        if out and one.span[0] < out[-1].span[1]:
            continue
        out.append(one)
    return out


def _bridged(low: NDArray[np.bool_]) -> Iterator[Span]:
    times = np.arange(len(low) + 1, dtype=np.float64)
    for first, last in bridged(runs(low), times=times, gap=_BRIDGE_ROWS):
        if low[first:last].mean() >= _LOW_SHARE:
            yield first, last
        else:
            yield from ((first + a, first + b) for a, b in runs(low[first:last]))


def gated(rms: NDArray[np.float32], zeros: list[Span]) -> bool:
    """Tell whether zeros come again and again, and always after a quiet moment.

    A gate closes when nobody speaks into its microphone; a plug comes loose at any
    time.
    """
    if len(zeros) < _GATE_TIMES:
        return False
    alive = rms[~np.isnan(rms) & ~nothing(rms)]
    if not alive.size:
        return False
    quiet = float(np.percentile(alive, 75.0)) - _GATE_DB
    before = [rms[max(first - 5, 0) : first] for first, _ in zeros]
    calm = [not b.size or not np.nanmedian(b) > quiet for b in before]
    return float(np.mean(calm)) >= _GATE_SHARE


def _falls(rms: NDArray[np.float32], dead: float) -> Iterator[Span]:
    """Yield stretches far under the channel's own floor that begin and end at once."""
    alive = rms[rms >= dead]
    if alive.size < _SHORTEST_ALIVE:
        return
    level = min(dead, float(np.percentile(alive, _FLOOR_PERCENT)) - _UNDER_FLOOR_DB)
    for first, last in _bridged(rms < level):
        before = rms[max(first - _LOOKED_ROWS, 0) : first]
        after = rms[last : last + _LOOKED_ROWS]
        # At an end of the take there is no edge to be seen.
        ends = [e for e in (before[::-1], after) if e.size]
        if ends and all(_at_once(e, level + _EDGE_DB) for e in ends):
            yield first, last


def _at_once(outward: NDArray[np.float32], level: float) -> bool:
    """Tell whether rows are over a level right from an edge on."""
    with np.errstate(invalid="ignore"):
        return bool(
            (outward[:_EDGE_ROWS] > level).any()
            and np.nanmedian(outward[: _LOOKED_ROWS // 2]) > level
        )


def told_gaps(line: Line) -> list[Span]:
    """Return the rows of the channel's drop-outs, which are told as such."""
    tracks = totals_of(line.measured, "dropout")
    number = next(k for k, r, _ in tracks_of(line.measured) if r is line.readings)
    if number >= len(tracks):
        return []
    rate, base = line.track.sample_rate, first_row(line.readings)
    totals: Mapping[str, Any] = tracks[number]
    return [
        (
            first * ROWS_PER_SECOND // rate - base,
            last * ROWS_PER_SECOND // rate - base + 1,
        )
        for channel, kind, first, last, _ in totals["breaks"]
        if channel == line.index and kind in ("zeros", "hole")
    ]
