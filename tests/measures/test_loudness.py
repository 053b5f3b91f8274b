"""Loudness against the published test signals and exact arithmetic.

Published values are in ``values/loudness.toml``, each with its source. Second opinion:
`pyloudnorm` with the published coefficients (its class "DeMan").
"""

from __future__ import annotations

import math
import os
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pyloudnorm
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

import qc
from qc.limits import parse
from qc.measures.base import Measured, Setup
from qc.measures.loudness import MEASURE, gated_loudness, loudness_range, lufs
from qc.media import TakeReader, probe
from qc.records import AudioTrack, Readings, SoundBlock, TakeInfo
from qc.timecode import TimecodeFormat
from tests.sounds import blocks_of

VALUES: dict[str, Any] = tomllib.loads(
    (Path(__file__).parents[1] / "values" / "loudness.toml").read_text(encoding="utf-8")
)
TECH3341, TECH3342 = VALUES["tech3341"], VALUES["tech3342"]
WITHIN_LU = TECH3341["tolerance_lu"]
RATE = 48_000
ROOT = Path(qc.__file__).parents[1]
FOOTAGE = Path(os.environ.get("QC_FOOTAGE") or ROOT.parent / "shared" / "footage")

Sound = NDArray[np.floating[Any]]
Pieces = Sequence[Sequence[float]]


# ------------------------------------------------------------------ how tests measure


def track_of(channels: int, layout: str = "stereo", rate: int = RATE) -> AudioTrack:
    return AudioTrack(
        stream=0,
        number=0,
        codec="pcm_f32le",
        channels=channels,
        layout=layout,
        sample_rate=rate,
        first_channel=1,
    )


def measure_blocks(takes: Sequence[tuple[AudioTrack, Sequence[SoundBlock]]]) -> Any:
    limits = parse("", MEASURE.options, source="test.toml")
    info = TakeInfo(
        path=Path("take.wav"),
        bytes=0,
        container="wav",
        duration=None,
        video=None,
        audio=tuple(track for track, _ in takes),
        timecode=TimecodeFormat(Fraction(25), drop_frame=False),
    )
    sound, totals = [], []
    for track, blocks in takes:
        reader = MEASURE.start(Setup(info, limits), track)
        first = blocks[0].first_row
        rows = blocks[-1].first_row + len(blocks[-1].row_edges) - 1 - first
        columns = {
            f"loudness.{c.name}": np.full(rows, np.nan, np.float32)
            for c in MEASURE.columns
        }
        for block in blocks:
            at = block.first_row - first
            for name, values in reader.read(block).items():
                part = columns[f"loudness.{name}"][at : at + len(block.row_edges) - 1]
                part[:] = values
        totals.append(reader.finish())
        edges = np.arange(first, first + rows + 1, dtype=np.int64)
        sound.append(Readings("sound", Fraction(1, 100), edges, columns, track))
    return Measured(info, limits, None, tuple(sound), {"loudness": {"tracks": totals}})


def measure(
    sound: Sound,
    layout: str = "stereo",
    rate: int = RATE,
    cuts: Iterable[int] = range(0, 60_000, 100),
) -> Measured:
    track = track_of(len(sound), layout, rate)
    return measure_blocks([(track, blocks_of(track, sound, cuts))])


def figures(measured: Measured) -> Mapping[str, Any]:
    assert MEASURE.summarise is not None
    return MEASURE.summarise(measured)


def notes(measured: Measured) -> list[str]:
    assert MEASURE.notes is not None
    return list(MEASURE.notes(measured))


def column(measured: Measured, name: str) -> NDArray[np.float32]:
    return measured.sound[0][f"loudness.{name}_lufs"]


def tone(
    segments: Pieces, *, hertz: float = 1000.0, rate: int = RATE, channels: int = 2
) -> Sound:
    """Return one tone whose level changes; (seconds, peak in dBFS or None)."""
    gains = [
        np.full(round(s * rate), 10 ** (level / 20) if level > -300 else 0.0)
        for s, level in segments
    ]
    gain = np.concatenate(gains)
    x = gain * np.sin(2 * np.pi * hertz * np.arange(len(gain)) / rate)
    return np.tile(x.astype(np.float32), (channels, 1))


SILENT = -999.0


def near(value: float, expected: float, within: float = WITHIN_LU) -> bool:
    # Rounding of a float32 column aside.
    return abs(value - expected) <= within + 1e-5


# ------------------------------------------------------------------- EBU Tech 3341


@pytest.mark.parametrize(
    ("case", "rate"),
    [(c, 48_000) for c in TECH3341["programme"]]
    # Gates do not depend on the rate.
    + [(TECH3341["programme"][0], r) for r in (32_000, 44_100, 96_000)],
    ids=lambda v: f"case{v['case']}" if isinstance(v, dict) else str(v),
)
def test_programme_loudness_of_the_published_signals(
    case: Mapping[str, Any], rate: int
) -> None:
    measured = measure(tone(case["segments"], rate=rate), rate=rate)
    found = figures(measured)
    assert near(found["programme_lufs"], case["lufs"])
    if case["steady"]:
        for name in ("momentary", "short_term"):
            values = column(measured, name)
            known = values[~np.isnan(values)]
            assert near(float(known.min()), case["lufs"])
            assert near(float(known.max()), case["lufs"])


def test_published_surround_signal() -> None:
    case = TECH3341["surround"]
    x = tone([[case["seconds"], 0.0]], channels=5)
    x = x * 10 ** (np.array(case["peak_dbfs"])[:, np.newaxis] / 20)
    for layout in ("5.0", "5.0(side)"):
        assert near(figures(measure(x, layout))["programme_lufs"], case["lufs"])
    # With an LFE that must not count.
    loud = np.insert(x, 3, x[2] * 2, axis=0)
    value = figures(measure(loud, "5.1(side)"))["programme_lufs"]
    assert near(value, case["lufs"])


@pytest.mark.parametrize("name", ["short_term", "momentary"])
def test_alternating_tones_read_constant(name: str) -> None:
    # Cases 9 and 12.
    case = TECH3341[name]
    values = column(measure(tone(case["segments"] * case["times"])), name)
    after = values[round(case["constant_after_s"] * 100) :]
    assert len(after) > 800
    assert near(float(after.min()), case["lufs"])
    assert near(float(after.max()), case["lufs"])


@pytest.mark.parametrize("case", TECH3341["bursts"], ids=lambda c: c["figure"])
def test_bursts_in_files_of_their_own(case: Mapping[str, Any]) -> None:
    # Cases 10 and 13.
    for i in range(20):
        silence = i * case["step_s"]
        pieces = [[silence, SILENT], [case["burst_s"], case["file_dbfs"]], [1, SILENT]]
        value = figures(measure(tone(pieces)))[f"{case['figure']}_max_lufs"]
        assert near(value, case["file_dbfs"]), i


@pytest.mark.parametrize("case", TECH3341["bursts"], ids=lambda c: c["figure"])
def test_bursts_one_after_another(case: Mapping[str, Any]) -> None:
    # Cases 11 and 14: all in one recording, each measured by itself.
    pieces, levels = [], []
    for i in range(20):
        before = i * case["step_s"]
        levels.append(case["live_from_dbfs"] + i)
        pieces += [[before, SILENT], [case["burst_s"], levels[-1]]]
        pieces += [[case["burst_s"] - before, SILENT]]
    values = column(measure(tone(pieces)), case["figure"])
    rows = round(2 * case["burst_s"] * 100)
    for i, level in enumerate(levels):
        assert near(float(np.nanmax(values[i * rows : (i + 1) * rows])), level), i


def test_a_meter_that_steps_100_ms_would_fail() -> None:
    # Negative control: the bursts of case 13 can tell the grid.
    pieces = [[0.04, SILENT], [0.4, -23.0], [1.0, SILENT]]
    values = column(measure(tone(pieces)), "momentary")
    assert near(float(np.nanmax(values)), -23.0)
    assert not near(float(np.nanmax(values[9::10])), -23.0)


# ------------------------------------------------------------------- EBU Tech 3342


@pytest.mark.parametrize("case", TECH3342["range"], ids=lambda c: f"case{c['case']}")
def test_loudness_range_of_the_published_signals(case: Mapping[str, Any]) -> None:
    pieces = [[TECH3342["seconds"], level] for level in case["peak_dbfs"]]
    value = figures(measure(tone(pieces)))["range_lu"]
    assert near(value, case["lu"], TECH3342["tolerance_lu"])


# -------------------------------------------------------------- levels and arithmetic


@pytest.mark.parametrize("place", [0, 1, 2])
def test_calibration_by_a_full_scale_tone(place: int) -> None:
    case = VALUES["calibration"]
    x = np.zeros((3, 2 * RATE))
    x[place] = tone([[2, 0.0]], hertz=case["hertz"])[0]
    value = figures(measure(x, "3.0"))["programme_lufs"]
    assert value == pytest.approx(case["lkfs"], abs=0.01)


@pytest.mark.parametrize(
    ("hertz", "peak"),
    list(
        zip(
            VALUES["compliance"]["hertz"],
            VALUES["compliance"]["peak_dbfs"],
            strict=True,
        )
    ),
)
@pytest.mark.parametrize("rate", [48_000, 96_000, 32_000])
def test_tones_of_the_compliance_set(hertz: int, peak: float, rate: int) -> None:
    x = tone([[2, peak]], hertz=hertz, rate=rate)
    value = figures(measure(x, rate=rate))["programme_lufs"]
    assert value == pytest.approx(-23.0, abs=0.01 if rate == RATE else 0.03)


def powers(*levels: float) -> NDArray[np.float64]:
    """Return powers of such loudness: the inverse of the published formula."""
    return 10 ** ((np.array(levels) + 0.691) / 10)


def test_gates_are_where_the_standard_puts_them() -> None:
    # By hand. Absolute: -70.0 itself is out, what is over it counts.
    assert math.isnan(gated_loudness(powers(-70.001, -80, -200)))
    assert gated_loudness(powers(-69.99, -70.001)) == pytest.approx(-69.99)
    # Relative: 10 LU under the mean of what is over the absolute gate.
    loud, n = -20.0, 99
    mean = 10 * math.log10((n * 10**-2 + 10**-3) / (n + 1))
    assert gated_loudness(powers(*[loud] * n, mean - 10.01)) == pytest.approx(-20)
    kept = gated_loudness(powers(*[loud] * n, mean - 9.9))
    share = (n * 10**-2.0 + 10 ** ((mean - 9.9) / 10)) / (n + 1)
    assert kept == pytest.approx(10 * math.log10(share), abs=1e-9)
    assert math.isnan(gated_loudness(np.empty(0)))
    assert gated_loudness(np.append(powers(-20), math.nan)) == pytest.approx(-20)


def test_range_by_hand() -> None:
    # 101 values 0.1 LU apart: the 10th and 95th per cent are the 11th and the 96th.
    levels = -30 + 0.1 * np.arange(101)
    shuffled = np.random.default_rng(1).permutation(levels)
    assert loudness_range(powers(*shuffled)) == pytest.approx(8.5)
    # What lies more than 20 LU under the mean is left out.
    assert loudness_range(powers(*levels, *[-60] * 50)) == pytest.approx(8.5)
    assert math.isnan(loudness_range(powers(-71)))


def test_lufs_of_silence_is_a_number() -> None:
    assert lufs(0.0) == -200
    assert np.isnan(lufs(math.nan))
    measured = measure(np.zeros((2, RATE)))
    assert math.isnan(figures(measured)["programme_lufs"])
    assert (column(measured, "momentary")[39:] == -200).all()


def test_windows_are_not_known_before_they_are_full() -> None:
    measured = measure(tone([[3.05, -20]]))
    momentary, short = column(measured, "momentary"), column(measured, "short_term")
    assert np.isnan(momentary[:39]).all()
    assert not np.isnan(momentary[39:]).any()
    assert np.isnan(short[:299]).all()
    assert not np.isnan(short[299:]).any()


def noise(channels: int, seconds: float, rate: int = RATE) -> NDArray[np.float32]:
    rng = np.random.default_rng(channels)
    n = round(seconds * rate)
    swell = 0.02 + 0.1 * np.sin(np.arange(n) / rate) ** 2
    return (rng.standard_normal((channels, n)) * swell).astype(np.float32)


@pytest.mark.parametrize(("rate", "within"), [(48_000, 0.002), (44_100, 0.006)])
def test_programme_and_range_agree_with_pyloudnorm(rate: int, within: float) -> None:
    x = noise(2, 12, rate)
    meter = pyloudnorm.Meter(rate, filter_class="DeMan")
    found = figures(measure(x, rate=rate))
    expected = meter.integrated_loudness(x.T.astype(float))
    assert found["programme_lufs"] == pytest.approx(expected, abs=within)


def test_each_channel_has_a_loudness_of_its_own() -> None:
    x = noise(2, 3)
    x[1] *= 0.5
    one, two = figures(measure(x))["tracks"][0]["channels"]
    for channel, found in ((0, one), (1, two)):
        alone = figures(measure(x[channel : channel + 1], "mono"))
        for name in ("programme_lufs", "momentary_max_lufs", "short_term_max_lufs"):
            # Started by another channel, the filter differs at -300 dB.
            assert found[name] == pytest.approx(alone[name], abs=1e-9)
    assert (one["channel"], two["channel"]) == (1, 2)


# ------------------------------------------------------------------- blocks and gaps


def same(a: Any, b: Any) -> bool:
    """Compare columns and figures to the last bit."""
    assert repr(a.totals) == repr(b.totals)
    for name in ("momentary", "short_term"):
        np.testing.assert_array_equal(column(a, name), column(b, name))
    return True


@settings(max_examples=12, deadline=None)
@given(
    cuts=st.lists(st.integers(0, 340), max_size=10),
    rate=st.sampled_from([8_000, 11_025, 22_050]),
    layout=st.sampled_from(["stereo", "2 channels, layout not marked", "2.1", "?"]),
)
def test_cuts_change_nothing(cuts: list[int], rate: int, layout: str) -> None:
    x = noise(3 if layout in ("2.1", "?") else 2, 3.4, rate)
    whole = measure(x, layout, rate, cuts=())
    assert same(measure(x, layout, rate, cuts=cuts), whole)


def test_nothing_is_read_across_a_gap() -> None:
    track, x = track_of(2), noise(2, 1)
    first = blocks_of(track, x)
    later = [replace(b, gap_before=True) for b in blocks_of(track, x, start=2 * RATE)]
    measured = measure_blocks([(track, first + later)])
    momentary = column(measured, "momentary")
    assert np.isnan(momentary[100:239]).all()
    # Behind the gap everything begins anew.
    np.testing.assert_array_equal(momentary[200:], momentary[:100])


def test_a_gap_that_is_not_marked_is_seen_by_its_rows() -> None:
    track, x = track_of(2), noise(2, 1)
    blocks = blocks_of(track, x) + blocks_of(track, x, start=2 * RATE)
    momentary = column(measure_blocks([(track, blocks)]), "momentary")
    assert np.isnan(momentary[100:239]).all()


def test_a_row_that_is_not_full_is_not_read() -> None:
    track, x = track_of(2), noise(2, 1)
    momentary = column(
        measure_blocks([(track, blocks_of(track, x, start=100))]), "momentary"
    )
    assert np.isnan(momentary[:40]).all()
    assert not np.isnan(momentary[40:100]).any()
    assert np.isnan(momentary[100])


@pytest.mark.parametrize("damage", [math.nan, math.inf, -math.inf, 1e30])
def test_damage_is_not_measured_and_leaves_no_trace(damage: float) -> None:
    x = noise(2, 2)
    x[0, 48_000 + 7] = damage
    measured = measure(x)
    values = column(measured, "momentary")
    assert np.isnan(values[100:140]).all()
    assert not np.isnan(values[39:100]).any()
    clean = column(measure(noise(2, 2)), "momentary")
    np.testing.assert_array_equal(values[:100], clean[:100])
    np.testing.assert_allclose(values[141:], clean[141:], atol=0.01)
    assert not math.isnan(figures(measured)["programme_lufs"])


def test_blocks_may_be_empty() -> None:
    track, x = track_of(2), noise(2, 1)
    nothing = SoundBlock(track, x[:, :0], 0, 0, np.zeros(1, np.int64))
    blocks = blocks_of(track, x)
    reader = MEASURE.start(
        Setup(measure(x).info, parse("", MEASURE.options, source="t")), track
    )
    assert all(len(v) == 0 for v in reader.read(nothing).values())
    assert len(reader.read(blocks[0])["momentary_lufs"]) == 100
    assert reader.finish()["programme"] is not None


# ------------------------------------------------- tracks reported for what they are


def test_mono_is_reported_as_mono() -> None:
    x = tone([[2, -23.0]], channels=1)
    measured = measure(x, "mono")
    found = figures(measured)
    # One channel of the -23 LUFS tone: 10 log10(2) less.
    assert found["programme_lufs"] == pytest.approx(-26.0, abs=0.02)
    assert found["tracks"][0]["kind"] == "mono"
    assert found["tracks"][0]["to_target_lu"] == pytest.approx(3.0, abs=0.02)
    assert any("is mono" in n and "3 LU more" in n for n in notes(measured))


def test_one_sound_on_both_channels_is_said() -> None:
    x = noise(1, 1)
    measured = measure(np.repeat(x, 2, axis=0))
    assert figures(measured)["tracks"][0]["kind"] == "the same on both channels"
    assert any("equally loud at every moment" in n for n in notes(measured))
    measured = measure(noise(2, 1))
    assert figures(measured)["tracks"][0]["kind"] == "stereo"
    assert notes(measured) == []


def test_an_empty_channel_is_said() -> None:
    x = noise(2, 1)
    x[0] = 0
    (note,) = notes(measure(x))
    assert "channel 2 alone" in note


def test_channels_of_unknown_place_are_not_added_up() -> None:
    x = noise(4, 3.2)
    x[2] *= 2
    measured = measure(x, "4 channels, layout not marked")
    (track,) = figures(measured)["tracks"]
    assert track["kind"] == "separate channels"
    assert math.isnan(track["programme_lufs"])
    loudness = [c["programme_lufs"] for c in track["channels"]]
    for channel, value in enumerate(loudness):
        alone = figures(measure(x[channel : channel + 1], "mono"))
        assert value == pytest.approx(alone["programme_lufs"], abs=1e-9)
    assert max(range(4), key=loudness.__getitem__) == 2
    # The curve is the loudest channel's.
    loudest = column(measure(x[2:3], "mono"), "short_term")
    np.testing.assert_array_equal(column(measured, "short_term")[299:], loudest[299:])
    (note,) = notes(measured)
    assert "4 channels" in note


def test_several_mono_tracks_are_each_for_itself() -> None:
    x = noise(2, 1)
    tracks = [
        replace(track_of(1, "mono"), number=k, stream=k, first_channel=k + 1)
        for k in range(2)
    ]
    takes = [(t, blocks_of(t, x[k : k + 1])) for k, t in enumerate(tracks)]
    found = figures(measure_blocks(takes))
    assert math.isnan(found["programme_lufs"])
    values = [t["programme_lufs"] for t in found["tracks"]]
    expected = [
        figures(measure(x[k : k + 1], "mono"))["programme_lufs"] for k in range(2)
    ]
    assert values == expected
    assert [t["channels"][0]["channel"] for t in found["tracks"]] == [1, 2]


def test_too_low_a_rate_is_said_and_not_measured() -> None:
    measured = measure(noise(1, 1, 4_000), "mono", 4_000)
    assert np.isnan(column(measured, "momentary")).all()
    assert math.isnan(figures(measured)["programme_lufs"])
    (note,) = notes(measured)
    assert "4000 Hz" in note


def test_too_short_a_take_is_said() -> None:
    (note,) = notes(measure(noise(2, 0.3)))
    assert "0.4 s" in note


def test_no_sound_gives_no_figures() -> None:
    empty = Measured(
        measure(noise(1, 1), "mono").info,
        parse("", MEASURE.options, source="t"),
        None,
        (),
        {},
    )
    assert figures(empty) == {}
    assert notes(empty) == []


# ------------------------------------------------------------------- real recordings


@pytest.mark.footage
@pytest.mark.parametrize(
    "name",
    [
        "debian.wav",
        "deleted.wav",
        "recording1.wav",
        "audio-stereo-24-bit-44100Hz.wav",
        "audio-mono-8-bit-44100Hz.wav",
    ],
)
def test_real_recordings_agree_with_pyloudnorm(name: str) -> None:
    path = FOOTAGE / name
    if not path.is_file():
        pytest.skip(f"{name} is not at hand: set QC_FOOTAGE to the folder it is in")
    info = probe(path)
    with TakeReader(info) as reader:
        blocks = [b for b in reader if isinstance(b, SoundBlock)]
    (track,) = info.audio
    x = np.concatenate([b.samples for b in blocks], axis=1)
    # Whole tenths of a second: it counts a last block that reaches over the end.
    x = x[:, : x.shape[1] // (track.sample_rate // 10) * (track.sample_rate // 10)]
    meter = pyloudnorm.Meter(track.sample_rate, filter_class="DeMan")
    found = figures(measure(x, track.layout, track.sample_rate))
    expected = meter.integrated_loudness(x.T.astype(float))
    assert found["programme_lufs"] == pytest.approx(expected, abs=0.01)
