"""Exposure that pumps is told once: as such, not as flicker besides.

Drawn by gains in stops on the light of a still scene, coded with colour-science's
BT.709 curve. Lamps on 50 Hz mains give 100 pulses a second: at 33 frames these beat at
100 - 3 x 33 = 1 Hz, at 25 frames not at all.
"""

from __future__ import annotations

from fractions import Fraction
from types import SimpleNamespace

import colour
import numpy as np
import pytest

from qc.judge import find
from qc.measures import exposure, framing, light
from qc.measures.base import Measured
from qc.measures.parts.light import pumped as pumpedlight
from qc.signal import Signal
from tests.pictures import Image, codes, column, measure, picture, scene, setup_of

MEASURES = (framing.MEASURE, exposure.MEASURE, light.MEASURE)
HEIGHT, WIDTH = 96, 160
SCENE = scene(HEIGHT, WIDTH, np.random.default_rng(31))
LIGHT = np.asarray(
    0.7 * colour.models.oetf_inverse_BT709((SCENE - 16) / 219), np.float64
)


def swung(
    hertz: float,
    stops: float,
    *,
    rate: int = 25,
    seconds: float = 6.0,
    bands: float = 0.0,
) -> Measured:
    """Measure a scene whose light goes up and down by so many stops in all."""
    random = np.random.default_rng(5)
    down = bands * (np.arange(HEIGHT) + 0.5) / HEIGHT

    def look(i: int) -> Image:
        course = np.sin(2 * np.pi * (hertz * i / rate - down))
        lit = LIGHT * 2 ** (0.5 * stops * course)[:, None]
        image = np.asarray(colour.models.oetf_BT709(lit), np.float64) * 219 + 16
        return np.asarray(image + random.normal(0, 0.8, image.shape), np.float64)

    frames = range(round(seconds * rate))
    pictures = (picture(codes(look(i), Signal()), index=i) for i in frames)
    return measure(pictures, setup_of(rate=Fraction(rate)), MEASURES)


def rules(measured: Measured) -> set[str]:
    return {f.rule for f in find(measured, MEASURES)}


@pytest.mark.parametrize("hertz", [0.7, 1.25, 1.8])
@pytest.mark.parametrize("stops", [0.6, 1.2])
def test_exposure_that_pumps_is_told_once(hertz: float, stops: float) -> None:
    measured = swung(hertz, stops, seconds=max(6.0, 4.5 / hertz))
    told = rules(measured) & {"exposure.drift", "light.flicker"}
    assert len(told) == 1
    if hertz < 1.5:
        assert told == {"exposure.drift"}
        assert np.nanmax(column(measured, "light.flicker_percent")) == 0


@pytest.mark.parametrize(("end", "same"), [(105, True), (150, False)])
def test_a_beat_mostly_where_exposure_pumps_is_that(
    end: int, same: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Ends of a slow beat are not known to less than a round: of 105 frames 78 are 74 %.
    pumping = SimpleNamespace(first=21, last=99, period_s=1.9)
    monkeypatch.setattr(pumpedlight, "_pumping", lambda *_: iter([pumping]))
    rows = np.arange(170)
    told = pumpedlight.pumped(
        swung(0.7, 0.0, seconds=0.2),
        np.where(rows < end, 30.0, 0.0),
        np.full(170, 1 / 1.9),
        rate=24.0,
        resolution_hz=0.1,
        below_hz=2.0,
    )
    assert told.tolist() == (same & (rows < end)).tolist()


def test_a_weak_slow_beat_stays_flicker() -> None:
    # 0.2 stop in all is under the 0.35 of a drift, and 2^0.2 is 6.9 % of light.
    measured = swung(1.25, 0.2)
    assert rules(measured) == {"light.flicker"}
    percent = 100 * (2**0.2 - 1) / (2**0.2 + 1)
    most = np.nanmax(column(measured, "light.flicker_percent"))
    assert most == pytest.approx(percent, rel=0.1)


def test_where_the_mains_put_it_a_slow_beat_stays_flicker() -> None:
    assert "light.flicker" in rules(swung(1.0, 0.8, rate=33))


def test_a_slow_beat_where_lamps_would_stand_still_is_exposure() -> None:
    # 25 frames under 50 Hz mains: no beat at all, unless the grid is off.
    measured = swung(0.35, 0.8, seconds=12.0)
    assert rules(measured) & {"exposure.drift", "light.flicker"} == {"exposure.drift"}


def test_bands_that_roll_stay_bands() -> None:
    assert "light.banding" in rules(swung(1.25, 0.8, bands=2.0))


def test_faster_than_exposure_goes_stays_flicker() -> None:
    assert "light.flicker" in rules(swung(4.0, 0.8))
