"""Gaps in the time stamps: answers are arithmetic on made-up time stamps."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from qc.measures import default_limits
from qc.measures.base import Measured
from qc.measures.continuity import MEASURE, held_periods
from qc.records import Finding, Grade, Readings, TakeInfo, VideoTrack
from qc.signal import Signal
from qc.store import ColumnStore
from qc.timecode import TimecodeFormat

RATE = Fraction(25)


def _measured(edges: list[int], missing: tuple[Fraction, ...] = ()) -> Measured:
    video = VideoTrack(
        stream=0,
        number=0,
        codec="x",
        pixel_format="yuv420p",
        width=64,
        height=36,
        frame_rate=RATE,
        time_base=Fraction(1, 1000),
        signal=Signal(),
    )
    info = TakeInfo(
        path=Path("a.mov"),
        bytes=1,
        container="mov",
        duration=None,
        video=video,
        audio=(),
        timecode=TimecodeFormat(RATE),
    )
    store = ColumnStore({})
    for _ in edges[:-1]:
        store.append({})
    readings = Readings("picture", video.time_base, np.array(edges, np.int64), store)
    measured = Measured(
        info=info,
        limits=default_limits(),
        picture=readings,
        sound=(),
        totals={},
        missing=missing,
    )
    assert MEASURE.derive is not None
    for name, values in MEASURE.derive(measured).items():
        store.add(f"continuity.{name}", values)
    return measured


def _find(edges: list[int], missing: tuple[Fraction, ...] = ()) -> list[Finding]:
    (check,) = MEASURE.checks
    return list(check(_measured(edges, missing)))


STEADY = [40 * i for i in range(101)]


def test_a_steady_clock_has_no_gap() -> None:
    assert _find(STEADY) == []


def test_stamps_rounded_to_milliseconds_are_no_gap() -> None:
    edges = [round(i * 1001 / 30) for i in range(101)]
    held = held_periods(np.array(edges, np.int64), period_ticks=1001 / 30)
    assert held.max() < 1.5


def test_a_gap_is_found_to_the_frame() -> None:
    # Frames 40 to 49 of 25 a second are not there: frame 39 is held for 11 periods.
    edges = [t for t in STEADY if not 1600 <= t < 2000]
    (finding,) = _find(edges)
    assert (finding.rule, finding.grade) == ("file.gap", Grade.REVIEW)
    assert (finding.start_frame, finding.end_frame) == (39, 50)
    assert finding.worst == pytest.approx(0.44)
    assert "about 10 frames are not there" in finding.message


def test_one_missing_frame_is_a_note() -> None:
    (finding,) = _find([t for t in STEADY if t != 1600])
    assert finding.grade is Grade.NOTE
    assert "about 1 frame is not there" in finding.message


def test_a_long_gap_rejects() -> None:
    edges = [*STEADY[:50], *(t + 3000 for t in STEADY[50:])]
    (finding,) = _find(edges)
    assert finding.grade is Grade.REJECT


# The default limits of continuity.gap_review_seconds and gap_reject_seconds; a gap of
# n frames of 25 a second holds the one before it for (n + 1) / 25 s.
@pytest.mark.parametrize(
    ("frames", "limit"), [(1, None), (3, None), (4, 0.2), (48, 0.2), (49, 2.0)]
)
def test_a_gap_carries_the_limit_that_it_reaches(
    frames: int, limit: float | None
) -> None:
    edges = [*STEADY[:50], *(t + 40 * frames for t in STEADY[50:])]
    (finding,) = _find(edges)
    assert finding.limit == limit
    assert limit is None or finding.worst >= limit - 1e-9


def test_gaps_close_together_are_counted_and_not_taken_for_one_hold() -> None:
    # Frames 40, 45 and 46 are not there: held for 0.08 s and for 0.12 s.
    (finding,) = _find([t for t in STEADY if t not in (1600, 1800, 1840)])
    assert finding.message == (
        "Time stamps jump in 2 places: about 3 frames are not there; the longest hold "
        "is 0.12 s."
    )


def test_frames_that_did_not_decode_are_told_as_damage_only() -> None:
    edges = [t for t in STEADY if t != 1600]
    assert _find(edges, missing=(Fraction(1600, 1000),)) == []


def test_a_rate_that_varies_is_no_gap() -> None:
    # That it varies is told by file.rate.
    steps = np.random.default_rng(3).choice([20, 40, 70], 100)
    edges = np.concatenate([[0], np.cumsum(steps)]).tolist()
    assert _find(edges) == []


def test_long_holds_count_where_the_rate_varies() -> None:
    steps = np.random.default_rng(3).choice([20, 40, 70], 100)
    steps[50] = 400
    edges = np.concatenate([[0], np.cumsum(steps)]).tolist()
    (finding,) = _find(edges)
    assert finding.grade is Grade.REVIEW
    assert finding.start == Fraction(edges[50], 1000)
    assert finding.worst == pytest.approx(0.4)


def test_a_wrongly_declared_rate_is_no_gap_in_every_frame() -> None:
    # 12.5 frames a second in a file that declares 25: file.rate tells it.
    assert _find([80 * i for i in range(51)]) == []
    # A missing frame among them is a gap all the same.
    (finding,) = _find([80 * i for i in range(51) if i != 20])
    assert (finding.start_frame, finding.end_frame) == (38, 42)


def test_how_long_the_last_frame_lasts_is_left_open() -> None:
    assert _find([*STEADY[:-1], 9000]) == []
