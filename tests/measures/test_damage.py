"""Damage becomes findings: at its place, with its length, and nowhere else.

What damage does to frames is found by decoding with PyAV alone; times and counts follow
from where the damage was put. Exact arithmetic otherwise.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from qc.measures import damage
from qc.measures.base import Measured
from qc.pipeline import check_take
from qc.records import Finding, Grade, Readings, TakeFailure, TakeResult
from qc.report.spotwords import summary_sentences
from qc.spot import spot_take
from tests import synth
from tests.pictures import measure, picture, setup_of
from tests.synth import Sound, Video

GREY = np.full((16, 32), 100, np.uint8)


def take(
    frames: int,
    *,
    damaged: Iterable[int] = (),
    missing: Iterable[float] = (),
    changed_format: int = 0,
) -> Measured:
    """Return a take of 25 frames a second; `missing` counts frames."""
    bad = set(damaged)
    pictures = [picture(GREY, index=i, damaged=i in bad) for i in range(frames)]
    measured = measure(pictures, setup_of(), [damage.MEASURE])
    return replace(
        measured,
        missing=tuple(Fraction(m) / 25 for m in missing),
        changed_format=changed_format,
    )


def found(measured: Measured) -> list[Finding]:
    return [f for check in damage.MEASURE.checks for f in check(measured)]


def places(findings: Iterable[Finding]) -> list[tuple[int, int]]:
    return [(f.start_frame, f.end_frame) for f in findings]


def checked(path: Path) -> TakeResult:
    result = check_take(path)
    assert isinstance(result, TakeResult), result
    return result


def damage_of(result: TakeResult) -> list[Finding]:
    return [f for f in result.findings if f.rule == "file.damaged"]


# --------------------------------------------------------------------------- the rule


def test_a_whole_take_has_no_damage() -> None:
    assert found(take(50)) == []


def test_damaged_frames_are_a_stretch() -> None:
    (finding,) = found(take(50, damaged=range(10, 20)))
    assert places([finding]) == [(10, 20)]
    assert finding.worst == 10
    assert finding.unit == "frames"
    assert finding.message == (
        "The file is damaged here: 10 frames decoded with errors or built on such a "
        "frame."
    )
    assert "card" in finding.advice


@pytest.mark.parametrize(
    ("seconds", "grade"),
    [(Fraction(24, 25), Grade.REVIEW), (Fraction(1), Grade.REJECT)],
)
def test_damage_of_a_second_rejects(seconds: Fraction, grade: Grade) -> None:
    # House choice: damage.reject_seconds is 1.
    (finding,) = found(take(100, damaged=range(10, 10 + int(seconds * 25))))
    assert finding.grade is grade


def test_stretches_less_than_half_a_second_apart_are_one() -> None:
    # 12 frames are 0.48 s, 13 are 0.52 s.
    assert places(found(take(80, damaged=[10, 23]))) == [(10, 24)]
    assert places(found(take(80, damaged=[10, 24]))) == [(10, 11), (24, 25)]


def test_the_frame_shown_is_the_last_that_errors_have_built_up_in() -> None:
    (finding,) = found(take(60, damaged=[*range(10, 14), *range(20, 26)], missing=[28]))
    assert places([finding]) == [(10, 29)]
    assert (finding.worst_frame, finding.worst_pts_row) == (25, 25)
    # What is missing cannot be shown: the frame that is held for it is.
    (finding,) = found(take(60, missing=[28]))
    assert finding.worst_frame == 28


def test_a_missing_frame_is_held_by_the_one_before() -> None:
    (finding,) = found(take(50, missing=[20.5]))
    assert places([finding]) == [(20, 21)]
    assert finding.message == "The file is damaged here: 1 frame missing."


def test_missing_and_damaged_frames_are_told_together() -> None:
    (finding,) = found(take(50, damaged=[21], missing=[20, 20.5]))
    assert places([finding]) == [(20, 22)]
    assert finding.message == (
        "The file is damaged here: 1 frame decoded with errors or built on such a "
        "frame and 2 frames missing."
    )


@pytest.mark.parametrize("moment", [-3, 50, 400])
def test_frames_missing_beyond_the_ends_are_told_at_the_ends(moment: int) -> None:
    (finding,) = found(take(50, missing=[moment]))
    assert places([finding]) == [(0, 1) if moment < 0 else (49, 50)]
    assert "1 frame missing" in finding.message


def test_frames_of_another_size_are_told() -> None:
    measured = take(50, missing=range(50, 60), changed_format=10)
    (finding,) = found(measured)
    assert "10 frames missing or of another size" in finding.message
    assert damage.MEASURE.notes is not None
    (note,) = damage.MEASURE.notes(measured)
    assert "10 frames of another kind than the first could not be measured" in note


@pytest.mark.parametrize("short", [0, 3, 4, 30])
def test_a_take_shorter_than_announced(short: int) -> None:
    # House choice: up to three frames are no matter.
    measured = take(50)
    video = replace(measured.info.video, frames_expected=50 + short)  # type: ignore[type-var]
    info = replace(measured.info, video=video, duration=Fraction(50 + short, 25))
    findings = found(replace(measured, info=info))
    if short <= 3:
        assert findings == []
        return
    (finding,) = findings
    assert places(findings) == [(49, 50)]
    assert finding.worst == short
    assert (
        f"about {short / 25:.1f} s that it announces are not there" in finding.message
    )


@pytest.mark.parametrize(("sound_s", "told"), [(4.0, False), (2.0, True)])
def test_a_length_of_picture_and_sound_together(sound_s: float, told: bool) -> None:
    # 50 frames are 2 s, 4 s are announced for both: the sound may be the longer one.
    measured = take(50)
    info = replace(
        measured.info,
        video=replace(measured.info.video, frames_expected=None),  # type: ignore[type-var]
        duration=Fraction(4),
        shared_duration=True,
    )
    assert info.frames_expected is None
    edges = np.arange(round(sound_s * 100) + 1, dtype=np.int64)
    sound = Readings("sound", Fraction(1, 100), edges, {}, None)
    findings = list(
        damage._cut_short(
            replace(measured, info=info, sound=(sound,)),
            measured.picture,  # type: ignore[arg-type]
        )
    )
    assert [f.worst for f in findings] == [50] * told


def test_figures() -> None:
    assert damage.MEASURE.summarise is not None
    figures = damage.MEASURE.summarise(take(50, damaged=[3, 4], missing=[9]))
    assert figures == {
        "damaged_frames": 2,
        "missing_frames": 1,
        "stray_frames": 0,
    }


# -------------------------------------------------------------------------- whole takes


@pytest.mark.parametrize(
    ("ending", "video"),
    [
        ("mp4", Video(options=synth.h264())),
        ("mov", Video("mpeg2video", options={"b": "3000000", "bf": "2", "g": "12"})),
        ("mov", Video("prores_ks", "yuv422p10le")),
        ("ts", Video(options=synth.h264())),
    ],
)
@pytest.mark.parametrize("place", [9, 30])
def test_every_frame_that_differs_lies_in_a_finding(
    tmp_path: Path, ending: str, video: Video, place: int
) -> None:
    pictures = synth.scene(60, 320, 192, video.pixel_format)
    whole = synth.write(tmp_path / f"a.{ending}", pictures, video)
    coded = synth.coded_pictures(whole)
    first = coded[place].place + 30
    broken = synth.overwrite(
        whole, tmp_path / f"b.{ending}", first, coded[place + 1].place + 40, place
    )

    result = checked(broken)

    stretches = [(f.start, f.end) for f in damage_of(result)]
    assert stretches
    assert result.grade.rank >= Grade.REVIEW.rank
    assert result.info.video is not None
    base = result.info.video.time_base
    good, bad = synth.luma_by_time(whole), synth.luma_by_time(broken)
    for time, luma in good.items():
        at = time * base - result.info.origin
        if time not in bad or synth.differs_visibly(luma, bad[time]):
            assert any(start <= at < end for start, end in stretches), at
    # From the next key frame on all is well.
    key = min((c.pts for c in coded[place + 2 :] if c.key), default=None)
    if key is not None:
        assert max(end for _, end in stretches) <= key * base - result.info.origin
    assert not any(
        start <= u.start < end for u in result.usable for start, end in stretches
    )
    assert result.coverage.frames_damaged + result.coverage.frames_missing > 0


def test_a_recording_cut_short_is_measured_as_far_as_it_goes(tmp_path: Path) -> None:
    whole = synth.write(
        tmp_path / "a.mov",
        synth.scene(100, 192, 96),
        Video(options=synth.h264()),
        [Sound(synth.ramps(2, 192_000))],
        options={"movflags": "+faststart"},
    )
    coded = synth.coded_pictures(whole)
    cut = tmp_path / "b.mov"
    cut.write_bytes(whole.read_bytes()[: coded[50].place])

    result = checked(cut)

    # 50 of 100 coded pictures are there: 2 of 4 seconds.
    assert 47 <= result.coverage.frames_read <= 50
    assert result.coverage.frames_expected == 100
    finding = damage_of(result)[-1]
    assert "The file ends early" in finding.message
    assert finding.worst == pytest.approx(50, abs=3)
    assert finding.grade is Grade.REJECT


def test_a_recording_without_its_index_is_a_failure_not_an_exception(
    tmp_path: Path,
) -> None:
    video = Video(options=synth.h264())
    whole = synth.write(tmp_path / "a.mov", synth.scene(30), video)
    cut = tmp_path / "b.mov"
    cut.write_bytes(whole.read_bytes()[: whole.stat().st_size * 2 // 3])
    result = check_take(cut)
    assert isinstance(result, TakeFailure)
    assert result.stage == "open"
    assert "has no index" in result.message


def test_sound_that_is_missing_is_damage(tmp_path: Path) -> None:
    quiet = np.full((1, 144_000), 300, np.int16)
    sounds = [
        Sound(quiet, layout="mono"),
        Sound(quiet, layout="mono", gaps=[(48_000, Fraction(3, 2))]),
    ]
    clip = synth.write(
        tmp_path / "a.mkv",
        synth.scene(110, 64, 48),
        Video(options=synth.h264()),
        sounds,
    )
    (finding,) = damage_of(checked(clip))
    assert finding.message == "Sound track 2 is missing for 1.50 s here."
    assert finding.channel == 2
    assert (finding.start, finding.end) == (1, Fraction(5, 2))
    assert finding.grade is Grade.REJECT


def test_sound_that_is_missing_in_places_says_in_how_many(tmp_path: Path) -> None:
    quiet = np.full((1, 144_000), 300, np.int16)
    # 0.3 s are missing from 1.0 s on, and again after 0.2 s of sound.
    gaps = [(48_000, Fraction(3, 10)), (57_600, Fraction(3, 10))]
    clip = synth.write(
        tmp_path / "a.mkv",
        synth.scene(110, 64, 48),
        Video(options=synth.h264()),
        [Sound(quiet, layout="mono", gaps=gaps)],
    )
    (finding,) = damage_of(checked(clip))
    assert finding.message == ("Sound track 1 is missing for 0.60 s here, in 2 places.")
    assert (finding.start, finding.end) == (1, Fraction(9, 5))


def test_a_picture_that_changes_its_size_is_for_review(tmp_path: Path) -> None:
    options = synth.h264(b_frames=0)
    one = synth.write(tmp_path / "a.ts", synth.scene(40), Video(options=options))
    two = synth.write(
        tmp_path / "b.ts", synth.scene(15, 128, 64), Video(options=options)
    )
    joined = tmp_path / "c.ts"
    joined.write_bytes(one.read_bytes() + two.read_bytes())
    result = checked(joined)
    assert any("of another size" in f.message for f in damage_of(result))
    assert any("changes its size or format" in n for n in result.notes)
    assert result.coverage.frames_read == 40


# ------------------------------------------------------------------------------ sound


def tone(seconds: float, *, channels: int = 1, rate: int = 48_000) -> Sound:
    wave = 0.2 * np.sin(np.arange(round(seconds * rate)) * 2 * np.pi * 440 / rate)
    layout = "mono" if channels == 1 else "stereo"
    samples = np.stack([wave] * channels).astype(np.float32)
    return Sound(samples, "aac", "fltp", rate=rate, layout=layout)


@pytest.mark.parametrize(
    ("second", "told"),
    [
        (tone(2, channels=1), "1 channel"),
        (tone(2, channels=2, rate=44_100), "44100 Hz"),
        (tone(2, channels=1, rate=44_100), "1 channel and 44100 Hz"),
    ],
)
@pytest.mark.parametrize("ending", ["aac", "ts"])
def test_sound_that_changes_its_kind_is_told_in_its_place(
    tmp_path: Path, ending: str, second: Sound, told: str
) -> None:
    kind = "adts" if ending == "aac" else "mpegts"
    first = tone(2, channels=2)
    parts = [
        synth.write(tmp_path / f"{i}.{ending}", sounds=[s], container=kind)
        for i, s in enumerate((first, second))
    ]
    joined = tmp_path / f"c.{ending}"
    joined.write_bytes(b"".join(p.read_bytes() for p in parts))

    result = checked(joined)

    (finding,) = damage_of(result)
    assert f"Sound track 1 changes to {told} here: what follows" in finding.message
    assert finding.grade is Grade.REJECT
    # AAC adds up to two frames of priming and filling, 0.05 s, to each part.
    assert float(finding.start) == pytest.approx(2, abs=0.06)
    assert float(finding.end) == pytest.approx(4, abs=0.12)
    assert result.duration == finding.end
    assert all(u.end <= finding.start + Fraction(1, 25) for u in result.usable)


@pytest.mark.parametrize(
    ("there", "announced", "grade"),
    [
        (2.0, 2.0, None),
        (1.95, 2.0, None),  # house choice: 0.1 s
        (9.85, 10.0, None),  # house choice: 2 %
        (1.5, 2.0, Grade.REVIEW),
        (1.0, 2.5, Grade.REJECT),
    ],
)
def test_a_wav_cut_short_is_told(
    tmp_path: Path, there: float, announced: float, grade: Grade | None
) -> None:
    rate = 8000
    samples = np.full((1, round(announced * rate)), 3000, np.int16)
    whole = synth.write(
        tmp_path / "a.wav", sounds=[Sound(samples, rate=rate, layout="mono")]
    )
    gone = 2 * round((announced - there) * rate)
    cut = tmp_path / "b.wav"
    cut.write_bytes(whole.read_bytes()[: whole.stat().st_size - gone])

    findings = damage_of(checked(cut))

    assert [f.grade for f in findings] == ([] if grade is None else [grade])
    for finding in findings:
        assert finding.worst == pytest.approx(announced - there)
        assert finding.message == (
            f"The file ends early: about {announced - there:.1f} s of sound that it "
            "announces are not there."
        )


def test_a_clock_that_jumps_ten_years_does_not_fill_the_disk(tmp_path: Path) -> None:
    samples = np.full((1, 96_000), 3000, np.int16)
    ten_years = Fraction(3650 * 86_400)
    sound = Sound(samples, layout="mono", gaps=[(48_000, ten_years)])
    result = checked(synth.write(tmp_path / "a.mkv", sounds=[sound]))
    assert damage_of(result) == []
    assert [r.rows for r in result.sound] == [200]


# ------------------------------------------------------------- a picture that is lost


def without_pictures(folder: Path, *, sound: bool, seconds: int = 2) -> Path:
    """Write a take whose coded pictures are zeros; its sound too, unless it is kept."""
    tone = 0.2 * np.sin(np.arange(48_000 * seconds) / 7).astype(np.float32)
    sound_track = Sound(
        tone[np.newaxis], codec="aac", sample_format="fltp", layout="mono"
    )
    whole = synth.write(
        folder / "whole.mov",
        synth.scene(50),
        Video(options=synth.h264()),
        [sound_track],
    )
    data = bytearray(whole.read_bytes())
    for coded in synth.coded_pictures(whole):
        data[coded.place : coded.place + coded.size] = bytes(coded.size)
    if not sound:
        at = data.index(b"mdat")
        size = int.from_bytes(data[at - 4 : at], "big")
        data[at + 4 : at - 4 + size] = bytes(size - 8)
    broken = folder / "a.mov"
    broken.write_bytes(data)
    return broken


@pytest.mark.parametrize("check", [check_take, spot_take])
def test_a_picture_that_is_lost_rejects_the_take_though_its_sound_is_whole(
    tmp_path: Path, check: Callable[[Path], TakeResult | TakeFailure]
) -> None:
    result = check(without_pictures(tmp_path, sound=True))
    assert isinstance(result, TakeResult), result
    assert result.info.video is None
    assert result.info.picture_lost
    assert result.grade is Grade.REJECT
    assert result.usable == ()
    (finding,) = damage_of(result)
    assert finding.grade is Grade.REJECT
    assert (finding.start, finding.end) == (0, result.duration)
    assert "No frame of the picture can be decoded" in finding.message
    assert "Copy the file again from the card, and keep the card" in finding.advice
    if result.coverage.spot is not None:
        assert "every frame" not in " ".join(summary_sentences(result))


def test_a_lost_picture_is_told_of_the_whole_take_though_little_is_looked_at(
    tmp_path: Path,
) -> None:
    path = without_pictures(tmp_path, sound=True, seconds=60)
    ticks = iter(range(100_000))
    # Every look at the clock costs a second: there is time for the start alone.
    result = spot_take(path, within=30, clock=lambda: float(next(ticks)))
    assert isinstance(result, TakeResult), result
    assert result.coverage.spot is not None
    assert result.coverage.spot.reading != "everything"
    assert result.grade is Grade.REJECT
    (finding,) = damage_of(result)
    assert finding.start == 0
    # A frame of AAC, 1024 samples, is as long as 21 ms.
    assert finding.end == pytest.approx(float(result.duration), abs=0.03)


@pytest.mark.parametrize("check", [check_take, spot_take])
def test_a_file_of_which_nothing_can_be_decoded_is_unreadable(
    tmp_path: Path, check: Callable[[Path], TakeResult | TakeFailure]
) -> None:
    path = without_pictures(tmp_path, sound=False)
    failure = check(path)
    assert isinstance(failure, TakeFailure), failure
    assert failure.stage == "decode"
    assert failure.message == (
        f"{path}: neither picture nor sound of it can be decoded; copy the file again "
        "from the card, and keep the card"
    )


@pytest.mark.parametrize("check", [check_take, spot_take])
def test_a_picture_in_an_unknown_format_is_not_taken_for_sound_alone(
    tmp_path: Path, check: Callable[[Path], TakeResult | TakeFailure]
) -> None:
    rows = np.full((2, 96_000), 100, np.int16)
    video = Video(options=synth.h264())
    known = synth.write(tmp_path / "k.mov", synth.scene(50), video, [Sound(rows)])
    data = known.read_bytes()
    assert data.count(b"avc1") == 1
    # ISO/IEC 14496-12, 8.5.2: the four letters name the kind of coding.
    unknown = tmp_path / "a.mov"
    unknown.write_bytes(data.replace(b"avc1", b"zqx9"))
    result = check(unknown)
    assert isinstance(result, TakeResult), result
    assert result.info.picture_lost
    assert any("unknown format" in one for one in result.info.left_out)
    assert result.grade is Grade.REJECT
    (finding,) = damage_of(result)
    assert "in a format that cannot be read here" in finding.advice


def test_sound_that_never_had_a_picture_has_lost_none(tmp_path: Path) -> None:
    quiet = np.full((2, 48_000), 100, np.int16)
    result = checked(synth.write(tmp_path / "a.wav", sounds=[Sound(quiet)]))
    assert not result.info.picture_lost
    assert damage_of(result) == []
