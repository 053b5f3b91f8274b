"""What only the whole day shows.

Expected values are worked by hand from the labels and lengths that go in: SMPTE
ST 12-1 for labels, the calendar for times. Which combinations mean what is common
practice, no source.
"""

from __future__ import annotations

import itertools
import random
import time
from collections.abc import Sequence
from datetime import UTC, datetime
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qc.day.checks import camera_of, check_whole_day, day_advice, day_times
from qc.daybook import DayFinding, DayTake
from qc.limits import Limits
from qc.measures import all_options, default_limits
from qc.records import Grade
from qc.timecode import TimecodeFormat
from tests.day.documents import NTSC_30, finding, lost, take

LIMITS = default_limits()
NINE = datetime(2026, 3, 3, 9, tzinfo=UTC).timestamp()


@pytest.fixture(autouse=True)
def _in_utc(monkeypatch: pytest.MonkeyPatch) -> Any:
    monkeypatch.setenv("TZ", "UTC")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


def found(
    takes: Sequence[DayTake], rule: str, limits: Limits = LIMITS
) -> list[DayFinding]:
    return [f for f in check_whole_day(takes, limits) if f.rule == rule]


def limits_with(**values: float) -> Limits:
    changed = {f"day.{name}": value for name, value in values.items()}
    return Limits({o.key: LIMITS[o.key] for o in all_options()} | changed)


def utc(hours: float) -> str:
    moment = datetime.fromtimestamp(NINE + 3600 * hours, UTC)
    return moment.strftime("%Y-%m-%dT%H:%M:%S.000000Z")


# --------------------------------------------------------------------------------- gaps


def test_gap_between_takes_is_told_with_labels_and_length() -> None:
    takes = [
        take("B.mov", "10:01:12:10", seconds=30),
        take("A.mov", "10:00:00:00", seconds=60),
    ]
    (gap,) = found(takes, "day.gap")
    assert gap.takes == ("A.mov", "B.mov")
    assert gap.grade is Grade.REVIEW
    assert "12.4\N{NO-BREAK SPACE}s" in gap.message  # 12 s and 10 frames of 1/25 s
    assert "A.mov ends at 10:01:00:00, B.mov begins at 10:01:12:10" in gap.message
    assert "recorder is running" in gap.advice
    assert (gap.start, gap.end) == (36_060.0, 36_072.4)


@pytest.mark.parametrize(
    ("frames", "told"),
    [(0, False), (12, False), (13, True), (250, True), (3000, True), (3001, False)],
)
def test_gap_counts_from_the_shortest_to_the_longest_of_the_limits(
    frames: int, told: bool
) -> None:
    # Limits 0.5 s and 120 s: at 25 frames a second 12.5 and 3000 frames.
    label = TimecodeFormat(Fraction(25)).label(36_000 * 25 + 1500 + frames)
    takes = [take("A.mov", "10:00:00:00"), take("B.mov", label)]
    assert bool(found(takes, "day.gap")) is told


def test_limits_of_the_gap_are_kept_to_the_frame() -> None:
    # 0.04 s is one frame exactly, which no float holds.
    takes = [take("A.mov", "10:00:00:00"), take("B.mov", "10:01:00:01")]
    assert found(takes, "day.gap", limits_with(gap_min_seconds=0.04))
    assert not found(takes, "day.gap", limits_with(gap_min_seconds=0.041))
    assert not found(
        takes, "day.gap", limits_with(gap_min_seconds=0, gap_max_seconds=0.039)
    )


def test_gap_in_drop_frame_counts_frames_not_labels() -> None:
    # ST 12-1: labels 00:01:00;00 and ;01 do not exist. A ends before 00:01:00;02, its
    # 1800th frame; B begins 30 frames later, at 00:01:01;02: 1.001 s, not 1 s.
    a = take("A.mov", "00:00:00;00", frames=1800, rate=NTSC_30, drop=True)
    b = take("B.mov", "00:01:01;02", frames=90, rate=NTSC_30, drop=True)
    (gap,) = found([a, b], "day.gap")
    assert gap.end is not None
    assert gap.start is not None
    assert gap.end - gap.start == pytest.approx(1.001, abs=1e-9)
    assert "A.mov ends at 00:01:00;02" in gap.message


def test_non_drop_labels_count_real_time_between_takes() -> None:
    # An hour of labels at 29.97 non-drop lasts 3603.6 s.
    a = take("A.mov", "10:00:00:00", frames=300, rate=NTSC_30)
    b = take("B.mov", "11:00:00:00", frames=300, rate=NTSC_30)
    times = day_times([a, b])
    assert times["A.mov"][0] == 36_000.0
    assert times["B.mov"][0] - times["A.mov"][0] == pytest.approx(3603.6, abs=1e-9)


def test_gap_is_seen_behind_the_take_that_ends_last() -> None:
    takes = [
        take("long.mov", "10:00:00:00", seconds=600),
        take("short.mov", "10:01:00:00", seconds=10),
        take("next.mov", "10:10:30:00", seconds=10),
    ]
    (gap,) = found(takes, "day.gap")
    assert gap.takes == ("long.mov", "next.mov")


def test_gap_that_an_unreadable_take_may_fill_says_so() -> None:
    takes = [take("A1.mov", "10:00:00:00"), take("A3.mov", "10:01:30:00")]
    (sure,) = found([*takes, lost("B.mov")], "day.gap")
    assert "unless" not in sure.message
    (unsure,) = found([*takes, lost("A2.mov")], "day.gap")
    assert "unless it is in A2.mov" in unsure.message


def test_gaps_of_two_cameras_do_not_mix() -> None:
    a = {"make": "Alpha", "model": "One"}
    b = {"make": "Beta", "model": "Two"}
    takes = [
        take("a1.mov", "10:00:00:00", seconds=600, metadata=a),
        take("b1.mov", "10:00:00:00", seconds=60, metadata=b),
        take("b2.mov", "10:01:30:00", seconds=60, metadata=b),
        take("a2.mov", "11:00:00:00", seconds=60, metadata=a),
    ]
    (gap,) = found(takes, "day.gap")
    assert gap.takes == ("b1.mov", "b2.mov")
    assert not found(takes, "day.overlap")


def test_gap_by_creation_time_is_about_so_long_and_not_below_a_second() -> None:
    def pair(hours: float) -> list[DayTake]:
        return [
            take("A.mov", created=utc(0), seconds=60),
            take("B.mov", created=utc(hours), seconds=60),
        ]

    (gap,) = found(pair(75 / 3600), "day.gap")
    assert "about 15.0\N{NO-BREAK SPACE}s" in gap.message
    assert "creation times" in gap.message
    # Both stamps are cut to whole seconds: 1 s apart may be none.
    assert not found(pair(61 / 3600), "day.gap")


def test_gap_by_the_times_of_files() -> None:
    takes = [
        take("A.mov", filed=NINE, seconds=60),
        take("B.mov", filed=NINE + 60 + 20, seconds=60),
        take("C.mov", filed=NINE + 60 + 20 + 3600, seconds=60),
    ]
    (gap,) = found(takes, "day.gap")
    assert gap.takes == ("A.mov", "B.mov")
    assert "times of the files" in gap.message
    assert gap.start == 9 * 3600


# ---------------------------------------------------------------------- the day's clock


def test_start_timecode_comes_before_other_times() -> None:
    takes = [
        take("A.mov", "10:00:00:00", created=utc(5), filed=NINE),
        take("B.mov", "11:00:00:12", created=utc(6), filed=NINE + 3600),
    ]
    assert day_times(takes) == {
        "A.mov": (36_000.0, 36_060.0, "timecode"),
        "B.mov": (39_600.48, 39_660.48, "timecode"),
    }


def test_one_basis_a_camera() -> None:
    takes = [
        take("A.mov", "10:00:00:00", created=utc(1)),
        take("B.mov", created=utc(2)),
    ]
    times = day_times(takes)
    assert {basis for _, _, basis in times.values()} == {
        "creation time in the file, taken as the start"
    }
    assert times["B.mov"][:2] == (11 * 3600, 11 * 3600 + 60)


def test_take_that_tells_no_time_has_none() -> None:
    takes = [take("A.mov", "10:00:00:00"), take("B.mov"), lost("C.mov")]
    assert set(day_times(takes)) == {"A.mov"}
    assert check_whole_day(takes, LIMITS) == ()


def test_local_time_is_that_of_this_computer(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TZ", "UTC-2")  # POSIX: two hours ahead of UTC
    time.tzset()
    assert day_times([take("A.mov", created=utc(0))])["A.mov"][0] == 11 * 3600


def test_creation_time_is_the_end_where_takes_would_overlap_else() -> None:
    # Stamps 20 min apart; the second take lasts 19 min, the third 10.
    takes = [
        take("A.mov", created=utc(0), seconds=600),
        take("B.mov", created=utc(1 / 3), seconds=1140),
        take("C.mov", created=utc(1 / 3 + 0.2), seconds=600),
    ]
    times = day_times(takes)
    assert times["B.mov"][1] == 9 * 3600 + 1200
    assert times["B.mov"][2] == "creation time in the file, taken as the end"
    assert not found(takes, "day.overlap")


def test_creation_time_is_the_end_where_the_file_says_the_same() -> None:
    takes = [
        take(f"{n}.mov", created=utc(n), filed=NINE + 3600 * n + 1, seconds=900)
        for n in range(3)
    ]
    assert day_times(takes)["1.mov"][:2] == (10 * 3600 - 900, 10 * 3600)


@pytest.mark.parametrize("created", ["1904-01-01T00:00:00.000000Z", "soon", "10:00:00"])
def test_creation_time_that_is_none_does_not_count(created: str) -> None:
    times = day_times([take("A.mov", created=created, filed=NINE)])
    assert times["A.mov"] == (
        9 * 3600 - 60,
        9 * 3600,
        "time of the file, taken as the end",
    )


def test_times_of_copying_are_not_those_of_recording() -> None:
    # Four takes of ten minutes copied within a minute.
    takes = [take(f"{n}.mov", filed=NINE + 15 * n, seconds=600) for n in range(4)]
    assert day_times(takes) == {}
    assert check_whole_day(takes, LIMITS) == ()


def test_timecode_goes_on_over_midnight() -> None:
    takes = [
        take("C.mov", "00:30:00:00", seconds=600),
        take("A.mov", "23:00:00:00", seconds=600),
        take("B.mov", "23:55:00:00", seconds=600),
    ]
    times = day_times(takes)
    assert {n: t[0] for n, t in times.items()} == {
        "A.mov": 82_800.0,
        "B.mov": 86_100.0,
        "C.mov": 88_200.0,
    }


def test_gap_over_midnight() -> None:
    takes = [
        take("A.mov", "23:58:00:00", seconds=110),
        take("B.mov", "00:00:05:00", seconds=60),
    ]
    (gap,) = found(takes, "day.gap")
    assert gap.takes == ("A.mov", "B.mov")
    assert "15.0\N{NO-BREAK SPACE}s" in gap.message


@given(
    st.integers(0, 86_399),
    st.lists(st.tuples(st.integers(0, 400), st.integers(1, 300)), max_size=8),
    st.sampled_from(
        [
            (Fraction(25), False),
            (NTSC_30, True),
            (NTSC_30, False),
            (Fraction(50), False),
        ]
    ),
    st.randoms(use_true_random=False),
)
def test_gaps_are_those_that_were_made(
    begin: int,
    plan: list[tuple[int, int]],
    format_: tuple[Fraction, bool],
    shuffle: random.Random,
) -> None:
    # Less than two hours in all, so that the rest of the day is the longest pause.
    timecode = TimecodeFormat(*format_)
    frame = begin * timecode.nominal
    takes, expected = [], []
    for number, (pause, length) in enumerate([(0, 60), *plan]):
        if number and Fraction(1, 2) <= pause / timecode.rate <= 120:
            expected.append((f"{number - 1:02d}", f"{number:02d}"))
        frame += pause
        takes.append(
            take(
                f"{number:02d}",
                timecode.label(frame),
                frames=length,
                rate=timecode.rate,
                drop=timecode.drop_frame,
            )
        )
        frame += length
    shuffle.shuffle(takes)
    gaps = found(takes, "day.gap")
    assert [g.takes for g in gaps] == expected
    assert not found(takes, "day.overlap")


def test_timecode_that_stands_still_between_takes_tells_no_gaps_or_overlaps() -> None:
    # Each begins where the last ended, while by their stamps an hour went by.
    takes = [
        take(f"{n}.mov", f"01:{n:02d}:00:00", seconds=60, created=utc(n))
        for n in range(4)
    ]
    assert check_whole_day(takes, LIMITS) == ()
    assert day_times(takes)["2.mov"][0] == 11 * 3600
    alone = [take(f"{n}.mov", f"01:{n:02d}:00:00", seconds=60) for n in range(4)]
    assert check_whole_day(alone, LIMITS) == ()


def test_long_take_that_the_recorder_split_keeps_its_timecode() -> None:
    takes = [
        take(f"{n}.mov", f"09:{n:02d}:00:00", seconds=60, created=utc(n / 60))
        for n in range(4)
    ]
    assert check_whole_day(takes, LIMITS) == ()
    assert day_times(takes)["3.mov"] == (32_580.0, 32_640.0, "timecode")


def test_timecode_that_begins_anew_is_told_once_and_not_believed() -> None:
    takes = [take(f"{n}.mov", "01:00:00:00", created=utc(n)) for n in range(5)]
    (note,) = check_whole_day(takes, LIMITS)
    assert (note.rule, note.grade, len(note.takes)) == ("day.overlap", Grade.NOTE, 5)
    assert "anew at 01:00:00:00" in note.message
    assert "free" in note.advice
    assert day_times(takes)["4.mov"][0] == 13 * 3600


def test_takes_of_several_days_are_put_on_their_days() -> None:
    takes = [
        take("A.mov", "10:00:00:00", created=utc(1)),
        take("B.mov", "10:00:30:00", created=utc(25)),
        take("C.mov", "09:00:00:00", created=utc(24)),
    ]
    assert {n: t[0] for n, t in day_times(takes).items()} == {
        "A.mov": 36_000.0,
        "C.mov": 86_400.0 + 32_400,
        "B.mov": 86_400.0 + 36_030,
    }
    assert check_whole_day(takes, LIMITS) == ()


def test_camera_after_midnight_lies_behind_one_before() -> None:
    a, b, c = {"model": "One"}, {"model": "Two"}, {"model": "Three"}
    takes = [
        take("a.mov", "22:00:00:00", created=utc(13), metadata=a),
        take("b.mov", created=utc(15.5), metadata=b),
        take("c.mov", "00:40:00:00", created=utc(15 + 40 / 60), metadata=c),
    ]
    times = day_times(takes)
    assert times["a.mov"][0] == 22 * 3600
    assert times["b.mov"][0] == 24.5 * 3600
    assert times["c.mov"][0] == 24 * 3600 + 2400


# ----------------------------------------------------------------------------- overlaps


@pytest.mark.parametrize(("frames", "told"), [(0, False), (2, False), (3, True)])
def test_overlap_of_more_than_two_frames_is_noted(frames: int, told: bool) -> None:
    label = TimecodeFormat(Fraction(25)).label(36_000 * 25 + 1500 - frames)
    takes = [take("A.mov", "10:00:00:00"), take("B.mov", label)]
    notes = found(takes, "day.overlap")
    assert bool(notes) is told
    if told:
        assert notes[0].grade is Grade.NOTE
        assert notes[0].takes == ("A.mov", "B.mov")
        assert notes[0].start == pytest.approx(36_060 - frames / 25)
        assert notes[0].end == 36_060.0


def test_overlapping_takes_are_one_note() -> None:
    takes = [take(f"{n}.mov", f"10:00:{20 * n:02d}:00") for n in range(3)]
    (note,) = found([*takes, take("z.mov", "12:00:00:00")], "day.overlap")
    assert note.takes == ("0.mov", "1.mov", "2.mov")
    assert (note.start, note.end) == (36_020.0, 36_080.0)


def test_duplicates_are_neither_overlaps_nor_gaps() -> None:
    takes = [
        take("A.mov", "10:00:00:00", fingerprint="f"),
        take("copy/A.mov", "10:00:00:00", fingerprint="f"),
        take("B.mov", "11:00:00:00"),
    ]
    (note,) = check_whole_day(takes, LIMITS)
    assert note.rule == "day.duplicate"


def test_folders_tell_cameras_apart_that_nothing_else_does() -> None:
    left = [
        take(f"left/{n}.mov", f"10:{10 * n:02d}:00:00", seconds=590) for n in range(3)
    ]
    right = [
        take(f"right/{n}.mov", f"10:{10 * n:02d}:02:00", seconds=540) for n in range(3)
    ]
    rules = check_whole_day([*left, *right], LIMITS)
    assert [(f.rule, f.takes) for f in rules] == [
        ("day.gap", (f"{side}/{n}.mov", f"{side}/{n + 1}.mov"))
        for n, side in itertools.product(range(2), ("right", "left"))
    ]


def test_cards_of_one_camera_stay_together() -> None:
    takes = [
        take("100/A.mov", "10:00:00:00"),
        take("100/B.mov", "11:00:00:00"),
        take("101/C.mov", "11:01:30:00"),
        take("101/D.mov", "12:00:00:00"),
    ]
    (gap,) = found(takes, "day.gap")
    assert gap.takes == ("100/B.mov", "101/C.mov")


def test_sound_recorder_runs_beside_the_camera() -> None:
    takes = [
        take("A.mov", "10:00:00:00"),
        take("A.wav", "09:59:00:00", picture=False, seconds=600),
    ]
    assert check_whole_day(takes, LIMITS) == ()
    assert camera_of(takes[1]) == "sound recorder"


def test_a_picture_that_is_lost_was_not_recorded_by_a_sound_recorder() -> None:
    assert camera_of(take("A.mov", picture=False, picture_lost=True)) == ""


# --------------------------------------------------------------------------- duplicates


def test_copies_are_grouped_by_bytes_and_by_content() -> None:
    takes = [
        take("A.mov", fingerprint="1", content="x"),
        take("again/A.mov", fingerprint="1", content="x"),
        take("rewrapped.mkv", fingerprint="2", content="x"),
        take("B.mov", fingerprint="3", content="y"),
        take("C.mov", fingerprint="4", content="z"),
        take("D.mov", fingerprint="4", content="z"),
        lost("E.mov"),
    ]
    first, second = found(takes, "day.duplicate")
    assert first.takes == ("A.mov", "again/A.mov", "rewrapped.mkv")
    assert "wrapped differently" in first.message
    assert second.takes == ("C.mov", "D.mov")
    assert "the same file" in second.message


def test_takes_without_marks_are_no_copies_of_each_other() -> None:
    takes = [take(f"{n}.mov", fingerprint="", content="") for n in range(3)]
    assert not found(takes, "day.duplicate")


def test_empty_pictures_of_two_moments_are_no_copies() -> None:
    def pair(second: str, exposure: tuple[float, ...]) -> list[DayTake]:
        takes = [
            take("A.mov", "10:00:00:00", content="black", exposure=exposure),
            take("B.mov", second, content="black", exposure=exposure),
        ]
        for one in takes:
            one.document["day"]["strips"]["sound"] = None
        return takes

    nothing, something = (0.0, 0.0, 0.0), (40.0, 40.1, 40.0)
    assert not found(pair("11:00:00:00", nothing), "day.duplicate")
    assert found(pair("10:00:00:00", nothing), "day.duplicate")
    # Pictures with something in them never agree to the last bit.
    assert found(pair("11:00:00:00", something), "day.duplicate")


def test_copy_stands_where_its_original_does() -> None:
    takes = [
        take("A.mkv", fingerprint="1", content="x"),
        take("A.mov", "10:00:00:00", fingerprint="2", content="x"),
    ]
    assert day_times(takes)["A.mkv"] == day_times(takes)["A.mov"]


# --------------------------------------------------------------------------- odd format


def rest(count: int = 3, **facts: Any) -> list[DayTake]:
    return [take(f"r{n}.mov", **facts) for n in range(count)]


@pytest.mark.parametrize(
    ("odd", "usual", "says"),
    [
        ({"rate": 25}, {"rate": 50}, "25 frames a second where the day's others"),
        ({"rate": NTSC_30}, {"rate": 30}, "29.97 frames a second"),
        ({"width": 1280, "height": 720}, {}, "1280 × 720 pixels"),
        ({"rotation": 90}, {}, "1080 × 1920 pixels"),
        ({"scan": "top field first"}, {}, "fields (interlaced, top field first)"),
        ({"range": "full"}, {}, "full range"),
        ({"codec": "hevc"}, {}, "H.265 (HEVC) where the day's others record H.264"),
        ({"bit_depth": 10}, {}, "10\N{NO-BREAK SPACE}bits"),
        ({"audio": (1, 1)}, {}, "2\N{NO-BREAK SPACE}sound tracks with 1"),
        ({"audio": ()}, {}, "no sound where the day's others record one sound track"),
        ({"sample_rate": 44_100}, {}, "44\N{NO-BREAK SPACE}100 samples of sound"),
    ],
)
def test_odd_take_is_named_with_what_is_odd(
    odd: dict[str, Any], usual: dict[str, Any], says: str
) -> None:
    (note,) = check_whole_day([*rest(**usual), take("odd.mov", **odd)], LIMITS)
    assert (note.rule, note.grade) == ("day.odd_format", Grade.REVIEW)
    assert note.takes == ("odd.mov",)
    assert note.message.startswith("odd.mov records ")
    assert says in note.message


def test_all_that_is_odd_stands_in_one_sentence() -> None:
    odd = take("odd.mov", rate=25, bit_depth=10)
    (note,) = check_whole_day([*rest(rate=50), odd], LIMITS)
    assert note.message == (
        "odd.mov records 25 frames a second where the day's others record 50 frames a "
        "second and 10\N{NO-BREAK SPACE}bits where they record 8\N{NO-BREAK SPACE}bits."
    )
    assert "50 frames a second and 8" in note.advice


def test_takes_that_are_odd_alike_are_told_together() -> None:
    takes = [*rest(6, rate=50), *(take(f"o{n}.mov", rate=25) for n in range(2))]
    (note,) = check_whole_day(takes, LIMITS)
    assert note.takes == ("o0.mov", "o1.mov")
    assert "o0.mov and o1.mov record 25" in note.message


@pytest.mark.parametrize("count", [1, 2])
def test_two_takes_have_no_majority(count: int) -> None:
    takes = [take("odd.mov", rate=25), *rest(count - 1, rate=50)]
    assert check_whole_day([*takes, lost("x.mov"), lost("y.mov")], LIMITS) == ()


def test_day_without_a_clear_majority_is_told_as_such() -> None:
    takes = [*rest(3, rate=50), *(take(f"s{n}.mov", rate=25) for n in range(3))]
    (note,) = check_whole_day(takes, LIMITS)
    assert len(note.takes) == 6
    assert "not alike: 3 record" in note.message


def test_a_mixed_folder_is_told_once() -> None:
    takes = [
        take("a.mov", rate=25),
        take("b.mov", rate=25, bit_depth=10, codec="hevc"),
        take("c.mov", rate=50, bit_depth=10, codec="av1"),
        take("d.mov", rate=50, codec="vp9"),
    ]
    (note,) = check_whole_day(takes, LIMITS)
    assert note.takes == ("a.mov", "b.mov", "c.mov", "d.mov")
    assert "2 record 25 frames a second (a.mov and b.mov)" in note.message
    assert "; 1 records H.264 (a.mov)" in note.message
    assert "2 record 10\N{NO-BREAK SPACE}bits (b.mov and c.mov)" in note.message


def test_what_files_do_not_tell_is_not_odd() -> None:
    takes = [*rest(3), take("x.mov", scan="unknown")]
    assert check_whole_day(takes, LIMITS) == ()


def test_decoders_of_one_format_are_one_format() -> None:
    takes = [*rest(3, codec="av1"), take("x.mov", codec="libdav1d")]
    assert check_whole_day(takes, LIMITS) == ()


def test_cameras_are_held_against_themselves_and_each_other() -> None:
    a, b = {"model": "One"}, {"model": "Two"}
    takes = [
        *(take(f"a{n}.mov", rate=50, metadata=a) for n in range(6)),
        *(take(f"b{n}.mov", rate=25, metadata=b) for n in range(2)),
        take("a9.mov", rate=50, bit_depth=10, metadata=a),
    ]
    own, camera = check_whole_day(takes, LIMITS)
    assert own.takes == ("a9.mov",)
    assert "where the others of One record" in own.message
    assert camera.takes == ("b0.mov", "b1.mov")
    assert camera.message.startswith("All takes of Two record 25 frames a second")
    assert camera.grade is Grade.REVIEW


def test_another_camera_with_another_codec_is_only_a_note() -> None:
    a, b = {"model": "One"}, {"model": "Two"}
    takes = [
        *(take(f"a{n}.mov", metadata=a) for n in range(6)),
        *(take(f"b{n}.mov", codec="prores", metadata=b) for n in range(2)),
    ]
    (note,) = check_whole_day(takes, LIMITS)
    assert (note.grade, note.rule) == (Grade.NOTE, "day.odd_format")


# ------------------------------------------------------------------------------ cameras


@pytest.mark.parametrize(
    ("metadata", "label"),
    [
        ({}, ""),
        ({"encoder": "Muxer 60.1"}, ""),
        ({"make": "Alpha", "model": "Alpha One"}, "Alpha One"),
        (
            {"make": "Alpha", "model": "One", "device_serial_no": "7"},
            "Alpha One, serial 7",
        ),
        ({"com.apple.quicktime.make": "Alpha", "camera_id": "2"}, "Alpha, camera 2"),
        ({"company_name": "Beta", "product_name": "Cam"}, "Beta Cam"),
        ({"company_name": "FFmpeg", "product_name": "OP1a Muxer"}, ""),
        ({"reel_name": "B007"}, "camera B"),
        ({"reel_name": "morning card"}, ""),
        ({"make": " A\nl\x1b "}, "A l\N{REPLACEMENT CHARACTER}"),
    ],
)
def test_camera_is_labelled_by_what_it_writes(
    metadata: dict[str, str], label: str
) -> None:
    assert camera_of(take("A.mov", metadata=metadata)) == label


def test_unreadable_take_has_no_camera() -> None:
    assert camera_of(lost("A.mov")) == ""


# ------------------------------------------------------------------------------- advice


def test_advice_counts_takes_and_time_and_takes_the_worst_wording() -> None:
    takes = [
        take("A.mov", findings=[finding(0, 100), finding(50, 150)]),
        take(
            "B.mov",
            findings=[
                finding(0, 25, grade=Grade.REJECT, advice="Close it by 2 stops.")
            ],
        ),
        take("C.mov", findings=[finding(0, 5, grade=Grade.NOTE)]),
        take("D.mov"),
    ]
    (sentence,) = day_advice(takes, ())
    # A: 0 to 6 s at 25 frames a second, where its findings overlap only once; B: 1 s.
    assert sentence == (
        "Close it by ⅔ to 2 stops (see each take). "
        "Burnt out in 2 of 4\N{NO-BREAK SPACE}takes, 7.0\N{NO-BREAK SPACE}s in all."
    )


def test_advice_for_several_takes_leaves_out_what_is_of_one() -> None:
    text = (
        "This cast fits a lamp. Take the white balance again. In this recording, "
        "gains of red −0.4 stop bring white near neutral."
    )
    cast: Any = {"rule": "white.cast", "advice": text}
    takes = [take(f"{n}.mov", findings=[finding(0, 25, **cast)]) for n in "AB"]
    (one,) = day_advice(takes[:1], ())
    assert one.startswith(text)
    (both,) = day_advice(takes, ())
    assert both.startswith("Take the white balance again. Colour cast in 2 of 2")


@pytest.mark.parametrize(
    ("doses", "told"),
    [
        (("about ⅓ stop", "more than 2 stops (at least 1⅓)"), "⅓ to more than 2 stops"),
        (("about ⅓ stop (about 1 stop if no channel)", "about ⅔ stop"), "⅓ to ⅔ stop"),
        (("about ⅔ to 1⅓ stops", "about 1 stop"), "⅔ to 1⅓ stops"),
        (("about 1⅓ stops or more", "about 1 stop"), "1 to more than 2 stops"),
        (("at least ⅔ stop (how far is not known)", "about 1 stop"), "⅔ to 1 stop or"),
    ],
)
def test_takes_that_need_other_doses_get_a_range(
    doses: tuple[str, str], told: str
) -> None:
    until = ", until the zebra at 95 % leaves the operative field."
    takes = [
        take(
            f"{n}.mov",
            findings=[finding(0, 25, advice=f"Close the iris by {d}{until}")],
        )
        for n, d in zip("AB", doses, strict=True)
    ]
    for order in (takes, takes[::-1]):
        (sentence,) = day_advice(order, ())
        assert sentence.startswith(f"Close the iris by {told}")
        assert f"(see each take){until} Burnt out in 2 of 2" in sentence
    # The same dose twice, and one alone, are told as they are.
    (alone,) = day_advice(takes[:1], ())
    assert alone.startswith(f"Close the iris by {doses[0]}{until}")


def test_casts_that_go_different_ways_are_told_apart() -> None:
    def cast(name: str, way: str) -> Any:
        message = f"White is {way} (CIEDE2000 9.0 from neutral, limit 6)."
        found = finding(
            0, 25, rule="white.cast", advice="Take it again.", message=message
        )
        return take(name, findings=[found])

    warm = (
        cast("A.mov", "warm by about 45 mired"),
        cast("B.mov", "warm by about 20 mired"),
    )
    (same,) = day_advice(warm, ())
    assert "warm" not in same
    (told,) = day_advice([*warm, cast("C.mov", "strongly green")], ())
    assert told.endswith(" in all: warm in A.mov and B.mov, strongly green in C.mov.")


def test_advice_puts_the_most_useful_first() -> None:
    soft: Any = {"rule": "focus.soft", "advice": "Focus."}
    loud: Any = {"rule": "sound.clipped", "advice": "turn down."}
    takes = [
        take("A.mov", findings=[finding(0, 25, **soft), finding(0, 9)]),
        take("B.mov", findings=[finding(0, 25, **soft)]),
        take("C.mov", findings=[finding(0, 1, grade=Grade.REJECT, **loud)]),
        lost("D.mov"),
        lost("E.mov", stage="worker"),
    ]
    gap = DayFinding("day.gap", Grade.REVIEW, ("A.mov", "B.mov"), "…", "let it run.")
    said = day_advice(takes, [gap, gap])
    # What to do comes first in each, and what it is for behind it.
    assert [s.partition(" ")[0] for s in said] == [
        *("Copy", "Read", "Turn", "Focus.", "Let", "Close")
    ]
    assert "cannot be read (D.mov)" in said[0]
    assert "could not be measured (E.mov)" in said[1]
    assert said[2].startswith("Turn down. Clipped sound in 1 of ")
    assert said[4] == "Let it run. Recording stopped, 2 times: A.mov and B.mov."


def test_advice_names_the_camera_if_only_one_is_at_fault() -> None:
    a, b = {"model": "One"}, {"model": "Two"}
    takes = [
        take("a1.mov", metadata=a, findings=[finding(0, 9)]),
        take("a2.mov", metadata=a, findings=[finding(0, 9)]),
        take("b1.mov", metadata=b),
    ]
    assert "in 2 of 3\N{NO-BREAK SPACE}takes, all of One," in day_advice(takes, ())[0]


def test_advice_names_all_channels_that_need_the_same_together() -> None:
    hums = [
        finding(0, 25, rule="sound.hum", advice=f"Channel {n}: lay the cables apart.")
        | {"channel": n}
        for n in (1, 2, 3)
    ]
    deaf = finding(0, 25, rule="sound.peak", advice="Channel 2: turn it down.")
    said = day_advice([take("A.mov", findings=[*hums, deaf | {"channel": 2}])], ())
    assert [s.partition(". ")[0] for s in said] == [
        "Channels 1, 2 and 3: lay the cables apart",
        "Channel 2: turn it down",
    ]
    assert "1.0\N{NO-BREAK SPACE}s in all" in said[0]  # at the same time: once


def test_advice_does_not_count_copies_again() -> None:
    takes = [
        take("A.mov", fingerprint="1", findings=[finding(0, 25)]),
        take("A copy.mov", fingerprint="1", findings=[finding(0, 25)]),
    ]
    assert "in 1 of 1" in day_advice(takes, ())[0]


def test_clean_day_needs_no_advice() -> None:
    assert day_advice([take("A.mov"), take("B.mov")], ()) == ()


# ------------------------------------------------------------------------ the whole day


@given(st.permutations(range(5)))
def test_order_of_the_takes_does_not_matter(order: list[int]) -> None:
    takes = [
        take("A.mov", "10:00:00:00", fingerprint="f"),
        take("B.mov", "10:01:20:00", rate=50),
        take("C.mov", "10:02:10:00"),
        take("D.mov", "10:00:00:00", fingerprint="f"),
        lost("E.mov"),
    ]
    shuffled = [takes[i] for i in order]
    assert check_whole_day(shuffled, LIMITS) == check_whole_day(takes, LIMITS)
    assert day_times(shuffled) == day_times(takes)


def test_day_without_takes() -> None:
    assert check_whole_day([], LIMITS) == ()
    assert day_advice([], ()) == ()
    assert day_times([]) == {}


def test_hostile_name_does_not_reach_a_sentence() -> None:
    name = "a\x1b[31m\u202eb.mov"
    takes = [take(name, "10:00:00:00"), take("c.mov", "10:01:20:00")]
    (gap,) = found(takes, "day.gap")
    assert "\x1b" not in gap.message
    assert "\u202e" not in gap.message
    assert gap.takes == (name, "c.mov")


def test_one_knock_of_the_iris_is_advised_once_with_the_stronger_dose() -> None:
    def of_take(name: str, dose: str) -> Any:
        burnt = finding(0, 100, advice="Close the iris by about 1 stop.")
        with_it = finding(5, 100, rule="highlights.channel", advice=dose)
        return take(name, findings=[burnt, with_it])

    mild, strong = "Close the iris by ⅔ stop.", "Close the iris by 1⅓ stops."
    (told,) = day_advice([of_take("A.mov", mild), of_take("B.mov", mild)], ())
    assert told.startswith("Close the iris by about 1 stop. Burnt out in 2 of 2")
    assert told.endswith("; with it: colour channel saturates in 2.")
    (told,) = day_advice([of_take("B.mov", strong), of_take("C.mov", strong)], ())
    assert told.startswith(strong)
    # Followed to the letter, the most of all would be too much for the others.
    (told,) = day_advice([of_take("A.mov", mild), of_take("B.mov", strong)], ())
    assert told.startswith("Close the iris by 1 to 1⅓ stops (see each take). Burnt")
    # Elsewhere in the take it is a fault of its own.
    apart = finding(200, 300, rule="highlights.channel", advice=mild)
    takes = [take("A.mov", findings=[finding(0, 100, advice=strong), apart])]
    assert len(day_advice(takes, ())) == 2
