"""Phase: channels turned round, unlike, and the same, by construction.

Second opinion: `numpy.corrcoef`. What a sum loses is exact arithmetic.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from qc.measures import phase
from qc.measures.base import Measured, Setup
from qc.measures.parts.sound import polarity
from qc.measures.parts.sound.polarity import LowKeeper, _shifted, correlations
from qc.records import Finding, Grade
from tests.sounds import (
    RATE,
    Sound,
    as_pcm,
    blocks_of,
    figures,
    findings,
    measure,
    speech,
    tone,
    track_of,
)

M = phase.MEASURE
VOICE, OTHER = speech(8, number=1), speech(8, number=2)
STEREO = np.stack([VOICE + 0.3 * OTHER, 0.3 * VOICE + OTHER])
TURNED = np.array([[1.0], [-1.0]])


def found(*sounds: Sound, **more: object) -> list[Finding]:
    return findings(measure([M], *map(as_pcm, sounds), **more), M)  # type: ignore[arg-type]


def hiss(level_dbfs: float, number: int = 0) -> Sound:
    rng = np.random.default_rng(number)
    return 10 ** (level_dbfs / 20) * rng.standard_normal(len(VOICE))


# ----------------------------------------------------------------------- arithmetic


@pytest.mark.parametrize("mix", [0.0, 0.3, 1.0])
@pytest.mark.parametrize("sign", [-1.0, 1.0])
def test_correlation_of_two_channels(mix: float, sign: float) -> None:
    x = np.stack([OTHER, sign * (mix * OTHER + VOICE)])
    column = measure([M], x).sound[0]["phase.correlation"]
    cells = x[:, : len(VOICE) // 8 * 8].reshape(2, -1, 8).mean(axis=2)
    steps = np.diff(cells, axis=1)
    for row in (100, 250, 612):
        part = steps[:, (row - 39) * 60 - 1 : (row + 1) * 60 - 1]
        expected = np.sum(part[0] * part[1]) / np.sqrt(
            np.sum(part[0] ** 2) * np.sum(part[1] ** 2)
        )
        assert abs(expected - np.corrcoef(part)[0, 1]) < 0.01  # no offset left in it
        if not math.isnan(column[row]):
            assert column[row] == pytest.approx(expected, abs=1e-3)


@pytest.mark.parametrize(("gain", "lost"), [(0.5, 7), (0.8, 16), (0.25, 3)])
def test_what_a_sum_loses(gain: float, lost: int) -> None:
    # Exact: |a - b|**2 against |a|**2 + |b|**2.
    assert -10 * math.log10((1 - gain) ** 2 / (1 + gain**2)) == pytest.approx(
        lost, abs=0.5
    )
    (one,) = found(np.stack([VOICE, -gain * VOICE]))
    assert f"added to mono they lose {lost} dB" in one.message


def test_a_line_read_later_by_parts_of_a_sample() -> None:
    # Exact: two sines below the band's end, read later.
    n = np.arange(600) / 1500

    def wave(t: Sound) -> Sound:
        return np.sin(2 * np.pi * 200 * t + 0.3) + 0.5 * np.sin(2 * np.pi * 430 * t)

    for by in (0.0, 0.5, 1.3, -0.7, -2.2):
        got = _shifted(wave(n).astype(np.float32), by)
        np.testing.assert_allclose(got[50:-50], wave(n + by / 1500)[50:-50], atol=1e-3)


def test_correlation_at_a_lag_against_a_plain_one() -> None:
    # numpy.corrcoef of noise in the band, moved by whole samples of 8 kHz.
    rng = np.random.default_rng(4)
    band = signal.butter(4, (90, 600), "band", fs=8000, output="sos")
    x = signal.sosfiltfilt(band, rng.standard_normal(16_200))
    late = np.roll(x, 8)[100:-100]  # a millisecond
    own = x[100:-100]
    got = correlations(own[np.newaxis], -late[np.newaxis], 8000.0)[0][0]
    assert got.argmin() == len(got) // 2 + 4  # steps of a quarter of a millisecond
    assert got.min() == pytest.approx(-1.0, abs=0.01)
    # numpy.corrcoef of what the same window leaves.
    window = np.hanning(len(own))
    plain = np.corrcoef(window * own, window * -late)[0, 1]
    assert got[len(got) // 2] == pytest.approx(plain, abs=0.03)


def test_lobes_of_an_even_band_are_those_of_arithmetic() -> None:
    # The transform of a flat band from 80 to 650 Hz. A resonance, as a voice has them,
    # makes the lobes deeper; with all its parts equally strong they are the same again.
    t = np.arange(1, 81) * 2.5e-4
    wave = np.sin(2 * np.pi * 650 * t) - np.sin(2 * np.pi * 80 * t)
    lobe = (wave / (2 * np.pi * 570 * t)).min()
    noise = np.random.default_rng(2).standard_normal((4, 3000))
    b, a = signal.iirpeak(450, 4, fs=1500)
    ringing = signal.lfilter(b, a, noise, axis=1)
    plain, even = correlations(ringing, ringing, 1500.0)
    assert plain.min() < -0.6
    for one in even:
        assert one.max() == pytest.approx(1.0, abs=1e-6)
        assert one.min() == pytest.approx(lobe, abs=0.06)


def test_what_is_kept_of_the_low_band() -> None:
    # The fourth root in 127 steps; the same whatever the pieces were.
    rng = np.random.default_rng(5)
    x = (0.1 * rng.standard_normal((2, 3_003))).astype(np.float32)
    whole, parts = LowKeeper(2, 6000.0), LowKeeper(2, 6000.0)
    whole.feed(x, 6)
    for at in range(0, x.shape[1], 500):
        parts.feed(x[:, at : at + 500], 6 + at)
    one, other = whole.finish(), parts.finish()
    assert (one.rate, one.runs[0][0]) == (1500.0, 2)
    np.testing.assert_array_equal(one.runs[0][1], other.runs[0][1])
    means = x[1, 2 : 2 + 750 * 4].reshape(-1, 4).mean(axis=1)
    # Half a step of the fourth root is 4 times as much of the value.
    step = 4 * 0.5 / 127 * np.abs(means) ** 0.75 + 1e-6
    assert (np.abs(one.line(1, 2, 750) - means) < 1.1 * step).all()
    assert one.line(1, 0, 2).tolist() == [0.0, 0.0]


# --------------------------------------------------------------------------- phase


@pytest.mark.parametrize("sound", [STEREO, np.stack([VOICE, 0.5 * VOICE])])
def test_a_channel_that_is_turned_round(sound: Sound) -> None:
    (one,) = found(sound * TURNED)
    assert (one.rule, one.grade, one.channel) == ("sound.phase", Grade.REVIEW, None)
    assert float(one.start) < 0.6
    assert float(one.end) == pytest.approx(8.0, abs=0.02)
    assert one.limit == -0.5
    assert one.advice.startswith("Channels 1 and 2: press the polarity (phase) switch")


def test_what_a_turned_channel_says() -> None:
    (one,) = found(np.stack([VOICE, -VOICE]))
    assert one.message == (
        "Channels 1 and 2: one has its polarity turned round in the whole take "
        "(correlation −1.00); added to mono they lose nearly everything."
    )
    assert one.worst == pytest.approx(-1.0, abs=1e-4)


def test_where_it_is_turned_round() -> None:
    x = STEREO.copy()
    x[1, 2 * RATE : 6 * RATE] *= -1
    (one,) = found(x)
    assert float(one.start) == pytest.approx(2.0, abs=0.15)
    assert float(one.end) == pytest.approx(6.0, abs=0.15)


def test_the_turn_is_found_in_a_pause_behind_louder_sound() -> None:
    x = np.stack([hiss(-25, 1), hiss(-25, 2)])  # nothing in common
    x[:, int(3.7 * RATE) : int(4.5 * RATE)] *= 10 ** (-20 / 20)
    x[1, 4 * RATE :] = -x[0, 4 * RATE :]
    (one,) = found(x)
    # By construction, to a few rows of a hundredth.
    assert float(one.start) == pytest.approx(4.0, abs=0.04)
    assert one.end == 8


@pytest.mark.parametrize(("seconds", "count"), [(1.4, 0), (3.0, 1)])
def test_a_short_moment_is_none(seconds: float, count: int) -> None:
    x = STEREO.copy()
    x[1, 2 * RATE : int((2 + seconds) * RATE)] *= -1
    assert len(found(x)) == count


def test_stereo_and_separate_microphones_are_none() -> None:
    late = np.roll(VOICE, 137)  # a metre further off
    mics = np.stack([VOICE + hiss(-55), 0.4 * late + hiss(-55, 1)])
    for x in (STEREO, np.stack([VOICE, OTHER]), mics):
        assert found(x) == []
        assert found(x[:1], x[1:]) == []  # as two mono tracks


def spaced(lag_ms: float, sign: float = 1.0, number: int = 1) -> Sound:
    """Return two microphones, the second later, with a little of the room."""
    voice = speech(8, number=number)
    late = 0.8 * np.roll(voice, round(lag_ms * 48)) + 0.2 * np.roll(voice, 530)
    other = np.random.default_rng(number).standard_normal(len(voice))
    return np.stack([voice, sign * (late + 10 ** (-60 / 20) * other)])


@pytest.mark.parametrize("lag_ms", [-1.2, 0.4, 0.9, 2.0, -3.0])
@pytest.mark.parametrize("number", [1, 6])
def test_the_polarity_of_microphones_apart(lag_ms: float, number: int) -> None:
    right, turned = spaced(lag_ms, 1, number), spaced(lag_ms, -1, number)
    assert found(right) == []
    (one,) = found(turned)
    assert one.rule == "sound.phase"
    assert (float(one.start), float(one.end)) == (0, 8)
    told = one.message.partition(", heard ")[2].partition(" ms")[0]
    assert float(told) == pytest.approx(abs(lag_ms), abs=0.11)


@pytest.mark.parametrize("lag_ms", [7.1, 8.3, -12.0, 17.0])
@pytest.mark.parametrize("number", [1, 6])
def test_polarity_is_not_taken_from_a_lobe_of_the_pitch(
    lag_ms: float, number: int
) -> None:
    # A resonance at 450 Hz, as of a first formant, makes half a period of it, 1.1 ms
    # beside the true lag, nearly as alike upside down. Sound goes 5.8 m in 17 ms.
    b, a = signal.iirpeak(450, 3, fs=RATE)
    ringing = 3 * signal.lfilter(b, a, spaced(lag_ms, 1, number), axis=1)
    assert found(ringing) == []
    (one,) = found(ringing * TURNED)
    assert one.rule == "sound.phase"
    told = one.message.partition(", heard ")[2].partition(" ms")[0]
    assert float(told) == pytest.approx(abs(lag_ms), abs=0.25)


@pytest.mark.parametrize("lag_ms", [25.0, -33.0, 60.0])
@pytest.mark.parametrize("number", [1, 6])
def test_what_is_heard_too_late_is_not_told_as_turned(
    lag_ms: float, number: int
) -> None:
    b, a = signal.iirpeak(450, 3, fs=RATE)
    ringing = 3 * signal.lfilter(b, a, spaced(lag_ms, 1, number), axis=1)
    assert found(ringing) == []


@pytest.mark.parametrize("sign", [-1.0, 1.0])
def test_the_same_samples_get_the_same_verdict(sign: float) -> None:
    x = spaced(0.4, sign)
    one, other = found(x), found(x[:1], x[1:])
    assert [f.message for f in one] == [f.message for f in other]
    assert [(f.start, f.end, f.worst) for f in one] == [
        (f.start, f.end, f.worst) for f in other
    ]
    assert len(one) == (sign < 0)


def test_a_pair_apart_that_is_turned_round_in_the_middle() -> None:
    x = spaced(0.6)
    x[1, 5 * RATE :] *= -1
    (one,) = found(x)
    assert float(one.start) == pytest.approx(5.0, abs=0.1)
    assert one.end == 8


def test_a_long_take_is_compared_in_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    # Source: none needed; cutting a sum into parts changes nothing but its rounding.
    rng = np.random.default_rng(3)
    line = rng.normal(size=(1, 60_000))
    # Later by 5 ms, then at once and turned round: both a lag and a way that change.
    heard = np.concatenate(
        [np.roll(line, 30, axis=1)[:, :30_000], -line[:, 30_000:]], axis=1
    )
    keeper = LowKeeper(2, 6000.0)
    keeper.feed(np.concatenate([line, heard]).astype(np.float32), 0)
    low = keeper.finish()
    loud = np.ones(1000, bool)
    loud[400:420] = False
    whole = polarity.compared((low, 0), (low, 1), first_row=0, loud=loud)
    monkeypatch.setattr(polarity, "_PIECE", 777)
    pieces = polarity.compared((low, 0), (low, 1), first_row=0, loud=loud)
    assert pieces.verdicts == whole.verdicts
    assert {sign for *_, sign in whole.verdicts} == {1, -1}
    assert len(np.unique(whole.lag_s)) > 1
    for name in ("correlation", "lag_s", "both", "apart", "product"):
        np.testing.assert_allclose(
            getattr(pieces, name), getattr(whole, name), rtol=1e-6, atol=1e-9
        )
    lost = np.isnan(whole.correlation)
    assert not lost[:380].any()


def test_a_tone_does_not_tell() -> None:
    # Half a period later and turned round are one and the same: 1.25 ms at 400 Hz.
    x = tone(6, hertz=400)
    assert found(np.stack([x, 0.7 * np.roll(x, 60)])) == []


def test_offset_and_hum_do_not_hide_it() -> None:
    both = 0.02 + tone(8, hertz=50, peak_dbfs=-20)
    (one,) = found(np.stack([VOICE, -VOICE]) + both)
    assert one.rule == "sound.phase"


def test_mono_tracks_are_compared_two_by_two() -> None:
    a, b = VOICE[None], OTHER[None]
    (one,) = (f for f in found(a, b, b, -b) if f.rule == "sound.phase")
    assert one.message.startswith("Channels 3 and 4: one has its polarity turned round")
    assert found(a, b, -b, -a) == []  # not a pair that is heard together


def test_no_pair_no_finding() -> None:
    assert found(VOICE[None]) == []
    assert found(np.stack([VOICE, 0 * VOICE])) == []
    assert found(np.zeros((2, RATE))) == []
    assert found(np.zeros((2, 3))) == []


def test_surround_is_not_paired() -> None:
    six = np.stack([VOICE, OTHER, VOICE - OTHER, -VOICE, OTHER, VOICE + OTHER])
    assert [f for f in found(six, layout="5.1") if f.rule == "sound.phase"] == []


# ---------------------------------------------------------------------------- same


def test_the_same_channel_twice() -> None:
    (one,) = found(np.stack([VOICE, VOICE]))
    assert (one.rule, one.grade) == ("sound.same", Grade.NOTE)
    assert one.message == (
        "Channels 1 and 2 carry the same sound in the whole take: mono, recorded twice."
    )
    assert (one.start, one.end) == (0, 8)


@pytest.mark.parametrize("gain", [0.3, 0.7, 1.8])
def test_the_same_but_for_its_level(gain: float) -> None:
    for sounds in (
        (np.stack([VOICE, gain * VOICE]),),
        (VOICE[None], gain * VOICE[None]),
    ):
        (one,) = found(*sounds)
        assert "the same sound, but for its level," in one.message


def test_three_of_four_tracks() -> None:
    got = found(VOICE[None], 0.5 * VOICE[None], OTHER[None], VOICE[None])
    assert [f.message.partition(" carry")[0] for f in got] == ["Channels 1, 2 and 4"]


def test_two_preamplifiers_of_one_microphone_are_not_told_as_one() -> None:
    # Noise of its own 30 dB under the voice: other electronics, other sound.
    assert found(np.stack([VOICE, VOICE + hiss(-50)])) == []


# ------------------------------------------------------------- blocks, gaps, damage


@given(st.lists(st.integers(1, 299), max_size=5))
@settings(max_examples=6, deadline=None)
def test_cutting_into_blocks_changes_nothing(cuts: list[int]) -> None:
    x = as_pcm(STEREO[:, : 3 * RATE] * TURNED)
    one, other = measure([M], x, rate=44_100), measure([M], x, rate=44_100, cuts=cuts)
    assert findings(one, M) == findings(other, M)
    for name, column in one.sound[0].columns.items():
        np.testing.assert_array_equal(column, other.sound[0][name])


def test_damage_leaves_its_rows_out() -> None:
    x = as_pcm(STEREO).copy()
    x[0, 2 * RATE + 5] = np.inf
    measured = measure([M], x)
    assert findings(measured, M) == []
    assert np.isnan(measured.sound[0]["phase.correlation"][200:300]).all()


def test_figures_and_nothing_to_measure() -> None:
    measured = measure([M], as_pcm(STEREO))
    (pair,) = figures(measured, M)["pairs"]
    assert pair["channels"] == [1, 2]
    assert 0.3 < pair["correlation_median"] < 0.8
    empty = Measured(measured.info, measured.limits, None, (), {})
    assert (findings(empty, M), figures(empty, M)) == ([], {})


def test_the_reader_gives_the_columns_that_are_declared() -> None:
    for channels in (1, 2, 40):
        track = track_of(np.zeros((channels, 1)))
        (block,) = blocks_of(track, np.zeros((channels, 4_800)))
        measured = measure([M], np.zeros((1, 10)))
        values = M.start(Setup(measured.info, measured.limits), track).read(block)  # type: ignore[arg-type]
        names = {c.name for c in M.columns}
        assert set(values) == names - ({"correlation"} if channels != 2 else set())
        for column in M.columns:
            if column.name in values:
                shape = (10, channels) if column.per_channel else (10,)
                assert np.shape(values[column.name]) == shape
