"""Black, frozen and repeated pictures, exact to the frame, before and after coding.

Answers are known by construction: frames are put in twice, at known places, and coded
for real. Rates of new pictures are arithmetic.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from functools import cache
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from qc.measures import exposure
from qc.measures.base import Measured
from qc.measures.parts.stillness.rhythms import cadences
from qc.measures.parts.stillness.stillframes import State
from qc.measures.stillness import MEASURE, frozen_runs, level_percent
from qc.media import TakeReader, probe
from qc.records import Finding, Grade, Picture
from qc.signal import Signal
from tests import synth
from tests.pictures import (
    Image,
    codes,
    column,
    footage,
    measure,
    picture,
    scene,
    setup_of,
)
from tests.synth import Video

HEIGHT, WIDTH = 180, 320
WIDE = scene(HEIGHT, WIDTH + 80, np.random.default_rng(5))
FRAMES = 130
LIVE_8 = Signal()


@cache
def live(kind: str, noise: float, frames: int = FRAMES) -> tuple[Image, ...]:
    """Return what a camera sees: a slow pan, a moving hand, or nothing that moves."""
    random = np.random.default_rng(1)
    out = []
    for i in range(frames):
        x = 30 + 25 * np.sin(i / 20) if kind == "pan" else 0.0
        shift = np.array([[1.0, 0, -x], [0, 1.0, 0]])
        image = cv2.warpAffine(
            WIDE, shift, (WIDTH, HEIGHT), flags=cv2.INTER_CUBIC, borderMode=4
        )
        if kind == "hand":
            centre = int(160 + 60 * np.sin(i / 12)), int(90 + 30 * np.cos(i / 9))
            cv2.circle(image, centre, 18, 120.0, -1)
        out.append(image + random.normal(0, noise, image.shape))
    return tuple(out)


def held(images: Sequence[Any], first: int, last: int) -> list[Any]:
    """Show the frame before `first` again, up to `last` (exclusive)."""
    out = list(images)
    out[first:last] = [out[first - 1]] * (last - first)
    return out


def read(
    images: Sequence[Image],
    signal: Signal = LIVE_8,
    changes: dict[str, object] | None = None,
    damaged: Sequence[int] = (),
    **facts: Any,
) -> Measured:
    pictures = (
        picture(codes(m, signal), signal=signal, index=i, damaged=i in damaged)
        for i, m in enumerate(images)
    )
    return measure(pictures, setup_of(changes, signal=signal, **facts), [MEASURE])


def found(measured: Measured, rule: str = "") -> list[Finding]:
    (check,) = MEASURE.checks
    return [f for f in check(measured) if f.rule.endswith(rule)]


def places(findings: Sequence[Finding]) -> list[tuple[int, int]]:
    return [(f.start_frame, f.end_frame) for f in findings]


# ------------------------------------------------------------------------------ reading


@pytest.mark.parametrize(("bits", "full"), [(8, False), (8, True), (10, False)])
def test_differences_are_means_over_full_lines(bits: int, full: bool) -> None:
    signal = Signal(bit_depth=bits, full_range=full)
    images = [np.full((181, 321), 100.0), np.full((181, 321), 101.0)]
    images.append(images[1].copy())
    measured = read(images, signal)
    a, b = (np.rint(codes(m, signal)[0, 0]) for m in images[:2])
    expected = 100 * (b - a) / (signal.white - signal.black)
    difference = column(measured, "stillness.difference_percent")
    assert np.isnan(difference[0])
    assert difference[1:].tolist() == pytest.approx([expected, 0], rel=1e-5)
    changed = column(measured, "stillness.changed_percent")
    assert changed[1:].tolist() == [100, 0]
    assert column(measured, "stillness.identical")[1:].tolist() == [0, 1]


def test_one_pixel_between_the_lines_makes_another_picture() -> None:
    one = np.full((1080, 1920), 100, np.uint8)
    for row, col in ((3, 5), (500, 1000), (1079, 1919)):
        other = one.copy()
        other[row, col] += 1
        pictures = [picture(p, index=i) for i, p in enumerate([one, other, other])]
        measured = measure(pictures, setup_of(), [MEASURE])
        assert column(measured, "stillness.identical")[1:].tolist() == [0, 1]


def test_level_is_that_of_the_brightest_hundredth_of_cells() -> None:
    random = np.random.default_rng(2)
    luma = random.uniform(0, 50, (27, 48)).astype(np.float32)
    expected = np.percentile(luma, 99, method="inverted_cdf")
    assert level_percent(luma) == pytest.approx(float(expected))
    # Larger pictures of the same cells: the same level.
    larger = np.kron(luma, np.ones((5, 5), np.float32))
    assert level_percent(larger) == pytest.approx(float(expected), abs=1e-4)
    assert np.isnan(level_percent(np.zeros((0, 0), np.float32)))


@pytest.mark.parametrize("size", [(1, 1), (2, 3), (16, 640), (7, 5)])
def test_tiny_pictures_can_be_read(size: tuple[int, int]) -> None:
    images = [np.full(size, 100.0), np.full(size, 100.0), np.full(size, 120.0)]
    assert column(read(images), "stillness.identical")[1:].tolist() == [1, 0]


# -------------------------------------------------------------------------------- black


@pytest.mark.parametrize(("bits", "full"), [(8, False), (8, True), (10, False)])
def test_black_is_found_to_the_frame(bits: int, full: bool) -> None:
    random = np.random.default_rng(3)
    images = list(live("hand", 1.0))[:90]
    for i in range(30, 71):
        # A lens cap at high gain: noise of 2 % about black, cut off below.
        images[i] = 16 + 219 * 0.02 * random.normal(0, 1, (HEIGHT, WIDTH))
    (finding,) = found(read(images, Signal(bit_depth=bits, full_range=full)))
    assert finding.rule == "picture.black"
    assert places([finding]) == [(30, 71)]
    assert finding.grade is Grade.REVIEW
    assert "41 frames, 1.64 s" in finding.message


def test_two_seconds_of_black_reject() -> None:
    black = np.full((HEIGHT, WIDTH), 16.0)
    images = list(live("hand", 1.0))
    (one,) = found(read([*images[:20], *[black] * 49, *images[20:40]]))
    (two,) = found(read([*images[:20], *[black] * 50, *images[20:40]]))
    # House choice: stillness.black_reject_seconds is 2.
    assert (one.grade, two.grade) == (Grade.REVIEW, Grade.REJECT)
    (whole,) = found(read([black] * 5))
    assert whole.grade is Grade.REJECT
    assert "black throughout" in whole.message
    assert "99 % of it is at black." in whole.message


@pytest.mark.parametrize("at", [0, 20, 59])
def test_a_single_black_frame_is_found(at: int) -> None:
    images = list(live("pan", 1.0))[:60]
    images[at] = np.full((HEIGHT, WIDTH), 16.0)
    assert places(found(read(images), "black")) == [(at, at + 1)]


def test_a_dark_but_live_picture_is_not_black() -> None:
    # A field 4 to 12 % bright in a tenth of the picture, the rest at black.
    images = []
    for image in live("hand", 1.0)[:40]:
        dark = np.full((HEIGHT, WIDTH), 16.0)
        dark[60:120, 100:196] += 0.1 * (image[60:120, 100:196] - 16)
        images.append(dark)
    assert found(read(images), "black") == []


def test_a_fade_is_black_from_the_limit_on() -> None:
    image = np.full((HEIGHT, WIDTH), 16 + 219.0)
    shares = [1 - 0.01 * i for i in range(101)]
    images = [16 + (image - 16) * s for s in shares]
    # Codes are whole: 3 % of 219 is 6.57, so that 6 codes over black are black and 7
    # are not. Flat pictures have this one level.
    expected = next(i for i, s in enumerate(shares) if round(219 * s) <= 6)
    (finding,) = found(read(images), "black")
    assert places([finding]) == [(expected, 101)]
    # The sentence and the number beside it are of one frame: the last, all at 16.
    assert (finding.worst, finding.worst_frame) == (0.0, 100)
    assert "99 % of the darkest frame is at black." in finding.message


def test_black_stands_still_without_being_frozen() -> None:
    black = np.full((HEIGHT, WIDTH), 16.0)
    images = [*live("hand", 2.0)[:40], *[black] * 60, *live("hand", 2.0)[40:80]]
    assert {f.rule for f in found(read(images))} == {"picture.black"}


# ------------------------------------------------------------------------------- frozen


@pytest.mark.parametrize(("kind", "bits"), [("pan", 8), ("hand", 10), ("still", 8)])
def test_a_freeze_is_found_to_the_frame(kind: str, bits: int) -> None:
    images = held(live(kind, 2.0), 41, 90)
    (finding,) = found(read(images, Signal(bit_depth=bits)))
    assert (finding.rule, finding.grade) == ("picture.frozen", Grade.REVIEW)
    assert places([finding]) == [(41, 90)]
    assert "49 frames show the frame at 00:00:01:15 again" in finding.message
    assert "bit for bit the same" in finding.message


@pytest.mark.parametrize(
    ("frames", "grade", "limit"),
    [(49, Grade.REVIEW, 0.5), (50, Grade.REJECT, 2.0)],
)
def test_two_seconds_of_standing_still_reject(
    frames: int, grade: Grade, limit: float
) -> None:
    # House choices: stillness.frozen_review_seconds is 0.5, its reject_seconds 2.
    (finding,) = found(read(held(live("hand", 2.0), 30, 30 + frames)))
    assert (finding.grade, finding.limit) == (grade, limit)


def test_a_freeze_may_last_to_the_end() -> None:
    images = held(live("hand", 2.0), 60, FRAMES)
    assert places(found(read(images), "frozen")) == [(60, FRAMES)]


def test_less_than_half_a_second_is_repeated_not_frozen() -> None:
    # House choice: stillness.frozen_review_seconds is 0.5, 12.5 frames.
    (twelve,) = found(read(held(live("hand", 2.0), 50, 62)))
    (thirteen,) = found(read(held(live("hand", 2.0), 50, 63)))
    assert (twelve.rule, thirteen.rule) == ("picture.repeated", "picture.frozen")
    assert places([twelve, thirteen]) == [(50, 62), (50, 63)]
    stood = "00:00:02:00 to 00:00:02:11 (12 in a row: the picture stands for 0.48 s)"
    assert stood in twelve.message


@pytest.mark.parametrize(("kind", "noise"), [("hand", 0.7), ("still", 2.0)])
def test_noise_alone_keeps_a_picture_alive(kind: str, noise: float) -> None:
    assert found(read(live(kind, noise)), "frozen") == []


def test_damage_that_the_decoder_fills_is_no_freeze() -> None:
    images = held(live("hand", 2.0), 41, 90)
    measured = read(images, damaged=range(41, 90))
    assert found(measured) == []
    assert np.isnan(column(measured, "stillness.state")[41:91]).all()


def test_a_drawing_is_not_judged_and_that_is_said() -> None:
    images = []
    for i in range(100):
        page = np.full((HEIGHT, WIDTH), 200.0)
        page[20 : 20 + min(i, 40), 50:52] = 30.0
        images.append(page)
    measured = read(images)
    assert found(measured) == []
    assert MEASURE.notes is not None
    (note,) = MEASURE.notes(measured)
    assert "cannot be told" in note
    assert list(MEASURE.notes(read(live("hand", 2.0)))) == []


def test_a_take_without_any_live_frame_says_what_else_it_may_be() -> None:
    (finding,) = found(read([live("hand", 2.0)[0]] * 100))
    assert places([finding]) == [(1, 100)]
    assert finding.grade is Grade.REVIEW
    assert "may also be a still scene" in finding.message


CODED: dict[str, tuple[str, Video]] = {
    "h264": ("mp4", Video(options=synth.h264())),
    "h264 of constant rate": (
        "mp4",
        Video(
            options={
                "preset": "veryfast",
                "threads": "1",
                "b": "2000000",
                "maxrate": "2000000",
                "bufsize": "2000000",
                "g": "25",
            }
        ),
    ),
    "h264 of many b-frames": (
        "mp4",
        Video(
            options={
                "preset": "medium",
                "threads": "1",
                "crf": "23",
                "g": "50",
                "bf": "3",
                "b-pyramid": "normal",
            }
        ),
    ),
    "hevc": ("mp4", Video("libx265", options=synth.hevc(group=25))),
    "mpeg2": ("mpg", Video("mpeg2video", options={"b": "4000000", "bf": "2"})),
    "prores": ("mov", Video("prores_ks", "yuv422p10le")),
}


def coded(path: Path, images: Sequence[Image], name: str) -> Measured:
    ending, video = CODED[name]
    signal = Signal(bit_depth=synth.depth_of(video.pixel_format))
    frames = []
    for image in images:
        luma = picture(codes(image, signal), signal=signal).y
        grey = [
            np.full(size, signal.chroma_zero, luma.dtype)
            for size in synth.plane_sizes(video.pixel_format, WIDTH, HEIGHT)[1:]
        ]
        frames.append((luma, *grey))
    return decoded(synth.write(path / f"a.{ending}", frames, video))


def decoded(path: Path) -> Measured:
    info = probe(path)
    assert info.video is not None
    setup = setup_of(signal=info.video.signal, rate=info.video.frame_rate)
    pictures = []
    with TakeReader(info) as reader:
        for item in reader:
            if isinstance(item, Picture):
                # A tick of the made-up take is a frame.
                pictures.append(_again(item, len(pictures)))
    return measure(pictures, setup, [MEASURE])


def _again(item: Picture, index: int) -> Picture:
    return Picture(
        index=index,
        pts=index,
        duration=1,
        y=item.y.copy(),
        cb=item.cb.copy(),
        cr=item.cr.copy(),
        signal=item.signal,
        damaged=item.damaged,
        key=item.key,
    )


@pytest.mark.parametrize("name", list(CODED)[1:])
def test_a_coded_freeze_is_found_to_the_frame(tmp_path: Path, name: str) -> None:
    images = held(live("pan", 3.0), 61, 100)
    (finding,) = found(coded(tmp_path, images, name))
    assert finding.rule == "picture.frozen"
    assert places([finding]) == [(61, 100)]


@pytest.mark.parametrize(
    ("name", "kind"), [("h264", "hand"), ("h264 of constant rate", "still")]
)
def test_coding_alone_freezes_nothing(tmp_path: Path, name: str, kind: str) -> None:
    assert found(coded(tmp_path, live(kind, 3.0), name), "frozen") == []


# ----------------------------------------------------------------------------- repeated


def test_single_repeats_are_named_to_the_frame() -> None:
    images = list(live("hand", 2.0))
    for at in (40, 77, 110):
        images[at] = images[at - 1]
    findings = found(read(images))
    assert places(findings) == [(40, 41), (77, 78), (110, 111)]
    assert {f.grade for f in findings} == {Grade.NOTE}
    assert "00:00:01:15" in findings[0].message
    assert MEASURE.summarise is not None
    assert MEASURE.summarise(read(images))["repeated_frames"] == 3


@pytest.mark.parametrize("cut", [True, False])
def test_a_cut_beside_a_repeat_does_not_flatten_the_figure(*, cut: bool) -> None:
    images = list(live("hand", 2.0))
    images[50] = images[49]
    if cut:
        images[60:] = [251 - image for image in images[60:]]
    measured = read(images)
    (finding,) = found(measured, "repeated")
    assert MEASURE.exhibits is not None
    take: Any = SimpleNamespace(picture=measured.picture)
    (shown,) = MEASURE.exhibits(take, finding)
    (line,) = shown.lines
    change = column(measured, "stillness.difference_percent")[25:76]
    assert line.y[25] == 0.0  # frame 50, a second after the first shown
    assert ("cut off" in shown.caption) == cut
    # All is drawn as it is but the cut, and the others keep a fifth of the height.
    same = np.arange(51) != 35
    np.testing.assert_allclose(line.y[same], change[same])
    assert (line.y[35] < change[35]) == cut
    assert np.median(line.y) >= 0.19 * line.y.max()


@pytest.mark.parametrize("lamp", [True, False])
def test_frame_at_the_turn_of_a_beating_lamp_is_no_repeat(*, lamp: bool) -> None:
    # 120 light pulses a second in 25 pictures beat 5 times a second: with this phase
    # every fifth frame is as bright as the one before. As often a frame comes twice
    # where there is no such lamp.
    images = list(live("still" if lamp else "hand", 0.3))
    for i in range(40, FRAMES - 8, 17):
        if not lamp:
            images = held(images, i, i + 1)
    light = [1 + 0.2 * lamp * np.cos(2 * np.pi * (i / 5 + 0.1)) for i in range(FRAMES)]
    shown = [image * share for image, share in zip(images, light, strict=True)]
    pictures = [picture(codes(m, LIVE_8), index=i) for i, m in enumerate(shown)]
    measured = measure(pictures, setup_of(), [exposure.MEASURE, MEASURE])
    assert bool(found(measured, "repeated")) is not lamp


def test_more_than_six_in_a_minute_are_for_review() -> None:
    # House choice: stillness.repeated_per_minute is 6.
    images = list(live("hand", 2.0))
    six = [11, 23, 42, 61, 77, 103]
    for at in six:
        images[at] = images[at - 1]
    notes = found(read(images))
    assert {(f.grade, f.limit) for f in notes} == {(Grade.NOTE, None)}  # not reached
    images[120] = images[119]
    (*_, last) = findings = found(read(images))
    assert {(f.grade, f.limit) for f in findings} == {(Grade.REVIEW, 6.0)}
    assert last.worst == 7
    rows = np.flatnonzero(column(read(images), "stillness.state") == State.SINGLE)
    assert rows.tolist() == [*six, 120]


@pytest.mark.parametrize("name", ["h264 of constant rate"])
def test_coded_repeats_are_found(tmp_path: Path, name: str) -> None:
    images = list(live("pan", 3.0))
    for at in (40, 77, 110):
        images[at] = images[at - 1]
    findings = found(coded(tmp_path, images, name))
    assert places(findings) == [(40, 41), (77, 78), (110, 111)]


def rhythm(period: int, new: Sequence[int], frames: int = FRAMES) -> list[int]:
    """Return which source frame each frame shows; `new` are phases of new ones."""
    fresh = [int(i % period in new) for i in range(frames)]
    fresh[0] = 1
    return [int(n) - 1 for n in np.cumsum(fresh)]


@pytest.mark.parametrize(
    ("period", "new", "rate", "told"),
    [
        (2, [0], Fraction(50), "about 25 new pictures a second in a recording of 50"),
        (5, [0, 2], Fraction(60), "about 24 new pictures"),
        (5, [0, 1, 2, 3], Fraction(30), "about 24 new pictures"),
        (4, [0], Fraction(50), "about 12.5 new pictures"),
        (25, list(range(24)), Fraction(25), "about 24 new pictures"),
        (5, [0, 2, 4], Fraction(50), "about 30 new pictures"),
    ],
)
def test_a_rhythm_of_repeats_is_a_note(
    period: int, new: list[int], rate: Fraction, told: str
) -> None:
    source = live("pan", 2.0)
    images = [source[n] for n in rhythm(period, new)]
    (finding,) = found(read(images, rate=rate))
    assert (finding.rule, finding.grade) == ("picture.repeated", Grade.NOTE)
    assert "steady rhythm" in finding.message
    assert told in finding.message
    assert places([finding]) == [(1, FRAMES)]


@pytest.mark.parametrize("at", [31, 75, 100])
@pytest.mark.parametrize(("period", "new"), [(2, [0]), (4, [0]), (5, [0, 2])])
def test_a_rhythm_whose_step_changes_is_a_note(
    at: int, period: int, new: list[int]
) -> None:
    # A picture is shown once less than in its turn: no frame repeats out of turn.
    source = live("pan", 2.0)
    shown = rhythm(period, new, FRAMES + 1)
    at = next(i for i in range(at, FRAMES) if shown[i] == shown[i - 1])
    del shown[at]
    findings = found(read([source[n] for n in shown]))
    assert {(f.rule, f.grade) for f in findings} == {("picture.repeated", Grade.NOTE)}
    assert all("steady rhythm" in f.message for f in findings)


@pytest.mark.parametrize("at", [32, 76, 118])
def test_a_picture_shown_too_often_where_the_step_changes_is_told(at: int) -> None:
    # Twice each, but one three times: its third frame is one too many.
    source = live("pan", 2.0)
    shown = rhythm(2, [0])
    shown.insert(at, shown[at - 1])
    findings = found(read([source[n] for n in shown]))
    singles = [f for f in findings if "steady rhythm" not in f.message]
    assert places(singles) == [(at, at + 1)]


@pytest.mark.parametrize("name", ["h264", "mpeg2"])
def test_a_coded_rhythm_is_a_note(tmp_path: Path, name: str) -> None:
    source = live("pan", 3.0)
    images = [source[n] for n in rhythm(2, [0])]
    findings = found(coded(tmp_path, images, name))
    assert {f.grade for f in findings} == {Grade.NOTE}
    assert "Every second frame" in findings[0].message


def test_a_freeze_within_a_rhythm_is_still_a_freeze() -> None:
    source = live("pan", 2.0)
    images = held([source[n] for n in rhythm(2, [0])], 41, 90)
    findings = found(read(images))
    assert places([f for f in findings if f.rule == "picture.frozen"]) == [(41, 90)]
    assert {f.grade for f in findings if f.rule != "picture.frozen"} == {Grade.NOTE}


@pytest.mark.parametrize("kind", ["pan", "hand"])
@pytest.mark.parametrize("out", [(), (46,), (46, 90)])
def test_a_rhythm_in_pictures_that_build_on_others_is_one_note(
    tmp_path: Path, kind: str, out: tuple[int, ...]
) -> None:
    # 25 pictures a second in 50; a new one is missing at each frame of `out`.
    shown = rhythm(2, [0])
    for at in out:
        shown[at:] = [n - 1 for n in shown[at:]]
    images = [live(kind, 2.0)[n] for n in shown]
    findings = found(coded(tmp_path, images, "h264 of many b-frames"))
    notes_ = [f for f in findings if "steady rhythm" in f.message]
    assert places(notes_) == [(1, FRAMES)]
    singles = [f for f in findings if f not in notes_]
    assert [f.start_frame for f in singles] == list(out)


def test_a_repeat_each_second_is_a_rhythm_and_no_fault() -> None:
    # 24 in 25, and 23.976 in 25: every 24.41 frames, which is no whole number.
    for step in (25.0, 25 / (25 - 24000 / 1001)):
        rows = np.floor(step * np.arange(1, 10)).astype(int)
        flags = np.zeros(240, bool)
        flags[rows] = True
        change = np.where(flags, 0.0, 1.0)
        (one,), inside = cadences(flags, np.ones(240, bool), change)
        assert (one.period, one.repeats) == (round(step), 1)
        assert inside.tolist() == flags.tolist()
        # One more, out of turn, stays a fault.
        flags[rows[3] + 7] = True
        _, inside = cadences(flags, np.ones(240, bool), change)
        assert np.flatnonzero(flags & ~inside).tolist() == [rows[3] + 7]


@settings(max_examples=25, deadline=None)
@given(st.data())
def test_any_rhythm_is_found_by_its_period(data: st.DataObject) -> None:
    period = data.draw(st.integers(2, 25))
    again = data.draw(st.sets(st.integers(0, period - 1), min_size=1))
    if len(again) == period or _shorter(period, again):
        return
    offset = data.draw(st.integers(0, 24))
    flags = np.array([(i + offset) % period in again for i in range(240)])
    noise = np.random.default_rng(data.draw(st.integers(0, 99))).uniform(0.7, 1.3, 240)
    found_, inside = cadences(flags, np.ones(240, bool), np.where(flags, 0.0, noise))
    assert [(c.period, c.repeats) for c in found_] == [(period, len(again))]
    assert inside.tolist() == flags.tolist()


def _shorter(period: int, again: set[int]) -> bool:
    """Tell whether a pattern repeats within its period."""
    flags = [i in again for i in range(period)]
    return any(
        period % p == 0 and flags == flags[:p] * (period // p) for p in range(1, period)
    )


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(0.02, 0.3))
def test_repeats_by_chance_have_no_rhythm(number: int, share: float) -> None:
    random = np.random.default_rng(number)
    flags = random.uniform(size=240) < share
    difference = np.where(flags, 0.0, random.uniform(0.5, 2, 240))
    found_, _ = cadences(flags, np.ones(240, bool), difference)
    # Rare repeats that chance puts at even steps are a rhythm of that length.
    assert [c for c in found_ if c.period < 6] == []


@settings(max_examples=50, deadline=None)
@given(st.lists(st.booleans(), min_size=1, max_size=60), st.integers(1, 20))
def test_frozen_runs_are_the_long_ones(flags: list[bool], shortest: int) -> None:
    text = "".join("x" if f else "." for f in flags)
    expected = [part for part in text.split(".") if len(part) >= shortest]
    got = frozen_runs(
        np.array(flags), np.arange(len(flags) + 1) / 50, shortest=shortest / 50
    )
    assert [b - a for a, b in got] == [len(part) for part in expected]


# ---------------------------------------------------------------------- real recordings


@pytest.mark.footage
@pytest.mark.parametrize("name", ["cap13_edit2.mp4"])
def test_real_recordings_are_not_frozen(name: str) -> None:
    measured = decoded(footage(name))
    # It has repeats: its other version lacks frames where this one shows some twice.
    assert {f.rule for f in found(measured)} == {"picture.repeated"}


@pytest.mark.footage
def test_a_real_drawing_is_not_called_frozen() -> None:
    measured = decoded(footage("drawing_silent_sound.mp4"))
    assert found(measured, "frozen") == found(measured, "repeated") == []
    # It fades out: its last picture is black.
    assert places(found(measured, "black"))[-1][1] == 209
