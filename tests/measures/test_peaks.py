"""Peaks, clipping and dead channels, against published and exact values.

Published values are in ``values/peaks.toml``, each with its source. Second opinions:
`scipy.signal` for peaks between samples, a plain Python count for clipped runs.
"""

from __future__ import annotations

import io
import itertools
import math
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import signal

from qc.limits import Limits, parse
from qc.measures.base import Measured, Setup
from qc.measures.parts.sound.lossytops import loud_halves
from qc.measures.parts.sound.soundlines import with_names
from qc.measures.parts.sound.truepeak import (
    SILENCE_DBFS,
    ClippedRuns,
    TruePeaks,
    busiest_window,
    dbfs,
    keeps_full_scale,
    lfe_index,
    oversampling,
    phase_filter,
    row_reduce,
    silences,
)
from qc.measures.peaks import MEASURE
from qc.media.sound import float_samples
from qc.records import AudioTrack, Finding, Grade, Readings, SoundBlock, TakeInfo
from qc.spans import runs
from qc.timecode import TimecodeFormat
from tests.bench.soundfaults import through_aac
from tests.sounds import as_pcm, blocks_of
from tests.sounds import speech as rendered_speech

VALUES: dict[str, Any] = tomllib.loads(
    (Path(__file__).parents[1] / "values" / "peaks.toml").read_text(encoding="utf-8")
)
TONES = VALUES["true_peak"]["tone"]
BURSTS = VALUES["true_peak"]["burst"]
RATE = 48_000

Sound = NDArray[np.floating[Any]]


# ------------------------------------------------------------------ how tests measure


def track_of(
    sound: Sound, rate: int = RATE, *, first_channel: int = 1, **more: Any
) -> AudioTrack:
    facts = {"codec": "pcm_f32le", "layout": "", "number": 0, "stream": 0} | more
    return AudioTrack(
        channels=sound.shape[0],
        sample_rate=rate,
        first_channel=first_channel,
        **facts,
    )


def info_of(*tracks: AudioTrack) -> TakeInfo:
    return TakeInfo(
        path=Path("take.wav"),
        bytes=0,
        container="wav",
        duration=None,
        video=None,
        audio=tracks,
        timecode=TimecodeFormat(Fraction(25), drop_frame=False),
    )


def house(toml: str = "") -> Limits:
    return parse(toml, MEASURE.options, source="test.toml")


def measure_blocks(
    takes: Sequence[tuple[AudioTrack, Sequence[SoundBlock]]], toml: str = ""
) -> Measured:
    limits, info = house(toml), info_of(*(track for track, _ in takes))
    sound, totals = [], []
    for track, blocks in takes:
        reader = MEASURE.start(Setup(info, limits), track)
        first = blocks[0].first_row
        rows = blocks[-1].first_row + len(blocks[-1].row_edges) - 1 - first
        columns = {
            f"peaks.{c.name}": np.full((rows, track.channels), np.nan, np.float32)
            for c in MEASURE.columns
        }
        for block in blocks:
            at = block.first_row - first
            for name, values in reader.read(block).items():
                columns[f"peaks.{name}"][at : at + len(block.row_edges) - 1] = values
        totals.append(reader.finish())
        edges = np.arange(first, first + rows + 1, dtype=np.int64)
        sound.append(Readings("sound", Fraction(1, 100), edges, columns, track))
    return Measured(info, limits, None, tuple(sound), {"peaks": {"tracks": totals}})


def measure(
    *sounds: Sound,
    rate: int = RATE,
    toml: str = "",
    cuts: Iterable[int] = (),
    **more: Any,
) -> Measured:
    """Measure a take with one track for each of `sounds`, each (channels, n)."""
    takes, channel = [], 1
    for number, sound in enumerate(sounds):
        track = track_of(sound, rate, first_channel=channel, number=number, **more)
        takes.append((track, blocks_of(track, sound, cuts)))
        channel += track.channels
    return measure_blocks(takes, toml)


def findings(measured: Measured) -> list[Finding]:
    return [f for check in MEASURE.checks for f in check(measured)]


def figures(measured: Measured) -> Mapping[str, Any]:
    assert MEASURE.summarise is not None
    return MEASURE.summarise(measured)


def tone(
    seconds: float, *, hertz: float = 440.0, peak_dbfs: float = -12.0, rate: int = RATE
) -> Sound:
    n = np.arange(round(seconds * rate))
    return 10 ** (peak_dbfs / 20) * np.sin(2 * np.pi * hertz * n / rate)


def faded(sound: Sound, rate: int) -> Sound:
    fade = round(VALUES["true_peak"]["fade_s"] * rate)
    out = sound.copy()
    out[:fade] *= np.linspace(0, 1, fade)
    out[-fade:] *= np.linspace(1, 0, fade)
    return out


def decibels(value: float) -> float:
    return 20 * math.log10(value)


# ------------------------------------------------------------------- EBU Tech 3341


def published_tone(case: Mapping[str, Any], rate: int) -> Sound:
    n = np.arange(rate)
    phase = math.radians(case["phase_degrees"])
    x = case["amplitude"] * np.sin(2 * np.pi * n / case["period"] + phase)
    return np.tile(faded(x, rate), (2, 1))


def published_burst(case: Mapping[str, Any], rate: int) -> Sound:
    times = 4
    n = rate * times
    step = np.full(n, 2 * np.pi / (6 * times))
    amplitude = np.full(n, 0.5)
    begin = n // 2 // (6 * times) * (6 * times)  # where the slower tone crosses zero
    burst = slice(begin, begin + 4 * times)
    step[burst], amplitude[burst] = 2 * np.pi / (4 * times), 1.0
    phase = np.concatenate([[0.0], np.cumsum(step)[:-1]])
    x = faded(amplitude * np.sin(phase), rate * times)
    low_pass = signal.firwin(1601, 1 / times, window=("kaiser", 8.0))
    kept = signal.fftconvolve(x, low_pass, "same")[case["offset"] :: times]
    return np.tile(kept, (2, 1))


def published(case: Mapping[str, Any], rate: int = RATE) -> Sound:
    return (
        published_burst(case, rate) if "offset" in case else published_tone(case, rate)
    )


def within_tolerance(value: float, case: Mapping[str, Any]) -> bool:
    allowed = VALUES["true_peak"]
    error = value - case["expected_dbtp"]
    return bool(-allowed["below_db"] <= error <= allowed["above_db"])


@pytest.mark.parametrize("rate", [44_100, 48_000])
@pytest.mark.parametrize("case", TONES + BURSTS, ids=lambda c: f"case{c['case']}")
def test_true_peak_of_the_published_signals(case: Mapping[str, Any], rate: int) -> None:
    # EBU Tech 3341 cases 15 to 23, tolerance +0.2/-0.4 dB.
    taken = figures(measure(published(case, rate), rate=rate, cuts=range(0, 200, 7)))
    assert within_tolerance(taken["true_peak_dbtp"], case)
    for channel in taken["channels"]:
        assert channel["true_peak_dbtp"] == taken["true_peak_dbtp"]


@pytest.mark.parametrize("case", TONES, ids=lambda c: f"case{c['case']}")
@pytest.mark.parametrize("rate", [96_000])
def test_two_points_a_sample_suffice_at_96_khz(
    case: Mapping[str, Any], rate: int
) -> None:
    # The same frequencies in hertz, so half the share of the sample rate:
    # BS.1770-5 Annex 2 asks for 192 kHz in all.
    slow = dict(case, period=2 * case["period"])
    value = figures(measure(published_tone(slow, rate), rate=rate))["true_peak_dbtp"]
    assert within_tolerance(value, case)


@pytest.mark.parametrize("case", TONES + BURSTS, ids=lambda c: f"case{c['case']}")
def test_a_meter_of_samples_alone_would_fail(case: Mapping[str, Any]) -> None:
    # Negative control: these signals can tell a true-peak meter from a sample meter.
    value = figures(measure(published(case)))["sample_peak_dbfs"]
    tolerance = 0.015 if "offset" in case else 0.001  # bursts depend on the low-pass
    assert value == pytest.approx(case["sample_peak_dbfs"], abs=tolerance + 0.0005)
    assert within_tolerance(value, case) == case["sample_peak_meter_passes"]


# ------------------------------------------------------------- between the samples


def test_the_filter_is_flat_and_its_gain_is_one() -> None:
    # The claim of the measure's method text, from the taps' own frequency response.
    at = np.arange(-15, 17)
    for shift in (0.25, 0.5, 0.75):
        taps = phase_filter(shift)
        for share in np.linspace(0.0, 0.42, 200):
            gain = abs(np.sum(taps * np.exp(2j * np.pi * share * (at - shift))))
            assert abs(decibels(gain)) < 0.03


@pytest.mark.parametrize("factor", [2, 4])
def test_points_agree_with_a_transform(factor: int) -> None:
    # Second opinion: scipy.signal.resample, exact for a periodic band-limited signal.
    rng = np.random.default_rng(3)
    spectrum = np.zeros(2049, complex)
    spectrum[1:1600] = np.exp(2j * np.pi * rng.random(1599))  # up to 0.39 of the rate
    period = np.fft.irfft(spectrum)
    period *= 0.5 / np.abs(period).max()
    expected = np.abs(signal.resample(period, factor * len(period)))
    # from each sample up to, and without, the next
    expected = expected.reshape(-1, factor).max(axis=1)
    meter = TruePeaks(1, factor)
    got = meter.feed(np.tile(period, 3)[np.newaxis].astype(np.float32))[0]
    middle = got[len(period) + meter.lag :][: len(period)]
    np.testing.assert_allclose(middle, expected, atol=0.0015)


def test_true_peak_agrees_with_eight_times_resampling() -> None:
    # Second opinion: scipy.signal.resample_poly, 8 points a sample, on noise up to
    # 0.375 of the sample rate. Four points may under-read by what BS.1770-5 allows,
    # 20 log10 cos(pi f / 4).
    allowed = decibels(math.cos(math.pi * 0.375 / 4))
    for state in range(5):
        noise = np.random.default_rng(state).standard_normal(RATE)
        x = signal.sosfilt(signal.ellip(12, 0.1, 80, 0.74, output="sos"), noise)[None]
        x *= 0.5 / np.abs(x).max()
        expected = decibels(np.abs(signal.resample_poly(x[0], 8, 1)).max())
        error = figures(measure(x))["true_peak_dbtp"] - expected
        assert allowed - 0.03 < error < 0.03


def test_the_highest_under_read_is_the_published_one() -> None:
    # A tone whose peaks lie halfway between the points, at 0.45 of the sample rate;
    # with the filter's own loss there.
    share, points = VALUES["under_read"]["at"][0], VALUES["under_read"]["points"]
    formula = decibels(math.cos(math.pi * share / points))
    assert formula == pytest.approx(VALUES["under_read"]["db"][0], abs=0.0005)
    n = np.arange(RATE)
    readings = []
    for shift in np.linspace(0, 0.25, 21):
        x = faded(0.5 * np.cos(2 * np.pi * share * (n - shift)), RATE)[np.newaxis]
        readings.append(figures(measure(x))["true_peak_dbtp"] - decibels(0.5))
    assert formula - 0.1 < min(readings)
    assert max(readings) < 0.05


# Two equal samples alone: the signal between them rises to 2 sinc(1/2) = 4/pi.
PAIR_DBTP = decibels(4 / math.pi)


@pytest.mark.parametrize("at", [0, 1, 478, 479, 480, 4_798])
def test_a_pair_of_samples_wherever_it_lies(at: int) -> None:
    # Exact arithmetic; the first and the last samples of a track count like others.
    x = np.zeros((1, 4_800))
    x[0, at : at + 2] = 0.5
    measured = measure(x, cuts=[1, 2, 5])
    expected = PAIR_DBTP + decibels(0.5)
    assert figures(measured)["true_peak_dbtp"] == pytest.approx(expected, abs=0.03)


@pytest.mark.parametrize("factor", [2, 4])
def test_true_peaks_do_not_depend_on_cuts(factor: int) -> None:
    # Relation: down to the last bit, wherever the samples are cut.
    rng = np.random.default_rng(factor)
    x = rng.standard_normal((2, 30_000)).astype(np.float32)
    whole = TruePeaks(2, factor).feed(x)
    for _ in range(20):
        meter = TruePeaks(2, factor)
        cuts = np.sort(rng.integers(0, x.shape[1], 9))
        parts = [meter.feed(part) for part in np.split(x, cuts, axis=1)]
        np.testing.assert_array_equal(np.concatenate(parts, axis=1), whole)


def test_a_peak_stands_in_its_own_row() -> None:
    # The filter looks 16 samples ahead: up to there a row's end may read a row late.
    for at in (480 * 3, 480 * 3 + 200, 480 * 4 - 18):
        x = np.zeros((1, 4_800))
        x[0, at : at + 2] = 0.5
        column = measure(x, cuts=[2, 6]).sound[0]["peaks.true_peak_dbtp"][:, 0]
        assert int(column.argmax()) == 3
        assert column[3] == pytest.approx(PAIR_DBTP + decibels(0.5), abs=0.03)


def test_a_peak_behind_the_last_row_is_found_and_judged() -> None:
    # -0.9 dBFS samples, but 4/pi higher between them: only the flushed tail shows it.
    x = np.zeros((1, 4_800))
    x[0, -2:] = 0.9
    measured = measure(x)
    last_row = float(measured.sound[0]["peaks.true_peak_dbtp"][-1, 0])
    assert last_row == pytest.approx(decibels(0.9), abs=0.001)
    (found,) = findings(replace_limits(measured, "[peaks]\nreview_dbtp = 0.5"))
    assert found.rule == "sound.peak"
    assert found.worst == pytest.approx(PAIR_DBTP + decibels(0.9), abs=0.03)
    assert found.worst_at == Fraction(9, 100)


def replace_limits(measured: Measured, toml: str) -> Measured:
    """Judge the same readings by other limits."""
    return Measured(measured.info, house(toml), None, measured.sound, measured.totals)


def test_a_gap_is_not_read_across() -> None:
    # One sample on each side: read across, they would rise to 4/pi.
    track = track_of(np.zeros((1, 1)))
    x = np.zeros((1, 960))
    before, after = x.copy(), x.copy()
    before[0, -1] = after[0, 0] = 0.5
    first = blocks_of(track, before)
    second = blocks_of(track, after, start=9_600)
    joined = [*first, *(replace(b, first_row=2, start=960) for b in second)]
    apart = [*first, *(replace(b, gap_before=True) for b in second)]
    read_on = figures(measure_blocks([(track, joined)]))["true_peak_dbtp"]
    reset = figures(measure_blocks([(track, apart)]))["true_peak_dbtp"]
    assert read_on == pytest.approx(PAIR_DBTP + decibels(0.5), abs=0.03)
    assert reset == pytest.approx(decibels(0.5), abs=0.001)


def test_a_pair_right_before_a_gap_stands_before_the_gap() -> None:
    track = track_of(np.zeros((1, 1)))
    before = np.zeros((1, 960))
    before[0, -2:] = 0.9
    blocks = blocks_of(track, before)
    after = blocks_of(track, np.zeros((1, 960)), start=48_000)
    blocks += [replace(b, gap_before=True) for b in after]
    measured = measure_blocks([(track, blocks)], "[peaks]\nreview_dbtp = 0.5")
    (found,) = (f for f in findings(measured) if f.rule == "sound.peak")
    assert (found.start, found.end) == (Fraction(1, 100), Fraction(2, 100))


@pytest.mark.parametrize(
    ("rate", "points"),
    [(8_000, 4), (44_100, 4), (48_000, 4), (88_200, 4), (96_000, 2), (192_000, 1)],
)
def test_points_a_sample(rate: int, points: int) -> None:
    # BS.1770-5 Annex 2: 192 kHz in all; never fewer than that here.
    assert oversampling(rate) == points
    assert rate * points >= 192_000 or points == 4
    # A tone at a quarter of the rate, samples 45 degrees off its peaks: exact.
    case = {"period": 4, "amplitude": 0.5, "phase_degrees": 45.0}
    value = figures(measure(published_tone(case, rate), rate=rate))["true_peak_dbtp"]
    expected = decibels(0.5) if points > 1 else decibels(0.5 * math.sqrt(0.5))
    assert value == pytest.approx(expected, abs=0.02)


def test_only_one_two_or_four_points() -> None:
    with pytest.raises(ValueError, match="factor must be 1, 2 or 4, got 3"):
        TruePeaks(1, 3)


def test_float_sound_beyond_full_scale_is_measured_as_it_is() -> None:
    # Exact: 6.02 dB is a factor of two.
    value = figures(measure(tone(0.5, peak_dbfs=decibels(2.0))[np.newaxis]))
    assert value["true_peak_dbtp"] == pytest.approx(decibels(2.0), abs=0.01)


# ------------------------------------------------------------- any cut, one result


@st.composite
def cut_sound(draw: st.DrawFn) -> tuple[int, int, Sound, list[int]]:
    rate = draw(st.sampled_from([8_000, 11_025, 44_100, 48_000, 96_000, 192_000]))
    channels = draw(st.integers(1, 3))
    n = draw(st.integers(1, rate // 4))
    start = draw(st.integers(-rate // 50, rate // 50))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    sound = rng.standard_normal((channels, n)) * draw(st.sampled_from([0.1, 1.0, 3.0]))
    held = draw(st.sampled_from([1, 3, 7]))  # longer steps, so that runs get clipped
    sound = np.repeat(sound, held, axis=1)[:, :n].clip(-1, 1)
    cuts = draw(st.lists(st.integers(-2, 30), max_size=12))
    return rate, start, sound, cuts


@settings(max_examples=60, deadline=None)
@given(cut_sound())
def test_blocks_may_be_cut_anywhere(case: tuple[int, int, Sound, list[int]]) -> None:
    # Property: the same bits, whatever the blocks.
    rate, start, sound, cuts = case
    track = track_of(sound, rate)
    whole, parts = (
        measure_blocks([(track, blocks_of(track, sound, rows, start=start))])
        for rows in ((), cuts)
    )
    for name in (f"peaks.{c.name}" for c in MEASURE.columns):
        np.testing.assert_array_equal(whole.sound[0][name], parts.sound[0][name], name)
    one, other = (figures(m) for m in (whole, parts))
    for key in ("true_peak_dbtp", "sample_peak_dbfs", "clipped_samples"):
        assert one[key] == other[key]
    for a, b in zip(one["channels"], other["channels"], strict=True):
        assert a["rms_dbfs"] == pytest.approx(b["rms_dbfs"], abs=1e-9)


# ------------------------------------------------------------------ levels of rows


def test_levels_of_a_full_scale_sine() -> None:
    # Exact: plain RMS is 3.01 dB under the peak (AES17 would call it 0 dBFS).
    got = figures(measure(np.stack([tone(1, peak_dbfs=0), 0.5 * tone(1, peak_dbfs=0)])))
    expected = VALUES["rms"]["full_scale_sine_dbfs"]
    for channel, less in zip(got["channels"], (0.0, decibels(2)), strict=True):
        assert channel["rms_dbfs"] == pytest.approx(expected - less, abs=0.001)
        assert channel["sample_peak_dbfs"] == pytest.approx(-less, abs=0.001)
    assert got["sample_peak_dbfs"] == got["channels"][0]["sample_peak_dbfs"]


def test_levels_stand_in_their_rows() -> None:
    # Exact: a constant 0.5 in row 3 and a quarter of the samples of row 5.
    x = np.zeros((2, 4_800))
    x[1, 3 * 480 : 4 * 480] = 0.5
    x[1, 5 * 480 + 100 : 5 * 480 + 220] = -0.5
    readings = measure(x).sound[0]
    rms, peak = readings["peaks.rms_dbfs"], readings["peaks.sample_peak_dbfs"]
    assert rms[3, 1] == pytest.approx(decibels(0.5), abs=1e-5)
    assert rms[5, 1] == pytest.approx(decibels(0.25), abs=1e-5)
    assert peak[3, 1] == peak[5, 1] == pytest.approx(decibels(0.5), abs=1e-5)
    assert np.all(rms[:, 0] == SILENCE_DBFS)
    assert np.all(peak[[0, 1, 2, 4, 6, 7, 8, 9], 1] == SILENCE_DBFS)


def test_damaged_samples_are_not_measured_and_said() -> None:
    x = np.tile(tone(1.0), (2, 1))
    x[0, 4_810], x[0, 9_700], x[1, 9_650] = math.nan, math.inf, 1e30
    measured = measure(x, cuts=[11, 20])
    for column in MEASURE.columns:
        values = measured.sound[0][f"peaks.{column.name}"]
        unread = [tuple(place) for place in np.argwhere(np.isnan(values)).tolist()]
        assert unread == [(10, 0), (20, 0), (20, 1)]
    assert figures(measured)["true_peak_dbtp"] == pytest.approx(-12.0, abs=0.6)
    assert MEASURE.notes is not None
    (note,) = MEASURE.notes(measured)
    assert note.startswith("Sound track 1: 3 damaged samples")
    assert list(MEASURE.notes(measure(tone(0.1)[np.newaxis]))) == []


def test_empty_rows_are_not_measured() -> None:
    edges = np.array([0, 2, 2, 3, 3])
    got = row_reduce(np.maximum, np.array([[1.0, 5.0, 3.0]], np.float32), edges)
    np.testing.assert_array_equal(got[:, 0], [5.0, math.nan, 3.0, math.nan])


def test_decibels_of_silence_and_of_nothing() -> None:
    got = dbfs(np.array([0.0, 1e-12, math.nan, 10.0]))
    np.testing.assert_array_equal(got, [SILENCE_DBFS, SILENCE_DBFS, math.nan, 20.0])


# ------------------------------------------------------------------ clipped samples


def runs_by_hand(
    line: Sequence[float], level: float, shortest: int, *, alike: bool
) -> int:
    """Count samples of runs, in plain Python."""
    sides: list[float] = [(x >= level) - (x <= -level) for x in line]
    if alike:
        sides = [x * (side != 0) for x, side in zip(line, sides, strict=True)]
    lengths = [(side, len(list(run))) for side, run in itertools.groupby(sides)]
    return sum(n for side, n in lengths if side and n >= shortest)


steps = st.sampled_from([-1.5, -1.0, -0.5, 0.0, 0.999, 1.0, 1.5])


@settings(max_examples=200, deadline=None)
@given(
    st.lists(steps, min_size=1, max_size=80),
    st.integers(1, 5),
    st.lists(st.integers(1, 79), max_size=4),
    st.booleans(),
)
def test_runs_are_counted_as_by_hand(
    line: list[float], shortest: int, cuts: list[int], alike: bool
) -> None:
    counter = ClippedRuns(1, level=0.999, shortest=shortest, alike=alike)
    whole = ClippedRuns(1, level=0.999, shortest=shortest, alike=alike)
    x = np.array([line], np.float32)
    inner = [c for c in sorted(set(cuts)) if c < len(line)]
    edges = np.array([0, *inner, len(line)], np.int64)
    by_block = [
        int(counter.feed(x[:, a:b], np.array([0, b - a])).sum())
        for a, b in itertools.pairwise(edges.tolist())
    ]
    by_row = whole.feed(x, edges)[:, 0].tolist()
    level = float(np.float32(0.999))
    assert sum(by_block) == runs_by_hand(x[0].tolist(), level, shortest, alike=alike)
    assert by_row == by_block


def test_runs_stand_in_their_rows() -> None:
    # Exact by construction: 5 samples in row 1, 2 alone in row 2, 4 across 3 and 4.
    x = np.zeros((2, 4_800))
    x[1, 500:505] = 1.0
    x[1, 1_000:1_002] = 1.0
    x[1, 1_918:1_922] = -1.0
    measured = measure(x, cuts=[4])
    column = measured.sound[0]["peaks.clipped_samples"]
    # A run counts from where it has become one: its third sample.
    assert column[:, 1].tolist() == [0, 5, 0, 0, 4, 0, 0, 0, 0, 0]
    assert not column[:, 0].any()
    assert figures(measured)["clipped_samples"] == 9
    assert [c["clipped_samples"] for c in figures(measured)["channels"]] == [0, 9]


@pytest.mark.parametrize(
    "codec", ["pcm_s16", "pcm_s24", "pcm_u8", "pcm_alaw", "pcm_mulaw"]
)
def test_the_highest_code_of_every_format_counts_as_clipped(codec: str) -> None:
    # Exact: two's complement; G.711 tables.
    x = np.zeros((1, 480))
    x[0, 100:104] = float(Fraction(VALUES["full_scale"][codec]))
    full = "le" if codec in ("pcm_s16", "pcm_s24") else ""
    assert figures(measure(x, codec=codec + full))["clipped_samples"] == 4


@pytest.mark.parametrize(("codec", "clipped"), [("pcm_f32le", 0), ("pcm_s24le", 302)])
def test_what_goes_beyond_full_scale_is_whole_in_floating_point(
    codec: str, clipped: int
) -> None:
    # A half wave 6 dB over full scale, of 240 steps: 161 samples lie beyond (sin x is
    # 1/2 and more from 30 to 150 degrees). And 141 samples at one value.
    x = np.zeros((1, 4_800))
    x[0, 1_000:1_241] = 2.0 * np.sin(np.pi * np.arange(241) / 240)
    x[0, 3_000:3_141] = 1.5
    measured = measure(x, codec=codec)
    assert figures(measured)["clipped_samples"] == (clipped or 141)


def test_codecs_that_keep_every_sample() -> None:
    assert all(map(keeps_full_scale, ("pcm_s16le", "pcm_f32be", "flac", "alac")))
    assert not any(map(keeps_full_scale, ("aac", "mp3", "opus", "ac3", "pcm_u8")))


def test_loud_tones_that_are_not_flat_are_not_clipped() -> None:
    # EBU Tech 3341 case 19 stays at 0.997 of full scale, from one side to the other.
    assert figures(measure(published(TONES[4])))["clipped_samples"] == 0
    # A sine that just reaches full scale: its top samples are not equal.
    assert (
        figures(measure(tone(1, hertz=997, peak_dbfs=0)[None]))["clipped_samples"] == 0
    )


def test_a_gap_ends_a_run() -> None:
    counter = ClippedRuns(1, level=1.0, shortest=3)
    ones, edges = np.ones((1, 2), np.float32), np.array([0, 2])
    assert counter.feed(ones, edges).sum() == 0
    counter.reset()
    assert counter.feed(ones, edges).sum() == 0
    assert counter.feed(ones, edges).sum() == 4


def overloaded(seconds: float = 4.0) -> Sound:
    """Stereo; channel 2 is twice too loud from 1 to 3 s, and cut off at full scale."""
    good = tone(seconds, hertz=200, peak_dbfs=-12)
    bad = good.copy()
    bad[RATE : 3 * RATE] *= 2 * 10 ** (12 / 20)
    return np.stack([good, bad.clip(-1, 1 - 2**-15)])


def test_clipped_sound_is_found_where_it_is() -> None:
    sound = overloaded()
    (found,) = findings(measure(sound, cuts=[100, 200], codec="pcm_s16le"))
    # Exact: a half wave has 120 samples, and 2 sin is at or over 1 from 30 to 150
    # degrees, both included: in 81 of them.
    assert found.rule == "sound.clipped"
    assert found.grade is Grade.REJECT
    assert found.channel == 2
    assert (found.start, found.end) == (1, 3)
    assert (found.start_frame, found.end_frame) == (25, 75)
    assert found.unit == "samples/s"
    assert found.worst == 400 * 81
    assert found.limit == pytest.approx(0.005 * RATE)
    assert found.message == (
        "Channel 2: 64\u00a0800 samples clipped in 2.0 s, 32\u00a0400 of them in one "
        "second (limit 240 in a second)."
    )
    # From about 0 dBFS to the target of -9; the true peak is a little over 0.
    assert found.advice == (
        "Channel 2: turn the recorder's input level down by at least 10 dB, so that "
        "peaks reach about −9 dBFS; "
        "how high clipped sound really went cannot be known."
    )


def spiked(*counts: int, every: float = 0.3, seconds: float = 4.0) -> Sound:
    """Quiet mono with runs of so many samples at full scale, the first at 1 s."""
    x = tone(seconds, peak_dbfs=-30)
    for k, count in enumerate(counts):
        at = RATE + round(k * every * RATE)
        x[at : at + count] = 1.0
    return x[np.newaxis]


@pytest.mark.parametrize(
    ("counts", "grade"),
    [((3,), None), ((4,), "review"), ((3, 3), "review"), ((239,), "review"),
     ((240,), "reject"), ((120, 120), "reject")],
)  # fmt: skip
def test_grades_of_clipping(counts: tuple[int, ...], grade: str | None) -> None:
    # Review from 4 samples in a second on, reject from 0.5 % of 48 000 = 240 on.
    got = [
        f.grade for f in findings(measure(spiked(*counts))) if f.rule != "sound.peak"
    ]
    assert got == ([Grade(grade)] if grade else [])


def test_what_is_too_little_to_be_clipping_is_still_a_peak() -> None:
    (found,) = findings(measure(spiked(3)))
    assert found.rule == "sound.peak"


@pytest.mark.parametrize(("every", "stretches"), [(1.9, 1), (2.1, 3)])
def test_clipped_moments_close_together_are_one_finding(
    every: float, stretches: int
) -> None:
    found = findings(measure(spiked(20, 20, 20, every=every, seconds=6)))
    places = "in 3 places within" in found[0].message
    assert places == (stretches == 1)
    assert [f.rule for f in found] == ["sound.clipped"] * stretches
    assert found[0].start == 1
    assert found[-1].end == Fraction(round(100 + 200 * every) + 1, 100)


def test_the_busiest_second_counts_not_the_mean() -> None:
    assert busiest_window(np.array([0, 5, 5, 0, 0, 9]), rows=3) == 10
    assert busiest_window(np.array([1, 2]), rows=100) == 3


@pytest.mark.parametrize(
    ("encoder", "bits"), [("aac", 96_000), ("aac", 192_000), ("aac", 320_000)]
)
def test_clipping_is_still_found_behind_a_lossy_coder(encoder: str, bits: int) -> None:
    # Relation: noise of speech's bandwidth, recorded 15 dB too high and cut off, then
    # coded; the same at a good level is clean.
    noise = np.random.default_rng(1).standard_normal((2, 3 * RATE))
    voice = signal.sosfilt(
        signal.butter(2, (150, 1500), "band", fs=RATE, output="sos"), noise
    )
    voice *= 10 ** (-9 / 20) / np.abs(voice).max()
    clean = coded(voice, encoder, bits)
    clipped = coded((voice * 10 ** (15 / 20)).clip(-1, 1), encoder, bits)
    assert findings(measure(clean, codec=encoder)) == []
    found = findings(measure(clipped, codec=encoder))
    assert {(f.rule, f.grade, f.channel) for f in found} == {
        ("sound.clipped", Grade.REJECT, 1),
        ("sound.clipped", Grade.REJECT, 2),
    }
    assert all(": about " in f.message for f in found)  # an estimate, and said so


def test_limited_sound_is_not_clipped_behind_a_lossy_coder() -> None:
    # Loud sound that a limiter held at -0.5 dBFS has uneven tops near full scale too.
    x = faded(tone(2, hertz=150, peak_dbfs=-0.5), RATE)
    measured = measure(x[np.newaxis], codec="aac")
    assert [f.rule for f in findings(measured)] == ["sound.peak"]
    assert figures(measured)["clipped_samples"] == 0


def coded(sound: Sound, encoder: str, bits: int) -> Sound:
    memory = io.BytesIO()
    with av.open(memory, "w", format="mp4") as out:
        stream = out.add_stream(encoder, rate=RATE, layout="stereo", bit_rate=bits)
        for at in range(0, sound.shape[1], 1024):
            part = np.ascontiguousarray(sound[:, at : at + 1024], np.float32)
            frame = av.AudioFrame.from_ndarray(part, format="fltp", layout="stereo")
            frame.sample_rate, frame.pts = RATE, at
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    memory.seek(0)
    with av.open(memory) as again:
        return np.concatenate([float_samples(f) for f in again.decode(audio=0)], axis=1)


# ------------------------------------------------------------- flat under full scale


def voice(seconds: float = 4.0, number: int = 1) -> Sound:
    x = rendered_speech(seconds, number=number, pauses=False)
    return x / np.abs(x).max()


def cut(over_db: float, factor: float = 0.5, number: int = 1) -> Sound:
    """Return speech that was cut off at full scale and turned down afterwards."""
    return (voice(number=number) * 10 ** (over_db / 20)).clip(-1, 1) * factor


@pytest.mark.parametrize("over_db", [6, 12, 20])
@pytest.mark.parametrize("factor", [0.5, 0.25, 0.8])
@pytest.mark.parametrize("bits", [16, 24])
def test_sound_that_was_cut_off_and_turned_down(
    over_db: float, factor: float, bits: int
) -> None:
    x = as_pcm(cut(over_db, factor), bits)
    measured = measure(x[None])
    clipped = [f for f in findings(measured) if f.rule == "sound.clipped"]
    assert clipped
    assert f"clipped flat at −{-decibels(factor):.1f} dBFS in" in clipped[0].message
    assert "before the level is set" in clipped[0].advice
    # Count by hand: runs of three or more at the highest level.
    top = np.abs(x) >= np.abs(x).max() - 1e-9
    expected = sum(b - a for a, b in runs(top) if b - a >= 3)
    assert figures(measured)["clipped_samples"] == pytest.approx(expected, rel=0.05)


def test_dither_does_not_hide_flat_tops() -> None:
    rng = np.random.default_rng(1)
    noise = rng.random(4 * RATE) - rng.random(4 * RATE)
    x = as_pcm(cut(10) + noise / 32_768)
    assert "sound.clipped" in {f.rule for f in findings(measure(x[None]))}


def test_flat_tops_on_one_side_and_off_the_middle() -> None:
    x = as_pcm((voice() * 2).clip(-3, 1) * 0.3 + 0.02)
    found = [f for f in findings(measure(x[None])) if f.rule == "sound.clipped"]
    assert found
    assert all("flat at −9.9 dBFS" in f.message for f in found)  # 0.32


def test_what_is_not_cut_off() -> None:
    n = np.arange(4 * RATE) / RATE
    square = 0.25 * np.sign(np.sin(2 * np.pi * 440 * n + 0.1))
    triangle = 0.5 * (2 * np.abs(2 * ((440 * n) % 1) - 1) - 1)
    for x in (0.5 * voice(), square, triangle, tone(4, hertz=40, peak_dbfs=-6),
              tone(4, hertz=6000, peak_dbfs=-6), tone(4, hertz=997, peak_dbfs=-3),
              noise(4, -20)):  # fmt: skip
        assert findings(measure(as_pcm(x)[None])) == []
    # A limiter holds peaks down without making them flat.
    assert findings(measure(as_pcm(0.5 * np.tanh(3 * voice()))[None])) == []
    # Coarse steps make flat tops by themselves.
    for x in (0.3 * voice(), tone(4, hertz=150, peak_dbfs=-6), noise(4, -20)):
        assert findings(measure(as_pcm(x, 8)[None], codec="pcm_u8")) == []


@given(st.lists(st.integers(1, 399), max_size=6))
@settings(max_examples=5, deadline=None)
def test_flat_tops_do_not_depend_on_blocks(cuts: list[int]) -> None:
    x = as_pcm(cut(8))[None]
    one, other = measure(x), measure(x, cuts=cuts)
    assert findings(one) == findings(other)


def test_flat_tops_are_still_told_behind_a_lossy_coder() -> None:
    # Cut off at full scale, then turned down by 6 dB: -6.0 dBFS, exact before coding.
    x = cut(8)
    coded = through_aac(as_pcm(np.stack([x, x])), RATE)[:1]
    told = findings(measure(coded, codec="aac"))
    assert {f.rule for f in told} == {"sound.clipped"}
    assert all(f.grade in (Grade.NOTE, Grade.REVIEW) for f in told)
    assert "looks cut off at −6." in told[0].message or "−5." in told[0].message
    assert "the coding hides the exact places" in told[0].message
    # House choice: for review from 0.005 s of flat tops in a second on, 240 samples.
    for finding in told:
        assert finding.limit == (240.0 if finding.grade is Grade.REVIEW else None)
        assert (finding.worst >= 240.0) == (finding.grade is Grade.REVIEW)
    assert "turn down what comes before the recorder" in told[0].advice


def lossy_findings(*sounds: Sound) -> list[list[Finding]]:
    """Return the findings of sounds of one channel behind AAC."""
    return [
        findings(measure(through_aac(as_pcm(np.stack([x, x])), RATE)[:1], codec="aac"))
        for x in sounds
    ]


def test_sound_that_is_not_cut_off_is_none_behind_a_lossy_coder() -> None:
    n = np.arange(4 * RATE) / RATE
    sounds = (0.5 * voice(), tone(4, hertz=150, peak_dbfs=-6), noise(4, -20),
              0.5 * np.tanh(np.sin(2 * np.pi * 200 * n)),
              0.3 * np.tanh(1.8 * voice(number=3)))  # fmt: skip
    assert lossy_findings(*sounds) == [[]] * len(sounds)


def test_one_steady_tone_with_flat_tops_is_a_machine_behind_a_lossy_coder() -> None:
    # A monitor's beep: its half-waves are all as high and as wide as each other. Those
    # of a voice that was cut off at the same level are not.
    n = np.arange(4 * RATE) / RATE
    on = np.clip(np.minimum(n % 1, 0.5 - n % 1) * 50, 0, 1)
    beep = np.clip(3 * np.sin(2 * np.pi * 500 * n), -1, 1) * on
    steady, cut_off = lossy_findings(0.4 * beep, cut(8, 0.4))
    assert steady == []
    assert {f.rule for f in cut_off} == {"sound.clipped"}


def test_flat_tops_that_a_tenth_of_the_sound_goes_beyond_are_a_voices_own() -> None:
    # Sound that goes on rising over a level was not cut off there.
    x = cut(8, 0.25)
    louder = np.concatenate([x, 0.8 * voice(number=2), 0.5 * voice(number=4)])
    told, none = lossy_findings(x, louder)
    assert told
    assert [f for f in none if f.rule == "sound.clipped"] == []


@pytest.mark.parametrize(("level", "flat"), [(0.5, True), (0.99, False)])
def test_which_half_waves_are_flat(level: float, flat: bool) -> None:
    # Exact: a sine held at `level` of its height is over 0.9 of that for 1 - 2 asin(0.9
    # level) / pi of a half, over 0.5 for 1 - 2 asin(0.5 level) / pi: 0.84 and 0.45.
    n = np.arange(4_800) / 480
    x = np.clip(np.sin(2 * np.pi * n + 0.01), -level, level).astype(np.float32)
    sides = list(loud_halves(x, narrowest=8))
    assert [over for over, _ in sides] == [True, False]
    for _, halves in sides:
        assert halves.tops == pytest.approx(level)
        high = 240 * (1 - 2 * math.asin(0.9 * level) / math.pi)
        expected = high if flat else 0
        assert halves.high == pytest.approx(expected, abs=1)


def test_levels_of_half_waves_against_a_plain_median() -> None:
    x = cut(6)[: RATE // 2].astype(np.float32)
    for over, halves in loud_halves(x, narrowest=8):
        for k, (first, last) in enumerate(
            zip(halves.firsts, halves.lasts, strict=True)
        ):
            part = np.abs(x[first:last])
            assert bool(x[first] >= 0) is over
            close = np.sort(part[part / part.max() > np.float32(0.9)])
            assert halves.levels[k] == pytest.approx(close[len(close) // 2], rel=1e-5)


# ----------------------------------------------------------- too high, not clipped


def test_a_true_peak_over_the_limit() -> None:
    assert house()["peaks.review_dbtp"] == VALUES["limits"]["production_dbtp"]
    x = np.stack([tone(3, peak_dbfs=-14)] * 2)
    x[0, RATE : 2 * RATE] *= 10 ** (13.5 / 20)  # -0.5 dBFS
    (found,) = findings(measure(x))
    assert (found.rule, found.grade, found.channel) == ("sound.peak", Grade.REVIEW, 1)
    assert (found.start, found.end) == (1, 2)
    assert found.worst == pytest.approx(-0.5, abs=0.05)
    assert found.limit == -1.0
    assert found.unit == "dBTP"
    assert found.message == "Channel 1: true peak −0.5 dBTP (limit −1 dBTP)."
    assert found.advice == (
        "Channel 1: turn the recorder's input level down by about 9 dB, so that peaks "
        "reach about −9 dBFS."
    )


@pytest.mark.parametrize(("peak", "count"), [(-1.1, 0), (-0.9, 1)])
def test_the_limit_itself(peak: float, count: int) -> None:
    assert len(findings(measure(faded(tone(1, peak_dbfs=peak), RATE)[None]))) == count


def test_the_advice_reaches_the_target_of_the_house() -> None:
    # Exact: from -0.5 to -18 are 17.5 dB, in whole dB 18.
    x = faded(tone(1, peak_dbfs=-0.5), RATE)[np.newaxis]
    (found,) = findings(measure(x, toml="[peaks]\ntarget_peak_dbfs = -18"))
    assert found.advice.startswith(
        "Channel 1: turn the recorder's input level down by about 18 dB,"
    )


def test_nothing_is_reported_twice() -> None:
    # Loud, at -0.5 dBFS, from 0 to 6 s, clipped only from 3.0 to 3.1 s.
    x = tone(6, hertz=100, peak_dbfs=-0.5)
    x[3 * RATE : 3 * RATE + 4_800] = (4 * x[3 * RATE : 3 * RATE + 4_800]).clip(-1, 1)
    found = sorted(findings(measure(x[np.newaxis])), key=lambda f: f.start)
    rules = [f.rule for f in found]
    assert rules == ["sound.peak", "sound.clipped", "sound.peak"]
    for before, after in itertools.pairwise(found):
        assert before.end <= after.start
        assert after.start - before.end <= Fraction(52, 100)
    assert found[0].start == 0
    assert found[-1].end == 6


def test_each_channel_is_judged_by_itself() -> None:
    quiet = tone(2)
    loud = faded(tone(2, peak_dbfs=-0.5), RATE)
    found = findings(measure(np.stack([quiet, loud]), quiet[None], loud[None]))
    assert [f.channel for f in found] == [2, 4]  # counted over all tracks
    assert found[1].message.startswith("Channel 4: ")


def test_channels_are_called_by_their_names() -> None:
    x = np.stack([tone(2), faded(tone(2, peak_dbfs=-0.5), RATE)])
    named = measure(x, channel_names=("Room", "Surgeon's clip-on"))
    (found,) = findings(named)
    assert found.message.startswith("Channel 2 (Surgeon's clip-on): true peak")
    assert [c["name"] for c in figures(named)["channels"]] == [
        "Room",
        "Surgeon's clip-on",
    ]
    assert [c["name"] for c in figures(measure(x))["channels"]] == ["", ""]


# ------------------------------------------------------------------ dead and silent


def noise(seconds: float, rms_dbfs: float, state: int = 5) -> Sound:
    x = np.random.default_rng(state).standard_normal(round(seconds * RATE))
    return x * 10 ** (rms_dbfs / 20)


@pytest.mark.parametrize("level", [-120.0, -95.0, -75.0])
def test_a_channel_that_carries_nothing(level: float) -> None:
    sound = np.stack([tone(5), noise(5, level)])
    (found,) = findings(measure(sound, cuts=[100, 233]))
    assert (found.rule, found.channel) == ("sound.dead_channel", 2)
    assert found.grade is Grade.REVIEW
    assert (found.start, found.end) == (0, 5)
    assert found.worst == pytest.approx(level, abs=0.1)
    assert (found.limit, found.unit) == (-70.0, "dBFS")
    assert found.message == (
        "Channel 2: no sound in the whole take, while another channel carries sound."
    )
    assert found.advice == (
        "Channel 2: check the microphone (switch, battery), the cable, phantom power "
        "if it needs it, and that the input is switched on. If it is left empty on "
        'purpose, say so in the limits file: unused_channels = ["2"] under [peaks].'
    )


def test_a_quiet_channel_is_not_dead() -> None:
    assert findings(measure(np.stack([tone(5), noise(5, -65)]))) == []


def test_a_take_of_one_channel_has_no_dead_one() -> None:
    (found,) = findings(measure(np.zeros((1, 2 * RATE))))
    assert found.rule == "sound.silent"


def test_dead_and_heard_may_be_different_tracks() -> None:
    # Many mono tracks, as cameras write; one is shorter.
    dead = np.zeros((1, 5 * RATE))
    found = findings(measure(tone(5)[None], dead, tone(4)[None], dead[:, : 4 * RATE]))
    assert [(f.rule, f.channel) for f in found] == [
        ("sound.dead_channel", 2),
        ("sound.dead_channel", 4),
    ]
    assert found[1].end == 4


def with_pause(seconds: float, first: float, last: float) -> Sound:
    x = tone(seconds)
    x[round(first * RATE) : round(last * RATE)] = 0.0
    return x


@pytest.mark.parametrize(
    ("first", "last", "found_s"),
    [(2, 2.8, None), (2, 12.5, (2, 12.5)), (0, 14, (0, 14)), (6, 20, (6, 20))],
)
def test_a_channel_that_goes_dead(
    first: float, last: float, found_s: tuple[float, float] | None
) -> None:
    # From 10 s on, and from 1 s on where it is cut off (house choices).
    found = findings(measure(np.stack([with_pause(20, first, last), tone(20)])))
    if found_s is None:
        assert found == []
        return
    (one,) = found
    assert (float(one.start), float(one.end)) == found_s
    assert one.message == (
        f"Channel 1: no sound for {found_s[1] - found_s[0]:.1f} s, while another "
        "channel carries sound."
    )


def test_a_click_does_not_bring_a_channel_to_life() -> None:
    dead = np.zeros(5 * RATE)
    dead[2 * RATE : 2 * RATE + 4_800] = 0.1
    (found,) = findings(measure(np.stack([tone(5), dead])))
    assert (found.rule, found.start, found.end) == ("sound.dead_channel", 0, 5)


def test_short_sounds_again_and_again_are_no_silence() -> None:
    # 0.1 s of tone in every 0.5 s, e.g. a pulse monitor in an otherwise mute room.
    x = np.tile(np.concatenate([tone(0.1), np.zeros(round(0.4 * RATE))]), 10)
    assert findings(measure(x[np.newaxis])) == []
    assert findings(measure(np.stack([x, tone(5)]))) == []


def test_a_slammed_door_is_no_sound_of_the_take() -> None:
    # The other channel is only noise, but for a tenth of a second.
    other = noise(10, -60)
    other[RATE : RATE + 4_800] = 0.1
    assert findings(measure(np.stack([other, np.zeros(10 * RATE)]))) == []


def test_the_effects_channel_may_be_empty() -> None:
    five_one = np.stack([tone(3)] * 3 + [np.zeros(3 * RATE)] + [tone(3)] * 2)
    assert findings(measure(five_one, layout="5.1(side)")) == []
    (found,) = findings(measure(five_one, layout="6 channels, layout not marked"))
    assert (found.rule, found.channel) == ("sound.dead_channel", 4)


@pytest.mark.parametrize(
    ("layout", "index"),
    [("2.1", 2), ("3.1", 3), ("5.1", 3), ("5.1(side)", 3), ("7.1", 3), ("stereo", None),
     ("quad", None), ("5.0", None), ("6 channels, layout not marked", None)],
)  # fmt: skip
def test_where_the_effects_channel_is(layout: str, index: int | None) -> None:
    # Second opinion: FFmpeg's own table of layouts.
    assert lfe_index(layout) == index
    if "marked" not in layout:
        names = [c.name for c in av.AudioLayout(layout).channels]
        assert (names.index("LFE") if "LFE" in names else None) == index


@pytest.mark.parametrize("name", ["2", "spare"])
def test_channels_may_be_left_empty_on_purpose(name: str) -> None:
    sound = np.stack([tone(5), np.zeros(5 * RATE)])
    names = ("surgeon", "spare")
    toml = f'[peaks]\nunused_channels = ["{name}"]'
    assert findings(measure(sound, toml=toml, channel_names=names)) == []
    (found,) = findings(measure(sound, channel_names=names))
    assert found.message.startswith("Channel 2 (spare): no sound")


def test_a_silent_take_is_said_once() -> None:
    # Nobody is heard, so no channel is the dead one.
    silent = np.zeros((2, 5 * RATE))
    (found,) = findings(measure(silent, silent[:1]))
    assert (found.rule, found.grade, found.channel) == (
        "sound.silent",
        Grade.REVIEW,
        None,
    )
    assert (found.start, found.end) == (0, 5)
    assert found.message == "No sound on any channel in the whole take."
    assert found.advice == (
        "Check that a microphone is connected and powered, and that the inputs are "
        "switched on and turned up."
    )


@pytest.mark.parametrize(("seconds", "count"), [(29, 0), (31, 1)])
def test_a_long_silence_on_all_channels(seconds: int, count: int) -> None:
    # From 30 s on (house choice); at 8 kHz, to be quick.
    x = tone(40, rate=8_000)
    # Noise of a microphone far under any sound, about -86 dBFS.
    hiss = np.random.default_rng(3).normal(0.0, 5e-5, seconds * 8_000)
    x[5 * 8_000 : (5 + seconds) * 8_000] = hiss
    found = findings(measure(np.stack([x, x]), rate=8_000))
    assert [f.rule for f in found] == ["sound.silent"] * count
    for one in found:
        assert (one.start, one.end) == (5, 5 + seconds)
        assert one.message == f"No sound on any channel for {seconds}.0 s."


@pytest.mark.parametrize(
    ("begin", "end", "count"),
    [
        (5, 5.01, 0),
        (5, 5.05, 1),
        (5, 7, 1),
        (5, 9, 1),
        (5, 12, 1),
        (11.5, 12, 0),
        (10.9, 12, 1),
    ],
)
def test_sound_that_is_cut_off(begin: float, end: float, count: int) -> None:
    # Nothing but zeros from 0.02 s on, up to the take's end from 1 s on (house choice).
    x = tone(12, rate=8_000)
    x[round(begin * 8_000) : round(end * 8_000)] = 0.0
    found = findings(measure(np.stack([x, x]), rate=8_000))
    assert [f.rule for f in found] == ["sound.silent"] * count
    for one in found:
        assert (float(one.start), float(one.end)) == (begin, end)
        assert "cut off" in one.message


def test_missing_sound_neither_ends_nor_makes_a_silence() -> None:
    # 5 s, of which 2 s are missing between blocks: still dead in the whole take.
    heard, dead = tone(5)[None], np.zeros((1, 5 * RATE))
    track = track_of(dead, first_channel=2, number=1)
    kept = [b for b in blocks_of(track, dead, [100, 300]) if b.first_row != 100]
    kept[1] = replace(kept[1], gap_before=True)
    one = track_of(heard)
    (found,) = findings(measure_blocks([(one, blocks_of(one, heard)), (track, kept)]))
    assert (found.rule, found.start, found.end) == ("sound.dead_channel", 0, 5)
    assert (
        silences(
            np.zeros(4, bool),
            np.zeros(4, bool),
            min_rows=1,
            bridge_rows=1,
            whole_share=1,
        )
        == []
    )


# ------------------------------------------------------------------------ only noise


@pytest.mark.parametrize("level", [-65.0, -55.0, -48.0])
def test_a_channel_that_carries_only_noise(level: float) -> None:
    talk = rendered_speech(12, number=2)
    (found,) = findings(measure(np.stack([talk, noise(12, level)])))
    assert (found.rule, found.channel) == ("sound.dead_channel", 2)
    assert (found.start, found.end) == (0, 12)
    assert found.worst == pytest.approx(level, abs=0.3)
    assert found.message == (
        f"Channel 2: carries only noise (−{-level:.0f} dBFS) in the whole take, while "
        "another channel carries sound."
    )
    assert "no microphone is heard" in found.advice


def test_faint_speech_loud_noise_and_steady_neighbours_are_not_only_noise() -> None:
    talk = rendered_speech(12, number=2)
    room = 0.02 * talk + noise(12, -62)  # the same voice, 34 dB down
    assert findings(measure(np.stack([talk, room]))) == []
    assert findings(measure(np.stack([talk, noise(12, -30)]))) == []  # may be meant
    assert findings(measure(np.stack([noise(12, -25), noise(12, -55)]))) == []


def test_music_tells_a_channel_of_noise_as_speech_does() -> None:
    # It swings by less than speech: here by 6 dB, twice a second.
    n = np.arange(12 * RATE) / RATE
    music = tone(12) * 10 ** (3 * np.sin(4 * np.pi * n) / 20)
    (found,) = findings(measure(np.stack([music, noise(12, -55)])))
    assert (found.rule, found.channel) == ("sound.dead_channel", 2)
    # 18 dB under it, it may be a microphone that stands off.
    assert findings(measure(np.stack([0.1 * music, noise(12, -55)]))) == []


def test_a_microphone_that_falls_out() -> None:
    talk, other = rendered_speech(40, number=2), rendered_speech(40, number=3)
    other[20 * RATE :] = noise(20, -60)
    (found,) = findings(measure(np.stack([talk, other])))
    assert found.channel == 2
    assert float(found.start) == pytest.approx(20, abs=10)
    assert found.end == 40


# ----------------------------------------------------------------------------- names


def test_the_limits_name_the_channels() -> None:
    toml = '[peaks]\nchannel_names = ["surgeon", "room"]'
    (found,) = findings(measure(np.stack([tone(5), np.zeros(5 * RATE)]), toml=toml))
    assert found.message.startswith("Channel 2 (room): no sound in the whole take")
    # The file's own names come first.
    x = np.stack([tone(5), np.zeros(5 * RATE)])
    (found,) = findings(measure(x, toml=toml, channel_names=("", "boom")))
    assert found.message.startswith("Channel 2 (boom): ")
    unused = toml + '\nunused_channels = ["room"]'
    assert findings(measure(x, toml=unused)) == []


def test_a_name_that_no_channel_has_is_noted() -> None:
    def notes(unused: str, house: str = "", own: tuple[str, ...] = ()) -> list[str]:
        toml = f"[peaks]\nchannel_names = [{house}]\nunused_channels = [{unused}]"
        measured = measure(np.stack([tone(5)] * 2), toml=toml, channel_names=own)
        assert MEASURE.notes is not None
        return list(MEASURE.notes(measured))

    (note,) = notes('"rom", "2"')
    assert note.startswith('No channel of this take is called "rom": unused_channels ')
    assert "under [peaks]" in note
    assert notes('"rom"', own=("surgeon", "rom")) == []
    # Channels that only other takes of the house have are no mistake.
    assert notes('"rom", "9"', '"surgeon", "room", "rom"') == []
    # Where the recording's own name counts, the limits' name is nobody's.
    assert len(notes('"room"', '"surgeon", "room"', ("x", "y"))) == 1


def test_names_for_the_report() -> None:
    limits = house('[peaks]\nchannel_names = ["surgeon", "room"]')
    one, two = np.zeros((1, 1)), np.zeros((2, 1))
    tracks = track_of(one), track_of(two, first_channel=2, channel_names=("", "X"))
    named = with_names(info_of(*tracks), limits)
    assert [t.channel_names for t in named.audio] == [("surgeon",), ("room", "X")]
    assert with_names(info_of(tracks[0]), house()).audio == (tracks[0],)


def test_a_named_channel_that_is_not_in_the_take() -> None:
    toml = '[peaks]\nchannel_names = ["surgeon", "room"]'
    (found,) = findings(measure(tone(2)[None], toml=toml))
    assert (found.rule, found.grade) == ("sound.dead_channel", Grade.REVIEW)
    assert found.message == (
        "Channel 2 (room) is not in this take: it has 1 channel, 2 are expected."
    )
    assert findings(measure(tone(2)[None], tone(2)[None], toml=toml)) == []


# ------------------------------------------------------------------ what it declares


def test_clean_sound_has_no_finding() -> None:
    for sound in (tone(5)[None], np.stack([tone(5)] * 2), np.stack([tone(5)] * 6)):
        assert findings(measure(sound)) == []


def test_figures_of_a_take() -> None:
    measured = measure(np.stack([tone(1), tone(1, peak_dbfs=-20)]), tone(1)[None])
    got = figures(measured)
    assert set(got) == {
        "true_peak_dbtp", "sample_peak_dbfs", "clipped_samples", "channels"
    }  # fmt: skip
    assert [(c["channel"], c["track"]) for c in got["channels"]] == [
        (1, 0),
        (2, 0),
        (3, 1),
    ]
    assert [round(c["true_peak_dbtp"]) for c in got["channels"]] == [-12, -20, -12]
    assert all(
        type(v) in (int, float, str) for c in got["channels"] for v in c.values()
    )


def test_a_take_without_sound_has_no_figures_and_no_findings() -> None:
    nothing = Measured(info_of(), house(), None, (), {})
    assert figures(nothing) == {}
    assert findings(nothing) == []


def test_the_reader_gives_the_columns_that_are_declared() -> None:
    track = track_of(np.zeros((2, 1)))
    (block,) = blocks_of(track, np.zeros((2, 4_800)))
    values = MEASURE.start(Setup(info_of(track), house()), track).read(block)
    assert set(values) == {c.name for c in MEASURE.columns}
    assert {np.shape(v) for v in values.values()} == {(10, 2)}
    for chart in MEASURE.charts:
        assert set(chart.columns) <= set(values)
        assert set(chart.limits) <= {o.key for o in MEASURE.options}


def test_every_rule_that_is_reported_has_a_name() -> None:
    assert set(MEASURE.rule_labels) == {
        "sound.clipped", "sound.peak", "sound.dead_channel", "sound.silent"
    }  # fmt: skip
