"""Speech: how high it was recorded, and how far it stands over the noise."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from qc.limits import Option
from qc.measures.base import Chart, Column, Measure, Measured, signed
from qc.measures.parts.sound.soundlines import (
    ROWS_PER_SECOND,
    Line,
    first_row,
    totals_of,
    tracks_of,
    unknown_channels,
)
from qc.measures.parts.sound.speechfalls import Fall, speech_fall
from qc.measures.parts.sound.speechmeter import (
    FAINTEST,
    PERIOD_ROWS,
    WINDOW_ROWS,
    SpeechReader,
)
from qc.measures.parts.sound.truepeak import lfe_index
from qc.records import Finding, Grade
from qc.spans import Span, bridged, past_limit

__all__ = ["MEASURE"]

# What speech lacks to the house level by this much needs no other microphone place.
_NEAR_DB = 3
# Speech swings by more than this even 3 dB over noise, struck and plucked notes and the
# clapping of many by less; that of a few has more than this share of its swings between
# 2.5 and 8 Hz, speech less than half (tried; drums swing as speech does).
_SPEECH_SWINGS_DB, _CLAPPING = 3.2, 0.55
_EDGE_ROWS = 3 * ROWS_PER_SECOND
_FAINTEST_DBFS = 10.0 * math.log10(FAINTEST)


@dataclass(frozen=True, slots=True, eq=False)
class _Speaker:
    """One channel and its figures of the whole take."""

    line: Line
    speech: float
    noise: float
    seconds: float
    swing_db: float = math.nan
    fast_swings: float = math.nan

    @property
    def swings_as_speech(self) -> bool:
        """Whether nothing speaks against speech; of a moment nothing is known."""
        return not (self.swing_db < _SPEECH_SWINGS_DB or self.fast_swings > _CLAPPING)

    @property
    def over_noise(self) -> float:
        """Speech-to-noise ratio in dB."""
        return self.speech - self.noise

    def limit(self, name: str) -> float:
        return float(self.line.measured.limits[f"speech.{name}"])

    @property
    def spoken(self) -> bool:
        """Whether there is enough speech to judge its level."""
        return self.seconds >= self.limit("min_speech_seconds")

    def column(self, name: str) -> NDArray[np.float32]:
        return self.line.readings[name][:, self.line.index]


def _speakers(measured: Measured) -> list[_Speaker]:
    totals = cast(Any, measured.totals.get("speech", {}).get("tracks", ()))
    return [
        _Speaker(
            Line(measured, readings, track, index),
            totals[k]["speech_dbfs"][index],
            totals[k]["noise_dbfs"][index],
            totals[k]["speech_s"][index],
            totals[k]["swing_db"][index],
            totals[k]["fast_swings"][index],
        )
        for k, readings, track in tracks_of(measured)
        for index in range(track.channels)
        if index != lfe_index(track.layout)
    ]


def _judged(speakers: list[_Speaker]) -> Iterator[tuple[_Speaker, bool]]:
    """Yield the channels whose speech is judged, and if it only comes across."""
    spoken = [s for s in speakers if s.spoken]
    loudest = max((s.speech for s in spoken), default=math.nan)
    for speaker in spoken:
        # Where sound is all around, a voice has one place: nobody raises the others.
        around = lfe_index(speaker.line.track.layout) is not None
        if around and speaker.speech < loudest:
            continue
        unjudged = set(speaker.line.measured.limits["speech.unjudged_channels"])
        if unjudged.isdisjoint(speaker.line.names):
            across = speaker.speech < loudest - speaker.limit("crosstalk_db")
            yield speaker, across


def _check(measured: Measured) -> Iterator[Finding]:
    """Yield channels, or long stretches of them, with too quiet or too loud speech."""
    for speaker, across in _judged(_speakers(measured)):
        if across:
            continue
        rows = speaker.line.readings.rows
        if _in_noise(speaker):
            yield _noisy(speaker)
        quiet, loud = speaker.limit("quiet_dbfs"), speaker.limit("loud_dbfs")
        if speaker.speech < quiet:
            yield _quiet(speaker, (0, rows), speaker.speech, speaker.noise)
        else:
            stretches = list(_stretches(speaker, quiet, above=False))
            for span, level, noise in stretches:
                yield _quiet(speaker, span, level, noise)
            fall = None if stretches else _fall(speaker)
            if fall is not None and fall.after < quiet:
                yield _fallen(speaker, fall)
        if speaker.speech > loud:
            yield from _loud(speaker, (0, rows), speaker.speech)
        else:
            for span, level, _ in _stretches(speaker, loud, above=True):
                yield from _loud(speaker, span, level)


def _stretches(
    speaker: _Speaker, limit: float, *, above: bool
) -> Iterator[tuple[Span, float, float]]:
    """Yield long stretches past a limit, with their level and noise."""
    levels = speaker.column("speech.speech_dbfs")
    noise = speaker.column("speech.noise_dbfs")
    times = speaker.line.readings.times()
    release = limit - 1.0 if above else limit + 1.0
    spans = past_limit(levels, limit=limit, release=release, above=above)
    for first, last in bridged(spans, times=times, gap=WINDOW_ROWS / ROWS_PER_SECOND):
        level = float(np.nanmedian(levels[first:last]))
        known = noise[first:last][~np.isnan(noise[first:last])]
        about = float(known.mean()) if known.size else math.nan
        # Loud words reign over a running level: it falls only when the last of them
        # has left the window, and rises soon after the first that come in.
        rises, falls = 2 * PERIOD_ROWS, WINDOW_ROWS - PERIOD_ROWS
        before, after = (rises, falls) if above else (falls, rises)
        begin = max(first - before, 0)
        end = last if last == len(levels) else max(last - after, begin + 1)
        if times[end] - times[begin] >= speaker.limit("stretch_min_seconds"):
            yield (begin, end), level, about


def _quiet(speaker: _Speaker, span: Span, level: float, noise: float) -> Finding:
    line = speaker.line
    advice = _turn_up(speaker, span, level)
    if level - noise < speaker.limit("good_over_noise_db"):
        advice += (
            f" Speech is only {max(level - noise, 0):.0f} dB over the noise, which "
            "would rise as well: move the microphone closer to who speaks first."
        )
    return line.finding(
        "sound.quiet",
        span,
        grade=Grade.REVIEW,
        worst_row=_worst_row(speaker, span, above=False),
        worst=level,
        limit=speaker.limit("quiet_dbfs"),
        unit="dBFS",
        message=(
            f"{line}: speech lies about {_apart(speaker, level)} dB under the house "
            f"level ({signed(level, 0)} dBFS instead of "
            f"{signed(speaker.limit('target_dbfs'))} dBFS)."
        ),
        advice=advice,
    )


def _in_noise(speaker: _Speaker) -> bool:
    """Tell whether speech of the right level has too much noise under it."""
    enough = speaker.limit("good_over_noise_db")
    return (
        speaker.speech >= speaker.limit("quiet_dbfs")
        and speaker.over_noise < enough
        and speaker.swings_as_speech
    )


def _noisy(speaker: _Speaker) -> Finding:
    line = speaker.line
    return line.finding(
        "sound.noise",
        (0, line.readings.rows),
        grade=Grade.NOTE,
        worst_row=0,
        worst=speaker.speech,
        unit="dBFS",
        message=(
            f"{line}: speech lies only {max(speaker.over_noise, 0):.0f} dB over what "
            f"is heard between words ({signed(speaker.noise, 0)} dBFS)."
        ),
        advice=(
            "listen to the pauses. Where the room is loud, move the microphone closer "
            "to who speaks and keep it from fans; where it hisses, raise the level at "
            "the first stage (microphone, wireless transmitter) and lower it at the "
            "recorder. Music with drums may stand as it is."
        ),
    )


def _fall(speaker: _Speaker) -> Fall | None:
    """Return where speech falls for the rest of the take."""
    if "peaks.rms_dbfs" not in speaker.line.readings.columns:
        return None
    return speech_fall(
        speaker.column("peaks.rms_dbfs"),
        least_db=speaker.limit("fall_db"),
        least_s=speaker.limit("min_speech_seconds"),
    )


def _fallen(speaker: _Speaker, fall: Fall) -> Finding:
    line = speaker.line
    return line.finding(
        "sound.quiet",
        (fall.row, line.readings.rows),
        grade=Grade.REVIEW,
        worst_row=fall.row,
        worst=fall.after,
        limit=speaker.limit("quiet_dbfs"),
        unit="dBFS",
        message=(
            f"{line}: from here on speech lies {fall.before - fall.after:.0f} dB under "
            f"what it was before ({signed(fall.after, 0)} instead of "
            f"{signed(fall.before, 0)} dBFS), up to the take's end."
        ),
        advice=(
            "see whether somebody turned the input down or switched on a pad, and look "
            "at the battery of a wireless microphone and whether the microphone has "
            "slipped or was turned away."
        ),
    )


def _apart(speaker: _Speaker, level: float) -> int:
    return max(1, round(abs(level - speaker.limit("target_dbfs"))))


def _turn_up(speaker: _Speaker, span: Span, level: float) -> str:
    """Return by how much to turn up so that the loudest sound still fits."""
    wanted = _apart(speaker, level)
    peak = _highest(speaker, span)
    if math.isnan(peak):
        return f"turn the recorder's input level up by about {wanted} dB."
    room = math.floor(round(speaker.limit("highest_peak_dbfs") - peak, 2))
    gain = min(wanted, room)
    if gain >= 1:
        advice = (
            f"turn the recorder's input level up by about {gain} dB; peaks then reach "
            f"about {signed(peak + gain, 0)} dBFS."
        )
        if gain < wanted - _NEAR_DB:
            advice += (
                " More would bring the loudest sounds too high: move the microphone "
                "closer to who speaks."
            )
        return advice
    return (
        f"leave the recorder's input level: peaks already reach {signed(peak, 0)} "
        "dBFS. Move the microphone closer to who speaks."
    )


def _highest(speaker: _Speaker, span: Span) -> float:
    """Return the true peak of a stretch in dBTP; NaN if it was not measured."""
    if "peaks.true_peak_dbtp" not in speaker.line.readings.columns:
        return math.nan
    first, last = span
    if last - first < speaker.line.readings.rows:
        # Where a stretch ends is known to some seconds; what lies beyond is not its.
        edge = min(_EDGE_ROWS, (last - first) // 3)
        first, last = first + edge, last - edge
    peaks = speaker.column("peaks.true_peak_dbtp")[first:last]
    return float(np.fmax.reduce(peaks, initial=-math.inf))


def _worst_row(speaker: _Speaker, span: Span, *, above: bool) -> int:
    levels = speaker.column("speech.speech_dbfs")[slice(*span)]
    known = np.flatnonzero(~np.isnan(levels))
    if not known.size:
        return span[0]
    at = levels[known].argmax() if above else levels[known].argmin()
    return span[0] + int(known[at])


def _clips(speaker: _Speaker, span: Span) -> bool:
    """Tell whether samples are clipped in a stretch, at full scale or flat under it."""
    line = speaker.line
    if np.nansum(speaker.column("peaks.clipped_samples")[slice(*span)]) > 0:
        return True
    number = next(k for k, r, _ in tracks_of(line.measured) if r is line.readings)
    flats = totals_of(line.measured)[number].get("flats", ())
    if len(flats) <= line.index:
        return False
    counts = flats[line.index].over(first_row(line.readings), line.readings.rows)
    return bool(counts[slice(*span)].any())


def _loud(speaker: _Speaker, span: Span, level: float) -> Iterator[Finding]:
    line = speaker.line
    if "peaks.clipped_samples" in line.readings.columns and _clips(speaker, span):
        return  # said, and by how much to turn down, where clipping is judged
    down = _apart(speaker, level)
    peak = _highest(speaker, span)
    reach = "" if math.isnan(peak) else f"; its peaks reach {signed(peak, 1)} dBFS now"
    yield line.finding(
        "sound.loud",
        span,
        grade=Grade.REVIEW,
        worst_row=_worst_row(speaker, span, above=True),
        worst=level,
        limit=speaker.limit("loud_dbfs"),
        unit="dBFS",
        message=(
            f"{line}: speech lies about {down} dB over the house level "
            f"({signed(level, 0)} dBFS instead of "
            f"{signed(speaker.limit('target_dbfs'))} dBFS)."
        ),
        advice=(
            f"turn the recorder's input level down by about {down} dB{reach}, and the "
            "next loud word may clip."
        ),
    )


def _summarise(measured: Measured) -> Mapping[str, object]:
    channels = []
    for s in _speakers(measured):
        seconds = s.line.readings.rows / ROWS_PER_SECOND
        channels.append(
            {
                "channel": s.line.track.channel_numbers[s.line.index],
                "track": s.line.track.number,
                "name": "".join(s.line.track.channel_names[s.line.index :][:1]),
                "speech_dbfs": s.speech,
                "noise_dbfs": s.noise,
                "speech_to_noise_db": s.over_noise,
                "speech_s": s.seconds,
                "activity_percent": 100.0 * s.seconds / seconds,
                "to_house_level_db": s.limit("target_dbfs") - s.speech,
            }
        )
    if not channels:
        return {}
    spoken = [c for c in channels if not math.isnan(float(str(c["speech_dbfs"])))]
    best = max(spoken, key=lambda c: float(str(c["speech_dbfs"])), default={})
    names = ("speech_dbfs", "noise_dbfs", "speech_to_noise_db")
    return {n: best.get(n, math.nan) for n in names} | {"channels": channels}


def _notes(measured: Measured) -> Iterator[str]:
    yield from unknown_channels(measured, "speech.unjudged_channels")
    speakers = _speakers(measured)
    for speaker, across in _judged(speakers):
        if across:
            yield (
                f"{speaker.line}: its speech lies far under that of another channel "
                f"({signed(speaker.speech, 0)} dBFS), as what a microphone hears of "
                "somebody else's: its level is not judged."
            )
    for speaker in speakers:
        if speaker.spoken or not speaker.noise > _FAINTEST_DBFS:
            continue
        if speaker.seconds:
            yield (
                f"{speaker.line}: {speaker.seconds:.1f} s of speech are too little to "
                "judge its level."
            )
        else:
            yield (
                f"{speaker.line}: no speech could be told from the noise, so the level "
                "of speech is not judged."
            )


def _option(
    name: str, default: Any, unit: str, low: float, high: float, text: str, **more: Any
) -> Option:
    return Option(
        f"speech.{name}", default, text, unit=unit, low=low, high=high, **more
    )


# fmt: off
_OPTIONS = (
    _option("target_dbfs", -20.0, "dBFS", -60, 0,
            "House level of speech when recording, as RMS while somebody speaks "
            "(-20 to -12 is taught; no standard gives one: house choice)."),
    _option("quiet_dbfs", -32.0, "dBFS", -80, 0,
            "Review when speech lies under this (house choice).",
            at_most="speech.loud_dbfs"),
    _option("loud_dbfs", -12.0, "dBFS", -60, 0,
            "Review when speech lies over this, though nothing is clipped (house "
            "choice)."),
    _option("highest_peak_dbfs", -6.0, "dBFS", -40, 0,
            "Turning up is advised only as far as peaks stay under this (-6 to -12 is "
            "common practice, no source)."),
    _option("min_speech_seconds", 3.0, "s", 0.5, 3600,
            "The level is judged from so much speech on (house choice)."),
    _option("stretch_min_seconds", 20.0, "s", 5, 86_400,
            "Within a take that is right as a whole, a stretch of this length with "
            "speech past the limits is reported (house choice)."),
    _option("fall_db", 12.0, "dB", 3, 60,
            "Speech that falls by more than this within a take, to under the limit and "
            "up to the end, is told from a few seconds on (house choice)."),
    _option("good_over_noise_db", 20.0, "dB", 0, 80,
            "If speech is less than this over the noise, the advice is to move the "
            "microphone rather than to turn up (house choice)."),
    _option("crosstalk_db", 25.0, "dB", 6, 100,
            "Speech that lies this far under that of another channel is somebody "
            "else's, heard across, and not judged (house choice)."),
    _option("unjudged_channels", (), "", -math.inf, math.inf,
            'Channels whose speech level is not judged, such as a room microphone, by '
            'number or name: ["2"].', kind="texts"),
)
# fmt: on

MEASURE = Measure(
    name="speech",
    version=3,
    label="Speech level",
    clock="sound",
    columns=(
        Column("speech_dbfs", "Speech level", "dBFS", per_channel=True),
        Column("noise_dbfs", "Noise floor", "dBFS", per_channel=True),
        Column("activity_percent", "Share of speech", "%", 0, per_channel=True),
    ),
    options=_OPTIONS,
    start=SpeechReader,
    checks=(_check,),
    check_rules={
        "sound.quiet": "Speech too quiet",
        "sound.loud": "Speech too loud",
        "sound.noise": "Noise under speech",
    },
    charts=(
        Chart(
            ("speech_dbfs", "noise_dbfs"),
            "Speech level",
            "dBFS",
            low=-80.0,
            high=0.0,
            limits=("speech.quiet_dbfs", "speech.loud_dbfs"),
            explain=(
                "RMS level of the speech, and in the paler curve of the noise between "
                "words, in the ten seconds before."
            ),
        ),
    ),
    summarise=_summarise,
    notes=_notes,
    method=(
        "Plain RMS while somebody speaks, less the noise: a full-scale sine would read "
        "-3 dBFS. Speech is told from noise in a band of 150 Hz to about 3 kHz, over "
        "ten seconds: it rises 6 dB over the quietest moments, lies no more than 20 dB "
        "under the loudest, goes on for 0.2 s, and swings by 10 dB or more, syllable "
        "by syllable. What does not, such as a fan, a motor or suction, is noise; "
        "music or clattering instruments cannot be told from speech. Noise under "
        "speech is not noted where levels swing by less than 3.2 dB (standard "
        "deviation, over four seconds), as those of strings do, or more than 55 % of "
        "their swings lie in 2.5 to 8 Hz, as those of clapping. Noise floor: RMS of "
        "the quietest "
        "moments. Without pauses in ten seconds it reads too high. Speech that falls "
        "and stays down is told from three seconds on, if the noise falls with it."
    ),
    source=(
        "Levels: no standard; house choice, after what is taught. Margin and hang-over "
        "after ITU-T P.56 method B (from memory), the method is our own."
    ),
)
