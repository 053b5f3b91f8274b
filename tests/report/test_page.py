"""The page of one take: its records, its words, and that hostile names stay names."""

from __future__ import annotations

import base64
import hashlib
import json
import math
import os
import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from fractions import Fraction
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qc.measures import all_measures, default_limits, rule_labels
from qc.measures.base import Chart, Column
from qc.records import AudioTrack, Coverage, Grade, Readings, TakeInfo, TakeResult
from qc.report import sheet
from qc.report.axis import Axis, axis_of, ticks
from qc.report.extremes import extremes
from qc.report.page import render, take_page
from qc.report.rows import time_of
from qc.report.sheet import Page, page_of
from qc.report.strips import strip_of
from qc.store import ColumnStore
from qc.timecode import TimecodeFormat

WRITTEN = datetime(2024, 5, 6, 7, 8, tzinfo=UTC)
MakeResult = Callable[..., TakeResult]
NTSC = Fraction(30000, 1001)


class _Parsed(HTMLParser):
    """Tags with their attributes, the text of scripts, and all other text."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.scripts: list[str] = []
        self.text = ""
        self._in = ""
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self._in = tag
        if tag == "script":
            self.scripts.append("")

    def handle_endtag(self, tag: str) -> None:
        self._in = ""

    def handle_data(self, data: str) -> None:
        if self._in == "script":
            self.scripts[-1] += data
        elif self._in != "style":
            self.text += data

    def values(self, tag: str, name: str) -> list[str]:
        return [a[name] or "" for t, a in self.tags if t == tag and name in a]


def _page(result: TakeResult) -> Page:
    return page_of(result, stills=False, written=WRITTEN)


def _html(result: TakeResult) -> str:
    return take_page(result, stills=False, written=WRITTEN)


def _with(result: TakeResult, **changes: object) -> TakeResult:
    return replace(result, info=replace(result.info, **changes))  # type: ignore[arg-type]


@pytest.fixture
def result(make_result: MakeResult) -> TakeResult:
    return make_result(Path("A001.mov"))


# ------------------------------------------------------------------- what is said


def test_times_of_findings_that_overlap_count_once(result: TakeResult) -> None:
    first = result.findings[0]
    spans = [(0, 2), (1, 3), (5, 6)]
    group = [replace(first, start=Fraction(a), end=Fraction(b)) for a, b in spans]
    assert time_of(group) == 4  # [0, 3) and [5, 6)


def test_the_verdict_names_the_gravest_kinds_and_how_long(
    make_result: MakeResult,
) -> None:
    result = make_result(Path("A.mov"), spans=((50, 75),), grade=Grade.REJECT)
    verdict = _page(replace(result, grade=Grade.REJECT)).verdict
    assert verdict.word == "Reject"
    assert "burnt out (1.0\u00a0s)" in verdict.why  # 25 frames at 25 a second


def test_a_take_without_findings_is_clean_and_complete(make_result: MakeResult) -> None:
    result = make_result(Path("A.mov"), spans=())
    page = _page(replace(result, advice=()))
    assert page.verdict.word == "Clean"
    assert page.verdict.why == "No limit was broken."
    html = _Parsed(render(page))
    assert "Nothing in this take broke a limit." in html.text
    assert "table" in [t for t, _ in html.tags]  # the usable stretches


def test_a_spot_check_says_that_it_is_one(result: TakeResult) -> None:
    seen = replace(result, coverage=Coverage("spot", 40, 250, 0, 0, 0, 1.5, 2.0))
    verdict = _page(seen).verdict
    assert verdict.spot
    assert "only 40\u00a0frames of 250" in verdict.coverage


def test_out_is_the_first_frame_that_no_longer_belongs(result: TakeResult) -> None:
    row = _page(result).findings[0]  # frames 50 to 74 from 10:00:00:00 at 25
    assert (row.start, row.end) == ("10:00:02:00", "10:00:03:00")
    assert row.frames == "25\u00a0frames"


def test_drop_frame_labels_survive(make_result: MakeResult) -> None:
    result = make_result(
        Path("A.mov"),
        rate=NTSC,
        drop_frame=True,
        start="00:00:58;00",
        spans=((60, 90),),
    )
    # SMPTE ST 12-1: the label after 00:00:59;29 is 00:01:00;02.
    assert _page(result).findings[0].start == "00:01:00;02"
    assert "00:01:00;02" in _Parsed(_html(result)).text


def test_nothing_that_was_not_measured_reads_as_a_number(result: TakeResult) -> None:
    gap = replace(result.findings[0], worst=math.nan, limit=None)
    summary = {"highlights": {"share_max_percent": math.nan, "level_code": None}}
    text = _Parsed(_html(replace(result, findings=(gap,), summary=summary))).text
    assert "not measured" in text
    assert not re.search(r"\b(nan|None|inf)\b", text)


def test_figures_have_names_for_people(result: TakeResult) -> None:
    (block,) = _page(result).figures
    (fact,) = block.facts
    column = next(m for m in all_measures() if m.name == "highlights").column(
        "share_percent"
    )
    assert fact.label == f"{column.label}, highest"
    assert fact.value == "12.50\u00a0%"


def test_tables_within_tables_stand_on_their_own(make_result: MakeResult) -> None:
    channels = [{"channel": n, "sample_peak_dbfs": -9.0 - n} for n in (1, 2)]
    track = {"track": 0, "pair": (1, 2), "channels": channels}
    summary = {"peaks": {"tracks": [track, track | {"track": 1, "channels": []}]}}
    page = _page(make_result(Path("A.mov"), summary=summary))
    tracks, inner = page.figures
    assert tracks.heads == ("Track", "Pair")
    assert tracks.rows == (("1", "1, 2"), ("2", "1, 2"))
    assert inner.title == "Sound peaks, channels"
    assert inner.rows == (("1", "−10.0\u00a0dBFS"), ("2", "−11.0\u00a0dBFS"))
    assert "{" not in "".join(cell for row in tracks.rows for cell in row)


def test_a_place_in_the_metadata_is_not_passed_on(result: TakeResult) -> None:
    html = _html(_with(result, metadata={"location": "+48.1+011.5/", "artist": "M"}))
    assert "+48.1" not in html
    assert "left out here" in html


def test_every_kind_of_missing_part_makes_a_page(make_result: MakeResult) -> None:
    silent = make_result(Path("A.mov"), sound=False)
    blind = make_result(Path("A.wav"), picture=False, spans=())
    tiny = make_result(Path("A.mov"), frames=3, spans=())
    for some in (silent, blind, tiny):
        assert _Parsed(_html(some)).values("section", "aria-labelledby")
    empty = replace(silent, picture=None, findings=(), usable=(), duration=Fraction(0))
    assert "Nothing was measured that could be drawn." in _html(empty)


# ---------------------------------------------------------------- what the file is


def test_it_stands_in_the_order_in_which_it_is_read(result: TakeResult) -> None:
    sections = _Parsed(_html(result)).values("section", "aria-labelledby")
    order = ["verdict", "usable", "strip", "findings", "curves", "file", "figures"]
    assert sections == [*order, "method", "cautions"]


HOSTILE = "<script>alert(1)</script> \"x\" onload='y' {{ 7*7 }} &amp;.mov"


def test_hostile_names_and_metadata_show_as_text(result: TakeResult) -> None:
    track = AudioTrack(1, 0, "pcm<b>", 2, "<i>", 48_000, 1, (HOSTILE, HOSTILE))
    some = _with(
        result,
        path=Path("/media") / HOSTILE.replace("/", "|"),
        metadata={HOSTILE: HOSTILE, "comment": "\u202egnp.exe"},
        assumed=(HOSTILE,),
        left_out=(HOSTILE,),
        audio=(track,),
    )
    bad = replace(
        result.findings[0], message=HOSTILE, advice=HOSTILE, unit=HOSTILE, channel=1
    )
    some = replace(some, findings=(bad,), advice=(HOSTILE,), notes=(HOSTILE,))
    clean = _Parsed(_html(replace(result, findings=(bad,))))
    html = _Parsed(_html(some))
    assert len(html.scripts) == 1
    assert html.scripts == clean.scripts
    assert "alert(1)" not in html.scripts[0]
    assert html.text.count(HOSTILE) >= 8
    assert all(not name.startswith("on") for _, a in html.tags for name in a)
    assert "\u202e" not in html.text


def test_a_name_that_is_not_utf8_can_be_written(result: TakeResult) -> None:
    html = _html(_with(result, path=Path("a\udcff\x1b[31m.mov")))
    assert "\x1b" not in html
    assert "a\\xff\ufffd[31m.mov".encode() in html.encode("utf-8")


def test_bytes_of_a_name_are_written_alike_everywhere(
    result: TakeResult, capsys: pytest.CaptureFixture[str]
) -> None:
    from qc.console import print_take
    from qc.report.handover import json_bytes, result_document

    odd = _with(result, path=Path(os.fsdecode(b"bad\xff\xfe.mp4")))
    print_take(odd, Path("r"))
    assert r"bad\xff\xfe.mp4" in capsys.readouterr().out
    assert r"bad\xff\xfe.mp4" in _html(odd)
    document = json.loads(json_bytes(result_document(odd)))
    assert document["take"]["name"] == r"bad\xff\xfe.mp4"


def test_nothing_outside_the_file_is_named_or_allowed(result: TakeResult) -> None:
    html = _html(result)
    parsed = _Parsed(html)
    places = [
        v or ""
        for _, attributes in parsed.tags
        for name, v in attributes.items()
        if name in ("src", "href", "srcset", "action", "data", "poster", "xlink:href")
    ]
    assert places
    assert all(p.startswith(("#", "data:image/")) for p in places)
    assert not re.search(r"url\(|@import", html)
    policy = next(c for c in parsed.values("meta", "content") if "default-src" in c)
    rules = dict(part.strip().split(" ", 1) for part in policy.split(";"))
    assert rules["default-src"] == "'none'"
    assert rules["img-src"] == "data:"
    digest = hashlib.sha256(parsed.scripts[0].encode()).digest()
    assert rules["script-src"] == f"'sha256-{base64.b64encode(digest).decode()}'"


def test_curves_are_drawn_in_the_page_and_say_what_they_show(
    result: TakeResult,
) -> None:
    page = _page(result)
    assert [p.title for p in page.plots] == ["Sound peaks"]
    assert "channel 1 −20.0" in page.plots[0].drawing.says
    svg = re.search(r'<svg class="fig broad".*?</svg>', render(page), re.DOTALL)
    assert svg is not None
    drawn = ElementTree.fromstring(svg[0])  # noqa: S314 -- our own page
    described = drawn.get("aria-describedby")
    (said,) = drawn.findall(f"desc[@id='{described}']")
    assert said.text == page.plots[0].drawing.says


def test_ids_are_unique_and_links_arrive(result: TakeResult) -> None:
    parsed = _Parsed(_html(result))
    ids = [a["id"] for _, a in parsed.tags if "id" in a]
    assert len(ids) == len(set(ids))
    links = {v for t in ("a", "use") for v in parsed.values(t, "href")}
    assert {v for v in links if v.startswith("#")} <= {f"#{i}" for i in ids}
    assert {"f1", "f2"} <= set(ids)


def test_tables_have_captions_and_scopes(result: TakeResult) -> None:
    parsed = _Parsed(_html(result))
    tags = [t for t, _ in parsed.tags]
    assert tags.count("caption") == tags.count("table")
    assert all("scope" in a for t, a in parsed.tags if t == "th")
    assert all(a.get("alt") for t, a in parsed.tags if t == "img")
    assert parsed.values("html", "lang") == ["en"]


def test_without_pictures_there_is_none_and_it_says_so(result: TakeResult) -> None:
    html = _html(result)
    assert "image/jpeg" not in html
    assert "Written without pictures" in html
    assert "holds no frame of the recording" in html


def test_only_the_first_advice_stands_on_top_and_the_rest_below(
    make_result: MakeResult,
) -> None:
    said = tuple(f"Do {i}." for i in range(7))
    result = replace(make_result(Path("A.mov"), spans=((0, 5),)), advice=said)
    verdict = sheet._verdict(result, rule_labels())
    shown = verdict.advice + verdict.more_advice
    assert tuple(advice.words for advice in shown) == said
    assert len(verdict.advice) == 3


# ------------------------------------------------------------------ much and little


def _long(
    frames: int, columns: Mapping[str, np.ndarray], base: TakeResult
) -> TakeResult:
    store = ColumnStore(dict.fromkeys(columns, 0))
    store.extend(columns, frames)
    readings = Readings(
        "picture", Fraction(1, 50), np.arange(frames + 1, dtype=np.int64), store
    )
    info = replace(base.info, timecode=TimecodeFormat(Fraction(50)), start_frame=0)
    return replace(
        base,
        info=info,
        picture=readings,
        sound=(),
        duration=Fraction(frames, 50),
        limits=default_limits(),
    )


def test_the_legend_of_a_filled_curve_has_no_dashes(result: TakeResult) -> None:
    # Two columns in one lane; drawn as areas, both have solid rims.
    page = _page(result)
    (lane, *_) = page.strip.lanes
    line = replace(lane.curves[0], filled=False)
    for filled in (False, True):
        curves = tuple(replace(line, rank=n, filled=filled) for n in (1, 0))
        strip = replace(page.strip, lanes=(replace(lane, curves=curves),))
        html = _Parsed(render(replace(page, strip=strip)))
        area = " area" * filled
        keys = [k for k in html.values("i", "class") if re.match(r"c\d", k)]
        assert keys == [f"c0{area}", f"c1{area}"]
        assert {f"c0{area}", f"c1{area}"} <= set(html.values("path", "class"))
    css = (Path(sheet.__file__).parent / "assets/page.css").read_text()
    assert "path.area { stroke-dasharray: none" in css
    assert ".curves i.area { border-top-style: solid" in css


def test_one_frame_in_three_hours_still_shows(result: TakeResult) -> None:
    frames = 3 * 3600 * 50
    values = np.zeros(frames, np.float32)
    values[123_457] = 40.0
    some = _long(frames, {"highlights.relevant_percent": values}, result)
    strip = strip_of(some, all_measures(), [], {})
    (lane,) = strip.lanes
    (curve,) = lane.curves
    numbers = [float(n) for n in re.findall(r"-?[\d.]+", curve.path)]
    heights = numbers[1::2]
    assert curve.filled
    # The axis ends 8 % above the spike: it reaches 1/1.08 of the height, from below.
    assert min(heights) == pytest.approx(100 * (1 - 1 / 1.08), abs=0.2)
    where = numbers[2 * heights.index(min(heights))]
    assert where == pytest.approx(123_457 / frames * 1000, abs=1.0)


def test_hundreds_of_findings_stay_one_small_file(make_result: MakeResult) -> None:
    spans = tuple((10 * i, 10 * i + 4) for i in range(300))
    result = make_result(Path("A.mov"), frames=3000, spans=spans)
    html = _html(result)
    assert len(html.encode()) < 5_000_000
    tags = _Parsed(html).tags
    rows = [a for t, a in tags if t == "tr" and "data-kind" in a]
    # Of one kind they share a row, and every one has its place in the list below it.
    assert [a["data-count"] for a in rows] == ["300"]
    listed = [a["id"] for t, a in tags if t == "li" and a.get("id", "").startswith("f")]
    assert listed == [f"f{n}" for n in range(1, 301)]


def test_thousands_of_findings_leave_out_the_least_and_say_so(
    make_result: MakeResult,
) -> None:
    spans = (*((4 * i, 4 * i + 1) for i in range(2999)), (11_996, 12_000))
    result = make_result(Path("A.mov"), frames=12_000, spans=spans)
    page = _page(result)
    assert len(page.findings) == 600
    assert page.findings[-1].number == 3000  # the longest stays, under its own number
    assert page.findings_left_out.startswith("2\u00a0400\u00a0further findings")
    assert len(render(page).encode()) < 5_000_000


@given(
    values=st.lists(
        st.floats(-100, 100, width=32) | st.just(math.nan), min_size=1, max_size=60
    ),
    bins=st.integers(1, 12),
)
def test_bins_keep_the_extremes_of_the_rows_they_touch(
    values: list[float], bins: int
) -> None:
    column = np.array(values, np.float32)
    lengths = np.random.default_rng(len(values)).uniform(0.01, 3.0, len(values))
    times = np.concatenate([[0.0], np.cumsum(lengths)])
    found = extremes(column, times, start=0.0, end=float(times[-1]), bins=bins)
    for i, (left, right) in enumerate(zip(found.edges, found.edges[1:], strict=False)):
        # Straight from the definition: rows that are showing at some time in the bin.
        touched = column[(times[:-1] < right) & (times[1:] > left)]
        known = touched[~np.isnan(touched)]
        if known.size:
            assert (found.low[i], found.high[i]) == (known.min(), known.max())
        else:
            assert np.isnan(found.low[i])
            assert np.isnan(found.high[i])


def test_times_that_do_not_fit_are_refused() -> None:
    with pytest.raises(ValueError, match="2 values need 3 times"):
        extremes(np.zeros(2), np.zeros(2), start=0.0, end=1.0)


# ----------------------------------------------------------------------- the axis


def _info(result: TakeResult, timecode: TimecodeFormat, start: str) -> TakeInfo:
    return replace(result.info, timecode=timecode, start_frame=timecode.frame(start))


def test_ticks_stand_at_round_labels(result: TakeResult) -> None:
    info = _info(result, TimecodeFormat(Fraction(25)), "09:12:04:10")
    marks = ticks(info, Axis(0.0, 6.0))
    assert [m.label for m in marks] == [f"09:12:{s:02d}:00" for s in range(5, 11)]
    # 15 frames after the start, at 25 a second.
    assert marks[0].share == pytest.approx(15 / 25 / 6)


def test_ticks_step_over_labels_that_do_not_exist(result: TakeResult) -> None:
    info = _info(result, TimecodeFormat(NTSC, drop_frame=True), "00:00:58;00")
    labels = [m.label for m in ticks(info, Axis(0.0, 5.5))]
    # SMPTE ST 12-1: 00:01:00;00 and ;01 are dropped.
    assert labels[:4] == ["00:00:58;00", "00:00:59;00", "00:01:00;02", "00:01:01;00"]


@pytest.mark.parametrize(
    "seconds", [0.04, 0.12, 1.0, 7.0, 61.0, 3599.0, 10_800.0, 90_000.0]
)
@pytest.mark.parametrize(
    ("rate", "drop", "start"),
    [
        (Fraction(25), False, "23:59:58:00"),
        (Fraction(50), False, "00:00:00:00"),
        (NTSC, True, "23:58:30;00"),
        (Fraction(120), False, "01:00:00:000"),
        (Fraction(15), False, "10:00:00:07"),
    ],
)
def test_ticks_are_few_in_order_and_true(
    result: TakeResult, seconds: float, rate: Fraction, drop: bool, start: str
) -> None:
    info = _info(result, TimecodeFormat(rate, drop), start)
    axis = Axis(0.0, seconds)
    marks = ticks(info, axis)
    assert 1 <= len(marks) <= 10
    shares = [m.share for m in marks]
    assert shares == sorted(set(shares))
    for mark in marks:
        frame = info.grid.nearest(Fraction(mark.share * seconds))
        assert info.grid.label(frame) == mark.label


def test_the_axis_holds_every_clock(result: TakeResult) -> None:
    axis = axis_of(result)
    assert (axis.start, axis.end) == (0.0, 10.0)  # 250 frames at 25 a second


# ----------------------------------------------------------------------- the strip


def test_a_lane_for_every_channel(result: TakeResult) -> None:
    titles = [lane.title for lane in _page(result).strip.lanes]
    # Channel 2 of the fixture is NaN throughout, so that there is nothing to draw.
    assert [t for t in titles if "channel" in t] == ["True peak, channel 1"]


def test_one_column_a_channel_among_others_still_gives_a_lane_each(
    result: TakeResult,
) -> None:
    # The chart's first column is one for the whole track, its second one a channel.
    (peaks,) = [m for m in all_measures() if m.name == "peaks"]
    whole = Column("whole_db", "Whole track", "dB")
    chart = Chart(("whole_db", "true_peak_dbtp"), "Both", "dB")
    store = result.sound[0].columns
    store.add("peaks.whole_db", np.full(result.sound[0].rows, -3, np.float32))  # type: ignore[attr-defined]
    measure = replace(peaks, columns=(*peaks.columns, whole), charts=(chart,))
    lanes = strip_of(result, [measure], [], {}).lanes
    assert [lane.title for lane in lanes] == [
        "Both, channel 1",
        "Both, channel 2",
    ]


def test_lanes_of_several_sound_tracks_are_told_apart(result: TakeResult) -> None:
    (heard,) = result.sound
    assert heard.track is not None
    tracks = tuple(
        replace(heard.track, number=n, first_channel=1 + 2 * n) for n in range(3)
    )
    found = replace(result.findings[0], rule="loudness.loud", channel=3)
    (loudness,) = [m for m in all_measures() if m.name == "loudness"]
    loudness = replace(loudness, check_rules={"loudness.loud": "Loud"})
    name = f"loudness.{loudness.charts[0].columns[0]}"
    store = heard.columns
    store.add(name, np.full(heard.rows, -23, np.float32))  # type: ignore[attr-defined]
    several = replace(
        result,
        info=replace(result.info, audio=tracks),
        sound=tuple(replace(heard, track=t) for t in tracks),
    )
    strip = strip_of(several, [loudness], [(1, found)], {})
    lanes = strip.lanes + strip.more
    titles = [lane.title for lane in lanes]
    assert len(set(titles)) == len(titles) == 3
    for number in (1, 2, 3):
        (lane,) = [x for x in lanes if x.title.endswith(f", sound track {number}")]
        # Channel 3 is the first of the second track.
        assert bool(lane.flags) == (number == 2)
    # One track needs no number.
    lanes = strip_of(result, [loudness], [], {}).lanes
    assert [lane.title for lane in lanes] == [loudness.charts[0].label]


def test_findings_lie_where_they_are_on_the_axis(result: TakeResult) -> None:
    band = _page(result).strip.findings[0]
    assert (band.left, band.width) == ("20.000%", "10.000%")  # 50 to 75 of 250
    assert band.href == "#f1"


def test_a_frame_held_long_keeps_its_value(result: TakeResult) -> None:
    store = ColumnStore({"highlights.relevant_percent": 0})
    store.extend({"highlights.relevant_percent": np.array([5.0, 0.0], np.float32)}, 2)
    edges = np.array([0, 80, 100], np.int64)
    some = replace(
        result,
        picture=Readings("picture", Fraction(1, 100), edges, store),
        sound=(),
        duration=Fraction(1),
        findings=(),
        limits={},
    )
    (lane,) = strip_of(some, all_measures(), [], rule_labels()).lanes
    # A line at its height up to 800 of 1000, then down.
    assert re.fullmatch(r"M0\.0 7\.4H800\.0V100\.0H1000\.0", lane.curves[0].path)


def test_notes_leave_a_take_clean_in_words_too(make_result: MakeResult) -> None:
    result = make_result(Path("A.mov"), grade=Grade.NOTE)
    verdict = _page(replace(result, grade=Grade.CLEAN)).verdict
    assert verdict.why.startswith("2\u00a0notes to know of")
