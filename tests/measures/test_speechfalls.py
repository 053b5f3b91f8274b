"""Speech whose level falls within a take: gains are exact by construction."""

from __future__ import annotations

import numpy as np
import pytest

from qc.measures import peaks
from qc.measures import speech as speech_measure
from qc.measures.parts.sound.speechfalls import speech_fall
from qc.records import Finding, Grade
from tests.sounds import RATE, Sound, as_pcm, findings, measure, speech

M = speech_measure.MEASURE


def found(x: Sound, **more: object) -> list[Finding]:
    sound = as_pcm(np.atleast_2d(x), 24)
    return findings(measure([peaks.MEASURE, M], sound, **more), M)  # type: ignore[arg-type]


def fallen(db: float, at: float = 6.0, seconds: float = 12.0, number: int = 2) -> Sound:
    x = speech(seconds, number=number, floor_dbfs=-62)
    x[round(at * RATE) :] *= 10 ** (-db / 20)
    return x


@pytest.mark.parametrize("number", [2, 4, 7])
@pytest.mark.parametrize("db", [18, 24, 35])
def test_a_gain_that_falls_and_stays_down(db: float, number: int) -> None:
    (one,) = found(fallen(db, number=number))
    assert (one.rule, one.grade, one.channel) == ("sound.quiet", Grade.REVIEW, 1)
    assert float(one.start) == pytest.approx(6, abs=1.0)  # in a pause it does not show
    assert one.end == 12
    told = int(one.message.partition(" dB under")[0].rpartition(" ")[2])
    assert told == pytest.approx(db, abs=3)


def test_what_is_no_fall() -> None:
    assert found(speech(12, number=2, floor_dbfs=-62)) == []
    assert found(fallen(9)) == []
    # It comes back.
    x = fallen(24, at=4)
    x[8 * RATE :] *= 10 ** (24 / 20)
    assert found(x) == []
    # Nobody speaks any more, but the recorder runs on.
    rng = np.random.default_rng(1)
    quiet = 10 ** (-62 / 20) * rng.standard_normal(8 * RATE)
    assert found(np.concatenate([speech(8, number=2, floor_dbfs=-62), quiet])) == []
    # Somebody far off goes on for a few seconds: the noise of the room stays.
    far = 10 ** (-24 / 20) * speech(5, number=9, floor_dbfs=-120)
    room = 10 ** (-62 / 20) * rng.standard_normal(5 * RATE)
    assert (
        found(np.concatenate([speech(8, number=2, floor_dbfs=-62), far + room])) == []
    )


def test_where_levels_part() -> None:
    # By hand: 4 s at -20 and pauses at -60 dBFS in turns, then the same 20 dB lower.
    word = np.repeat([-20.0, -60.0, -28.0, -20.0, -60.0], 20)
    level = np.concatenate([np.tile(word, 6), np.tile(word - 20, 6)])
    fall = speech_fall(level, least_db=12, least_s=3)
    assert fall is not None
    # The pause before the fall is as low as what follows.
    assert fall.row in (580, 600)
    assert fall.before - fall.after == pytest.approx(20, abs=0.5)
    assert speech_fall(level, least_db=21, least_s=3) is None
    assert speech_fall(level[::-1], least_db=12, least_s=3) is None
    assert speech_fall(np.full(2_000, np.nan), least_db=12, least_s=3) is None
