"""Phase: channels turned round, unlike, and the same, by construction.

Second opinion: `numpy.corrcoef`. What a sum loses is exact arithmetic.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from qc.measures import phase
from qc.measures.base import Measured, Setup
from qc.measures.phase import mono_loss_db
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


@pytest.mark.parametrize(
    ("correlation", "ratio"), [(0, 0), (1, 0), (-0.5, 0), (-1, 20), (-0.9, 6)]
)
def test_what_a_sum_loses(correlation: float, ratio: float) -> None:
    # Exact: |a + b|**2 against |a|**2 + |b|**2.
    a, b = 1.0, 10 ** (-ratio / 20)
    kept = (a * a + b * b + 2 * correlation * a * b) / (a * a + b * b)
    expected = -10 * math.log10(kept)
    assert mono_loss_db(correlation, ratio) == pytest.approx(expected, abs=1e-9)
    assert mono_loss_db(correlation, -ratio) == pytest.approx(expected, abs=1e-9)


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
    assert float(one.start) == pytest.approx(2.0, abs=0.3)
    assert float(one.end) == pytest.approx(6.0, abs=0.3)


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
