"""The sample takes: what was put in is found, where it was put in, and nothing else."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from qc.measures import all_options, default_limits, load_limits
from qc.pipeline import check_take
from qc.records import Grade, TakeResult

MEDIA = Path(__file__).parents[1] / "sample_media"
TRUTH: dict[str, Any] = json.loads((MEDIA / "truth.json").read_text(encoding="utf-8"))
TAKES = {take["file"]: take for take in TRUTH["takes"]}
# The tolerance: two frames at the edges.
EDGE_FRAMES = 2


@cache
def _checked(name: str, house: bool = True) -> TakeResult:
    limits = load_limits(MEDIA / "house.toml") if house else default_limits()
    result = check_take(MEDIA / name, limits=limits)
    assert isinstance(result, TakeResult)
    return result


def test_truth_lists_exactly_the_takes_that_are_there() -> None:
    assert {p.name for p in MEDIA.glob("take*")} == set(TAKES)


def test_all_together_are_at_most_twelve_megabytes() -> None:
    assert sum(p.stat().st_size for p in MEDIA.glob("take*")) <= 12_000_000


@pytest.mark.parametrize("name", sorted(TAKES))
def test_facts_are_as_put_in(name: str) -> None:
    truth, result = TAKES[name], _checked(name)
    video = result.info.video
    assert video is not None
    assert (video.width, video.height) == (truth["width"], truth["height"])
    assert (
        f"{video.frame_rate.numerator}/{video.frame_rate.denominator}"
        == (truth["frame_rate"])
    )
    assert video.signal.bit_depth == truth["bit_depth"]
    assert result.info.timecode.drop_frame == truth["drop_frame"]
    assert result.info.start_timecode == truth["start_timecode"]
    assert result.coverage.frames_read == truth["frames"]


@pytest.mark.parametrize("name", sorted(TAKES))
def test_findings_are_the_faults_put_in(name: str) -> None:
    result = _checked(name)
    expected = {
        rule: fault
        for fault in TAKES[name]["faults"]
        if not fault["in_ignored_area"]
        for rule in (fault["rule"], *fault["also"])
    }
    serious = [f for f in result.findings if f.grade.rank >= Grade.REVIEW.rank]
    assert sorted(f.rule for f in serious) == sorted(expected)
    for found in serious:
        put_in = expected[found.rule]
        assert found.channel == put_in["channel"]
        assert abs(found.start_frame - put_in["start_frame"]) <= EDGE_FRAMES
        assert abs(found.end_frame - put_in["end_frame"]) <= EDGE_FRAMES
        assert found.message
        assert found.advice
    assert (result.grade is Grade.CLEAN) == (not expected)


@pytest.mark.parametrize("name", sorted(TAKES))
def test_usable_is_what_the_faults_leave(name: str) -> None:
    result = _checked(name)
    spoiled = {
        frame
        for fault in TAKES[name]["faults"]
        if not fault["in_ignored_area"]
        for frame in range(fault["start_frame"], fault["end_frame"])
    }
    for stretch in result.usable:
        inside = set(range(stretch.start_frame, stretch.end_frame))
        assert len(inside & spoiled) <= 2 * EDGE_FRAMES


def test_a_burnt_swab_counts_where_the_house_wants_all_that_burns() -> None:
    """Without the split all that burns counts, until the house names the place."""
    name = next(
        n for n, t in TAKES.items() if any(f["in_ignored_area"] for f in t["faults"])
    )
    (fault,) = TAKES[name]["faults"]
    # Told by itself: the swab is no finding, with the house's region or without.
    assert _checked(name).findings == ()
    assert _checked(name, house=False).findings == ()
    unsplit = default_limits().with_values(
        all_options(), {"highlights.split": False}, source="test"
    )
    result = check_take(MEDIA / name, limits=unsplit)
    assert isinstance(result, TakeResult)
    (found,) = result.findings
    assert found.rule == "highlights.relevant"
    assert abs(found.start_frame - fault["start_frame"]) <= EDGE_FRAMES


def test_labels_in_the_drop_frame_take_skip_what_does_not_exist() -> None:
    name = next(n for n, t in TAKES.items() if t["drop_frame"])
    result = _checked(name)
    grid = result.info.grid
    labels = [grid.label(i) for i in range(TAKES[name]["frames"])]
    assert not {"00:01:00;00", "00:01:00;01"} & set(labels)
    # SMPTE ST 12-1: 00:01:00;02 follows 00:00:59;29.
    assert labels[labels.index("00:00:59;29") + 1] == "00:01:00;02"
