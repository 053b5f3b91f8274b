"""Samples come out as they were put in, in channel order and at their time.

Expected values are the samples that were written: `synth.ramps` tells channel and
sample number in each of them. Full scale is that of each number format.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from av.audio.frame import AudioFrame
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from qc.errors import DecodeError
from qc.media import TakeReader, probe
from qc.media.sound import ROWS_PER_SECOND, SoundDecoder, float_samples, row_start
from qc.records import AudioTrack, SoundBlock, TakeInfo
from tests import synth
from tests.synth import Sound, Video

FORMATS = [
    # codec, sample format, number format, container
    ("pcm_u8", "u8", np.uint8, "wav"),
    ("pcm_s16le", "s16", np.int16, "wav"),
    ("pcm_s16be", "s16", np.int16, "mov"),
    ("pcm_s24le", "s32", np.int32, "wav"),
    ("pcm_s24le", "s32", np.int32, "mxf"),
    ("pcm_s32le", "s32", np.int32, "wav"),
    ("pcm_f32le", "flt", np.float32, "wav"),
    ("pcm_f64le", "dbl", np.float64, "wav"),
    ("flac", "s16", np.int16, "flac"),
    ("flac", "s32", np.int32, "mkv"),
    ("alac", "s16p", np.int16, "mov"),
]


def read(info: TakeInfo) -> dict[int, list[SoundBlock]]:
    """Return the blocks of each track by its number."""
    found: dict[int, list[SoundBlock]] = {t.number: [] for t in info.audio}
    with TakeReader(info) as reader:
        for item in reader:
            if isinstance(item, SoundBlock):
                found[item.track.number].append(item)
    return found


def joined(blocks: list[SoundBlock]) -> NDArray[np.float32]:
    return np.concatenate([b.samples for b in blocks], axis=1)


def check_rows(blocks: list[SoundBlock]) -> None:
    """Hold blocks to what `SoundBlock` promises."""
    for block in blocks:
        rate, edges = block.track.sample_rate, block.row_edges
        rows = len(edges) - 1
        assert rows >= 1
        assert edges[0] == 0
        assert edges[-1] == block.samples.shape[1]
        assert np.all(np.diff(edges) >= 0)
        assert not block.samples.flags.writeable
        assert block.samples.dtype == np.float32
        # An inner edge is the first sample of the row that begins there.
        for i in range(1, rows):
            row = block.first_row + i
            assert block.start + edges[i] == row_start(row, rate)
    for before, after in pairwise(blocks):
        end = before.first_row + len(before.row_edges) - 1
        if after.gap_before:
            assert after.first_row >= end
            assert after.start > before.start + before.samples.shape[1]
        else:
            assert after.first_row == end
            assert after.start == before.start + before.samples.shape[1]


@pytest.mark.parametrize(("codec", "sample_format", "dtype", "ending"), FORMATS)
def test_samples_are_those_put_in(
    tmp_path: Path, codec: str, sample_format: str, dtype: Any, ending: str
) -> None:
    put_in = synth.ramps(2, 48_000 + 777, dtype)
    sound = Sound(put_in, codec, sample_format)
    pictures, video = (), ()
    if ending in ("mov", "mxf"):
        pictures, video = [synth.scene(26, 192, 96)], [_small_video(ending)]
    clip = synth.write(tmp_path / f"a.{ending}", pictures, video, [sound])

    blocks = read(probe(clip))[0]

    check_rows(blocks)
    found, expected = joined(blocks), synth.full_scale(put_in)
    assert blocks[0].start == 0
    # MXF holds a whole number of samples for each frame.
    length = min(found.shape[1], expected.shape[1])
    assert length >= 48_000
    np.testing.assert_array_equal(found[:, :length], expected[:, :length])


def _small_video(ending: str) -> Video:
    if ending == "mxf":
        return Video("mpeg2video", options={"b": "3000000"})
    return Video(options=synth.h264())


@pytest.mark.parametrize("rate", [8000, 11_025, 16_000, 22_050, 44_100, 48_000, 96_000])
def test_rates_and_rows(tmp_path: Path, rate: int) -> None:
    put_in = synth.ramps(1, 2 * rate + 1234)
    sound = Sound(put_in, rate=rate, layout="mono")
    info = probe(synth.write(tmp_path / "a.wav", sounds=[sound]))
    assert info.audio[0].sample_rate == rate

    blocks = read(info)[0]

    check_rows(blocks)
    np.testing.assert_array_equal(joined(blocks), synth.full_scale(put_in))
    # Bounded memory: about a second a block.
    assert max(b.samples.shape[1] for b in blocks) <= 1.25 * rate
    rows = sum(len(b.row_edges) - 1 for b in blocks)
    assert rows == -(-put_in.shape[1] * ROWS_PER_SECOND // rate)


@given(st.integers(1000, 192_000), st.integers(-10_000, 10_000_000))
def test_a_sample_lies_in_the_row_of_its_moment(rate: int, sample: int) -> None:
    # Row r is the hundredth of a second [r, r + 1) / 100: exact arithmetic.
    row = Fraction(sample, rate) * ROWS_PER_SECOND // 1
    assert row_start(int(row), rate) <= sample < row_start(int(row) + 1, rate)


@pytest.mark.parametrize(
    ("layout", "channels", "codec", "ending", "told"),
    [
        ("mono", 1, "pcm_s16le", "wav", "mono"),
        # A plain WAV does not say which of two channels is the left one.
        ("stereo", 2, "pcm_s16le", "wav", "2 channels, layout not marked"),
        ("stereo", 2, "pcm_s16le", "mov", "stereo"),
        ("5.1", 6, "pcm_s16le", "wav", "5.1"),
        ("7.1", 8, "pcm_s16le", "wav", "7.1"),
        ("5.1", 6, "flac", "mkv", "5.1"),
    ],
)
def test_channels_keep_their_order(
    tmp_path: Path, layout: str, channels: int, codec: str, ending: str, told: str
) -> None:
    put_in = synth.ramps(channels, 20_000)
    sound = Sound(put_in, codec, layout=layout)
    info = probe(synth.write(tmp_path / f"a.{ending}", sounds=[sound]))
    (track,) = info.audio
    assert (track.channels, track.layout) == (channels, told)
    np.testing.assert_array_equal(joined(read(info)[0]), synth.full_scale(put_in))


def test_many_mono_tracks_are_numbered_through(tmp_path: Path) -> None:
    # As broadcast cameras record: each microphone on a track of its own.
    all_channels = synth.ramps(4, 48_000)
    sounds = [
        Sound(all_channels[i : i + 1], "pcm_s24le" if i == 3 else "pcm_s16le",
              layout="mono")
        for i in range(3)
    ]  # fmt: skip
    sounds.append(Sound(synth.ramps(2, 48_000), layout="stereo"))
    clip = synth.write(
        tmp_path / "a.mov", synth.scene(25), Video(options=synth.h264()), sounds
    )

    info = probe(clip)

    assert [t.first_channel for t in info.audio] == [1, 2, 3, 4]
    assert [list(t.channel_numbers) for t in info.audio] == [[1], [2], [3], [4, 5]]
    found = read(info)
    for i in range(3):
        np.testing.assert_array_equal(
            joined(found[i]), synth.full_scale(all_channels[i : i + 1])
        )


@pytest.mark.parametrize("ending", ["mov", "mkv"])
@pytest.mark.parametrize("start", [Fraction(1, 2), Fraction(137, 1000)])
def test_sound_that_begins_late_is_at_its_time(
    tmp_path: Path, ending: str, start: Fraction
) -> None:
    sound = Sound(synth.ramps(2, 48_000), start_s=start)
    clip = synth.write(
        tmp_path / f"a.{ending}", synth.scene(40), Video(options=synth.h264()), [sound]
    )
    blocks = read(probe(clip))[0]
    check_rows(blocks)
    # Matroska counts milliseconds.
    assert Fraction(blocks[0].start, 48_000) == pytest.approx(start, abs=0.001)
    assert blocks[0].first_row == int(start * ROWS_PER_SECOND)
    assert not blocks[0].gap_before
    np.testing.assert_array_equal(joined(blocks), synth.full_scale(sound.samples))


def test_sound_that_begins_before_the_picture_has_negative_numbers(
    tmp_path: Path,
) -> None:
    video = Video(
        options=synth.h264(b_frames=0),
        ticks=[250 + 40 * i for i in range(25)],
        time_base=Fraction(1, 1000),
    )
    sound = Sound(synth.ramps(1, 48_000), layout="mono")
    info = probe(synth.write(tmp_path / "a.mkv", synth.scene(25), video, [sound]))
    blocks = read(info)[0]
    check_rows(blocks)
    assert info.origin == Fraction(1, 4)
    assert blocks[0].start == -12_000
    assert blocks[0].first_row == -25


@pytest.mark.parametrize("at", [48_000, 30_000, 30_123])
@pytest.mark.parametrize("length", [Fraction(1, 4), Fraction(1), Fraction(53, 1000)])
def test_a_gap_is_told_and_what_follows_is_at_its_time(
    tmp_path: Path, at: int, length: Fraction
) -> None:
    put_in = synth.ramps(1, 100_000)
    sound = Sound(put_in, layout="mono", gaps=[(at, length)])
    info = probe(synth.write(tmp_path / "a.mkv", sounds=[sound]))
    with TakeReader(info) as reader:
        blocks = [b for b in reader if isinstance(b, SoundBlock)]
    check_rows(blocks)

    assert [d.gaps for d in reader.sounds.values()] == [1]
    after = next(i for i, b in enumerate(blocks) if b.gap_before)
    assert sum(b.gap_before for b in blocks) == 1
    before = sum(b.samples.shape[1] for b in blocks[:after])
    assert before == at
    # Matroska counts milliseconds.
    expected = Fraction(at, 48_000) + length
    assert Fraction(blocks[after].start, 48_000) == pytest.approx(expected, abs=0.0015)
    np.testing.assert_array_equal(joined(blocks), synth.full_scale(put_in))


def test_rounded_time_stamps_are_no_gaps(tmp_path: Path) -> None:
    # 1024 samples at 44.1 kHz last 23.22 ms: Matroska rounds each stamp to 23 or 24.
    sound = Sound(synth.ramps(2, 200_000), rate=44_100)
    info = probe(synth.write(tmp_path / "a.mkv", sounds=[sound]))
    with TakeReader(info) as reader:
        blocks = [b for b in reader if isinstance(b, SoundBlock)]
    check_rows(blocks)
    assert [d.gaps for d in reader.sounds.values()] == [0]
    assert sum(b.samples.shape[1] for b in blocks) == 200_000


def test_coded_sound_lies_where_it_was_put(tmp_path: Path) -> None:
    # AAC begins with priming that is not part of the recording.
    length = 96_000
    tone = 0.5 * np.sin(2 * np.pi * 997 * np.arange(length) / 48_000)
    tone[:24_000] = 0
    sound = Sound(np.stack([tone, tone]).astype(np.float32), "aac", "fltp")
    clip = synth.write(
        tmp_path / "a.mp4", synth.scene(50), Video(options=synth.h264()), [sound]
    )
    blocks = read(probe(clip))[0]
    check_rows(blocks)
    assert blocks[0].start == 0
    found = joined(blocks)[0]
    loud = np.flatnonzero(np.abs(found) > 0.25)
    assert loud[0] == pytest.approx(24_000, abs=48)  # a thousandth of a second
    assert np.abs(found[30_000:90_000]).max() == pytest.approx(0.5, abs=0.02)


def test_several_streams_are_all_read_to_their_end(tmp_path: Path) -> None:
    sounds = [
        Sound(synth.ramps(2, 50_000)),
        Sound(synth.ramps(1, 90_000), layout="mono"),
        Sound(synth.ramps(1, 7), layout="mono"),
    ]
    clip = synth.write(
        tmp_path / "a.mov", synth.scene(31), Video(options=synth.h264()), sounds
    )
    info = probe(clip)
    with TakeReader(info) as reader:
        for _ in reader:
            pass
    assert [d.samples for d in reader.sounds.values()] == [50_000, 90_000, 7]
    assert reader.pictures is not None
    assert reader.pictures.frames == 31


def test_a_sound_file_alone(tmp_path: Path) -> None:
    put_in = synth.ramps(2, 30_000)
    info = probe(synth.write(tmp_path / "a.wav", sounds=[Sound(put_in)]))
    assert info.video is None
    assert info.duration == Fraction(30_000, 48_000)
    assert info.start_timecode == "00:00:00:00"
    assert any("no picture" in a for a in info.assumed)
    np.testing.assert_array_equal(joined(read(info)[0]), synth.full_scale(put_in))


# --------------------------------------------------------------- the decoder's blocks


@pytest.mark.parametrize(
    ("sample_format", "codes", "expected"),
    [
        ("u8", [0, 64, 128, 255], [-1.0, -0.5, 0.0, 127 / 128]),
        ("s16", [-32768, -16384, 0, 32767], [-1.0, -0.5, 0.0, 32767 / 32768]),
        ("s16p", [-32768, 1, 0, 32767], [-1.0, 2**-15, 0.0, 32767 / 32768]),
        ("s32", [-(2**31), 2**8, 0, 2**30], [-1.0, 2**-23, 0.0, 0.5]),
        ("flt", [-1.0, 0.25, 0.0, 1.5], [-1.0, 0.25, 0.0, 1.5]),
        ("dblp", [-1.0, 0.25, 0.0, 1.5], [-1.0, 0.25, 0.0, 1.5]),
    ],
)
def test_full_scale_of_each_number_format(
    sample_format: str, codes: list[float], expected: list[float]
) -> None:
    dtype = {"u8": "u1", "s16": "i2", "s32": "i4", "flt": "f4", "dbl": "f8"}
    kind = np.dtype(dtype[sample_format.removesuffix("p")])
    frame = AudioFrame.from_ndarray(np.array([codes], kind), sample_format, "mono")
    found = float_samples(frame)
    assert found.dtype == np.float32
    np.testing.assert_array_equal(found, np.array([expected], np.float32))


class _Fed:
    """Gives frames as a packet's decoding would."""

    def __init__(self, frames: list[AudioFrame]) -> None:
        self._frames = frames

    def decode(self) -> list[AudioFrame]:
        return self._frames


pieces = st.lists(
    st.tuples(st.integers(1, 5000), st.sampled_from([0, 0, 0, 0, 1500, 40_000])),
    min_size=1,
    max_size=30,
)


@given(
    st.sampled_from([8000, 11_025, 44_100, 48_000]),
    st.integers(-3000, 3000),
    pieces,
)
def test_any_pieces_and_gaps_make_whole_rows(
    rate: int, start: int, parts: list[tuple[int, int]]
) -> None:
    track = AudioTrack(0, 0, "pcm_s16le", 1, "mono", rate, 1)
    decoder = SoundDecoder(None, track, Fraction(0))  # type: ignore[arg-type]
    at, number = start, 0
    blocks: list[SoundBlock] = []
    places: list[int] = []
    for length, gap in parts:
        codes = (np.arange(number, number + length) % 30_000).astype(np.int16)
        frame = AudioFrame.from_ndarray(codes[None], "s16", "mono")
        frame.sample_rate, frame.time_base = rate, Fraction(1, rate)
        frame.pts = at
        blocks += decoder.decode(_Fed([frame]))  # type: ignore[arg-type]
        places += range(at, at + length)
        at += length + gap
        number += length
    blocks += decoder.finish()

    check_rows(blocks)
    np.testing.assert_array_equal(joined(blocks)[0] * 32768, np.arange(number) % 30_000)
    # Where each sample lies, by the blocks: less than two rows off at most.
    found = np.concatenate([b.start + np.arange(b.samples.shape[1]) for b in blocks])
    assert np.abs(found - places).max() <= rate * 2 // ROWS_PER_SECOND


def test_a_track_that_changes_its_channels_is_counted_as_errors() -> None:
    track = AudioTrack(0, 0, "aac", 2, "stereo", 48_000, 1)
    decoder = SoundDecoder(None, track, Fraction(0))  # type: ignore[arg-type]
    mono = AudioFrame.from_ndarray(np.zeros((1, 100), np.int16), "s16", "mono")
    mono.sample_rate = 48_000
    blocks = [*decoder.decode(_Fed([mono])), *decoder.finish()]  # type: ignore[arg-type]
    assert decoder.errors == 1
    # 100 samples of 48 kHz lie within the first hundredth of a second.
    (block,) = blocks
    assert block.samples.shape == (1, 0)
    assert (block.track.channels, block.track.sample_rate) == (1, 48_000)
    assert (block.first_row, len(block.row_edges) - 1) == (0, 1)


def test_the_grid_of_sound_begins_with_the_first_picture(tmp_path: Path) -> None:
    # The same take, shifted on the container's clock: nothing else changes.
    sound = Sound(synth.ramps(1, 48_000), layout="mono", start_s=Fraction(3, 10))
    video = Video(options=synth.h264(b_frames=0), time_base=Fraction(1, 1000))
    plain = replace(video, ticks=[40 * i for i in range(30)])
    later = replace(video, ticks=[40 * i + 2000 for i in range(30)])
    one = synth.write(tmp_path / "a.mkv", synth.scene(30), plain, [sound])
    two = synth.write(
        tmp_path / "b.mkv",
        synth.scene(30),
        later,
        [replace(sound, start_s=sound.start_s + 2)],
    )
    first, second = (read(probe(p))[0] for p in (one, two))
    assert [b.start for b in first] == [b.start for b in second]
    assert [b.first_row for b in first] == [b.first_row for b in second]


# ------------------------------------------------------------- clocks that lie, changes

_RATE, _SIZE = 48_000, 960  # frames of 20 ms


def fed(
    stamps: Iterable[int | None], *, origin: Fraction = Fraction(0)
) -> tuple[SoundDecoder, list[SoundBlock]]:
    """Decode one mono frame of 960 samples a stamp (in samples at 48 kHz)."""
    track = AudioTrack(0, 0, "pcm_s16le", 1, "mono", _RATE, 1)
    decoder = SoundDecoder(None, track, origin)  # type: ignore[arg-type]
    blocks: list[SoundBlock] = []
    for i, stamp in enumerate(stamps):
        codes = (np.arange(i * _SIZE, (i + 1) * _SIZE) % 30_000).astype(np.int16)
        blocks += decoder.decode(_Fed([_stamped(codes[None], stamp)]))  # type: ignore[arg-type]
    blocks += decoder.finish()
    check_rows(blocks)
    return decoder, blocks


def _stamped(
    codes: NDArray[np.int16], stamp: int | None, rate: int = _RATE
) -> AudioFrame:
    layout = "mono" if codes.shape[0] == 1 else "stereo"
    frame = AudioFrame.from_ndarray(codes, "s16p", layout)
    frame.sample_rate, frame.time_base, frame.pts = rate, Fraction(1, rate), stamp
    return frame


def extent(blocks: list[SoundBlock]) -> tuple[int, int]:
    last = blocks[-1]
    return blocks[0].first_row, last.first_row + len(last.row_edges) - 1


_JUMPS_S = [-50_000, -2, 1, 10, 3000, 47_000, 86_400 * 3650]


@pytest.mark.parametrize(
    ("jump_s", "which"),
    [
        (jump, which)
        for jump in _JUMPS_S
        for which in (0, 1, 40, 98)
        # A first frame and a gap behind it cannot be told from a wrong first stamp.
        if which or jump != -2
    ],
)
def test_one_wrong_stamp_moves_nothing(jump_s: int, which: int) -> None:
    stamps = [i * _SIZE for i in range(100)]
    stamps[which] += jump_s * _RATE
    decoder, blocks = fed(stamps)
    assert decoder.gaps == 0
    # 100 frames of 20 ms are 200 rows.
    assert extent(blocks) == (0, 200)
    assert joined(blocks).shape[1] == 100 * _SIZE


def test_a_gap_behind_a_wrong_stamp_is_still_told() -> None:
    # Frame 20 is 13 hours off; 2 s are missing in front of frame 60.
    stamps = [i * _SIZE + 2 * _RATE * (i >= 60) for i in range(100)]
    stamps[20] += 13 * 3600 * _RATE
    decoder, blocks = fed(stamps)
    assert decoder.gaps == 1
    assert [b.start for b in blocks if b.gap_before] == [60 * _SIZE + 2 * _RATE]


@pytest.mark.parametrize("jump_s", [3601, 86_400 * 30, 86_400 * 3650, -5, -86_400])
def test_another_clock_is_counted_on_and_then_read_again(jump_s: int) -> None:
    # Then 2 s are missing in front of frame 80.
    stamps = [
        i * _SIZE + _RATE * (jump_s * (i >= 50) + 2 * (i >= 80)) for i in range(100)
    ]
    decoder, blocks = fed(stamps)
    assert (decoder.gaps, decoder.restarts) == (1, 1)
    assert extent(blocks) == (0, 400)


def test_all_gaps_together_have_a_bound() -> None:
    # Each gap is 30 minutes: no more than an hour of them is believed.
    decoder, blocks = fed(i * (_SIZE + 1800 * _RATE) for i in range(100))
    assert decoder.gaps == 2
    assert extent(blocks) == (0, 200 + 2 * 180_000)


def test_no_gap_leads_far_beyond_the_announced_end(tmp_path: Path) -> None:
    sound = Sound(synth.ramps(1, 96_000), layout="mono", gaps=[(48_000, Fraction(60))])
    clip = synth.write(tmp_path / "a.mkv", sounds=[sound])
    # Matroska (RFC 9559): element Duration, 0x4489, an 8-byte float of milliseconds.
    data = bytearray(clip.read_bytes())
    at = data.index(b"\x44\x89\x88") + 3
    assert struct.unpack(">d", data[at : at + 8])[0] == pytest.approx(62_000, abs=2)
    data[at : at + 8] = struct.pack(">d", 2000.0)
    lying = tmp_path / "b.mkv"
    lying.write_bytes(data)
    assert any(b.gap_before for b in read(probe(clip))[0])
    assert not any(b.gap_before for b in read(probe(lying))[0])


def test_one_flipped_bit_in_a_transport_stream_moves_nothing(tmp_path: Path) -> None:
    tone = (0.2 * np.sin(np.arange(96_000) / 20)).astype(np.float32)
    sound = Sound(tone[None], "aac", "fltp", layout="mono")
    clip = synth.write(
        tmp_path / "a.ts", synth.scene(50), Video(options=synth.h264()), [sound]
    )
    data = bytearray(clip.read_bytes())
    # ISO/IEC 13818-1, 2.4.3.6: sound is stream 110x xxxx, its PTS begins at byte 9.
    places = []
    for at in range(0, len(data), 188):
        head = at + 4 + (1 + data[at + 4] if data[at + 3] & 0x20 else 0)
        if (
            data[at + 1] & 0x40
            and data[head : head + 3] == b"\0\0\1"
            and 0xC0 <= data[head + 3] < 0xE0
        ):
            places.append(head + 9)
    assert len(places) > 4
    data[places[len(places) // 2]] ^= 0x08  # bit 32: 13 hours
    flipped = tmp_path / "b.ts"
    flipped.write_bytes(data)
    before, after = (read(probe(p))[0] for p in (clip, flipped))
    assert extent(after) == extent(before)
    np.testing.assert_array_equal(joined(after), joined(before))


@pytest.mark.parametrize(
    ("channels", "rate"), [(2, _RATE), (1, 44_100), (1, 8000), (2, 96_000)]
)
@pytest.mark.parametrize("comes_back", [False, True])
def test_sound_of_another_kind_keeps_its_place(
    channels: int, rate: int, comes_back: bool
) -> None:
    # 1 s as the track is, 2.5 s of another kind, 1 s as the track is.
    track = AudioTrack(0, 0, "pcm_s16le", 1, "mono", _RATE, 1)
    decoder = SoundDecoder(None, track, Fraction(0))  # type: ignore[arg-type]
    blocks: list[SoundBlock] = []

    def feed(count: int, channels: int, rate: int) -> None:
        for _ in range(count):
            codes = np.ones((channels, rate // 50), np.int16)
            frame = _stamped(codes, None, rate)
            blocks.extend(decoder.decode(_Fed([frame])))  # type: ignore[arg-type]

    feed(50, 1, _RATE)
    feed(125, channels, rate)
    feed(50 * comes_back, 1, _RATE)
    blocks += decoder.finish()

    others = [b for b in blocks if b.track != track]
    assert all(b.samples.shape == (channels, 0) for b in others)
    assert {b.track.sample_rate for b in others} == {rate}
    assert extent(others) == (100, 350)
    assert extent(blocks) == (0, 450 if comes_back else 350)
    for before, after in pairwise(blocks):
        assert after.first_row == before.first_row + len(before.row_edges) - 1
    assert decoder.samples == (2 if comes_back else 1) * _RATE
    if comes_back:
        assert next(b for b in blocks if b.start > _RATE and b not in others).gap_before


# ---------------------------------------------------------------------- what files say


def wave(
    *, rate: int = 48_000, samples: int = 48_000, announced: int | None = None
) -> bytes:
    """Return a mono 16-bit WAV (EBU Tech 3285) that may announce other bytes."""
    data = bytes(2 * samples)
    size = len(data) if announced is None else announced
    form = struct.pack("<HHIIHH", 1, 1, rate, min(2 * rate, 2**32 - 1), 2, 16)
    body = b"WAVEfmt " + struct.pack("<I", 16) + form + b"data"
    head = b"RIFF" + struct.pack("<I", min(36 + size, 2**32 - 1))
    return head + body + struct.pack("<I", size) + data


@pytest.mark.parametrize("rate", [1, 999, 1_000_001, 2_147_483_647])
def test_rates_that_no_recorder_has_are_refused(tmp_path: Path, rate: int) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(wave(rate=rate, samples=5000))
    with pytest.raises(DecodeError, match="neither a picture nor sound"):
        probe(path)


@pytest.mark.parametrize("rate", [1000, 8000, 384_000, 1_000_000])
def test_rates_at_the_bounds_are_measured(tmp_path: Path, rate: int) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(wave(rate=rate, samples=2 * rate))
    blocks = read(probe(path))[0]
    check_rows(blocks)
    assert extent(blocks) == (0, 200)
    assert max(b.samples.shape[1] for b in blocks) <= 1 << 20


def test_a_frame_of_many_samples_becomes_blocks_of_a_bounded_size() -> None:
    track = AudioTrack(0, 0, "pcm_s16le", 1, "mono", _RATE, 1)
    decoder = SoundDecoder(None, track, Fraction(0))  # type: ignore[arg-type]
    frame = _stamped(np.zeros((1, 5_000_000), np.int16), 0)
    blocks = [*decoder.decode(_Fed([frame])), *decoder.finish()]  # type: ignore[arg-type]
    check_rows(blocks)
    assert max(b.samples.shape[1] for b in blocks) <= (1 << 20) + _RATE
    assert joined(blocks).shape[1] == 5_000_000


@pytest.mark.parametrize(
    ("announced", "seconds"),
    [
        (None, 1),
        (96_000 * 3, 3),
        (0, 1),  # not filled in
        (2**32 - 1, 1),  # not known
    ],
)
def test_a_wav_says_how_long_it_is(
    tmp_path: Path, announced: int | None, seconds: int
) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(wave(announced=announced))
    assert probe(path).duration == seconds


@pytest.mark.parametrize("text", ["\u00b2", "9" * 5000, "-5", "\u0663", ""])
def test_a_time_reference_that_is_no_number_is_none(tmp_path: Path, text: str) -> None:
    clip = _with_reference(tmp_path / "a.flac", text)
    assert probe(clip).timecode_source == "none"


@pytest.mark.parametrize("text", ["172800000", "9" * 18])
def test_a_time_reference_that_is_a_number_counts(tmp_path: Path, text: str) -> None:
    info = probe(_with_reference(tmp_path / "a.flac", text))
    assert info.timecode_source == "sound file's time reference"
    # 172 800 000 samples of 48 kHz are an hour.
    assert len(text) == 18 or info.start_timecode == "01:00:00:00"


def _with_reference(path: Path, text: str) -> Path:
    sound = Sound(synth.ramps(1, 4800), "flac", layout="mono")
    return synth.write(path, sounds=[sound], metadata={"time_reference": text})
