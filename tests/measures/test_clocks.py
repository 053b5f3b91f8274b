"""Declared against real rate, and sound against picture: arithmetic on time stamps.

Made-up stamps first, then recordings written with sound that starts late or ends early.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from qc.measures.base import Measured, Setup
from qc.measures.clocks import MEASURE, rate_error
from qc.measures.parts.stillness.periods import periods_of
from qc.media import TakeReader, probe
from qc.records import AudioTrack, Finding, Grade, Picture, Readings, SoundBlock
from qc.store import ColumnStore
from tests import synth
from tests.pictures import setup_of
from tests.synth import Sound, Video

NTSC = Fraction(30000, 1001)


def take(
    edges: Any, *, rate: Fraction = Fraction(25), tick: Fraction = Fraction(1, 1000)
) -> Measured:
    """Return a take of nothing but time stamps."""
    setup = setup_of(rate=rate)
    video = setup.info.video
    assert video is not None
    store = ColumnStore({})
    for _ in edges[:-1]:
        store.append({})
    return Measured(
        info=replace(setup.info, video=replace(video, time_base=tick)),
        limits=setup.limits,
        picture=Readings("picture", tick, np.array(edges, np.int64), store),
        sound=(),
        totals={},
    )


def with_sound(
    measured: Measured, start_s: float, end_s: float, **figures: object
) -> Measured:
    track = AudioTrack(1, 0, "pcm", 1, "mono", 48_000, 1)
    edges = np.arange(round(start_s * 100), round(end_s * 100) + 1)
    store = ColumnStore({})
    store.extend({}, len(edges) - 1)
    spans = {"start_s": start_s, "end_s": end_s, "slips": 0, "slipped_s": 0.0}
    return replace(
        measured,
        sound=(Readings("sound", Fraction(1, 100), edges, store, track),),
        totals={"clocks": {"tracks": [spans | figures]}},
    )


def found(measured: Measured, rule: str = "") -> list[Finding]:
    (check,) = MEASURE.checks
    return [f for f in check(measured) if f.rule.endswith(rule)]


def places(findings: list[Finding]) -> list[tuple[int, int]]:
    return [(f.start_frame, f.end_frame) for f in findings]


# --------------------------------------------------------------------------------- rate


def steady(rate: Fraction, frames: int, tick: Fraction) -> list[int]:
    return [round(Fraction(i) / rate / tick) for i in range(frames + 1)]


@pytest.mark.parametrize("rate", [Fraction(25), Fraction(50), NTSC, Fraction(24)])
@pytest.mark.parametrize("tick", [Fraction(1, 1000), Fraction(1, 90_000)])
@pytest.mark.parametrize("frames", [13, 100, 2000])
def test_a_rate_that_is_as_declared(
    rate: Fraction, tick: Fraction, frames: int
) -> None:
    assert found(take(steady(rate, frames, tick), rate=rate, tick=tick)) == []


@settings(max_examples=50, deadline=None)
@given(st.integers(200, 2000), st.sampled_from([1000, 12_800, 90_000]))
def test_thirty_declared_and_2997_recorded_is_told(frames: int, ticks: int) -> None:
    tick = Fraction(1, ticks)
    measured = take(steady(NTSC, frames, tick), rate=Fraction(30), tick=tick)
    (finding,) = found(measured)
    assert (finding.rule, finding.grade) == ("file.rate", Grade.REVIEW)
    # 1000/1001 of 30 is 0.0999 % less, and 0.05 % is another rate; stamps in
    # milliseconds allow for 1 ms over the take.
    assert finding.worst == pytest.approx(100 / 1001, abs=0.04)
    assert (finding.limit, finding.unit) == (pytest.approx(0.05), "%")
    assert "its time stamps run at 29.9" in finding.message
    assert places([finding])[0][0] == 0


def test_half_the_declared_rate_is_told() -> None:
    (finding,) = found(take([40 * i for i in range(51)], rate=Fraction(50)))
    assert (finding.worst, finding.unit) == (pytest.approx(50), "%")
    assert "declares 50 frames a second, its time stamps run at 25" in finding.message


def test_a_slightly_fast_clock_is_a_note_once_it_makes_a_frame() -> None:
    # 0.02 % fast: a frame is gained after 5000.
    tick = Fraction(1, 90_000)
    fast = Fraction(25) * Fraction(10_002, 10_000)
    assert found(take(steady(fast, 4000, tick), tick=tick)) == []
    (finding,) = found(take(steady(fast, 6000, tick), tick=tick))
    assert finding.grade is Grade.NOTE
    assert "off by 1.2 frames" in finding.message
    # 6000 frames, 0.02 % of them.
    assert finding.worst == pytest.approx(1.2, abs=0.01)
    assert (finding.limit, finding.unit) == (1.0, "frames")


def test_missing_frames_are_no_other_rate() -> None:
    edges = [40 * i for i in range(201) if i not in (50, 51, 90, 130)]
    assert found(take(edges)) == []


def test_a_rate_that_varies_is_a_note_with_figures() -> None:
    steps = np.random.default_rng(3).choice([20, 40, 70], 100)
    edges = np.concatenate([[0], np.cumsum(steps)])
    (finding,) = found(take(edges))
    assert (finding.rule, finding.grade) == ("file.rate", Grade.NOTE)
    # More than a quarter off the median, 40 ms, are 20 and 70 ms; the last is open.
    assert np.median(steps[:-1]) == 40
    assert finding.worst == pytest.approx(100 * np.mean(steps[:-1] != 40))
    assert (finding.limit, finding.unit) == (pytest.approx(10.0), "%")
    assert f"{1000 / steps[:-1].mean():.5g} frames a second on average" in (
        finding.message
    )
    assert "frames are shown for 20.0 to 70.0 ms" in finding.message
    assert places([finding]) == [(0, round(float(edges[-1]) / 40))]


@pytest.mark.parametrize(
    ("first", "then"),
    [
        (25, NTSC),
        (25, 24),
        (NTSC, 25),
        (25, 50),
        (50, 25),
        (24, Fraction(24_000, 1001)),
    ],
)
@pytest.mark.parametrize("tick", [Fraction(1, 1000), Fraction(1, 90_000)])
@pytest.mark.parametrize("lost", [False, True])
def test_rate_that_changes_is_told_at_the_frame(
    first: int | Fraction, then: int | Fraction, tick: Fraction, *, lost: bool
) -> None:
    stamps = [Fraction(i) / first for i in range(126)]
    stamps += [stamps[-1] + Fraction(i) / then for i in range(1, 101)]
    if lost:
        del stamps[200:203], stamps[40]
    rate = Fraction(first)
    findings = found(take([round(s / tick) for s in stamps], rate=rate, tick=tick))
    if then == Fraction(24_000, 1001):  # a thousandth is no other rate within a take
        assert findings == []
        return
    (finding,) = findings
    assert (finding.rule, finding.grade) == ("file.rate", Grade.REVIEW)
    # Stamps in milliseconds may hide where 40 ms become 41.7.
    row = 125 - lost
    start = round(float(stamps[row] * first))
    assert abs(finding.start_frame - start) <= (2 if tick == Fraction(1, 1000) else 0)
    share = abs(1 - min(first, then) / max(first, then))
    assert finding.worst == pytest.approx(100 * float(share), abs=0.2)
    assert (finding.limit, finding.unit) == (pytest.approx(1.0), "%")
    told = float(finding.message.partition("before, ")[2].partition(" from here")[0])
    assert told == pytest.approx(float(then), rel=2e-3)


def test_single_pauses_and_a_drifting_clock_are_no_change_of_rate() -> None:
    paused = [40 * i + 5000 * (i >= 60) for i in range(130)]
    slow = np.cumsum(40 + 2 * np.sin(np.arange(300) / 40))
    assert all("changes" not in f.message for f in found(take(paused)))
    assert all("changes" not in f.message for f in found(take(np.rint(slow))))


def test_jitter_of_a_phone_is_no_other_rate() -> None:
    random = np.random.default_rng(4)
    ideal = np.arange(300) / 30 * 90_000 + random.normal(0, 60, 300)
    measured = take(np.rint(ideal), rate=Fraction(30), tick=Fraction(1, 90_000))
    assert found(measured) == []


@pytest.mark.parametrize("number", range(12))
def test_a_clock_that_wanders_is_no_other_rate(number: int) -> None:
    # Each frame is a little longer or shorter, by chance: the clock walks off and back.
    random = np.random.default_rng(number)
    steps = 1 / 30 + random.normal(0, 0.0004, 120)
    ideal = np.concatenate([[0], np.cumsum(steps)]) * 90_000
    measured = take(np.rint(ideal), rate=Fraction(30), tick=Fraction(1, 90_000))
    assert found(measured) == []


def test_how_long_the_last_frame_lasts_is_left_open() -> None:
    assert found(take([*(40 * i for i in range(50)), 9000])) == []


@pytest.mark.parametrize("frames", [0, 1, 2, 3])
def test_few_frames_tell_no_rate(frames: int) -> None:
    assert found(take([50 * i for i in range(frames + 1)])) == []


@settings(max_examples=50, deadline=None)
@given(st.lists(st.integers(1, 500), min_size=2, max_size=40))
def test_periods_are_those_of_numpy(steps: list[int]) -> None:
    periods = periods_of(np.concatenate([[0], np.cumsum(steps)]), tick=0.001)
    assert periods is not None
    known = np.array(steps[:-1]) / 1000
    assert periods.median == pytest.approx(float(np.median(known)))
    assert periods.mean == pytest.approx(float(known.mean()))
    assert (periods.shortest, periods.longest) == (known.min(), known.max())
    assert periods.count + periods.odd == len(known)


def test_rate_error_is_a_share() -> None:
    periods = periods_of(np.arange(1001) * 3003, tick=1 / 90_000)
    assert periods is not None
    error = rate_error(periods, declared=30.0, tick=1 / 90_000)
    assert error == pytest.approx(1 / 1.001 - 1, rel=1e-6)


# ------------------------------------------------------------------------------- length


TEN = [40 * i for i in range(251)]


@pytest.mark.parametrize(
    ("late", "grade"),
    [
        (0.0, None),
        (0.09, None),
        (0.1, Grade.NOTE),
        (0.5, Grade.REVIEW),
        (5.0, Grade.REJECT),
    ],
)
def test_sound_that_starts_late(late: float, grade: Grade | None) -> None:
    # House choices: 0.1, 0.5 and 5 s.
    findings = found(with_sound(take(TEN), late, 10.0))
    assert [f.grade for f in findings] == ([] if grade is None else [grade])
    for finding in findings:
        assert finding.rule == "file.length"
        # 0.1 s are two and a half frames: the third is touched, too.
        assert places([finding]) == [(0, int(np.ceil(round(late * 25, 6))))]
        assert f"starts {late:.3f} s after the picture" in finding.message
        assert finding.channel == 1


def test_sound_that_ends_early_or_late() -> None:
    (early,) = found(with_sound(take(TEN), 0.0, 9.2))
    assert places([early]) == [(230, 250)]
    assert "ends 0.800 s before the picture" in early.message
    (late,) = found(with_sound(take(TEN), 0.0, 10.8))
    assert (late.start_frame, late.end_frame) == (250, 270)
    assert "goes on for 0.800 s after the last picture" in late.message
    (before,) = found(with_sound(take(TEN), -0.6, 10.0))
    assert "starts 0.600 s before the first picture" in before.message


def test_what_coding_adds_at_the_end_is_no_fault() -> None:
    # An AAC frame is 1024 samples; priming and filling come to two of them: 43 ms.
    assert found(with_sound(take(TEN), 0.0, 10 + 2 * 1024 / 48_000)) == []
    assert found(with_sound(take(TEN), -2 * 1024 / 48_000, 10.0)) == []


def test_an_open_end_of_the_last_frame_is_not_counted() -> None:
    assert found(with_sound(take([*TEN[:-1], 60_000]), 0.0, 10.0)) == []


def test_a_difference_of_a_thousandth_is_told_as_drift() -> None:
    # Ten minutes of sound made for 30 frames a second beside pictures of 29.97.
    edges = [40 * i for i in range(15_001)]
    (finding,) = found(with_sound(take(edges), 0.0, 600 / 1.001))
    assert finding.grade is Grade.REVIEW
    assert "0.10 % of the take" in finding.message
    assert "45 ms of sound too early or 125 ms too late" in finding.message
    (other,) = found(with_sound(take(edges), 0.0, 597.0))
    assert "drifts" not in other.message


def test_sound_whose_stamps_run_away_is_told() -> None:
    measured = with_sound(take(TEN), 0.0, 10.0, slips=8, slipped_s=0.16)
    (finding,) = found(measured)
    # ITU-R BT.1359-1, from memory: early sound is noticed from 45 ms, refused from 90.
    assert (finding.rule, finding.grade) == ("file.rate", Grade.REVIEW)
    assert (finding.worst, finding.limit, finding.unit) == (0.16, 0.09, "s")
    assert f"runs at {48_000 * (1 - 0.016):.0f} samples a second" in finding.message
    assert "160 ms too early" in finding.message
    (finding,) = found(with_sound(take(TEN), 0.0, 10.0, slips=8, slipped_s=0.06))
    assert finding.grade is Grade.NOTE
    assert (finding.worst, finding.limit) == (0.06, 0.045)
    assert found(with_sound(take(TEN), 0.0, 10.0, slips=8, slipped_s=0.04)) == []
    assert found(with_sound(take(TEN), 0.0, 10.0, slips=2, slipped_s=0.16)) == []


def test_the_reader_counts_samples_and_small_gaps() -> None:
    track = AudioTrack(1, 0, "pcm", 1, "mono", 1000, 1)
    reader: Any = MEASURE.start(setup_of(), track)
    assert reader.finish() == {}
    begins = [30, 130, 250, 2000]
    for i, begin in enumerate(begins):
        block = SoundBlock(
            track=track,
            samples=np.zeros((1, 100), np.float32),
            start=begin,
            first_row=begin // 10,
            row_edges=np.arange(0, 101, 10),
            gap_before=i > 1,
        )
        reader.read(block)
    # The gap of 20 samples is 20 ms, small; that of 1650 is lost sound.
    assert reader.finish() == {
        "start_s": 0.03,
        "end_s": 2.1,
        "slips": 1,
        "slipped_s": 0.02,
    }


# -------------------------------------------------------------------------- whole files


def recorded(path: Path) -> Measured:
    """Read a file's clocks alone."""
    info = probe(path)
    assert info.video is not None
    setup = Setup(info, setup_of().limits)
    readers: dict[int, Any] = {t.stream: MEASURE.start(setup, t) for t in info.audio}
    pts, end = [], 0
    with TakeReader(info) as reader:
        for item in reader:
            if isinstance(item, Picture):
                pts.append(item.pts)
                end = item.pts + item.duration
            else:
                readers[item.track.stream].read(item)
    store = ColumnStore({})
    for _ in pts:
        store.append({})
    tracks = [readers[t.stream].finish() for t in info.audio]
    sounds = []
    for track, figures in zip(info.audio, tracks, strict=True):
        edges = np.arange(
            int(figures["start_s"] * 100), int(np.ceil(figures["end_s"] * 100)) + 1
        )
        sounds.append(_rows(edges, track))
    edges = np.array([*pts, end], np.int64)
    return Measured(
        info=info,
        limits=setup.limits,
        picture=Readings("picture", info.video.time_base, edges, store),
        sound=tuple(sounds),
        totals={"clocks": {"tracks": tracks}},
    )


def _rows(edges: Any, track: AudioTrack) -> Readings:
    store = ColumnStore({})
    store.extend({}, len(edges) - 1)
    return Readings("sound", Fraction(1, 100), edges, store, track)


def sound(seconds: float, start: Fraction = Fraction(0), codec: str = "pcm") -> Sound:
    count = round(seconds * 48_000)
    if codec == "aac":
        wave = 0.1 * np.sin(np.arange(count) / 10)
        return Sound(np.stack([wave] * 2).astype(np.float32), "aac", "fltp")
    return Sound(np.full((2, count), 300, np.int16), start_s=start)


@pytest.mark.parametrize("ending", ["mov", "mkv"])
def test_late_and_short_sound_in_a_file(tmp_path: Path, ending: str) -> None:
    video = Video(options=synth.h264())
    pictures = synth.scene(75, 64, 48)
    track = sound(1.6, Fraction(4, 5))
    clip = synth.write(tmp_path / f"a.{ending}", pictures, video, [track])
    late, early = found(recorded(clip))
    # 0.8 s are 20 frames; 0.8 + 1.6 = 2.4 s are 60 of 75.
    assert places([late, early]) == [(0, 20), (60, 75)]
    assert "starts 0.800 s after" in late.message
    assert "ends 0.600 s before" in early.message


def test_coded_sound_of_full_length_is_clean(tmp_path: Path) -> None:
    video = Video(options=synth.h264())
    pictures = synth.scene(75, 64, 48)
    clip = synth.write(tmp_path / "a.mp4", pictures, video, [sound(3, codec="aac")])
    assert found(recorded(clip)) == []


def test_a_file_of_varying_rate_is_noted(tmp_path: Path) -> None:
    steps = np.random.default_rng(5).choice([30, 40, 60], 75)
    ticks = np.concatenate([[0], np.cumsum(steps)[:-1]]).tolist()
    video = Video(
        options=synth.h264(b_frames=0), ticks=ticks, time_base=Fraction(1, 1000)
    )
    clip = synth.write(tmp_path / "a.mkv", synth.scene(75, 64, 48), video)
    (finding,) = found(recorded(clip))
    assert (finding.rule, finding.grade) == ("file.rate", Grade.NOTE)
    assert "shown for 30.0 to 60.0 ms" in finding.message
