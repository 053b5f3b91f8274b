"""Judging: limits over time, grades, usable ranges, advice. Answers are arithmetic."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qc.judge import (
    advice_from,
    dose_thirds,
    find,
    grade_of,
    once_for_all,
    usable_ranges,
)
from qc.limits import Limits
from qc.measures import default_limits
from qc.measures.base import Column, Measure, Measured, Rule
from qc.records import Finding, Grade, Readings, TakeInfo, VideoTrack
from qc.signal import Signal
from qc.store import ColumnStore
from qc.timecode import TimecodeFormat

RATE = Fraction(25)


def _info(*, drop: bool = False, rate: Fraction = RATE, start: int = 0) -> TakeInfo:
    video = VideoTrack(
        stream=0,
        number=0,
        codec="x",
        pixel_format="yuv420p",
        width=64,
        height=36,
        frame_rate=rate,
        time_base=1 / rate,
        signal=Signal(),
    )
    return TakeInfo(
        path=Path("a.mov"),
        bytes=1,
        container="mov",
        duration=None,
        video=video,
        audio=(),
        timecode=TimecodeFormat(rate, drop_frame=drop),
        start_frame=start,
    )


def _measured(
    values: list[float], *, info: TakeInfo | None = None, edges: list[int] | None = None
) -> Measured:
    info = info or _info()
    store = ColumnStore({"m.x": 0})
    for value in values:
        store.append({"m.x": value})
    assert info.video is not None
    ticks = np.array(
        edges if edges is not None else range(len(values) + 1), dtype=np.int64
    )
    limits = Limits(
        dict(default_limits()) | {"m.note": 1.0, "m.review": 10.0, "m.reject": 20.0}
    )
    return Measured(
        info=info,
        limits=limits,
        picture=Readings("picture", info.video.time_base, ticks, store),
        sound=(),
        totals={},
    )


def _measure(**changes: object) -> Measure:
    rule = Rule(
        "m.rule",
        column="m.x",
        label="Rule",
        review="m.review",
        reject="m.reject",
        min_seconds=0.2,
        bridge_seconds=0.2,
        unit="%",
        message=lambda hit: f"worst {hit.worst:g}",
        advice=lambda hit: "do this",
    )
    for name, value in changes.items():
        object.__setattr__(rule, name, value)
    return Measure(
        name="m",
        label="M",
        clock="picture",
        columns=(Column("x", "X"),),
        start=lambda setup: None,  # type: ignore[arg-type, return-value]
        method="",
        source="",
        rules=(rule,),
    )


def _find(values: list[float], **changes: object) -> tuple[Finding, ...]:
    return find(_measured(values), [_measure(**changes)])


def test_a_stretch_over_the_limit_is_found_to_the_frame() -> None:
    (finding,) = _find([0] * 10 + [15] * 8 + [0] * 7)
    assert (finding.start_frame, finding.end_frame) == (10, 18)
    assert finding.grade is Grade.REVIEW
    assert (finding.worst, finding.limit, finding.unit) == (15.0, 10.0, "%")
    assert finding.message == "worst 15"


def test_exactly_the_limit_is_within_it() -> None:
    assert _find([10.0] * 20) == ()


def test_shorter_than_the_minimum_is_let_pass() -> None:
    # At 25 frames a second five frames are exactly 0.2 s.
    assert _find([0] * 5 + [15] * 4 + [0] * 5) == ()
    assert len(_find([0] * 5 + [15] * 5 + [0] * 5)) == 1


def test_a_short_but_gross_stretch_is_kept_for_review() -> None:
    (finding,) = _find([0] * 5 + [50] * 2 + [0] * 5)
    assert finding.grade is Grade.REVIEW
    assert (finding.start_frame, finding.end_frame) == (5, 7)


def test_reject_needs_its_own_minimum() -> None:
    (mild,) = _find([15] * 10 + [30] * 3 + [15] * 10)
    assert mild.grade is Grade.REVIEW
    (grave,) = _find([15] * 10 + [30] * 5 + [15] * 10)
    assert grave.grade is Grade.REJECT
    assert grave.limit == 20.0


def test_a_short_gap_is_bridged_a_longer_one_is_not() -> None:
    assert len(_find([15] * 6 + [0] * 4 + [15] * 6)) == 1
    assert len(_find([15] * 6 + [0] * 5 + [15] * 6)) == 2


def test_release_level_keeps_a_wavering_reading_in_one_piece() -> None:
    (finding,) = _find([0] * 3 + [11, 8.5, 11, 8.5, 11] * 2 + [7.9] * 10)
    assert (finding.start_frame, finding.end_frame) == (3, 13)


def test_too_little_is_a_fault_too() -> None:
    (finding,) = _find(
        [50.0] * 5 + [3.0] * 6 + [50.0] * 5,
        above=False,
        reject=None,
        release=1.2,
    )
    assert (finding.start_frame, finding.end_frame) == (5, 11)
    assert finding.worst == 3.0


def test_unknown_readings_are_no_finding() -> None:
    assert _find([float("nan")] * 30) == ()


def test_labels_follow_drop_frame() -> None:
    # SMPTE ST 12-1: at 29.97 drop-frame, frame 1800 is 00:01:00;02.
    info = _info(drop=True, rate=Fraction(30000, 1001), start=1790)
    measured = _measured([0] * 10 + [15] * 10 + [0] * 5, info=info)
    (finding,) = find(measured, [_measure()])
    assert info.grid.label(finding.start_frame) == "00:01:00;02"
    assert info.grid.label(finding.end_frame) == "00:01:00;12"


def test_frame_numbers_stay_right_behind_missing_frames() -> None:
    # Frames 5 to 9 are not in the file: rows and frame numbers part company.
    edges = [*range(5), *range(10, 31)]
    values = [0.0] * 15 + [15.0] * 6 + [0.0] * 4
    (finding,) = find(_measured(values, edges=edges), [_measure()])
    assert (finding.start_frame, finding.end_frame) == (20, 26)


def test_findings_come_in_order_of_time() -> None:
    found = _find([15] * 6 + [0] * 10 + [30] * 6 + [0] * 10 + [15] * 6)
    assert [f.start_frame for f in found] == [0, 16, 32]


def _finding(
    grade: Grade, a: int, b: int, *, rule: str = "r", advice: str = "x"
) -> Finding:
    return Finding(
        rule=rule,
        grade=grade,
        start=Fraction(a) / RATE,
        end=Fraction(b) / RATE,
        worst_at=Fraction(a) / RATE,
        start_frame=a,
        end_frame=b,
        worst_frame=a,
        message="",
        advice=advice,
    )


@pytest.mark.parametrize(
    ("grades", "expected"),
    [
        ([], "clean"),
        ([Grade.NOTE], "clean"),
        ([Grade.NOTE, Grade.REVIEW], "review"),
        ([Grade.REJECT, Grade.REVIEW], "reject"),
    ],
)
def test_a_take_stands_as_its_gravest_finding(
    grades: list[Grade], expected: str
) -> None:
    assert grade_of([_finding(g, 0, 5) for g in grades]).value == expected


def test_usable_is_what_no_serious_finding_covers_longest_first() -> None:
    findings = [
        _finding(Grade.REVIEW, 50, 60),
        _finding(Grade.REJECT, 55, 75),
        _finding(Grade.NOTE, 100, 150),
        _finding(Grade.REVIEW, 190, 195),
    ]
    ranges = usable_ranges(findings, _measured([]), frames=200)
    # Frames 195 to 200 are shorter than two seconds, the house minimum.
    assert [(r.start_frame, r.end_frame) for r in ranges] == [(75, 190), (0, 50)]
    assert ranges[0].duration == Fraction(115, 25)


def test_a_short_clean_take_is_usable_as_a_whole() -> None:
    (whole,) = usable_ranges([], _measured([]), frames=3)
    assert (whole.start_frame, whole.end_frame) == (0, 3)


@given(
    st.lists(
        st.tuples(st.integers(0, 300), st.integers(1, 80)).map(
            lambda t: _finding(Grade.REVIEW, t[0], t[0] + t[1])
        ),
        max_size=8,
    )
)
def test_usable_never_touches_a_serious_finding(findings: list[Finding]) -> None:
    for r in usable_ranges(findings, _measured([]), frames=250):
        assert 0 <= r.start_frame < r.end_frame <= 250
        assert all(
            r.end_frame <= f.start_frame or r.start_frame >= f.end_frame
            for f in findings
        )


def test_advice_puts_the_gravest_first_and_says_nothing_twice() -> None:
    findings = [
        _finding(Grade.REVIEW, 0, 100, rule="a", advice="turn down"),
        _finding(Grade.REJECT, 0, 5, rule="b", advice="close the iris"),
        _finding(Grade.REVIEW, 0, 10, rule="c", advice="focus"),
        _finding(Grade.REVIEW, 20, 30, rule="d", advice="focus"),
        _finding(Grade.NOTE, 0, 200, rule="e", advice="never mind"),
    ]
    assert advice_from(findings) == ("close the iris", "turn down", "focus")


def test_one_sentence_on_the_iris_and_one_on_white_go_in_front() -> None:
    findings = [
        _finding(Grade.REJECT, 0, 90, rule="sound.peak", advice="turn it down"),
        _finding(Grade.REVIEW, 0, 10, rule="white.cast", advice="balance again"),
        _finding(Grade.REVIEW, 0, 20, rule="highlights.relevant", advice="close"),
        _finding(Grade.REVIEW, 0, 15, rule="exposure.drift", advice="set to manual"),
    ]
    assert advice_from(findings) == (
        "close",
        "balance again",
        "turn it down",
        "set to manual",
    )


def test_the_iris_is_told_once_where_light_and_a_channel_burn_together() -> None:
    burnt = _finding(Grade.REVIEW, 0, 40, rule="highlights.relevant", advice="close")
    with_it = _finding(Grade.REJECT, 10, 50, rule="highlights.channel", advice="red")
    alone = _finding(Grade.REVIEW, 60, 90, rule="highlights.channel", advice="red")
    note = _finding(Grade.NOTE, 0, 90, rule="highlights.relevant", advice="close")
    assert advice_from([burnt, with_it]) == ("close",)
    assert advice_from([burnt, with_it, alone]) == ("close", "red")
    assert advice_from([note, with_it]) == ("red",)


def test_opposite_advice_says_when_each_is_meant() -> None:
    dark = _finding(Grade.REVIEW, 0, 50, rule="exposure.dark", advice="Open it.")
    burnt = _finding(
        Grade.REVIEW, 60, 90, rule="highlights.relevant", advice="Close it."
    )
    assert advice_from([dark, burnt], label=str) == (
        "From 0 to 50: open it.",
        "From 60 to 90: close it.",
    )
    assert advice_from([burnt], label=str) == ("Close it.",)


def test_channels_that_need_the_same_are_named_together() -> None:
    hum = "lay the cables away from mains"
    findings = [
        _finding(Grade.REVIEW, 0, 90, rule="sound.hum", advice=f"Channel 1: {hum}"),
        _finding(Grade.REVIEW, 0, 80, rule="sound.hum", advice=f"Channel 3 (a): {hum}"),
        _finding(Grade.REVIEW, 0, 70, rule="sound.hum", advice=f"Channel 4: {hum}"),
        _finding(Grade.REVIEW, 0, 60, rule="sound.peak", advice="Channel 4: turn down"),
    ]
    findings = [replace(f, channel=n) for n, f in enumerate(findings, 1)]
    assert advice_from(findings) == (
        f"Channels 1, 3 (a) and 4: {hum}",
        "Channel 4: turn down",
    )


def _of_channel(
    number: int, what: str = "hum of 50 Hz.", *, name: str = "", worst: float = -50.0
) -> Finding:
    who = f"Channel {number}{name and f' ({name})'}"
    return replace(
        _finding(Grade.NOTE, 0, 50, rule="sound.hum"),
        message=f"{who}: {what}",
        advice=f"{who}: lay cables away from each other.",
        channel=number,
        worst=worst,
        limit=-54.0,
    )


def test_what_is_the_same_of_several_channels_is_said_once() -> None:
    own = [_of_channel(1), _of_channel(2, name="boom"), _of_channel(4, worst=-40.0)]
    other = _of_channel(3, "hum of 60 Hz.")
    (of_all, alone) = once_for_all([own[0], other, *own[1:]])
    assert of_all.message == "Channels 1, 2 (boom) and 4: hum of 50 Hz."
    assert of_all.advice.startswith("Channels 1, 2 (boom) and 4: lay cables")
    assert (of_all.channel, of_all.channels, of_all.worst) == (None, (1, 2, 4), -40.0)
    assert alone is other


def test_faults_stay_with_their_channels() -> None:
    # Contract: a finding's channel is what other programs go by.
    faults = [replace(_of_channel(c), grade=Grade.REVIEW) for c in (1, 2)]
    assert once_for_all(faults) == tuple(faults)


@pytest.mark.parametrize(
    "other",
    [
        replace(_of_channel(2), end=Fraction(3)),
        replace(_of_channel(2), grade=Grade.REVIEW),
        replace(_of_channel(2), rule="sound.noise"),
        replace(_of_channel(2), advice="Channel 2: something else."),
        replace(_of_channel(2), channel=None),
    ],
)
def test_what_differs_in_anything_is_said_by_itself(other: Finding) -> None:
    both = (_of_channel(1), other)
    assert once_for_all(both) == both


def test_the_stronger_dose_is_given_and_the_other_fault_is_named() -> None:
    names = {"highlights.channel": "Colour channel saturates"}
    burnt = _finding(
        Grade.REVIEW, 0, 40, rule="highlights.relevant", advice="Close by ⅔ stop."
    )
    with_it = _finding(
        Grade.REVIEW, 5, 40, rule="highlights.channel", advice="Close by 1⅓ stops."
    )
    (told,) = advice_from([burnt, with_it], names=names)
    assert (
        told == "Close by 1⅓ stops. This is also for “Colour channel saturates” there."
    )
    milder = replace(with_it, advice="Close by ⅓ stop.")
    (told,) = advice_from([burnt, milder], names=names)
    assert told.startswith("Close by ⅔ stop. This is also for")


def test_the_stretch_that_needs_most_of_the_iris_is_told_with_the_longest() -> None:
    long = _finding(Grade.REVIEW, 0, 60, rule="exposure.dark", advice="Open by ⅔ stop.")
    short = _finding(
        Grade.REVIEW, 70, 90, rule="exposure.dark", advice="Open by 1⅓ stops."
    )
    assert advice_from([long, short], label=str) == (
        "Open by ⅔ stop. From 70 on it takes up to 1⅓ stops.",
    )
    assert advice_from([long, short]) == (
        "Open by ⅔ stop. One stretch takes up to 1⅓ stops.",
    )
    milder = replace(short, advice="Open by ⅓ stop.")
    assert advice_from([long, milder], label=str) == ("Open by ⅔ stop.",)


@pytest.mark.parametrize(
    ("advice", "thirds"),
    [
        ("close the iris by about 1 to 1⅓ stops", 4),
        ("close the iris by ⅓ to ⅔ stop", 2),
        ("close it by about ⅔ stop (about 1 to 2 stops if no channel is to burn)", 6),
        ("close the iris a little", 0),
        ("raise the level by 6 dB", 0),
    ],
)
def test_the_largest_dose_of_an_advice(advice: str, thirds: int) -> None:
    assert dose_thirds(advice) == thirds
