"""The page of a day: what it says, where it leads, and that hostile names are text."""

from __future__ import annotations

import base64
import hashlib
import math
import re
import statistics
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from urllib.parse import unquote, urlsplit

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qc.daybook import DayFinding, DayResult, DayTake, Skipped
from qc.measures import all_options, default_limits
from qc.records import Grade, TakeResult
from qc.report.day_axis import clock_axis, order_axis
from qc.report.day_page import day_page
from qc.report.day_sheet import DayPage, day_page_of
from qc.report.day_sparks import SPARK_HEIGHT, SPARK_WIDTH, sparks_of
from qc.report.day_values import clock
from qc.report.words import unbroken
from tests.report.fake_day import _finding, fake_day, fake_take

WRITTEN = datetime(2024, 5, 6, 7, 8, tzinfo=UTC)
LIMITS = default_limits()
SAMPLES = Path(__file__).parents[2] / "sample_media"
ASSETS = Path(__file__).parents[2] / "qc" / "report" / "assets"
HOSTILE = "<script>alert(1)</script> \"x\" onload='y' {{ 7*7 }} &amp;.mov"
# Elements that have no end tag.
VOID = {"meta", "img", "input", "link", "br"}


class Parsed(HTMLParser):
    """Tags with their attributes, scripts, the text of all else, and tables."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.scripts: list[str] = []
        self.text = ""
        self.open: list[str] = []
        self.astray: list[str] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)
        if tag == "script":
            self.scripts.append("")

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.astray.append(tag)

    def handle_data(self, data: str) -> None:
        inside = self.open[-1] if self.open else ""
        if inside == "script":
            self.scripts[-1] += data
        elif inside != "style":
            self.text += data

    def values(self, tag: str, name: str) -> list[str]:
        return [a[name] or "" for t, a in self.tags if t == tag and name in a]

    def rows(self) -> list[dict[str, str | None]]:
        """Attributes of the rows of takes."""
        return [a for t, a in self.tags if t == "tr" and "data-faults" in a]


def _html(result: DayResult, **told: Any) -> str:
    return day_page(result, LIMITS, written=WRITTEN, **told)


def _page(result: DayResult, limits: Any = LIMITS) -> DayPage:
    return day_page_of(
        result,
        limits,
        stills=False,
        times=result.times,
        cameras=result.cameras,
        written=WRITTEN,
    )


def _day(*takes: DayTake, **facts: Any) -> DayResult:
    return DayResult(
        folder=Path("/media/day"),
        out=Path("/media/reports/day"),
        takes=takes,
        skipped=facts.pop("skipped", ()),
        findings=facts.pop("findings", ()),
        advice=facts.pop("advice", ()),
        elapsed_s=1.0,
        **facts,
    )


@pytest.fixture(scope="module")
def day() -> DayResult:
    return fake_day(14)


@pytest.fixture(scope="module")
def html(day: DayResult) -> str:
    return _html(day)


# ------------------------------------------------------------------- what is said


def test_it_stands_in_the_order_in_which_it_is_read(html: str) -> None:
    sections = Parsed(html).values("section", "aria-labelledby")
    assert sections == [
        "verdict", "across", "line", "takes", "unmeasured", "reading", "cautions",
    ]  # fmt: skip


def test_every_take_is_counted_once_under_its_grade(day: DayResult) -> None:
    counts = {c.grade: int(c.number) for c in _page(day).counts}
    for grade in (Grade.CLEAN, Grade.REVIEW, Grade.REJECT, Grade.UNREADABLE):
        assert counts[grade] == sum(1 for t in day.takes if t.grade is grade)
    assert sum(counts.values()) == len(day.takes) == 14


def test_times_are_added_up_and_copies_count_once() -> None:
    # 90 s and 60 s recorded, 90 s and 30 s usable; the copy of the first adds nothing.
    first = fake_take("a.mov", duration=90.0)
    copy = fake_take("copy.mov", duration=90.0)
    second = fake_take("b.mov", duration=60.0, usable=30.0)
    same = DayFinding("day.duplicate", Grade.NOTE, ("a.mov", "copy.mov"), "The same.")
    page = _page(_day(first, second, copy, findings=(same,)))
    assert page.usable == "Usable: 2\u00a0min 00\u00a0s of 2\u00a0min 30\u00a0s."
    assert page.usable_share == "80.0%"
    assert page.usable_notes == (
        "Left out of these times: 1\u00a0copy of another take.",
    )


def test_length_of_the_day_and_of_its_line_say_what_they_count() -> None:
    # Six takes of 90 s at the same time, five of them copies: 90 s, and 9 min.
    names = [f"{n}.mov" for n in range(6)]
    same = DayFinding("day.duplicate", Grade.NOTE, tuple(names), "The same.")
    times = dict.fromkeys(names, (36000.0, 36090.0, "timecode"))
    takes = [fake_take(n, duration=90.0) for n in names]
    page = _page(_day(*takes, times=times, findings=(same,)))
    assert "1\u00a0min 30\u00a0s recorded, copies counted once" in page.headline
    (lane,) = page.line.lanes
    # Four rows hold a take each; the other two lie over the last one.
    assert lane.text == (
        "6\u00a0takes, 9\u00a0min 00\u00a0s with 5\u00a0copies; "
        "2 drawn over others in the last row"
    )
    assert [bar.row for bar in lane.bars] == [0, 1, 2, 3, 3, 3]
    # Nothing of it where takes are one after another, and none is a copy.
    times = {
        n: (36_000.0 + 100 * i, 36_090.0 + 100 * i, "t") for i, n in enumerate(names)
    }
    page = _page(_day(*takes, times=times))
    assert "9\u00a0min 00\u00a0s recorded" in page.headline
    assert page.line.lanes[0].text == "6\u00a0takes, 9\u00a0min 00\u00a0s"


def test_units_of_the_day_are_those_of_a_take(html: str) -> None:
    assert "ΔE₀₀" in html
    assert "CIEDE2000" not in html


def test_a_day_without_fault_says_so() -> None:
    page = _page(_day(fake_take("a.mov", duration=90.0)))
    assert page.usable == "All of it is usable: 1\u00a0min 30\u00a0s."
    assert page.why == "No limit was broken in any take."


@pytest.mark.parametrize(("grade", "told"), [(Grade.REVIEW, True), (Grade.NOTE, False)])
def test_what_only_the_day_shows_is_told_beside_clean_takes(
    grade: Grade, told: bool
) -> None:
    odd = DayFinding("day.odd_format", grade, ("b.mov",), "Another format.")
    page = _page(_day(fake_take("a.mov"), fake_take("b.mov"), findings=(odd,)))
    assert ("Across takes there is something to look at" in page.why) is told
    assert (page.across is not None) is told
    # No take is worse for it, and none of it is lost beside takes that are.
    assert [c.number for c in page.counts] == ["2", "0", "0", "0"]
    assert page.title == "2 clean" + ", 1 across takes, to review" * told


def test_what_only_the_day_shows_leads_to_its_table() -> None:
    gap = DayFinding("day.gap", Grade.REVIEW, ("a.mov", "b.mov"), "Stopped.")
    spot = DayFinding("day.blemish", Grade.NOTE, ("a.mov", "b.mov"), "A spot.")
    takes = [fake_take("a.mov"), fake_take("b.mov")]
    html = _html(_day(*takes, findings=(gap, spot, gap)))
    links = Parsed(html).values("a", "href")
    assert links.count("#across") == 2  # from the verdict, and from the parts
    assert "2 across takes, to review" in " ".join(Parsed(html).text.split())
    alone = Parsed(_html(_day(*takes, findings=(spot,))))
    assert alone.values("a", "href").count("#across") == 1


def test_a_take_too_short_to_judge_all_is_not_called_clean_without_a_word() -> None:
    note = _finding("sound.peak", "note", 0.1, 0.2)
    takes = [
        fake_take("a.mov"),
        fake_take("b.mov"),
        fake_take("c.mov", findings=[note]),
    ]
    for take in takes[1:]:
        take.document["day"]["too_short"] = True
    page = _page(_day(*takes))
    assert [row.grade_word for row in page.takes] == [
        "Clean",
        "Too short to judge all",
        "Too short to judge all",
    ]
    assert [row.sign for row in page.takes] == ["clean", "unsure", "unsure"]
    assert {row.grade for row in page.takes} == {"clean"}  # as they are counted
    assert page.title == "3 clean (2 too short to judge all)"
    assert "as far as it could be judged" in page.usable
    assert "(2 too short to judge all)" in Parsed(_html(_day(*takes))).text


def test_an_empty_folder_makes_a_page() -> None:
    parsed = Parsed(_html(_day()))
    assert "no recording was found in this folder" in parsed.text
    assert parsed.astray == []


def test_unreadable_takes_say_why_without_the_long_path(day: DayResult) -> None:
    (row,) = [r for r in _page(day).takes if r.grade == "unreadable"]
    assert row.message.startswith("no picture or sound in this file")
    assert row.href == ""
    assert row.sparks == (None, None, None)


def test_worst_faults_come_first_with_their_count() -> None:
    def finding(rule: str, grade: str, start: float, end: float) -> dict[str, Any]:
        return {"rule": rule, "grade": grade, "start_s": start, "end_s": end}

    take = fake_take(
        "a.mov",
        grade="reject",
        findings=[
            finding("sound.peak", "note", 0, 50),
            finding("focus.soft", "review", 0, 10),
            finding("white.cast", "review", 0, 6),
            finding("white.cast", "review", 4, 9),  # 9 s together, less than 10
            finding("highlights.relevant", "reject", 1, 2),
        ],
    )
    (row,) = _page(_day(take)).takes
    told = [(f.label, f.grade, f.times) for f in row.faults]
    assert told == [
        ("Burnt out", "reject", ""),
        ("Soft", "review", ""),
        ("Colour cast", "review", "× 2"),
    ]
    assert row.more_faults == "1\u00a0more kind"
    assert row.rules.split() == [
        "highlights.relevant", "focus.soft", "white.cast", "sound.peak",
    ]  # fmt: skip


def test_takes_stand_in_order_of_time_and_the_rest_behind(day: DayResult) -> None:
    names = [r.name for r in _page(day).takes]
    known = [n for n in names if n in day.times]
    assert known == sorted(known, key=lambda n: day.times[n][0])
    assert names[len(known) :] == [n for n in names if n not in day.times]


def test_a_timecode_that_is_no_time_of_day_gets_one_beside_it() -> None:
    take = fake_take("a.mov", start=0.0, duration=60.0)
    times = {"a.mov": (33_130.0, 33_190.0, "time of the file")}
    (row,) = _page(_day(take, times=times)).takes
    # 33130 s after midnight: 9 h 12 min 10 s.
    assert (row.start, row.start_note) == ("00:00:00:00", "09:12:10")
    (row,) = _page(_day(take, times={"a.mov": (0.0, 60.0, "timecode")})).takes
    assert (row.start, row.start_note) == ("00:00:00:00", "")


def test_what_was_not_measured_reads_as_no_number() -> None:
    take = fake_take("a.mov", cast=None)
    document: dict[str, Any] = dict(take.document)
    document["summary"] = {"exposure": {"p50_median_percent": None}}
    document["day"] = {"strips": {"exposure": None, "sound": [None, None]}}
    text = Parsed(_html(_day(replace(take, document=document)))).text
    assert "not measured" in text
    assert not re.search(r"\b(nan|inf|null|undefined)\b|\bNone\b(?! differs)", text)


def test_documents_of_other_hands_make_a_page_too() -> None:
    for document in (
        {},
        {"findings": 3, "usable": [1], "summary": [], "day": None, "take": "x"},
        {"take": {"duration_s": "long"}, "findings": [{"rule": 1, "grade": "odd"}]},
        {"day": {"poster": "><script>", "strips": {"focus": ["a", True, 1e400]}}},
    ):
        html = _html(_day(DayTake("a.mov", Grade.REVIEW, document, "a")))
        assert len(Parsed(html).rows()) == 1
        assert "><script>" not in html.split("<body")[1].split("<script>")[0]


def test_what_was_left_out_stands_there_with_its_reason(day: DayResult) -> None:
    many = tuple(Skipped(f"{i}.txt", "a text file") for i in range(200))
    page = _page(replace(day, skipped=(*many, Skipped("x.mov", "hidden"))))
    assert [(r.reason, r.count) for r in page.skipped] == [
        ("a text file", "200\u00a0files"),
        ("hidden", "1\u00a0file"),
    ]
    assert len(page.skipped[0].names) + 140 == 200
    assert page.skipped[0].more == "and 140\u00a0more files"


def test_an_unfinished_day_says_so_first(day: DayResult) -> None:
    assert "Not the whole day yet" not in _html(day)
    text = Parsed(_html(replace(day, complete=False))).text.split("Report of a day")[1]
    assert text.index("Not the whole day yet") < text.index("to review")
    assert "Run again" in text


def test_advice_and_day_findings_are_told(html: str, day: DayResult) -> None:
    text = Parsed(html).text
    for sentence in (*day.advice, *(f.message for f in day.findings)):
        assert unbroken(sentence) in text
    assert "08:55:40 to 08:56:55" in text  # the gap, as the fake day has it


def test_limits_that_differ_are_named(day: DayResult) -> None:
    limits = LIMITS.with_values(
        all_options(), {"highlights.review_percent": 2.5}, source="house.toml"
    )
    (changed,) = _page(day, limits).changed_limits
    assert (changed.key, changed.value) == ("highlights.review_percent", "2.5 %")


def test_cautions_are_those_of_a_takes_report(html: str) -> None:
    folder = ASSETS.parent / "templates"
    own = (folder / "record.html").read_text("utf-8").split('id="cautions"')[1]
    sentences = [s.strip() for s in re.split(r"<[^>]*>|{%.*?%}|(?<=[.:]) ", own)]
    text = Parsed(html).text
    kept = [s for s in sentences if len(s) > 20 and s in text]
    assert any("not a medical device" in s for s in kept)
    assert any("Consent, confidentiality and local policy" in s for s in kept)
    assert any("house choice" in s for s in kept)


# ------------------------------------------------------------------ what the file is


def test_hostile_names_show_as_text() -> None:
    names = [HOSTILE, "b\u202egnp.mov", "c\x1b[31m.mov"]
    takes = [
        fake_take(n, duration=60.0 + i, start=100.0 * i) for i, n in enumerate(names)
    ]
    finding = DayFinding(
        "day.gap", Grade.REVIEW, tuple(names), HOSTILE, HOSTILE, 60, 90
    )
    result = _day(
        *takes,
        findings=(finding,),
        advice=(HOSTILE,),
        skipped=(Skipped(HOSTILE, HOSTILE),),
        times={
            t.name: (100.0 * i, 100.0 * i + 60, HOSTILE) for i, t in enumerate(takes)
        },
        cameras=dict.fromkeys(names[:1], HOSTILE),
    )
    result = replace(result, folder=Path("/media") / HOSTILE.replace("/", "|"))
    plain = Parsed(_html(_day(fake_take("a.mov"))))
    told = Parsed(_html(result))
    assert told.scripts == plain.scripts
    assert len(told.scripts) == 1
    assert "alert(1)" not in told.scripts[0]
    assert told.text.count(HOSTILE) >= 9
    assert all(not name.startswith("on") for _, a in told.tags for name in a)
    assert not re.search("[\u202e\x1b]", told.text)
    assert told.astray == []


def test_links_to_reports_are_relative_and_find_their_folder() -> None:
    folders = [
        "Fall 3: Übung #2?",
        "100 % \"x\" <b> & 'y'",
        "..",
        "javascript:alert(1)",
    ]
    takes = [
        replace(fake_take(f"{i}.mov"), folder=folder)
        for i, folder in enumerate(folders)
    ]
    parsed = Parsed(_html(_day(*takes)))
    links = [v for v in parsed.values("a", "href") if not v.startswith("#")]
    assert [unquote(v) for v in links] == [f"{f}/report.html" for f in folders]
    for link in links:
        parts = urlsplit(link)
        assert (parts.scheme, parts.netloc, parts.query, parts.fragment) == ("",) * 4


def test_nothing_outside_the_file_is_named_or_allowed(html: str) -> None:
    parsed = Parsed(html)
    images = parsed.values("img", "src")
    assert len(images) == 13  # of 14 takes one is unreadable
    assert all(i.startswith("data:image/jpeg;base64,") for i in images)
    assert not re.search(r"url\(|@import", html)
    assert not {"src", "href"} & {n for t, a in parsed.tags if t == "script" for n in a}
    policy = next(c for c in parsed.values("meta", "content") if "default-src" in c)
    rules = dict(part.strip().split(" ", 1) for part in policy.split(";"))
    assert rules["default-src"] == "'none'"
    assert rules["img-src"] == "data:"
    digest = hashlib.sha256(parsed.scripts[0].encode()).digest()
    assert rules["script-src"] == f"'sha256-{base64.b64encode(digest).decode()}'"


def test_assets_cannot_end_their_elements() -> None:
    for name in ("day.css", "day.js"):
        assert "</" not in (ASSETS / name).read_text("utf-8")


def test_ids_are_unique_and_links_within_arrive(html: str) -> None:
    parsed = Parsed(html)
    ids = [a["id"] for _, a in parsed.tags if "id" in a]
    assert len(ids) == len(set(ids))
    links = {v for t in ("a", "use") for v in parsed.values(t, "href")}
    assert {v for v in links if v.startswith("#")} <= {f"#{i}" for i in ids}
    assert {f"t{n}" for n in range(1, 15)} <= set(ids)
    assert parsed.astray == []


def test_tables_can_be_read_aloud(html: str) -> None:
    parsed = Parsed(html)
    tags = [t for t, _ in parsed.tags]
    assert tags.count("caption") == tags.count("table") == 3
    assert all("scope" in a for t, a in parsed.tags if t == "th")
    assert all("alt" in a for t, a in parsed.tags if t == "img")
    assert parsed.values("output", "aria-live") == ["polite"]
    assert parsed.values("html", "lang") == ["en"]


def test_cells_are_as_many_as_heads(day: DayResult) -> None:
    for told in (
        _html(day),
        _html(day, stills=False),
        _html(day, cameras={}),
        _html(day, stills=False, cameras={}),
    ):
        table = told.split('<table class="takes"')[1].split("</table>")[0]
        head, *rows = table.split("<tr ")[1:]
        assert len({len(re.findall(r"<t[hd] ", part)) for part in (head, *rows)}) == 1


def test_without_pictures_there_is_none_and_it_says_so(day: DayResult) -> None:
    told = _html(day, stills=False)
    assert "image/jpeg" not in told
    assert "Written without pictures" in told
    assert "holds no frame of a recording" in told


def test_five_hundred_takes_stay_under_six_megabytes() -> None:
    result = fake_day(500)
    sizes = [len(str(t.document["day"].get("poster", ""))) for t in result.takes]
    # Base64 makes four characters of three bytes.
    assert statistics.mean(sizes) * 3 / 4 > 4500
    told = _html(result)
    assert len(told.encode()) < 6_000_000
    assert len(Parsed(told).rows()) == 500


# ----------------------------------------------------------------------- the line


def _left(text: str) -> float:
    return float(text.rstrip("%"))


def test_bars_lie_where_takes_were_recorded() -> None:
    takes = [fake_take("a.mov"), fake_take("b.mov"), fake_take("c.mov")]
    # 100 s in all: 0 to 40, 45 to 70, 60 to 100 s after ten o'clock.
    spans = {"a.mov": (0, 40), "b.mov": (45, 70), "c.mov": (60, 100)}
    times = {n: (36_000.0 + a, 36_000.0 + b, "timecode") for n, (a, b) in spans.items()}
    gap = DayFinding(
        "day.gap", Grade.REVIEW, ("a.mov", "b.mov"), "", "", 36_040, 36_045
    )
    line = _page(_day(*takes, times=times, findings=(gap,))).line
    (lane,) = line.lanes
    places = [(_left(b.left), _left(b.width), b.row) for b in lane.bars]
    assert places == [(0, 40, 0), (45, 25, 0), (60, 40, 1)]
    assert lane.rows == 2  # the last two overlap
    assert [(_left(g.left), _left(g.width)) for g in lane.gaps] == [(40, 5)]
    assert [b.href for b in lane.bars] == ["#t1", "#t2", "#t3"]
    assert (line.start, line.end) == ("10:00", "10:01")


def test_each_camera_has_a_lane_and_gaps_lie_in_theirs(day: DayResult) -> None:
    line = _page(day).line
    assert {lane.title for lane in line.lanes} == {"Overhead", "Side"}
    assert sum(len(lane.bars) for lane in line.lanes) == 13
    assert [len(lane.gaps) for lane in line.lanes if lane.title == "Side"] == [1]
    assert line.missing == ("overhead/spay_013.mov",)


def test_without_times_there_is_no_line_but_the_chart(day: DayResult) -> None:
    told = Parsed(_html(day, times={}))
    assert "The takes side by side" in told.text
    assert "Times of day" not in told.text
    assert not [a for t, a in told.tags if a.get("class") == "lane camera"]
    assert [a for t, a in told.tags if a.get("class") == "lane drift"]


def test_times_that_are_none_are_left_out() -> None:
    takes = [fake_take("a.mov"), fake_take("b.mov")]
    times = {"a.mov": (10.0, 20.0, "timecode"), "b.mov": (math.nan, 20.0, "timecode")}
    assert _page(_day(*takes, times=times)).line.missing == ("b.mov",)


def test_a_long_pause_is_cut_short_and_said() -> None:
    # Ten minutes, two hours of nothing, ten minutes.
    axis = clock_axis([(0.0, 600.0), (7800.0, 8400.0)])
    (pause,) = axis.pauses
    assert pause.text.startswith("2\u00a0h 00\u00a0min without a recording")
    assert axis.share(600.0) == pytest.approx(pause.left)
    assert axis.share(7800.0) == pytest.approx(pause.right)
    # Both halves are drawn alike.
    assert pause.left == pytest.approx(1.0 - pause.right)
    assert (axis.share(0.0), axis.share(8400.0)) == (0.0, 1.0)


@given(
    st.lists(
        st.tuples(st.floats(0, 2e5), st.floats(0, 2e4)).map(lambda s: (s[0], sum(s))),
        min_size=1,
        max_size=12,
    )
)
def test_the_axis_keeps_order_and_its_labels_are_true(
    spans: list[tuple[float, float]],
) -> None:
    axis = clock_axis(spans)
    moments = sorted(m for span in spans for m in span)
    shares = [axis.share(m) for m in moments]
    assert shares == sorted(shares)
    assert min(shares) >= 0.0
    assert max(shares) <= 1.0
    ticks = [t.share for t in axis.ticks]
    assert ticks == sorted(set(ticks))
    # Going back from a tick's place to its time gives its label.
    for tick in axis.ticks:
        for (a, left), (b, right) in zip(axis.knots, axis.knots[1:], strict=False):
            if left <= tick.share <= right and right > left:
                seconds = a + (b - a) * (tick.share - left) / (right - left)
                said = {
                    clock(seconds + d, fine=len(tick.label) > 5) for d in (-0.01, 0.01)
                }
                assert tick.label in said
                break


@pytest.mark.parametrize("number", [1, 2, 7, 18, 19, 60, 500])
def test_takes_side_by_side_are_numbered_in_the_middle(number: int) -> None:
    axis = order_axis(number)
    assert 1 <= len(axis.ticks) <= 20
    for tick in axis.ticks:
        # Take n of N lies from (n - 1) / N to n / N.
        assert tick.share == pytest.approx((int(tick.label) - 0.5) / number)


# ------------------------------------------------------------------------ the drift


def _heights(path: str) -> list[float]:
    return [float(h) for h in re.findall(r"M[\d.]+ ([\d.]+)h", path)]


def test_a_level_that_sinks_shows_as_a_line_that_sinks() -> None:
    levels = (50.0, 45.0, 41.0, 36.0)
    takes = [
        fake_take(f"{i}.mov", level=v, start=36_000.0 + 900 * i)
        for i, v in enumerate(levels)
    ]
    times = {
        t.name: (36_000.0 + 900 * i, 36_600.0 + 900 * i, "timecode")
        for i, t in enumerate(takes)
    }
    lane = _page(_day(*takes, times=times)).drift.lanes[0]
    heights = _heights(lane.series[0].marks)
    assert heights == sorted(heights)  # down the page
    # Equal steps of level are equal steps of height.
    steps = [(b - a) / (x - y) for a, b, x, y in
             zip(heights, heights[1:], levels, levels[1:], strict=False)]  # fmt: skip
    assert steps == pytest.approx([steps[0]] * 3, rel=0.02)
    assert lane.summary.startswith("median 43.0\u00a0%, all 36.0 to 50.0")


def test_the_band_is_the_middle_half_of_the_day() -> None:
    casts = [1.0, 2.0, 4.0, 8.0, 9.0]
    takes = [fake_take(f"{i}.mov", cast=v) for i, v in enumerate(casts)]
    lanes = _page(_day(*takes)).drift.lanes
    (lane,) = [x for x in lanes if x.title == "Colour cast of a white"]
    # Python's own quartiles; limits at 6 and 14 fix the scale.
    lower, middle, upper = statistics.quantiles(casts, n=4, method="inclusive")
    reject, review = (float(limit.y) for limit in lane.limits)
    scale = (review - reject) / (14.0 - 6.0)

    def height(value: float) -> float:
        return review + (6.0 - value) * scale

    assert float(lane.middle) == pytest.approx(height(middle), abs=0.02)
    assert float(lane.band_top) == pytest.approx(height(upper), abs=0.02)
    assert float(lane.band_height) == pytest.approx(
        height(lower) - height(upper), abs=0.02
    )


def test_a_burst_shows_as_a_stem_past_the_limit() -> None:
    take = fake_take("a.mov", burnt=(0.2, 9.0))
    lanes = _page(_day(take)).drift.lanes
    (lane,) = [x for x in lanes if x.title == "Burnt-out area"]
    (height,) = _heights(lane.series[0].marks)
    top = float(lane.series[0].stems.rpartition("V")[2])
    reject, review = (float(limit.y) for limit in lane.limits)  # 8 % and 1 %
    assert top < reject < review < height  # less is higher on the page


def test_a_white_never_measured_is_said_to_be(day: DayResult) -> None:
    page = _page(_day(fake_take("a.mov", cast=None)))
    assert [lane.title for lane in page.drift.lanes] == ["Level", "Burnt-out area"]
    (sentence,) = page.drift.unmeasured
    assert sentence.startswith("White balance was not measured")
    assert _page(day).drift.unmeasured == ()


def test_what_takes_without_a_time_show_is_not_called_unmeasured() -> None:
    timed, other = fake_take("a.wav"), fake_take("b.mov", level=40.0)
    sound_only = replace(timed, document={**timed.document, "summary": {}})
    summary = {"exposure": other.document["summary"]["exposure"]}
    level_only = replace(other, document={**other.document, "summary": summary})
    times = {"a.wav": (36_000.0, 36_060.0, "the file")}
    sentences = _page(_day(sound_only, level_only, times=times)).drift.unmeasured
    assert sentences[:2] == (
        "The level was not measured in any take that has a place on this line.",
        "Burnt-out area was not measured in any take.",
    )


def test_the_order_of_the_table_is_told_as_it_is() -> None:
    takes = [fake_take(f"{name}.mov") for name in "abc"]
    span = (36_000.0, 36_060.0, "timecode")

    def order(*timed: str) -> str:
        return _page(_day(*takes, times=dict.fromkeys(timed, span))).order

    assert order() == "by name"
    assert order("a.mov", "b.mov", "c.mov") == "in order of time"
    assert order("b.mov") == (
        "in order of time, and behind them by name 2 whose time is not known"
    )


# ----------------------------------------------------------------------- tiny charts


def _document(**strips: list[float | None]) -> dict[str, Any]:
    return {"day": {"strips": strips}, "summary": {"peaks": {"true_peak_dbtp": -200.0}}}


def test_a_tiny_chart_is_drawn_to_scale_and_leaves_gaps() -> None:
    _, focus, _ = sparks_of(_document(focus=[100.0, 0.0, None, 60.0]), LIMITS)
    assert focus is not None
    w, h = SPARK_WIDTH / 4, SPARK_HEIGHT
    assert focus.line == (
        f"M0 0H{w:g}V{h}H{2 * w:g}M{3 * w:g} {round(2 * 0.4 * h) / 2:g}H{4 * w:g}"
    )


def test_only_what_lies_past_a_limit_is_filled() -> None:
    # Limits for sharpness are 50 and 25 %: one bin beyond each.
    assert LIMITS["focus.soft_review_percent"] == 50
    assert LIMITS["focus.soft_reject_percent"] == 25
    _, focus, _ = sparks_of(_document(focus=[90.0, 40.0, 10.0, 50.0]), LIMITS)
    assert focus is not None
    w = SPARK_WIDTH / 4
    assert re.findall(r"M([\d.]+) ", focus.review) == [f"{w:g}"]
    assert re.findall(r"M([\d.]+) ", focus.reject) == [f"{2 * w:g}"]
    assert [t for t, _ in focus.ticks] == [
        f"{SPARK_HEIGHT / 2:.1f}",
        f"{SPARK_HEIGHT * 3 / 4:.1f}",
    ]


def test_digital_silence_is_called_silent() -> None:
    picture, focus, sound = sparks_of(_document(sound=[-200.0] * 4), LIMITS)
    assert (picture, focus) == (None, None)
    assert sound is not None
    assert sound.text == "silent"


# --------------------------------------------------------------------- real documents


@pytest.fixture(scope="module")
def real() -> DayResult:
    """Sample takes as the command keeps them."""
    from qc.day.worker import _poster, strips
    from qc.pipeline import check_take
    from qc.report.handover import result_document

    takes = []
    for name in ("take01_clean.mov", "take02_overexposed.mov", "take04_soft.mov"):
        result = check_take(SAMPLES / name, limits=LIMITS)
        assert isinstance(result, TakeResult), result
        kept = {"poster": _poster(result), "strips": strips(result), "name": name}
        document: Mapping[str, Any] = result_document(result) | {"day": kept}
        takes.append(DayTake(name, result.grade, document, name.partition(".")[0]))
    return _day(*takes)


def test_documents_as_kept_fill_every_part_of_a_row(real: DayResult) -> None:
    told = day_page(real, LIMITS, written=WRITTEN)
    rows = {r.name: r for r in _page(real).takes}
    assert len(Parsed(told).values("img", "src")) == 3
    table = Parsed(told.split('<table class="takes"')[1].split("</table>")[0])
    assert "not measured" not in table.text
    for row in rows.values():
        assert all(spark is not None and spark.text for spark in row.sparks)
        assert re.fullmatch(r"\d\d:\d\d:\d\d:\d\d", row.start)
    # As the sample takes' own list says: too bright, and out of focus.
    burnt, soft = rows["take02_overexposed.mov"], rows["take04_soft.mov"]
    assert "highlights.relevant" in burnt.rules
    assert burnt.sparks[0] is not None
    assert burnt.sparks[0].review + burnt.sparks[0].reject
    assert "focus.soft" in soft.rules
    assert soft.sparks[1] is not None
    assert soft.sparks[1].review + soft.sparks[1].reject
    assert rows["take01_clean.mov"].grade == "clean"


def test_the_hours_of_a_day_are_not_when_its_sound_was_copied() -> None:
    takes = (fake_take("A.mov", number=1), fake_take("B.wav", number=2))
    camera = (9 * 3600.0, 9.5 * 3600.0, "timecode")
    copied = (64_080.0, 64_440.0, "time of the file, taken as the end")
    day = replace(_day(*takes), times={"A.mov": camera, "B.wav": copied})
    assert _page(day).headline[0] == "09:00 to 09:30"
    # Where nothing else is known it is told.
    only = replace(_day(takes[1]), times={"B.wav": copied})
    assert _page(only).headline[0] == "17:48 to 17:54"


def test_a_clean_take_beside_others_says_whose_the_mark_is() -> None:
    takes = tuple(fake_take(f"{n}.mov", number=i) for i, n in enumerate("AB"))
    odd = DayFinding(
        "day.odd_format", Grade.REVIEW, ("A.mov",), "It differs.", "Use one setting."
    )
    html = _html(_day(*takes, findings=(odd,)))
    rows = re.findall(r'<tr id="t\d".*?</tr>', html, re.S)
    told = ["not in this take’s grade" in row for row in rows]
    assert sorted(told) == [False, True]
    assert "Odd format" in rows[told.index(True)]


def test_the_legend_of_a_day_tells_dots_and_lines_apart(html: str) -> None:
    assert "dot: mean of a take; the line up from it reaches its highest" in html
