"""Faults of microphones are as strong as told and lie where told; the bench runs.

What is put in is held against arithmetic: peaks and mean squares of the difference to
the clean sound, noise under pauses, the slope of what was cut off behind a filter.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from tests.bench import soundstrengths
from tests.bench.faults import mic
from tests.bench.faults.score import threshold
from tests.bench.faults.table import lines
from tests.sounds import RATE, Sound, rms_dbfs, speech


def clean(seconds: float = 14.0, number: int = 3) -> Sound:
    mono = speech(seconds, number=number, level_dbfs=-30)
    return np.stack([mono, 0.5 * mono])


def put(fault: mic.Put, strength: float, number: int = 0) -> tuple[mic.Heard, Sound]:
    x = clean()
    made = fault(x, RATE, np.random.default_rng(number), strength)
    assert made is not None
    return made, made.sound - x


@pytest.mark.parametrize("number", range(4))
def test_the_highest_knock_is_as_high_as_told(number: int) -> None:
    made, added = put(mic.knocks, 20.0, number)
    # One right behind another may add to it.
    assert 0.2 <= np.abs(added[0]).max() <= 0.25
    assert not added[1].any()
    at = np.flatnonzero(np.abs(added[0]) > 0.02) / RATE
    assert made.span[0] <= at[0] <= made.span[0] + 0.02
    assert at[-1] <= made.span[1] + 0.5


@pytest.mark.parametrize("number", range(4))
def test_rubbing_and_wind_lie_low_and_are_as_loud_as_told(number: int) -> None:
    _, rub = put(mic.rubbing, 10.0, number)
    on = rub[0] != 0
    assert rms_dbfs(rub[0][on]) == pytest.approx(-20, abs=0.1)
    _, gusts = put(mic.wind, 10.0, number)
    hundredths = (gusts[0] ** 2).reshape(-1, RATE // 10).mean(axis=1)
    # The loudest tenth of a second of a gust whose mean over seconds is -20 dBFS.
    assert -22 < 10 * math.log10(hundredths.max()) < -12
    for added in (rub[0], gusts[0]):
        power = np.abs(np.fft.rfft(added)) ** 2
        assert power[: 60 * 14].sum() > 0.7 * power.sum()  # under 60 Hz


@pytest.mark.parametrize("apart", [12.0, 25.0])
def test_swapped_noise_is_as_far_apart_as_told(apart: float) -> None:
    x = np.zeros((2, 60 * RATE))
    x[0, 59 * RATE :] = 0.9  # something that is no noise, a while after
    x[0, : 20 * RATE] = x[0, 40 * RATE :] = 0.5
    made = mic.plugs(x, RATE, np.random.default_rng(4), apart)
    assert made is not None
    at = round(made.told["moment"] * RATE)
    assert made.span == pytest.approx((at / RATE - 2, at / RATE + 2), abs=1e-4)
    still = made.sound[:, 25 * RATE : 39 * RATE]
    split = min(max(at - 25 * RATE, 0), still.shape[1])
    first = np.concatenate([still[0, :split], still[1, split:]])
    other = np.concatenate([still[1, :split], still[0, split:]])
    assert rms_dbfs(first) == pytest.approx(made.told["quieter_dbfs"], abs=0.5)
    assert rms_dbfs(other) - rms_dbfs(first) == pytest.approx(apart, abs=1)
    assert mic.plugs(x[:, : 20 * RATE], RATE, np.random.default_rng(4), apart) is None


def test_what_is_cut_off_slopes_as_its_low_cut_says() -> None:
    # A square wave, so that every top is flat ahead of the filter; of first order its
    # tops fall by exp(-2 pi f t), and all of it is "cut off" at once.
    square = 0.4 * np.sign(np.sin(2 * np.pi * 50 * np.arange(2 * RATE) / RATE + 0.1))
    made = mic.overloaded(20, 20.001, 1)(
        np.stack([square, square]), RATE, np.random.default_rng(0), 6.0
    )
    assert made is not None
    top = made.sound[0, RATE + 40 : RATE + 440]
    side = np.sign(top[0])
    ends = [np.abs(top[a : a + 20].mean()) for a in (0, 380)]
    assert side * top.min() > 0 or side * top.max() > 0
    assert ends[1] / ends[0] == pytest.approx(
        math.exp(-2 * math.pi * 20 * 380 / RATE), rel=0.01
    )
    assert np.abs(made.sound[0]).max() < 10 ** (-3 / 20) + 1e-3
    np.testing.assert_array_equal(made.sound[1], square)


def test_the_bench_tells_plain_faults_from_none(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(soundstrengths, "FOLDER", tmp_path / "nowhere")
    monkeypatch.setattr(soundstrengths, "KINDS", soundstrengths.KINDS[:3])
    few = ["--split", "tune", "--trials", "3", "--minutes", "1"]
    assert soundstrengths.main([*few, "--list", str(tmp_path)]) == 0
    told = capsys.readouterr().out
    assert "sound.rumble" in told
    assert "untouched: 1.0 minutes" in told
    assert "missed below" in (tmp_path / "sound_sound.rumble.txt").read_text()
    with pytest.raises(SystemExit):
        soundstrengths.main(["--rules", "sound.other"])


def test_most_of_what_a_listener_notices_is_found() -> None:
    # The goals of the bench for faults of the picture, with fewer cases: 0.95 found,
    # 0.2 false alarms a minute (`tests/bench/inject.py`).
    rules = ["sound.rumble"]
    out = soundstrengths.run(split="tune", rules=rules, trials=8, minutes=2, folders=())
    whole = next(lines(out, soundstrengths.KINDS))
    assert whole.noticed >= 12
    assert whole.found >= whole.noticed - 1
    assert whole.alarms == 0
    weak = [c for c in out.cases if c.strength < 1.0]
    assert not any(c.found for c in weak if c.kind == "knocks")
    strengths = [c.strength for c in out.cases]
    assert 0.5 < threshold(strengths, [c.found for c in out.cases]) < 8
