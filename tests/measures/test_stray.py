"""Pictures broken before they were coded are told, exact to the frame; others are not.

Scenes are drawn: which pictures are broken, and where, is known by construction.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from qc.measures import damage
from qc.measures.base import Measured
from qc.measures.parts.damage.straylooks import Past, Seen, Stray, around_of
from qc.measures.parts.damage.straywatch import StrayWatch
from qc.measures.parts.damage.straywords import stray_findings
from qc.pipeline import check_take
from qc.records import Finding, Grade, Picture, TakeResult
from tests import synth
from tests.pictures import VIDEO_8, measure, scene, setup_of
from tests.synth import Video

HEIGHT, WIDTH, COUNT = 270, 480, 60
RANDOM_STATE = 7

Image = NDArray[np.float64]
Colour = tuple[float, float]


def drawn(
    count: int = COUNT, *, pan: float = 0.6, random_state: int = RANDOM_STATE
) -> list[Image]:
    """Return a scene over which the camera goes `pan` pixels a picture, with grain."""
    return [image.copy() for image in _drawn(count, pan, random_state)]


@cache
def _drawn(count: int, pan: float, random_state: int) -> tuple[Image, ...]:
    random = np.random.default_rng(random_state)
    wide = scene(HEIGHT + 20, WIDTH + 120, random)
    out = []
    for i in range(count):
        move = np.array([[1, 0, -pan * i - 5], [0, 1, -8]], np.float64)
        luma = cv2.warpAffine(wide, move, (WIDTH, HEIGHT), None, cv2.INTER_LINEAR)
        out.append(luma + random.normal(0, 1.5, luma.shape))
    return tuple(out)


def as_picture(luma: Image, index: int, colour: Colour = (0.1, -0.05)) -> Picture:
    """Return a picture whose colour falls off from left to right."""
    ramp = np.linspace(1.2, 0.8, WIDTH // 2)
    cb, cr = (
        np.tile(np.rint(128 + 224 * c * ramp).astype(np.uint8), (HEIGHT // 2, 1))
        for c in colour
    )
    return Picture(
        index=index,
        pts=index,
        duration=1,
        y=np.clip(np.rint(luma), 0, 255).astype(np.uint8),
        cb=cb,
        cr=cr,
        signal=VIDEO_8,
    )


def strays(
    images: Iterable[Image], colours: dict[int, Colour] | None = None
) -> list[Stray]:
    watch = StrayWatch()
    for i, image in enumerate(images):
        watch.read(as_picture(image, i, (colours or {}).get(i, (0.1, -0.05))))
    return watch.finish()


def told(images: Iterable[Image]) -> list[tuple[int, int, str]]:
    return [(s.first, s.last, s.kind) for s in strays(images)]


def lit(image: Image, gain: float) -> Image:
    return 16 + (image - 16) * gain


# ------------------------------------------------------------------- whole pictures


def test_a_take_that_is_whole_has_none() -> None:
    assert told(drawn()) == []


@pytest.mark.parametrize("count", [1, 2, 3])
@pytest.mark.parametrize("at", [3, 30, COUNT - 6])
def test_grey_pictures_are_told(at: int, count: int) -> None:
    images = drawn()
    for i in range(at, at + count):
        images[i] = np.full((HEIGHT, WIDTH), 126.0)
    assert told(images) == [(at, at + count, "flat")]


def test_a_picture_of_noise_is_told() -> None:
    images = drawn()
    random = np.random.default_rng(RANDOM_STATE)
    images[30] = random.uniform(16, 235, (HEIGHT, WIDTH))
    # Averaged over 2 x 2 pixels and more, noise is no flat picture.
    assert [(a, b) for a, b, _ in told(images)] == [(30, 31)]


@pytest.mark.parametrize("count", [1, 2, 3])
def test_pictures_of_another_scene_are_told(count: int) -> None:
    images, others = drawn(), drawn(random_state=RANDOM_STATE + 1)
    images[20 : 20 + count] = others[:count]
    assert told(images) == [(20, 20 + count, "other")]


def test_every_second_picture_may_be_stray() -> None:
    images, others = drawn(), drawn(random_state=RANDOM_STATE + 1)
    for i in (30, 32):
        images[i] = others[i]
    assert told(images) == [(30, 31, "other"), (32, 33, "other")]


def test_four_pictures_of_another_scene_are_a_shot() -> None:
    images, others = drawn(), drawn(random_state=RANDOM_STATE + 1)
    images[20:24] = others[:4]
    assert told(images) == []


def test_a_cut_is_none() -> None:
    assert told(drawn()[:30] + drawn(random_state=RANDOM_STATE + 1)[:30]) == []


@pytest.mark.parametrize("count", [1, 2, 5, 9])
def test_pictures_rolled_round_the_frame_are_told(count: int) -> None:
    images = drawn()
    for i in range(25, 25 + count):
        images[i] = np.roll(images[i], 90, axis=0)
    assert told(images) == [(25, 25 + count, "rolled")]


def test_what_a_resting_camera_saw_before_is_told() -> None:
    """A square goes over a picture at rest; that of 20 frames ago comes back."""
    images = drawn(pan=0.0)
    for i, image in enumerate(images):
        image[60:200, 3 * i + 40 : 3 * i + 140] = 200 + image[:140, :100] * 0.1
    images[45] = images[25].copy()
    assert told(images) == [(45, 46, "old")]


def test_what_never_was_before_is_no_old_picture() -> None:
    images = drawn(pan=0.0)
    for i, image in enumerate(images):
        left = 3 * i + 40 if i != 45 else 330
        image[60:200, left : left + 100] = 200 + image[:140, :100] * 0.1
    assert told(images) == []


def test_what_was_there_for_a_moment_only_is_no_old_picture() -> None:
    """A lamp or a display of the scene that blinks looks alike each time."""
    images = drawn(pan=0.0)
    for i in (25, 45):
        images[i][40:160, 60:260] = 251 - images[i][40:160, 60:260]
    assert told(images) == []


def test_pictures_in_each_others_place_are_told() -> None:
    images = drawn(pan=2.0)
    images[30], images[31] = images[31], images[30]
    assert told(images) == [(30, 32, "swapped")]


def test_a_trembling_picture_is_none_in_anothers_place() -> None:
    random = np.random.default_rng(RANDOM_STATE)
    wide = scene(HEIGHT + 40, WIDTH + 40, random)
    images = []
    for _ in range(COUNT):
        x, y = random.integers(0, 12, 2)
        grain = random.normal(0, 1.5, (HEIGHT, WIDTH))
        images.append(wide[y : y + HEIGHT, x : x + WIDTH] + grain)
    assert told(images) == []


# --------------------------------------------------------------------------- parts


def torn(image: Image, band: tuple[int, int], other: Image) -> Image:
    out = image.copy()
    out[band[0] : band[1]] = other[band[0] : band[1]]
    return out


Break = Callable[[Image, Image], Image]
BREAKS: dict[str, tuple[Break, str]] = {
    "grey": (lambda image, _: np.full_like(image, 126.0), "flat"),
    "black": (lambda image, _: np.full_like(image, 16.0), "flat"),
    "sideways": (lambda image, _: np.roll(image, 70, axis=1), "shifted"),
    "another scene": (lambda _, other: other, "other"),
}


@pytest.mark.parametrize("band", [(120, 270), (0, 90), (100, 160)])
@pytest.mark.parametrize("name", BREAKS)
@pytest.mark.parametrize("count", [1, 2])
def test_a_band_of_lines_is_told_in_its_place(
    name: str, band: tuple[int, int], count: int
) -> None:
    change, kind = BREAKS[name]
    images, others = drawn(), drawn(random_state=RANDOM_STATE + 1)
    for i in range(33, 33 + count):
        images[i] = torn(images[i], band, change(images[i], others[i]))
    (found,) = strays(images)
    assert (found.first, found.last, found.kind) == (33, 33 + count, kind)
    # To within a strip, of which a picture has 27.
    assert found.top * HEIGHT == pytest.approx(band[0], abs=HEIGHT / 27)
    assert found.bottom * HEIGHT == pytest.approx(band[1], abs=HEIGHT / 27)


@pytest.mark.parametrize("count", [1, 2, 3])
def test_what_darts_through_is_left_alone(count: int) -> None:
    """Half as wide as the picture, textured, smeared by its motion."""
    images, others = drawn(), drawn(random_state=RANDOM_STATE + 1)
    for k in range(count):
        mask = np.zeros((HEIGHT, WIDTH))
        left = 20 + 200 * k
        mask[80:250, left : left + 240] = 1.0
        mask = cv2.blur(mask, (61, 5))
        i = 30 + k
        images[i] = images[i] * (1 - mask) + others[i] * mask
    assert told(images) == []


@pytest.mark.parametrize("shade", [(30, 70), (40, 40)])
def test_a_hand_before_the_lens_is_left_alone(shade: tuple[int, int]) -> None:
    """In and out within four pictures; out of focus, and dark."""
    images = drawn()
    dark = np.tile(np.linspace(*shade, WIDTH), (HEIGHT, 1))
    for i, reach in ((30, 0.5), (31, 1.2), (32, 1.2), (33, 0.5)):
        mask = np.clip((reach * HEIGHT - np.arange(HEIGHT)) / 40, 0, 1)[:, np.newaxis]
        images[i] = images[i] * (1 - mask) + dark * mask
    assert told(images) == []


# ---------------------------------------------------------------------------- light


@pytest.mark.parametrize("gain", [0.3, 0.6, 1.6, 3.0])
def test_a_flash_or_a_lamp_that_drops_out_is_none(gain: float) -> None:
    images = drawn()
    images[30] = lit(images[30], gain)
    assert told(images) == []


@pytest.mark.parametrize("gain", [0.5, 1.8, 3.0])
def test_a_flash_in_part_of_the_lines_is_none(gain: float) -> None:
    """As a rolling shutter reads it: the lower lines of one picture, then the upper."""
    images = drawn()
    images[30] = torn(images[30], (110, 270), lit(images[30], gain))
    images[31] = torn(images[31], (0, 110), lit(images[31], gain))
    images[45] = torn(images[45], (70, 150), lit(images[45], gain))
    assert told(images) == []


def test_a_flash_from_elsewhere_shows_other_detail_and_is_none() -> None:
    """A dim room; the flash shows what was in the dark, and its own shadows."""
    images, others = drawn(), drawn(random_state=RANDOM_STATE + 1)
    images = [lit(image, 0.15) for image in images]
    images[30] = images[30] + 0.9 * (others[30] - 16) + 5
    assert told(images) == []


def test_a_lamp_that_strobes_is_none() -> None:
    assert told([lit(x, (1.0, 1.0, 2.5)[i % 3]) for i, x in enumerate(drawn())]) == []


def test_a_black_picture_is_told_as_black_alone() -> None:
    images = drawn()
    images[30] = np.full((HEIGHT, WIDTH), 16.0)
    assert told(images) == []


def test_a_knock_is_none() -> None:
    """The whole picture lies 5 % of its width beside for one frame."""
    images = drawn()
    images[30] = np.roll(images[30], 24, axis=1)
    assert told(images) == []


def test_repeated_pictures_are_none() -> None:
    images = drawn(pan=3.0)
    for i in range(20, 40, 3):
        images[i] = images[i - 1].copy()
    assert told(images) == []


# --------------------------------------------------------------------------- colour


@pytest.mark.parametrize("other", [(0.0, 0.0), (-0.05, 0.1), (-0.5, -0.5)])
def test_lost_exchanged_or_broken_colour_is_told(other: Colour) -> None:
    found = strays(drawn(), dict.fromkeys((30, 31), other))
    assert [(s.first, s.last, s.kind) for s in found] == [(30, 32, "colour")]


def test_colour_that_stays_another_is_none() -> None:
    assert strays(drawn(), dict.fromkeys(range(30, COUNT), (0.0, 0.0))) == []


# ----------------------------------------------------------------- what is remembered


def test_a_broken_file_parts_what_is_compared() -> None:
    """The pictures before and behind one that was not decoded are no neighbours."""
    images = drawn()
    images[30] = np.full((HEIGHT, WIDTH), 126.0)
    for gap in (29, 31):
        watch = StrayWatch()
        for i, image in enumerate(images):
            if i == gap:
                watch.skip()
            else:
                watch.read(as_picture(image, i))
        assert watch.finish() == []


def test_pictures_too_small_to_tell_are_left_out() -> None:
    watch = StrayWatch()
    for i in range(20):
        y = np.full((8, 16), 126 if i == 10 else 40 + i, np.uint8)
        watch.read(replace_planes(y, i))
    assert watch.finish() == []


def replace_planes(y: NDArray[Any], index: int) -> Picture:
    half = np.full((y.shape[0] // 2, y.shape[1] // 2), 128, np.uint8)
    return Picture(
        index=index, pts=index, duration=1, y=y, cb=half, cr=half.copy(), signal=VIDEO_8
    )


def test_what_is_usual_is_seven_tenths_of_what_is_around() -> None:
    """Eight changes before a group, three behind it: rank 7 of 0 to 10."""
    blank = np.zeros((33, 48), np.float32)
    seen = [
        Seen(i, blank, blank, np.full(33, i, np.float32), blank[:, 0])
        for i in range(40, 56)
    ]
    found = around_of(seen, (50, 52))
    assert found is not None
    # Changes of 42 to 49, then of 53 to 55; the third largest of them is 53.
    assert found.usual[0] == 49
    assert found.most[0] == 53
    assert (found.before.row, found.behind.row) == (49, 52)
    assert around_of(seen, (41, 42)) is None
    assert around_of(seen, (55, 56)) is None


def test_the_past_is_bounded() -> None:
    watch = StrayWatch()
    past: Past = watch._past
    assert past.cells.nbytes < 1_000_000


# ------------------------------------------------------------------------- findings


def measured(found: list[Stray], frames: int = 100) -> Measured:
    pictures = (as_picture(np.full((HEIGHT, WIDTH), 90.0), i) for i in range(frames))
    setup = setup_of(width=WIDTH, height=HEIGHT)
    out = measure(pictures, setup, [damage.MEASURE])
    return replace(out, totals={"damage": {"stray": found}})


def findings(found: list[Stray], frames: int = 100) -> list[Finding]:
    return list(stray_findings(measured(found, frames)))


def test_a_finding_says_what_where_and_how_long() -> None:
    (finding,) = findings([Stray(40, 42, 1 / 3, 2 / 3, "shifted")])
    assert (finding.rule, finding.grade) == ("file.damaged", Grade.REVIEW)
    assert (finding.start_frame, finding.end_frame) == (40, 42)
    assert (finding.worst, finding.unit) == (2, "frames")
    assert finding.where == (0, 90, WIDTH, 90)
    assert finding.message == (
        "A part of 2 pictures, from 33 to 67 % of its height, does not belong between "
        "their neighbours: it is shifted sideways. Broken before it was coded: at the "
        "camera, the cable or the recorder."
    )
    assert "cable" in finding.advice


@pytest.mark.parametrize(
    "kind", ["flat", "other", "old", "shifted", "rolled", "colour", "swapped"]
)
def test_every_kind_has_words(kind: str) -> None:
    one, two = findings([Stray(9, 10, 0, 1, kind), Stray(40, 42, 0, 1, kind)])
    assert one.where is None
    assert two.where is None
    assert one.message != two.message or kind == "swapped"
    for finding in (one, two):
        assert finding.message.endswith("the cable or the recorder.")


def test_a_bad_cable_is_told_in_stretches() -> None:
    """Every fifth picture for 6 s, and one 20 s later, at 25 pictures a second."""
    found = [Stray(i, i + 1, 0.0, 1.0, "flat") for i in range(10, 160, 5)]
    found.append(Stray(660, 661, 0.0, 1.0, "flat"))
    first, second = findings(found, 700)
    assert (first.start_frame, first.end_frame, first.worst) == (10, 156, 30)
    assert (second.start_frame, second.end_frame, second.worst) == (660, 661, 1)
    assert "in 30 places" in first.message


def test_the_summary_counts_stray_pictures() -> None:
    assert damage.MEASURE.summarise is not None
    found = [Stray(9, 10, 0.0, 1.0, "flat"), Stray(40, 42, 0.0, 1.0, "flat")]
    assert damage.MEASURE.summarise(measured(found))["stray_frames"] == 3


# ------------------------------------------------------------------------ from a file


def coded(tmp_path: Path, images: list[Image]) -> Path:
    grey = np.full((HEIGHT // 2, WIDTH // 2), 128, np.uint8)
    planes = [
        (np.clip(np.rint(x), 0, 255).astype(np.uint8), grey, grey) for x in images
    ]
    video = Video(options=synth.h264(group=25))
    return synth.write(tmp_path / "take.mov", planes, video)


@pytest.mark.parametrize("threads", [1, 3])
def test_a_coded_take_tells_them_alike_on_any_number_of_threads(
    tmp_path: Path, threads: int
) -> None:
    images = drawn()
    images[20] = np.full((HEIGHT, WIDTH), 126.0)
    images[41] = torn(images[41], (135, 270), np.roll(images[41], 70, axis=1))
    result = check_take(coded(tmp_path, images), threads=threads)
    assert isinstance(result, TakeResult), result
    found = [f for f in result.findings if f.rule == "file.damaged"]
    assert [(f.start_frame, f.end_frame) for f in found] == [(20, 21), (41, 42)]
    assert [f.grade for f in found] == [Grade.REVIEW] * 2
    assert found[0].where is None
    assert found[1].where is not None
    assert found[1].where[0::2] == (0, WIDTH)
    # To within a strip, of which a picture has 27.
    assert found[1].where[1] == pytest.approx(135, abs=HEIGHT / 27)


def test_a_screen_is_not_judged(tmp_path: Path) -> None:
    """What hardly changes between pictures is no camera's: a page is reloaded."""
    page = np.full((HEIGHT, WIDTH), 200.0)
    rows = np.arange(HEIGHT)
    page[(rows // 9) % 3 == 0, 40:400] = 60
    images = [page.copy() for _ in range(COUNT)]
    for i, image in enumerate(images):
        image[200:206, 60 + 2 * i : 66 + 2 * i] = 20
    images[30] = np.full((HEIGHT, WIDTH), 180.0)
    assert [(a, b) for a, b, _ in told(images)] == [(30, 31)]
    result = check_take(coded(tmp_path, images))
    assert isinstance(result, TakeResult), result
    assert not [f for f in result.findings if f.rule == "file.damaged"]
