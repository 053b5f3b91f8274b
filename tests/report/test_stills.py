"""Pictures in the report: the right frame, the right way up, with marks that show."""

from __future__ import annotations

import base64
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from fractions import Fraction
from itertools import combinations
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from qc.measures import all_measures
from qc.measures.base import Companion, Measure
from qc.measures.highlights import share_at_or_above
from qc.media import stills_at
from qc.pipeline import check_take
from qc.records import Finding, Grade, Still, TakeResult, VideoTrack
from qc.report import stills as stills_module
from qc.report.overlay import AREAS, OUTLINES, area_look, paint_areas, paint_outline
from qc.report.page import take_page
from qc.report.painter import Jpeg
from qc.report.stills import MOST_STILLS, Stills, take_stills, worst_first
from qc.report.viewing import View, for_screen
from qc.report.weaves import PATTERNS
from qc.signal import Signal

SAMPLES = Path(__file__).parents[2] / "sample_media"
MakeResult = Callable[..., TakeResult]


def _video(
    width: int, height: int, *, rotation: int = 0, aspect: Fraction = Fraction(1)
) -> VideoTrack:
    return VideoTrack(
        stream=0,
        number=0,
        codec="rawvideo",
        pixel_format="yuv420p",
        width=width,
        height=height,
        frame_rate=Fraction(25),
        time_base=Fraction(1, 25),
        signal=Signal(),
        rotation=rotation,
        pixel_aspect=aspect,
    )


def _pixels(jpeg: Jpeg) -> NDArray[np.uint8]:
    data = np.frombuffer(base64.b64decode(jpeg.uri.split(",", 1)[1]), np.uint8)
    return np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR_RGB))


# ----------------------------------------------------------------- the right way up


# Turned clockwise, the top left corner goes to the top right, then bottom right ...
@pytest.mark.parametrize(
    ("rotation", "size", "corner"),
    [
        (0, (80, 40), (0, 0)),
        (90, (40, 80), (0, -1)),
        (180, (80, 40), (-1, -1)),
        (270, (40, 80), (-1, 0)),
    ],
)
def test_rotation_is_clockwise_for_pictures_marks_and_points(
    rotation: int, size: tuple[int, int], corner: tuple[int, int]
) -> None:
    rgb = np.zeros((40, 80, 3), np.uint8)
    mask = np.zeros((40, 80), bool)
    rgb[0, 0], mask[0, 0] = 255, True
    view = View.of(_video(80, 40, rotation=rotation), (80, 40), 960)
    assert view.size == size
    assert view.picture(rgb)[corner].tolist() == [255, 255, 255]
    assert view.coverage(mask)[corner] == 1.0
    (x, y), *_ = view.points(np.array([(0.0, 0.0)]))
    width, height = size
    expected = (width if corner[1] else 0, height if corner[0] else 0)
    assert (x, y) == expected


def test_boxes_turn_with_the_picture() -> None:
    view = View.of(_video(80, 40, rotation=90), (80, 40), 960)
    # 10 from the left becomes 10 from the top; 5 from the top, 5 from the right.
    assert view.box((10, 5, 20, 8)) == (40 - 5 - 8, 10, 8, 20)


def test_pixel_aspect_stretches_the_width_to_the_display_aspect() -> None:
    # 720 x 576 with pixels 64:45 is the 16:9 picture of 625-line television.
    view = View.of(_video(720, 576, aspect=Fraction(64, 45)), (720, 576), 960)
    assert view.size == (960, 540)


def test_small_pictures_are_not_blown_up() -> None:
    assert View.of(_video(176, 144), (176, 144), 960).size == (176, 144)


# ------------------------------------------------------------------ marks that show


def _luminance(rgb: tuple[int, int, int]) -> float:
    """Relative luminance of WCAG 2.2."""
    linear = [
        c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4
        for c in (v / 255 for v in rgb)
    ]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _contrast(a: tuple[int, int, int], b: tuple[int, int, int]) -> float:
    high, low = sorted((_luminance(a), _luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("kind", [*AREAS, *OUTLINES, "new-here"])
@pytest.mark.parametrize("ground", [(255, 255, 255), (140, 20, 20), (0, 0, 0)])
def test_one_of_the_two_tones_stands_out_on_any_ground(
    kind: str, ground: tuple[int, int, int]
) -> None:
    look = AREAS.get(kind) or OUTLINES.get(kind) or area_look(kind)
    # WCAG 2.2, 1.4.11: graphics need 3:1. Of lightness, so whatever hues an eye tells.
    assert max(_contrast(look.dark, ground), _contrast(look.light, ground)) >= 3.0
    assert _contrast(look.dark, look.light) >= 7.0


@pytest.mark.parametrize("kind", [*AREAS, "new-here"])
def test_areas_are_drawn_in_both_tones_and_leave_the_rest_alone(kind: str) -> None:
    ground = np.full((240, 480, 3), 120, np.uint8)
    coverage = np.zeros((240, 480), np.float32)
    coverage[40:200, 100:380] = 1.0
    drawn = ground.copy()
    assert paint_areas(drawn, [(kind, coverage)]) == [kind]
    changed = (drawn != ground).any(axis=2)
    assert not changed[:30].any()
    assert not changed[:, :90].any()
    look = area_look(kind)
    for tone in (look.dark, look.light):
        assert (drawn[40:200, 100:380] == tone).all(axis=2).sum() > 200
    assert look.label


@pytest.mark.parametrize("kind", [*(k for k in AREAS if k != "sharp"), "new-here"])
def test_the_picture_shows_between_the_marks(kind: str) -> None:
    drawn = np.full((240, 480, 3), 120, np.uint8)
    paint_areas(drawn, [(kind, np.ones((240, 480), np.float32))])
    assert 0.4 < (drawn == 120).all(axis=2).mean() < 0.95


def test_one_burnt_pixel_of_a_large_picture_still_shows() -> None:
    mask = np.zeros((2160, 3840), bool)
    mask[1001, 2002] = True
    view = View.of(_video(3840, 2160), (3840, 2160), 960)
    drawn = np.full((540, 960, 3), 120, np.uint8)
    assert paint_areas(drawn, [("burnt", view.coverage(mask))]) == ["burnt"]
    rows, columns = np.nonzero((drawn != 120).any(axis=2))
    assert abs(rows.mean() - 1001 / 4) < 4
    assert abs(columns.mean() - 2002 / 4) < 4


def test_patterns_are_told_apart_without_their_colours() -> None:
    # Which pixels are left alone: of two patterns, many differ, whatever the tones.
    drawn = {}
    for kind in (*AREAS, "new-here"):
        ground = np.full((240, 480, 3), 120, np.uint8)
        paint_areas(ground, [(kind, np.full((240, 480), 0.4, np.float32))])
        drawn[kind] = (ground != 120).any(axis=2)
    for one, other in combinations(drawn, 2):
        assert (drawn[one] != drawn[other]).mean() > 0.1, (one, other)


def test_no_pattern_is_made_of_slanted_stripes() -> None:
    # Stripes at a slant keep to themselves when moved along it by half a period.
    for kind, pattern in PATTERNS.items():
        dark, light = pattern((96, 192), 1)
        inked = (dark | light)[8:-8, 8:-8]
        for by in (3, -3):
            moved = np.roll(dark | light, (3, by), (0, 1))[8:-8, 8:-8]
            both = (inked & moved).sum() / max(inked.sum(), 1)
            assert both < 0.6, kind


def test_nothing_marked_draws_nothing() -> None:
    drawn = np.full((90, 160, 3), 120, np.uint8)
    assert paint_areas(drawn, [("burnt", np.zeros((90, 160), np.float32))]) == []
    assert (drawn == 120).all()


def test_outlines_follow_their_points_in_both_tones() -> None:
    drawn = np.full((120, 200, 3), 120, np.uint8)
    corners = np.array([(40, 30), (160, 30), (160, 90), (40, 90)], np.float64)
    paint_outline(drawn, "neutral", corners)
    look = OUTLINES["neutral"]
    edge = drawn[30, 40:161]
    assert (edge == look.dark).all(axis=1).any()
    assert (edge == look.light).all(axis=1).any()
    assert (drawn[50:70, 60:140] == 120).all()


# --------------------------------------------------------------- HDR made to be seen


def test_standard_pictures_are_shown_as_they_are() -> None:
    rgb = np.arange(48, dtype=np.uint8).reshape(4, 4, 3)
    assert for_screen(rgb, Signal()) is rgb


@pytest.mark.parametrize("transfer", ["pq", "hlg"])
def test_hdr_greys_stay_grey_and_in_order(transfer: str) -> None:
    signal = Signal(10, matrix="bt2020", transfer=transfer, primaries="bt2020")  # type: ignore[arg-type]
    ramp = np.repeat(np.arange(256, dtype=np.uint8)[:, None], 3, axis=1)[None]
    shown = for_screen(ramp, signal)[0].astype(int)
    assert np.ptp(shown, axis=1).max() <= 1
    assert (np.diff(shown[:, 1]) >= 0).all()
    # Reference white, 203 cd/m2: 58 % of PQ and 75 % of HLG (ITU-R BT.2408). It must
    # look bright, yet leave room for what is brighter.
    white = shown[round({"pq": 0.58, "hlg": 0.75}[transfer] * 255), 1]
    assert 180 <= white <= 235
    assert shown[255, 1] > white


# ----------------------------------------------------------------- the right frames


@pytest.fixture(scope="module")
def overexposed() -> TakeResult:
    result = check_take(SAMPLES / "take02_overexposed.mov")
    assert isinstance(result, TakeResult)
    return result


def _stills(result: TakeResult) -> Stills:
    return take_stills(result, all_measures(), list(enumerate(result.findings, 1)))


def test_the_still_is_the_worst_frame_to_the_pixel(overexposed: TakeResult) -> None:
    finding = next(f for f in overexposed.findings if f.rule == "highlights.relevant")
    assert overexposed.picture is not None
    assert finding.worst_pts_row is not None
    tick = int(overexposed.picture.edges[finding.worst_pts_row])
    ((_, still),) = stills_at(overexposed.info, [tick])
    luma = still.picture.y
    histogram = np.bincount(luma.ravel(), minlength=256)
    # What the measure found while reading on is found again in the frame fetched.
    level = float(str(overexposed.limits["highlights.level_percent"]))
    code = still.picture.signal.first_code_at(level)
    share = share_at_or_above(histogram, code=code)
    read = overexposed.picture["highlights.share_percent"][finding.worst_pts_row]
    assert share == pytest.approx(read, rel=1e-5)


def test_the_marked_picture_is_wide_and_says_what_is_marked(
    overexposed: TakeResult,
) -> None:
    still = _stills(overexposed).by_number[1]
    assert (still.large.width, still.large.height) == (960, 540)
    assert _pixels(still.large).shape == (540, 960, 3)
    assert _pixels(still.small).shape[1] <= 300
    assert "Burnt out where it matters" in [entry.label for entry in still.legend]
    assert still.caption


def test_the_picture_shown_is_that_frame(overexposed: TakeResult) -> None:
    assert overexposed.picture is not None
    assert overexposed.info.video is not None
    worst_tick = int(overexposed.picture.edges[overexposed.findings[0].worst_frame])
    first, worst = (s for _, s in stills_at(overexposed.info, [0, worst_tick]))
    view = View.of(overexposed.info.video, first.rgb.shape[1::-1], 960)
    shown = _pixels(_stills(overexposed).by_number[1].large).astype(int)
    # Most pixels bear no mark: the median tells the frame.
    apart = [np.median(np.abs(view.picture(s.rgb) - shown)) for s in (first, worst)]
    assert apart[1] <= 4 < 20 <= apart[0]


# ----------------------------------------------------- other frames beside the worst


def _with_companions(*rows: int) -> list[Measure]:
    def companions(result: TakeResult, finding: Finding) -> list[Companion]:
        return [Companion(row, f"row {row}") for row in rows]

    return [
        replace(m, companions=companions) if m.name == "highlights" else m
        for m in all_measures()
    ]


def test_companions_stand_beside_the_worst_at_its_size_and_unmarked(
    overexposed: TakeResult,
) -> None:
    assert overexposed.picture is not None
    assert overexposed.info.video is not None
    finding = overexposed.findings[0]
    stills = take_stills(overexposed, _with_companions(9, 3), [(1, finding)])
    marked = stills.by_number[1]
    # In the order in which the measure named them, whatever their time.
    assert [b.caption for b in marked.beside] == ["row 9", "row 3"]
    assert [b.at for b in marked.beside] == ["09:20:31:09", "09:20:31:03"]
    sizes = {
        (j.width, j.height) for j in (marked.large, *(b.large for b in marked.beside))
    }
    assert sizes == {(800, 450)}
    tick = int(overexposed.picture.edges[9])
    ((_, still),) = stills_at(overexposed.info, [tick])
    view = View.of(overexposed.info.video, still.rgb.shape[1::-1], 800)
    shown = _pixels(marked.beside[0].large).astype(int)
    apart = np.abs(view.picture(still.rgb) - shown)
    # No mark anywhere: JPEG alone does not change a pixel much.
    assert np.percentile(apart, 99.5) < 40


def test_details_are_the_same_piece_of_each_frame_pixel_for_pixel(
    overexposed: TakeResult,
) -> None:
    assert overexposed.picture is not None
    finding = replace(overexposed.findings[0], where=(900, 500, 100, 100))
    marked = take_stills(overexposed, _with_companions(9), [(1, finding)]).by_number[1]
    rows = (finding.worst_pts_row or 0, 9)
    ticks = [int(overexposed.picture.edges[row]) for row in rows]
    coded = dict(stills_at(overexposed.info, ticks))
    for tick, detail in zip(
        ticks, (marked.detail, marked.beside[0].detail), strict=True
    ):
        assert detail is not None
        # 480 x 270 about (950, 550), moved in from the lower edge of 720 lines.
        piece = coded[tick].rgb[415:685, 710:1190].astype(int)
        apart = np.abs(_pixels(detail).astype(int) - piece)
        assert np.median(apart) <= 3


def test_every_frame_is_fetched_once_and_in_order(
    overexposed: TakeResult, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[int] = []

    def fetched(
        info: object, ticks: Iterable[int], *, whole: bool
    ) -> Iterator[tuple[int, Still]]:
        assert whole  # nothing of this take is damaged
        for tick, still in stills_at(overexposed.info, ticks):
            asked.append(tick)
            yield tick, still

    monkeypatch.setattr(stills_module, "stills_at", fetched)
    finding = overexposed.findings[0]
    numbers = [(1, finding), (2, finding), (3, replace(finding, worst_pts_row=9))]
    stills = take_stills(overexposed, _with_companions(9, 3, 4), numbers)
    assert asked == sorted(set(asked))
    # The worst, rows 9, 3 and 4, and the frame to know the take by.
    assert len(asked) == 5
    assert len(stills.by_number[2].beside) == 2
    # Not beside itself.
    assert [b.caption for b in stills.by_number[3].beside] == ["row 3", "row 4"]


def test_companions_that_are_not_there_are_left_out(overexposed: TakeResult) -> None:
    finding = overexposed.findings[0]
    stills = take_stills(overexposed, _with_companions(-1, 10**6), [(1, finding)])
    assert stills.by_number[1].beside == ()
    assert stills.by_number[1].large.width == 960


def test_many_comparisons_stay_within_the_budget(overexposed: TakeResult) -> None:
    first = overexposed.findings[0]
    numbers = [(n, replace(first, channel=n // 4)) for n in range(1, 41)]
    stills = take_stills(overexposed, _with_companions(9, 3), numbers)
    large = [
        j
        for s in stills.by_number.values()
        for j in (s.large, *(b.large for b in s.beside))
    ]
    assert len(large) == MOST_STILLS + 2 * 8
    assert sum(len(j.uri) for j in large) < 3_400_000


# ------------------------------------------------------------ levels and colours of it


def test_the_worst_of_each_rule_gets_its_scopes_once(overexposed: TakeResult) -> None:
    finding = overexposed.findings[0]
    late = replace(finding, rule="white.cast", worst_at=finding.worst_at + 2)
    same = replace(finding, rule="highlights.channel")
    other = replace(finding, rule="focus.soft")
    numbers = list(enumerate((finding, finding, same, late, other), 1))
    stills = take_stills(overexposed, all_measures(), numbers)
    assert set(stills.scopes) == {1, 4}
    assert [f.kind for f in stills.scopes[1]] == ["scope", "wide", "square"]


def test_scopes_remain_without_pictures_but_for_the_waveform(
    overexposed: TakeResult,
) -> None:
    numbers = list(enumerate(overexposed.findings, 1))
    stills = take_stills(overexposed, all_measures(), numbers, pictures=False)
    assert [f.kind for f in stills.scopes[1]] == ["scope", "square"]
    assert (stills.by_number, stills.why_none, stills.poster) == ({}, {}, None)
    html = take_page(overexposed, stills=False)
    assert "image/jpeg" not in html
    assert "Where in the picture" not in html


def test_no_more_than_so_many_pictures_the_gravest_first(
    overexposed: TakeResult,
) -> None:
    worst = overexposed.findings[0]
    mild = replace(worst, grade=Grade.NOTE)
    # Of many of one kind few have a picture: these are of several channels.
    kinds = [replace(mild, channel=n // 3) for n in range(30)]
    many = replace(overexposed, findings=(*kinds, worst))
    stills = _stills(many)
    assert len(stills.by_number) == MOST_STILLS
    assert 31 in stills.by_number
    assert len(stills.why_none) == 31 - MOST_STILLS
    size = sum(len(s.large.uri) + len(s.small.uri) for s in stills.by_number.values())
    assert size < 3_900_000


def test_a_page_with_all_it_may_hold_is_under_five_megabytes(
    overexposed: TakeResult,
) -> None:
    first = overexposed.findings[0]
    kinds = tuple(replace(first, channel=n // 4) for n in range(700))
    many = replace(overexposed, findings=kinds)
    assert len(take_page(many).encode()) < 5_000_000


def test_a_recording_that_is_gone_leaves_a_reason(overexposed: TakeResult) -> None:
    gone = replace(
        overexposed, info=replace(overexposed.info, path=SAMPLES / "not_here.mov")
    )
    stills = _stills(gone)
    assert not stills.by_number
    assert stills.poster is None
    assert "could not be read again" in stills.why_none[1]


def test_faults_of_sound_have_no_picture_and_say_so(make_result: MakeResult) -> None:
    result = make_result(Path("A.mov"), rule="sound.peak", channel=1)
    heard = tuple(replace(f, worst_pts_row=None) for f in result.findings)
    stills = _stills(replace(result, findings=heard))
    assert stills.why_none == dict.fromkeys((1, 2), "Not a fault that a picture shows.")


def test_worst_first_puts_grade_before_length(make_result: MakeResult) -> None:
    short, long = make_result(Path("A.mov"), spans=((0, 5), (10, 60))).findings
    grave = replace(short, grade=Grade.REJECT)
    order = worst_first([(1, long), (2, short), (3, grave)])
    assert [number for number, _ in order] == [3, 1, 2]


def test_of_pictures_that_look_the_same_one_is_shown(overexposed: TakeResult) -> None:
    first = overexposed.findings[0]
    # The take stands still before its fault, and burns out in it.
    same = [
        replace(first, rule="picture.repeated", where=None, worst_pts_row=row)
        for row in (10, 11, 80)
    ]
    stills = take_stills(
        overexposed, all_measures(), list(enumerate(same, 1)), pictures=True
    )
    assert sorted(stills.by_number) == [1, 3]
    assert stills.why_none == {2: "It looks as that of finding 1 does."}
    # Of other faults each keeps its own, with what is marked on it.
    other = [replace(f, rule="picture.noise") for f in same]
    stills = take_stills(
        overexposed, all_measures(), list(enumerate(other, 1)), pictures=True
    )
    assert sorted(stills.by_number) == [1, 2, 3]
