"""Stops to close: words, the censored fit against scipy, the bound, drawn light.

Second opinions: `scipy.stats` and `scipy.optimize` for the fit, colour-science for the
camera curve. What is drawn has a known light, so the stops to close are known exactly.
"""

from __future__ import annotations

import math
from fractions import Fraction

import colour
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import optimize, stats

from qc.measures import exposure
from qc.measures.parts.level.burntlight import BurntLight
from qc.measures.parts.level.censored import (
    BIN_STOPS,
    BINS,
    LOW,
    censored_normal,
    close_stops,
    least_stops,
    top_shares,
)
from qc.measures.parts.level.stops import MOST_STOPS, close_by, stops_words, thirds
from qc.records import Picture, Readings
from qc.signal import Signal
from tests.pictures import column, measure, picture, setup_of

RANDOM_STATE = 20251
MEASURES = (exposure.MEASURE,)  # no swabs are told from tissue here
Light = NDArray[np.floating]


def camera_curve(light: Light) -> Light:
    """BT.709-6 item 1.2 by colour-science (rounded constants: 0.01 stop at most)."""
    return np.asarray(colour.models.oetf_BT709(light))


def light_at(value: float) -> float:
    return float(colour.models.oetf_inverse_BT709(value))


# ------------------------------------------------------------------------------ words


@pytest.mark.parametrize(
    ("stops", "words"),
    [
        (0.02, "⅓"), (1 / 3, "⅓"), (0.49, "⅓"), (0.51, "⅔"), (0.67, "⅔"), (0.9, "1"),
        (1.0, "1"), (1.3, "1⅓"), (5 / 3, "1⅔"), (2.0, "2"), (3.4, "3⅓"),
    ],
)  # fmt: skip
def test_stops_are_told_in_thirds(stops: float, words: str) -> None:
    assert thirds(stops) == words


@given(st.floats(1 / 3, 8))
def test_the_third_told_is_the_nearest(stops: float) -> None:
    text = thirds(stops)
    whole = "".join(c for c in text if c.isdigit())
    told = Fraction(int(whole or 0)) + {"⅓": Fraction(1, 3), "⅔": Fraction(2, 3)}.get(
        text[-1], Fraction(0)
    )
    assert abs(float(told) - stops) <= 1 / 6 + 1e-9


@given(st.floats(0.05, 1.99), st.floats(0.0, 1.9))
def test_a_bound_that_is_told_is_one(stops: float, least: float) -> None:
    words = stops_words(stops, least=least)
    if "at least" not in words:
        assert least < 1 / 3
        return
    text = words.partition("at least ")[2].rstrip(")")
    whole = "".join(c for c in text if c.isdigit())
    told = int(whole or 0) + {"⅓": 1 / 3, "⅔": 2 / 3}.get(text[-1], 0)
    assert told <= least + 0.05 + 1e-9  # a hand does not turn more finely


def test_words_for_the_rig() -> None:
    assert stops_words(0.7, least=0.35) == "about ⅔ stop (at least ⅓)"
    assert stops_words(1.35) == "about 1⅓ stops"
    assert stops_words(1.0, least=0.1) == "about 1 stop"
    assert stops_words(MOST_STOPS, least=0.4) == "more than 2 stops (at least ⅓)"


def readings_of(**columns: list[float]) -> Readings:
    rows = len(next(iter(columns.values())))

    class Store(dict[str, NDArray[np.float32]]):
        def part(self, name: str, first: int, last: int) -> NDArray[np.float32]:
            return self[name][first:last]

    values = {f"exposure.{k}": np.array(v, np.float32) for k, v in columns.items()}
    return Readings("picture", Fraction(1, 25), np.arange(rows + 1), Store(values))


def test_advice_for_a_stretch_puts_right_most_of_its_frames() -> None:
    nan = math.nan
    readings = readings_of(
        close_stops=[nan, 0.3, 0.7, 0.7, 0.7, 2.0],
        close_at_least_stops=[nan, 0.0, 0.35, 0.35, 0.35, 0.35],
        close_channel_stops=[nan, 1.0, 1.0, 1.0, 1.0, 1.0],
    )
    assert close_by(readings, 0, 5) == "close the iris by about ⅔ stop (at least ⅓)"
    assert (
        close_by(readings, 0, 5, channels=True)
        == "close the iris by about ⅔ to 1⅓ stops"
    )
    assert close_by(readings, 0, 1) == ""
    assert close_by(readings_of(other=[1.0]), 0, 1) == ""


def test_what_cannot_be_told_is_not_told() -> None:
    readings = readings_of(close_stops=[math.nan], close_at_least_stops=[0.4])
    assert "at least ⅓ stop" in close_by(readings, 0, 1)
    assert "about" not in close_by(readings, 0, 1)


# -------------------------------------------------------------------- the censored fit


@pytest.mark.parametrize(
    ("centre", "spread", "cut"),
    [(-0.3, 0.5, 0.3), (-0.9, 0.6, 0.0), (0.2, 0.4, 0.3), (-0.5, 0.8, 0.4)],
)
def test_the_fit_is_scipys_maximum_of_the_likelihood(
    centre: float, spread: float, cut: float
) -> None:
    random = np.random.default_rng(RANDOM_STATE)
    x = random.normal(centre, spread, 20_000)
    x = x[x > LOW]
    known, lost = x[x < cut], int((x >= cut).sum())
    found = censored_normal(
        mean=float(known.mean()),
        variance=float(known.var()),
        known=len(known),
        lost=lost,
        low=LOW,
        cut=cut,
    )
    assert found is not None

    def unlikely(p: NDArray[np.floating]) -> float:
        normal = stats.norm(p[0], math.exp(p[1]))
        whole = normal.logpdf(known).sum() + lost * normal.logsf(cut)
        return float(-(whole - (len(known) + lost) * normal.logsf(LOW)) / len(x))

    best = optimize.minimize(
        unlikely,
        [float(known.mean()), math.log(float(known.std()))],
        method="Nelder-Mead",
        options={"xatol": 1e-6, "fatol": 1e-12, "maxiter": 2000},
    )
    assert found[0] == pytest.approx(best.x[0], abs=2e-3)
    assert found[1] == pytest.approx(math.exp(best.x[1]), abs=2e-3)
    # And it is near what was drawn from: 20 000 values.
    assert found[0] == pytest.approx(centre, abs=0.1)
    assert found[1] == pytest.approx(spread, abs=0.07)


def test_data_that_no_normal_distribution_made_are_refused() -> None:
    # A tail heavier than an exponential bends the other way: no maximum.
    x = LOW + np.random.default_rng(RANDOM_STATE).exponential(0.5, 50_000) ** 1.5
    known, lost = x[x < 0.3], int((x >= 0.3).sum())
    fit = censored_normal(
        mean=float(known.mean()), variance=float(known.var()), known=len(known),
        lost=lost, low=LOW, cut=0.3,
    )  # fmt: skip
    assert fit is None
    empty = censored_normal(mean=0, variance=0, known=0, lost=3, low=LOW, cut=0)
    assert empty is None


def counts_of(stops: Light, cut: float) -> NDArray[np.float64]:
    """Count demand as `BurntLight` does, from known stops over the level."""
    known = stops[(stops >= LOW) & (stops < cut)]
    out = np.zeros(BINS + 1)
    out[:BINS], _ = np.histogram(known, LOW + BIN_STOPS * np.arange(BINS + 1))
    out[BINS] = (stops >= cut).sum()
    return out / len(stops)


def test_stops_of_what_is_not_cut_off_are_the_quantile() -> None:
    stops = np.random.default_rng(RANDOM_STATE).normal(-0.6, 0.4, 200_000)
    found = close_stops(counts_of(stops, math.inf), allowed=0.01, most=2.0)
    assert found == pytest.approx(float(np.quantile(stops, 0.99)), abs=BIN_STOPS / 2)


@pytest.mark.parametrize("over", [0.3, 0.7, 1.1, 1.5])
def test_stops_of_what_is_cut_off_are_the_quantile_too(over: float) -> None:
    # 99 % of the pixels lie under `over`; from 0.29 stops up all is cut off.
    spread = 0.5
    centre = over - spread * float(stats.norm.isf(0.01))
    stops = np.random.default_rng(RANDOM_STATE).normal(centre, spread, 200_000)
    counts = counts_of(stops, 0.29)
    found = close_stops(counts, allowed=0.01, least_lost=0.29, most=2.0)
    assert found == pytest.approx(over, abs=0.05)


def test_nothing_burnt_is_nothing_to_close_and_all_burnt_is_not_known() -> None:
    counts = np.zeros(BINS + 1)
    assert close_stops(counts, allowed=0.01, most=2.0) == 0.0
    counts[BINS] = 1.0
    assert math.isnan(close_stops(counts, allowed=0.01, most=2.0))


def test_swabs_are_taken_from_the_top() -> None:
    stops = np.random.default_rng(RANDOM_STATE).normal(-0.6, 0.4, 100_000)
    alone = close_stops(counts_of(stops, 0.29), allowed=0.01, least_lost=0.29, most=2.0)
    swab = np.concatenate([stops, np.full(5_000, 1.5)])
    counts = counts_of(swab, 0.29)
    share = 5_000 / len(swab)
    assert close_stops(
        counts, allowed=0.01, ignored=share, least_lost=0.29, most=2.0
    ) == pytest.approx(alone, abs=0.03)


def test_no_more_than_the_most_is_extrapolated() -> None:
    stops = np.random.default_rng(RANDOM_STATE).normal(1.5, 1.0, 100_000)
    counts = counts_of(stops, 0.29)
    assert close_stops(counts, allowed=0.01, least_lost=0.29, most=2.0) == 2.0


# --------------------------------------------------------------------- the lower bound


@settings(deadline=None, max_examples=60)
@given(
    st.integers(0, 2**32 - 1),
    st.floats(-1.0, 2.5),
    st.floats(0.96, 1.09),
    st.floats(0.5, 1.0),
    st.sampled_from([8, 10, 12]),
)
def test_the_bound_is_never_more_than_the_truth(
    number: int, over: float, clip: float, knee: float, bits: int
) -> None:
    # Any light, any clip, any knee: values over the knee are compressed four to one.
    signal = Signal(bit_depth=bits)
    light = 2.0 ** np.random.default_rng(number).normal(over - 1.5, 0.8, 5000)
    value = camera_curve(light)
    value = np.where(value > knee, knee + (value - knee) / 4, value)
    span = signal.white - signal.black
    codes = np.rint(signal.black + span * np.minimum(value, clip))
    histogram = np.bincount(codes.astype(int), minlength=signal.top + 1)
    first_code = signal.first_code_at(95.0)
    shares = top_shares(histogram, first_code=first_code, total=5000, signal=signal)
    least = least_stops(shares, first_code=first_code, allowed=0.01, signal=signal)
    if math.isnan(least):
        assert histogram[first_code:].sum() <= 50
        return
    # Closed by the truth, the 51st brightest pixel comes just under the level.
    burns_at = np.sort(light)[-51]
    truth = math.log2(burns_at / light_at(0.95))
    one_code = math.log2(light_at(0.95) / light_at(0.95 - 1 / 219))
    assert 0 <= least <= max(truth, 0.0) + one_code


def test_the_bound_is_the_stops_from_the_level_to_the_clip() -> None:
    signal = Signal()
    histogram = np.zeros(256, np.int64)
    histogram[100], histogram[246] = 900, 100  # a tenth at 105.02 %
    shares = top_shares(histogram, first_code=225, total=1000, signal=signal)
    least = least_stops(shares, first_code=225, allowed=0.01, signal=signal)
    expected = math.log2(light_at(230 / 219) / light_at(209 / 219))
    assert least == pytest.approx(expected, abs=7e-3)  # rounded constants
    assert math.isnan(
        least_stops(shares, first_code=225, allowed=0.1, signal=signal)
    )  # swabs of a tenth: nothing else burns


# ------------------------------------------------------------------------- drawn light


def shot(rgb: Light, *, clip: float = 1.05, index: int = 0) -> Picture:
    """Code linear light (H, W, 3) as a camera does; BT.709-6 items 3.2 to 3.5."""
    value = np.minimum(camera_curve(rgb), clip)
    luma = value @ np.array([0.2126, 0.7152, 0.0722])
    cb = (value[..., 2] - luma) / 1.8556
    cr = (value[..., 0] - luma) / 1.5748
    out = picture(16 + 219 * luma, index=index)

    def chroma(c: Light) -> NDArray[np.uint8]:
        pairs = c.reshape(c.shape[0] // 2, 2, c.shape[1] // 2, 2).mean((1, 3))
        return np.asarray(np.rint(128 + 224 * pairs), np.uint8)

    return Picture(
        index=index, pts=index, duration=1, y=out.y, cb=chroma(cb), cr=chroma(cr),
        signal=out.signal,
    )  # fmt: skip


def field(number: int = RANDOM_STATE, size: tuple[int, int] = (180, 320)) -> Light:
    """Draw tissue: soft patches of log-normal light, red, with paler parts."""
    random = np.random.default_rng(number)
    coarse = random.normal(0, 1, (size[0] // 4, size[1] // 4))
    log = np.kron(coarse, np.ones((4, 4))) * 0.55 - 2.2
    pale = np.kron(random.uniform(0, 1, coarse.shape), np.ones((4, 4)))
    hue = np.stack([np.ones_like(pale), 0.45 + 0.4 * pale, 0.35 + 0.45 * pale], -1)
    return np.asarray(2.0 ** log[..., None] * hue)


def truth_of(rgb: Light) -> float:
    """Stops until 1 % of the pixels is at 95 % luma, by bisection on the light."""
    low, high = -6.0, 6.0
    for _ in range(20):
        stops = (low + high) / 2
        value = np.minimum(camera_curve(rgb * 2.0**-stops), 1.05)
        burnt = (value @ np.array([0.2126, 0.7152, 0.0722]) >= 0.95).mean() > 0.01
        low, high = (stops, high) if burnt else (low, stops)
    return high


def test_known_over_exposure_is_told_within_a_quarter_stop() -> None:
    errors = []
    for number in (1, 2, 3):
        light = field(number)
        light = light * 2.0 ** -truth_of(light)
        for over in (0.2, 0.5, 0.8, 1.1, 1.5):
            take = [shot(light * 2.0**over, index=i) for i in (0, 5, 10)]
            measured = measure(take, setup_of(), MEASURES)
            found = column(measured, "exposure.close_stops")
            least = column(measured, "exposure.close_at_least_stops")
            errors.append(float(np.median(found)) - over)
            assert (least <= over + 0.02).all()
            assert (least <= found).all()
    # The goal of the issue: a median error of a quarter stop up to +1.5.
    assert float(np.median(np.abs(errors))) <= 0.25
    assert float(np.quantile(np.abs(errors), 0.9)) <= 0.45
    assert abs(float(np.median(errors))) <= 0.15


def test_a_scene_darker_by_k_stops_asks_for_k_stops_less() -> None:
    light = field(3)
    light = light * 2.0 ** (1.3 - truth_of(light))
    told = []
    for k in (0.0, 0.3, 0.6, 0.9):
        take = [shot(light * 2.0**-k, index=i) for i in (0, 5, 10)]
        measured = measure(take, setup_of(), MEASURES)
        told.append(float(np.median(column(measured, "exposure.close_stops"))))
    steps = -np.diff(told)
    assert (np.abs(steps - 0.3) <= 0.15).all()
    assert told[0] - told[-1] == pytest.approx(0.9, abs=0.2)


def test_a_right_exposure_has_nothing_to_close() -> None:
    light = field(4)
    light = light * 2.0 ** (-0.3 - truth_of(light))
    measured = measure([shot(light, index=i) for i in range(8)], setup_of(), MEASURES)
    assert np.isnan(column(measured, "exposure.close_stops")).all()
    assert np.isnan(column(measured, "exposure.close_at_least_stops")).all()


def test_a_red_that_is_cut_off_is_told_apart_from_luma() -> None:
    light = field(5) * np.array([1.0, 0.5, 0.5])
    light = light * 2.0 ** (0.3 - truth_of(light))
    measured = measure([shot(light, index=i) for i in range(8)], setup_of(), MEASURES)
    luma = float(np.median(column(measured, "exposure.close_stops")))
    channel = float(np.median(column(measured, "exposure.close_channel_stops")))
    brightest = np.sort(light.max(axis=-1), axis=None)[-int(0.01 * light[..., 0].size)]
    expected = math.log2(brightest / light_at(1.05))
    assert expected > 1.0
    assert channel == pytest.approx(expected, abs=0.35)
    assert channel > luma + 0.3


@pytest.mark.parametrize("clip", [1.0, 1.05, 1.09])
def test_the_level_at_which_a_camera_clips_is_found(clip: float) -> None:
    light = field(6)
    light = light * 2.0 ** (1.2 - truth_of(light))
    reader = BurntLight(Signal(), level_percent=95.0)
    reader.read(shot(light, clip=clip))
    assert reader.clip == pytest.approx(clip, abs=0.012)


def test_stops_are_read_five_times_a_second_and_held() -> None:
    light = field(7, (90, 160))
    right = light * 2.0 ** (-0.5 - truth_of(light))
    burnt = right * 4.0
    take = [shot(burnt if 10 <= i < 30 else right, index=i) for i in range(40)]
    measured = measure(take, setup_of(), MEASURES)
    known = ~np.isnan(column(measured, "exposure.close_stops"))
    assert known[10:30].all()  # looked at once it burns, not a fifth of a second later
    assert not known[:10].any()
    assert not known[35:].any()  # held for a fifth of a second at most


def test_only_the_judged_part_counts() -> None:
    light = field(8)
    light = light * 2.0 ** (-0.5 - truth_of(light))
    light[:, :80] *= 8.0
    take = [shot(light, index=i) for i in range(6)]
    spared = setup_of({"highlights.ignore": [[0.0, 0.0, 0.26, 1.0]]})
    assert np.isnan(
        column(measure(take, spared, MEASURES), "exposure.close_stops")
    ).all()
    everywhere = column(measure(take, setup_of(), MEASURES), "exposure.close_stops")
    assert (everywhere > 1.0).all()
