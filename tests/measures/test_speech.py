"""Level of speech for recording: known levels, known noise, known gains.

Second opinion: a plain reading of ITU-T P.56 method B, from memory, written here.
"""

from __future__ import annotations

import itertools
import math
import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import signal

import qc
from qc.limits import parse
from qc.measures.base import Measured, Setup
from qc.measures.parts.sound.speechmeter import SpeechBand, activity, high_pass
from qc.measures.parts.sound.speechswings import swing_of
from qc.measures.peaks import MEASURE as PEAKS
from qc.measures.speech import MEASURE
from qc.media import TakeReader, probe
from qc.media.sound import row_start
from qc.records import AudioTrack, Finding, Grade, Readings, SoundBlock, TakeInfo
from qc.timecode import TimecodeFormat
from tests import sounds
from tests.sounds import blocks_of

RATE = 8_000
ROOT = Path(qc.__file__).parents[1]
FOOTAGE = Path(os.environ.get("QC_FOOTAGE") or ROOT.parent / "shared" / "footage")
WAVS = (
    "debian.wav",
    "deleted.wav",
    "recording1.wav",
    "audio-stereo-24-bit-44100Hz.wav",
    "audio-mono-8-bit-44100Hz.wav",
)

Sound = NDArray[np.floating[Any]]


def test_the_high_pass_is_that_of_a_reference_library() -> None:
    for rate in (8_000, 7_350, 12_000):
        sections = signal.butter(2, 150.0, "highpass", fs=rate, output="sos")
        np.testing.assert_allclose(high_pass(150.0, rate), sections, rtol=1e-12)


# ------------------------------------------------------------------ how tests measure


def track_of(channels: int, rate: int = RATE, layout: str = "") -> AudioTrack:
    return AudioTrack(
        stream=0,
        number=0,
        codec="pcm_f32le",
        channels=channels,
        layout=layout,
        sample_rate=rate,
        first_channel=1,
    )


def measure_blocks(
    track: AudioTrack, blocks: Sequence[SoundBlock], toml: str = "", peaks: bool = True
) -> Measured:
    limits = parse(toml, MEASURE.options + PEAKS.options, source="test.toml")
    info = TakeInfo(
        path=Path("take.wav"),
        bytes=0,
        container="wav",
        duration=None,
        video=None,
        audio=(track,),
        timecode=TimecodeFormat(Fraction(25), drop_frame=False),
    )
    first = blocks[0].first_row
    rows = blocks[-1].first_row + len(blocks[-1].row_edges) - 1 - first
    columns: dict[str, NDArray[np.float32]] = {}
    totals = {}
    for m in (MEASURE, PEAKS)[: 1 + peaks]:
        reader = m.start(Setup(info, limits), track)
        for c in m.columns:
            shape = (rows, track.channels)
            columns[f"{m.name}.{c.name}"] = np.full(shape, np.nan, np.float32)
        for block in blocks:
            at = slice(block.first_row - first, None)
            for name, values in reader.read(block).items():
                columns[f"{m.name}.{name}"][at][: len(values)] = values
        totals[m.name] = {"tracks": [reader.finish()]}
    edges = np.arange(first, first + rows + 1, dtype=np.int64)
    sound = Readings("sound", Fraction(1, 100), edges, columns, track)
    return Measured(info, limits, None, (sound,), totals)


def measure(
    sound: Sound,
    *,
    rate: int = RATE,
    toml: str = "",
    layout: str = "",
    cuts: Iterable[int] = range(0, 60_000, 100),
    peaks: bool = True,
) -> Measured:
    track = track_of(len(sound), rate, layout)
    return measure_blocks(track, blocks_of(track, sound, cuts), toml, peaks)


def channels(measured: Measured) -> Any:
    assert MEASURE.summarise is not None
    return MEASURE.summarise(measured)["channels"]


def level(sound: Sound, name: str = "speech_dbfs", **more: Any) -> float:
    return float(channels(measure(sound, **more))[0][name])


def findings(measured: Measured) -> list[Finding]:
    return [f for check in MEASURE.checks for f in check(measured)]


def notes(measured: Measured) -> list[str]:
    assert MEASURE.notes is not None
    return list(MEASURE.notes(measured))


def decibels(power: float) -> float:
    return 10 * math.log10(power)


# ---------------------------------------------------------------------- made-up speech

PHRASE_S, PAUSE_S = 2.0, 1.0


def carrier(n: int, rate: int, state: int) -> Sound:
    """Noise in the middle of the band of speech, RMS 1."""
    x = np.random.default_rng(state).standard_normal(n)
    band = signal.butter(2, (300, 2_000), "bandpass", fs=rate, output="sos")
    x = signal.sosfilt(band, x)
    return x / np.sqrt(np.mean(x**2))


def talk(seconds: float, dbfs: float, rate: int = RATE, state: int = 1) -> Sound:
    """Return noise that swells four times a second, in phrases with pauses.

    Its RMS over the phrases is `dbfs`. Shape (1, n).
    """
    n = round(seconds * rate)
    t = np.arange(n) / rate
    speaking = t % (PHRASE_S + PAUSE_S) < PHRASE_S
    x = carrier(n, rate, state) * np.sin(np.pi * 4 * t) ** 2 * speaking
    x *= 10 ** (dbfs / 20) / np.sqrt(np.mean(x[speaking] ** 2))
    return x[np.newaxis]


def hiss(seconds: float, dbfs: float, rate: int = RATE, state: int = 2) -> Sound:
    n = round(seconds * rate)
    x = np.random.default_rng(state).standard_normal((1, n))
    return x * 10 ** (dbfs / 20)


# A phrase counts with the 0.2 s that speech goes on for: exact arithmetic on `talk`.
HANG_DB = decibels(PHRASE_S / (PHRASE_S + 0.2))


def p56_method_b(x: Sound, rate: int) -> float:
    """Active speech level in dBFS; ITU-T P.56 method B, from memory.

    Envelope smoothed twice over 0.03 s, hang-over of 0.2 s; the level whose threshold
    lies 15.9 dB under it.
    """
    keep = math.exp(-1 / (rate * 0.03))
    envelope = np.abs(x)
    for _ in range(2):
        envelope = signal.lfilter([1 - keep], [1, -keep], envelope)
    energy, at = float(np.sum(x**2)), np.arange(len(x))
    levels, thresholds = [], np.arange(-90, 0, 0.5)
    for threshold in thresholds:
        last = np.where(envelope >= 10 ** (threshold / 20), at, -len(x))
        active = np.count_nonzero(at - np.maximum.accumulate(last) <= 0.2 * rate)
        levels.append(decibels(energy / active) if active else math.inf)
    margin = np.array(levels) - thresholds
    return float(levels[int(np.argmax(margin <= 15.9))])


# ------------------------------------------------------------------------------- levels


@pytest.mark.parametrize("dbfs", [-12, -20, -35, -50])
@pytest.mark.parametrize("over_noise", [40, 25, 15])
def test_known_level_over_known_noise(dbfs: float, over_noise: float) -> None:
    x = talk(24, dbfs) + hiss(24, dbfs - over_noise)
    (found,) = channels(measure(x))
    # In loud noise the faintest edges of phrases are lost.
    assert found["speech_dbfs"] == pytest.approx(dbfs + HANG_DB, abs=0.35)
    assert found["noise_dbfs"] == pytest.approx(dbfs - over_noise, abs=0.3)
    ratio = over_noise + HANG_DB
    assert found["speech_to_noise_db"] == pytest.approx(ratio, abs=0.6)
    share = 100 * (PHRASE_S + 0.2) / (PHRASE_S + PAUSE_S)
    assert found["activity_percent"] == pytest.approx(share, abs=5)


@pytest.mark.parametrize("rate", [12_000, 44_100, 96_000])
def test_any_sample_rate(rate: int) -> None:
    x = talk(9, -20, rate) + hiss(9, -60, rate)
    assert level(x, rate=rate) == pytest.approx(-20 + HANG_DB, abs=0.35)


def test_made_up_speech_agrees_with_p56() -> None:
    x = talk(24, -24)
    assert level(x) == pytest.approx(p56_method_b(x[0], RATE), abs=0.5)


def test_share_of_pauses_does_not_matter() -> None:
    # A plain mean over all the take would read 6 dB lower.
    x = talk(40, -20) + hiss(40, -70)
    x[:, 10 * RATE :] = hiss(30, -70, state=3)
    assert decibels(float(np.mean(x**2))) < -27
    assert level(x) == pytest.approx(-20 + HANG_DB, abs=0.3)


def test_rumble_is_no_speech_and_does_not_hide_it() -> None:
    # Ventilation at 40 Hz, as loud as the speech: the speech is found, its level is
    # its own, and the noise is what it is.
    n = 24 * RATE
    rumble = 0.1 * math.sqrt(2) * np.sin(2 * np.pi * 40 * np.arange(n) / RATE)
    (found,) = channels(measure(talk(24, -20) + rumble))
    assert found["speech_dbfs"] == pytest.approx(-20 + HANG_DB, abs=0.5)
    assert found["noise_dbfs"] == pytest.approx(-20, abs=0.3)


@pytest.mark.parametrize("halvings", [1, 3, -1])
def test_a_gain_shifts_the_level_by_itself(halvings: int) -> None:
    # Exact: halving a float loses nothing.
    x = (talk(15, -24) + hiss(15, -55)).astype(np.float32)
    before = channels(measure(x))[0]
    after = channels(measure(x * np.float32(0.5**halvings)))[0]
    gain = -20 * math.log10(2) * halvings
    for name in ("speech_dbfs", "noise_dbfs"):
        assert after[name] - before[name] == pytest.approx(gain, abs=1e-6)
    assert after["speech_s"] == before["speech_s"]


@pytest.mark.footage
@pytest.mark.parametrize("name", WAVS)
def test_real_speech(name: str) -> None:
    path = FOOTAGE / name
    if not path.is_file():
        pytest.skip(f"{name} is not at hand: set QC_FOOTAGE to the folder it is in")
    info = probe(path)
    with TakeReader(info) as reader:
        blocks = [b for b in reader if isinstance(b, SoundBlock)]
    (track,) = info.audio
    x = np.concatenate([b.samples for b in blocks], axis=1)[:1]
    before = channels(measure(x, rate=track.sample_rate))[0]
    after = channels(measure(x * np.float32(0.125), rate=track.sample_rate))[0]
    gain = 20 * math.log10(0.125)
    shift = after["speech_dbfs"] - before["speech_dbfs"]
    assert shift == pytest.approx(gain, abs=1e-6)
    if not math.isnan(before["noise_dbfs"]):
        shift = after["noise_dbfs"] - before["noise_dbfs"]
        assert shift == pytest.approx(gain, abs=1e-6)
    # P.56 leaves the noise in, and reaches further down where there is little of it.
    expected = p56_method_b(x[0].astype(float), track.sample_rate)
    assert before["speech_dbfs"] == pytest.approx(expected, abs=1.5)


# --------------------------------------------------------------- what is not speech


def steady(seconds: float) -> Sound:
    return hiss(seconds, -20)


def tone(seconds: float) -> Sound:
    n = np.arange(round(seconds * RATE))
    return 0.3 * np.sin(2 * np.pi * 1000 * n / RATE)[np.newaxis]


def switched(seconds: float) -> Sound:
    """A pump that is switched on and off, much louder than the room."""
    x = hiss(seconds, -20)
    t = np.arange(x.shape[1]) / RATE
    return np.where(t % 4 < 2, x, 0.01 * x)


def rotor(seconds: float) -> Sound:
    """Loud noise that breathes by 4 dB."""
    x = hiss(seconds, -15)
    t = np.arange(x.shape[1]) / RATE
    return x * 10 ** (2 * np.sin(2 * np.pi * 1.5 * t) / 20)


@pytest.mark.parametrize("kind", [steady, tone, switched, rotor])
def test_what_does_not_swing_is_not_called_speech(kind: Any) -> None:
    measured = measure(kind(24))
    (found,) = channels(measured)
    assert math.isnan(found["speech_dbfs"])
    assert found["speech_s"] == 0
    assert findings(measured) == []
    (note,) = notes(measured)
    assert "no speech could be told" in note


def test_noise_of_what_does_not_swing() -> None:
    assert level(steady(12), "noise_dbfs") == pytest.approx(-20, abs=0.2)


def test_digital_silence_has_neither_level_nor_note() -> None:
    measured = measure(np.zeros((1, 12 * RATE)))
    (found,) = channels(measured)
    assert math.isnan(found["speech_dbfs"])
    assert math.isnan(found["noise_dbfs"])
    assert findings(measured) == notes(measured) == []


def test_silence_before_the_first_sound_is_not_the_noise() -> None:
    # Coders put some there. It is about a tenth of this take.
    x = talk(9, -20) + hiss(9, -50)
    x[:, :RATE] = 0
    assert level(x, "noise_dbfs") == pytest.approx(-50, abs=0.3)


def test_little_speech_is_not_judged() -> None:
    x = np.concatenate([talk(2, -60), np.zeros((1, 4 * RATE))], axis=1)
    measured = measure(x + hiss(6, -90))
    assert 0 < channels(measured)[0]["speech_s"] < 3
    assert findings(measured) == []


def test_activity_by_hand() -> None:
    # Rows: noise of power 1e-6; ten swells of 40 rows up to 1e-2 and 60 rows of noise.
    swell = 1e-2 * np.sin(np.pi * (np.arange(40) + 0.5) / 40) ** 2
    band = np.full((1, 1000), 1e-6)
    for k in range(10):
        band[0, 100 * k + 30 : 100 * k + 70] = swell
    found = activity(band)
    assert found.told.all()
    for k in range(10):
        part = found.speech[0, 100 * k : 100 * (k + 1)]
        (rows,) = np.nonzero(part)
        # 20 dB under the vowels is one row from the swell's edge, smoothing 4 more,
        # and 20 of hang-over.
        assert 25 <= rows[0] <= 31
        assert 85 <= rows[-1] <= 95
        assert found.noise[0, 100 * k : 100 * k + 20].all()
    assert not (found.speech & found.noise).any()


# --------------------------------------------------------------------- blocks and gaps


@settings(max_examples=10, deadline=None)
@given(
    cuts=st.lists(st.integers(0, 1500), max_size=12),
    rate=st.sampled_from([8_000, 11_025, 22_050]),
    start=st.sampled_from([0, 37, 5_000]),
)
def test_cuts_change_nothing(cuts: list[int], rate: int, start: int) -> None:
    x = np.concatenate([talk(13, -20, rate), talk(13, -30, rate, 5)])
    x += hiss(13, -60, rate)
    x = np.concatenate([x, x[:1]])
    track = track_of(3, rate)
    whole = measure_blocks(track, blocks_of(track, x, start=start), peaks=False)
    cut = measure_blocks(track, blocks_of(track, x, cuts, start=start), peaks=False)
    assert repr(whole.totals) == repr(cut.totals)
    for name in whole.sound[0].columns:
        np.testing.assert_array_equal(cut.sound[0][name], whole.sound[0][name])


@pytest.mark.parametrize("start", [0, 80, 37 * 80])
def test_every_row_counts_once(start: int) -> None:
    # Wherever the take begins on the grid of whole seconds.
    x = talk(31, -20) + hiss(31, -60)
    track = track_of(1)
    measured = measure_blocks(track, blocks_of(track, x, start=start))
    found = channels(measured)[0]
    share = (PHRASE_S + 0.2) / (PHRASE_S + PAUSE_S)
    assert found["speech_s"] == pytest.approx(10 * 3 * share + 1, abs=1.0)
    assert found["speech_dbfs"] == pytest.approx(-20 + HANG_DB, abs=0.3)


def test_speech_band_in_one_piece_is_the_same() -> None:
    # Second opinion: the boxes and the high-pass by scipy in one piece.
    x = hiss(2, -20, 44_100).astype(np.float32)
    edges = np.array([row_start(r, 44_100) for r in range(201)])
    got = SpeechBand(1, 44_100).feed(x, edges)[:, 0]
    box = 6
    small = x[0, : x.shape[1] // box * box].astype(float).reshape(-1, box).mean(axis=1)
    sections = signal.butter(2, 150, "highpass", fs=44_100 / box, output="sos")
    squares = signal.sosfilt(sections, small) ** 2
    at = edges // box
    expected = [squares[a:b].mean() for a, b in itertools.pairwise(at)]
    np.testing.assert_allclose(got, expected, rtol=1e-4)


def test_a_gap_begins_anew() -> None:
    track = track_of(1)
    x = talk(6, -20) + hiss(6, -60)
    first = blocks_of(track, x)
    later = blocks_of(track, x, start=10 * RATE)
    joined = first + [replace(b, gap_before=True) for b in later]
    measured = measure_blocks(track, joined)
    speech = measured.sound[0]["speech.speech_dbfs"][:, 0]
    assert not np.isnan(speech[301:600]).any()
    assert np.isnan(speech[600:1300]).all()
    assert channels(measured)[0]["speech_dbfs"] == pytest.approx(level(x), abs=1e-6)


@pytest.mark.parametrize("damage", [math.nan, math.inf, -1e30, 1e5])
def test_damage_leaves_no_trace(damage: float) -> None:
    x = talk(24, -20) + hiss(24, -60)
    expected = level(x)
    x[0, 5 * RATE : 5 * RATE + 3] = damage
    assert level(x, peaks=False) == pytest.approx(expected, abs=0.1)
    x[0, 5 * RATE :] = damage
    speech = measure(x, peaks=False).sound[0]["speech.speech_dbfs"]
    assert np.isnan(speech[-100:]).all()


def test_blocks_may_be_empty() -> None:
    track = track_of(2)
    made = measure(np.zeros((2, 80)))
    reader = MEASURE.start(Setup(made.info, made.limits), track)
    nothing = np.zeros((2, 0), np.float32)
    for edges in (np.zeros(1, np.int64), np.zeros(4, np.int64)):
        values = reader.read(SoundBlock(track, nothing, 0, 0, edges))
        assert all(v.shape == (len(edges) - 1, 2) for v in values.values())
    assert np.isnan(reader.finish()["speech_dbfs"]).all()


# ---------------------------------------------------------------------------- judging


def only(measured: Measured) -> Finding:
    (found,) = findings(measured)
    return found


def highest(x: Sound) -> float:
    return 20 * math.log10(float(np.abs(x).max()))


def test_quiet_speech_is_told_by_how_much() -> None:
    x = talk(24, -40) + hiss(24, -90)
    measured = measure(x)
    found = only(measured)
    assert (found.rule, found.grade, found.channel) == ("sound.quiet", Grade.REVIEW, 1)
    apart = round(-20 - (-40 + HANG_DB))
    assert f"about {apart} dB under the house level" in found.message
    assert (found.start, found.end) == (0, 24)
    gain = min(apart, math.floor(-6 - highest(x)))
    assert f"up by about {gain} dB; peaks then reach" in found.advice
    assert "noise" not in found.advice


@pytest.mark.parametrize(
    ("peak", "gain"), [(-26.5, 20), (-24.5, 18), (-19, 13), (-7.5, 1), (-6.5, None)]
)
def test_the_gain_that_is_advised_never_clips(peak: float, gain: int | None) -> None:
    # 20 dB are wanted. A slam stands in the take: the highest true peak of a lone
    # sample is the sample itself. House ceiling: -6 dBFS.
    x = talk(24, -40 - HANG_DB) + hiss(24, -90)
    x = np.clip(x, -0.04, 0.04)
    x[0, 2 * RATE + RATE // 2 :: 24 * RATE] = 10 ** (peak / 20)
    found = only(measure(x))
    if gain is None:
        assert "leave the recorder's input level" in found.advice
    else:
        assert f"up by about {gain} dB" in found.advice
        assert peak + gain <= -6
    assert ("closer" in found.advice) == (gain is None or gain < 17)


def test_without_peaks_the_advice_stands_alone() -> None:
    x = talk(24, -40) + hiss(24, -90)
    assert "up by about 20 dB." in only(measure(x, peaks=False)).advice


def test_quiet_speech_in_noise_wants_the_microphone_closer() -> None:
    found = only(measure(talk(24, -40) + hiss(24, -55)))
    assert "dB over the noise" in found.advice
    assert "closer" in found.advice


def test_loud_speech_that_does_not_clip() -> None:
    x = np.clip(talk(24, -5), -0.95, 0.95) + hiss(24, -60)
    assert highest(x) < 0
    found = only(measure(x))
    assert found.rule == "sound.loud"
    assert "over the house level" in found.message
    assert "input level down by about" in found.advice


def test_clipped_speech_is_said_once() -> None:
    x = np.clip(3 * talk(24, -5), -1, 1)
    measured = measure(x)
    assert findings(measured) == []
    assert any(f.rule == "sound.clipped" for c in PEAKS.checks for f in c(measured))


@pytest.mark.parametrize("dbfs", [-14, -20, -29])
def test_speech_near_the_house_level_is_left_alone(dbfs: float) -> None:
    assert findings(measure(talk(24, dbfs) + hiss(24, -70))) == []


def test_house_level_is_the_houses_own() -> None:
    x = talk(24, -29) + hiss(24, -70)
    found = only(measure(x, toml="[speech]\nquiet_dbfs = -26\ntarget_dbfs = -23"))
    assert "about 6 dB under" in found.message


@pytest.mark.parametrize(
    ("halvings", "seconds", "rule"),
    [(-4, 25, "sound.quiet"), (-3, 40, "sound.quiet"), (2, 30, "sound.loud")],
)
def test_a_long_stretch(halvings: int, seconds: int, rule: str) -> None:
    # Turned down or up from 40 s on, then right again; the pauses are a second long.
    x = talk(120, -20)
    x[:, 40 * RATE : (40 + seconds) * RATE] *= 2.0**halvings
    found = only(measure(x + hiss(120, -90), peaks=False))
    assert found.rule == rule
    assert float(found.start) == pytest.approx(40, abs=3)
    assert float(found.end) == pytest.approx(40 + seconds, abs=3)
    expected = -20 + HANG_DB + 20 * math.log10(2) * halvings
    assert found.worst == pytest.approx(expected, abs=1.0)


def test_the_gain_for_a_stretch_comes_from_its_own_peaks() -> None:
    x = talk(120, -20) + hiss(120, -90)
    x[:, 40 * RATE : 70 * RATE] /= 16
    found = only(measure(x))
    gain = math.floor(-6 - highest(x[:, 43 * RATE : 67 * RATE]))
    assert 8 < gain < 24
    assert f"up by about {gain} dB; peaks then reach" in found.advice


def test_a_short_quiet_stretch_is_left_alone() -> None:
    x = talk(120, -20)
    x[:, 40 * RATE : 52 * RATE] *= 0.1
    assert findings(measure(x + hiss(120, -90))) == []


def test_a_second_microphone_that_hears_the_first_speaker() -> None:
    x = np.concatenate([talk(24, -20), talk(24, -52)]) + hiss(24, -80)
    measured = measure(x)
    assert findings(measured) == []
    (note,) = notes(measured)
    assert note.startswith("Channel 2: its speech lies far under")
    # Less far under, it is a microphone that was left too low.
    x = np.concatenate([talk(24, -20), talk(24, -40)]) + hiss(24, -80)
    assert only(measure(x)).channel == 2


def test_channels_can_be_left_unjudged() -> None:
    x = np.concatenate([talk(24, -20), talk(24, -40)]) + hiss(24, -80)
    toml = '[speech]\nunjudged_channels = ["2"]'
    assert findings(measure(x, toml=toml)) == []
    # A name that no channel has leaves none out, and is told.
    wrong = measure(x, toml=toml.replace("2", "surgeon"))
    assert len(findings(wrong)) == 1
    assert any('No channel of this take is called "surgeon"' in n for n in notes(wrong))


def test_lfe_is_no_microphone() -> None:
    x = np.concatenate([talk(24, -20), talk(24, -20), talk(24, -40)]) + hiss(24, -80)
    measured = measure(x, layout="2.1")
    assert findings(measured) == []
    assert [c["channel"] for c in channels(measured)] == [1, 2]


def test_summary_leads_with_the_loudest_speech() -> None:
    x = np.concatenate([talk(24, -30), talk(24, -20)]) + hiss(24, -70)
    assert MEASURE.summarise is not None
    found: Mapping[str, Any] = MEASURE.summarise(measure(x))
    one, two = found["channels"]
    assert found["speech_dbfs"] == two["speech_dbfs"] > one["speech_dbfs"]
    assert two["to_house_level_db"] == pytest.approx(-20 - two["speech_dbfs"])
    empty = replace(measure(x), sound=(), totals={})
    assert MEASURE.summarise(empty) == {}
    assert findings(empty) == notes(empty) == []


def test_running_columns() -> None:
    x = talk(30, -20) + hiss(30, -60)
    sound = measure(x).sound[0]
    speech, noise = sound["speech.speech_dbfs"], sound["speech.noise_dbfs"]
    share = sound["speech.activity_percent"]
    assert np.isnan(speech[:300]).all()
    assert not np.isnan(speech[300:]).any()
    np.testing.assert_allclose(speech[1000:], -20 + HANG_DB, atol=1.0)
    np.testing.assert_allclose(noise[1000:], -60, atol=0.5)
    np.testing.assert_allclose(share[1000:], 73, atol=10)


@pytest.mark.parametrize(("layout", "count"), [("5.1", 0), ("hexagonal", 5)])
def test_sound_all_around_has_its_voice_in_one_place(layout: str, count: int) -> None:
    # -20 dBFS in the centre, 18 dB less in all others: of six microphones each counts.
    voice = sounds.speech(12, number=2, floor_dbfs=-75.0)
    six = np.stack([voice if k == 2 else voice / 8 for k in range(6)])
    measured = sounds.measure([MEASURE], sounds.as_pcm(six, 24), layout=layout)
    told = sounds.findings(measured, MEASURE)
    assert sum(f.rule == "sound.quiet" for f in told) == count


def _noted(x: sounds.Sound) -> bool:
    measured = sounds.measure([MEASURE], sounds.as_pcm(x[None]))
    return "sound.noise" in {f.rule for f in sounds.findings(measured, MEASURE)}


@pytest.mark.parametrize("number", range(4))
def test_music_and_applause_are_no_speech_in_noise(number: int) -> None:
    for drums in (False, True):
        assert not _noted(sounds.music(20, number=number, drums=drums))
    for people in (4, 15, 60):
        assert not _noted(sounds.applause(12, number=number, people=people))


@pytest.mark.parametrize("over_noise", [6, 9, 14])
@pytest.mark.parametrize("number", range(3))
def test_speech_in_noise_is_noted_at_any_height_over_it(
    over_noise: float, number: int
) -> None:
    x = sounds.speech(20, number=number, floor_dbfs=-20.0 - over_noise)
    assert _noted(x)
    # A minute of applause after it takes nothing away.
    assert _noted(np.concatenate([x, x, 0.3 * sounds.applause(15)]))


@pytest.mark.parametrize(("hertz", "share"), [(1.0, 0.0), (4.0, 1.0), (12.0, 0.0)])
def test_swings_of_a_level(hertz: float, share: float) -> None:
    # A sine of amplitude 5 dB has a standard deviation of 5 / sqrt 2.
    at = np.arange(400) / 100
    swing, fast = swing_of(-20 + 5 * np.sin(2 * np.pi * hertz * at))
    assert swing == pytest.approx(5 / math.sqrt(2), rel=1e-3)
    assert fast == pytest.approx(share, abs=0.01)


@pytest.mark.parametrize(("noise_dbfs", "count"), [(-34.0, 1), (-37.0, 1), (-50.0, 0)])
def test_noise_under_speech_of_the_right_level_is_noted(
    noise_dbfs: float, count: int
) -> None:
    x = sounds.speech(12, number=2, floor_dbfs=noise_dbfs)
    measured = sounds.measure([MEASURE], sounds.as_pcm(x[None], 24))
    told = sounds.findings(measured, MEASURE)
    assert [(f.rule, f.grade) for f in told] == [("sound.noise", Grade.NOTE)] * count
    for one in told:
        assert f"({noise_dbfs:.0f}".replace("-", "\u2212") in one.message
