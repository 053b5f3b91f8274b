"""Labels and frame counts, against published values and a second opinion.

Published values are in ``values/timecode.toml``, each with its source; the second
opinion is OpenTimelineIO, and a counter that knows nothing but the drop-frame rule.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from fractions import Fraction
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from opentimelineio.opentime import RationalTime, from_timecode

from qc.timecode import (
    TimecodeError,
    TimecodeFormat,
    clock,
    frames_at,
    is_drop_label,
    seconds_at,
    snap_rate,
)

VALUES: dict[str, Any] = tomllib.loads(
    (Path(__file__).parent / "values" / "timecode.toml").read_text(encoding="utf-8")
)

NTSC_30 = Fraction(30000, 1001)
DROP_30 = TimecodeFormat(NTSC_30, drop_frame=True)
DROP_60 = TimecodeFormat(Fraction(60000, 1001), drop_frame=True)
DROP_120 = TimecodeFormat(Fraction(120000, 1001), drop_frame=True)
DROP_FORMATS = (DROP_30, DROP_60, DROP_120)

# Rates of the trade: ST 12-1 and cameras of higher or lower speed.
NTSC_NOMINAL = (15, 24, 30, 48, 60, 120, 240)
RATES = (
    *(Fraction(r) for r in (10, 12, 20, 25, 50, 100, 200, *NTSC_NOMINAL)),
    *(Fraction(1000 * r, 1001) for r in NTSC_NOMINAL),
    Fraction(25, 2),
)
FORMATS = (*(TimecodeFormat(r) for r in RATES), *DROP_FORMATS)
OTIO_FORMATS = tuple(f for f in FORMATS if 24000 / 1001 <= f.rate <= 60)

any_format = st.sampled_from(FORMATS)
minute_or_second = st.integers(0, 59)
any_rate = st.fractions(
    min_value=Fraction(1, 100), max_value=1000, max_denominator=100_000
)


def named(form: TimecodeFormat) -> str:
    return f"{form.rate}{' drop' if form.drop_frame else ''}"


def counter(nominal: int, dropped: int, *, hour: int = 0) -> Iterator[str]:
    """Count like wheels of digits that skip, with the rule and no arithmetic on frames.

    The rule: numbers 0 to `dropped` - 1 are left out in second 0 of every minute that
    the published list does not except.
    """
    whole = VALUES["drop_rule"]["minutes_that_skip_nothing"]
    mark, width = (";" if dropped else ":"), (3 if nominal > 100 else 2)
    for hh in range(hour, 24):
        for mm in range(60):
            for ss in range(60):
                first = dropped if ss == 0 and mm not in whole else 0
                for ff in range(first, nominal):
                    yield f"{hh:02}:{mm:02}:{ss:02}{mark}{ff:0{width}}"


# ------------------------------------------------------------------ published values


@pytest.mark.parametrize("row", VALUES["drop_count"], ids=lambda row: row["rate"])
def test_drop_counts_are_the_published_ones(row: dict[str, Any]) -> None:
    drop = TimecodeFormat(Fraction(row["rate"]), drop_frame=True)
    assert drop.dropped_per_minute == row["dropped_per_minute"]
    assert drop.frame("00:10:00;00") == row["ten_minutes"]
    assert drop.frame("01:00:00;00") == row["hour"]
    assert drop.frames_per_day == row["day"]
    assert TimecodeFormat(drop.rate).frames_per_day == row["day_non_drop"]
    assert TimecodeFormat(drop.rate).dropped_per_minute == 0


def published_labels() -> list[tuple[TimecodeFormat, int, str]]:
    rows = [
        (row["rate"], row["drop_frame"], row["frame"], row["label"])
        for row in VALUES["label"]
    ]
    rows += [
        (row["rate"], row["drop_frame"], frame, label)
        for row in VALUES["label_series"]
        for frame, label in zip(row["frames"], row["labels"], strict=True)
    ]
    return [(TimecodeFormat(Fraction(r), d), frame, text) for r, d, frame, text in rows]


@pytest.mark.parametrize(("form", "frame", "label"), published_labels())
def test_labels_are_the_published_ones(
    form: TimecodeFormat, frame: int, label: str
) -> None:
    assert form.label(frame) == label
    assert form.frame(label) == frame


@pytest.mark.parametrize("row", VALUES["successor"], ids=lambda row: row["label"])
def test_the_label_after_a_skip_is_the_published_one(row: dict[str, str]) -> None:
    drop = TimecodeFormat(Fraction(row["rate"]), drop_frame=True)
    assert drop.label(drop.frame(row["label"]) + 1) == row["next"]


@pytest.mark.parametrize("row", VALUES["missing_label"], ids=lambda row: row["rate"])
def test_labels_published_as_missing_are_refused(row: dict[str, Any]) -> None:
    drop = TimecodeFormat(Fraction(row["rate"]), drop_frame=True)
    for label in row["labels"]:
        with pytest.raises(TimecodeError, match="does not exist"):
            drop.frame(label)


def test_an_hour_has_the_published_shortfall() -> None:
    hour = TimecodeFormat(Fraction(30)).frame("01:00:00:00")
    assert hour - DROP_30.frame("01:00:00;00") == VALUES["hour_shortfall"]["frames"]


def test_labels_stay_with_the_clock_as_closely_as_arithmetic_says() -> None:
    exact = VALUES["real_time"]
    day = seconds_at(DROP_30.frames_per_day, NTSC_30)
    assert day == Fraction(exact["day_of_drop_labels_s"])
    hour = seconds_at(TimecodeFormat(NTSC_30).frame("01:00:00:00"), NTSC_30)
    assert hour == Fraction(exact["hour_of_non_drop_labels_s"])

    leads = []
    for frame in range(DROP_30.frame("00:10:00;00")):
        hh, mm, ss, ff = map(int, DROP_30.label(frame).replace(";", ":").split(":"))
        shown = 3600 * hh + 60 * mm + ss + Fraction(ff, 30)
        leads.append(shown - seconds_at(frame, NTSC_30))
    assert -min(leads) == Fraction(exact["largest_lag_in_ten_minutes_s"])
    assert max(leads) == Fraction(exact["largest_lead_in_ten_minutes_s"])


# ------------------------------------------------------------------- second opinions


@pytest.mark.parametrize("form", OTIO_FORMATS, ids=named)
def test_opentimelineio_counts_the_same(form: TimecodeFormat) -> None:
    rate = float(form.rate)
    # Ten minutes whole, then a day in steps that meet every frame number.
    whole = range(form.frames_per_day // 144 + 2)
    for frame in (*whole, *range(0, form.frames_per_day, 997)):
        label = form.label(frame)
        assert from_timecode(label, rate).value == form.frame(label) == frame
        # At 1000/1001 its non-drop labels start again after 24 hours of the clock,
        # when the last 86 s of labels are still to come: its own from_timecode
        # contradicts that, so only the way back is compared there.
        if seconds_at(frame, form.rate) < 86_399:
            assert label == RationalTime(frame, rate).to_timecode(rate, form.drop_frame)


@pytest.mark.parametrize("drop", [DROP_30, DROP_60], ids=named)
def test_we_refuse_labels_that_opentimelineio_takes(drop: TimecodeFormat) -> None:
    for ff in range(drop.dropped_per_minute):
        label = f"00:01:00;{ff:02}"
        taken = from_timecode(label, float(drop.rate))
        # It gives the label the frame that another label already has.
        last = drop.frame(f"00:00:59;{drop.nominal - 1}")
        assert last - drop.dropped_per_minute < taken.value <= last
        with pytest.raises(TimecodeError, match=r"first label is 00:01:00;0[24]$"):
            drop.frame(label)


def _worth_reading(n: int, label: str) -> bool:
    """Tell labels beside the turn of a minute, where some are left out, and one in 61.

    Ten minutes, after which the rule repeats, are read whole. 61 has no factor in
    common with any count of frames, so that every number of a frame is met.
    """
    # The last tens of frames before the turn begin with 2 at 30, 5 at 60, 1 at 120.
    return label[6:10] in ("59;2", "59;5", "59;1", "00;0") or n % 61 == 0


@pytest.mark.parametrize("drop", DROP_FORMATS, ids=named)
@pytest.mark.parametrize("hour", [0, 23])
def test_an_hour_reads_like_a_counter_that_skips(
    drop: TimecodeFormat, hour: int
) -> None:
    # 2 and 4 are published; 8 at 119.88 is common practice, no source.
    dropped = {30: 2, 60: 4, 120: 8}[drop.nominal]
    start = hour * drop.frames_per_day // 24
    expected = list(
        islice(counter(drop.nominal, dropped, hour=hour), drop.frames_per_day // 24)
    )
    read = [
        n
        for n, label in enumerate(expected)
        if n < len(expected) // 6 or _worth_reading(n, label)
    ]
    got = [drop.label(start + n) for n in read]
    assert got == [expected[n] for n in read]
    assert expected[-1] == f"{hour:02}:59:59;{drop.nominal - 1}"


@pytest.mark.slow
def test_a_day_reads_like_a_counter_that_skips() -> None:
    n = 0
    for n, label in enumerate(counter(30, 2), 1):
        if _worth_reading(n, label):
            assert DROP_30.label(n - 1) == label
            assert DROP_30.frame(label) == n - 1
    assert n == VALUES["drop_count"][0]["day"]


# ----------------------------------------------------------------------- properties


@given(any_format, st.integers(-10_000_000_000, 10_000_000_000))
def test_a_label_leads_back_to_its_frame(form: TimecodeFormat, frame: int) -> None:
    label = form.label(frame)
    assert form.frame(label) == frame % form.frames_per_day
    assert form.label(form.frame(label)) == label
    assert is_drop_label(label) is form.drop_frame


@given(any_format, st.integers(0, 23), minute_or_second, minute_or_second, st.data())
def test_a_label_is_taken_or_does_not_exist(
    form: TimecodeFormat, hh: int, mm: int, ss: int, data: st.DataObject
) -> None:
    ff = data.draw(st.integers(0, form.nominal - 1))
    mark, width = (";" if form.drop_frame else ":"), (3 if form.nominal > 100 else 2)
    label = f"{hh:02}:{mm:02}:{ss:02}{mark}{ff:0{width}}"
    if form.drop_frame and mm % 10 and ss == 0 and ff < form.nominal // 15:
        with pytest.raises(TimecodeError, match="drop-frame skips frames"):
            form.frame(label)
    else:
        assert form.label(form.frame(label)) == label


@given(any_format, st.integers(-200_000_000, 200_000_000))
def test_labels_start_again_after_a_day(form: TimecodeFormat, frame: int) -> None:
    assert form.label(frame + form.frames_per_day) == form.label(frame)


@given(any_format, st.text(alphabet="0123456789:;. -+٣", max_size=14) | st.text())
def test_any_text_is_a_frame_of_the_day_or_an_error(
    form: TimecodeFormat, text: str
) -> None:
    try:
        frame = form.frame(text)
    except TimecodeError:
        assert form.label(0) != text
    else:
        assert 0 <= frame < form.frames_per_day
    assert is_drop_label(text) in (True, False)


# ------------------------------------------------------------- labels that do not exist


@pytest.mark.parametrize(
    ("drop", "missing"),
    [(DROP_30, 2_592_000 - 2_589_408), (DROP_60, 5_184_000 - 5_178_816)],
    ids=["29.97", "59.94"],
)
def test_a_day_lacks_exactly_the_labels_that_are_skipped(
    drop: TimecodeFormat, missing: int
) -> None:
    # Only second 0 of a minute can lack labels; the ten whole minutes of the counter
    # test and the property above cover the other seconds.
    refused = set()
    for minute in range(24 * 60):
        for ff in range(drop.nominal):
            label = f"{minute // 60:02}:{minute % 60:02}:00;{ff:02}"
            try:
                drop.frame(label)
            except TimecodeError:
                refused.add((minute, ff))
    whole = VALUES["drop_rule"]["minutes_that_skip_nothing"]
    numbers = range({30: 2, 60: 4}[drop.nominal])
    assert refused == {
        (minute, ff)
        for minute in range(24 * 60)
        if minute % 60 not in whole
        for ff in numbers
    }
    assert len(refused) == missing


@pytest.mark.parametrize(
    ("label", "sentence"),
    [
        ("24:00:00:00", "does not exist: hours go from 0 to 23, not 24"),
        ("00:60:00:00", "does not exist: minutes go from 0 to 59, not 60"),
        ("00:00:60:00", "does not exist: seconds go from 0 to 59, not 60"),
        ("00:00:00:25", "does not exist: frames go from 0 to 24, not 25"),
        ("00:00:00;12", "is a drop-frame label"),
        ("00:00:00.12", "is a drop-frame label"),
        ("00:00:01:500", "three digits for the frames"),
        ("00:00:01:5", "cannot be read"),
        ("-00:00:01:05", "cannot be read"),
        ("00:00:01", "cannot be read"),
        ("", "cannot be read: .* as in 12:00:00:00"),
        ("٠٠:٠٠:٠٠:٠٠", "cannot be read"),
        ("00:00:00:00\n00:00:00:01", "cannot be read"),
    ],
)
def test_a_refusal_says_what_is_wrong(label: str, sentence: str) -> None:
    with pytest.raises(TimecodeError, match=sentence) as refusal:
        TimecodeFormat(Fraction(25)).frame(label)
    assert repr(label) in str(refusal.value)


def test_a_drop_format_reads_all_three_marks() -> None:
    for label in ("00:01:00;02", "00:01:00.02", "00:01:00:02", " 0:01:00;02 "):
        assert DROP_30.frame(label) == 1800
    with pytest.raises(TimecodeError, match="00:01:00:01' does not exist"):
        DROP_30.frame("00:01:00:01")


def test_drop_labels_are_known_by_their_mark() -> None:
    # FFmpeg's timecode.c takes anything but ':' before the frames as drop-frame.
    assert is_drop_label("01:00:00;00")
    assert is_drop_label(" 01:00:00.00\n")
    assert not is_drop_label("01:00:00:00")
    assert not is_drop_label("1 h; nothing")


def test_fast_formats_have_three_digits_from_above_100() -> None:
    assert TimecodeFormat(Fraction(100)).label(99) == "00:00:00:99"
    fast = TimecodeFormat(Fraction(120))
    assert fast.label(5) == "00:00:00:005"
    assert fast.frame("00:00:00:05") == fast.frame("00:00:00:005") == 5
    with pytest.raises(TimecodeError, match="first label is 00:01:00;008"):
        DROP_120.frame("00:01:00;007")


# --------------------------------------------------------------------------- formats


@pytest.mark.parametrize(
    ("rate", "nominal"),
    [
        ("24000/1001", 24),
        ("25", 25),
        ("30000/1001", 30),
        ("48000/1001", 48),
        ("60000/1001", 60),
        ("120000/1001", 120),
        ("2941/100", 29),
        ("1/10", 1),
    ],
)
def test_nominal_is_the_whole_number_next_to_the_rate(rate: str, nominal: int) -> None:
    assert TimecodeFormat(Fraction(rate)).nominal == nominal


@pytest.mark.parametrize("rate", [0, -25, Fraction(-1, 3)])
def test_a_rate_must_be_above_zero(rate: int | Fraction) -> None:
    rate = Fraction(rate)
    with pytest.raises(TimecodeError, match=f"must be above zero, got {rate}"):
        TimecodeFormat(rate)
    with pytest.raises(TimecodeError, match="must be above zero"):
        snap_rate(rate)
    with pytest.raises(TimecodeError, match="must be above zero"):
        frames_at(Fraction(1), rate)
    with pytest.raises(TimecodeError, match="must be above zero"):
        seconds_at(1, rate)


@pytest.mark.parametrize("rate", ["24000/1001", "25", "30", "60", "2997/100", "1/30"])
def test_drop_frame_is_refused_where_it_means_nothing(rate: str) -> None:
    with pytest.raises(TimecodeError, match=f"not {rate}: use non-drop labels"):
        TimecodeFormat(Fraction(rate), drop_frame=True)


# ---------------------------------------------------------------------------- rates


@pytest.mark.parametrize(
    ("figure", "standard"),
    [(figure, row["standard"]) for row in VALUES["snap"] for figure in row["figures"]],
)
def test_figures_of_files_become_standard_rates(figure: str, standard: str) -> None:
    assert snap_rate(Fraction(figure)) == Fraction(standard)


@pytest.mark.parametrize("rate", RATES, ids=str)
def test_standard_rates_stay_and_draw_in_their_neighbours(rate: Fraction) -> None:
    assert snap_rate(rate) == rate
    assert snap_rate(rate * Fraction("1.00049")) == rate
    assert snap_rate(rate * Fraction("0.99951")) == rate


def test_half_a_thousandth_is_where_snapping_ends() -> None:
    for figure in ("25.0126", "24.9874", "50.0251"):
        assert snap_rate(Fraction(figure)) == Fraction(figure)


@pytest.mark.parametrize("nominal", NTSC_NOMINAL)
def test_a_rate_and_its_ntsc_twin_are_never_confused(nominal: int) -> None:
    whole, twin = Fraction(nominal), Fraction(1000 * nominal, 1001)
    for step in range(101):
        rate = twin + (whole - twin) * Fraction(step, 100)
        if step != 50:
            assert snap_rate(rate) == (whole if step > 50 else twin)


@pytest.mark.parametrize("rate", ["2941/100", "26", "30.1", "1000/33", "1/1000000000"])
def test_other_rates_stay_as_they_are(rate: str) -> None:
    assert snap_rate(Fraction(rate)) == Fraction(rate)


@given(
    st.fractions(min_value=Fraction(1, 10**9), max_value=1000, max_denominator=10**12)
)
def test_snapping_is_small_settled_and_above_zero(rate: Fraction) -> None:
    snapped = snap_rate(rate)
    assert snapped > 0
    assert snap_rate(snapped) == snapped
    # 0.05 %, and what limiting the denominator costs: under a tenth of a frame a day.
    tenth_of_a_frame_a_day = Fraction(1, 864_000)
    assert abs(snapped - rate) <= snapped * Fraction(5, 10_000) + tenth_of_a_frame_a_day


# -------------------------------------------------------------------------- moments


@given(st.integers(-(10**9), 10**9), any_rate)
def test_a_frame_begins_at_its_own_moment(frame: int, rate: Fraction) -> None:
    assert frames_at(seconds_at(frame, rate), rate) == frame


@given(st.fractions(min_value=-(10**6), max_value=10**6), any_rate)
def test_the_nearest_frame_is_at_most_half_a_frame_away(
    seconds: Fraction, rate: Fraction
) -> None:
    away = (seconds_at(frames_at(seconds, rate), rate) - seconds) * rate
    assert -Fraction(1, 2) < away <= Fraction(1, 2)


def test_halfway_between_frames_is_the_later_one() -> None:
    rate = Fraction(50)
    assert frames_at(Fraction(1, 100), rate) == 1
    assert frames_at(Fraction(3, 100), rate) == 2
    assert frames_at(Fraction(-1, 100), rate) == 0
    assert frames_at(Fraction(1, 100) - Fraction(1, 10**12), rate) == 0


def test_counts_of_numpy_give_plain_numbers() -> None:
    count = np.uint16(1800)
    moment = seconds_at(count, NTSC_30)  # type: ignore[arg-type]
    assert type(moment) is Fraction
    assert type(moment.numerator) is int
    assert DROP_30.label(count) == "00:01:00;02"  # type: ignore[arg-type]


# ---------------------------------------------------------------------------- clock


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (Fraction(0), "0:00:00.000"),
        (Fraction(1, 2000), "0:00:00.001"),
        (Fraction(1, 2000) - Fraction(1, 10**15), "0:00:00.000"),
        (Fraction(119_999, 2000), "0:01:00.000"),
        (Fraction(7_199_999, 2000), "1:00:00.000"),
        (Fraction(360_000), "100:00:00.000"),
        (Fraction(-1, 2000), "0:00:00.000"),
        (Fraction(-3, 2000), "-0:00:00.001"),
        (-61.25, "-0:01:01.250"),
        (0.125, "0:00:00.125"),
        # The double next to 1.0005 lies below it (IEEE 754), so it rounds down.
        (1.0005, "0:00:01.000"),
    ],
)
def test_clock_rounds_exactly(seconds: Fraction | float, text: str) -> None:
    assert clock(seconds) == text


@given(st.integers(0, 10**9))
def test_clock_keeps_every_thousandth(thousandths: int) -> None:
    hours, minutes, seconds = clock(Fraction(thousandths, 1000)).split(":")
    assert len(minutes) == 2
    assert len(seconds) == 6
    total = 3600 * int(hours) + 60 * int(minutes) + Fraction(seconds)
    assert total == Fraction(thousandths, 1000)


@pytest.mark.parametrize("seconds", [float("nan"), float("inf"), float("-inf")])
def test_clock_refuses_what_is_no_moment(seconds: float) -> None:
    with pytest.raises(TimecodeError, match="must be a finite number of seconds"):
        clock(seconds)
