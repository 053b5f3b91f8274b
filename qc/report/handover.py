"""What other programs read of a result: JSON, a table, editing markers, captions.

``result.json`` is the whole result; ``findings.csv`` a table for spreadsheets;
``markers.otio`` the take with a marker a finding, for editing systems;
``markers.vtt`` the findings as captions, for players.
"""

from __future__ import annotations

import csv
import io
import json
import math
import os
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import asdict
from enum import Enum
from fractions import Fraction
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np

import qc
from qc.limits import Region
from qc.measures import rule_labels
from qc.records import Finding, Grade, TakeFailure, TakeInfo, TakeResult, UsableRange
from qc.report.axis import spoken_label
from qc.report.words import printable, spelled_out

__all__ = [
    "failure_document",
    "findings_csv",
    "json_bytes",
    "markers_otio",
    "markers_vtt",
    "name_bytes",
    "plain",
    "plain_text",
    "result_document",
]

_SCHEMA = 1  # 1: the first

# What spreadsheets take for the beginning of a formula, also in full width (OWASP, "CSV
# Injection"); tabs and line ends, which count too, are gone by then.
_FORMULA = ("=", "+", "-", "@", "＝", "＋", "－", "＠")
_LINE_ENDS = re.compile("[\t-\r\x1c-\x1e\x85\u2028\u2029]+")


# ---------------------------------------------------------------------- plain values


def plain(value: object) -> Any:
    """Return a value as JSON can hold it; NaN and infinities become None.

    Numbers keep seven significant digits, all that float32 readings have, or three
    decimals if that is more.

    Raises
    ------
    TypeError
        A kind of value that no measure should hand over.

    Examples
    --------
    >>> plain({"a": np.float32(0.1), "b": (float("nan"), Fraction(1, 3))})
    {'a': 0.1, 'b': [None, 0.3333333]}
    """
    if isinstance(value, Enum):
        value = value.value
    if isinstance(value, np.generic | np.ndarray):
        value = value.tolist()
    if value is None or isinstance(value, bool | int):
        return value
    if isinstance(value, str):
        return plain_text(value)
    if isinstance(value, float | Fraction):
        return _number(float(value))
    if isinstance(value, Path):
        return plain_text(str(value))
    if isinstance(value, Region):
        return [[_number(x), _number(y)] for x, y in value.points]
    if isinstance(value, Mapping):
        return {plain_text(str(key)): plain(item) for key, item in value.items()}
    if isinstance(value, set | frozenset):
        return sorted(plain(item) for item in value)
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    raise TypeError(f"{type(value).__name__} has no place in a result: {value!r}")


def _number(value: float) -> float | None:
    if not math.isfinite(value):
        return None
    if abs(value) >= 10_000:
        return round(value, 3)
    return float(f"{value:.7g}") + 0.0  # no minus zero


def _seconds(value: Fraction) -> float:
    return float(round(value, 6))


def _facts(facts: Mapping[str, object]) -> dict[str, Any]:
    """Return named values as plain ones, times (``..._s``) to the microsecond."""
    return {
        name: round(value, 6)
        if name.endswith("_s") and isinstance(value, float) and math.isfinite(value)
        else plain(value)
        for name, value in facts.items()
    }


def plain_text(text: str) -> str:
    r"""Return text that UTF-8 can hold; bytes of a name that are none are written out.

    Examples
    --------
    >>> plain_text("caf\udce9.mov")
    'caf\\xe9.mov'
    """
    return spelled_out(text).encode("utf-8", "backslashreplace").decode("utf-8")


def _line(text: str) -> str:
    """Return text on one line, with nothing in it that is no text."""
    return printable(_LINE_ENDS.sub(" ", text)).strip()


def json_bytes(document: object) -> bytes:
    """Return a document as strict JSON in UTF-8, keys in the order given."""
    text = json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1)
    return f"{text}\n".encode()


# -------------------------------------------------------------------------------- JSON


def result_document(result: TakeResult) -> dict[str, Any]:
    """Return a result as plain values, ready for `json_bytes`.

    Returns
    -------
    dict
        ``"schema": 1``. Frames and labels lie on the take's frame grid and every end
        is exclusive; what belongs to pictures is None in a take without them.
    """
    return {
        "schema": _SCHEMA,
        "take": _take(result),
        "coverage": _coverage(result),
        "grade": result.grade.value,
        "findings": [_finding(f, result.info) for f in result.findings],
        "usable": [_usable(r, result.info) for r in result.usable],
        "summary": plain(result.summary),
        "advice": plain(result.advice),
        "notes": plain(result.notes),
        "limits": plain(result.limits),
        "tool": {"name": "Rushes QC", "version": qc.__version__},
    }


def _coverage(result: TakeResult) -> dict[str, Any]:
    told = _facts(asdict(result.coverage))
    if result.coverage.spot is None:
        del told["spot"]  # only a spot check has it
    return told


def failure_document(failure: TakeFailure) -> dict[str, Any]:
    """Return a take that could not be measured as plain values."""
    return {
        "schema": _SCHEMA,
        "take": {
            "name": plain_text(failure.path.name),
            "path": plain_text(str(failure.path)),
        },
        "grade": Grade.UNREADABLE.value,
        "stage": failure.stage,
        "message": plain_text(failure.message),
    }


def _take(result: TakeResult) -> dict[str, Any]:
    info, video = result.info, result.info.video
    signal = video.signal if video is not None else None
    facts = {
        "name": info.name,
        "path": info.path,
        "bytes": info.bytes,
        "fingerprint": info.fingerprint,
        **({"marks": info.marks} if info.marks else {}),
        "duration_s": _seconds(result.duration),
        "frames": _frames(result) if video else None,
        "frame_rate": _ratio(video.frame_rate) if video else None,
        "width": video.width if video else None,
        "height": video.height if video else None,
        "pixel_aspect": _ratio(video.pixel_aspect) if video else None,
        "rotation": video.rotation if video else None,
        "scan": video.scan if video else None,
        "codec": video.codec if video else None,
        "pixel_format": video.pixel_format if video else None,
        "bit_depth": signal.bit_depth if signal else None,
        "range": ("full" if signal.full_range else "limited") if signal else None,
        "matrix": signal.matrix if signal else None,
        "transfer": signal.transfer if signal else None,
        "video_stream": video.number if video else None,
        "assumed": info.assumed,
        "left_out": info.left_out,
        "picture_lost": info.picture_lost,
        "start_timecode": info.start_timecode,
        "drop_frame": info.timecode.drop_frame,
        "timecode_source": info.timecode_source,
        "audio": [
            {
                "codec": track.codec,
                "channels": track.channels,
                "layout": track.layout,
                "sample_rate": track.sample_rate,
            }
            for track in info.audio
        ],
    }
    return _facts(facts)


def _frames(result: TakeResult) -> int:
    """Return how many places of the frame grid the take covers."""
    picture = result.picture
    end = result.duration
    if picture is not None and picture.rows:
        end = picture.start(picture.rows)
    return max(result.info.grid.nearest(end), 0)


def _ratio(value: Fraction) -> str:
    return f"{value.numerator}/{value.denominator}"


def _finding(finding: Finding, info: TakeInfo) -> dict[str, Any]:
    grid = info.grid
    facts = {
        "rule": finding.rule,
        "grade": finding.grade,
        "start_frame": finding.start_frame,
        "end_frame": finding.end_frame,
        "start_tc": grid.label(finding.start_frame),
        "end_tc": grid.label(finding.end_frame),
        "start_s": _seconds(finding.start),
        "end_s": _seconds(finding.end),
        "worst_frame": finding.worst_frame,
        "worst_tc": grid.label(finding.worst_frame),
        "worst": finding.worst,
        "limit": finding.limit,
        "unit": finding.unit,
        "message": finding.message,
        "advice": finding.advice,
        "where": finding.where,
        "channel": finding.channel,
    }
    return _facts(facts)


def _usable(usable: UsableRange, info: TakeInfo) -> dict[str, Any]:
    return {
        "start_frame": usable.start_frame,
        "end_frame": usable.end_frame,
        "start_tc": info.grid.label(usable.start_frame),
        "end_tc": info.grid.label(usable.end_frame),
        "duration_s": _seconds(usable.duration),
    }


# -------------------------------------------------------------------------------- table


def findings_csv(result: TakeResult) -> bytes:
    """Return the findings as a table, one row each, RFC 4180.

    Without pictures there are no frames: their columns are empty, and the columns of
    timecode hold hours, minutes and seconds.

    UTF-8 with a byte order mark: without it spreadsheets take the file for the
    system's old character set. Text that would be taken for a formula gets an
    apostrophe in front.
    """
    labels = rule_labels()
    file = io.StringIO(newline="")
    writer = csv.writer(file, lineterminator="\r\n")
    writer.writerow(_COLUMNS)
    for finding in result.findings:
        row = _row(finding, result.info, labels)
        writer.writerow(_cell(value) for value in row.values())
    return file.getvalue().encode("utf-8-sig")


_COLUMNS = (
    "take", "rule", "fault", "grade", "start_tc", "end_tc", "start_s", "end_s",
    "duration_s", "start_frame", "end_frame", "worst_tc", "worst_frame", "worst",
    "limit", "unit", "channel", "x", "y", "width", "height", "message", "advice",
)  # fmt: skip


def _row(finding: Finding, info: TakeInfo, labels: Mapping[str, str]) -> dict[str, Any]:
    facts = _finding(finding, info)
    x, y, width, height = facts["where"] or (None,) * 4
    facts |= _spoken(finding, info)
    facts |= {
        "take": plain_text(info.name),
        "fault": labels.get(finding.rule, finding.rule),
        "duration_s": _seconds(finding.duration),
        "x": x,
        "y": y,
        "width": width,
        "height": height,
    }
    return {name: facts[name] for name in _COLUMNS}


def _spoken(finding: Finding, info: TakeInfo) -> dict[str, str | None]:
    """Return the places of a finding as people are told them.

    Sound alone has no frames: hours, minutes and seconds then, as on the page.
    """
    told: dict[str, str | None] = {
        "start_tc": spoken_label(info, finding.start_frame, finding.start),
        "end_tc": spoken_label(info, finding.end_frame, finding.end),
        "worst_tc": spoken_label(info, finding.worst_frame, finding.worst_at),
    }
    if info.video is None:
        told |= dict.fromkeys(("start_frame", "end_frame", "worst_frame"))
    return told


def _cell(value: str | float | None) -> str | float | None:
    if not isinstance(value, str):
        return value
    text = _line(value)
    return f"'{text}" if text.startswith(_FORMULA) else text


# ------------------------------------------------------------------------------ markers


def markers_otio(result: TakeResult, out: Path) -> bytes:
    """Return the take as an OpenTimelineIO timeline, with a marker a finding.

    Parameters
    ----------
    out : Path
        The folder that holds the report's folder; the recording is named from there.

    Notes
    -----
    Times are frames at the take's rate, counted from 00:00:00:00, so that
    ``to_timecode(start, rate, drop_frame)`` gives the take's labels. At 29.97 and
    59.94 OpenTimelineIO takes drop-frame unless told: non-drop takes carry
    ``drop_frame`` and their labels in the metadata.
    """
    from opentimelineio import opentime, schema

    info = result.info
    rate = float(info.timecode.rate)
    first = info.start_frame % info.timecode.frames_per_day
    frames = _frames(result)

    def span(start: int, count: int) -> opentime.TimeRange:
        return opentime.TimeRange(
            opentime.RationalTime(start, rate), opentime.RationalTime(count, rate)
        )

    def clip() -> schema.Clip:
        return schema.Clip(
            name=_line(info.name),
            media_reference=schema.ExternalReference(
                target_url=_media_url(info.path, out),
                available_range=span(first, frames),
            ),
            source_range=span(first, frames),
            metadata={"cmx_3600": {"reel": _reel(info.path)}},
        )

    timeline = schema.Timeline(
        name=_line(info.name),
        global_start_time=opentime.RationalTime(first, rate),
        metadata={
            "rushes_qc": {
                "schema": _SCHEMA,
                "grade": result.grade.value,
                "start_timecode": info.start_timecode,
                "drop_frame": info.timecode.drop_frame,
                "version": qc.__version__,
            }
        },
    )
    tracks = [("V1", schema.TrackKind.Video)] if info.video is not None else []
    tracks += [("A1", schema.TrackKind.Audio)] if info.audio else []
    for name, kind in tracks:
        timeline.tracks.append(schema.Track(name=name, kind=kind, children=[clip()]))
    labels = rule_labels()
    marked = timeline.tracks[0][0]
    for finding in result.findings:
        # Sound may go on for longer than the picture, which is all that is cut.
        start = min(finding.start_frame, max(frames - 1, 0))
        end = max(min(finding.end_frame, frames), start + 1)
        marked.markers.append(
            schema.Marker(
                name=_line(labels.get(finding.rule, finding.rule)),
                marked_range=span(first + start, end - start),
                color=_COLOURS.get(finding.grade, "WHITE"),
                comment=_line(f"{finding.message} {finding.advice}"),
                metadata={"rushes_qc": _finding(finding, info)},
            )
        )
    text: str = timeline.to_json_string(indent=1)
    return f"{text}\n".encode()


_COLOURS = {Grade.REJECT: "RED", Grade.REVIEW: "YELLOW", Grade.NOTE: "CYAN"}


def name_bytes(name: str) -> bytes:
    """Return a file name's bytes for an address, whatever characters it holds."""
    try:
        return os.fsencode(name)
    except UnicodeEncodeError:  # a lone surrogate, as Windows names may hold
        return name.encode("utf-8", "surrogatepass")


def _media_url(path: Path, out: Path) -> str:
    """Return the recording's address as seen from any folder under `out`."""
    take = Path(os.path.realpath(path.parent)) / path.name
    try:
        relative = Path("..") / os.path.relpath(take, os.path.realpath(out))
    except ValueError:  # on another drive
        return take.as_uri()
    return quote(name_bytes(relative.as_posix()))


def _reel(path: Path) -> str:
    """Return the name that an edit list knows the take by: eight letters and digits."""
    stem = unicodedata.normalize("NFKD", path.stem)
    return re.sub(r"[^A-Za-z0-9]", "", stem)[:8] or "AX"


# ----------------------------------------------------------------------------- captions


def markers_vtt(result: TakeResult) -> bytes:
    """Return the findings as WebVTT captions, one cue each, in playback time.

    References
    ----------
    W3C, "WebVTT: The Web Video Text Tracks Format", sections 4.1 and 4.2.2.
    """
    labels = rule_labels()
    blocks = ["WEBVTT"]
    cues = [(*_milliseconds(f), f) for f in result.findings]
    cues.sort(key=lambda cue: cue[0])
    for number, (start, end, finding) in enumerate(cues, start=1):
        facts = _spoken(finding, result.info)
        lines = (
            f"{facts['start_tc']}–{facts['end_tc']} "
            f"{labels.get(finding.rule, finding.rule)}",
            finding.message,
            finding.advice,
        )
        text = "\n".join(escaped for t in lines if (escaped := _caption(t)))
        times = f"{_timestamp(start)} --> {_timestamp(end)}"
        blocks.append(f"finding-{number}\n{times}\n{text}")
    return ("\n\n".join(blocks) + "\n").encode()


def _milliseconds(finding: Finding) -> tuple[int, int]:
    start = max(math.floor(finding.start * 1000 + Fraction(1, 2)), 0)
    end = math.floor(finding.end * 1000 + Fraction(1, 2))
    return start, max(end, start + 1)


def _caption(text: str) -> str:
    escapes = {"&": "&amp;", "<": "&lt;", ">": "&gt;"}
    return "".join(escapes.get(c, c) for c in _line(text))


def _timestamp(milliseconds: int) -> str:
    seconds, mmm = divmod(milliseconds, 1000)
    minutes, ss = divmod(seconds, 60)
    hh, mm = divmod(minutes, 60)
    return f"{hh:02d}:{mm:02d}:{ss:02d}.{mmm:03d}"
