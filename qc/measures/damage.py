"""Damage: frames and samples that could not be decoded, or are not there.

Pictures too that decode well and yet were broken before they were coded.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from fractions import Fraction
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from qc.limits import Option
from qc.measures.base import Column, Measure, Measured, Setup, Values, finding_of
from qc.measures.parts.damage.straywatch import StrayWatch
from qc.measures.parts.damage.straywords import stray_findings, strays_of
from qc.records import AudioTrack, Finding, Grade, Picture, Readings
from qc.spans import bridged, runs

__all__ = ["MEASURE", "picture_lost"]

_ADVICE = (
    "Copy the file again from the card. If the damage is still there, keep the file, "
    "do not use this card before it has been checked, and watch the recorder for "
    "warnings."
)
_BRIDGE_S = 0.5
# A file that ends less than this before its announced end is not cut short: the last
# frame's duration is often left open.
_SHORTFALL_FRAMES = 3
# House choices: coded sound may lack its priming; an announced end that lies more than
# a day off is a damaged number.
_SOUND_SHORTFALL_S = Fraction(1, 10)
_SOUND_SHORTFALL_SHARE = Fraction(2, 100)
_BELIEVED_S = 86_400
# Containers whose header holds the length; that of others is guessed from bit rates.
_TELL_THEIR_LENGTH = frozenset(
    {"wav", "mov", "mp4", "m4a", "matroska", "flac", "aiff", "caf"}
)
_OTHER_ADVICE = (
    "Keep the recorder's sound settings the same during a take, and let recordings "
    "with different settings be separate files."
)


_LOST_ADVICE = (
    "Copy the file again from the card, and keep the card until its pictures are seen. "
    "If they do not come then either, keep the file too, and do not use this card "
    "before it has been checked. If the same comes of every file of a recorder, its "
    "pictures are in a format that cannot be read here: set it to a common one."
)


class _Reader:
    def __init__(self, setup: Setup) -> None:
        self._watch = StrayWatch()

    def read(self, picture: Picture) -> Values:
        if picture.damaged or not picture.y.size:
            self._watch.skip()
        else:
            self._watch.read(picture)
        return {"damaged": float(picture.damaged)}

    def finish(self) -> Mapping[str, object]:
        return {"stray": self._watch.finish()}


def _grade(measured: Measured, seconds: float) -> Grade:
    if seconds >= measured.limits["damage.reject_seconds"]:
        return Grade.REJECT
    return Grade.REVIEW


def _check(measured: Measured) -> Iterator[Finding]:
    if measured.picture is not None and measured.picture.rows:
        yield from _pictures(measured, measured.picture)
        yield from _cut_short(measured, measured.picture)
        yield from stray_findings(measured)
    for readings in measured.sound:
        yield from _sound(measured, readings)
    if measured.info.video is None:
        yield from _sound_cut_short(measured)
    if measured.info.picture_lost:
        yield from picture_lost(measured)


def picture_lost(measured: Measured) -> Iterator[Finding]:
    """Tell of a picture that is not there at all, over the length of the sound."""
    tracks = [r for r in measured.sound if r.rows]
    if not tracks:
        return
    readings = max(tracks, key=lambda r: r.start(r.rows))
    yield finding_of(
        measured,
        readings,
        rule="file.damaged",
        grade=Grade.REJECT,
        first=0,
        last=readings.rows,
        worst_row=0,
        message=(
            "No frame of the picture can be decoded: only the sound of this file was "
            "judged."
        ),
        advice=_LOST_ADVICE,
    )


def _pictures(measured: Measured, readings: Readings) -> Iterator[Finding]:
    broken = readings["damage.damaged"] > 0
    lost = _missing_rows(measured, readings)
    times = readings.times()
    for first, last in bridged(runs(broken | (lost > 0)), times=times, gap=_BRIDGE_S):
        start, end = readings.start(first), readings.start(last)
        bad = int(np.count_nonzero(broken[first:last]))
        gone = int(lost[first:last].sum())
        # Errors build up from frame to frame until one that builds on no other.
        worst = int(np.flatnonzero(broken[first:last])[-1]) if bad else 0
        parts = []
        if bad:
            parts.append(
                f"{bad} frame{'s' * (bad != 1)} decoded with errors "
                "or built on such a frame"
            )
        if gone:
            other = " or of another size" * bool(measured.changed_format)
            parts.append(f"{gone} frame{'s' * (gone != 1)} missing{other}")
        yield finding_of(
            measured,
            readings,
            rule="file.damaged",
            grade=_grade(measured, float(end - start)),
            first=first,
            last=last,
            worst_row=first + worst,
            worst=float(bad + gone),
            unit="frames",
            message=f"The file is damaged here: {' and '.join(parts)}.",
            advice=_ADVICE,
        )


def _missing_rows(measured: Measured, readings: Readings) -> NDArray[np.int64]:
    """Return how many frames are missing behind each row's: it is held for them."""
    lost = np.zeros(readings.rows, np.int64)
    for moment in measured.missing:
        ticks = int(moment / readings.time_base)
        row = int(np.searchsorted(readings.edges, ticks, side="right")) - 1
        lost[min(max(row, 0), readings.rows - 1)] += 1
    return lost


def _expected(measured: Measured) -> int | None:
    """Return the frames that there should be.

    A length of picture and sound together counts if neither of them reaches it.
    """
    info = measured.info
    if not info.shared_duration or info.duration is None or info.video is None:
        return info.frames_expected
    sounds = [r.start(r.rows) for r in measured.sound if r.rows]
    left = info.duration - max(info.origin, Fraction(0)) - max(sounds, default=0)
    if left * info.video.frame_rate <= _SHORTFALL_FRAMES:
        return info.frames_expected
    return round(info.duration * info.video.frame_rate)


def _cut_short(measured: Measured, readings: Readings) -> Iterator[Finding]:
    video, expected = measured.info.video, _expected(measured)
    if video is None or expected is None:
        return
    reached = measured.info.grid.nearest(readings.start(readings.rows))
    if expected - reached <= _SHORTFALL_FRAMES:
        return
    seconds = Fraction(expected - reached) / video.frame_rate
    last = readings.rows - 1
    yield finding_of(
        measured,
        readings,
        rule="file.damaged",
        grade=_grade(measured, float(seconds)),
        first=last,
        last=readings.rows,
        worst_row=last,
        worst=float(expected - reached),
        unit="frames",
        message=(
            f"The file ends early: about {float(seconds):.1f} s that it announces "
            "are not there."
        ),
        advice=_ADVICE,
    )


def _sound(measured: Measured, readings: Readings) -> Iterator[Finding]:
    if not readings.rows or readings.track is None:
        return
    levels = readings["peaks.sample_peak_dbfs"]
    gone = np.asarray(np.isnan(levels).all(axis=1), bool)
    times = readings.times()
    if "damage.other_channels" in readings.columns:
        gone &= np.isnan(readings["damage.other_channels"])
        yield from _other_kinds(measured, readings, readings.track)
    for first, last in bridged(runs(gone), times=times, gap=_BRIDGE_S):
        missing = int(np.count_nonzero(gone[first:last])) * float(readings.time_base)
        places = len(runs(gone[first:last]))
        where = f", in {places} places" if places > 1 else ""
        track = readings.track
        yield finding_of(
            measured,
            readings,
            rule="file.damaged",
            grade=_grade(measured, missing),
            first=first,
            last=last,
            worst_row=first,
            worst=missing,
            unit="s",
            channel=track.first_channel if track.channels == 1 else None,
            message=(
                f"Sound track {track.number + 1} is missing for {missing:.2f} s here"
                f"{where}."
            ),
            advice=_ADVICE,
        )


def _other_kinds(
    measured: Measured, readings: Readings, track: AudioTrack
) -> Iterator[Finding]:
    """Tell of sound that could not be measured because it is not like the track's."""
    channels, rates = readings["damage.other_channels"], readings["damage.other_rate"]
    starts = np.flatnonzero((channels[1:] != channels[:-1]) | (rates[1:] != rates[:-1]))
    cuts = np.unique([0, *(starts + 1).tolist(), readings.rows])
    for first, last in pairwise(cuts.tolist()):
        if np.isnan(channels[first]):
            continue
        count, rate = int(channels[first]), int(rates[first])
        seconds = (last - first) * float(readings.time_base)
        parts = []
        if count != track.channels:
            parts.append(f"{count} channel{'s' * (count != 1)}")
        if rate != track.sample_rate:
            parts.append(f"{rate} Hz")
        yield finding_of(
            measured,
            readings,
            rule="file.damaged",
            grade=_grade(measured, seconds),
            first=first,
            last=last,
            worst_row=first,
            worst=seconds,
            unit="s",
            channel=track.first_channel if track.channels == 1 else None,
            message=(
                f"Sound track {track.number + 1} changes to {' and '.join(parts)} "
                f"here: what follows, {seconds:.2f} s, was not measured."
            ),
            advice=_OTHER_ADVICE,
        )


def _sound_cut_short(measured: Measured) -> Iterator[Finding]:
    info = measured.info
    tracks = [r for r in measured.sound if r.rows]
    names = set(info.container.split(","))
    if info.duration is None or not tracks or not names & _TELL_THEIR_LENGTH:
        return
    readings = max(tracks, key=lambda r: r.start(r.rows))
    end = readings.start(readings.rows)
    # Some containers count from the zero of their clock, others from the first sample.
    short = info.duration - end - max(info.origin, Fraction(0))
    if not (
        short > _SOUND_SHORTFALL_S
        and short > _SOUND_SHORTFALL_SHARE * info.duration
        and short <= _BELIEVED_S
    ):
        return
    last = readings.rows - 1
    yield finding_of(
        measured,
        readings,
        rule="file.damaged",
        grade=_grade(measured, float(short)),
        first=last,
        last=readings.rows,
        worst_row=last,
        worst=float(short),
        unit="s",
        message=(
            f"The file ends early: about {float(short):.1f} s of sound that it "
            "announces are not there."
        ),
        advice=_ADVICE,
    )


def _summarise(measured: Measured) -> Mapping[str, object]:
    readings = measured.picture
    if readings is None or not readings.rows:
        return {}
    damaged = readings["damage.damaged"]
    return {
        "damaged_frames": int(np.count_nonzero(damaged > 0)),
        "missing_frames": len(measured.missing),
        "stray_frames": sum(s.last - s.first for s in strays_of(measured)),
    }


def _notes(measured: Measured) -> Iterable[str]:
    if measured.changed_format:
        yield (
            "The picture changes its size or format on the way: "
            f"{measured.changed_format} "
            f"{'frames' if measured.changed_format != 1 else 'frame'} of another kind "
            "than the first could not be measured."
        )
    if measured.restarts:
        yield (
            "The clock of the pictures jumps or begins anew "
            f"{measured.restarts} {'times' if measured.restarts != 1 else 'time'}: "
            "recordings joined in one file, or a damaged one. From there on timecodes "
            "are counted, not read."
        )
    if measured.ended_early:
        yield (
            f"Reading broke off before the end of the file ({measured.ended_early}); "
            "what came before is measured."
        )


MEASURE = Measure(
    name="damage",
    version=4,
    label="Damage",
    clock="picture",
    columns=(Column("damaged", "Frame damaged", "", 0),),
    options=(
        Option(
            "damage.reject_seconds",
            1.0,
            "Damage of this length rejects the take; shorter is for review "
            "(house choice).",
            unit="s",
            low=0,
            high=3600,
        ),
    ),
    start=_Reader,
    checks=(_check,),
    check_rules={"file.damaged": "Damaged file"},
    summarise=_summarise,
    notes=_notes,
    method=(
        "A frame counts as damaged when the decoder reports it as broken, and so do "
        "the frames built on it, up to the next that can be decoded on its own. A "
        "frame is missing when the file holds data for it from which no picture came. "
        "H.264 numbers the pictures that others build on: where one is not there, what "
        "builds on it is damaged. "
        "Decoders do not notice every error: above all HEVC's lets small ones pass. "
        "Pictures broken before they were coded decode without error: one to three of "
        "them (twelve if they roll) that are unlike the one before and the one behind, "
        "all over or over a band of whole lines, while these two are alike and all is "
        "calm beside them. Compared is detail, strip by strip, so that a light that "
        "comes and goes does not count, nor does what does not reach from side to "
        "side; a picture of before is known by what lies where it lay then. A screen, "
        "where hardly a pixel changes from frame to frame, is not judged."
    ),
    source="FFmpeg's decoders report the errors. Limits: house choice.",
)
