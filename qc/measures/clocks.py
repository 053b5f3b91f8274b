"""Clocks: the declared frame rate against the real one, sound against picture."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from qc.limits import Option
from qc.measures.base import Measure, Measured, Setup, Values, finding_of
from qc.measures.parts.stillness.periods import (
    RATE_CHANGE,
    VARIABLE_SHARE,
    Periods,
    RateChange,
    periods_of,
    rate_change,
)
from qc.records import AudioTrack, Finding, Grade, Readings, SoundBlock

__all__ = ["MEASURE", "SoundSpan", "rate_error"]

# ITU-R BT.1359-1, from memory: sound is noticed to be off from 45 ms early or 125 ms
# late, and not accepted from 90 ms early or 185 ms late.
_NOTICED_S, _REFUSED_S = 0.125, 0.185
_EARLY_NOTICED_S, _EARLY_REFUSED_S = 0.045, 0.090
_LIP_SYNC = (
    "Lips are seen to be off from 45 ms of sound too early or 125 ms too late "
    "(ITU-R BT.1359)."
)
# A declared rate is another one from half the step between 29.97 and 30 on.
_OTHER_RATE = 0.0005
# A slightly wrong clock is worth a word once timecodes are off by a frame.
_OFF_FRAMES = 1.0
_LEAST_FRAMES = 12
# What rounding of stamps to ticks and their jitter explain: so many ticks for each
# stretch without a gap, or so many standard deviations, or so many times as far as they
# wander (a telephone's clock runs a little slower and faster by turns), and in any case
# so much of a frame (house choice).
_ROUNDING_TICKS = 3
_JITTER, _WANDER = 4.0, 3.0
_SHARE_OF_FRAME = 0.1
_LAST_FRAME = 1.5
# The step between the clocks of 30 and 29.97, and how near a share must come to it.
_NTSC_STEP = 1 / 1001
_NTSC_NEAR = 0.2
# Gaps this short, so many of them, are a clock that runs away, not lost sound.
_SLIP_S = 0.1
_LEAST_SLIPS = 3


@dataclass(frozen=True, slots=True)
class SoundSpan:
    """Where a sound track begins and ends, to the sample.

    Attributes
    ----------
    start_s, end_s : float
        Seconds since the first picture.
    slips : int
        Short gaps by which its time stamps run ahead of its samples.
    slipped_s : float
        All of them together.
    """

    start_s: float
    end_s: float
    slips: int = 0
    slipped_s: float = 0.0


class _Reader:
    def __init__(self, setup: Setup, track: AudioTrack) -> None:
        self._rate = track.sample_rate
        self._first: int | None = None
        self._end = 0
        self._slips = 0
        self._slipped = 0

    def read(self, block: SoundBlock) -> Values:
        count = int(block.samples.shape[1])
        if not count:
            return {}
        if self._first is None:
            self._first = block.start
        elif block.gap_before and 0 < block.start - self._end <= _SLIP_S * self._rate:
            self._slips += 1
            self._slipped += block.start - self._end
        self._end = block.start + count
        return {}

    def finish(self) -> Mapping[str, object]:
        if self._first is None:
            return {}
        return {
            "start_s": self._first / self._rate,
            "end_s": self._end / self._rate,
            "slips": self._slips,
            "slipped_s": self._slipped / self._rate,
        }


def _spans(measured: Measured) -> Iterator[tuple[Readings, SoundSpan]]:
    tracks = measured.totals.get("clocks", {}).get("tracks", [])
    if not isinstance(tracks, list):
        return
    for readings, figures in zip(measured.sound, tracks, strict=False):
        if not figures or not readings.rows:
            continue
        span = SoundSpan(**figures)
        if "damage.other_channels" in readings.columns:
            # What could not be measured is sound, too.
            end = max(span.end_s, float(readings.start(readings.rows)))
            span = SoundSpan(span.start_s, end, span.slips, span.slipped_s)
        yield readings, span


def _picture_end(readings: Readings) -> float:
    """Return when the last frame ends; how long it lasts is often left open."""
    tick = float(readings.time_base)
    edges = readings.edges
    last = float(edges[-1] - edges[-2])
    periods = periods_of(edges, tick=tick)
    if periods is not None and last * tick > _LAST_FRAME * periods.median:
        last = periods.median / tick
    return (float(edges[-2]) + last) * tick


def _check(measured: Measured) -> Iterator[Finding]:
    readings = measured.picture
    if readings is None or not readings.rows or measured.info.video is None:
        return
    yield from _rate(measured, readings)
    for sound, span in _spans(measured):
        yield from _start(measured, readings, sound, span)
        yield from _end(measured, readings, sound, span)
        yield from _slip(measured, sound, span)


# ---------------------------------------------------------------------------- the rate


def rate_error(periods: Periods, *, declared: float, tick: float) -> float:
    """Return by what share the real rate is above the declared one.

    Parameters
    ----------
    periods : Periods
    declared : float
        Frames a second.
    tick : float
        Seconds to which time stamps are rounded.

    Returns
    -------
    float
        0 where rounding and jitter of the stamps explain the difference.

    Examples
    --------
    >>> import numpy as np
    >>> edges = np.arange(301) * 3000  # 30 a second in ticks of 1/90000 s
    >>> p = periods_of(edges, tick=1 / 90000)
    >>> round(rate_error(p, declared=30000 / 1001, tick=1 / 90000), 6)
    0.001
    """
    period = 1.0 / declared
    off = abs(periods.ordinary - period) * periods.count
    explained = max(
        _ROUNDING_TICKS * tick * (1 + periods.odd),
        _JITTER * periods.jitter,
        _WANDER * periods.wander,
        _SHARE_OF_FRAME * period,
    )
    if off <= explained:
        return 0.0
    return period / periods.ordinary - 1.0


def _rate(measured: Measured, readings: Readings) -> Iterator[Finding]:
    tick = float(readings.time_base)
    periods = periods_of(readings.edges, tick=tick)
    declared = float(measured.info.grid.rate)
    if periods is None or periods.count + periods.odd < _LEAST_FRAMES:
        return
    change = rate_change(readings.edges, tick=tick)
    if change is not None:
        yield _tell_change(measured, readings, change, declared)
        return
    if periods.varies:
        yield _tell_varying(measured, readings, periods, declared)
        return
    error = rate_error(periods, declared=declared, tick=tick)
    other = abs(error) >= _OTHER_RATE
    off = abs(error) * periods.count
    if not other and off < _OFF_FRAMES:
        return
    real = declared * (1 + error)
    yield finding_of(
        measured,
        readings,
        rule="file.rate",
        grade=Grade.REVIEW if other else Grade.NOTE,
        first=0,
        last=readings.rows,
        worst_row=0,
        worst=100.0 * abs(error) if other else off,
        limit=100.0 * _OTHER_RATE if other else _OFF_FRAMES,
        unit="%" if other else "frames",
        message=(
            f"The file declares {declared:.6g} frames a second, its time stamps run at "
            f"{real:.6g}: timecodes are off by {off:.1f} frames at the end of the take."
        ),
        advice=(
            "Set camera and recorder to one frame rate. For this file, tell the "
            f"edit which rate holds before cutting: {real:.6g} by the time stamps."
        ),
    )


def _tell_change(
    measured: Measured, readings: Readings, change: RateChange, declared: float
) -> Finding:
    before, behind = 1.0 / change.before, 1.0 / change.behind
    return finding_of(
        measured,
        readings,
        rule="file.rate",
        grade=Grade.REVIEW,
        first=change.row,
        last=readings.rows,
        worst_row=change.row,
        worst=100.0 * change.share,
        limit=100.0 * RATE_CHANGE,
        unit="%",
        message=(
            f"The frame rate changes here: {before:.5g} frames a second before, "
            f"{behind:.5g} from here on, by the time stamps ({declared:.6g} declared). "
            "Timecodes count the declared rate."
        ),
        advice=(
            "Set camera and recorder to one frame rate, and let nothing change it "
            "during a take. For this file, cut it here and tell the edit both rates."
        ),
    )


def _tell_varying(
    measured: Measured, readings: Readings, periods: Periods, declared: float
) -> Finding:
    mean = 1.0 / periods.mean
    return finding_of(
        measured,
        readings,
        rule="file.rate",
        grade=Grade.NOTE,
        first=0,
        last=readings.rows,
        worst_row=0,
        worst=100.0 * periods.odd_share,
        limit=100.0 * VARIABLE_SHARE,
        unit="%",
        message=(
            "The frame rate varies: frames are shown for "
            f"{1000 * periods.shortest:.1f} to {1000 * periods.longest:.1f} ms, "
            f"{1000 * periods.median:.1f} ms in the middle, "
            f"{100 * periods.odd_share:.0f} % of them for another time; {mean:.5g} "
            f"frames a second on average, {declared:.6g} declared. Timecodes count the "
            "declared rate."
        ),
        advice=(
            "Record with a constant frame rate where the device offers it; else turn "
            "the file into one of constant rate before it is cut."
        ),
    )


# -------------------------------------------------------------------- sound and picture


def _grade(measured: Measured, seconds: float) -> Grade | None:
    for grade in (Grade.REJECT, Grade.REVIEW, Grade.NOTE):
        if seconds >= measured.limits[f"clocks.length_{grade.value}_seconds"]:
            return grade
    return None


def _where(
    measured: Measured, readings: Readings, start: float, end: float
) -> tuple[int, int]:
    """Return the rows that `start` to `end` seconds touch, at least one."""
    tick = float(readings.time_base)
    edges = readings.edges
    # Rounded, so that 9.2 s are 9200 ms and not a little less.
    begin, stop = round(start / tick, 6), round(end / tick, 6)
    first = int(edges.searchsorted(math.floor(begin), side="right")) - 1
    last = int(edges.searchsorted(math.ceil(stop), side="left"))
    first = min(max(first, 0), readings.rows - 1)
    return first, min(max(last, first + 1), readings.rows)


def _finding(
    measured: Measured,
    readings: Readings,
    sound: Readings,
    span: tuple[float, float],
    message: str,
) -> Iterator[Finding]:
    seconds = span[1] - span[0]
    grade = _grade(measured, seconds)
    track = sound.track
    if grade is None or track is None:
        return
    first, last = _where(measured, readings, *span)
    yield finding_of(
        measured,
        readings,
        rule="file.length",
        grade=grade,
        first=first,
        last=last,
        worst_row=first,
        worst=seconds,
        limit=float(measured.limits[f"clocks.length_{grade.value}_seconds"]),
        unit="s",
        channel=track.first_channel if track.channels == 1 else None,
        message=message,
        advice=(
            "Start and stop sound and picture together, and let the recorder finish "
            "before it is switched off. Check with a clap at the start and at the end "
            "that they belong together."
        ),
    )


def _start(
    measured: Measured, readings: Readings, sound: Readings, span: SoundSpan
) -> Iterator[Finding]:
    if sound.track is None:
        return
    name = f"Sound track {sound.track.number + 1}"
    if span.start_s > 0:
        yield from _finding(
            measured,
            readings,
            sound,
            (0.0, min(span.start_s, _picture_end(readings))),
            f"{name} starts {span.start_s:.3f} s after the picture.",
        )
    else:
        yield from _finding(
            measured,
            sound,
            sound,
            (span.start_s, 0.0),
            f"{name} starts {-span.start_s:.3f} s before the first picture.",
        )


def _end(
    measured: Measured, readings: Readings, sound: Readings, span: SoundSpan
) -> Iterator[Finding]:
    if sound.track is None:
        return
    end = _picture_end(readings)
    name = f"Sound track {sound.track.number + 1}"
    hint = _drift_hint(measured, span, end)
    if span.end_s < end:
        yield from _finding(
            measured,
            readings,
            sound,
            (max(span.end_s, 0.0), end),
            f"{name} ends {end - span.end_s:.3f} s before the picture.{hint}",
        )
    else:
        yield from _finding(
            measured,
            sound,
            sound,
            (end, span.end_s),
            f"{name} goes on for {span.end_s - end:.3f} s after the last picture."
            f"{hint}",
        )


def _drift_hint(measured: Measured, span: SoundSpan, end: float) -> str:
    """Say when a difference at the end looks like two clocks, not like a late stop."""
    started_together = abs(span.start_s) < measured.limits["clocks.length_note_seconds"]
    if end <= 0 or not started_together:
        return ""
    share = abs(span.end_s - end) / end
    if abs(share / _NTSC_STEP - 1) > _NTSC_NEAR:
        return ""
    return (
        f" That is {100 * share:.2f} % of the take: as when sound made for 30 (60, 24) "
        "frames a second lies beside pictures of 29.97 (59.94, 23.976); then it drifts "
        f"from the start on. {_LIP_SYNC}"
    )


def _slip(measured: Measured, sound: Readings, span: SoundSpan) -> Iterator[Finding]:
    track = sound.track
    if track is None or span.slips < _LEAST_SLIPS or span.slipped_s < _EARLY_NOTICED_S:
        return
    length = span.end_s - span.start_s
    real = track.sample_rate * (1 - span.slipped_s / length)
    refused = span.slipped_s >= _EARLY_REFUSED_S
    yield finding_of(
        measured,
        sound,
        rule="file.rate",
        grade=Grade.REVIEW if refused else Grade.NOTE,
        first=0,
        last=sound.rows,
        worst_row=0,
        worst=span.slipped_s,
        limit=_EARLY_REFUSED_S if refused else _EARLY_NOTICED_S,
        unit="s",
        channel=track.first_channel if track.channels == 1 else None,
        message=(
            f"Sound track {track.number + 1} has {span.slips} small gaps. A player "
            f"that closes them brings the sound {1000 * span.slipped_s:.0f} ms too "
            f"early at the end of the take; it then runs at {real:.0f} samples a "
            f"second, not {track.sample_rate}. {_LIP_SYNC}"
        ),
        advice=(
            "Let camera and sound recorder run on one clock, or feed the sound into "
            "the camera; check with a clap at the start and at the end."
        ),
    )


def _summarise(measured: Measured) -> Mapping[str, object]:
    readings = measured.picture
    out: dict[str, object] = {}
    if readings is None or not readings.rows or measured.info.video is None:
        return out
    out["declared_rate"] = float(measured.info.grid.rate)
    periods = periods_of(readings.edges, tick=float(readings.time_base))
    if periods is not None:
        out["real_rate"] = 1.0 / (periods.mean if periods.varies else periods.ordinary)
        out["rate_varies"] = periods.varies
    end = _picture_end(readings)
    out["sound_starts_s"] = [round(s.start_s, 6) for _, s in _spans(measured)]
    out["sound_ends_after_picture_s"] = [
        round(s.end_s - end, 6) for _, s in _spans(measured)
    ]
    return out


# fmt: off
_OPTIONS = (
    Option("clocks.length_note_seconds", 0.1,
           "Note where a sound track starts or ends this long before or after the "
           "picture; what coding adds at the end is shorter (house choice).",
           unit="s", low=0, high=3600),
    Option("clocks.length_review_seconds", 0.5,
           "Review where a sound track starts or ends this long before or after the "
           "picture (house choice).",
           unit="s", low=0, high=3600),
    Option("clocks.length_reject_seconds", 5.0,
           "Reject where sound or picture is missing this long at the start or end "
           "(house choice).",
           unit="s", low=0, high=86400),
)
# fmt: on

MEASURE = Measure(
    name="clocks",
    version=4,
    label="Clocks",
    clock="sound",
    columns=(),
    options=_OPTIONS,
    start=_Reader,
    checks=(_check,),
    check_rules={"file.rate": "Frame rate", "file.length": "Sound length"},
    summarise=_summarise,
    method=(
        "The real frame rate is the mean period of frames near the median period, by "
        "the time stamps; it counts as another rate than the declared one from 0.05 % "
        "on where that is more than rounding of the stamps explains, or, as a note, "
        "where timecodes are a frame off by the end. It changes where two stretches "
        "differ by 1 %. Where more than a tenth of the frames are shown for another "
        "time than the median, by a quarter of it, the rate "
        "varies. Sound is placed by its own time stamps, to the sample; how long the "
        "last frame lasts is taken from the others where the file leaves it open. "
        "Whether lips and voice belong together is not looked at."
    ),
    source="ITU-R BT.1359-1 (from memory). Limits: house choice.",
)
