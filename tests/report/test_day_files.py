"""The files of a day, read back by other programs.

Outside sources: the OpenTimelineIO library for ranges and labels, Python's csv and json
modules, RFC 3986 for addresses, SMPTE ST 12-1 for the labels written out here.
"""

from __future__ import annotations

import csv
import dataclasses
import io
import itertools
import json
import os
import sys
import types
from fractions import Fraction
from pathlib import Path
from typing import Any
from urllib.parse import unquote_to_bytes, urljoin, urlsplit

import opentimelineio as otio
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from qc.console import print_day
from qc.daybook import DayResult, DayTake, Skipped
from qc.errors import ReportError
from qc.limits import Limits
from qc.measures import default_limits
from qc.records import Grade
from qc.report.day_files import DAY_FILES, day_csv, day_document, write_day
from qc.report.day_otio import day_otio, selects_otio
from qc.report.handover import json_bytes
from tests.day.documents import NTSC_30, NTSC_60, day_of, finding, lost, take

LIMITS = default_limits()
RATES = [
    pytest.param(Fraction(24_000, 1001), False, "10:00:00:00", id="23.976"),
    pytest.param(Fraction(25), False, "10:00:00:00", id="25"),
    pytest.param(NTSC_30, True, "09:59:58;00", id="29.97 drop"),
    pytest.param(NTSC_30, False, "09:59:58:00", id="29.97 non-drop"),
    pytest.param(Fraction(50), False, "10:00:00:49", id="50"),
    pytest.param(NTSC_60, True, "10:08:58;58", id="59.94 drop"),
    pytest.param(NTSC_60, False, "10:08:58:58", id="59.94 non-drop"),
]


def strict_json(data: bytes) -> Any:
    def refuse(constant: str) -> None:
        raise AssertionError(f"{constant} is not JSON (RFC 8259, section 6)")

    return json.loads(data.decode("utf-8"), parse_constant=refuse)


def timeline(data: bytes) -> otio.schema.Timeline:
    read = otio.adapters.read_from_string(data.decode("utf-8"), "otio_json")
    assert isinstance(read, otio.schema.Timeline)
    return read


def label(time: otio.opentime.RationalTime, *, drop: bool) -> str:
    # OpenTimelineIO takes None for "no such thing at this rate".
    return str(otio.opentime.to_timecode(time, time.rate, drop or False))


def mixed_day(home: Path) -> DayResult:
    takes = [
        take(
            "card 1/A.mov",
            "10:00:00:00",
            findings=[
                finding(0, 50, grade=Grade.REJECT),
                finding(100, 125, rule="focus.soft", message="Soft.", worst=None),
                finding(200, 201, grade=Grade.NOTE),
            ],
            usable=[(50, 100), (125, 1500)],
        ),
        take(
            "B.mov",
            "11:00:58;00",
            frames=600,
            rate=NTSC_30,
            drop=True,
            findings=[finding(59, 61)],
            usable=[(61, 600), (0, 59)],
            audio=(),
        ),
        take("C.wav", "10:30:00:00", picture=False, seconds=20, audio=(1, 1)),
        lost("D.mov"),
    ]
    return day_of(takes, home, skipped=[Skipped("notes.txt", "a text")])


# -------------------------------------------------------------------------------- JSON


def test_document_says_what_the_day_was(tmp_path: Path) -> None:
    document = day_document(mixed_day(tmp_path))
    assert strict_json(json_bytes(document)) == document
    assert list(document) == [
        "schema", "folder", "complete", "grade", "totals", "advice", "findings",
        "takes", "skipped", "elapsed_s", "tool",
    ]  # fmt: skip
    assert document["schema"] == 1
    assert document["complete"] is True
    assert document["elapsed_s"] == 1.5
    assert document["skipped"] == [{"name": "notes.txt", "reason": "a text"}]
    assert [t["name"] for t in document["takes"]] == [
        "card 1/A.mov", "C.wav", "B.mov", "D.mov",
    ]  # fmt: skip
    # A 60 s, B 600 x 1001/30000 = 20.02 s, C 20 s; usable 57 s, 598 frames of B, 20 s.
    assert document["totals"] == {
        "clean": 1,
        "review": 1,
        "reject": 1,
        "unreadable": 1,
        "across_takes": 0,
        "copies": 0,
        "duration_s": 100.02,
        "usable_s": round(77 + 598 * 1001 / 30_000, 6),
    }


def test_document_of_one_take(tmp_path: Path) -> None:
    first, _, third, lost_one = day_document(mixed_day(tmp_path))["takes"]
    assert {k: v for k, v in first.items() if k != "worst"} == {
        "name": "card 1/A.mov",
        "grade": "reject",
        "folder": "card 1/A.mov",
        "camera": "",
        "start_timecode": "10:00:00:00",
        "drop_frame": False,
        "frame_rate": "25/1",
        "frames": 1500,
        "duration_s": 60.0,
        "usable_s": 57.0,
        "start_s": 36_000.0,
        "end_s": 36_060.0,
        "time_from": "timecode",
        "findings": 3,
        "message": None,
    }
    assert [(w["rule"], w["grade"], w["count"]) for w in first["worst"]] == [
        ("highlights.relevant", "reject", 2),
        ("focus.soft", "review", 1),
    ]
    assert first["worst"][0]["duration_s"] == 2.04  # 50 frames and 1 of 1/25 s
    assert first["worst"][0]["fault"] == "Burnt out"
    assert third["drop_frame"] is True
    assert lost_one["message"] == "D.mov: cannot be opened"
    assert {k for k, v in lost_one.items() if v is None} == {
        "folder", "start_timecode", "drop_frame", "frame_rate", "frames", "duration_s",
        "usable_s", "start_s", "end_s", "time_from", "findings",
    }  # fmt: skip


def test_totals_count_copies_once(tmp_path: Path) -> None:
    takes = [take(n, "10:00:00:00", fingerprint="1") for n in ("A.mov", "B.mov")]
    totals = day_document(day_of(takes, tmp_path))["totals"]
    assert (totals["copies"], totals["clean"], totals["duration_s"]) == (1, 2, 60.0)


def test_document_tells_the_findings_of_the_day(tmp_path: Path) -> None:
    takes = [take("A.mov", "10:00:00:00"), take("B.mov", "10:01:12:10")]
    document = day_document(day_of(takes, tmp_path))
    (gap,) = document["findings"]
    assert (gap["rule"], gap["fault"], gap["grade"]) == (
        "day.gap",
        "Recording stopped",
        "review",
    )
    assert gap["takes"] == ["A.mov", "B.mov"]
    assert (gap["start_s"], gap["end_s"]) == (36_060.0, 36_072.4)
    assert document["advice"] == [
        f"{gap['advice']} Recording stopped: A.mov and B.mov."
    ]


@pytest.mark.parametrize(
    ("second", "across", "grade"),
    [
        # Of one minute each: the next one follows at once, or after 12.4 s.
        ("10:01:00:00", 0, "clean"),
        ("10:01:12:10", 1, "review"),
    ],
)
def test_the_day_has_the_grade_that_its_counts_tell(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    second: str,
    across: int,
    grade: str,
) -> None:
    takes = [take("A.mov", "10:00:00:00"), take("B.mov", second)]
    result = day_of(takes, tmp_path)
    document = day_document(result)
    assert document["grade"] == grade
    assert document["totals"]["across_takes"] == across
    counted = [document["totals"][g] for g in ("clean", "review", "reject")]
    assert counted == [2, 0, 0]
    print_day(result)
    head = capsys.readouterr().out.splitlines()[0]
    assert head.endswith("  ▲ 1 across takes, to review") is bool(across)


def test_the_grade_of_a_day_is_its_worst(tmp_path: Path) -> None:
    clean = take("A.mov", "10:00:00:00")
    noted = take("A.mov", findings=[finding(0, 9, grade=Grade.NOTE)])
    worse = take("B.mov", findings=[finding(0, 9, grade=Grade.REJECT)])
    growing = Skipped("C.mov", "it is still being written", lost=True, growing=True)
    closed = Skipped("D.mov", "it cannot be opened", lost=True)

    def grade(*takes: DayTake, skipped: tuple[Skipped, ...] = ()) -> Grade:
        return dataclasses.replace(day_of(takes, tmp_path), skipped=skipped).grade

    assert grade(clean) is grade(noted) is grade(clean, skipped=(growing,))
    assert grade(clean) is Grade.CLEAN
    assert grade(clean, worse) is Grade.REJECT
    assert grade(worse, lost("C.mov")) is Grade.UNREADABLE
    assert grade(clean, skipped=(closed,)) is Grade.UNREADABLE


def test_document_is_the_same_but_for_the_time_it_took(tmp_path: Path) -> None:
    one = day_document(mixed_day(tmp_path))
    other = day_document(dataclasses.replace(mixed_day(tmp_path), elapsed_s=9.0))
    assert one.pop("elapsed_s") != other.pop("elapsed_s")
    assert json_bytes(one) == json_bytes(other)


def test_empty_day(tmp_path: Path) -> None:
    result = day_of([], tmp_path)
    assert day_document(result)["totals"]["duration_s"] == 0.0
    assert day_csv(result).count(b"\n") == 1
    for data in (day_otio(result), selects_otio(result)):
        assert len(timeline(data).tracks) == 0


# ------------------------------------------------------------------------------- table


def table(result: DayResult) -> list[dict[str, str]]:
    text = day_csv(result).decode("utf-8-sig")
    return list(csv.DictReader(io.StringIO(text, newline=""), strict=True))


def test_table_has_a_row_a_take(tmp_path: Path) -> None:
    rows = table(mixed_day(tmp_path))
    assert [r["take"] for r in rows] == ["card 1/A.mov", "C.wav", "B.mov", "D.mov"]
    assert rows[0]["grade"] == "reject"
    assert (rows[0]["reject"], rows[0]["review"], rows[0]["note"]) == ("1", "1", "1")
    assert rows[0]["faults"] == "Burnt out; Soft"
    assert rows[0]["messages"] == "Tissue burns out. Soft."
    assert rows[0]["report"] == "card 1/A.mov/report.html"
    assert rows[1]["camera"] == "sound recorder"
    assert rows[2]["start_tc"] == "11:00:58;00"
    assert float(rows[2]["duration_s"]) == 20.02
    assert rows[3]["messages"] == "D.mov: cannot be opened"
    assert rows[3]["duration_s"] == rows[3]["report"] == rows[3]["findings"] == ""


def test_table_is_of_the_same_kind_as_that_of_findings(tmp_path: Path) -> None:
    data = day_csv(mixed_day(tmp_path))
    assert data.startswith(b"\xef\xbb\xbf")
    assert data.count(b"\r\n") == data.count(b"\n") == 5  # RFC 4180, section 2, rule 1


@pytest.mark.parametrize("name", ["=1+1.mov", "+1.mov", "-r.mov", "@SUM(A1).mov"])
def test_file_name_is_never_a_formula(tmp_path: Path, name: str) -> None:
    # OWASP, "CSV Injection": no cell may begin with one of these.
    takes = [
        take(name, findings=[finding(0, 9, message=name)], metadata={"model": name})
    ]
    (row,) = table(day_of(takes, tmp_path))
    for column in ("take", "camera", "messages", "report"):
        assert row[column].startswith(f"'{name}")


@given(st.text(st.characters(), min_size=1), st.text(st.characters()))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
def test_files_survive_any_text(tmp_path: Path, name: str, message: str) -> None:
    name = name.replace("/", "_").replace("\0", "_")
    takes = [take(name, "10:00:00:00", findings=[finding(0, 9, message=message)])]
    result = day_of([*takes, take("other", "10:01:20:00")], tmp_path)
    strict_json(json_bytes(day_document(result)))
    rows = table(result)
    assert len(rows) == 2
    assert all(None not in row and None not in row.values() for row in rows)
    for data in (day_otio(result), selects_otio(result)):
        assert len(list(timeline(data).find_clips())) >= 2


# ---------------------------------------------------------------- for editing systems


@pytest.mark.parametrize(("rate", "drop", "start"), RATES)
def test_labels_and_lengths_survive(
    tmp_path: Path, rate: Fraction, drop: bool, start: str
) -> None:
    one = take(
        "A.mov",
        start,
        frames=5000,
        rate=rate,
        drop=drop,
        findings=[finding(0, 1), finding(1790, 1810), finding(3550, 5000)],
        usable=[(1, 1790), (1810, 3550)],
    )
    result = day_of([one], tmp_path)
    (clip,) = timeline(day_otio(result)).find_clips()
    available = clip.media_reference.available_range
    assert clip.source_range == available
    assert available.start_time.rate == float(rate)
    assert available.duration.to_frames() == 5000
    assert label(available.start_time, drop=drop) == start
    assert clip.metadata["rushes_qc"]["start_timecode"] == start
    assert clip.metadata["rushes_qc"]["drop_frame"] is drop
    told = one.document["findings"]
    assert len(clip.markers) == len(told) == 3
    for marker, fault in zip(clip.markers, told, strict=True):
        assert label(marker.marked_range.start_time, drop=drop) == fault["start_tc"]
        end = marker.marked_range.end_time_exclusive()
        assert label(end, drop=drop) == fault["end_tc"]
    cuts = timeline(selects_otio(result)).video_tracks()[0]
    for cut, usable in zip(
        cuts,
        sorted(one.document["usable"], key=lambda u: u["start_frame"]),
        strict=True,
    ):
        assert label(cut.source_range.start_time, drop=drop) == usable["start_tc"]
        assert (
            label(cut.source_range.end_time_exclusive(), drop=drop) == usable["end_tc"]
        )
        assert cut.media_reference.available_range == available


def test_drop_frame_take_over_a_minute(tmp_path: Path) -> None:
    # ST 12-1: after 11:00:59;29 comes 11:01:00;02.
    one = take(
        "A.mov", "11:00:58;00", frames=90, rate=NTSC_30, drop=True, usable=[(60, 90)]
    )
    (clip, _) = timeline(selects_otio(day_of([one], tmp_path))).find_clips()
    assert clip.name == "A.mov 11:01:00;02 to 11:01:01;02"
    assert label(clip.source_range.start_time, drop=True) == "11:01:00;02"


def test_day_has_a_track_a_camera_and_a_clip_a_take(tmp_path: Path) -> None:
    a, b = {"model": "One"}, {"model": "Two"}
    takes = [
        take("2.mov", "12:00:00:00", metadata=a),
        take("1.mov", "10:00:00:00", metadata=a, findings=[finding(3, 9)]),
        take("3.mov", "10:00:00:00", metadata=b, rate=50),
        take("4.wav", "10:00:00:00", picture=False),
        lost("5.mov"),
    ]
    tracks = timeline(day_otio(day_of(takes, tmp_path))).tracks
    assert [(t.name, t.kind, [c.name for c in t]) for t in tracks] == [
        ("V1 One", "Video", ["1.mov", "2.mov"]),
        ("V2 Two", "Video", ["3.mov"]),
        ("A1 sound recorder", "Audio", ["4.wav"]),
    ]
    assert [len(c.markers) for c in tracks[0]] == [1, 0]


def test_marker_says_what_the_finding_says(tmp_path: Path) -> None:
    result = mixed_day(tmp_path)
    clip = next(iter(timeline(day_otio(result)).find_clips()))
    marker = clip.markers[0]
    assert marker.name == "Burnt out"
    assert marker.color == otio.schema.MarkerColor.RED
    assert marker.comment == "Tissue burns out. Close the iris by ⅔ stop."
    facts = marker.metadata["rushes_qc"]
    assert (facts["rule"], facts["worst"]) == ("highlights.relevant", 12.5)


def test_marker_of_sound_behind_the_picture_lies_in_the_clip(tmp_path: Path) -> None:
    one = take("A.mov", frames=100, findings=[finding(90, 140), finding(120, 130)])
    (clip,) = timeline(day_otio(day_of([one], tmp_path))).find_clips()
    for marker in clip.markers:
        span = marker.marked_range
        assert clip.source_range.contains(span.start_time)
        assert span.end_time_exclusive() <= clip.source_range.end_time_exclusive()
        assert span.duration.value >= 1


def test_selects_are_the_usable_ranges_in_order(tmp_path: Path) -> None:
    tracks = timeline(selects_otio(mixed_day(tmp_path))).tracks
    assert [(t.name, t.kind) for t in tracks] == [("V1", "Video"), ("A1", "Audio")]

    def told(track: otio.schema.Track) -> list[tuple[str, int]]:
        return [(type(i).__name__, i.duration().to_frames()) for i in track]

    # A: 50 to 100 and 125 to 1500; C, sound alone: 20 s at 25; B, without sound.
    assert told(tracks[0]) == [
        ("Clip", 50), ("Clip", 1375), ("Gap", 500), ("Clip", 59), ("Clip", 539),
    ]  # fmt: skip
    assert told(tracks[1]) == [
        ("Clip", 50), ("Clip", 1375), ("Clip", 500), ("Gap", 59), ("Gap", 539),
    ]  # fmt: skip
    assert [clip.name for clip in tracks[0] if isinstance(clip, otio.schema.Clip)] == [
        "card 1/A.mov 10:00:02:00 to 10:00:04:00",
        "card 1/A.mov 10:00:05:00 to 10:01:00:00",
        "B.mov 11:00:58;00 to 11:00:59;29",
        "B.mov 11:01:00;03 to 11:01:18;02",
    ]


def test_rates_may_mix(tmp_path: Path) -> None:
    # 57 s, 20 s and 598 frames of 1001/30000 s; OpenTimelineIO adds as floats.
    expected = 77 + 598 * 1001 / 30_000
    for track in timeline(selects_otio(mixed_day(tmp_path))).tracks:
        assert track.duration().to_seconds() == pytest.approx(expected, abs=1e-9)
        rates = {item.source_range.duration.rate for item in track}
        assert rates == {25.0, float(NTSC_30)}
        ends = [track.range_of_child(item).end_time_exclusive() for item in track]
        assert all(a < b for a, b in itertools.pairwise(ends))


def test_timeline_runs_at_the_rate_of_most_takes(tmp_path: Path) -> None:
    takes = [take("A.mov", rate=50), take("B.mov"), take("C.mov", rate=50)]
    for data in (day_otio, selects_otio):
        start = timeline(data(day_of(takes, tmp_path))).global_start_time
        assert (start.value, start.rate) == (0, 50.0)


def test_take_that_is_not_usable_is_not_selected(tmp_path: Path) -> None:
    takes = [take("A.mov", usable=()), take("B.mov", usable=[(5, 5), (5, 9)])]
    clips = timeline(selects_otio(day_of(takes, tmp_path))).find_clips()
    assert {c.name.split()[0] for c in clips} == {"B.mov"}


@pytest.mark.parametrize(
    "name",
    [
        "A.mov", "card 1/sub/A.mov", "a b#1?.mov", "50%.mov", "x:y.mov", "手术.mov",
        "caf\udce9.mov",
    ],
)  # fmt: skip
def test_recording_is_found_from_the_day(tmp_path: Path, name: str) -> None:
    result = day_of([take(name)], tmp_path)
    for data in (day_otio(result), selects_otio(result)):
        for clip in timeline(data).find_clips():
            url = clip.media_reference.target_url
            assert not urlsplit(url).scheme
            # RFC 3986, section 5.2: resolved against the file that holds it.
            full = urlsplit(urljoin((result.out / "day.otio").as_uri(), url))
            path = os.fsencode(result.folder / name)
            assert unquote_to_bytes(full.path) == path
            assert full.fragment == full.query == ""


def test_recording_is_found_through_a_linked_folder(tmp_path: Path) -> None:
    (tmp_path / "deep" / "er").mkdir(parents=True)
    (tmp_path / "reports").symlink_to(tmp_path / "deep" / "er")
    (tmp_path / "day").mkdir()
    (tmp_path / "day" / "A.mov").write_bytes(b"x")
    result = day_of([take("A.mov")], tmp_path)
    result.out.mkdir()
    (clip,) = timeline(day_otio(result)).find_clips()
    url = clip.media_reference.target_url
    assert (result.out / url).samefile(tmp_path / "day" / "A.mov")


def test_edit_list_of_a_drop_frame_day(tmp_path: Path) -> None:
    # The edit-list adapter takes one video track: one camera's selects without sound.
    takes = [
        take("A.mov", "10:00:58;00", frames=90, rate=NTSC_30, drop=True, audio=()),
        take("B.mov", "11:00:00;00", frames=60, rate=NTSC_30, drop=True, audio=()),
    ]
    selects = timeline(selects_otio(day_of(takes, tmp_path)))
    text = otio.adapters.write_to_string(selects, "cmx_3600")
    events = [line.split() for line in text.splitlines() if line[:3].isdigit()]
    assert [e[4:6] for e in events] == [
        ["10:00:58;00", "10:01:01;02"],
        ["11:00:00;00", "11:00:02;00"],
    ]


# ------------------------------------------------------------------------ on the disk


@pytest.fixture
def page(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Stand in for the page, which has tests of its own."""
    texts = ["<p>first</p>"]
    module = types.ModuleType("qc.report.day_page")

    def day_page(result: DayResult, limits: Limits, *, stills: bool) -> str:
        return texts[-1]

    module.day_page = day_page  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "qc.report.day_page", module)
    return texts


def test_all_files_are_written_and_nothing_else(
    tmp_path: Path, page: list[str]
) -> None:
    result = mixed_day(tmp_path)
    write_day(result, LIMITS, stills=True)
    assert {p.name for p in result.out.iterdir()} == set(DAY_FILES)
    assert (result.out / "day.html").read_text() == page[0]
    assert strict_json((result.out / "day.json").read_bytes()) == day_document(result)
    assert (result.out / "day.csv").read_bytes() == day_csv(result)
    assert (result.out / "day.otio").read_bytes() == day_otio(result)
    assert (result.out / "selects.otio").read_bytes() == selects_otio(result)


def test_the_page_itself_can_be_written(tmp_path: Path) -> None:
    result = mixed_day(tmp_path)
    write_day(result, LIMITS, stills=False)
    assert (result.out / "day.html").read_bytes().startswith(b"<!")


@pytest.mark.usefixtures("page")
def test_what_has_not_changed_stays(tmp_path: Path) -> None:
    result = mixed_day(tmp_path)
    write_day(result, LIMITS, stills=True)
    before = {n: (result.out / n).stat().st_ino for n in DAY_FILES}
    write_day(dataclasses.replace(result, elapsed_s=7.0), LIMITS, stills=True)
    after = {n: (result.out / n).stat().st_ino for n in DAY_FILES}
    assert {n for n in DAY_FILES if before[n] != after[n]} == {"day.json"}


def test_document_comes_last_and_failure_leaves_whole_files(
    tmp_path: Path, page: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    result = mixed_day(tmp_path)
    write_day(result, LIMITS, stills=True)
    old = {n: (result.out / n).read_bytes() for n in DAY_FILES}
    page.append("<p>second</p>")
    other = day_of([take("Z.mov", "10:00:00:00")], tmp_path)
    real, written = os.fsync, 0

    def full(descriptor: int) -> None:
        nonlocal written
        written += 1
        if written == 3:
            raise OSError(28, "No space left on device")
        real(descriptor)

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(ReportError, match=r"the disk is full"):
        write_day(other, LIMITS, stills=True)
    new = {n: (result.out / n).read_bytes() for n in DAY_FILES}
    assert [n for n in DAY_FILES if new[n] != old[n]] == ["day.html", "day.csv"]
    assert new["day.html"] == b"<p>second</p>"
    assert new["day.csv"] == day_csv(other)
    assert {p.name for p in result.out.iterdir()} == set(DAY_FILES)


@pytest.mark.usefixtures("page")
def test_leftovers_of_a_killed_run_go_and_all_else_stays(tmp_path: Path) -> None:
    result = mixed_day(tmp_path)
    result.out.mkdir(parents=True)
    (result.out / ".day.html.part-0badcafe").write_bytes(b"half")
    (result.out / "A").mkdir()
    (result.out / "my notes.txt").write_bytes(b"x")
    write_day(result, LIMITS, stills=True)
    left = {p.name for p in result.out.iterdir()} - set(DAY_FILES)
    assert left == {"A", "my notes.txt"}


@pytest.mark.usefixtures("page")
def test_link_in_place_of_a_file_is_replaced_not_followed(tmp_path: Path) -> None:
    result = mixed_day(tmp_path)
    result.out.mkdir(parents=True)
    (tmp_path / "recording.mov").write_bytes(b"precious")
    (result.out / "day.csv").symlink_to(tmp_path / "recording.mov")
    write_day(result, LIMITS, stills=True)
    assert (tmp_path / "recording.mov").read_bytes() == b"precious"
    assert not (result.out / "day.csv").is_symlink()


@pytest.mark.usefixtures("page")
def test_report_folder_that_is_a_file_is_explained(tmp_path: Path) -> None:
    result = mixed_day(tmp_path)
    result.out.parent.mkdir()
    result.out.write_bytes(b"")
    with pytest.raises(ReportError, match=r"is not a folder; choose another folder"):
        write_day(result, LIMITS, stills=True)


def test_order_of_the_takes_does_not_matter(tmp_path: Path) -> None:
    result = mixed_day(tmp_path)
    takes: list[DayTake] = list(reversed(result.takes))
    other = dataclasses.replace(result, takes=tuple(takes))
    assert day_csv(other) == day_csv(result)
    assert day_otio(other) == day_otio(result)
    assert selects_otio(other) == selects_otio(result)
    assert day_document(other) == day_document(result)
