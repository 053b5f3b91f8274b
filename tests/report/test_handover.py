"""What other programs read, read back by other programs.

Outside sources: the OpenTimelineIO library and its edit-list adapter for frames and
labels, Python's csv and json modules, the syntax rules of WebVTT (W3C, "WebVTT: The
Web Video Text Tracks Format", section 4).
"""

from __future__ import annotations

import csv
import html
import io
import json
import math
import os
import re
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any
from urllib.parse import unquote_to_bytes, urljoin, urlsplit

import numpy as np
import opentimelineio as otio
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from qc.records import Grade, TakeFailure, TakeResult
from qc.report.handover import (
    failure_document,
    findings_csv,
    json_bytes,
    markers_otio,
    markers_vtt,
    plain,
    result_document,
)
from qc.timecode import TimecodeFormat

MakeResult = Callable[..., TakeResult]

NTSC = {n: Fraction(1000 * n, 1001) for n in (24, 30, 60)}
RATES = [
    pytest.param(NTSC[24], False, "10:00:00:00", id="23.976"),
    pytest.param(Fraction(24), False, "01:00:00:00", id="24"),
    pytest.param(Fraction(25), False, "10:00:00:00", id="25"),
    pytest.param(NTSC[30], True, "09:59:58;00", id="29.97 drop"),
    pytest.param(NTSC[30], False, "09:59:58:00", id="29.97 non-drop"),
    pytest.param(Fraction(30), False, "00:00:00:00", id="30"),
    pytest.param(Fraction(50), False, "10:00:00:49", id="50"),
    pytest.param(NTSC[60], True, "10:08:58;58", id="59.94 drop"),
    pytest.param(NTSC[60], False, "10:08:58:58", id="59.94 non-drop"),
    pytest.param(Fraction(60), False, "23:59:00:00", id="60"),
]
# The edit-list adapter cannot be told that 29.97 and 59.94 are non-drop.
CUT_RATES = [p for p in RATES if "non-drop" not in str(p.id)]


def strict_json(data: bytes) -> Any:
    def refuse(constant: str) -> None:
        raise AssertionError(f"{constant} is not JSON (RFC 8259, section 6)")

    return json.loads(data.decode("utf-8"), parse_constant=refuse)


def timeline_of(result: TakeResult, out: Path) -> otio.schema.Timeline:
    text = markers_otio(result, out).decode("utf-8")
    timeline = otio.adapters.read_from_string(text, "otio_json")
    assert isinstance(timeline, otio.schema.Timeline)
    return timeline


def label(time: otio.opentime.RationalTime, *, drop: bool) -> str:
    # OpenTimelineIO takes None for "no such thing at this rate".
    return str(otio.opentime.to_timecode(time, time.rate, drop or False))


# -------------------------------------------------------------------------------- JSON

# The contract's keys, and those that were added to it.
TAKE_KEYS = {
    "name", "path", "bytes", "duration_s", "frames", "frame_rate", "width", "height",
    "scan", "codec", "pixel_format", "bit_depth", "range", "matrix", "transfer",
    "assumed", "start_timecode", "drop_frame", "timecode_source", "audio",
    "fingerprint", "video_stream", "left_out", "pixel_aspect", "rotation",
    "picture_lost",
}  # fmt: skip
FINDING_KEYS = [
    "rule", "grade", "start_frame", "end_frame", "start_tc", "end_tc", "start_s",
    "end_s", "worst_frame", "worst_tc", "worst", "limit", "unit", "message", "advice",
    "where", "channel",
]  # fmt: skip
PICTURE_KEYS = {
    "frames", "frame_rate", "width", "height", "scan", "codec", "pixel_format",
    "bit_depth", "range", "matrix", "transfer", "video_stream", "pixel_aspect",
    "rotation",
}  # fmt: skip


def test_document_has_the_keys_of_the_contract(make_result: MakeResult) -> None:
    document = result_document(make_result(Path("A.mov")))
    assert list(document) == [
        "schema", "take", "coverage", "grade", "findings", "usable", "summary",
        "advice", "notes", "limits", "tool",
    ]  # fmt: skip
    assert document["schema"] == 1
    assert set(document["take"]) == TAKE_KEYS
    assert list(document["findings"][0]) == FINDING_KEYS
    assert set(document["usable"][0]) == {
        "start_frame", "end_frame", "start_tc", "end_tc", "duration_s",
    }  # fmt: skip
    assert set(document["tool"]) == {"name", "version"}
    assert strict_json(json_bytes(document)) == document


def test_document_says_what_the_result_says(make_result: MakeResult) -> None:
    document = result_document(make_result(Path("A.mov")))
    take = document["take"]
    assert (take["frame_rate"], take["frames"], take["duration_s"]) == ("25/1", 250, 10)
    assert (take["range"], take["bit_depth"], take["matrix"]) == (
        "limited",
        10,
        "bt709",
    )
    first = document["findings"][0]
    assert (first["start_frame"], first["end_frame"]) == (50, 75)
    assert (first["start_s"], first["end_s"]) == (2.0, 3.0)
    assert (first["start_tc"], first["end_tc"]) == ("10:00:02:00", "10:00:03:00")
    assert first["where"] == [10, 20, 30, 40]
    assert document["limits"]["highlights.ignore"] == [
        [[0.0, 0.0], [0.5, 0.0], [0.5, 1.0]]
    ]
    # The longest comes first in the result; the order given is kept.
    assert [u["start_frame"] for u in document["usable"]] == [101, 0]


def test_sound_only_take_has_no_picture_facts(make_result: MakeResult) -> None:
    result = make_result(Path("A.wav"), picture=False)
    take = result_document(result)["take"]
    assert {key for key in take if take[key] is None} == PICTURE_KEYS
    assert take["audio"] == [
        {
            "codec": "pcm_s24le",
            "channels": 2,
            "layout": "stereo",
            "sample_rate": 48_000,
        }
    ]


def test_times_are_kept_to_the_microsecond_in_a_long_take(
    make_result: MakeResult,
) -> None:
    result = make_result(Path("A.mov"), rate=NTSC[60], start="00:00:00:00")
    frame = 60 * 3600 * 5 + 7
    moment = Fraction(frame * 1001, 60_000)
    finding = replace(result.findings[0], start=moment, end=moment + 1)
    told = result_document(replace(result, findings=(finding,)))["findings"][0]
    assert abs(Fraction(told["start_s"]) - moment) < Fraction(6, 10_000_000)


def test_what_is_no_number_becomes_null(make_result: MakeResult) -> None:
    odd = {
        "a": math.nan,
        "b": np.float32("inf"),
        "c": [np.float64("-inf"), np.int64(3), np.bool_(True)],
        "d": np.array([[1.5, np.nan]], np.float32),
        "e": {"f": (None, Fraction(1, 4)), 7: Grade.NOTE},
    }
    result = make_result(
        Path("A.mov"), summary={"odd": odd}, worst=math.nan, limit=np.float32(5.1)
    )
    document = strict_json(json_bytes(result_document(result)))
    assert document["summary"]["odd"] == {
        "a": None,
        "b": None,
        "c": [None, 3, True],
        "d": [[1.5, None]],
        "e": {"f": [None, 0.25], "7": "note"},
    }
    assert document["findings"][0]["worst"] is None
    assert document["findings"][0]["limit"] == 5.1


VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.floats(width=32).map(np.float32)
    | st.text(st.characters())
    | st.fractions(),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(st.characters()), inner),
    max_leaves=12,
)


@given(VALUES)
def test_any_value_becomes_strict_json(value: object) -> None:
    told = plain(value)
    assert strict_json(json_bytes(told)) == told


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_numbers_keep_seven_digits_or_three_decimals(value: float) -> None:
    told = plain(value)
    assert math.isclose(told, value, rel_tol=5.1e-7, abs_tol=0)
    assert abs(value) < 1e4 or abs(told - value) <= max(0.00051, abs(value) * 1e-15)


def test_a_value_that_is_none_of_ours_is_refused() -> None:
    with pytest.raises(TypeError, match="object has no place in a result"):
        plain({"a": [object()]})


def test_name_that_is_not_utf8_can_be_told(make_result: MakeResult) -> None:
    name = os.fsdecode(b"caf\xe9.mov")
    result = make_result(Path("folder") / name)
    take = strict_json(json_bytes(result_document(result)))["take"]
    assert take["name"] == r"caf\xe9.mov"
    for data in (findings_csv(result), markers_vtt(result)):
        data.decode("utf-8")


def test_failure_document() -> None:
    failure = TakeFailure(Path("day") / "B.mov", "open", "B.mov: cannot be opened")
    assert strict_json(json_bytes(failure_document(failure))) == {
        "schema": 1,
        "take": {"name": "B.mov", "path": str(Path("day") / "B.mov")},
        "grade": "unreadable",
        "stage": "open",
        "message": "B.mov: cannot be opened",
    }


# ------------------------------------------------------------------------------- table


def table_of(result: TakeResult) -> list[dict[str, str]]:
    text = findings_csv(result).decode("utf-8-sig")
    return list(csv.DictReader(io.StringIO(text, newline=""), strict=True))


def test_table_reads_back(make_result: MakeResult) -> None:
    result = make_result(
        Path("A.mov"),
        rate=NTSC[30],
        drop_frame=True,
        start="10:00:58;00",
        spans=((0, 60), (59, 61)),
        message='Says "too bright", twice; \u2212 3 dB',
        worst=-3.25,
    )
    rows = table_of(result)
    assert len(rows) == 2
    assert rows[0]["message"] == 'Says "too bright", twice; \u2212 3 dB'
    assert float(rows[0]["worst"]) == -3.25
    assert [r["start_tc"] for r in rows] == ["10:00:58;00", "10:00:59;29"]
    # SMPTE ST 12-1: labels ;00 and ;01 of minute 1 do not exist.
    assert [r["end_tc"] for r in rows] == ["10:01:00;02", "10:01:00;03"]
    assert [int(r["end_frame"]) for r in rows] == [60, 61]
    assert rows[0]["channel"] == ""
    assert (rows[0]["x"], rows[0]["height"]) == ("10", "40")


def test_table_is_utf8_with_mark_and_crlf(make_result: MakeResult) -> None:
    data = findings_csv(make_result(Path("Übung.mov")))
    assert data.startswith(b"\xef\xbb\xbf")
    assert data.count(b"\r\n") == data.count(b"\n") == 3  # RFC 4180, section 2, rule 1


def test_table_without_findings_still_has_a_header(make_result: MakeResult) -> None:
    text = findings_csv(make_result(Path("A.mov"), spans=())).decode("utf-8-sig")
    assert text.startswith("take,rule,")
    assert text.count("\r\n") == 1


@pytest.mark.parametrize(
    "name",
    [
        '=HYPERLINK("x";"y").mov',
        "+1.mov",
        "-r.mov",
        "@SUM(A1).mov",
        "\t=1+1.mov",
        "\r=1+1.mov",
        "\n=1.mov",
        " =1+1.mov",
        "＝1+1.mov",
    ],
)
def test_file_name_is_never_a_formula(make_result: MakeResult, name: str) -> None:
    # OWASP, "CSV Injection": no cell may begin with one of these.
    result = make_result(Path(name), message=name, advice=name)
    for row in table_of(result):
        for column in ("take", "message", "advice"):
            assert row[column][0] == "'"
            assert row[column][1:] == name.strip()


@given(message=st.text(st.characters()), worst=st.floats())
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_table_survives_any_text(
    make_result: MakeResult, message: str, worst: float
) -> None:
    result = make_result(Path("A.mov"), frames=101, message=message, worst=worst)
    rows = table_of(result)
    assert len(rows) == 2
    assert all(None not in row and None not in row.values() for row in rows)
    assert not rows[0]["message"].startswith(tuple("=+-@\t\r\n"))
    assert rows[0]["worst"] != "nan"


# ----------------------------------------------------------------------------- markers


@pytest.mark.parametrize(("rate", "drop", "start"), RATES)
def test_frames_and_labels_survive_in_the_timeline(
    make_result: MakeResult, tmp_path: Path, rate: Fraction, drop: bool, start: str
) -> None:
    result = make_result(
        tmp_path / "A.mov",
        rate=rate,
        drop_frame=drop,
        start=start,
        frames=5000,
        spans=((0, 1), (1790, 1810), (3550, 5000)),
    )
    timeline = timeline_of(result, tmp_path / "reports")
    clip = next(iter(timeline.find_clips()))
    available = clip.media_reference.available_range
    assert available.start_time.rate == float(rate)
    assert label(available.start_time, drop=drop) == start
    assert label(timeline.global_start_time, drop=drop) == start
    assert available.duration.to_frames() == 5000
    assert clip.source_range == available
    assert timeline.duration().to_frames() == 5000
    told = result_document(result)["findings"]
    assert len(clip.markers) == len(told) == 3
    for marker, finding in zip(clip.markers, told, strict=True):
        span = marker.marked_range
        assert label(span.start_time, drop=drop) == finding["start_tc"]
        assert label(span.end_time_exclusive(), drop=drop) == finding["end_tc"]
        first = (span.start_time - available.start_time).to_frames()
        assert first == finding["start_frame"]
        assert first + span.duration.to_frames() == finding["end_frame"]
        assert dict(marker.metadata["rushes_qc"])["rule"] == finding["rule"]
    assert timeline.metadata["rushes_qc"]["drop_frame"] is drop
    assert timeline.metadata["rushes_qc"]["start_timecode"] == start


@given(
    st.sampled_from([*((NTSC[n], True) for n in (30, 60)), (Fraction(25), False)]),
    st.integers(0, 24 * 3600 * 59),
)
def test_labels_of_a_whole_day_agree_with_opentimelineio(
    format_: tuple[Fraction, bool], frame: int
) -> None:
    timecode = TimecodeFormat(*format_)
    frame %= timecode.frames_per_day
    time = otio.opentime.RationalTime(frame, float(timecode.rate))
    assert label(time, drop=timecode.drop_frame) == timecode.label(frame)


@pytest.mark.parametrize(("rate", "drop", "start"), CUT_RATES)
def test_edit_list_adapter_reads_the_timeline(
    make_result: MakeResult, tmp_path: Path, rate: Fraction, drop: bool, start: str
) -> None:
    spans = ((0, 30), (1790, 1810))
    result = make_result(
        tmp_path / "Übung 3.mov",
        rate=rate,
        drop_frame=drop,
        start=start,
        frames=2000,
        spans=spans,
    )
    text = otio.adapters.write_to_string(
        timeline_of(result, tmp_path / "reports"), "cmx_3600"
    )
    told = result_document(result)
    event = next(line for line in text.splitlines() if line.startswith("001"))
    _, reel, kind, cut, source_in, source_out, _, _ = event.split()
    assert (reel, kind, cut) == ("Ubung3", "V", "C")
    assert source_in == told["take"]["start_timecode"] == start
    assert source_out == result.info.grid.label(2000)
    marks = re.findall(r"^\* LOC: (\S+) (\S+)", text, re.MULTILINE)
    assert marks == [(f["start_tc"], "YELLOW") for f in told["findings"]]
    back = otio.adapters.read_from_string(text, "cmx_3600", rate=float(rate))
    source = back.tracks[0][0].source_range
    assert source.duration.to_frames() == 2000
    assert source.start_time.to_frames() == result.info.start_frame


def test_edit_list_of_a_take_over_midnight(
    make_result: MakeResult, tmp_path: Path
) -> None:
    result = make_result(tmp_path / "A.mov", start="23:59:55:00")
    text = otio.adapters.write_to_string(timeline_of(result, tmp_path), "cmx_3600")
    assert "23:59:55:00 00:00:05:00" in text


@pytest.mark.parametrize(
    ("name", "reel"),
    [
        ("手术教学.mov", "AX"),
        ("a\nb\u2028c.mov", "abc"),
        ("* LOC: 1.mov", "LOC1"),
        ("A001_C003_0214.mov", "A001C003"),
        (os.fsdecode(b"caf\xe9.mov"), "caf"),
    ],
)
def test_odd_names_make_a_good_edit_list(
    make_result: MakeResult, tmp_path: Path, name: str, reel: str
) -> None:
    result = make_result(tmp_path / name)
    timeline = timeline_of(result, tmp_path / "reports")
    text = otio.adapters.write_to_string(timeline, "cmx_3600")
    back = otio.adapters.read_from_string(text, "cmx_3600", rate=25)
    clip = back.tracks[0][0]
    assert clip.name == timeline.name == back.name
    assert clip.metadata.get("cmx_3600", {}).get("reel", "AX") == reel
    assert len(clip.markers) == 2


@pytest.mark.parametrize(
    "name", ["A.mov", "a b#1?.mov", "50%.mov", "x:y.mov", "手术.mov", "caf\udce9.mov"]
)
def test_recording_is_found_from_the_report(
    make_result: MakeResult, tmp_path: Path, name: str
) -> None:
    path = tmp_path / "card 1" / name
    out = tmp_path / "out" / "reports"
    clip = next(iter(timeline_of(make_result(path), out).find_clips()))
    url = clip.media_reference.target_url
    assert not urlsplit(url).scheme
    # RFC 3986, section 5.2: resolved against the file that holds it.
    full = urljoin((out / "any folder" / "markers.otio").as_uri(), url)
    assert unquote_to_bytes(urlsplit(full).path) == os.fsencode(path)
    assert urlsplit(full).fragment == urlsplit(full).query == ""


def test_recording_is_found_through_a_linked_folder(
    make_result: MakeResult, tmp_path: Path
) -> None:
    (tmp_path / "deep" / "er").mkdir(parents=True)
    (tmp_path / "link").symlink_to(tmp_path / "deep" / "er")
    (tmp_path / "A.mov").write_bytes(b"x")
    result = make_result(tmp_path / "A.mov")
    clip = next(iter(timeline_of(result, tmp_path / "link").find_clips()))
    (tmp_path / "link" / "A").mkdir()
    url = clip.media_reference.target_url
    assert (tmp_path / "link" / "A" / url).samefile(tmp_path / "A.mov")


def test_marker_says_what_the_finding_says(
    make_result: MakeResult, tmp_path: Path
) -> None:
    result = make_result(
        tmp_path / "A.mov", spans=((5, 9),), grade=Grade.REJECT, worst=math.nan
    )
    clip = next(iter(timeline_of(result, tmp_path).find_clips()))
    marker = clip.markers[0]
    assert marker.color == otio.schema.MarkerColor.RED
    assert marker.comment == "Highlights on tissue for 1 s. Close the iris by ⅔ stop."
    facts = dict(marker.metadata["rushes_qc"])
    assert facts["worst"] is None
    assert (facts["limit"], facts["unit"], facts["channel"]) == (5.0, "%", None)


@pytest.mark.parametrize("grade", list(Grade))
def test_marker_colours_are_those_of_opentimelineio(
    make_result: MakeResult, tmp_path: Path, grade: Grade
) -> None:
    result = make_result(tmp_path / "A.mov", grade=grade)
    clip = next(iter(timeline_of(result, tmp_path).find_clips()))
    colours = otio.schema.MarkerColor
    known = {getattr(colours, name) for name in dir(colours) if name.isupper()}
    assert clip.markers[0].color in known


def test_sound_after_the_picture_is_marked_within_the_clip(
    make_result: MakeResult, tmp_path: Path
) -> None:
    result = make_result(tmp_path / "A.mov", spans=((240, 300), (260, 270)))
    clip = next(iter(timeline_of(result, tmp_path).find_clips()))
    for marker in clip.markers:
        assert clip.source_range.contains(marker.marked_range.start_time)
        assert (
            marker.marked_range.end_time_exclusive()
            <= clip.source_range.end_time_exclusive()
        )
        assert marker.marked_range.duration.value >= 1
    assert dict(clip.markers[1].metadata["rushes_qc"])["start_frame"] == 260


def test_tracks_of_the_timeline(make_result: MakeResult, tmp_path: Path) -> None:
    def kinds(**streams: bool) -> list[tuple[str, int]]:
        result = make_result(tmp_path / "A.mov", **streams)
        tracks = timeline_of(result, tmp_path).tracks
        return [(t.kind, len(t[0].markers)) for t in tracks]

    assert kinds() == [("Video", 2), ("Audio", 0)]
    assert kinds(sound=False) == [("Video", 2)]
    assert kinds(picture=False) == [("Audio", 2)]


# ---------------------------------------------------------------------------- captions

_TIMESTAMP = r"(?:(\d{2,}):)?([0-5]\d):([0-5]\d)\.(\d{3})"
_TIMINGS = re.compile(rf"{_TIMESTAMP}[ \t]+-->[ \t]+{_TIMESTAMP}", re.ASCII)
# Only references that are well formed, and no markup: all that ours may hold.
_TEXT = re.compile(r"(?:[^&<\n\r]|&(?:amp|lt|gt);)+")


def read_webvtt(data: bytes) -> list[tuple[str, int, int, list[str]]]:
    """Return cues as (id, start, end, lines of text), in milliseconds.

    Strict: an AssertionError for all that section 4.1 ("WebVTT file structure") and
    4.2.2 ("WebVTT caption or subtitle cue text") of the W3C's text do not allow, and
    for optional things that our files do not use.
    """
    text = data.decode("utf-8")  # 4.1: encoded as UTF-8
    assert "\r" not in text, "we end lines with LF alone"
    head, _, body = text.partition("\n")
    assert re.fullmatch(r"WEBVTT(?:[ \t].*)?", head), "the file must begin with WEBVTT"
    assert body.startswith("\n") or not body, "a blank line ends the head"
    cues: list[tuple[str, int, int, list[str]]] = []
    for block in re.split(r"\n{2,}", body.strip("\n")) if body.strip("\n") else []:
        lines = block.split("\n")
        name = ""
        if "-->" not in lines[0]:
            name = lines.pop(0)
            assert name, "an identifier has one or more characters"
        assert lines, f"cue {name!r} has no timings"
        match = _TIMINGS.fullmatch(lines.pop(0))
        assert match, f"cue {name!r} has bad timings"
        start, end = (
            ((int(h or 0) * 60 + int(m)) * 60 + int(s)) * 1000 + int(ms)
            for h, m, s, ms in (match.groups()[:4], match.groups()[4:])
        )
        assert end > start, "the end must be greater than the start"
        assert not cues or start >= cues[-1][1], "cues are ordered by their start"
        assert lines, "we leave no cue empty"
        for line in lines:
            assert "-->" not in line, "the payload must not contain an arrow"
            assert _TEXT.fullmatch(line), f"not cue text: {line!r}"
            assert line.strip(), "no blank line inside a cue"
        cues.append((name, start, end, [html.unescape(line) for line in lines]))
    names = [cue[0] for cue in cues if cue[0]]
    assert len(set(names)) == len(names), "identifiers must be unique"
    return cues


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("WEBVTTX\n", "begin with WEBVTT"),
        ("WEBVTT\n00:01.000 --> 00:02.000\nx\n", "blank line ends the head"),
        ("WEBVTT\n\n1\n00:01.000 -> 00:02.000\nx\n", "bad timings"),
        ("WEBVTT\n\n1\n0:00:01.000 --> 0:00:02.000\nx\n", "bad timings"),
        ("WEBVTT\n\n1\n00:00:61.000 --> 00:01:02.000\nx\n", "bad timings"),
        ("WEBVTT\n\n1\n00:00:01,000 --> 00:00:02,000\nx\n", "bad timings"),
        ("WEBVTT\n\n1\n00:02.000 --> 00:02.000\nx\n", "greater than the start"),
        ("WEBVTT\n\n00:02.000 --> 00:03.000\na & b\n", "not cue text"),
        ("WEBVTT\n\n00:02.000 --> 00:03.000\na < b\n", "not cue text"),
        ("WEBVTT\n\n00:02.000 --> 00:03.000\na --> b\n", "an arrow"),
        (
            "WEBVTT\n\n00:02.000 --> 00:03.000\na\n\n00:01.000 --> 00:03.000\nb\n",
            "ordered by their start",
        ),
        (
            "WEBVTT\n\n1\n00:02.000 --> 00:03.000\na\n\n1\n00:02.000 --> 00:03.000\nb",
            "unique",
        ),
        ("WEBVTT\n\n00:02.000 --> 00:03.000\na\n\nb\n", "no timings"),
    ],
)
def test_the_reader_refuses_what_the_rules_do(text: str, why: str) -> None:
    with pytest.raises(AssertionError, match=why):
        read_webvtt(text.encode())


def test_captions_say_when_what_and_what_to_do(make_result: MakeResult) -> None:
    result = make_result(Path("A.mov"), message="Whites > 95 % & <b>burnt</b> --> out")
    cues = read_webvtt(markers_vtt(result))
    name, start, end, lines = cues[0]
    assert (name, start, end) == ("finding-1", 2000, 3000)
    assert lines[0].startswith("10:00:02:00–10:00:03:00 ")
    assert lines[1:] == [
        "Whites > 95 % & <b>burnt</b> --> out",
        "Close the iris by ⅔ stop.",
    ]
    assert len(cues) == len(result.findings)


def test_sound_alone_is_told_in_seconds_and_not_in_frames(
    make_result: MakeResult,
) -> None:
    result = make_result(Path("A.wav"), picture=False, start="00:00:00:00")
    moment = Fraction(541, 100)  # within a frame of the grid that nobody chose
    finding = replace(result.findings[0], start=moment, worst_at=moment, end=moment + 1)
    result = replace(result, findings=(finding,))
    text = findings_csv(result).decode("utf-8-sig")
    (row,) = csv.DictReader(io.StringIO(text, newline=""))
    assert [row[f"{name}_tc"] for name in ("start", "end", "worst")] == [
        "0:00:05.410",
        "0:00:06.410",
        "0:00:05.410",
    ]
    assert [row[f"{name}_frame"] for name in ("start", "end", "worst")] == [""] * 3
    assert (row["start_s"], row["end_s"]) == ("5.41", "6.41")
    (cue,) = read_webvtt(markers_vtt(result))
    assert cue[3][0].startswith("0:00:05.410–0:00:06.410 ")
    # Programs read whole numbers on the take's grid as before.
    told = result_document(result)["findings"][0]
    assert isinstance(told["start_frame"], int)


@pytest.mark.parametrize(("rate", "drop", "start"), RATES)
def test_captions_count_playback_time(
    make_result: MakeResult, rate: Fraction, drop: bool, start: str
) -> None:
    frames = int(rate * 3700)  # beyond an hour of playback
    result = make_result(
        Path("A.mov"),
        rate=rate,
        drop_frame=drop,
        start=start,
        frames=200,
        spans=((frames, frames + 1),),
    )
    ((_, begin, end, _),) = read_webvtt(markers_vtt(result))
    assert abs(begin - float(1000 * frames / rate)) <= 0.5001
    assert abs(end - float(1000 * (frames + 1) / rate)) <= 0.5001


def test_no_findings_make_a_file_without_cues(make_result: MakeResult) -> None:
    data = markers_vtt(make_result(Path("A.mov"), spans=()))
    assert read_webvtt(data) == []
    assert data == b"WEBVTT\n"


@given(
    message=st.text(st.characters() | st.sampled_from("-->\r\n&<;\u2028\x85")),
    advice=st.text(st.characters()),
    spans=st.lists(
        st.tuples(st.integers(-3, 10**7), st.integers(0, 10**4)).map(
            lambda s: (s[0], s[0] + s[1])
        ),
        max_size=4,
    ),
)
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
def test_captions_keep_the_rules_whatever_the_text(
    make_result: MakeResult,
    message: str,
    advice: str,
    spans: list[tuple[int, int]],
) -> None:
    result = make_result(
        Path("A.mov"),
        rate=Fraction(1000),
        start="00:00:00:000",
        frames=2,
        spans=tuple(spans),
        message=message,
        advice=advice,
    )
    assert len(read_webvtt(markers_vtt(result))) == len(spans)
