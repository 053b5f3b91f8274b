"""Drop-outs and clicks: faults of known place in rendered speech, and what is none.

Places and lengths are exact by construction. Second opinions: `numpy.diff` for the
third difference, a plain Python search for samples that stand still.
"""

from __future__ import annotations

import itertools
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from qc.measures import dropout, hum, peaks, phase
from qc.measures.base import Measured, Setup
from qc.measures.parts.sound.lossyholes import fullness, soft_holes
from qc.measures.parts.sound.soundbreaks import cell_samples, quantum, roughness, stuck
from qc.measures.parts.sound.soundlines import totals_of
from qc.measures.parts.sound.soundpieces import CellSums, Pieces
from qc.measures.parts.sound.soundrepeats import RepeatFinder
from qc.records import Finding, Grade
from tests.bench import soundfaults
from tests.sounds import (
    RATE,
    Sound,
    as_pcm,
    blocks_of,
    figures,
    findings,
    measure,
    measure_blocks,
    speech,
    tone,
    track_of,
    with_gap_before,
)

M = dropout.MEASURE


def found(*sounds: Sound, **more: object) -> list[Finding]:
    return findings(measure([M], *sounds, **more), M)  # type: ignore[arg-type]


def talk(seconds: float = 4.0, number: int = 3, rate: int = RATE) -> Sound:
    return as_pcm(speech(seconds, number=number, rate=rate, pauses=False))


def loud_at(x: Sound, after: float, rate: int = RATE) -> int:
    """Return a sample behind `after` seconds with sound before and after it."""
    level = np.sqrt(np.convolve(np.square(x), np.ones(960) / 960, "same"))
    at = int(after * rate)
    while min(level[at - 480], level[at + 480], level[at + 1440]) < 0.05:
        at += 48
    return at


# ------------------------------------------------------------------------ what is none


@pytest.mark.parametrize("rate", [8_000, 44_100, 48_000, 96_000])
def test_clean_speech_has_no_break(rate: int) -> None:
    for number in range(2):
        assert found(as_pcm(speech(4, number=number, rate=rate))[None], rate=rate) == []


def test_noise_tones_and_silence_have_no_break() -> None:
    rng = np.random.default_rng(2)
    n = 4 * RATE
    assert found(as_pcm(0.1 * rng.standard_normal((2, n)))) == []
    assert found(as_pcm(tone(4, hertz=1000))[None]) == []
    assert found(np.zeros((2, n))) == []
    assert found(as_pcm(1e-4 * rng.standard_normal((1, n)))) == []


@pytest.mark.parametrize("decay_ms", [2, 5, 30, 100])
@pytest.mark.parametrize("band", [(300, 3000), (2000, 15000)])
def test_claps_plosives_and_instruments_are_no_clicks(
    decay_ms: float, band: tuple[int, int]
) -> None:
    # They begin as suddenly as a click but ring on.
    rng = np.random.default_rng(5)
    x = 10 ** (-60 / 20) * rng.standard_normal(4 * RATE)
    sos = signal.butter(2, band, "band", fs=RATE, output="sos")
    n = np.arange(RATE // 2)
    for at in (0.7, 1.4, 2.6):
        burst = signal.sosfilt(sos, rng.standard_normal(len(n)))
        burst *= np.exp(-n / (decay_ms * RATE / 1000)) * 0.5 / np.abs(burst).max()
        x[int(at * RATE) :][: len(n)] += burst
    assert found(as_pcm(x)[None]) == []


@pytest.mark.parametrize("part", [slice(0, 1024), slice(-700, None)])
def test_where_a_take_begins_or_ends_there_is_nothing_to_join(part: slice) -> None:
    # Zeros of a coder's delay, then a microphone whose zero lies elsewhere.
    x = 10 ** (-50 / 20) * np.random.default_rng(4).standard_normal(2 * RATE) - 0.1
    x[part] = 0.0
    measured = measure([peaks.MEASURE, M], as_pcm(x)[None])
    assert findings(measured, M) == []
    # Zeros as long in the middle are told.
    x[RATE : RATE + 1024] = 0.0
    measured = measure([peaks.MEASURE, M], as_pcm(x)[None])
    assert [f.rule for f in findings(measured, M)] == ["sound.dropout"]


def test_pulses_of_a_creaky_voice_are_no_clicks() -> None:
    # Sharp pulses 18 ms apart, evenly.
    x = 10 ** (-65 / 20) * np.random.default_rng(1).standard_normal(2 * RATE)
    x[RATE : RATE + RATE // 3 : 864] += 0.2
    assert found(as_pcm(x)[None]) == []


def test_coarse_steps_are_no_stuck_samples() -> None:
    assert found(as_pcm(0.3 * talk(), 8)[None], codec="pcm_u8") == []


def test_a_pause_that_fades_is_no_gap() -> None:
    x = talk()
    fade = np.linspace(1, 0, 960)
    x[RATE : RATE + 960] *= fade
    x[RATE + 960 : RATE + 4800] = 0.0
    x[RATE + 4800 : RATE + 5760] *= fade[::-1]
    assert found(as_pcm(x)[None]) == []


# ---------------------------------------------------------------------------- gaps


@pytest.mark.parametrize(
    ("seconds", "count"), [(0.0005, 0), (0.002, 1), (0.05, 1), (1.7, 1), (3.3, 0)]
)
def test_missing_samples(seconds: float, count: int) -> None:
    # From 1 ms up to 3 s (house choices); beyond it is a mute switch or silence.
    x = talk(8)
    at = loud_at(x, 1.5)
    end = at + round(seconds * RATE)
    end = loud_at(x, end / RATE) if seconds > 0.1 else end
    x[at:end] = 0.0
    got = [f for f in found(x[None]) if f.unit == "ms"]
    assert len(got) == count
    for one in got:
        assert (one.rule, one.grade, one.channel) == ("sound.dropout", Grade.REVIEW, 1)
        assert one.start == pytest.approx(at / RATE, abs=0.011)
        assert one.end == pytest.approx(end / RATE, abs=0.011)
        assert one.worst == pytest.approx(1000 * (end - at) / RATE, abs=0.2)


def test_what_a_gap_says() -> None:
    x = np.stack([talk(), talk(number=4)])
    at = loud_at(x[1], 2.0)
    x[1, at : at + 960] = 0.0
    (one,) = found(x)
    assert one.message == (
        "Channel 2: no signal at all for 20 ms in the middle of sound."
    )
    assert one.advice.startswith("Channel 2: move plugs and cables one by one")


@pytest.mark.parametrize("at", [RATE - 300, RATE - 48, RATE, RATE + 2, 2 * RATE - 1000])
def test_gaps_over_the_border_of_a_piece(at: int) -> None:
    x = as_pcm(0.1 * np.random.default_rng(4).standard_normal(3 * RATE))
    x[at : at + 600] = 0.0
    (one,) = found(x[None])
    assert one.worst == pytest.approx(12.5, abs=0.1)


def test_samples_that_stand_still() -> None:
    x = talk()
    at = loud_at(x, 1.0)
    while abs(x[at]) > 0.02 or x[at] == 0:
        at += 1
    x[at : at + 480] = x[at]
    (one,) = found(x[None])
    assert "stands still for 10 ms" in one.message
    assert "clock" in one.advice


def test_channels_that_break_together_are_one_finding() -> None:
    x = as_pcm(np.stack([talk(), 0.7 * talk()]))
    x[:, loud_at(x[0], 1.5) :][:, :960] = 0.0
    (one,) = found(x)
    assert one.message.startswith("Channels 1 and 2: no signal at all for 20 ms")
    assert one.channel is None


# -------------------------------------------------------------------------- repeats


@pytest.mark.parametrize("length", [288, 1024, 4096])
@pytest.mark.parametrize("copies", [1, 2])
def test_a_block_that_comes_again(length: int, copies: int) -> None:
    x = talk()
    at = loud_at(x, 1.5)
    for k in range(1, copies + 1):
        x[at + k * length : at + (k + 1) * length] = x[at : at + length]
    got = [f for f in found(x[None]) if "repeated" in f.message]
    assert len(got) == 1
    assert got[0].worst == pytest.approx(1000 * copies * length / RATE, abs=0.2)
    assert "clock" in got[0].advice


def test_generated_tones_repeat_by_nature() -> None:
    for hertz in (100, 440, 1000, 997):
        x = np.zeros(3 * RATE)
        x[RATE : 2 * RATE] = tone(1, hertz=hertz)
        finder = RepeatFinder(shortest=240, longest=4800)
        line = as_pcm(x).astype(np.float32)
        assert list(finder.feed(line, 0, 0, len(line))) == []


# ------------------------------------------------------------------- clicks and jumps


@pytest.mark.parametrize("height_db", [-14, -26])
def test_a_click(height_db: float) -> None:
    x = talk()
    at = 2 * RATE + 777
    x[at] += 10 ** (height_db / 20)
    (one,) = found(as_pcm(x)[None])
    assert one.grade is Grade.NOTE  # one alone
    assert one.start <= at / RATE < one.end
    # One sample goes up by the height, which is half as much of a scale of 2; the
    # voice itself moves by less than a tenth of it meanwhile.
    percent = 50 * 10 ** (height_db / 20)
    assert one.unit == "%"
    assert one.worst == pytest.approx(percent, rel=0.15)
    assert one.message.startswith(f"Channel 1: a click, {one.worst:.2g} % of the whole")


@pytest.mark.parametrize(
    ("up", "down", "grade"),
    [(0.9, -0.8, Grade.REVIEW), (0.55, -0.55, Grade.REVIEW), (0.45, -0.45, Grade.NOTE)],
)
def test_how_far_a_click_goes(up: float, down: float, grade: Grade) -> None:
    # Review from half of the scale on (house choice): 0.9 to -0.8 are 85 % of 2.
    x = talk()
    at = 2 * RATE + 777
    x[at : at + 2] = up, down
    (one,) = found(as_pcm(x)[None])
    assert one.worst == pytest.approx(50 * (up - down), abs=0.01)
    assert one.grade is grade
    assert "dBFS" not in one.message
    (one,) = found(as_pcm(x)[None], toml="[dropout]\nclick_review_percent = 90")
    assert one.grade is Grade.NOTE


@pytest.mark.parametrize("rate", [16_000, 22_050, 44_100])
@pytest.mark.parametrize("width", [1, 2, 3])
def test_clicks_of_some_samples_at_any_rate(rate: int, width: int) -> None:
    x = 0.01 * np.random.default_rng(2).standard_normal(3 * rate)
    x[rate : rate + width] += 0.25
    (one,) = found(as_pcm(x)[None], rate=rate)
    assert one.start <= 1 < one.end


def test_corners_of_clipped_sound_are_no_jumps() -> None:
    # Half a period left out of a tone that is cut off 12 dB over full scale: the sound
    # is clipped, and said to be. Before that, where nothing is clipped, a jump is told.
    x = tone(4, hertz=200, peak_dbfs=-12)
    x[2 * RATE :] *= 16
    parts = x[: RATE + 60], x[RATE + 180 : 3 * RATE + 60], x[3 * RATE + 180 :]
    x = np.concatenate(parts)
    x = as_pcm(x.clip(-1, 1))[None]
    both = [peaks.MEASURE, M]
    told = [f for f in findings(measure(both, x), *both) if f.rule == "sound.dropout"]
    assert [float(f.start) for f in told] == [pytest.approx(1, abs=0.02)]
    assert all(float(f.end) < 1.1 for f in told)
    # Cut off first and turned down afterwards it is clipped as well.
    told = [
        f for f in findings(measure(both, x / 2), *both) if f.rule == "sound.dropout"
    ]
    assert len(told) == 1
    assert float(told[0].end) < 1.1


@pytest.mark.parametrize(("low", "high"), [(-0.5, 0.5), (-0.95, 0.6), (-0.4, 0.9)])
def test_what_is_clipped_neither_stands_still_nor_falls_away(
    low: float, high: float
) -> None:
    # 16 dB over: tops of some milliseconds, on the lower side of zero as well.
    x = as_pcm((6.0 * speech(6, number=3)).clip(low, high))[None]
    tops = max(len(list(run)) for _, run in itertools.groupby(x[0] == x[0].max()))
    assert tops > 2 * RATE // 1000
    both = [peaks.MEASURE, M]
    assert {f.rule for f in findings(measure(both, x), *both)} == {"sound.clipped"}
    breaks = totals_of(measure([M], x), "dropout")[0]["breaks"]
    assert {b[1] for b in breaks} <= {"click", "jump"}


@pytest.mark.parametrize("share", [0.0, 0.5, 0.9])
def test_a_stretch_that_stands_under_the_tops_is_still_told(share: float) -> None:
    x = (6.0 * speech(6, number=3)).clip(-0.95, 0.6)
    x[2 * RATE : 2 * RATE + 480] = 0.6 * share
    both = [peaks.MEASURE, M]
    told = findings(measure(both, as_pcm(x)[None]), *both)
    (one,) = (f for f in told if f.rule == "sound.dropout")
    assert float(one.start) == pytest.approx(2.0, abs=0.011)


def test_a_few_clicks_in_clipped_sound_are_not_told_beside_it() -> None:
    x = 12.0 * speech(6, number=3)
    clicks = [2 * RATE, 3 * RATE]
    # The sound fades around them: what falls away at once would be told as a hole.
    fade = 10.0 ** (-2.7 * (1 - np.abs(np.linspace(-1, 1, 14_401))))
    for at in clicks:
        x[at - 7_200 : at + 7_201] *= fade
        x[at] += 0.4
    x = as_pcm(x.clip(-0.9, 0.9))[None]
    both = [peaks.MEASURE, M]
    told = findings(measure(both, x), *both)
    assert [f.rule for f in told] == ["sound.clipped"]
    # Without the measure of peaks nothing else tells them.
    assert sum(f.rule == "sound.dropout" for f in found(x)) > 0


def test_missing_sound_that_is_told_as_damage_is_not_told_again() -> None:
    x = talk()[None]
    track = track_of(x)
    blocks = with_gap_before(blocks_of(track, x, [100, 200, 230, 300]), 3)
    both = [peaks.MEASURE, M]
    # Samples are missing, but no row is empty: told here.
    (one,) = findings(measure_blocks(both, [(track, blocks)]), M)
    assert "samples are missing" in one.message
    # Rows 200 to 230 are empty: told as damage of the file.
    nothing = np.zeros((1, 0), np.float32)
    edges = np.zeros(31, np.int64)
    blocks[2] = replace(blocks[2], samples=nothing, row_edges=edges)
    measured = measure_blocks(both, [(track, blocks)])
    assert np.isnan(measured.sound[0]["peaks.sample_peak_dbfs"][200:230]).all()
    assert findings(measured, M) == []


def test_many_clicks_are_for_review() -> None:
    x = talk()
    x[RATE : 3 * RATE : 19_391] += 0.2
    (one,) = found(as_pcm(x)[None])
    assert one.grade is Grade.REVIEW
    assert one.message.startswith(
        "Channel 1: 5 clicks within 1.6 s; the worst: a click"
    )


def test_pieces_that_do_not_join() -> None:
    x = tone(3, hertz=200, peak_dbfs=-12)
    x = np.concatenate([x[:48_060], x[48_060 + 120 :]])  # half a period left out
    (one,) = found(as_pcm(x)[None])
    assert "two pieces that do not join" in one.message


# ------------------------------------------------------------- blocks, gaps, damage


@given(st.lists(st.integers(1, 399), max_size=6))
@settings(max_examples=8, deadline=None)
def test_cutting_into_blocks_changes_nothing(cuts: list[int]) -> None:
    x = _FAULTY[None]
    ours = (M, phase.MEASURE, hum.MEASURE, peaks.MEASURE)
    one, other = (measure(ours, np.concatenate([x, -x]), cuts=c) for c in ((), cuts))
    assert findings(one, *ours) == findings(other, *ours)
    assert len(findings(one, M)) == 2
    for name, column in one.sound[0].columns.items():  # type: ignore[attr-defined]
        np.testing.assert_array_equal(column, other.sound[0][name], err_msg=name)
    assert repr(figures(one, M)) == repr(figures(other, M))


def _faulty() -> Sound:
    x = talk()
    at = loud_at(x, 0.9)
    x[at : at + 700] = 0.0
    x[3 * RATE + 5] += 0.3
    return as_pcm(x)


_FAULTY = _faulty()


def test_a_gap_of_the_files_clock_is_told() -> None:
    track = track_of(np.zeros((1, 0)))
    blocks = with_gap_before(blocks_of(track, talk()[None], range(0, 400, 100)), 2)
    got = findings(measure_blocks([M], [(track, blocks)]), M)
    (one,) = (f for f in got if "own clock" in f.message)
    assert (float(one.start), one.grade) == (1.99, Grade.REVIEW)
    blocks = with_gap_before(blocks, 3)
    got = findings(measure_blocks([M], [(track, blocks)]), M)
    (one,) = (f for f in got if "own clock, 2 times" in f.message)
    assert (float(one.start), float(one.end)) == (1.99, 3.01)


def test_samples_that_are_no_numbers_are_left_out() -> None:
    x = talk()[None].copy()
    x[0, RATE] = np.nan
    assert found(x) == []


def test_nothing_to_measure() -> None:
    nothing = measure([M], np.zeros((1, 3)))
    assert findings(nothing, M) == []
    empty = Measured(nothing.info, nothing.limits, None, (), {})
    assert (findings(empty, M), figures(empty, M)) == ([], {})


def test_short_gaps_are_found_in_lossy_sound_and_nothing_else() -> None:
    # Places by construction: 8 ms of zeros, where speech is loud.
    x = talk(6, number=21)
    level = np.sqrt(np.convolve(x**2, np.ones(960) / 960, "same"))
    places = [
        int(level[a : a + RATE].argmax()) + a for a in range(RATE, 5 * RATE, RATE)
    ]
    faulty = x.copy()
    for at in places:
        faulty[at : at + 384] = 0.0
    both = [
        measure([M], soundfaults.through_aac(np.stack([y, y]), RATE), codec="aac")
        for y in (x, faulty)
    ]
    assert findings(both[0], M) == []
    told = findings(both[1], M)
    for at in places:
        assert any(f.start - 0.02 <= at / RATE <= f.end + 0.02 for f in told)
    assert all("falls away" in f.message for f in told)


def test_level_and_first_difference_of_cells_are_exact() -> None:
    # A square of 2 samples a half: RMS 0.5; every other step is 1: RMS sqrt(1/2).
    x = np.tile(np.array([0.5, 0.5, -0.5, -0.5], np.float32), 30)[:97]
    level, full = fullness(x, 8)
    np.testing.assert_allclose(level, 0.5, rtol=1e-6)
    np.testing.assert_allclose(full, np.sqrt(0.5 * np.sqrt(0.5)), rtol=1e-6)


def test_a_creaking_voice_is_no_row_of_holes() -> None:
    # Bursts every 30 ms with next to nothing between them; then one gap alone.
    n = np.arange(2_000)
    x = np.random.default_rng(8).standard_normal(2_000 * 16).astype(np.float32) * 0.1
    creak = np.repeat((n % 30 >= 10) | (n >= 1_000), 16)
    alone = np.repeat(~((n >= 1_500) & (n < 1_506)), 16)
    x *= np.where(creak & alone, 1.0, 1e-4).astype(np.float32)
    told = list(soft_holes(x, 16, longest=100))
    assert [first for first, _ in told if first > 1_100] == [1_500]
    assert [first for first, _ in told if 60 < first < 930] == []


@pytest.mark.parametrize(
    ("length", "times", "told"),
    # Between two pulses of a throat 1 or 2 ms; a closure of the mouth falls 10 times.
    [(2, 1e4, False), (3, 1e4, True), (5, 1e4, True), (40, 8, False), (40, 30, True)],
)
def test_which_holes_are_told_in_lossy_sound(
    length: int, times: float, told: bool
) -> None:
    # Noise in cells of 1 ms, divided by `times` in `length` of them: exact.
    x = np.random.default_rng(5).standard_normal((500, 48)).astype(np.float32) * 0.1
    x[250 : 250 + length] /= np.float32(times)
    found = list(soft_holes(x.ravel(), 48, longest=100))
    assert bool(found) is told
    for first, last in found:
        assert (first, last) == (250, 250 + length)


@pytest.mark.parametrize("share", [0.30, 0.33])
def test_a_step_is_told_beside_sound_a_third_as_rough(share: float) -> None:
    # Third difference of a step of 1: 1, -2, 1; of a sample of 1: up to 3. Exact.
    x = 0.001 * np.random.default_rng(3).standard_normal(RATE)
    x[RATE // 2 :] += 0.1
    x[RATE // 2 + 200] += 0.2 * share / 3
    (found,) = findings(measure([M], x[None], codec="pcm_f32le"), M)
    assert "jump" in found.message
    assert found.start <= 0.5 < found.end


def test_long_gaps_are_found_in_lossy_sound() -> None:
    x = talk()
    at = loud_at(x, 1.5)
    x[at : at + 2400] = 0.0
    coded = soundfaults.through_aac(np.stack([x, x]), RATE)
    measured = measure([M], coded, codec="aac")
    assert any("no signal at all" in f.message or "falls away" in f.message
               for f in findings(measured, M))  # fmt: skip
    assert M.notes is not None


# ------------------------------------------------------------------- the parts of it


def test_the_third_difference() -> None:
    x = np.random.default_rng(0).standard_normal(960).astype(np.float32)
    rough = roughness(x, 48)
    expected = np.abs(np.diff(x, n=3))
    np.testing.assert_allclose(rough.size, expected, atol=1e-5)
    cells = expected[: 19 * 48].reshape(19, 48)
    np.testing.assert_allclose(rough.mean, cells.mean(axis=1), rtol=1e-5)
    np.testing.assert_allclose(rough.highest, cells.max(axis=1), rtol=1e-5)


@given(st.lists(st.tuples(st.integers(0, 3), st.integers(1, 40)), max_size=30))
@settings(max_examples=60, deadline=None)
def test_stuck_samples_against_a_plain_search(parts: list[tuple[int, int]]) -> None:
    line = np.repeat([p[0] / 4 for p in parts], [p[1] for p in parts])
    line = np.concatenate([[9.0], line, [9.0]]).astype(np.float32)  # 9: no flat top
    expected, at = [], 0
    while at < len(line):
        end = at
        while end < len(line) and line[end] == line[at]:
            end += 1
        if end - at >= 12:
            expected.append((at, end))
        at = end
    got = [(b.first, b.last) for b, _, _ in stuck(line, 48, shortest=12, edge_level=0)]
    flat = [s for s in expected if s not in got]
    assert [s for s in expected if s in got] == got
    # What is left out stands as high as all around it: a flat top.
    for first, last in flat:
        around = np.concatenate([line[max(first - 960, 0) : first], line[last:][:960]])
        assert abs(line[first]) > 0.8 * np.abs(around).max()


def test_pieces_and_cells_hold_every_sample_once() -> None:
    x = np.arange(1000, dtype=np.float32)[None]
    track = track_of(x, 1000)
    for cuts in ((), (7, 33, 34, 90)):
        pieces = Pieces(1, length=300, before=20, after=50)
        cells = CellSums(1, 7)
        seen, sums = [], []
        for block in blocks_of(track, x, cuts):
            # Copied: a piece's samples are there until the next is asked for.
            seen += [p.samples[0, p.first : p.last].copy() for p in pieces.feed(block)]
            sums.append(cells.feed(block.samples, block.row_edges)[0])
        seen += [p.samples[0, p.first : p.last].copy() for p in pieces.end()]
        np.testing.assert_array_equal(np.concatenate(seen), x[0])
        means = x[0, :994].reshape(-1, 7).mean(axis=1)
        np.testing.assert_allclose(np.concatenate(sums, axis=1)[0], means, rtol=1e-6)


def test_the_step_of_quantised_sound() -> None:
    assert quantum(as_pcm(talk(1), 8).astype(np.float32)) == 2.0**-7
    assert cell_samples(44_100) == 44


def test_most_faults_are_found_and_nothing_else(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # The project's own goal: 95 % of audible faults, at most 0.2 false alarms a minute.
    monkeypatch.setattr(soundfaults, "FOLDER", Path("nowhere"))
    rows = soundfaults.table(3, rules=["sound.dropout"])
    told = {r.fault: r for r in rows}
    assert set(told) >= {"zeros 1.5 to 10 ms", "block repeated", "click -12 dBFS"}
    assert sum(r.found for r in rows) >= 0.95 * sum(r.put for r in rows)
    assert all(r.false_alarms == 0 for r in rows)


def test_the_reader_gives_the_columns_that_are_declared() -> None:
    track = track_of(np.zeros((2, 1)))
    (block,) = blocks_of(track, np.zeros((2, 4_800)))
    measured = measure([M], np.zeros((2, 10)))
    reader = M.start(Setup(measured.info, measured.limits), track)
    assert set(reader.read(replace(block))) == {c.name for c in M.columns}  # type: ignore[arg-type]


@pytest.mark.parametrize("square", [False, True])
def test_a_tone_that_is_keyed_hard_is_no_click(square: bool) -> None:
    # Ten beeps that end in the middle of a period, in the noise of a room.
    n = np.arange(8 * RATE)
    at = n / RATE % 0.8
    wave = np.sin(2 * np.pi * 960 * at)
    beeps = 0.08 * (np.sign(wave) if square else wave) * (at < 0.1011)
    noise = 10 ** (-60 / 20) * np.random.default_rng(6).standard_normal(len(n))
    assert found(as_pcm(beeps + noise)[None]) == []


def test_a_jump_within_a_tone_is_told() -> None:
    # Half a period is left out of a steady tone: both sides go on.
    x = tone(4.0, hertz=437.0)
    x = np.concatenate([x[: 2 * RATE], x[2 * RATE + 55 :]])
    (one,) = found(as_pcm(x)[None])
    assert float(one.start) == pytest.approx(2.0, abs=0.011)


def test_a_sample_held_into_a_pause_is_told() -> None:
    # The last sample of a word stands still for 0.15 s, then the pause's noise is back.
    rng = np.random.default_rng(11)
    x = 0.0005 * rng.standard_normal(5 * RATE)
    word = slice(1 * RATE, 2 * RATE)
    x[word] += 0.2 * np.sin(2 * np.pi * 180 * np.arange(RATE) / RATE)
    x[2 * RATE - 66 : 2 * RATE - 66 + 7200] = x[2 * RATE - 67]
    (one,) = found(as_pcm(x)[None])
    assert one.grade is Grade.REVIEW
    assert "stands still" in one.message
    assert float(one.start) == pytest.approx(2.0, abs=0.011)
    assert float(one.end) == pytest.approx(2.15, abs=0.011)


@pytest.mark.parametrize("share", [0.5, 0.95])
def test_no_sound_stays_at_its_top_for_a_tenth_of_a_second(share: float) -> None:
    # At a vowel's top as well: a clipped half-wave of 20 Hz lasts 25 ms at most.
    x = 0.3 * np.sin(2 * np.pi * 180 * np.arange(4 * RATE) / RATE)
    x[2 * RATE : 2 * RATE + 4800] = 0.3 * share
    (one,) = found(as_pcm(x)[None])
    assert "stands still for 100 ms" in one.message


def test_a_plug_that_makes_contact_is_no_tone() -> None:
    # Its jolts jump up and die away within 15 ms (arithmetic: a coupling capacitor).
    x = 0.003 * np.random.default_rng(12).standard_normal(5 * RATE)
    decay = np.exp(-np.arange(RATE // 10) / (0.015 * RATE))
    for at in (1.3, 1.7, 2.2, 2.9):
        first = round(at * RATE)
        x[first : first + len(decay)] += 0.3 * decay
    (one,) = found(as_pcm(x)[None])
    assert one.grade is Grade.REVIEW
    assert float(one.start) == pytest.approx(1.3, abs=0.011)
    assert float(one.end) == pytest.approx(2.9, abs=0.011)
