"""Drift of the level: gains are exact logarithms; walks, pumps, and what is neither.

Second opinion: colour-science's transfer curves. Drawn light is multiplied by a known
gain and coded, with noise.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import pairwise
from typing import Any

import colour
import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from qc.measures import framing, steadiness
from qc.measures.base import Measured
from qc.measures.exposure import MEASURE
from qc.measures.parts.level.levelwalk import level_steps, swings
from qc.measures.parts.level.smallcells import small_cells
from qc.records import Grade, Picture
from qc.signal import Signal
from tests.pictures import (
    column,
    findings,
    measure,
    picture,
    reader_of,
    scene,
    setup_of,
)

LUMA = (scene(270, 480, np.random.default_rng(11), low=30) - 16) / 219
LIGHT = 0.6 * np.asarray(colour.models.oetf_inverse_BT709(np.clip(LUMA, 0, 1)))
MOMENTS = 200
Look = Callable[[float], NDArray[Any]]


def drifts(
    light_at: Look, *, seconds: float = MOMENTS / 25, motion: bool = False
) -> tuple[Measured, Any]:
    """Shoot linear light at 25 frames a second, with noise, and return its drifts.

    Pans are only told from an iris where motion is read as well.
    """

    def shot(i: int) -> Any:
        value = np.minimum(colour.models.oetf_BT709(light_at(i / 25)), 1.05)
        grain = np.random.default_rng(i).normal(0, 1.5, value.shape)
        return picture(16 + 219 * value + grain, index=i)

    measures = (framing.MEASURE, *[steadiness.MEASURE] * motion, MEASURE)
    pictures = (shot(i) for i in range(round(seconds * 25)))
    measured = measure(pictures, setup_of(), measures)
    return measured, findings(measured, "exposure.drift")


def still() -> NDArray[Any]:
    return LIGHT[::2, ::2].copy()


def shifted(x: float, y: float = 0.0) -> NDArray[Any]:
    left, top = round(x), round(y)
    return LIGHT[top : top + 135, left : left + 240].copy()


def zoomed(scale: float) -> NDArray[Any]:
    height, width = round(270 / scale), round(480 / scale)
    part = LIGHT[(270 - height) // 2 :, (480 - width) // 2 :][:height, :width]
    return np.asarray(cv2.resize(part, (240, 135), interpolation=cv2.INTER_AREA))


def in_colour(rgb: NDArray[Any], *, index: int) -> Picture:
    """Code R'G'B' (3, h, w), shares of black to white, as BT.709 says."""
    red, green, blue = rgb
    luma = 0.2126 * red + 0.7152 * green + 0.0722 * blue
    flat = picture(16 + 219 * luma, index=index)
    cb, cr = (
        np.rint(128 + 224 * d[::2, ::2]).astype(np.uint8)
        for d in ((blue - luma) / 1.8556, (red - luma) / 1.5748)
    )
    return Picture(
        index=index, pts=index, y=flat.y, cb=cb, cr=cr, signal=flat.signal, duration=1
    )


@pytest.mark.parametrize("gain", [0.5, 0.8, 1.0, 1.25, 1.8])
@pytest.mark.parametrize("transfer", ["bt709", "srgb", "hlg"])
def test_a_gain_in_light_is_its_logarithm(gain: float, transfer: Any) -> None:
    curve: Any = {
        "bt709": colour.models.oetf_BT709,
        "srgb": colour.models.eotf_inverse_sRGB,
        "hlg": lambda e: colour.models.oetf_BT2100_HLG(e),
    }[transfer]
    signal = Signal(bit_depth=10, transfer=transfer)
    light = np.kron(np.linspace(0.1, 0.3, 24).reshape(4, 6), np.ones((40, 40)))
    reader = reader_of(MEASURE, setup_of(signal=signal))
    for i, g in enumerate((1.0, gain)):
        y = 64 + 876 * curve(light * g)
        values = dict(reader.read(picture(y, signal=signal, index=i)))
    # Rounded constants of the curve, whole codes.
    assert values["level_stops"] == pytest.approx(math.log2(gain), abs=0.01)


def test_the_gain_is_the_change_since_the_frame_before() -> None:
    measured, _ = drifts(lambda t: still() * 2 ** (0.1 * t), seconds=2)
    gain = column(measured, "exposure.gain_stops")
    assert np.isnan(gain[0])
    assert float(np.mean(gain[1:])) == pytest.approx(0.1 / 25, abs=3e-4)


@pytest.mark.parametrize(("stops", "period"), [(0.5, 1.0), (0.7, 2.0), (1.0, 2.5)])
def test_pumping_is_found_with_its_size_and_period(stops: float, period: float) -> None:
    def look(t: float) -> NDArray[Any]:
        return still() * 2 ** (stops / 2 * math.sin(2 * math.pi * t / period))

    _, (finding,) = drifts(look)
    # Running medians over a quarter second flatten the tops of a sine of a second:
    # 1 - cos(pi / 4) of half its size is 0.15 of it.
    assert finding.worst == pytest.approx(stops, rel=0.16)
    assert "pumps" in finding.message
    told = float(finding.message.partition("every ")[2].partition(" s")[0])
    assert told == pytest.approx(period, rel=0.06)
    assert "manual" in finding.advice


@pytest.mark.parametrize("rounds", [2.0, 2.5])
def test_pumping_is_told_from_its_first_half_swing_to_its_last(rounds: float) -> None:
    period, begin = 1.6, 2.0
    end = begin + rounds * period

    def look(t: float) -> NDArray[Any]:
        phase = 2 * math.pi * (t - begin) / period if begin <= t < end else 0.0
        return still() * 2 ** (0.35 * math.sin(phase))

    _, (finding,) = drifts(look, seconds=9)
    # A tenth of a swing at either end is let be as level, 0.05 s of a sine's middle;
    # running medians blur by an eighth of a second.
    assert float(finding.start) == pytest.approx(begin, abs=0.2)
    assert float(finding.end) == pytest.approx(end, abs=0.2)


def test_parts_that_burn_do_not_pass_for_another_lamp() -> None:
    # Dark green ground, white parts: brighter by 1.3 stops half of them are cut off,
    # and what is left of the picture is greener than before.
    random = np.random.default_rng(5)
    white = cv2.resize(random.uniform(0, 1, (9, 16)), (240, 135)) > 0.5
    ground = np.array([0.05, 0.12, 0.04])[:, None, None]
    paint = np.where(white, 0.5, ground) * random.uniform(0.6, 1.4, (135, 240))

    def shot(i: int) -> Picture:
        light = paint * 2 ** (1.3 if 60 <= i < 100 else 0.0)
        coded = np.minimum(colour.models.oetf_BT709(light), 1.05)
        return in_colour(coded, index=i)

    measures = (framing.MEASURE, MEASURE)
    measured = measure((shot(i) for i in range(150)), setup_of(), measures)
    (finding,) = findings(measured, "exposure.drift")
    assert (finding.start_frame, finding.end_frame) == (60, 100)
    assert finding.worst == pytest.approx(1.3, abs=0.1)


def test_a_slow_walk_is_found_to_the_moment() -> None:
    def look(t: float) -> NDArray[Any]:
        return still() * 2 ** -(0.8 * min(max((t - 2) / 4, 0), 1))

    _, (finding,) = drifts(look)
    assert finding.worst == pytest.approx(0.8, abs=0.03)
    assert "falls by 0.8" in finding.message
    # A tenth of the way is left out at both ends: 0.4 s.
    assert finding.start_frame == pytest.approx(50 + 10, abs=4)
    assert finding.end_frame == pytest.approx(150 - 10, abs=4)
    assert MEASURE.exhibits is not None


def test_everything_darkening_as_a_swab_comes_in_is_automatic_exposure() -> None:
    def look(t: float) -> NDArray[Any]:
        light = still()
        if t > 3:
            light[50:100, 75:150] = 1.1
        return light * 2 ** -(0.6 * min(max(t - 3, 0), 1))

    _, (finding,) = drifts(look)
    assert finding.worst == pytest.approx(0.6, abs=0.05)
    assert "sign of automatic exposure" in finding.message
    assert "one of them is automatic" in finding.advice


def swab_laid(t: float) -> NDArray[Any]:
    light = still()
    if t > 3:
        light[50:100, 75:150] = 1.1
    return light


def hand_moving(t: float) -> NDArray[Any]:
    light = still()
    x = round(20 + 100 * (0.5 + 0.5 * math.sin(1.3 * t)))
    light[30:110, x : x + 60] = 0.35
    return light


def shadow_falling(t: float) -> NDArray[Any]:
    light = still()
    light[:, : round(150 * min(max(t - 3, 0) / 2, 1))] *= 0.5
    return light


@pytest.mark.parametrize(
    "look",
    [
        lambda t: still(),
        lambda t: shifted(min(30 * t, 230)),
        lambda t: shifted(100 + 5 * t, 60),
        lambda t: shifted(100 + 2 * math.sin(6 * t), 60 + math.sin(5 * t)),
        lambda t: zoomed(1.0 + 0.08 * t),
        hand_moving,
        swab_laid,
        shadow_falling,
        lambda t: still() * (1.35 if t > 4 else 1.0),
        lambda t: still() * (1.6 if 4 < t < 4.07 else 1.0),
    ],
    ids=["still", "pan", "slow pan", "sway", "zoom", "hand", "swab", "shadow",
         "small jump", "one flash"],
)  # fmt: skip
def test_what_is_no_gain_is_no_drift(look: Look) -> None:
    _, found = drifts(look)
    assert found == []


@pytest.mark.parametrize(
    ("stops", "seconds"), [(0.6, 0.12), (-0.6, 1 / 25), (1.2, 1 / 25)]
)
def test_a_jump_that_stays_is_a_note_at_its_frame(stops: float, seconds: float) -> None:
    # An iris knocked: at once, or within three frames.
    def look(t: float) -> NDArray[Any]:
        part = min(max((t - 4 + 1 / 25) / seconds, 0), 1)
        return 0.5 * still() * 2 ** (stops * part)

    _, (finding,) = drifts(look)
    assert finding.grade is Grade.NOTE
    assert finding.worst == pytest.approx(abs(stops), abs=0.04)
    assert finding.start_frame == pytest.approx(100, abs=3)
    assert f"jumps {'up' if stops > 0 else 'down'} by {abs(stops):.1f}" in (
        finding.message
    )
    assert "iris ring" in finding.advice


@pytest.mark.parametrize(
    ("stops", "seconds", "grade"),
    [
        (-1.0, 0.8, Grade.NOTE),  # the iris turned to another setting
        (0.7, 1.6, Grade.NOTE),
        (-0.8, 4.0, Grade.REVIEW),  # no hand is so slow
    ],
)
def test_a_quick_move_that_stays_is_a_note(
    stops: float, seconds: float, grade: Grade
) -> None:
    def look(t: float) -> NDArray[Any]:
        return 0.5 * still() * 2 ** (stops * min(max((t - 2) / seconds, 0), 1))

    _, (finding,) = drifts(look)
    assert finding.grade is grade
    assert finding.worst == pytest.approx(abs(stops), abs=0.05)
    stays = "and stays there" in finding.message
    assert stays == (grade is Grade.NOTE)
    assert ("iris ring" in finding.advice) == stays


def clicks(t: float, *, each: float, way: list[int]) -> NDArray[Any]:
    """Turn an iris by clicks, the first at 2 s, then every 0.8 s."""
    done = sum(way[: max(0, math.floor((t - 2.0) / 0.8 + 1e-9) + 1)])
    return still() * 2.0 ** (each * done)


def test_an_iris_turned_click_by_click_is_told() -> None:
    # Thirds of a stop: each by itself less than what is told of a jump.
    _, found = drifts(lambda t: clicks(t, each=-1 / 3, way=[1] * 5))
    (finding,) = found
    assert finding.worst == pytest.approx(5 / 3, abs=0.05)
    assert abs(finding.start_frame - 50) <= 4
    assert abs(finding.end_frame - (50 + 4 * 20)) <= 6
    assert finding.grade is Grade.REJECT  # 1.5 stops and more
    # Two of them, that stay: another setting. Up and down again: not.
    _, (finding,) = drifts(lambda t: clicks(t, each=0.3, way=[1, 1]))
    assert finding.grade is Grade.NOTE
    _, (finding,) = drifts(lambda t: clicks(t, each=0.3, way=[1, 1, -1, -1]))
    assert finding.grade is Grade.REVIEW
    assert finding.worst == pytest.approx(0.6, abs=0.05)


@pytest.mark.parametrize("back_s", [0.2, 0.24, 0.28])
@pytest.mark.parametrize(
    # What is told as too dark anyway: this only names the cause.
    ("left", "grade"),
    [(0.35, Grade.NOTE), (0.6, Grade.REVIEW)],
)
def test_a_lamp_dimmed_slowly_that_is_back_at_once_is_told_as_one(
    left: float, grade: Grade, back_s: float
) -> None:
    # To a part of its light within a second, and after 3 s up again.
    def look(t: float) -> NDArray[Any]:
        parts = (float(np.clip(x, 0.0, 1.0)) for x in (t - 2.0, (6.4 - t) / back_s))
        share = math.prod(x * x * (3.0 - 2.0 * x) for x in parts)
        return np.asarray(still() * (1.0 - (1.0 - left) * share))

    _, (finding,) = drifts(look)
    assert finding.grade is grade
    assert 50 <= finding.start_frame <= 65
    assert 150 <= finding.end_frame <= 160
    assert finding.worst == pytest.approx(-math.log2(left), abs=0.05)
    assert "falls by" in finding.message
    assert "jumps back" in finding.message


@pytest.mark.parametrize("later", [12.0, 4.0])
def test_a_setting_is_back_only_soon_and_by_most_of_it(later: float) -> None:
    # Back after more than ten seconds, or by half: two settings.
    half = 0.5 if later < 10.0 else 1.0

    def look(t: float) -> NDArray[Any]:
        away = min(max(t - 2.0, 0.0), 1.0)
        return 0.5 * still() * 2 ** (-1.2 * away + 1.2 * half * (t >= 3.0 + later))

    _, found = drifts(look, seconds=20.0)
    assert [f.grade for f in found] == [Grade.NOTE, Grade.NOTE]


@pytest.mark.parametrize("way", [[1], [1, -1], [1, -1, 1, -1]])
def test_single_clicks_are_let_be(way: list[int]) -> None:
    assert drifts(lambda t: clicks(t, each=1 / 3, way=way))[1] == []


def test_one_slow_round_of_an_iris_is_no_setting() -> None:
    """Up by half, down by all of it, up again: only the way down is over the limit."""
    stops, period, begins = 0.4, 2.8, 1.0

    def look(t: float) -> NDArray[Any]:
        turn = (t - begins) / period
        inside = 0.0 <= turn <= 1.0
        return still() * 2 ** (stops / 2 * math.sin(2 * math.pi * turn) * inside)

    _, (finding,) = drifts(look, seconds=6.0)
    assert finding.grade is Grade.REVIEW
    assert finding.worst == pytest.approx(stops, abs=0.03)
    assert float(finding.start) == pytest.approx(begins, abs=0.3)
    assert float(finding.end) == pytest.approx(begins + period, abs=0.3)
    assert "comes back in part" in finding.message


WALL = np.linspace(0.0, -3.0, 1400)  # stops, along a wall lit from one end
ROOM = scene(135, 240, np.random.default_rng(5), low=30)


def test_a_pan_along_a_wall_into_another_room_is_no_iris() -> None:
    grain = np.random.default_rng(3).normal(0, 0.15, (135, 1400))
    wall = 0.5 * 2 ** (WALL + cv2.GaussianBlur(grain, (0, 0), 2.0))
    room = np.asarray(colour.models.oetf_inverse_BT709((ROOM - 16) / 219))

    def look(t: float) -> NDArray[Any]:
        if t > 3.0:
            return room
        left = round(np.clip(t - 1.6, 0.0, 1.4) ** 2 * 500)
        return np.asarray(wall[:, left : left + 240])

    measured, found = drifts(look, seconds=5.0, motion=True)
    level = column(measured, "exposure.level_stops")[: 3 * 25]
    assert np.nanmin(level) < -0.3  # the level alone would tell of an iris
    assert not found


def test_a_jump_and_its_way_back_are_one_review() -> None:
    def look(t: float) -> NDArray[Any]:
        return 0.5 * still() * (2**0.8 if 3 <= t < 5.4 else 1.0)

    _, (finding,) = drifts(look)
    assert finding.grade is Grade.REVIEW
    assert (finding.start_frame, finding.end_frame) == (75, 135)
    assert "and back 2.4 s later" in finding.message


def test_there_and_back_into_the_dark_is_told_as_dark() -> None:
    def look(t: float) -> NDArray[Any]:
        return 0.5 * still() * (2**-2.0 if 3 <= t < 5 else 1.0)

    measured, (finding,) = drifts(look, seconds=6.5)
    assert findings(measured, "exposure.dark")
    assert finding.grade is Grade.NOTE
    assert "and back 2.0 s later" in finding.message


@pytest.mark.parametrize(("hz", "stops"), [(2.5, 1.0), (4.0, 0.4), (8.0, 1.0)])
def test_flashes_are_no_iris(hz: float, stops: float) -> None:
    def look(t: float) -> NDArray[Any]:
        on = 3 <= t < 5.5 and math.sin(2 * math.pi * hz * (t - 3 + 0.001)) > 0
        return 0.5 * still() * (2**stops if on else 1.0)

    _, found = drifts(look)
    assert found == []


@pytest.mark.parametrize(("warmer", "told"), [(0.0, True), (0.3, False)])
def test_a_lamp_switched_brings_its_colour(warmer: float, told: bool) -> None:
    # Red rises by so many stops against green, blue falls: a lamp of another colour.
    def shot(i: int) -> Picture:
        light = 0.5 * still()
        rgb = np.stack([light, light, light])
        if i >= 100:
            rgb *= 2 ** np.array([0.7 + warmer, 0.7, 0.7 - warmer])[:, None, None]
        return in_colour(colour.models.oetf_BT709(rgb), index=i)

    pictures = (shot(i) for i in range(135))
    measured = measure(pictures, setup_of(), (framing.MEASURE, MEASURE))
    assert bool(findings(measured, "exposure.drift")) == told


def test_a_cut_and_a_quick_pan_are_no_jump() -> None:
    def cut(t: float) -> NDArray[Any]:
        return still() if t < 4 else 0.6 * still()[::-1, ::-1]

    def pan(t: float) -> NDArray[Any]:
        return shifted(min(max(400 * (t - 3), 0), 230))

    for look in (cut, pan):
        _, found = drifts(look, seconds=5.5)
        assert found == []


def test_damaged_frames_have_no_level_and_break_nothing() -> None:
    y = 16 + 219 * colour.models.oetf_BT709(still())
    broken = np.full(y.shape, 128.0)
    pictures = [
        picture(broken if i in (5, 6) else y, index=i, damaged=i in (5, 6))
        for i in range(12)
    ]
    measured = measure(pictures, setup_of(), [MEASURE])
    level = column(measured, "exposure.level_stops")
    assert np.flatnonzero(np.isnan(level)).tolist() == [5, 6]
    assert np.nanmax(np.abs(level)) < 1e-3
    assert set(column(measured, "exposure.place")) == {0.0}


def figure_of(measured: Measured, finding: Any) -> Any:
    """Return the figure beside a finding."""

    class Result:
        picture = measured.picture
        limits = measured.limits

    assert MEASURE.exhibits is not None
    (exhibit,) = MEASURE.exhibits(Result(), finding)  # type: ignore[arg-type]
    return exhibit


def test_a_drift_comes_with_a_line_of_the_level() -> None:
    def look(t: float) -> NDArray[Any]:
        return still() * 2 ** (0.3 * math.sin(2 * math.pi * t / 2))

    measured, (finding,) = drifts(look, seconds=6)
    exhibit = figure_of(measured, finding)
    (line,) = exhibit.lines
    assert exhibit.kind == "lines"
    assert np.ptp(line.y[~np.isnan(line.y)]) == pytest.approx(0.6, abs=0.02)


@pytest.mark.parametrize("stops", [-0.6, 0.6])
def test_the_figure_shows_the_number_told_with_its_sign(stops: float) -> None:
    def look(t: float) -> NDArray[Any]:
        return still() * 2 ** (stops * min(max((t - 1.5) / 4, 0), 1))

    measured, (finding,) = drifts(look)
    exhibit = figure_of(measured, finding)
    ends = [value for _, value in exhibit.levels]
    assert ends[1] - ends[0] == pytest.approx(stops, abs=0.02)
    assert f"{'−' if stops < 0 else '+'}{finding.worst:.2f} stop." in exhibit.caption
    assert ("falls by 0.6" if stops < 0 else "rises by 0.6") in finding.message
    # The curve reaches both levels, and the worst frame lies at the end of its way.
    (line,) = exhibit.lines
    assert np.nanmin(line.y) == pytest.approx(min(ends), abs=0.02)
    assert np.nanmax(line.y) == pytest.approx(max(ends), abs=0.02)
    assert finding.end_frame - 6 <= finding.worst_frame < finding.end_frame


def test_a_jump_that_takes_a_walk_back_is_counted() -> None:
    # Up by 0.8 stop, of which a jump takes back 0.3 half-way: no picture lies more than
    # 0.5 over an earlier one.
    def stops(t: float) -> float:
        return 0.8 * min(max((t - 1) / 6, 0), 1) - 0.3 * (t >= 4)

    measured, (walk,) = drifts(lambda t: still() * 2 ** stops(t))
    level = np.array([stops(i / 25) for i in range(MOMENTS)])
    most = float((level - np.minimum.accumulate(level)).max())
    assert most == pytest.approx(0.5, abs=0.01)
    assert walk.worst == pytest.approx(most, abs=0.03)
    ends = [value for _, value in figure_of(measured, walk).levels]
    assert ends[1] - ends[0] == pytest.approx(walk.worst, abs=1e-6)


@pytest.mark.parametrize("stops", [-0.7, 0.7])
def test_the_figure_of_a_jump_shows_the_jump(stops: float) -> None:
    measured, (jump,) = drifts(lambda t: still() * 2 ** (stops * (t >= 4)))
    ends = [value for _, value in figure_of(measured, jump).levels]
    assert ends[1] - ends[0] == pytest.approx(stops, abs=0.03)
    assert abs(ends[1] - ends[0]) == pytest.approx(jump.worst, abs=1e-6)


def test_a_fade_to_another_picture_is_no_iris() -> None:
    dark = np.roll(still()[::-1, ::-1], 60, axis=1) ** 2

    def look(t: float) -> NDArray[Any]:
        share = min(max((t - 3) / 0.9, 0), 1)
        return np.asarray((1 - share) * 0.05 * dark + share * still())

    measured, found = drifts(look, motion=True)
    assert not found
    # What lies behind is compared with nothing before.
    place = column(measured, "exposure.same_place")
    assert not np.isin(place[110:], place[:70]).any()


@given(
    st.lists(st.floats(-2, 2), min_size=2, max_size=60),
    st.floats(0.1, 1.0),
)
def test_swings_alternate_and_are_large_enough(walk: list[float], least: float) -> None:
    level = np.array(walk)
    found = swings(level, least=least)
    assert all(abs(s.stops) >= least for s in found)
    for before, after in pairwise(found):
        assert before.last == after.first
        assert before.stops * after.stops < 0
    if np.ptp(level) < least:
        assert not found


def test_a_jump_is_told_from_a_swing() -> None:
    times = np.arange(200) / 25
    jump = np.where(times >= 4, 0.7, 0.0)
    ((row, stops),) = level_steps(jump, times)
    assert row == 100
    assert stops == pytest.approx(0.7)
    for period in (0.8, 1.5, 4.0):
        assert not level_steps(0.5 * np.sin(2 * np.pi * times / period), times)
    assert not level_steps(0.1 * times, times)


@pytest.mark.parametrize("size", [(135, 240), (135, 180), (54, 96), (101, 240)])
@pytest.mark.parametrize("columns", [30, 48])
def test_cells_are_means_by_area(size: tuple[int, int], columns: int) -> None:
    y = np.random.default_rng(2).integers(16, 236, size).astype(np.uint8)
    cells = small_cells(picture(y), columns)
    percent = (y.astype(np.float32) - 16) / 2.19
    expected = cv2.resize(percent, (columns, 27), interpolation=cv2.INTER_AREA)
    assert cells == pytest.approx(expected, abs=1e-3)
