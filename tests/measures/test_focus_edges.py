"""Where a loss of focus begins and ends, and what goes with it: glints, sway, a pull.

Takes are made of readings. What a lens does to them is from optics: detail of an edge
goes with the power -1.5 of its width (energy of the second derivative of a Gaussian
step, s^-3), and edges become wider; glints that wane take detail of every size, and
leave edges as they are.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from qc.judge import find
from qc.measures import focus, framing, hunting, steadiness
from qc.measures.base import Measured
from qc.measures.parts.focus import focuschecks
from qc.measures.parts.focus.edgemoves import against_move
from qc.measures.parts.focus.motionblur import Smear, smear_of
from qc.measures.parts.focus.pulls import Pull, pull_of
from qc.measures.parts.focus.softedges import lens_part, stepped
from qc.measures.parts.focus.swings import swinging
from qc.records import Finding, Grade, Readings
from qc.store import ColumnStore
from tests.pictures import column, setup_of

MEASURES = (framing.MEASURE, focus.MEASURE, hunting.MEASURE, steadiness.MEASURE)
TILES, RATE = 48, 25
Array = NDArray[np.float64]


def take_of(
    lens: Array,
    glints: Array | None = None,
    *,
    tiles: Array | None = None,
    contrast: Array | None = None,
    dx: Array | None = None,
    motion: Array | None = None,
    trust: float = 0.9,
    shots: Array | None = None,
    crisp: float = 1.1,
    sizes: float = 0.9,
) -> Measured:
    """Make readings of a take.

    Parameters
    ----------
    lens, glints : (n,) arrays
        Share of fine detail that the lens leaves, and that glints come up to.
    tiles, contrast : (n, tiles) arrays, optional
        Detail and coarse contrast as they are.
    dx : (n,) array, optional
        Shift since the frame before, percent of the width.
    motion : (n,) array, optional
        What a coarser reading says of it; the same if left out.
    trust : float
        Share of the picture that goes along.
    sizes : float
        Coarser detail goes with this power of what the lens leaves of fine detail.
    """
    n = len(lens)
    wane = np.ones(n) if glints is None else glints
    read = np.arange(n) % 12 == 0
    row = np.full((n, TILES), np.nan)
    coarser = np.repeat((lens**sizes * wane)[:, None], TILES, axis=1)
    fine = np.repeat(2.0 * (lens * wane)[:, None], TILES, axis=1)
    level = np.full((n, TILES), 20.0) if contrast is None else contrast
    values: dict[str, NDArray[Any]] = {
        "focus.tile_detail": fine if tiles is None else tiles,
        "focus.tile_coarser": np.where(read[:, None], coarser, row),
        "focus.tile_contrast_percent": np.where(read[:, None], level, row),
        "focus.tile_across": np.full((n, TILES), 0.5),
        "focus.edge_rise_px": np.where(read, crisp * lens ** (-1 / 1.5), np.nan),
        "focus.edge_height_codes": np.where(read, 90.0, np.nan),
        "framing.shot": np.zeros(n) if shots is None else shots,
        "framing.motion_percent": np.zeros(n),
        "hunting.key": np.zeros(n),
    }
    if dx is not None:
        values |= {
            "framing.motion_percent": np.abs(dx) if motion is None else motion,
            "steadiness.dx_percent": dx,
            "steadiness.dy_percent": 0.8 * dx,
            "steadiness.zoom_percent": 0.0 * dx,
            "steadiness.trust": np.full(n, trust),
        }
    shapes = {
        f"{m.name}.{c.name}": c.width if c.width > 1 else 0
        for m in (framing.MEASURE, focus.MEASURE, hunting.MEASURE)
        for c in m.columns
    } | {
        name: value.shape[1] if value.ndim > 1 else 0 for name, value in values.items()
    }
    store = ColumnStore(shapes)
    store.extend(values, n)
    setup = setup_of(width=640, height=360)
    assert setup.info.video is not None
    readings = Readings("picture", setup.info.video.time_base, np.arange(n + 1), store)
    measured = Measured(setup.info, setup.limits, readings, (), {})
    for m in (focus.MEASURE, hunting.MEASURE):
        assert m.derive is not None
        for name, derived in m.derive(measured).items():
            store.add(f"{m.name}.{name}", derived)
    return measured


def told(measured: Measured) -> list[Finding]:
    rules = (focus.MEASURE, hunting.MEASURE)
    return [f for f in find(measured, rules) if f.rule.startswith("focus.")]


def spans(measured: Measured) -> list[tuple[str, int, int]]:
    return [(f.rule, f.start_frame, f.end_frame) for f in told(measured)]


# ------------------------------------------------------------------ ends of a stretch


@pytest.mark.parametrize("turned", [False, True])
def test_a_loss_at_once_begins_at_its_step(turned: bool) -> None:
    # After the step some frames hold rests of detail, as a coder leaves them.
    lens = np.array([1.0] * 26 + [0.62, 0.61, 0.61, 0.6] + [0.48] * 20 + [1.0] * 30)
    lens = lens[::-1] if turned else lens
    (found,) = spans(take_of(lens))
    assert found == ("focus.soft", *((30, 54) if turned else (26, 50)))


def test_a_slow_loss_begins_where_the_limit_is_crossed() -> None:
    ramp = np.exp(np.linspace(0.0, math.log(0.2), 21))
    lens = np.concatenate([np.ones(40), ramp, np.full(30, 0.2), np.ones(40)])
    ((_, first, last),) = spans(take_of(lens))
    # The stretch is held up to 1.15 times the limit of 50 %, of a best of 1.
    assert first == 40 + int(np.argmax(ramp < 0.575))
    assert last == 91


def test_a_step_reaches_no_farther_than_it_may() -> None:
    percent = np.array([100.0] * 10 + [60.0] * 4 + [45.0] * 12 + [100.0] * 10)
    times = np.arange(len(percent) + 1) / RATE
    assert stepped(percent, times, (14, 26), (0, 36)) == (10, 26)
    assert stepped(percent, times, (14, 26), (12, 36)) == (14, 26)
    # Further away than 0.4 s it is another thing.
    percent = np.insert(percent, 10, [60.0] * 10)
    times = np.arange(len(percent) + 1) / RATE
    assert stepped(percent, times, (24, 36), (0, 46)) == (24, 36)


def test_a_cut_is_no_step() -> None:
    lens = np.array([1.0] * 60 + [0.62] * 4 + [0.45] * 20 + [1.0] * 60)
    shots = np.where(np.arange(len(lens)) < 60, 0.0, 1.0)
    assert spans(take_of(lens)) == [("focus.soft", 60, 84)]
    assert spans(take_of(lens, shots=shots)) == [("focus.soft", 64, 84)]


def test_a_stretch_is_cut_where_crisp_edges_end() -> None:
    percent = np.array([55.0, 50.0, 48.0, 46.0, 20.0, 20.0, 20.0, 47.0, 50.0])
    read = np.array([1, 5, 8])
    assert lens_part(percent, read, (0, 9), lambda row: row != 5) == (4, 7)
    assert lens_part(percent, read, (0, 9), lambda row: False) == (0, 9)
    assert lens_part(percent, read, (0, 9), lambda row: True) == (0, 0)
    # A crisp reading beside the stretch tells too; one that is not crisp does not.
    assert lens_part(percent, read, (2, 8), lambda row: row != 5) == (4, 7)
    assert lens_part(percent, read, (2, 8), lambda row: row == 8) == (2, 7)
    assert lens_part(percent, read[1:2], (2, 8), lambda row: False) == (2, 8)


def test_a_loss_among_glints_that_wane_begins_with_the_lens() -> None:
    n = 150
    glints = np.interp(np.arange(n), [0, 36, 60, 85, 110, 149], [0.5, 1, 0.45, 1, 1, 1])
    lens = np.where((np.arange(n) >= 70) & (np.arange(n) < 85), 0.3, 1.0)
    assert told(take_of(np.ones(n), glints)) == []
    assert spans(take_of(lens, glints)) == [("focus.soft", 70, 85)]


# ---------------------------------------------------------------------------- hunting


def swings(n: int, first: int, last: int, hz: float, trough: float) -> Array:
    at = np.arange(n)
    turn = 0.5 - 0.5 * np.cos(2 * math.pi * hz * (at - first) / RATE)
    inside = (at >= first) & (at < last)
    return np.where(inside, np.exp(math.log(trough) * turn), 1.0)


def test_slight_swings_that_take_every_size_alike_are_a_lens_where_edges_widen() -> (
    None
):
    lens = swings(160, 30, 137, 1.4, 0.62)
    (found,) = told(take_of(lens, sizes=0.93))
    assert found.rule == "focus.hunting"
    assert "1.4 Hz" in found.message
    # The same swings of glints: edges stay as crisp as they were.
    assert told(take_of(np.ones(160), lens)) == []


def test_hunting_does_not_begin_with_glints_that_wax() -> None:
    n = 160
    glints = np.interp(np.arange(n), [0, 10, 38, n - 1], [0.5, 0.5, 1.0, 1.0])
    (found,) = told(take_of(swings(n, 40, 130, 1.4, 0.35), glints))
    assert found.rule == "focus.hunting"
    assert found.start_frame == pytest.approx(40, abs=4)
    assert "1.4 Hz" in found.message


def test_hunting_ends_at_the_bend_though_sharpness_creeps_on() -> None:
    times = np.arange(200) / RATE
    values = np.log(swings(200, 30, 130, 1.0, 0.6))
    values[130:] = np.linspace(-0.12, 0.0, 70)
    values[121:130] = np.linspace(values[121], -0.12, 9)
    (found,) = swinging(values, times, depth=0.35, least=2.5)
    assert found.last == pytest.approx(130, abs=4)


def test_the_rate_counts_lesser_swings_and_does_not_hang_on_how_long_it_is_soft() -> (
    None
):
    # Five swings, flat at the bottom: soft for longer than sharp.
    at = np.arange(260)
    turn = 0.5 - 0.5 * np.cos(2 * math.pi * 0.8 * (at - 40) / RATE)
    values = np.where((at >= 40) & (at < 196), -1.2 * np.clip(2.5 * turn, 0, 1), 0.0)
    (found,) = swinging(values, at / RATE, depth=0.35, least=2.5)
    assert found.hz == pytest.approx(0.8, rel=0.02)
    # The second crest comes back less than half of the way.
    second = (at >= 87) & (at < 118)
    values[second] = np.minimum(values[second], -0.68)
    (found,) = swinging(values, at / RATE, depth=0.35, least=2.5)
    assert found.hz == pytest.approx(0.8, rel=0.02)


# ----------------------------------------------------------------------------- motion


def test_what_moves_by_itself_does_not_tell_the_shutter() -> None:
    # Crisp edges beside 3 % of motion: either a short shutter or another thing.
    n = 60
    shift, none = np.full(n, 3.0), np.zeros(n)
    rise = np.where(np.arange(n) % 6 == 0, 1.2, np.nan)

    def shutter(sure: bool) -> float:
        return Smear(
            shift, shift, shift, scale=6.4, zoom=none, cut=none > 0, rise=rise,
            sure=np.full(n, sure),
        ).shutter  # fmt: skip

    assert shutter(True) == pytest.approx(1.5 * 1.2 / (0.8 * 6.4 * 3.0), rel=1e-6)
    assert shutter(False) == 1.0


def test_where_a_third_of_the_picture_rests_hands_smear_nothing() -> None:
    # A shutter open all the time would smear 0.6 % of 640 px over four of them.
    n = 200
    at = np.arange(n)
    lens = np.where((at >= 80) & (at < 120), 0.3, 1.0)
    none, hands = np.zeros(n), np.full(n, 0.6)
    assert spans(take_of(lens, dx=none, motion=hands, trust=0.35)) == [
        ("focus.soft", 80, 120)
    ]
    # Where a third moves, nobody knows what the rest does.
    assert not told(take_of(lens, dx=hands, motion=hands, trust=0.35))


def test_a_smear_is_that_of_the_frame_whose_edges_were_read() -> None:
    # A move of many shots; wide edges are read in the frames of a jerk alone.
    n = 240
    at = np.arange(n)
    dx = np.where(((at % 12 <= 1) & (at >= 96) & (at < 150)), 1.2, 0.06)
    lens = np.where((at >= 96) & (at < 150), 0.25, 1.0)
    shots = at // 25

    def percent(motion: Array) -> Array:
        measured = take_of(np.ones(n), dx=motion)
        readings = measured.picture
        assert readings is not None
        rise = np.where(at % 12 == 0, 1.1 * lens ** (-1 / 1.5), np.nan)
        store = ColumnStore(
            dict.fromkeys(
                (
                    "focus.edge_rise_px",
                    "focus.sharpness",
                    "framing.shot",
                    "framing.motion_percent",
                    "steadiness.dx_percent",
                    "steadiness.dy_percent",
                    "steadiness.zoom_percent",
                    "steadiness.trust",
                ),
                0,
            )
        )
        values: dict[str, NDArray[Any]]
        values = {name: readings[name] for name in store.places}
        values |= {
            "focus.edge_rise_px": rise,
            "framing.shot": shots,
            "steadiness.dy_percent": motion,
        }
        store.extend(values, n)
        take = Readings("picture", readings.time_base, readings.edges, store)
        return against_move(take, smear_of(take, measured.info.video))

    # Within the jerk nothing is said; without it, edges are out of focus.
    assert np.nanmin(percent(dx)[90:156]) > 50.0
    assert np.nanmin(percent(np.full(n, 0.06))[90:156]) < 50.0


def test_edges_read_in_soft_frames_alone_say_nothing_of_sharp_ones_between() -> None:
    # Focus swings as quickly as edges are read, every 12th frame: always soft ones.
    n = 240
    at = np.arange(n)
    swings = (at >= 96) & (at < 168)
    lens = np.where(swings & (at % 12 != 6), 0.25, 1.0)
    measured = take_of(lens, dx=np.zeros(n))
    readings = measured.picture
    assert readings is not None
    names = ("sharpness", "edge_rise_px")
    store = ColumnStore(
        dict.fromkeys(
            (
                *(f"focus.{name}" for name in names),
                "framing.shot",
                "framing.motion_percent",
            ),
            0,
        )
    )
    values: dict[str, NDArray[Any]] = {
        "focus.sharpness": 40.0 * lens**2,
        "focus.edge_rise_px": np.where(at % 12 == 0, 1.1 * lens ** (-1 / 1.5), np.nan),
        "framing.shot": at // 25,
        "framing.motion_percent": np.zeros(n),
    }
    store.extend(values, n)
    take = Readings("picture", readings.time_base, readings.edges, store)
    percent = against_move(take, smear_of(take, measured.info.video))
    sharp = swings & (at % 12 == 6) & (at < 156)  # then a sharp one is read
    assert np.isnan(percent[sharp]).all()
    # A width goes with the fine detail to the power of -1 / 1.5.
    assert percent[swings & (at < 156) & ~sharp] == pytest.approx(25.0, rel=1e-5)


def test_on_a_quick_sway_focus_is_held_against_frames_in_like_motion() -> None:
    n = 200
    at = np.arange(n)
    dx = 0.9 * np.cos(2 * math.pi * 2.5 * (at + 0.5) / RATE)
    smear = 1.0 - 0.35 * np.abs(dx) / 0.9  # what the shutter leaves at each speed
    lens = np.where((at >= 80) & (at < 120), 0.35, 1.0)
    measured = take_of(lens, smear, dx=dx, crisp=2.4)
    ((rule, first, last),) = spans(measured)
    assert (rule, first, last) == ("focus.soft", 80, 120)
    assert told(take_of(np.ones(n), smear, dx=dx, crisp=2.4)) == []


# ------------------------------------------------------------------------------ pulls


@pytest.mark.parametrize(("left", "limit"), [(55.0, None), (40.0, 50.0)])
def test_a_note_on_a_pull_has_no_limit_that_it_does_not_reach(
    left: float, limit: float | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Limit for review by default: 50 %.
    def pulls(*_: object) -> list[tuple[tuple[int, int], Pull]]:
        return [((10, 20), Pull("the left", "the right", left))]

    monkeypatch.setattr(focuschecks, "pulls", pulls)
    (note,) = focuschecks.pulled(take_of(np.ones(40)))
    assert (note.grade, note.worst, note.limit) == (Grade.NOTE, left, limit)


def halves(n: int, left: Array, right: Array) -> Array:
    """Return detail of tiles: columns 0 and 1, and the others."""
    across = np.arange(TILES) % 8
    return np.where(across < 2, left[:, None], right[:, None]) * 2.0


@pytest.mark.parametrize("seconds", [1, 4])
def test_focus_that_goes_to_another_place_is_a_note(seconds: int) -> None:
    n = 200
    at = np.arange(n)
    there = (at >= 60) & (at < 60 + 25 * seconds)
    left, right = np.where(there, 1.0, 0.3), np.where(there, 0.3, 1.0)
    (found,) = told(take_of(np.ones(n), tiles=halves(n, left, right)))
    assert (found.grade, found.start_frame) == (Grade.NOTE, 60)
    assert found.end_frame == 60 + 25 * seconds
    assert "the focus is on the left, not on" in found.message
    # The left gets no sharper: lost on the right, and a fault.
    (lost,) = told(take_of(np.ones(n), tiles=halves(n, np.full(n, 0.3), right)))
    assert lost.grade is not Grade.NOTE
    # Something else came into the left: its coarse contrast changes.
    comes = np.where((np.arange(TILES) % 8 < 2) & there[:, None], 35.0, 20.0)
    tiles = halves(n, left, right)
    (lost,) = told(take_of(np.ones(n), tiles=tiles, contrast=comes))
    assert lost.grade is not Grade.NOTE


def test_on_its_way_from_place_to_place_nothing_is_sharp() -> None:
    n = 200
    at = np.arange(n)
    way = (at >= 92) & (at < 106)
    left = np.where(at < 92, 1.0, 0.3)
    right = np.where(at < 106, 0.3, 1.0)
    across = np.arange(TILES) % 8
    tiles = np.where(across < 4, left[:, None], right[:, None]) * 2.0
    (found,) = told(take_of(np.ones(n), tiles=tiles))
    assert found.grade is Grade.NOTE
    assert (found.start_frame, found.end_frame) == (92, 106)
    assert "from the left to the right" in found.message
    # The same from and to one place is a loss.
    tiles = np.where(way[:, None], 0.6, np.full((n, TILES), 2.0))
    (lost,) = told(take_of(np.ones(n), tiles=tiles))
    assert lost.grade is not Grade.NOTE


@pytest.mark.parametrize(
    ("contrast_kept", "wider", "soft"),
    [(0.25, 1.3, False), (0.9, 1.3, True), (0.25, 4.0, True)],
    ids=["a sheet over it", "a lens", "far out of focus"],
)
def test_a_plain_sheet_over_the_subject_is_no_loss_of_focus(
    contrast_kept: float, wider: float, soft: bool
) -> None:
    n = 120
    lost = (np.arange(n) >= 48) & (np.arange(n) < 96)
    tiles = np.repeat(np.where(lost, 0.2, 2.0)[:, None], TILES, axis=1)
    contrast = np.repeat(np.where(lost, 20 * contrast_kept, 20.0)[:, None], TILES, 1)
    widths = np.where(lost, wider**-1.5, 1.0)  # the reading of edges goes back to this
    measured = take_of(widths, tiles=tiles, contrast=contrast)
    assert ("focus.soft" in [f.rule for f in told(measured)]) is soft


def test_without_contrast_read_no_pull_is_told() -> None:
    n = 60
    empty = ColumnStore({"focus.tile_detail": TILES})
    empty.extend({"focus.tile_detail": np.ones((n, TILES))}, n)
    base = setup_of().info.video
    assert base is not None
    readings = Readings("picture", base.time_base, np.arange(n + 1), empty)
    assert pull_of(readings, np.arange(20), np.arange(20, 40)) is None


def test_sharpness_is_still_against_the_best() -> None:
    lens = np.linspace(0.6, 1.0, 100)
    relative = column(take_of(lens), "focus.relative_percent")
    assert relative == pytest.approx(100 * lens / np.percentile(lens, 95), rel=1e-3)
