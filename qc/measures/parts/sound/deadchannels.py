"""Channels that carry nothing or only noise, silence of all, channels that are missing.

The checks of ``peaks`` on its readings; see `qc.measures.peaks` for their limits.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from functools import partial

import numpy as np
from numpy.typing import NDArray

from qc.measures.base import Measured, finding_of, signed
from qc.measures.parts.sound.cutoffs import (
    Heard,
    cut_offs,
    judged,
    nothing,
    told_gaps,
)
from qc.measures.parts.sound.lostmoments import can_tell, lost_moments
from qc.measures.parts.sound.mutes import sunken, told_mutes
from qc.measures.parts.sound.soundlines import (
    ROWS_PER_SECOND,
    Line,
    channel_names,
    first_row,
    length_of,
    tracks_of,
)
from qc.measures.parts.sound.truepeak import SILENCE_DBFS, dbfs, silences
from qc.records import Finding, Grade, Readings
from qc.spans import Span, runs

__all__ = ["check_missing", "check_noise", "check_silence"]

# A click from a plug does not end a silence, a word does; and coding smears the edges
# of a silence that lasts from end to end.
_silences = partial(silences, bridge_rows=20, whole_share=0.98)

# What is left where sound is cut off.
_ZEROS = "nothing but zeros on all channels, not even noise"
_ROOM = "all channels fall at once far under the noise of the room"

_SAME_SHARE = 0.9  # of a stretch that is told as a drop-out already

_STEP_ROWS = 10  # levels of a tenth of a second: noise keeps within a decibel or two
_WINDOW_STEPS = 100
_SHORTEST_STEPS = 30
# Noise of a preamplifier keeps still, speech does not (house choices, in dB).
_STILL_DB, _LIVELY_DB = 4.0, 12.0
# Whatever is this far over the noise all the time is sound as well, such as music or a
# motor: a microphone in the same room would hear some of it. A test tone keeps stiller.
_LOUDER_DB, _TONE_DB = 25.0, 1.0
# Levels that rise and fall with the other channel's are faint sound, not noise alone.
_TOGETHER = 0.4


def check_silence(measured: Measured) -> Iterator[Finding]:
    """Yield channels that carry nothing while another does, and silence of all."""
    tracks = tracks_of(measured)
    if not tracks:
        return
    limits = measured.limits
    dead_level = np.float32(limits["peaks.dead_level_dbfs"])
    heard = Heard.of(measured)
    origin, length = heard.origin, len(heard.counts)
    alive, known = np.zeros(length, bool), np.zeros(length, bool)
    signal = np.zeros(length, bool)  # anything but zeros, on any channel
    for _, readings, _ in tracks:
        rms = readings["peaks.rms_dbfs"]
        at = slice(first_row(readings) - origin, None)
        alive[at][: len(rms)] |= (rms >= dead_level).any(axis=1)
        known[at][: len(rms)] |= ~np.isnan(rms).all(axis=1)
        signal[at][: len(rms)] |= ~nothing(rms).all(axis=1)
    yield from _together(_dead_ones(measured, heard, dead_level))
    longest = max((r for _, r, _ in tracks), key=lambda r: r.rows)
    shift = first_row(longest) - origin
    told = np.zeros(length, bool)
    gaps = _gaps(measured, heard, origin, length)
    found = [
        (span, whole, _ZEROS if there is signal and not whole else "")
        for there, key in ((alive, "silent_min_seconds"), (signal, "lost_min_seconds"))
        for *span, whole in _silences(
            there, known, min_rows=limits[f"peaks.{key}"] * ROWS_PER_SECOND
        )
    ]
    found += [
        ([*span], False, lost) for span, lost in _moments(measured, origin, length)
    ]
    for (first, last), whole, lost in found:
        # What is told as a drop-out is not told again.
        twice = lost and gaps[first:last].mean() >= _SAME_SHARE
        span = max(first - shift, 0), min(last - shift, longest.rows)
        if span[0] < span[1] and not told[first:last].any() and not twice:
            told[first:last] = True
            yield _silent(measured, longest, span, whole=whole, lost=lost)


def _gaps(
    measured: Measured, heard: Heard, origin: int, length: int
) -> NDArray[np.bool_]:
    """Return the rows that are told as a drop-out of some channel."""
    out = np.zeros(length, bool)
    for _, readings, track in tracks_of(measured):
        shift = first_row(readings) - origin
        for index in range(track.channels):
            line = Line(measured, readings, track, index)
            for first, last in told_gaps(line) + told_mutes(line, heard):
                out[max(first + shift, 0) : max(last + shift, 0)] = True
    return out


def _moments(
    measured: Measured, origin: int, length: int
) -> Iterator[tuple[Span, str]]:
    """Yield moments without sound on all channels, in rows from `origin` on.

    And what is lost: all but zeros, or the noise of the room.
    """
    tracks = tracks_of(measured)
    known, lossy = can_tell([track.codec for _, _, track in tracks])
    if not known:
        return
    level = np.full(length, np.nan, np.float32)
    for _, readings, _ in tracks:
        at = slice(first_row(readings) - origin, None)
        part = level[at][: readings.rows]
        for own in readings["peaks.rms_dbfs"].T:
            np.fmax(part, own, out=part)
    cut = measured.limits["peaks.cut_min_seconds"] * ROWS_PER_SECOND
    hole = measured.limits["peaks.hole_min_seconds"] * ROWS_PER_SECOND
    end = max(hole, cut)
    for span in lost_moments(level, shortest=hole, shortest_end=end, lossy=lossy):
        yield span, _ZEROS
    for span in sunken(
        level,
        highest=measured.limits["peaks.dead_level_dbfs"],
        shortest=hole,
        shortest_end=end,
        lossy=lossy,
    ):
        if not nothing(level[slice(*span)]).all():
            yield span, _ROOM


@dataclass(frozen=True, slots=True, eq=False)
class _Dead:
    """A stretch in which a channel carries nothing; `cut`: it fell silent at once."""

    line: Line
    span: Span
    whole: bool
    cut: bool = False

    def place(self) -> tuple[bool, bool, Fraction, Fraction]:
        """Return what channels have alike that are told in one finding."""
        start, end = (self.line.readings.start(row) for row in self.span)
        return self.whole, self.cut, start, end


def _dead_ones(
    measured: Measured, heard: Heard, dead_level: np.float32
) -> Iterator[_Dead]:
    for line in judged(measured):
        own = line.column("rms_dbfs")
        beside = heard.beside(line)
        dead: list[Span] = []
        for first, last, whole in _silences(
            own >= dead_level,
            ~np.isnan(own),
            min_rows=line.limit("dead_min_seconds") * ROWS_PER_SECOND,
        ):
            # A door that slams is no sound of the take; a sentence is.
            enough = min(ROWS_PER_SECOND, max(1.0, 0.05 * (last - first)))
            if np.count_nonzero(beside[first:last]) >= enough:
                dead.append((first, last))
                yield _Dead(line, (first, last), whole)
        for one in cut_offs(line, heard):
            first, last = one.span
            if not any(a < last and first < b for a, b in dead):
                yield _Dead(line, one.span, whole=False, cut=True)


def _together(dead: Iterable[_Dead]) -> Iterator[Finding]:
    """Yield findings, one for all channels that carry nothing at the same time."""
    groups: dict[object, list[_Dead]] = {}
    for one in dead:
        groups.setdefault(one.place(), []).append(one)
    for group in groups.values():
        yield _dead(group)


def _dead(group: list[_Dead]) -> Finding:
    one = group[0]
    line, (first, last) = one.line, one.span
    energy = [
        np.nanmean(
            10.0 ** (g.line.column("rms_dbfs")[slice(*g.span)].astype(float) / 10)
        )
        for g in group
    ]
    who = channel_names([g.line for g in group])
    length = length_of(line.readings, one.span)
    when = "in the whole take" if one.whole else f"for {length}"
    need = "it needs" if len(group) == 1 else "they need"
    many = "" if len(group) == 1 else "s"
    if one.cut:
        text = f"cut off for {length}: no sound, not even of the room,"
        advice = (
            "check the plugs and the cable into the recorder, the battery of a "
            "wireless microphone and its receiver's signal, and that nobody muted or "
            "unplugged it while recording."
        )
    else:
        text = f"no sound {when},"
        advice = (
            f"check the microphone{many} (switch, battery), the cable{many}, phantom "
            f"power if {need} it, and that the input{many} "
            f"{'is' if len(group) == 1 else 'are'} switched on."
        )
    advice += _on_purpose([g.line for g in group], one.whole)
    return finding_of(
        line.measured,
        line.readings,
        rule="sound.dead_channel",
        grade=Grade.REVIEW,
        first=first,
        last=last,
        worst_row=first,
        worst=float(dbfs(math.sqrt(max(energy)))),
        limit=line.limit("dead_level_dbfs"),
        unit="dBFS",
        message=f"{who}: {text} while another channel carries sound.",
        advice=f"{who}: {advice}",
        channel=line.track.channel_numbers[line.index] if len(group) == 1 else None,
    )


def _silent(
    measured: Measured, readings: Readings, span: Span, *, whole: bool, lost: str
) -> Finding:
    when = "in the whole take" if whole else f"for {length_of(readings, span)}"
    return finding_of(
        measured,
        readings,
        rule="sound.silent",
        grade=Grade.REVIEW,
        first=span[0],
        last=span[1],
        worst_row=span[0],
        message=(
            f"The sound is cut off {when}: {lost}."
            if lost
            else f"No sound on any channel {when}."
        ),
        advice=(
            "Check the plugs and the cable into the recorder, and that nobody muted "
            "or unplugged the sound while recording."
            if lost
            else "Check that a microphone is connected and powered, and that the "
            "inputs are switched on and turned up."
        ),
    )


# ------------------------------------------------------------------------ only noise


def check_noise(measured: Measured) -> Iterator[Finding]:
    """Yield channels that carry only noise while another carries lively sound."""
    lines = list(judged(measured))
    if len(lines) < 2:
        return
    origin = min(first_row(line.readings) for line in lines)
    steps = [_steps(line, origin) for line in lines]
    count = max(len(s) for s in steps)
    levels = np.full((len(lines), count), math.nan)
    for row, own in zip(levels, steps, strict=True):
        row[: len(own)] = own
    noisy = _noise_windows(
        levels,
        loudest=float(measured.limits["peaks.noise_level_dbfs"]),
        sound=float(measured.limits["peaks.sound_level_dbfs"]),
    )
    least = min(
        float(measured.limits["peaks.dead_min_seconds"]) * ROWS_PER_SECOND,
        0.95 * max(line.readings.rows for line in lines),
    )
    if not noisy.any():
        return
    told = _told_dead(measured, origin, count)
    groups: dict[object, list[_Noisy]] = {}
    for line, windows, own in zip(lines, noisy, levels, strict=True):
        shift = first_row(line.readings) - origin
        here = told.get(line.names[0], np.zeros(count, bool))
        for first, last in runs(windows & ~here):
            a = max(first * _STEP_ROWS - shift, 0)
            b = min(last * _STEP_ROWS - shift, line.readings.rows)
            if b - a >= least:
                whole = b - a >= 0.98 * line.readings.rows
                level = float(np.nanmedian(own[first:last]))
                one = _Noisy(line, (a, b), level, whole)
                groups.setdefault((first, last, whole), []).append(one)
    for group in groups.values():
        yield _noise(group)


def _told_dead(
    measured: Measured, origin: int, count: int
) -> dict[str, NDArray[np.bool_]]:
    """Return by channel which steps from `origin` on are told as dead already.

    Noise close to the level under which nothing is heard lies now over, now under it:
    where one of the two is told, and only there, the other need not be.
    """
    dead_level = np.float32(measured.limits["peaks.dead_level_dbfs"])
    out: dict[str, NDArray[np.bool_]] = {}
    for one in _dead_ones(measured, Heard.of(measured), dead_level):
        shift = first_row(one.line.readings) - origin
        first, last = ((row + shift) for row in one.span)
        steps = out.setdefault(one.line.names[0], np.zeros(count, bool))
        steps[first // _STEP_ROWS : -(-last // _STEP_ROWS)] = True
    return out


def _steps(line: Line, origin: int) -> NDArray[np.float64]:
    """Return the channel's level in tenths of a second of the take."""
    shift = first_row(line.readings) - origin
    rms = line.column("rms_dbfs").astype(np.float64)
    padded = np.concatenate([np.full(shift, math.nan), rms])
    whole = len(padded) // _STEP_ROWS * _STEP_ROWS
    power = 10.0 ** (padded[:whole].reshape(-1, _STEP_ROWS) / 10.0)
    return np.asarray(dbfs(np.sqrt(power.mean(axis=1))))


def _noise_windows(
    levels: NDArray[np.float64], *, loudest: float, sound: float
) -> NDArray[np.bool_]:
    """Return for each channel in which steps it carries only noise, however faint.

    Windows of ten seconds, or the whole take if it is shorter.
    """
    channels, count = levels.shape
    out = np.zeros((channels, count), bool)
    if count < _SHORTEST_STEPS:
        return out
    width = min(_WINDOW_STEPS, count)
    starts = [*range(0, count - width + 1, width), count - width]
    for start in sorted(set(starts)):
        part = levels[:, start : start + width]
        known = ~np.isnan(part).any(axis=1)
        low, high = np.percentile(np.nan_to_num(part), [5, 95], axis=1)
        heard = known & (high > sound)
        moving = heard & (high - low >= _TONE_DB)
        lively = heard & (high - low >= _LIVELY_DB)
        still = known & (high - low <= _STILL_DB) & (high <= loudest)
        still &= low > SILENCE_DBFS
        for channel in np.flatnonzero(still):
            louder = moving & (low >= high[channel] + _LOUDER_DB)
            others = part[lively | louder]
            alike = [_likeness(part[channel], other) for other in others]
            if alike and max(alike) < _TOGETHER:
                out[channel, start : start + width] = True
    return out


def _likeness(a: NDArray[np.float64], b: NDArray[np.float64]) -> float:
    a, b = a - a.mean(), b - b.mean()
    size = math.sqrt(float(np.sum(a * a) * np.sum(b * b)))
    return float(np.sum(a * b)) / size if size > 0 else 0.0


@dataclass(frozen=True, slots=True, eq=False)
class _Noisy:
    """A stretch in which a channel carries only noise, of this level."""

    line: Line
    span: Span
    level: float
    whole: bool


def _noise(group: list[_Noisy]) -> Finding:
    one = max(group, key=lambda g: g.level)
    line = group[0].line
    length = length_of(line.readings, one.span)
    when = "in the whole take" if one.whole else f"for {length}"
    who = channel_names([g.line for g in group])
    single = len(group) == 1
    carry, up_to = ("carries", "") if single else ("carry", "up to ")
    inputs = "the input is on" if single else "the inputs are on"
    return finding_of(
        line.measured,
        line.readings,
        rule="sound.dead_channel",
        grade=Grade.REVIEW,
        first=group[0].span[0],
        last=group[0].span[1],
        worst_row=group[0].span[0],
        worst=one.level,
        limit=line.limit("noise_level_dbfs"),
        unit="dBFS",
        message=(
            f"{who}: {carry} only noise ({up_to}{signed(one.level, 0)} dBFS) {when}, "
            "while another channel carries sound."
        ),
        advice=(
            f"{who}: check the microphone (switch, battery), its cable, phantom power "
            f"if it needs it, and that the right input is chosen: {inputs}, but no "
            "microphone is heard." + _on_purpose([g.line for g in group], one.whole)
        ),
        channel=line.track.channel_numbers[line.index] if single else None,
    )


def _on_purpose(lines: list[Line], whole: bool) -> str:
    """Return how to say that channels are meant to be empty."""
    if not whole:
        return ""
    numbers = ", ".join(f'"{line.names[0]}"' for line in lines)
    some = "it is" if len(lines) == 1 else "they are"
    return (
        f" If {some} left empty on purpose, say so in the limits file: "
        f"unused_channels = [{numbers}] under [peaks]."
    )


# -------------------------------------------------------------------------- missing


def check_missing(measured: Measured) -> Iterator[Finding]:
    """Yield the channels that the limits name and the take does not have."""
    names = tuple(measured.limits["peaks.channel_names"])
    tracks = tracks_of(measured)
    there = max((t.first_channel + t.channels - 1 for _, _, t in tracks), default=0)
    readings = tracks[0][1] if tracks else measured.picture
    if readings is None or not readings.rows:
        return
    channels = f"{len(names)} channel{'s' * (len(names) != 1)}"
    if names and not there:
        are = "are" if len(names) != 1 else "is"
        yield _missing(
            measured,
            readings,
            f"There is no sound in this take: {channels} {are} expected.",
            f"Set the recorder to {channels} of sound, and check that an input is "
            "assigned to each.",
        )
        return
    for number in range(there + 1, len(names) + 1):
        name = f" ({names[number - 1]})" if names[number - 1] else ""
        has = f"{there} channel{'s' * (there != 1)}"
        yield _missing(
            measured,
            readings,
            f"Channel {number}{name} is not in this take: it has {has}, {len(names)} "
            "are expected.",
            f"Channel {number}{name}: set the recorder to {channels} of sound, and "
            "check that the input is assigned to one.",
        )


def _missing(
    measured: Measured, readings: Readings, message: str, advice: str
) -> Finding:
    """Return a finding on a whole take."""
    return finding_of(
        measured,
        readings,
        rule="sound.dead_channel",
        grade=Grade.REVIEW,
        first=0,
        last=readings.rows,
        worst_row=0,
        message=message,
        advice=advice,
    )
