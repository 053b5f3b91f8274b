"""Flicker and rolling bands: lamps rendered exactly, and what must not pass for them.

The renderer integrates a pulsing lamp over the exposure of every row in closed form and
codes it with colour-science's BT.709 curve; frequency, amplitude and bands follow from
`tests/values/light.toml` and its formulas.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

import colour
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from qc.judge import find
from qc.measures import default_limits, framing, light
from qc.measures.base import Measured, Setup
from qc.measures.parts.light.lightstrips import middle_means
from qc.measures.parts.light.lightwaves import STRIPS, levels, strongest_wave
from qc.media import TakeReader, probe
from qc.records import Coverage, Finding, Grade, Picture, TakeResult
from qc.signal import Signal
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

MEASURES = (framing.MEASURE, light.MEASURE)
HEIGHT, WIDTH = 96, 160
SCENE = scene(HEIGHT, WIDTH, np.random.default_rng(31))
NTSC, NTSC_HIGH = Fraction(30000, 1001), Fraction(60000, 1001)


def scene_light(image: Image) -> Image:
    """Return the light behind 8-bit video codes."""
    return np.asarray(colour.models.oetf_inverse_BT709((image - 16) / 219), np.float64)


def coded(scene_of: Image) -> Image:
    return np.asarray(colour.models.oetf_BT709(scene_of), np.float64) * 219 + 16


@dataclass(frozen=True)
class Lamp:
    """A lamp, and the camera that looks at it.

    Attributes
    ----------
    depth : float
        Ripple as a share of the mean light.
    pulses : float
        Pulses a second.
    exposure, readout : float
        Seconds a row is exposed; from the first row's start to the last row's.
    """

    depth: float
    pulses: float
    exposure: float
    readout: float = 0.0

    def gain(self, start: float) -> Image:
        """Return the light each row gathers: the exact mean over its exposure."""
        row = start + self.readout * (np.arange(HEIGHT) + 0.5) / HEIGHT
        w = 2 * np.pi * self.pulses
        ripple = (np.sin(w * (row + self.exposure)) - np.sin(w * row)) / (
            w * self.exposure
        )
        return np.asarray(1 + self.depth * ripple, np.float64)

    @property
    def left_percent(self) -> float:
        """Percent of ripple in the picture: depth |sinc(f t)|."""
        return 100 * self.depth * abs(float(np.sinc(self.pulses * self.exposure)))


def rendered(
    lamp: Lamp,
    rate: Fraction,
    seconds: float,
    *,
    signal: Signal | None = None,
    noise: float = 1.0,
    look: Callable[[int], Image] = lambda _: SCENE,
) -> Iterator[Picture]:
    random = np.random.default_rng(5)
    signal = Signal() if signal is None else signal
    for i in range(round(seconds * rate)):
        lit = scene_light(look(i)) * lamp.gain(i / float(rate))[:, None]
        image = coded(lit) + random.normal(0, noise, lit.shape)
        yield picture(codes(image, signal), signal=signal, index=i)


def judged(pictures: Iterator[Picture], rate: Fraction, **facts: Any) -> Measured:
    return measure(pictures, setup_of(rate=rate, **facts), MEASURES)


def top(measured: Measured, name: str) -> float:
    values = column(measured, f"light.{name}")
    return float(np.nanmax(values)) if np.isfinite(values).any() else float("nan")


def found(measured: Measured) -> list[Finding]:
    return list(find(measured, MEASURES))


def quiet(measured: Measured) -> bool:
    """Whether everything was judged, and nothing at or over 1 % of light found."""
    figures = [column(measured, f"light.{k}_percent") for k in ("flicker", "banding")]
    return all(bool(np.isfinite(f).all()) and float(f.max()) < 1.0 for f in figures)


# ------------------------------------------------------------------------ recovery


@pytest.mark.parametrize(
    ("lamp", "rate", "beat", "mains"),
    [
        (Lamp(0.30, 120, 1 / 50), Fraction(25), 5.0, 60),
        (Lamp(0.30, 120, 1 / 100), Fraction(50), 20.0, 60),
        (Lamp(0.20, 100, 1 / 60), NTSC, 10.090, 50),
        (Lamp(0.20, 100, 1 / 120), NTSC_HIGH, 19.880, 50),
        (Lamp(0.80, 100, 1 / 48), Fraction(24), 4.0, 50),
        (Lamp(0.80, 100, 1 / 48), Fraction(24000, 1001), 4.096, 50),
    ],
)
def test_flicker_is_found_with_its_frequency_and_amplitude(
    lamp: Lamp, rate: Fraction, beat: float, mains: int
) -> None:
    measured = judged(rendered(lamp, rate, 2.6), rate)
    (finding,) = found(measured)
    assert finding.rule == "light.flicker"
    assert top(measured, "flicker_hz") == pytest.approx(beat, abs=0.02)
    assert top(measured, "flicker_percent") == pytest.approx(
        lamp.left_percent, rel=0.04
    )
    assert f"lamps on {mains} Hz mains" in finding.message
    said = re.search(r"(\d+\.\d\d) times a second", finding.message)
    assert said is not None
    assert float(said[1]) == pytest.approx(beat, abs=0.02)
    assert f"under {mains} Hz mains" in finding.advice
    other = 110 - mains
    assert f"under {other} Hz mains" not in finding.advice


@pytest.mark.parametrize(
    ("lamp", "rate", "beat", "bands"),
    [
        (Lamp(0.30, 120, 1 / 50, readout=1 / 120), Fraction(25), 5.0, 1.0),
        (Lamp(0.30, 120, 1 / 50, readout=0.020), Fraction(25), 5.0, 2.4),
        (Lamp(0.20, 100, 1 / 60, readout=0.030), NTSC, 10.090, 3.0),
        (Lamp(0.20, 100, 1 / 250, readout=0.016), NTSC_HIGH, 19.880, 1.6),
        # A dimmed lamp pulsing 333 times a second: 5.3 bands, |333 - 13 x 25| = 8 Hz.
        (Lamp(0.50, 333, 1 / 200, readout=0.016), Fraction(25), 8.0, 5.328),
        # Faster: 12.5 bands, |783 - 31 x 25| = 8 Hz.
        (Lamp(0.50, 783, 1 / 2000, readout=0.016), Fraction(25), 8.0, 12.528),
    ],
)
def test_rolling_bands_are_pulses_times_readout(
    lamp: Lamp, rate: Fraction, beat: float, bands: float
) -> None:
    measured = judged(rendered(lamp, rate, 3.2), rate)
    (finding,) = found(measured)
    assert finding.rule == "light.banding"
    assert top(measured, "banding_hz") == pytest.approx(beat, abs=0.02)
    assert top(measured, "bands_count") == pytest.approx(bands, abs=0.06)
    expected = min(lamp.left_percent, 99)
    assert top(measured, "banding_percent") == pytest.approx(expected, rel=0.06)
    assert f"{bands:.1f} from top to bottom" in finding.message


def test_a_short_readout_is_flicker_of_the_whole_picture() -> None:
    lamp = Lamp(0.3, 120, 1 / 50, readout=0.002)  # a quarter of a band
    measured = judged(rendered(lamp, Fraction(25), 3), Fraction(25))
    assert [f.rule for f in found(measured)] == ["light.flicker"]


@pytest.mark.parametrize(
    ("depth", "grade"), [(0.25, Grade.REVIEW), (0.95, Grade.REJECT)]
)
def test_grades_follow_the_limits(depth: float, grade: Grade) -> None:
    lamp = Lamp(depth, 120, 1 / 50)
    limits = {"light.flicker_review_percent": 2.5, "light.flicker_reject_percent": 9.0}
    left = lamp.left_percent
    assert (left > 9.0) == (grade is Grade.REJECT)
    assert left > 2.5
    pictures = rendered(lamp, Fraction(25), 3)
    measured = measure(pictures, setup_of(limits, rate=Fraction(25)), MEASURES)
    (finding,) = found(measured)
    assert finding.grade is grade


@pytest.mark.parametrize("bits", [8, 10, 12])
@pytest.mark.parametrize("full", [False, True])
def test_every_kind_of_signal_reads_the_same(bits: int, full: bool) -> None:
    signal = Signal(bit_depth=bits, full_range=full)
    lamp = Lamp(0.3, 120, 1 / 50)
    pictures = rendered(lamp, Fraction(25), 2.4, signal=signal)
    measured = judged(pictures, Fraction(25), signal=signal)
    assert top(measured, "flicker_percent") == pytest.approx(
        lamp.left_percent, rel=0.05
    )


def test_an_unknown_lamp_is_found_and_its_mains_left_open() -> None:
    lamp = Lamp(0.2, 257, 1 / 400)  # |257 - 10 x 25| = 7 Hz
    (finding,) = found(judged(rendered(lamp, Fraction(25), 3), Fraction(25)))
    assert "7.00 times a second" in finding.message
    assert "cannot be told" in finding.message
    assert "under 50 Hz mains" in finding.advice
    assert "under 60 Hz mains" in finding.advice
    assert "100 %" in finding.advice


@pytest.mark.parametrize("bands", [0.0, 2.0])
def test_a_beat_of_eight_seconds_is_found(bands: float) -> None:
    # 60 Hz mains at 59.94 frames: 0.120 Hz. Strips are given, to spare 3600 pictures.
    rate, beat = NTSC_HIGH, 120 - 2 * NTSC_HIGH
    n = round(40 * rate)
    phase = float(beat) * np.arange(n)[:, None] / float(rate) + bands * places()
    level = 0.05 * np.cos(2 * np.pi * phase)
    measured = of_strips(np.diff(level, axis=0, prepend=level[:1]), rate)
    kind = "banding" if bands else "flicker"
    # Contrast of 2^0.05 and 2^-0.05.
    expected = 100 * (2**0.05 - 2**-0.05) / (2**0.05 + 2**-0.05)
    assert top(measured, f"{kind}_percent") == pytest.approx(expected, rel=0.03)
    assert top(measured, f"{kind}_hz") == pytest.approx(0.120, abs=0.005)
    (finding,) = found(measured)
    assert "60 Hz mains" in finding.message


def places() -> NDArray[np.float64]:
    return (np.arange(STRIPS) + 0.5) / STRIPS


def of_strips(
    changes: NDArray[np.floating[Any]],
    rate: Fraction,
    keys: Sequence[int] | None = None,
) -> Measured:
    """Judge changes of strips as if pictures had given them."""
    at = {0} if keys is None else set(keys)
    random = np.random.default_rng(8)
    noisy = changes + random.normal(0, 0.001, changes.shape)

    class Reader:
        def __init__(self, _: object) -> None:
            self.row = 0

        def read(self, _: Picture) -> dict[str, Any]:
            row, self.row = self.row, self.row + 1
            return {"strips_stops": noisy[row], "key": float(row in at)}

        def finish(self) -> dict[str, object]:
            return {}

    given = replace(light.MEASURE, start=Reader)
    blank = np.zeros((2, 2), np.uint8)
    pictures = (picture(blank, index=i) for i in range(len(changes)))
    return measure(pictures, setup_of(rate=rate), [given])


# --------------------------------------------------------- what is not a lamp's beat


@pytest.mark.parametrize("exposure", [1 / 100, 1 / 50, 1 / 25])
def test_clean_exposures_are_clean(exposure: float) -> None:
    lamp = Lamp(0.9, 100, exposure, readout=0.015)
    rate = Fraction(24)
    measured = judged(rendered(lamp, rate, 3), rate)
    assert quiet(measured)
    assert not found(measured)


def test_bands_that_stand_still_cannot_be_told() -> None:
    # 50 Hz mains at 25 frames: a beat of nothing. The summary says so.
    lamp = Lamp(0.3, 100, 1 / 60, readout=0.02)
    assert lamp.left_percent > 4
    measured = judged(rendered(lamp, Fraction(25), 3), Fraction(25))
    assert quiet(measured)
    assert light.MEASURE.summarise is not None
    assert light.MEASURE.summarise(measured)["still_bands_mains_hz"] == [50]
    assert "bands that stand still cannot be told" in light.MEASURE.method


STEADY = Lamp(0.0, 100, 1 / 50)
WIDE = scene(HEIGHT, 3 * WIDTH, np.random.default_rng(32))


def breathing(i: int) -> Image:
    """A chest: the lower half of the picture heaves and shades, 0.3 times a second."""
    out = SCENE.copy()
    out[HEIGHT // 2 :] = 16 + (out[HEIGHT // 2 :] - 16) * (1 + 0.1 * np.sin(0.075 * i))
    return out


def beating(i: int) -> Image:
    """A heart in the middle third: moving and shining at 1.9 Hz with overtones."""
    phase = 2 * np.pi * 1.9 * i / 25
    pulse = np.sin(phase) + 0.5 * np.sin(2 * phase) + 0.3 * np.sin(3 * phase)
    out = SCENE.copy()
    part = np.roll(SCENE, round(4 * pulse), axis=0)[:, WIDTH // 3 : 2 * WIDTH // 3]
    out[:, WIDTH // 3 : 2 * WIDTH // 3] = 16 + (part - 16) * (1 + 0.15 * pulse)
    return out


def waving(i: int) -> Image:
    """A dark glove going to and fro over half of the picture, 4 times a second."""
    out = SCENE.copy()
    left = round(WIDTH * (0.25 + 0.25 * np.sin(2 * np.pi * 4 * i / 25)))
    out[HEIGHT // 3 :, left : left + WIDTH // 4] = 60
    return out


def reaching(i: int) -> Image:
    """A glove that goes in and out from the side, once a second."""
    out = SCENE.copy()
    out[HEIGHT // 3 :, : round(WIDTH * (0.2 + 0.15 * np.sin(2 * np.pi * i / 25)))] = 60
    return out


def pumping(i: int) -> Image:
    """Automatic exposure hunting: slow, and never twice the same."""
    walk = (
        0.12 * np.sin(0.11 * i) + 0.08 * np.sin(0.043 * i + 1) + 0.05 * np.sin(0.19 * i)
    )
    return np.asarray(coded(scene_light(SCENE) * 2**walk), np.float64)


def panning(i: int) -> Image:
    return WIDE[:, 2 * i : 2 * i + WIDTH]


def tilting(i: int) -> Image:
    return np.roll(SCENE, i, axis=0)


def shaking(i: int) -> Image:
    """A boom that swings 5 times a second."""
    return np.roll(SCENE, round(3 * np.sin(2 * np.pi * 5 * i / 25)), axis=0)


@pytest.mark.parametrize(
    "look", [breathing, beating, waving, reaching, pumping, panning, tilting, shaking]
)
def test_what_moves_is_no_beating_light(look: Callable[[int], Image]) -> None:
    measured = judged(rendered(STEADY, Fraction(25), 4, look=look), Fraction(25))
    assert not found(measured)


@pytest.mark.parametrize("noise", [0.5, 4.0, 12.0])
def test_noise_is_no_beating_light(noise: float) -> None:
    measured = judged(rendered(STEADY, Fraction(25), 4, noise=noise), Fraction(25))
    assert quiet(measured)


@pytest.mark.parametrize("look", [reaching, beating])
def test_a_beat_is_found_behind_what_moves(look: Callable[[int], Image]) -> None:
    lamp = Lamp(0.5, 120, 1 / 48)
    rate = Fraction(25)
    measured = judged(rendered(lamp, rate, 4, look=look), rate)
    assert "light.flicker" in {f.rule for f in found(measured)}
    assert top(measured, "flicker_hz") == pytest.approx(5.0, abs=0.05)
    assert top(measured, "flicker_percent") == pytest.approx(
        lamp.left_percent, rel=0.12
    )


def test_steps_at_key_frames_are_the_coders() -> None:
    # A group of 5 at 25 frames is 5 Hz, where lamps on 60 Hz mains would beat: bright
    # at the key frame, then down step by step.
    n, group = 100, 5
    keys = range(0, n, group)
    changes = np.full((n, STRIPS), -0.02)
    changes[::group] = 0.02 * (group - 1)
    assert top(of_strips(changes, Fraction(25), keys), "flicker_percent") == 0
    # The same light without key frames there is a lamp; so is a lamp with them.
    assert top(of_strips(changes, Fraction(25)), "flicker_percent") > 1.5
    level = 0.05 * np.cos(2 * np.pi * 5 * np.arange(n) / 25 + 1)[:, None]
    lamp = np.diff(level, axis=0, prepend=level[:1]) + np.zeros((n, STRIPS))
    assert top(of_strips(lamp, Fraction(25), keys), "flicker_percent") > 1.5


def test_every_other_frame_brighter_among_key_frames() -> None:
    # The fastest beat there is, where the spectrum ends; coders alternate like this.
    changes = 0.1 * (-1.0) ** np.arange(100)[:, None] + np.zeros((100, STRIPS))
    measured = of_strips(changes, Fraction(25), keys=range(0, 100, 12))
    assert top(measured, "flicker_hz") == pytest.approx(12.5, abs=0.1)


def test_an_iris_that_jumps_hides_little() -> None:
    def look(i: int) -> Image:
        return SCENE if i < 60 else coded(scene_light(SCENE) * 0.6)

    measured = judged(rendered(STEADY, Fraction(25), 5, look=look), Fraction(25))
    assert quiet(measured)


def test_a_beat_that_begins_in_the_middle_is_placed_there() -> None:
    n, rate = 250, Fraction(25)
    level = 0.06 * np.cos(2 * np.pi * 5 * np.arange(n) / 25)[:, None] * np.ones(STRIPS)
    level[:125] = 0
    measured = of_strips(np.diff(level, axis=0, prepend=level[:1]), rate)
    (finding,) = found(measured)
    assert float(finding.start) == pytest.approx(5.0, abs=1.0)
    assert float(finding.end) == pytest.approx(10.0, abs=0.05)


@pytest.mark.parametrize("seconds", [1.4, 2.0, 2.2, 2.6])
@pytest.mark.parametrize("bands", [0.0, 2.5])
def test_a_beat_of_two_seconds_is_placed_by_its_own_frames(
    bands: float, seconds: float
) -> None:
    # Six seconds, of which windows of three seconds around it tell.
    rate, n, first = Fraction(25), 150, 60
    last = first + round(seconds * 25)
    turns = 5 * np.arange(n)[:, None] / 25 - bands * places()
    level = 0.06 * np.cos(2 * np.pi * turns)
    level[:first] = level[last:] = 0
    measured = of_strips(np.diff(level, axis=0, prepend=level[:1]), rate)
    (finding,) = found(measured)
    assert finding.start_frame == pytest.approx(first, abs=4)
    assert finding.end_frame == pytest.approx(last, abs=4)
    # Percent flicker is (high - low) / (high + low), of 2 ** 0.06 and 2 ** -0.06.
    assert finding.worst == pytest.approx(100 * np.tanh(0.06 * np.log(2)), rel=0.1)


# ------------------------------------------------------------- what cannot be judged


def test_short_dark_damaged_and_tiny_takes_are_not_judged() -> None:
    rate = Fraction(25)
    black = np.full((HEIGHT, WIDTH), 20.0)
    tiny = np.full((16, 16), 110.0)
    cases = {
        "short": rendered(STEADY, rate, 1.5),
        "black": (picture(black, index=i) for i in range(75)),
        "burnt out": (picture(black + 225, index=i) for i in range(75)),
        "damaged": (picture(SCENE, index=i, damaged=True) for i in range(75)),
        "tiny": (picture(tiny, index=i) for i in range(75)),
    }
    assert light.MEASURE.notes is not None
    for pictures in cases.values():
        measured = judged(pictures, rate)
        assert np.isnan(column(measured, "light.flicker_percent")).all()
        assert any("could not be judged" in n for n in light.MEASURE.notes(measured))


OTHER = scene(HEIGHT, WIDTH, np.random.default_rng(33))


def cutting(i: int) -> Image:
    """Another shot every 1.2 seconds: each too short to be judged by itself."""
    return OTHER if (i // 30) % 2 else SCENE


def swinging(i: int) -> Image:
    """A boom that swings to and fro: the framing changes all the time."""
    left = round(WIDTH * (1 + np.sin(2 * np.pi * 0.45 * i / 25)))
    return WIDE[:, left : left + WIDTH]


@pytest.mark.parametrize("look", [cutting, swinging])
def test_cuts_and_pans_make_up_no_beat(look: Callable[[int], Image]) -> None:
    measured = judged(rendered(STEADY, Fraction(25), 6, look=look), Fraction(25))
    assert not found(measured)
    # At least where the framing moves less, it was looked at, and said so.
    flicker = column(measured, "light.flicker_percent")
    assert (flicker == 0).mean() > 0.3


@pytest.mark.parametrize("look", [cutting, swinging])
@pytest.mark.parametrize(
    ("lamp", "kind", "bands"),
    [
        (Lamp(0.5, 120, 1 / 48), "flicker", 0.0),
        (Lamp(0.6, 120, 1 / 48, readout=0.02), "banding", 2.4),
    ],
)
def test_a_lamp_beats_on_over_cuts_and_pans(
    look: Callable[[int], Image], lamp: Lamp, kind: str, bands: float
) -> None:
    measured = judged(rendered(lamp, Fraction(25), 6, look=look), Fraction(25))
    assert {f.rule for f in found(measured)} == {f"light.{kind}"}
    assert top(measured, f"{kind}_hz") == pytest.approx(5.0, abs=0.05)
    percent = column(measured, f"light.{kind}_percent")
    assert np.nanmedian(percent) == pytest.approx(lamp.left_percent, rel=0.2)
    if bands:
        count = column(measured, "light.bands_count")
        assert np.nanmedian(count) == pytest.approx(bands, abs=0.15)


def test_a_beat_of_half_the_picture_is_no_lamp_of_the_room() -> None:
    # A screen in the picture pulses 5 times a second, the pan goes on.
    def look(i: int) -> Image:
        out = swinging(i).copy()
        out[:, : WIDTH // 2] *= 1 + 0.2 * np.cos(2 * np.pi * 5 * i / 25)
        return out

    measured = judged(rendered(STEADY, Fraction(25), 6, look=look), Fraction(25))
    assert not found(measured)


def test_key_frames_at_a_strong_beat_are_set_by_the_beat() -> None:
    # A coder begins anew where the picture jumps: every fifth frame is a key frame
    # because a lamp of 60 Hz mains makes it bright, half a stop each time.
    n, group = 100, 5
    changes = np.full((n, STRIPS), -0.1)
    changes[::group] = 0.1 * (group - 1)
    measured = of_strips(changes, Fraction(25), range(0, n, group))
    assert top(measured, "flicker_percent") > 5


def test_uneven_times_make_up_no_beat() -> None:
    # Frames of a phone: about 30 a second, each up to 8 ms late.
    random = np.random.default_rng(6)
    ticks = np.arange(120) * 100 + random.integers(0, 25, 120)
    lamp = Lamp(0.4, 100, 1 / 60)
    random = np.random.default_rng(7)
    pictures = []
    for i, tick in enumerate(ticks):
        lit = scene_light(SCENE) * lamp.gain(tick / 3000)[:, None]
        image = coded(lit) + random.normal(0, 1, lit.shape)
        pictures.append(picture(image, index=i, pts=int(tick)))
    base = setup_of(rate=Fraction(3000))
    measured = measure(pictures, base, MEASURES)
    # 100 Hz at 30 frames a second beats at 10 Hz only on the average; lateness of the
    # frames is lateness in the lamp's pulse too. What counts: nothing is made up.
    hertz = column(measured, "light.flicker_hz")
    known = hertz[np.isfinite(hertz)]
    assert known.size == 0 or known == pytest.approx(10.0, abs=0.2)


# ------------------------------------------------------------------- the arithmetic


def test_the_mean_of_the_middle_half_is_scipys() -> None:
    random = np.random.default_rng(9)
    changes = random.normal(0, 1, (STRIPS, 30)).astype(np.float32)
    changes[random.uniform(size=changes.shape) < 0.4] = np.nan
    changes[3, 5:] = np.nan
    changes[4] = np.nan
    means = middle_means(changes)
    for row, mean in zip(changes, means, strict=True):
        known = row[~np.isnan(row)]
        if len(known) >= 6:
            assert mean == pytest.approx(float(stats.trim_mean(known, 0.25)), abs=1e-6)
        else:
            assert np.isnan(mean)
    assert np.isnan(means[[3, 4]]).all()


@pytest.mark.parametrize("uneven", [False, True])
@pytest.mark.parametrize("bands", [-3.3, 0.0, 1.7])
def test_a_plane_wave_is_read_back(bands: float, uneven: bool) -> None:
    random = np.random.default_rng(10)
    times = np.arange(100) / 25
    if uneven:
        times = times + random.uniform(0, 0.01, 100)
    phase = 4.37 * times[:, None] + bands * places()
    level = 0.1 * np.cos(2 * np.pi * phase + 0.4)
    wave = strongest_wave(level, times, low_hz=2, high_hz=12.5)
    assert wave is not None
    assert wave.hertz == pytest.approx(4.37, abs=0.02)
    assert wave.bands == pytest.approx(bands, abs=0.03)
    attenuated = 0.1 / float(np.sinc(bands / STRIPS))
    assert wave.stops == pytest.approx(attenuated, rel=0.03)
    assert wave.explained > 0.95


def test_levels_are_sums_without_their_line() -> None:
    random = np.random.default_rng(11)
    changes = random.normal(0, 1, (50, STRIPS))
    x = np.arange(50)
    expected = np.cumsum(np.vstack([np.zeros(STRIPS), changes[1:]]), axis=0)
    for strip in range(STRIPS):
        expected[:, strip] -= np.polyval(np.polyfit(x, expected[:, strip], 1), x)
    assert levels(changes) == pytest.approx(expected, abs=1e-9)


# ------------------------------------------------------------------------- the report


def result_of(measured: Measured) -> TakeResult:
    assert measured.picture is not None
    return TakeResult(
        info=measured.info,
        coverage=Coverage("every frame", 0, None, 0, 0, 0, 0.0, 0.0),
        grade=Grade.REVIEW,
        findings=tuple(found(measured)),
        usable=(),
        summary={},
        advice=(),
        notes=(),
        picture=measured.picture,
        sound=(),
        duration=measured.picture.start(measured.picture.rows),
        limits=measured.limits,
    )


def test_exhibits_show_the_bands_and_their_course() -> None:
    lamp = Lamp(0.30, 120, 1 / 50, readout=0.020)
    result = result_of(judged(rendered(lamp, Fraction(25), 3.2), Fraction(25)))
    assert light.MEASURE.exhibits is not None
    profile, course = light.MEASURE.exhibits(result, result.findings[0])
    (line,) = profile.lines
    # 2.4 bands: a cosine of that many rounds down the picture fits, another does not.
    fit = {
        bands: abs(np.sum(line.y * np.exp(-2j * np.pi * bands * line.x / 100)))
        for bands in (0.8, 2.4, 4.0)
    }
    assert fit[2.4] > 3 * max(fit[0.8], fit[4.0])
    half = 0.5 * float(line.y.max() - line.y.min())
    assert half == pytest.approx(lamp.left_percent, rel=0.15)
    (line,) = course.lines
    assert len(line.x) > 20
    turns = np.count_nonzero(np.diff(np.signbit(line.y)))
    assert turns == pytest.approx(2 * 5 * float(line.x[-1] - line.x[0]), abs=2)


def test_dark_bands_are_outlined_where_they_are() -> None:
    lamp, rate = Lamp(0.30, 120, 1 / 50, readout=0.020), Fraction(25)
    measured = judged(rendered(lamp, rate, 3.2), rate)
    result = result_of(measured)
    (finding,) = result.findings
    setup = Setup(measured.info, measured.limits, result)
    assert light.MEASURE.mark is not None
    marks = light.MEASURE.mark(picture(SCENE), setup, finding)
    assert finding.worst_pts_row is not None
    gain = lamp.gain(finding.worst_pts_row / float(rate))
    outlined = np.zeros(HEIGHT, bool)
    for kind, box in marks.outlines:
        assert kind == "dark-band"
        assert box[:, 0].tolist() == [0, WIDTH - 1, WIDTH - 1, 0]
        outlined[int(box[0, 1]) : int(box[2, 1]) + 1] = True
    assert 2 <= len(marks.outlines) <= 3
    # A strip is a twenty-seventh of the height: an edge may be off by one.
    dark = gain < 1 - 0.5 * lamp.left_percent / 100
    assert np.mean(outlined != dark) < 0.15
    assert gain[outlined].mean() < 1 - 0.6 * lamp.left_percent / 100
    assert not light.MEASURE.mark(picture(SCENE), Setup(*base(measured)), finding).areas


def base(measured: Measured) -> tuple[Any, Any]:
    return measured.info, measured.limits


def test_exhibits_of_flicker_show_its_course() -> None:
    lamp = Lamp(0.30, 120, 1 / 50)
    result = result_of(judged(rendered(lamp, Fraction(25), 3.2), Fraction(25)))
    assert light.MEASURE.exhibits is not None
    (course,) = light.MEASURE.exhibits(result, result.findings[0])
    (line,) = course.lines
    half = 0.5 * float(line.y.max() - line.y.min())
    assert half == pytest.approx(lamp.left_percent, rel=0.15)


# -------------------------------------------------------------------- real recordings


@pytest.mark.footage
@pytest.mark.parametrize("name", ["carphone_pristine.mp4"])
def test_real_recordings_without_beating_light(name: str) -> None:
    # Looked at: a man in a moving car, by daylight.
    info = probe(footage(name))
    with TakeReader(info, threads=1) as reader:
        pictures = (item for item in reader if isinstance(item, Picture))
        measured = measure(pictures, Setup(info, default_limits()), MEASURES)
    assert not found(measured)
    assert np.isfinite(column(measured, "light.flicker_percent")).mean() > 0.3
