"""The K-weighting: the published filter at 48 kHz, its response at other rates.

Published values are in ``values/loudness.toml``, each with its source. Second opinion:
`scipy.signal` in one piece, channel by channel.
"""

from __future__ import annotations

import itertools
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import signal

from qc.measures.parts.sound.blockfilter import BlockFilter
from qc.measures.parts.sound.kweighting import (
    LOWEST_RATE,
    PUBLISHED_48K,
    KWeighting,
    channel_weights,
    k_filter,
)

VALUES: dict[str, Any] = tomllib.loads(
    (Path(__file__).parents[1] / "values" / "loudness.toml").read_text(encoding="utf-8")
)
PUBLISHED = np.array([VALUES["filter"]["shelf"], VALUES["filter"]["high_pass"]])
# Up to 0.45 of the rate, or what people hear: dB that the response may differ by from
# the published one, whose own frequencies are warped near half its rate. House choice.
WITHIN_DB = {
    8_000: 0.30,
    12_000: 0.15,
    16_000: 0.08,
    32_000: 0.02,
    44_100: 0.01,
    88_200: 0.01,
    96_000: 0.01,
    192_000: 0.01,
    384_000: 0.01,
}


def response(sections: NDArray[np.float64], hertz: Any, rate: int) -> Any:
    """Return decibels, by the definition of a digital filter."""
    z = np.exp(-2j * np.pi * np.asarray(hertz, float) / rate)
    powers = np.stack([np.ones_like(z), z, z**2])
    gains = [s[:3] @ powers / (s[3:] @ powers) for s in sections]
    return 20 * np.log10(np.abs(np.prod(gains, axis=0)))


def test_the_published_filter_at_48_khz() -> None:
    np.testing.assert_array_equal(np.array(PUBLISHED_48K), PUBLISHED)
    np.testing.assert_array_equal(k_filter(48_000), PUBLISHED)


def test_the_response_at_48_khz() -> None:
    at = response(k_filter(48_000), VALUES["response"]["hertz"], 48_000)
    np.testing.assert_allclose(at, VALUES["response"]["db"], atol=0.006)


@pytest.mark.parametrize(("rate", "within"), WITHIN_DB.items())
def test_other_rates_keep_the_published_response(rate: int, within: float) -> None:
    hertz = np.geomspace(10, min(0.45 * rate, 20_000), 400)
    error = response(k_filter(rate), hertz, rate) - response(PUBLISHED, hertz, 48_000)
    assert np.abs(error).max() < within


@pytest.mark.parametrize("rate", [8_000, 44_100, 96_000])
def test_published_coefficients_at_another_rate_would_fail(rate: int) -> None:
    # Negative control: the limits above can tell a filter that was not derived.
    hertz = np.geomspace(10, min(0.45 * rate, 20_000), 400)
    error = response(PUBLISHED, hertz, rate) - response(PUBLISHED, hertz, 48_000)
    assert np.abs(error).max() > 2 * WITHIN_DB[rate]


@pytest.mark.parametrize("rate", [8_000, 44_100, 47_999, 48_001, 96_000, 192_000])
def test_far_over_its_corner_the_high_pass_keeps_its_gain(rate: int) -> None:
    # 4 / (1 - a1 + a2) at half the rate: a numerator of 1 -2 1 at every rate would
    # read 0.22 dB too high at 8 kHz.
    expected = 4 / (1 - PUBLISHED[1, 4] + PUBLISHED[1, 5])
    b, a = k_filter(rate)[1, :3], k_filter(rate)[1, 3:]
    assert (b @ [1, -1, 1]) / (a @ [1, -1, 1]) == pytest.approx(expected, rel=1e-9)
    assert b.sum() == pytest.approx(0, abs=1e-12)


@pytest.mark.parametrize("rate", [8_000, 11_025, 44_100, 96_000, 192_000, 1_000_000])
def test_the_filter_is_stable(rate: int) -> None:
    for section in k_filter(rate):
        assert np.abs(np.roots(section[3:])).max() < 1


def test_too_low_a_rate_is_refused() -> None:
    with pytest.raises(ValueError, match="8000"):
        k_filter(LOWEST_RATE - 1)


# ----------------------------------------------------------------------------- energies


def noise(channels: int, n: int) -> NDArray[np.float32]:
    x = np.random.default_rng(channels).standard_normal((channels, n)) * 0.1
    return x.astype(np.float32)


def energies(x: NDArray[np.float32], cuts: list[int], rate: int = 8_000) -> Any:
    meter, row = KWeighting(len(x), rate), rate // 100
    rows = x.shape[1] // row
    out = []
    for first, last in itertools.pairwise([0, *cuts, rows]):
        edges = np.arange(last - first + 1) * row
        out.append(meter.feed(x[:, first * row : last * row], edges))
    return np.concatenate(out)


@pytest.mark.parametrize("channels", [1, 2, 3, 6])
def test_energies_agree_with_scipy(channels: int) -> None:
    x = noise(channels, 8_000)
    expected = np.square(signal.sosfilt(k_filter(8_000), x.astype(float), axis=1))
    got = energies(x, [])
    assert got.shape == (100, channels)
    sums = expected.reshape(channels, 100, 80).sum(axis=2).T
    np.testing.assert_allclose(got, sums, rtol=1e-9)


def test_channels_that_share_a_filter_do_not_hear_each_other() -> None:
    # Full scale on one, digital silence on the other: under -290 dB.
    x = np.zeros((2, 8_000), np.float32)
    x[0] = np.sign(noise(1, 8_000))
    got = energies(x, [])
    assert got[:, 0].min() > 1
    assert got[:, 1].max() < 1e-25


@settings(max_examples=25, deadline=None)
@given(
    cuts=st.lists(st.integers(0, 60), max_size=8).map(sorted),
    silence=st.integers(0, 3_000),
    channels=st.integers(1, 3),
)
def test_cuts_change_nothing(cuts: list[int], silence: int, channels: int) -> None:
    x = noise(channels, 4_800)
    x[:, :silence] = 0
    np.testing.assert_array_equal(energies(x, cuts), energies(x, []))


def test_long_blocks_are_filtered_in_pieces_without_a_trace() -> None:
    x = noise(2, 80 * 400)
    np.testing.assert_array_equal(energies(x, []), energies(x, list(range(1, 400, 13))))


def test_digital_silence_after_sound_leaves_no_denormal_numbers() -> None:
    # They would take a processor many times as long for each sample.
    x = np.zeros((1, 8_000 * 20), np.float32)
    x[0, :80] = 0.5
    meter = KWeighting(1, 8_000)
    meter.feed(x, np.array([0, x.shape[1]]))
    state = meter._filter._state
    smallest = np.finfo(float).tiny
    assert not ((state != 0) & (np.abs(state) < smallest)).any()


@pytest.mark.parametrize("channels", [1, 2, 3])
def test_the_filter_is_that_of_a_reference_library(channels: int) -> None:
    # scipy.signal.sosfilt, sample by sample; 9001 samples: no group is left whole.
    sections = signal.butter(4, [300, 3000], "bandpass", fs=16_000, output="sos")
    x = noise(channels, 9_001).astype(np.float64)
    ours = BlockFilter(sections, channels)
    got = np.concatenate(
        [ours.feed(part).copy() for part in np.split(x, [1, 7, 4_000], axis=1)], axis=1
    )
    np.testing.assert_allclose(got, signal.sosfilt(sections, x), atol=1e-11)
    assert np.array_equal(got, BlockFilter(sections, channels).feed(x))


_ALL_SOUND = """
import sys, numpy as np
from fractions import Fraction
from pathlib import Path
from qc.limits import Limits
from qc.measures import dropout, hum, loudness, peaks, phase, speech
from qc.measures.base import Setup
from qc.records import AudioTrack, SoundBlock, TakeInfo
from qc.timecode import TimecodeFormat
measures = [m.MEASURE for m in (dropout, hum, loudness, peaks, phase, speech)]
track = AudioTrack(stream=0, number=0, codec="pcm_s16le", channels=1, layout="mono",
                   sample_rate=8000, first_channel=1)
grid = TimecodeFormat(Fraction(25), drop_frame=False)
info = TakeInfo(path=Path("a"), bytes=0, container="wav", duration=None, video=None,
                audio=(track,), timecode=grid)
limits = Limits.defaults([o for m in measures for o in m.options])
x = np.random.default_rng(1).standard_normal((1, 80_000)).astype(np.float32) * 0.1
block = SoundBlock(track, x, 0, 0, np.arange(0, 80_001, 80))
for m in measures:
    reader = m.start(Setup(info, limits), track)
    reader.read(block), reader.finish()
print("scipy" in sys.modules)
"""


def test_measuring_sound_loads_no_large_library() -> None:
    # scipy.signal takes most of a second to load, as much as a minute of sound.
    command = [sys.executable, "-c", _ALL_SOUND]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


def test_reset_forgets() -> None:
    x, edges = noise(2, 800), np.array([0, 400, 800])
    meter = KWeighting(2, 8_000)
    first = meter.feed(x, edges)
    assert not np.array_equal(meter.feed(x, edges), first)
    meter.reset()
    np.testing.assert_array_equal(meter.feed(x, edges), first)


def test_rows_without_samples_are_not_a_number() -> None:
    got = KWeighting(1, 8_000).feed(noise(1, 80), np.array([0, 0, 80, 80]))
    assert np.isnan(got[[0, 2]]).all()
    assert got[1, 0] > 0
    assert np.isnan(KWeighting(2, 8_000).feed(noise(2, 0), np.zeros(3, int))).all()


# ------------------------------------------------------------------------------ weights


@pytest.mark.parametrize(
    ("layout", "channels", "expected"),
    [
        ("mono", 1, [1]),
        ("stereo", 2, [1, 1]),
        # BS.1770-5: surrounds 1.41, LFE left out; FFmpeg's order of channels.
        ("5.0", 5, [1, 1, 1, 1.41, 1.41]),
        ("5.0(side)", 5, [1, 1, 1, 1.41, 1.41]),
        ("5.1", 6, [1, 1, 1, 0, 1.41, 1.41]),
        ("5.1(side)", 6, [1, 1, 1, 0, 1.41, 1.41]),
        # BS.1770-5 table 4: 1.41 from 60 to 120 degrees only, so not for the back.
        ("7.1", 8, [1, 1, 1, 0, 1, 1, 1.41, 1.41]),
        ("", 1, [1]),
        ("2 channels, layout not marked", 2, [1, 1]),
    ],
)
def test_weights_of_known_layouts(
    layout: str, channels: int, expected: list[float]
) -> None:
    weights = channel_weights(layout, channels)
    assert weights is not None
    assert weights.tolist() == expected


@pytest.mark.parametrize(
    ("layout", "channels"),
    [
        ("4 channels, layout not marked", 4),
        ("", 3),
        ("quad", 4),
        ("4.0", 4),
        ("5.1", 8),
        ("FL+LFE", 2),
    ],
)
def test_channels_of_unknown_place_are_no_programme(layout: str, channels: int) -> None:
    assert channel_weights(layout, channels) is None
