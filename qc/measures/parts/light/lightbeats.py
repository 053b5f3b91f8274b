"""Where and how much lamps beat with the frame rate, from strips of a whole take."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from qc.measures.base import Measured
from qc.measures.parts.light.beatedges import Told, settle
from qc.measures.parts.light.fastbeats import (
    LOW_HZ,
    RESOLUTION_HZ,
    SEEN,
    UNKNOWN_HZ,
    WINDOW_S,
    Beat,
    by_coder,
    fast_beat,
    known_levels,
    rate_of,
)
from qc.measures.parts.light.lightcommon import common_wave
from qc.measures.parts.light.lightfields import fields_of
from qc.measures.parts.light.lightrolls import (
    CRAWL_HZ,
    CRAWL_ROUNDS,
    LEAST_ROUNDS,
    MOST_ROUNDS,
    roll_of,
    slow_beat,
)
from qc.measures.parts.light.lightwaves import (
    FLICKER_BANDS,
    PARTS,
    STRIPS,
    Wave,
    strongest_wave,
)
from qc.measures.parts.light.mains import (
    PULSES_HZ,
    beat_hz,
    percent_of_stops,
)
from qc.measures.parts.light.partrows import PartRows
from qc.measures.parts.light.passing import passes, ways_up
from qc.measures.parts.light.slowbeats import SLOW_WINDOWS, slow_wave
from qc.measures.parts.running import running_median, running_percentile
from qc.spans import Span

__all__ = [
    "COLUMNS",
    "FLICKER_ROUNDS",
    "RESOLUTION_HZ",
    "UNKNOWN_HZ",
    "beats",
    "rate_of",
    "shots",
]

Array = NDArray[np.float64]

COLUMNS = (
    "flicker_percent",
    "flicker_hz",
    "banding_percent",
    "banding_hz",
    "bands_count",
    "slow_floor_percent",
)

_HOP_S = 1.0
_LEAST_S = 2.0
_GAP_S = 0.5
# A jump: by so many stops in a frame, and so many times what is usual around it.
_STEP_STOPS = 0.08
_STEP_TIMES = 8.0
_AT_ONCE = 8192  # rows
_STEP_RANK = 70  # percent of the frames within a second that change less than usual

# Slow beats: 59.94 frames under 60 Hz take 8.3 s a round; mains that run off a little
# make bands crawl at 25 or 50 frames.
_SLOW_WINDOW_S = 30.0
_SLOW_HOP_S = 5.0
_SLOW_LEAST_S = 12.0
_SLOW_HIGH_HZ = 0.6
_SLOW_BANDS = 0.75
_SLOW_ROUNDS = 1.5
_SLOW_EXPLAINED = 0.7
# Nearly all that the light does must be this one wave: a lens that breathes, a lamp
# that is moved or automatic exposure are not as regular.
_SLOW_OF_ALL = 0.6
_SLOW_FLICKER_OF_ALL = 0.8
FLICKER_ROUNDS = 2.5
"""So many rounds of a slow flicker of the whole picture a shot must hold."""
_SLOW_OFF_HZ = 0.05


def shots(measured: Measured) -> Iterator[Span]:
    """Yield runs of rows within one shot whose light could be followed."""
    readings = measured.picture
    if readings is None or not readings.rows:
        return
    changes = readings["light.strips_stops"]
    times = readings.times()
    breaks = ~np.isfinite(changes).any(axis=1) | _steps(changes, rate_of(measured))
    breaks[1:] |= np.diff(times[:-1]) > _GAP_S
    if "framing.shot" in readings.columns:
        shot = readings["framing.shot"]
        breaks[1:] |= shot[1:] != shot[:-1]
    starts = np.flatnonzero(breaks)
    # A row that breaks has no change of its own but is the level others start from.
    edges = np.unique(np.concatenate([[0], starts, [readings.rows]]))
    for first, last in itertools.pairwise(edges):
        if last - first > 2:
            yield int(first), int(last)


def _joined(measured: Measured) -> Iterator[Span]:
    """Yield runs of rows in which the camera moves on from shot to shot, or all one.

    The lamp goes on beating over a cut or a pan. Where both neighbours are long enough
    to be looked at alone, a run ends, so that each is told by itself.
    """
    readings = measured.picture
    if readings is None or "light.parts_stops" not in readings.columns:
        return
    times = readings.times()
    ends = np.zeros(readings.rows, np.bool_)
    ends[1:] = np.diff(times[:-1]) > _GAP_S
    if "framing.shot" in readings.columns:
        shot = readings["framing.shot"]
        cuts = np.flatnonzero(shot[1:] != shot[:-1]) + 1
        edges = np.concatenate([[0], cuts, [readings.rows]])
        long = np.diff(times[edges]) >= _LEAST_S
        ends[cuts[long[1:] & long[:-1]]] = True
    yield from itertools.pairwise([0, *np.flatnonzero(ends).tolist(), readings.rows])


def _steps(changes: NDArray[np.float32], rate: float) -> NDArray[np.bool_]:
    """Return at which rows the light jumps: an iris or a lamp, not a beat."""
    pieces = (changes[at : at + _AT_ONCE] for at in range(0, len(changes), _AT_ONCE))
    common = np.concatenate(
        [np.abs(np.median(np.nan_to_num(piece), axis=1)) for piece in pieces]
    )
    usual = running_median(common, max(3, round(WINDOW_S * rate)), beyond="mirrored")
    # Nor is it one of many within a second: so a strong beat begins and ends.
    near = running_percentile(common, _STEP_RANK, max(3, round(rate)))
    np.maximum(usual, near, out=usual)
    return np.asarray(common > np.maximum(_STEP_STOPS, _STEP_TIMES * usual), np.bool_)


def beats(measured: Measured) -> dict[str, NDArray[np.float32]]:
    """Return the derived columns: percent and frequency of flicker and of bands.

    A row holds what the window around it holds; 0 where nothing beats, NaN where it
    could not be told. Slow bands weaker than ``slow_floor_percent`` were not looked
    for; NaN where none could be, or where the mains would make none.
    """
    readings = measured.picture
    rows = 0 if readings is None else readings.rows
    out = {name: np.full(rows, np.nan, np.float32) for name in COLUMNS}
    if readings is None:
        return out
    seen_percent = float(
        min(
            measured.limits["light.flicker_review_percent"],
            measured.limits["light.banding_review_percent"],
        )
    )
    # First, since it reads through the same wide column and lets go of it.
    spans = list(shots(measured))
    changes = readings["light.strips_stops"]
    keys = readings["light.key"] > 0
    times = readings.times()[:-1]
    sides = "light.parts_stops" in readings.columns
    parts = PartRows(readings, "light.parts_stops") if sides else None
    told: list[Told] = []
    up = ways_up(measured)
    fields = fields_of(readings, measured.info.video, spans, keys)
    for first, last in spans:
        part = slice(first, last)
        rate = rate_of(measured, times[part])
        for a, b, inner in _windows(times[part], WINDOW_S, _HOP_S, _LEAST_S):
            window = slice(first + a, first + b)
            beat = None if fields is None else fields.beat(window, rate)
            moments = 1 if beat is None else 2
            if beat is None:
                beat = fast_beat(changes[window], times[window], keys[window], rate)
            beat = _own(beat, up, times, window, moments)
            told += _write(out, first, inner, beat, seen_percent)
        told += _steady(out, (first, last), changes, parts, keys, times)
        for a, b, inner in _windows(
            times[part], _SLOW_WINDOW_S, _SLOW_HOP_S, _SLOW_LEAST_S
        ):
            window = slice(first + a, first + b)
            wave = _slow(changes[window], times[window], rate)
            if wave is not None and not _passes(wave, up, times, window):
                _write(out, first, inner, Beat(wave, 0.0), seen_percent)
        _roll(out, (first, last), changes, parts, times, rate)
    if parts is None:
        return out
    for first, last in _joined(measured):
        part = slice(first, last)
        rate = rate_of(measured, times[part])
        for a, b, inner in _windows(times[part], WINDOW_S, _HOP_S, _LEAST_S):
            window = slice(first + a, first + b)
            beat = _common(parts[window], times[window], keys[window], rate)
            beat = _own(beat, up, times, window)
            told += _write(out, first, inner, beat, seen_percent)
    if fields is None:
        settle(out, told, changes, times, spans)
    else:
        fields.settle(out, told, spans)
    return out


def _passes(
    wave: Wave, up: Array | None, times: Array, window: slice, moments: int = 1
) -> bool:
    ways = None if up is None else up[window]
    return passes(wave, ways, times[window], moments)


def _own(
    beat: Beat | None,
    up: Array | None,
    times: Array,
    window: slice,
    moments: int = 1,
) -> Beat | None:
    """Return a beat without a wave that only passes as the camera tilts."""
    if beat is None or beat.wave is None:
        return beat
    if not _passes(beat.wave, up, times, window, moments):
        return beat
    # What is there hides bands as strong.
    return Beat(None, max(beat.floor_percent, percent_of_stops(beat.wave.stops)))


def _steady(
    out: dict[str, NDArray[np.float32]],
    shot: Span,
    changes: NDArray[np.float32],
    parts: PartRows | None,
    keys: NDArray[np.bool_],
    times: Array,
) -> list[Told]:
    """Look through a shot for what beats more slowly than thrice a second."""
    first, last = shot
    told: list[Told] = []
    for length_s, hop_s, least_s, high_hz in SLOW_WINDOWS:
        for a, b, inner in _windows(times[first:last], length_s, hop_s, least_s):
            window = slice(first + a, first + b)
            part = None if parts is None else parts[window]
            wave = slow_wave(changes[window], part, times[window], high_hz=high_hz)
            if wave is None or by_coder(
                wave, changes[window], times[window], keys[window]
            ):
                continue
            told += _write(out, first, inner, Beat(wave, 0.0), 0.0, length_s)
    return told


def _roll(
    out: dict[str, NDArray[np.float32]],
    shot: Span,
    changes: NDArray[np.float32],
    parts: PartRows | None,
    times: Array,
    rate: float,
) -> None:
    """Look through a shot for bands that roll as slowly as the mains would have it."""
    beat = slow_beat(rate)
    first, last = shot
    if beat is None:
        # Mains that run off a little make bands crawl at any rate.
        length = CRAWL_ROUNDS / CRAWL_HZ[0]
        for a, b, inner in _windows(times[first:last], length, length / 3, length / 2):
            window = slice(first + a, first + b)
            part = None if parts is None else parts[window]
            rolls = roll_of(changes[window], part, times[window], None)
            if rolls is not None and rolls.wave is not None:
                _write(out, first, inner, Beat(rolls.wave, 0.0), 0.0)
        return
    least, most = LEAST_ROUNDS / beat, MOST_ROUNDS / beat
    for a, b, inner in _windows(times[first:last], most, least, least):
        window = slice(first + a, first + b)
        part = None if parts is None else parts[window]
        rolls = roll_of(changes[window], part, times[window], beat)
        if rolls is None:
            continue
        rows = slice(first + inner[0], first + inner[1])
        out["slow_floor_percent"][rows] = rolls.floor_percent
        if rolls.wave is not None:
            _write(out, first, inner, Beat(rolls.wave, 0.0), 0.0)


def _windows(
    times: Array, length_s: float, hop_s: float, least_s: float
) -> Iterator[tuple[int, int, Span]]:
    """Yield windows as (first, last, the rows they speak for)."""
    if len(times) < 2:
        return
    frame = float(times[-1] - times[0]) / (len(times) - 1)
    if not frame > 0 or (len(times) * frame) < least_s - 0.5 * frame:
        return
    size = min(len(times), max(2, round(length_s / frame)))
    hop = max(1, round(hop_s / frame))
    starts = [*range(0, len(times) - size, hop), len(times) - size]
    for i, start in enumerate(starts):
        begin = 0 if i == 0 else (starts[i - 1] + start + size) // 2
        end = len(times)
        if i + 1 < len(starts):
            end = (start + starts[i + 1] + size) // 2
        yield start, start + size, (begin, end)


def _write(
    out: dict[str, NDArray[np.float32]],
    offset: int,
    inner: Span,
    beat: Beat | None,
    seen_percent: float,
    length_s: float = WINDOW_S,
) -> list[Told]:
    """Write what a window holds into its rows; the stronger of two counts.

    Returns
    -------
    list of Told
        What it told, if it did.
    """
    if beat is None or (beat.wave is None and beat.floor_percent > seen_percent):
        return []
    rows = slice(offset + inner[0], offset + inner[1])
    for kind in ("flicker", "banding"):
        column = out[f"{kind}_percent"]
        column[rows] = np.fmax(column[rows], 0.0)
    wave = beat.wave
    if wave is None:
        return []
    kind = "banding" if abs(wave.bands) >= FLICKER_BANDS else "flicker"
    percent = percent_of_stops(wave.stops)
    stronger = out[f"{kind}_percent"][rows] < percent
    out[f"{kind}_percent"][rows][stronger] = percent
    out[f"{kind}_hz"][rows][stronger] = wave.hertz
    if kind == "banding":
        out["bands_count"][rows][stronger] = abs(wave.bands)
    return [Told(kind, rows.start, rows.stop, wave, 0.5 * length_s)]


def _common(
    parts: NDArray[np.float32],
    times: Array,
    keys: NDArray[np.bool_],
    rate: float,
) -> Beat | None:
    """Look for a beat that all parts of the picture share, however they move."""
    found = common_wave(
        parts,
        times,
        low_hz=LOW_HZ,
        least_hz=UNKNOWN_HZ,
        mains_hz=tuple(abs(beat_hz(p, rate=rate)) for p in PULSES_HZ.values()),
    )
    if found is None:
        return None
    wave = found.wave
    if wave is not None:
        strips = parts.reshape(-1, STRIPS, PARTS)
        known = np.isfinite(strips)
        means = np.nansum(strips, axis=2) / np.where(
            known.any(axis=2), known.sum(axis=2), np.nan
        )
        if by_coder(wave, means.astype(np.float32), times, keys):
            wave = None
    return Beat(wave, percent_of_stops(SEEN * found.floor_stops))


def _slow(changes: NDArray[np.float32], times: Array, rate: float) -> Wave | None:
    """Look for bands that crawl, and for the slow beat that mains would give."""
    level = known_levels(changes)
    length = float(times[-1] - times[0])
    known = level[:, np.isfinite(level).all(axis=0)]
    if not known.size:
        return None
    all_power = float(np.mean(known**2))
    bands = strongest_wave(
        level,
        times,
        low_hz=_SLOW_ROUNDS / length,
        high_hz=_SLOW_HIGH_HZ,
        least_bands=_SLOW_BANDS,
    )
    if (
        bands is not None
        and bands.explained >= _SLOW_EXPLAINED
        and 0.5 * bands.stops**2 >= _SLOW_OF_ALL * all_power
    ):
        return bands
    return _slow_flicker(level, times, rate, all_power)


def _slow_flicker(
    level: Array, times: Array, rate: float, all_power: float
) -> Wave | None:
    slow = [abs(beat_hz(pulses, rate=rate)) for pulses in PULSES_HZ.values()]
    slow = [beat for beat in slow if 0 < beat < _SLOW_HIGH_HZ]
    length = float(times[-1] - times[0])
    if not slow:
        return None
    low = max(slow[0] - _SLOW_OFF_HZ, FLICKER_ROUNDS / length)
    wave = strongest_wave(level, times, low_hz=low, high_hz=slow[0] + 3 * _SLOW_OFF_HZ)
    if (
        wave is None
        or abs(wave.hertz - slow[0]) > _SLOW_OFF_HZ
        or wave.explained < _SLOW_EXPLAINED
        or 0.5 * wave.stops**2 < _SLOW_FLICKER_OF_ALL * all_power
    ):
        return None
    return wave
