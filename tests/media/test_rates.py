"""Rates and lengths that FFmpeg guesses from what is left, or from a single jump."""

from __future__ import annotations

import itertools
from fractions import Fraction
from pathlib import Path

import pytest

from qc.media import probe
from qc.pipeline import check_take
from qc.records import Grade, TakeResult
from tests import synth
from tests.synth import Video


@pytest.mark.parametrize("codec", ["prores_ks", "mjpeg"])
@pytest.mark.parametrize("jump", [Fraction(3, 2), Fraction(5, 3), Fraction(4)])
def test_a_jump_by_a_part_of_a_frame_changes_no_rate(
    tmp_path: Path, codec: str, jump: Fraction
) -> None:
    # 25 pictures a second, in ticks of 1/600 s; after 30 of them a jump.
    ticks = [24 * i + (i >= 30) * round(24 * jump) for i in range(60)]
    kind = {"prores_ks": "yuv422p10le", "mjpeg": "yuvj420p"}[codec]
    video = Video(codec, kind, ticks=ticks, time_base=Fraction(1, 600))
    path = synth.write(tmp_path / "a.mov", synth.scene(60, 96, 64, kind), video)
    info = probe(path)
    assert info.video is not None
    assert info.video.frame_rate == info.timecode.rate == 25
    result = check_take(path)
    assert isinstance(result, TakeResult)
    rules = {f.rule for f in result.findings}
    assert "file.gap" in rules
    assert "file.rate" not in rules


def test_a_rate_by_turns_is_not_made_slower(tmp_path: Path) -> None:
    # Film in a clock of 60: pictures are shown for two and three ticks by turns.
    ticks = [(5 * i + 1) // 2 for i in range(60)]
    video = Video("mjpeg", "yuvj420p", ticks=ticks, time_base=Fraction(1, 60))
    pictures = synth.scene(60, 96, 64, "yuvj420p")
    info = probe(synth.write(tmp_path / "a.mov", pictures, video))
    assert info.video is not None
    assert info.video.frame_rate in (24, 60)


@pytest.mark.parametrize(("slow", "rate"), [(20, 30), (40, 24)])
def test_two_rates_one_after_the_other_declare_no_third(
    tmp_path: Path, slow: int, rate: int
) -> None:
    # In ticks of 1/600 s: 24 a second take 25, 30 take 20. All fit into 120 a second.
    steps = [25] * slow + [20] * (60 - slow)
    ticks = [0, *itertools.accumulate(steps)][:60]
    video = Video("mjpeg", "yuvj420p", ticks=ticks, time_base=Fraction(1, 600))
    path = synth.write(tmp_path / "a.mov", synth.scene(60, 96, 64, "yuvj420p"), video)
    info = probe(path)
    assert info.video is not None
    assert info.video.frame_rate == info.timecode.rate == rate


@pytest.mark.parametrize("share", [0.5, 0.8])
def test_an_avi_that_was_cut_ends_early(tmp_path: Path, share: float) -> None:
    video = Video("mjpeg", "yuvj420p")
    pictures = synth.scene(100, 96, 64, "yuvj420p")
    path = synth.write(tmp_path / "a.avi", pictures, video)
    whole = probe(path)
    assert whole.frames_expected == 100
    assert whole.duration == Fraction(4)

    data = path.read_bytes()
    path.write_bytes(data[: round(share * len(data))])

    result = check_take(path)
    assert isinstance(result, TakeResult)
    assert result.info.frames_expected == 100
    (early,) = (f for f in result.findings if "ends early" in f.message)
    assert early.rule == "file.damaged"
    # All pictures have about the same size.
    gone = (100 - result.coverage.frames_read) / 25
    assert gone == pytest.approx(4 * (1 - share), abs=0.2)
    assert early.worst == pytest.approx(25 * gone, abs=1)
    assert early.grade == (Grade.REJECT if gone >= 1 else Grade.REVIEW)


def test_an_avi_with_more_behind_it_is_not_cut(tmp_path: Path) -> None:
    pictures = synth.scene(20, 96, 64, "yuvj420p")
    path = synth.write(tmp_path / "a.avi", pictures, Video("mjpeg", "yuvj420p"))
    path.write_bytes(path.read_bytes() + bytes(1000))
    assert probe(path).frames_expected == 20
