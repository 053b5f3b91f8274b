"""A day for editing systems: its takes with their faults, and what is usable of them.

Frames are counted from 00:00:00:00 at each take's own rate, as in a take's
``markers.otio``: ``to_timecode(start, rate, drop_frame)`` gives the take's labels. At
29.97 and 59.94 OpenTimelineIO takes drop-frame unless told; clips carry
``drop_frame`` and their first label in the metadata.
"""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Iterable
from fractions import Fraction
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

import qc
from qc.daybook import DayResult, DayTake
from qc.records import Grade
from qc.report.day_facts import TakeFacts, day_order, fault_label
from qc.report.day_values import copies_of
from qc.report.handover import _COLOURS, _facts, _line, _reel, name_bytes, plain_text

if TYPE_CHECKING:
    from opentimelineio import opentime, schema

__all__ = ["day_otio", "selects_otio"]

_SCHEMA = 1


def day_otio(result: DayResult) -> bytes:
    """Return the day as an OpenTimelineIO timeline.

    One track a camera, with the whole of its takes one after another in order of time
    and a marker a finding. Takes without a picture are on sound tracks. Unreadable
    takes are left out.
    """
    from opentimelineio import schema

    tracks: dict[tuple[bool, str], Any] = {}
    timeline = _timeline(result, result.folder.name)
    for take, facts in _readable(result):
        camera = result.cameras.get(take.name, "")
        key = facts.picture, camera
        if key not in tracks:
            kind = schema.TrackKind.Video if facts.picture else schema.TrackKind.Audio
            number = 1 + sum(picture == facts.picture for picture, _ in tracks)
            name = f"{'V' if facts.picture else 'A'}{number}"
            tracks[key] = schema.Track(
                name=_line(f"{name} {camera}"),
                kind=kind,
                metadata={"rushes_qc": {"camera": plain_text(camera)}},
            )
        clip = _clip(result, take, facts)
        clip.markers.extend(_markers(take, facts))
        tracks[key].append(clip)
    # Pictures below, sound after them, as editing systems list their tracks.
    ordered = sorted(tracks.items(), key=lambda item: not item[0][0])
    timeline.tracks.extend(track for _, track in ordered)
    return _bytes(timeline)


def selects_otio(result: DayResult) -> bytes:
    """Return the usable ranges of all takes, one after another in order of time.

    Of a recording that is there twice only one copy is used. Pictures on one track and
    their sound on another; a gap stands where a take has only one of them.
    """
    from opentimelineio import schema

    copies = copies_of(result.findings)
    cuts = [
        (take, facts, usable)
        for take, facts in _readable(result)
        if take.name not in copies
        for usable in sorted(take.document["usable"], key=lambda u: u["start_frame"])
        if usable["end_frame"] > usable["start_frame"]
    ]
    timeline = _timeline(result, f"{result.folder.name} selects")
    for name, kind in (("V1", schema.TrackKind.Video), ("A1", schema.TrackKind.Audio)):
        track = schema.Track(name=name, kind=kind)
        for take, facts, usable in cuts:
            start, end = usable["start_frame"], usable["end_frame"]
            span = _span(facts, start, end - start)
            if facts.picture if name == "V1" else facts.sound:
                clip = _clip(result, take, facts)
                clip.name = _line(
                    f"{take.name} {usable['start_tc']} to {usable['end_tc']}"
                )
                clip.source_range = span
                track.append(clip)
            else:
                track.append(schema.Gap(duration=span.duration))
        if any(isinstance(item, schema.Clip) for item in track):
            timeline.tracks.append(track)
    return _bytes(timeline)


def _readable(result: DayResult) -> Iterable[tuple[DayTake, TakeFacts]]:
    for take in day_order(result):
        if take.readable:
            yield take, TakeFacts.of(take)


def _timeline(result: DayResult, name: str) -> schema.Timeline:
    from opentimelineio import opentime, schema

    rates = Counter(
        facts.timecode.rate for _, facts in _readable(result) if facts.picture
    )
    # The rate that most takes have is the one to cut in.
    rate = rates.most_common(1)[0][0] if rates else Fraction(25)
    return schema.Timeline(
        name=_line(name),
        global_start_time=opentime.RationalTime(0, float(rate)),
        metadata={
            "rushes_qc": {
                "schema": _SCHEMA,
                "complete": result.complete,
                "version": qc.__version__,
            }
        },
    )


def _span(facts: TakeFacts, start: int, count: int) -> opentime.TimeRange:
    """Return frames of a take, counted from its first, as a range in its media."""
    from opentimelineio import opentime

    rate = float(facts.timecode.rate)
    return opentime.TimeRange(
        opentime.RationalTime(facts.first + start, rate),
        opentime.RationalTime(count, rate),
    )


def _clip(result: DayResult, take: DayTake, facts: TakeFacts) -> schema.Clip:
    from opentimelineio import schema

    whole = _span(facts, 0, facts.frames)
    start, _, basis = result.times.get(take.name, (None, None, ""))
    return schema.Clip(
        name=_line(take.name),
        media_reference=schema.ExternalReference(
            target_url=_media_url(result, take), available_range=whole
        ),
        source_range=whole,
        metadata={
            "cmx_3600": {"reel": _reel(Path(PurePosixPath(take.name).name))},
            "rushes_qc": {
                "take": plain_text(take.name),
                "grade": take.grade.value,
                "start_timecode": facts.start_label,
                "drop_frame": facts.timecode.drop_frame,
                "clock_s": None if start is None else round(start, 6),
                "clock_from": basis,
                "report": None if take.folder is None else plain_text(take.folder),
            },
        },
    )


def _markers(take: DayTake, facts: TakeFacts) -> Iterable[schema.Marker]:
    from opentimelineio import schema

    for finding in take.document["findings"]:
        # Sound may go on for longer than the picture, which is all that is cut.
        start = min(finding["start_frame"], max(facts.frames - 1, 0))
        end = max(min(finding["end_frame"], facts.frames), start + 1)
        yield schema.Marker(
            name=_line(fault_label(finding["rule"])),
            marked_range=_span(facts, start, end - start),
            color=_COLOURS.get(Grade(finding["grade"]), "WHITE"),
            comment=_line(f"{finding['message']} {finding['advice']}"),
            metadata={"rushes_qc": _facts(finding)},
        )


def _media_url(result: DayResult, take: DayTake) -> str:
    """Return the recording's address as seen from the day's report folder."""
    path = result.folder.joinpath(*PurePosixPath(take.name).parts)
    real = Path(os.path.realpath(path.parent)) / path.name
    try:
        relative = Path(os.path.relpath(real, os.path.realpath(result.out)))
    except ValueError:  # on another drive
        return real.as_uri()
    return quote(name_bytes(relative.as_posix()))


def _bytes(timeline: schema.Timeline) -> bytes:
    text: str = timeline.to_json_string(indent=1)
    return f"{text}\n".encode()
