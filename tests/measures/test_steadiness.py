"""Steadiness: sways of known size and rate, pans, zooms, knocks, and what is unknown.

Expected values are exact: paths are drawn by formula, as readings or as pictures that
are moved by them. Limits are house choices.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Any, cast

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from qc.judge import find
from qc.measures.base import Exhibit, Measured
from qc.measures.parts.motion.freesway import free_sway
from qc.measures.parts.motion.knocking import knocks
from qc.measures.parts.motion.swaying import intended, path_pieces
from qc.measures.parts.motion.takepaths import take_paths
from qc.measures.parts.stillness.stillframes import State
from qc.measures.steadiness import MEASURE
from qc.records import Coverage, Finding, Grade, Readings, TakeResult
from qc.signal import Signal
from qc.store import ColumnStore
from tests.pictures import codes, column, measure, picture, scene, setup_of

RATE = 25.0
HEIGHT, WIDTH = 270, 480
WIDE = scene(360, 600, np.random.default_rng(41))
_SPECTRUM = np.fft.rfft2(WIDE)

Array = NDArray[np.floating[Any]]


def taken(
    x: Array,
    y: Array | None = None,
    *,
    times: Array | None = None,
    zoom: Array | None = None,
    trust: Array | float = 0.9,
    covered: Array | None = None,
    behind: Array | None = None,
    changes: Mapping[str, object] | None = None,
) -> Measured:
    """Make a take whose picture went along (x, y), in percent of its width.

    NaN in x is a frame that tells nothing.
    """
    n = len(x)
    y = np.zeros(n) if y is None else y
    times = np.arange(n) / RATE if times is None else times
    rows = {
        "dx_percent": np.diff(x, prepend=np.nan),
        "dy_percent": np.diff(y, prepend=np.nan) + 0 * np.diff(x, prepend=np.nan),
        "zoom_percent": np.zeros(n) if zoom is None else zoom,
        "trust": np.broadcast_to(trust, n),
        "covered_ago_frames": np.zeros(n) if covered is None else covered,
        "rests_behind": np.full(n, np.nan) if behind is None else behind,
    }
    store = ColumnStore({f"steadiness.{name}": 0 for name in rows})
    for i in range(n):
        store.append({f"steadiness.{k}": float(v[i]) for k, v in rows.items()})
    setup = setup_of(changes, rate=Fraction(1000))
    edges = np.rint(1000 * np.append(times, 2 * times[-1] - times[-2]))
    measured = Measured(
        info=setup.info,
        limits=setup.limits,
        picture=Readings("picture", Fraction(1, 1000), edges.astype(np.int64), store),
        sound=(),
        totals={},
    )
    assert MEASURE.derive is not None
    for name, values in MEASURE.derive(measured).items():
        store.add(f"steadiness.{name}", values)
    return measured


def clock(seconds: float) -> Array:
    return np.arange(round(seconds * RATE)) / RATE


def shakes(measured: Measured) -> list[Finding]:
    return list(find(measured, [MEASURE]))


def sway_percent(measured: Measured) -> Array:
    return column(measured, "steadiness.sway_percent").astype(np.float64)


def middle(values: Array) -> Array:
    n = len(values)
    return values[n // 4 : 3 * n // 4]


def eased(u: Array) -> Array:
    """Go from 0 to 1 as a hand does, smoothly."""
    u = np.clip(u, 0, 1)
    return np.asarray(u * u * (3 - 2 * u))


# ------------------------------------------------------------------------------ sway


@settings(max_examples=25, deadline=None)
@given(st.floats(0.45, 5.0), st.floats(0.3, 3.0), st.floats(0, np.pi), st.floats(0, 6))
def test_size_and_rate_of_a_sway_are_recovered(
    hz: float, size: float, way: float, phase: float
) -> None:
    t = clock(16)
    swing = 0.5 * size * np.sin(2 * np.pi * hz * t + phase)
    measured = taken(np.cos(way) * swing, np.sin(way) * swing)
    found = middle(sway_percent(measured))
    assert np.median(found) == pytest.approx(size, rel=0.05)
    rates = middle(column(measured, "steadiness.sway_hz"))
    assert np.median(rates) == pytest.approx(hz, rel=0.05)


def test_the_boom_is_told_to_sway_for_so_long_so_fast_and_so_far() -> None:
    t = clock(20)
    swing = np.where((t >= 6) & (t < 12.25), 0.6 * np.sin(2 * np.pi * 0.8 * (t - 6)), 0)
    (finding,) = shakes(taken(swing))
    assert finding.rule == "picture.shake"
    assert finding.grade is Grade.REVIEW
    assert float(finding.start) == pytest.approx(6, abs=0.5)
    assert float(finding.end) == pytest.approx(12.25, abs=0.5)
    assert finding.worst == pytest.approx(1.2, rel=0.1)
    assert "at 0.8 Hz" in finding.message
    assert "swayed" in finding.message
    assert "counterweights" in finding.advice


def test_a_boom_let_go_sways_and_settles() -> None:
    t = clock(20)
    u = np.maximum(t - 5, 0)
    (finding,) = shakes(taken(2.0 * np.exp(-u / 2.5) * np.sin(2 * np.pi * u)))
    assert float(finding.start) == pytest.approx(5, abs=0.6)
    # Half of the limit is reached when 4 exp(-u / 2.5) is 0.4.
    assert float(finding.end) == pytest.approx(5 + 2.5 * math.log(10), abs=1.2)
    assert "1.0 Hz" in finding.message
    assert "wait until it has settled" in finding.advice


def test_a_large_sway_spoils_the_stretch() -> None:
    (finding,) = shakes(taken(2.0 * np.sin(2 * np.pi * 1.5 * clock(10))))
    assert finding.grade is Grade.REJECT
    assert finding.worst == pytest.approx(4.0, rel=0.1)
    assert finding.limit == 3.0


def test_trembling_is_told_from_sway() -> None:
    (finding,) = shakes(taken(0.6 * np.sin(2 * np.pi * 5 * clock(10))))
    assert "trembled" in finding.message
    assert "plate" in finding.advice


def test_a_sway_below_the_limit_is_let_be() -> None:
    assert shakes(taken(0.3 * np.sin(2 * np.pi * 0.8 * clock(15)))) == []
    lower = {"steadiness.review_percent": 0.5}
    assert shakes(taken(0.3 * np.sin(2 * np.pi * 0.8 * clock(15)), changes=lower))


def test_a_slow_drift_of_the_boom_is_no_shake() -> None:
    t = clock(40)
    measured = taken(0.5 * np.sin(2 * np.pi * 0.2 * t), 0.5 * np.cos(1.4 * t))
    assert shakes(measured) == []


def test_frames_of_uneven_length_are_read_by_their_times() -> None:
    random = np.random.default_rng(6)
    times = np.cumsum(random.uniform(0.02, 0.06, 400))
    times -= times[0]
    measured = taken(0.6 * np.sin(2 * np.pi * 1.2 * times), times=times)
    (finding,) = shakes(measured)
    assert finding.worst == pytest.approx(1.2, rel=0.1)
    rates = middle(column(measured, "steadiness.sway_hz"))
    assert np.median(rates) == pytest.approx(1.2, rel=0.03)


# ------------------------------------------------------------------ out of its rest


def free(t: Array, *, hz: float, size: float, dies: float, at: float = 4.0) -> Array:
    """Sway as a damped pendulum does that was hit in its rest (textbook physics).

    `dies` is the share of e by which it shrinks in a round.
    """
    u = np.maximum(t - at, 0)
    wave = np.exp(-dies * hz * u) * np.sin(2 * np.pi * hz * u)
    return np.asarray(0.5 * size * wave)


@pytest.mark.parametrize("hz", [0.45, 0.55, 0.7])
@pytest.mark.parametrize("dies", [0.3, 0.7])
@pytest.mark.parametrize("at", [4.0, 4.03])
def test_of_a_boom_hit_in_its_rest_a_round_and_a_half_will_do(
    hz: float, dies: float, at: float
) -> None:
    t = clock(4.1 + 1.55 / hz)
    (finding,) = shakes(taken(free(t, hz=hz, size=2.4, dies=dies, at=at)))
    assert float(finding.start) == pytest.approx(at, abs=0.12)
    assert finding.worst == pytest.approx(2.4, rel=0.12)
    assert "swayed" in finding.message


def to_and_fro(number: int, seconds: float = 120) -> Array:
    """Reframe along one line, nearly always back, without resting for long.

    On the way of least jerk, as `reframed`.
    """
    rng = np.random.default_rng(number)
    t, at, way = clock(seconds), 2.0, 1.0
    path = np.zeros(len(t))
    while at < seconds - 5:
        way = -way if rng.random() < 0.8 else way
        takes = math.exp(rng.uniform(math.log(0.5), math.log(3.0)))
        u = np.clip((t - at) / takes, 0, 1)
        far = math.exp(rng.uniform(math.log(0.5), math.log(5.0)))
        path += way * far * u**3 * (10 - 15 * u + 6 * u * u)
        at += takes + rng.uniform(0.0, 1.5)
    return np.asarray(path)


@pytest.mark.parametrize("number", range(4))
def test_going_to_and_fro_by_hand_is_no_boom_hit_in_its_rest(number: int) -> None:
    measured = taken(to_and_fro(number))
    (path,) = take_paths(cast(Readings, measured.picture))
    assert not free_sway(path)[0].any()


@pytest.mark.parametrize("hz", [0.2, 0.3, 0.45, 0.6, 0.8])
@pytest.mark.parametrize("rests", [0.0, 0.25, 0.5])
def test_breaths_are_no_boom_hit_in_its_rest(hz: float, rests: float) -> None:
    # Up and down as a squared sine, then a pause; the first after a still of 4 s.
    t = clock(20)
    u = np.maximum(t - 4, 0) * hz % 1 / (1 - rests)
    measured = taken(3.0 * np.sin(np.pi * np.minimum(u, 1)) ** 2)
    (path,) = take_paths(cast(Readings, measured.picture))
    assert not free_sway(path)[0].any()


@pytest.mark.parametrize("hz", [0.2, 0.3, 0.45])
def test_the_breath_of_a_ventilator_is_no_boom_hit_in_its_rest(hz: float) -> None:
    # Air goes in for a third of the round, and out by itself: exponentials of 0.4 and
    # 0.5 s (a resistance and a compliance, textbook physiology).
    t = clock(30)
    into = np.maximum(t - 4, 0) * hz % 1 / hz
    long = 1 / hz / 3
    up = 1 - np.exp(-np.minimum(into, long) / 0.4)
    chest = np.where(into < long, up, up * np.exp(-(into - long) / 0.5))
    (path,) = take_paths(cast(Readings, taken(3.0 * chest).picture))
    assert not free_sway(path)[0].any()


# ----------------------------------------------------------------------------- begins


@pytest.mark.parametrize("hz", [0.6, 1.0, 2.0, 6.0])
@pytest.mark.parametrize("pan", [0.0, 0.05])
def test_a_sway_begins_where_the_picture_sets_off(hz: float, pan: float) -> None:
    t = clock(16)
    swing = np.where(t >= 6, 0.7 * np.sin(2 * np.pi * hz * (t - 6)), 0)
    (finding,) = shakes(taken(swing + pan * t))
    assert float(finding.start) == pytest.approx(6.0, abs=0.12)


def test_a_knock_that_stays_out_of_place_is_no_sway() -> None:
    # Out of a slow drift, there and back, and to rest elsewhere within a quarter of a
    # second: the little swings of the drift before it are no part of it.
    t = clock(10)
    u = (t - 5) * RATE
    drift = 0.15 * np.sin(2 * np.pi * 0.55 * t) * (t < 5)
    jump = np.where((u >= 0) & (u < 6), 2.3 * np.sin(np.pi * u / 3) * np.exp(-u / 3), 0)
    path = drift + jump + np.clip(u / 6, 0, 1) * 0.94
    (finding,) = shakes(taken(path))
    assert "A knock" in finding.message
    assert float(finding.start) == pytest.approx(5.0, abs=0.1)


# ----------------------------------------------------------------- what is no shake


@pytest.mark.parametrize("speed", [1.0, 5.0, 30.0])
def test_a_pan_is_no_shake(speed: float) -> None:
    measured = taken(speed * clock(12), 0.3 * speed * clock(12))
    assert np.nanmax(sway_percent(measured)) < 0.01
    pan = middle(column(measured, "steadiness.pan_percent_s"))
    assert np.median(pan) == pytest.approx(speed * math.hypot(1, 0.3), rel=0.01)


@pytest.mark.parametrize("seconds", [0.3, 1.0, 3.0])
@pytest.mark.parametrize("percent", [10.0, 40.0])
def test_starting_and_stopping_a_pan_is_no_shake(
    seconds: float, percent: float
) -> None:
    t = clock(14)
    assert shakes(taken(percent * eased((t - 5) / seconds))) == []
    # Stopped dead.
    assert shakes(taken(percent * np.clip((t - 5) / seconds, 0, 1))) == []


def test_sway_on_a_pan_is_found() -> None:
    t = clock(12)
    (finding,) = shakes(taken(2 * t + 0.8 * np.sin(2 * np.pi * t)))
    assert finding.worst == pytest.approx(1.6, rel=0.1)


def test_an_intended_path_keeps_a_pan_as_it_is() -> None:
    t = clock(10)
    line = np.stack([3 * t, -2 * t], 1)
    assert np.abs(intended(line, RATE) - line).max() < 1e-9


def reframed(number: int, seconds: float = 60) -> Array:
    """Pan by hand again and again, each time on the way of least jerk, with rests.

    Least jerk is how hands move (T. Flash and N. Hogan, 1985, from memory).
    """
    rng = np.random.default_rng(number)
    t = clock(seconds)
    path = np.zeros((len(t), 2))
    at = 2.0
    while at < seconds - 5:
        takes, way = rng.uniform(0.6, 4), rng.uniform(0, 2 * np.pi)
        u = np.clip((t - at) / takes, 0, 1)
        far = math.exp(rng.uniform(math.log(0.5), math.log(15)))
        eased = u**3 * (10 - 15 * u + 6 * u * u)
        path += eased[:, None] * far * np.array([math.cos(way), math.sin(way)])
        at += takes + rng.uniform(0.3, 4)
    tremor = gaussian_filter1d(rng.standard_normal(path.shape), 3, axis=0)
    return np.asarray(path + 0.02 * tremor / tremor.std())


@pytest.mark.parametrize("number", range(6))
def test_a_picture_reframed_again_and_again_does_not_sway(number: int) -> None:
    path = reframed(number)
    assert shakes(taken(path[:, 0], path[:, 1])) == []


@pytest.mark.parametrize("hz", [0.8, 1.5, 3.0])
def test_a_sway_is_found_between_pans(hz: float) -> None:
    path = reframed(2, 30)
    path = path - path[200]
    t = clock(30)
    swing = 1.5 * np.exp(-np.maximum(t - 26, 0)) * np.sin(2 * np.pi * hz * (t - 26))
    path[:, 0] += np.where(t >= 26, swing, 0)
    (finding,) = shakes(taken(path[:, 0], path[:, 1]))
    assert float(finding.start) == pytest.approx(26, abs=0.5)


# ----------------------------------------------------------------------------- knocks


def knock(t: Array, size: float = 2.0, *, at: float = 6.0) -> Array:
    """A hit in the middle of a quiet take: the picture rings at 4 Hz and dies away."""
    u = np.maximum(t - at, 0)
    return np.asarray(size * np.exp(-u / 0.2) * np.sin(2 * np.pi * 4 * u))


def test_a_knock_is_told_from_a_sway() -> None:
    t = clock(14)
    path = knock(t)
    (finding,) = shakes(taken(path))
    assert "A knock" in finding.message
    # From one side to the other, as of a sway.
    assert finding.worst == pytest.approx(np.ptp(path), rel=0.05)
    assert float(finding.start) == pytest.approx(6.0, abs=0.1)
    assert float(finding.duration) < 1.2
    assert "touch" in finding.advice
    assert shakes(taken(0.35 * path)) == []


def test_some_pictures_beside_a_knock_say_little_of_it() -> None:
    # The ground seems to rest in its last pictures, but goes along in all before.
    t = clock(12)
    path = knock(t)
    behind = np.full(len(t), np.nan)
    moves = np.flatnonzero(np.abs(np.diff(path, prepend=0.0)) > 0.05)
    behind[moves] = 0.0
    behind[moves[-1] - 2 : moves[-1] + 4] = 1.0
    assert len(shakes(taken(path, behind=behind))) == 1


@pytest.mark.parametrize(("lost", "told"), [(4, 0), (1, 1)])
def test_a_jump_that_was_hardly_seen_is_no_knock(lost: int, told: int) -> None:
    # A step of 0.3 % and some frames later one of 0.1 %: if nothing is known between
    # them, all that it may have gone meanwhile is a guess.
    t = clock(14)
    path = np.where(t >= 6, 0.3, 0.0)
    at = int(np.flatnonzero(t >= 6)[0])
    if told:
        path[at + 1 :] += 1.0
    path[at + lost + 1 :] += 0.1
    path[at + 1 : at + lost] = np.nan
    assert len(shakes(taken(path))) == told


def test_a_nudge_that_stays_is_a_knock() -> None:
    t = clock(14)
    (finding,) = shakes(taken(2.5 * np.clip((t - 6) / 0.12, 0, 1)))
    assert "A knock" in finding.message
    assert "2.5 %" in finding.message


def test_what_moved_while_the_recording_stood_still_is_no_knock() -> None:
    t = clock(14)
    measured = taken(1.5 * (t >= 6))
    (finding,) = shakes(measured)
    assert "A knock" in finding.message
    assert measured.picture is not None
    stood = (t >= 5) & (t < 6)
    state = np.where(stood, float(State.FROZEN), float(State.LIVE))
    cast(ColumnStore, measured.picture.columns).add("stillness.state", state)
    assert shakes(measured) == []


def test_a_gross_knock_spoils_the_stretch() -> None:
    (finding,) = shakes(taken(knock(clock(14), 8.0)))
    assert finding.grade is Grade.REJECT
    assert finding.limit == 4.0


@pytest.mark.parametrize(("rests", "told"), [(0.65, 0), (0.2, 1), (None, 1)])
def test_a_head_that_nods_before_a_wall_is_no_knock(
    rests: float | None, told: int
) -> None:
    # Of one picture a faint wall tells little: it rests in some of them.
    t = clock(12)
    nods = knock(t)
    behind = np.full(len(t), np.nan)
    moves = np.flatnonzero(np.abs(np.diff(nods, prepend=0.0)) > 0.05)
    if rests is not None:
        behind[moves] = np.arange(len(moves)) * rests % 1.0 >= 1.0 - rests
    assert len(shakes(taken(nods, behind=behind))) == told


def test_a_sway_goes_on_beside_a_head_that_nods() -> None:
    # What it says holds for as long as it is asked, and no longer.
    t = clock(20)
    swing = np.where(t > 10, 0.8 * np.sin(2 * np.pi * 0.8 * t), 0.0)
    swing += np.where(t < 5, 1.2 * np.sin(2 * np.pi * 0.7 * t), 0.0)
    behind = np.full(len(t), np.nan)
    behind[t < 5], behind[t > 10] = 1.0, 0.0
    (finding,) = shakes(taken(swing, behind=behind))
    assert float(finding.start) == pytest.approx(10, abs=0.2)
    # The ground says no word of it: both are told.
    assert len(shakes(taken(swing))) == 2


def test_every_knock_is_found_once() -> None:
    t = clock(30)
    path = sum((knock(t, at=a) for a in (5.0, 13.0, 21.0)), np.zeros(len(t)))
    findings = shakes(taken(path))
    starts = [float(f.start) for f in findings]
    assert starts == pytest.approx([5, 13, 21], abs=0.1)


@pytest.mark.parametrize("phase", [0.0, 1.0, 2.0, 3.0, 4.0, 5.0])
def test_a_knock_is_found_while_the_boom_slowly_drifts(phase: float) -> None:
    t = clock(14)
    u = np.maximum(t - 6, 0)
    # As on the drawn boom: half a percent at 0.23 Hz, which is no sway by itself.
    drift = 0.45 * np.sin(2 * np.pi * 0.23 * t + phase)
    assert shakes(taken(drift)) == []
    path = drift + np.exp(-u / 0.14) * np.sin(2 * np.pi * 5.5 * u)
    (finding,) = shakes(taken(path, 0.5 * drift))
    assert "A knock" in finding.message
    assert float(finding.start) == pytest.approx(6.0, abs=0.1)
    assert float(finding.duration) < 1.2


@pytest.mark.parametrize("phase", [0.0, 1.0, 2.0, 3.0, 4.0, 5.0])
def test_a_knock_is_found_in_a_hand_that_trembles(phase: float) -> None:
    t = clock(14)
    # Up to 0.32 % from side to side: more than a fifth of how far the knock throws it,
    # so that it is never as still as on a tripod.
    tremor = 0.12 * np.sin(2 * np.pi * 1.7 * t + phase)
    tremor += 0.04 * np.sin(2 * np.pi * 5.1 * t + 2 * phase)
    across = 0.1 * np.sin(2 * np.pi * 2.1 * t + 3 * phase)
    assert shakes(taken(tremor, across)) == []
    hit = knock(t, 1.9)
    (finding,) = shakes(taken(tremor + hit, across + 0.3 * hit))
    assert "A knock" in finding.message
    assert float(finding.start) == pytest.approx(6.0, abs=0.2)
    assert float(finding.duration) < 1.2


@pytest.mark.parametrize("hz", [0.8, 1.2, 2.0])
def test_a_single_swing_that_comes_back_is_a_knock(hz: float) -> None:
    t = clock(14)
    u = np.maximum(t - 6, 0)
    swing = 3 * np.exp(-u * 2 * hz) * np.sin(2 * np.pi * hz * u)
    (finding,) = shakes(taken(swing, 0.3 * swing))
    assert float(finding.start) == pytest.approx(6.0, abs=0.12)


def test_a_picture_that_goes_to_and_fro_with_every_frame_is_told() -> None:
    # Half the frame rate, at a rate so low that it is looked at.
    x = np.where(np.arange(60) % 2, 1.5, 0.0)
    (finding,) = shakes(taken(x, times=np.arange(60) / 10))
    assert "trembled" in finding.message
    assert finding.worst == pytest.approx(1.5, rel=0.1)


@pytest.mark.parametrize("seconds", [0.8, 1.5, 3.0])
def test_a_look_aside_and_back_by_hand_is_no_knock(seconds: float) -> None:
    t = clock(14)
    there = eased((t - 4) / seconds) - eased((t - 4 - 1.5 * seconds) / seconds)
    assert shakes(taken(6 * there, 2 * there)) == []


def test_knocks_of_a_path_too_short_are_not_looked_for() -> None:
    shift = np.array([np.nan, 0, 2, 0, 0])
    (path,) = path_pieces(np.arange(5) / RATE, shift, 0 * shift)
    assert knocks(path, least=0.5) == []


# ---------------------------------------------------------------------------- unknown


def test_a_short_gap_is_bridged_and_a_long_one_parts_the_path() -> None:
    x = 0.6 * np.sin(2 * np.pi * 0.8 * clock(30))
    x[100] = np.nan
    x[300:400] = np.nan
    measured = taken(x)
    size = sway_percent(measured)
    assert np.isfinite(size[90:110]).all()
    assert np.isnan(size[302:398]).all()
    assert len(shakes(measured)) == 2


def test_where_little_of_the_picture_follows_nothing_is_said() -> None:
    x = 0.8 * np.sin(2 * np.pi * clock(10))
    measured = taken(x, trust=0.3)
    assert shakes(measured) == []
    assert np.isnan(sway_percent(measured)).all()
    assert MEASURE.notes is not None
    (note,) = MEASURE.notes(measured)
    assert "100 % of the take" in note
    assert list(MEASURE.notes(taken(x))) == []


@pytest.mark.parametrize("frames", [2, 3, 5, 8])
def test_takes_of_a_few_frames(frames: int) -> None:
    measured = taken(np.linspace(0, 3, frames))
    assert shakes(measured) == []


# --------------------------------------------------------------------- from pictures


def at(x: float, y: float) -> Array:
    """Look at the drawing so that it lies (x, y) px right and down: by Fourier."""
    height, width = WIDE.shape
    turn = np.fft.rfftfreq(width)[None] * x + np.fft.fftfreq(height)[:, None] * y
    out = np.fft.irfft2(_SPECTRUM * np.exp(-2j * np.pi * turn), s=WIDE.shape)
    return np.asarray(out[45 : 45 + HEIGHT, 60 : 60 + WIDTH], np.float64)


def zoomed(zoom: float) -> Array:
    """Look at the drawing larger."""
    cx, cy = (WIDTH - 1) / 2, (HEIGHT - 1) / 2
    move = np.array([[zoom, 0, cx - zoom * 299.5], [0, zoom, cy - zoom * 179.5]])
    out = cv2.warpAffine(WIDE, move, (WIDTH, HEIGHT), flags=cv2.INTER_CUBIC)
    return np.asarray(out, np.float64)


def watch(
    images: Sequence[Array], signal: Signal | None = None, **facts: Any
) -> Measured:
    signal = Signal() if signal is None else signal
    damaged = facts.pop("damaged", ())
    pictures = (
        picture(codes(image, signal), signal=signal, index=i, damaged=i in damaged)
        for i, image in enumerate(images)
    )
    return measure(pictures, setup_of(signal=signal, **facts), [MEASURE])


@pytest.mark.parametrize("bits", [8, 10])
@pytest.mark.parametrize("full", [False, True])
def test_shifts_are_in_percent_of_the_width(bits: int, full: bool) -> None:
    signal = Signal(bit_depth=bits, full_range=full)
    measured = watch([at(0.96 * i, -0.48 * i) for i in range(6)], signal)
    # 0.96 of 480 px; both axes in percent of the width. 0.01 % are 0.2 px of 1920.
    dx, dy = (column(measured, f"steadiness.d{k}_percent") for k in "xy")
    assert np.isnan(dx[0])
    assert dx[1:].tolist() == pytest.approx([0.2] * 5, abs=0.01)
    assert dy[1:].tolist() == pytest.approx([-0.1] * 5, abs=0.01)
    assert min(column(measured, "steadiness.trust")[1:]) > 0.9


def test_a_drawn_sway_is_measured() -> None:
    t = clock(8)
    swing = 3.6 * np.sin(2 * np.pi * 1.1 * t)  # px of 480: 1.5 % peak to peak
    measured = watch([at(v, 0.5 * v) for v in swing])
    (finding,) = shakes(measured)
    assert finding.worst == pytest.approx(1.5 * math.hypot(1, 0.5), rel=0.08)
    assert "1.1 Hz" in finding.message


def test_a_drawn_zoom_is_no_shake() -> None:
    t = clock(6)
    zoom = 1.0 + 0.15 * eased((t - 1) / 4)
    measured = watch([zoomed(v) for v in zoom])
    assert shakes(measured) == []
    steps = column(measured, "steadiness.zoom_percent")[1:]
    assert np.prod(1 + steps / 100) == pytest.approx(1.15, rel=0.005)


def test_damaged_pictures_and_the_ones_after_them_are_unknown() -> None:
    measured = watch([at(0.5 * i, 0) for i in range(8)], damaged={4})
    unknown = np.isnan(column(measured, "steadiness.dx_percent")).tolist()
    assert unknown == [i in {0, 4, 5} for i in range(8)]


def test_fields_of_two_moments_do_no_harm() -> None:
    images = []
    for i in range(6):
        image = at(0.96 * i, 0)
        image[1::2] = at(0.96 * (i + 0.5), 0)[1::2]
        images.append(image)
    dx = column(watch(images), "steadiness.dx_percent")[1:]
    assert dx.tolist() == pytest.approx([0.2] * 5, abs=0.01)


# ----------------------------------------------------------------------------- report


def exhibits(measured: Measured, finding: Finding) -> list[Exhibit]:
    result = TakeResult(
        info=measured.info,
        coverage=Coverage("every frame", 1, 1, 0, 0, 0, 0.0, 0.0),
        grade=finding.grade,
        findings=(finding,),
        usable=(),
        summary={},
        advice=(),
        notes=(),
        picture=measured.picture,
        sound=(),
        duration=Fraction(10),
        limits={},
    )
    assert MEASURE.exhibits is not None
    return list(MEASURE.exhibits(result, finding))


def test_the_path_of_a_sway_is_shown_without_the_pan() -> None:
    t = clock(16)
    swing = 0.7 * np.sin(2 * np.pi * 1.5 * t)
    measured = taken(3 * t + swing, 0.5 * swing)
    (finding,) = shakes(measured)
    path, over_time = exhibits(measured, finding)
    assert (path.kind, over_time.kind) == ("path", "lines")
    (line,) = path.lines
    assert np.ptp(middle(line.x)) == pytest.approx(1.4, rel=0.06)
    # Down in the picture is down in the figure.
    assert np.ptp(middle(line.y)) == pytest.approx(0.7, rel=0.06)
    assert np.corrcoef(middle(line.x), middle(line.y))[0, 1] < -0.99


def test_a_knock_is_shown_from_where_the_picture_was() -> None:
    t = clock(14)
    measured = taken(5 + knock(t))
    (finding,) = shakes(measured)
    over_time = exhibits(measured, finding)[1]
    right = over_time.lines[0]
    before = right.y[right.x < -0.1]
    assert np.abs(before).max() < 0.01
    assert np.ptp(right.y) == pytest.approx(finding.worst, rel=0.05)


def test_the_summary_tells_the_worst_sway() -> None:
    assert MEASURE.summarise is not None
    summary = MEASURE.summarise(taken(0.5 * np.sin(2 * np.pi * 1.2 * clock(12))))
    assert summary["sway_max_percent"] == pytest.approx(1.0, rel=0.06)
    assert summary["sway_max_hz"] == pytest.approx(1.2, rel=0.05)
    assert summary["unknown_percent"] == 0.0
