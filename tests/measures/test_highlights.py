"""Highlights: shares exact to the pixel, regions, largest area.

Published levels and colour bars are in ``values/signal.toml``. Second opinions:
`scipy.ndimage.label` for connected areas, `matplotlib.path` for polygons.
"""

from __future__ import annotations

import math
import tomllib
from fractions import Fraction
from pathlib import Path
from typing import Any

import colour
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.path import Path as Outline
from numpy.typing import NDArray
from scipy import ndimage

from qc.judge import find
from qc.limits import Region
from qc.measures.highlights import (
    MEASURE,
    judged_region,
    largest_area,
    region_mask,
    share_at_or_above,
)
from qc.records import Grade
from qc.signal import Signal
from tests.pictures import column, measure, picture, reader_of, setup_of

VALUES: dict[str, Any] = tomllib.loads(
    (Path(__file__).parents[1] / "values" / "signal.toml").read_text(encoding="utf-8")
)
LEVELS = VALUES["quantisation"]["values"]
TOUCHING = np.ones((3, 3), int)  # pixels that meet at a corner belong together

# All that burns out counts: for tests on levels, regions and rules.
UNSPLIT: dict[str, object] = {"highlights.split": False}

Mask = NDArray[np.uint8]


def read(
    y: NDArray[Any], *, signal: Signal | None = None, **changes: Any
) -> dict[str, Any]:
    """Read one picture; keyword ``level_percent=90`` changes that option.

    Nothing is told apart unless asked for: these tests are on levels and regions.
    """
    changes = {"split": False} | changes
    signal = Signal() if signal is None else signal
    height, width = y.shape
    keys = {f"highlights.{name}": value for name, value in changes.items()}
    setup = setup_of(keys, signal=signal, width=width, height=height)
    return dict(reader_of(MEASURE, setup).read(picture(y, signal=signal)))


# ------------------------------------------------------------------------ exact share


@pytest.mark.parametrize(("bits", "full", "black", "white", "exact", "first"), LEVELS)
def test_the_first_code_that_reaches_95_percent_counts_and_the_one_below_not(
    bits: int, full: bool, black: int, white: int, exact: float, first: int
) -> None:
    signal = Signal(bit_depth=bits, full_range=full)
    assert (signal.black, signal.white) == (black, white)
    assert signal.code(95) == pytest.approx(exact, abs=0.005)
    y = np.full((7, 13), black, np.uint16)
    y[0, 0] = first
    y[0, 1] = first - 1
    y[6, 12] = signal.top
    values = read(y, signal=signal)
    assert values["share_percent"] == 100 * 2 / 91
    assert values["relevant_percent"] == 100 * 2 / 91


@settings(deadline=None)
@given(
    st.sampled_from([(b, f) for b in (8, 10, 12) for f in (False, True)]),
    st.integers(10, 1090).map(lambda n: n / 10),
    st.tuples(st.integers(1, 30), st.integers(1, 30)),
    st.integers(0, 2**32 - 1),
)
def test_the_share_is_that_of_pixels_really_at_or_above_the_level(
    kind: tuple[int, bool], level: float, shape: tuple[int, int], number: int
) -> None:
    signal = Signal(bit_depth=kind[0], full_range=kind[1])
    y = np.random.default_rng(number).integers(0, signal.top + 1, shape)
    # By the formula of BT.709-6 in whole fractions, pixel by pixel.
    codes = [
        c
        for c in range(signal.top + 1)
        if Fraction(c - signal.black, signal.white - signal.black) * 100
        >= Fraction(str(level))
    ]
    expected = 100 * np.isin(y, codes).sum() / y.size
    values = read(y, signal=signal, level_percent=level)
    assert values["share_percent"] == expected
    assert values["relevant_percent"] == expected


def test_the_share_of_a_large_picture_is_exact() -> None:
    # 4097 x 4097 pixels: one more or less is not lost in float32.
    histogram = np.zeros(256, np.int64)
    histogram[[100, 225]] = 4097 * 4097 - 1, 1
    assert share_at_or_above(histogram, code=225) == 100 / (4097 * 4097)
    histogram[[100, 225]] = 1, 4097 * 4097 - 1
    share = share_at_or_above(histogram, code=225)
    assert share == 100 * (4097 * 4097 - 1) / (4097 * 4097) < 100


def test_codes_beyond_the_histogram_hold_nothing() -> None:
    histogram = np.array([1, 2, 3])
    assert share_at_or_above(histogram, code=-2) == 100
    assert share_at_or_above(histogram, code=3) == 0


@pytest.mark.parametrize(
    ("matrix", "bits", "percent", "level", "bars"), VALUES["bars_counted"]["values"]
)
def test_colour_bars_reach_the_level_as_their_codes_say(
    matrix: str, bits: int, percent: int, level: float, bars: int
) -> None:
    codes = next(
        codes
        for m, b, p, codes in VALUES["bars"]["values"]
        if (m, b, p) == (matrix, bits, percent)
    )
    y = np.repeat(np.repeat([codes], 11, axis=1), 9, axis=0)
    values = read(y, signal=Signal(bit_depth=bits), level_percent=level)
    assert values["share_percent"] == 100 * bars / 7


@pytest.mark.parametrize(
    ("bits", "ceiling", "percent"), VALUES["video_ceiling"]["values"]
)
def test_the_ceiling_is_the_highest_code_video_may_carry(
    bits: int, ceiling: int, percent: float
) -> None:
    signal = Signal(bit_depth=bits)
    assert signal.percent(ceiling) == pytest.approx(percent, abs=0.005)
    y = np.full((10, 10), ceiling - 1, np.uint16)
    y[0, :3] = ceiling
    y[1, 0] = signal.top
    values = read(y, signal=signal)
    assert values["ceiling_percent"] == 4
    assert values["share_percent"] == 100


def test_an_empty_picture_is_unknown_not_clean() -> None:
    values = read(np.zeros((0, 0), np.uint8))
    assert all(
        math.isnan(values[name])
        for name in (
            "share_percent",
            "relevant_percent",
            "ceiling_percent",
            "largest_percent",
        )
    )


@pytest.mark.parametrize("bits", [8, 10])
def test_planes_are_read_where_they_lie(bits: int) -> None:
    signal = Signal(bit_depth=bits)
    random = np.random.default_rng(2)
    dtype = np.uint8 if bits == 8 else np.uint16
    buffer = random.integers(0, signal.top, (41, 96), dtype, endpoint=True)
    before = buffer.copy()
    buffer.flags.writeable = False
    for view in (buffer[:, :67], buffer[::2, :67], buffer[:, 1::2]):
        values = read(view, signal=signal, ignore=[[0.0, 0.0, 0.5, 0.5]])
        burnt = view >= signal.first_code_at(95)
        assert values["share_percent"] == 100 * burnt.sum() / burnt.size
        copied = read(view.copy(), signal=signal, ignore=[[0.0, 0.0, 0.5, 0.5]])
        assert values.keys() == copied.keys()
        for name, value in values.items():
            assert np.array_equal(value, copied[name])
    assert np.array_equal(buffer, before)


# ---------------------------------------------------------------------------- regions


def rectangle(x: float, y: float, w: float, h: float) -> Region:
    return Region(((x, y), (x + w, y), (x + w, y + h), (x, y + h)))


@given(
    st.tuples(st.integers(1, 60), st.integers(1, 60)),
    st.lists(st.integers(0, 100), min_size=4, max_size=4),
)
def test_a_rectangle_covers_the_pixels_whose_centres_it_covers(
    shape: tuple[int, int], sides: list[int]
) -> None:
    left, right = sorted(sides[:2])
    top, bottom = sorted(sides[2:])
    if left == right or top == bottom:
        return
    height, width = shape
    region = rectangle(
        left / 100, top / 100, (right - left) / 100, (bottom - top) / 100
    )
    mask = region_mask([region], height=height, width=width)
    # Centre of pixel j lies at (2 j + 1) / (2 width); in whole numbers: 100 (2 j + 1)
    # against 2 width times the percent. On the edge itself rounding decides.
    x, y = 50 * (2 * np.arange(width) + 1), 50 * (2 * np.arange(height) + 1)
    inside = np.outer(
        (y > top * height) & (y < bottom * height),
        (x > left * width) & (x < right * width),
    )
    touched = np.outer(
        (y >= top * height) & (y <= bottom * height),
        (x >= left * width) & (x <= right * width),
    )
    assert np.array_equal(mask[inside], np.ones(inside.sum(), bool))
    assert not mask[~touched].any()


def test_whole_and_half_pictures_are_exact() -> None:
    for height, width in ((1, 1), (7, 9), (8, 10), (1080, 1920)):
        assert region_mask([rectangle(0, 0, 1, 1)], height=height, width=width).all()
    mask = region_mask([rectangle(0.25, 0, 0.5, 0.5)], height=1080, width=1920)
    expected = np.zeros((1080, 1920), bool)
    expected[:540, 480:1440] = True
    assert np.array_equal(mask, expected)


def test_a_triangle_covers_its_area_and_the_right_side_of_its_edges() -> None:
    corners = ((0.1, 0.2), (0.9, 0.35), (0.4, 0.95))
    height, width = 487, 811
    mask = region_mask([Region(corners)], height=height, width=width)
    # Shoelace formula; pixels on the outline may fall on either side of it.
    (ax, ay), (bx, by), (cx, cy) = corners
    area = abs((bx - ax) * (cy - ay) - (cx - ax) * (by - ay)) / 2 * height * width
    outline = 2 * (height + width)
    assert mask.sum() == pytest.approx(area, abs=0.05 * outline)
    # A point is inside if it lies on one side of all three edges.
    y, x = np.indices((height, width)) + 0.5
    x, y = x / width, y / height
    sides = [
        (qx - px) * (y - py) - (qy - py) * (x - px)
        for (px, py), (qx, qy) in zip(corners, corners[1:] + corners[:1], strict=True)
    ]
    inside = np.all([s > 0 for s in sides], axis=0)
    unsure = np.any([np.abs(s) < 1e-9 for s in sides], axis=0)
    assert np.array_equal(mask[~unsure], inside[~unsure])


def test_a_hollow_outline_agrees_with_another_library() -> None:
    star = [
        (
            0.5 + r * math.sin(k * math.pi / 5),
            0.5 - r * math.cos(k * math.pi / 5),
        )
        for k, r in enumerate([0.45, 0.17] * 5)
    ]
    height, width = 301, 533
    mask = region_mask([Region(tuple(star))], height=height, width=width)
    y, x = np.indices((height, width)) + 0.5
    centres = np.column_stack([x.ravel() / width, y.ravel() / height])
    inside = Outline([*star, star[0]], closed=True).contains_points(centres)
    differ = mask.ravel() != inside
    assert differ.sum() <= 4  # on the outline to within rounding
    assert 0.1 < mask.mean() < 0.4


def test_relevant_and_ignored_regions_combine() -> None:
    y = np.full((40, 80), 240, np.uint8)
    left, middle = [0.0, 0.0, 0.5, 1.0], [0.25, 0.0, 0.5, 1.0]
    corner = [[0.0, 0.0], [0.25, 0.0], [0.25, 0.5], [0.0, 0.5]]
    cases: list[tuple[dict[str, Any], float]] = [
        ({}, 100.0),
        ({"relevant": [left]}, 50.0),
        ({"ignore": [left]}, 50.0),
        ({"relevant": [left, middle]}, 75.0),
        ({"relevant": [left], "ignore": [middle]}, 25.0),
        ({"relevant": [left], "ignore": [corner]}, 37.5),
        ({"ignore": [left, middle]}, 25.0),
    ]
    for regions, percent in cases:
        values = read(y, **regions)
        assert values["share_percent"] == 100
        assert values["relevant_percent"] == percent
        assert values["largest_percent"] == percent


def test_only_burnt_pixels_of_the_judged_area_count() -> None:
    y = np.full((40, 80), 100, np.uint8)
    y[10:20, 10:50] = 230  # 400 pixels, 100 of them right of the middle
    values = read(y, ignore=[[0.5, 0.0, 0.5, 1.0]])
    assert values["share_percent"] == 12.5
    assert values["relevant_percent"] == 100 * 300 / 3200
    assert values["largest_box"].tolist() == [10, 10, 30, 10]


def test_judged_region_is_relevant_less_ignored() -> None:
    relevant, ignore = (rectangle(0, 0, 0.5, 1),), (rectangle(0.25, 0, 0.5, 1),)
    mask = judged_region(relevant, ignore, height=4, width=8)
    assert np.array_equal(mask, np.tile([True] * 2 + [False] * 6, (4, 1)))


def test_where_nothing_is_left_to_judge_the_reading_is_unknown_and_said_so() -> None:
    whole = UNSPLIT | {"highlights.ignore": [[0.0, 0.0, 1.0, 1.0]]}
    for code in (100, 240):
        y = np.full((40, 80), code, np.uint8)
        measured = measure(
            [picture(y, index=i) for i in range(10)], setup_of(whole), [MEASURE]
        )
        assert np.isnan(column(measured, "highlights.relevant_percent")).all()
        assert np.isnan(column(measured, "highlights.largest_percent")).all()
        assert not findings_of(measured)
        assert MEASURE.notes is not None
        assert any("no pixel" in note for note in MEASURE.notes(measured))


# ----------------------------------------------------------------------- largest area


def blobs(number: int) -> Mask:
    """Rectangles of up to 9 x 9 pixels in cells of 16: 7 or more pixels apart."""
    random = np.random.default_rng(number)
    rows, columns = random.integers(1, 6, 2)
    height, width = rows * 16 - random.integers(0, 7), columns * 16
    mask = np.zeros((height, width), np.uint8)
    for i in range(rows):
        for j in range(columns):
            h, w = random.integers(0, 10, 2)
            top = i * 16 + random.integers(0, 10 - h)
            left = j * 16 + random.integers(0, 10 - w)
            mask[top : top + h, left : left + w] = 1
    return mask


@given(st.integers(0, 2**32 - 1))
def test_the_largest_of_areas_far_apart_is_scipys(number: int) -> None:
    mask = blobs(number)
    labels, count = ndimage.label(mask, TOUCHING)
    pixels, box = largest_area(mask)
    if not count:
        assert (pixels, box) == (0, None)
        return
    sizes = np.bincount(labels.ravel())[1:]
    assert pixels == sizes.max()
    # Several areas may be the largest: the box must be that of one of them.
    boxes = [
        (s[1].start, s[0].start, s[1].stop - s[1].start, s[0].stop - s[0].start)
        for s, size in zip(ndimage.find_objects(labels), sizes, strict=True)
        if size == sizes.max()
    ]
    assert box in boxes


@given(
    st.tuples(st.integers(1, 50), st.integers(1, 50)),
    st.floats(0, 1),
    st.integers(0, 2**32 - 1),
)
def test_the_largest_area_lies_between_scipys_and_all(
    shape: tuple[int, int], density: float, number: int
) -> None:
    mask = (np.random.default_rng(number).uniform(size=shape) < density).astype(
        np.uint8
    )
    pixels, box = largest_area(mask)
    labels, _ = ndimage.label(mask, TOUCHING)
    sizes = np.bincount(labels.ravel(), minlength=2)[1:]
    # Joining across small gaps only ever makes an area larger.
    assert max(sizes) <= pixels <= mask.sum()
    if box is not None:
        x, y, w, h = box
        part = mask[y : y + h, x : x + w]
        assert part.sum() >= pixels
        for edge in (part[0], part[-1], part[:, 0], part[:, -1]):
            assert edge.any()


@given(st.integers(0, 2**32 - 1), st.integers(1, 300))
def test_one_area_is_all_of_it(number: int, steps: int) -> None:
    # A walk of king's moves: every pixel touches the one before.
    random = np.random.default_rng(number)
    mask = np.zeros((37, 45), np.uint8)
    at = np.array([18, 22])
    for move in random.integers(-1, 2, (steps, 2)):
        mask[tuple(at)] = 1
        at = np.clip(at + move, 0, [36, 44])
    pixels, box = largest_area(mask)
    rows, columns = np.nonzero(mask)
    assert pixels == mask.sum()
    left, top = int(columns.min()), int(rows.min())
    assert box == (left, top, int(columns.max()) - left + 1, int(rows.max()) - top + 1)


@pytest.mark.parametrize("axis", [0, 1])
@pytest.mark.parametrize("offset", range(4))
def test_small_gaps_are_bridged_and_wide_ones_not(axis: int, offset: int) -> None:
    for gap in range(1, 12):
        mask = np.zeros((12, 40), np.uint8)
        mask[3:7, offset : offset + 5] = 1
        mask[3:7, offset + 5 + gap : offset + 10 + gap] = 1
        mask = np.ascontiguousarray(mask.T if axis else mask)
        pixels, _ = largest_area(mask)
        if gap < 4:
            assert pixels == 40
        elif gap >= 7:
            assert pixels == 20
        else:
            assert pixels in (20, 40)


@settings(max_examples=20)
@given(st.integers(0, 2**32 - 1))
def test_a_mask_of_any_stride_is_read_right(number: int) -> None:
    mask = blobs(number)
    wide = np.zeros((mask.shape[0], mask.shape[1] * 2), np.uint8)
    wide[:, ::2] = mask
    assert largest_area(wide[:, ::2]) == largest_area(mask)


def test_the_reader_reports_share_and_box_of_the_largest_area() -> None:
    for bits in (8, 10, 12):
        signal = Signal(bit_depth=bits)
        y = np.full((271, 483), signal.black, np.uint16)
        y[20:60, 30:101] = signal.first_code_at(95)
        y[200:205, 400:483] = signal.top
        values = read(y, signal=signal)
        assert values["largest_percent"] == 100 * 40 * 71 / (271 * 483)
        assert values["largest_box"].tolist() == [30, 20, 71, 40]
        assert values["share_percent"] == 100 * (40 * 71 + 5 * 83) / (271 * 483)


# ----------------------------------------------------------------------- whole takes


def findings_of(measured: Any) -> list[Any]:
    return [f for f in find(measured, [MEASURE]) if f.rule == "highlights.relevant"]


def test_a_burnt_stretch_is_found_to_the_frame() -> None:
    dark, burnt = np.full((90, 160), 120, np.uint8), np.full((90, 160), 120, np.uint8)
    burnt[30:60, 40:80] = 235  # 8.3 % of the picture
    y = [burnt if 12 <= i < 31 else dark for i in range(50)]
    measured = measure(
        [picture(p, index=i) for i, p in enumerate(y)], setup_of(UNSPLIT), [MEASURE]
    )
    (finding,) = findings_of(measured)
    assert (finding.start_frame, finding.end_frame) == (12, 31)
    assert finding.grade is Grade.REJECT
    assert finding.worst == pytest.approx(100 * 1200 / 14400)
    assert finding.where == (40, 30, 40, 30)
    assert "iris" in finding.advice


def test_limits_are_inclusive_as_told() -> None:
    # One percent exactly is not beyond a limit of one percent.
    y = np.full((100, 100), 120, np.uint8)
    y[0, :100] = 235
    measured = measure(
        [picture(y, index=i) for i in range(25)], setup_of(UNSPLIT), [MEASURE]
    )
    assert not findings_of(measured)
    y = y.copy()
    y[1, 0] = 235
    measured = measure(
        [picture(y, index=i) for i in range(25)], setup_of(UNSPLIT), [MEASURE]
    )
    (finding,) = findings_of(measured)
    assert finding.grade is Grade.REVIEW


def test_the_summary_says_how_high_the_picture_goes() -> None:
    y = np.full((100, 200), 120, np.uint8)
    y[:10, :10] = 235
    measured = measure(
        [picture(y, index=i) for i in range(5)], setup_of(UNSPLIT), [MEASURE]
    )
    assert MEASURE.summarise is not None
    summary = MEASURE.summarise(measured)
    assert summary["highest_level_percent"] == 100
    assert summary["share_max_percent"] == pytest.approx(0.5)
    assert summary["share_mean_percent"] == pytest.approx(0.5)
    assert (summary["level_percent"], summary["level_code"]) == (95, 225)


@pytest.mark.parametrize(
    ("transfer", "said"), [("pq", "203 cd/m² at 58 %"), ("hlg", "white (75 %")]
)
def test_hdr_levels_are_not_called_clipped(transfer: Any, said: str) -> None:
    signal = Signal(bit_depth=10, transfer=transfer)
    y = np.full((16, 16), 500, np.uint16)
    measured = measure([picture(y, signal=signal)], setup_of(signal=signal), [MEASURE])
    assert MEASURE.notes is not None
    (note,) = MEASURE.notes(measured)
    assert said in note
    if transfer == "pq":  # 95 % of SMPTE ST 2084, by colour-science
        nits = round(float(colour.models.eotf_ST2084(0.95)))
        assert f"{nits // 1000}\N{NO-BREAK SPACE}{nits % 1000:03d} cd/m²" in note


@pytest.mark.parametrize(
    ("rows", "frames", "found"),
    [
        (5, 5, True),  # 0.2 s, which is not too short
        (5, 4, False),
        (9, 4, True),  # over the limit for rejecting, however short
        (1, 50, False),  # on the review limit, not beyond it
    ],
)
def test_what_to_do_about_a_swab_is_noted_beside_a_finding_alone(
    rows: int, frames: int, found: bool
) -> None:
    dark, burnt = np.full((100, 100), 120, np.uint8), np.full((100, 100), 120, np.uint8)
    burnt[:rows] = 235  # a hundredth of the picture each
    y = [burnt if 5 <= i < 5 + frames else dark for i in range(60)]
    measured = measure(
        [picture(p, index=i) for i, p in enumerate(y)], setup_of(UNSPLIT), [MEASURE]
    )
    assert bool(findings_of(measured)) is found
    assert MEASURE.notes is not None
    assert any("A swab that was" in n for n in MEASURE.notes(measured)) is found


def test_the_mark_stripes_what_counts_and_tells_ignored_apart() -> None:
    y = np.full((40, 80), 100, np.uint8)
    y[:, 30:50] = 230
    pictures = [picture(y, index=i) for i in range(10)]
    setup = setup_of(UNSPLIT | {"highlights.ignore": [[0.5, 0.0, 0.5, 1.0]]})
    (finding,) = findings_of(measure(pictures, setup, [MEASURE]))
    assert MEASURE.mark is not None
    marks = MEASURE.mark(pictures[0], setup, finding)
    areas = dict(marks.areas)
    assert np.array_equal(np.flatnonzero(areas["burnt"].all(axis=0)), range(30, 40))
    ignored = areas["burnt-ignored"]
    assert np.array_equal(np.flatnonzero(ignored.all(axis=0)), range(40, 50))
    ((kind, outline),) = marks.outlines
    assert kind == "ignored"
    assert outline.tolist() == [[40, 0], [80, 0], [80, 40], [40, 40]]
