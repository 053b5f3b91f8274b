"""Real recordings, where they are at hand: read whole, and known facts found.

The recordings are other people's, openly licensed, and none of them is part of the
project. They are looked for in the folder named by ``QC_FOOTAGE``, else in
``../shared/footage`` beside the project. Facts are those of the recordings' own
descriptions and of a count of packets by PyAV alone.
"""

from __future__ import annotations

import itertools
import os
from functools import cache
from pathlib import Path

import av
import numpy as np
import pytest

import qc
from qc.media import TakeReader, probe, stills_at
from qc.pipeline import check_take
from qc.records import Grade, Picture, SoundBlock, TakeInfo, TakeResult

pytestmark = pytest.mark.footage

ROOT = Path(qc.__file__).parents[1]
FOLDER = Path(os.environ.get("QC_FOOTAGE") or ROOT.parent / "shared" / "footage")

# Name; frames shown; frames a second; channels of each sound track.
RECORDINGS: dict[str, tuple[int, str, tuple[int, ...]]] = {
    "VID_20191220_170832.mp4": (41, "30", (2,)),
    "audio-mono-8-bit-44100Hz.wav": (0, "", (1,)),
    "audio-stereo-24-bit-44100Hz.wav": (0, "", (2,)),
    "bikes.mp4": (250, "25", ()),
    "bt601.mov": (30, "30000/1001", (1,)),
    "cap13_edit2.mp4": (765, "25", ()),
    "cap13_edit2.webm": (752, "25", ()),
    "carphone_distorted.mp4": (120, "30000/1001", ()),
    "carphone_pristine.mp4": (120, "30000/1001", ()),
    "cityCC0.mpg": (190, "25", ()),
    "debian.wav": (0, "", (1,)),
    "deleted.wav": (0, "", (1,)),
    "drawing_silent_sound.mp4": (209, "30", (2,)),
    "h265_with_metadata_track.mp4": (3, "30000/1001", (2,)),
    "hdr10-av1.mp4": (127, "30000/1001", (2,)),
    "hdr10-video-with-sdr-container.mp4": (28, "30", (2,)),
    "karma.mp4": (362, "30000/1001", (2,)),
    "nasa_13013.mp4": (325, "25", (2, 2)),
    "recording1.wav": (0, "", (2,)),
    "sample_eac3.mp4": (0, "", (6,)),
    "sample_edit_list.mp4": (77, "30000/1001", (2,)),
    "sample_mdat_too_long.mp4": (30, "30000/1001", (1,)),
    "sample_missing_stsd.mp4": (30, "30000/1001", ()),
    "sample_sef_slow_motion.mp4": (63, "30", (2,)),
}

# Its 54 packets are 1536 samples apart, but by their own headers hold 256 each (one
# block: ETSI TS 102 366, annex E, numblkscod). All but the last leave a gap.
GAPPY = "sample_eac3.mp4"


def recording(name: str) -> Path:
    path = FOLDER / name
    if not path.is_file():
        pytest.skip(f"{name} is not at hand: set QC_FOOTAGE to the folder it is in")
    return path


def known(name: str) -> TakeInfo:
    return probe(recording(name))


@cache
def _checked(name: str) -> TakeResult:
    result = check_take(FOLDER / name)
    assert isinstance(result, TakeResult), result
    return result


def checked(name: str) -> TakeResult:
    recording(name)
    return _checked(name)


@pytest.mark.parametrize("name", RECORDINGS)
def test_every_recording_is_read_to_its_end(name: str) -> None:
    frames, rate, channels = RECORDINGS[name]
    info = known(name)
    assert tuple(t.channels for t in info.audio) == channels
    if rate:
        assert info.video is not None
        assert str(info.video.frame_rate) == rate
    pictures, edges, samples = 0, [-1], 0
    with TakeReader(info) as reader:
        for item in reader:
            if isinstance(item, SoundBlock):
                samples += item.samples.shape[1]
                assert np.all(np.isfinite(item.samples))
            elif isinstance(item, Picture):
                pictures += 1
                edges.append(item.pts)
                assert not item.damaged
    assert pictures == frames
    assert all(np.diff(edges) > 0)
    assert bool(samples) == bool(channels)
    assert reader.ended_early == ""
    assert all(s.errors == 0 for s in reader.sounds.values())
    gaps = sum(s.gaps for s in reader.sounds.values())
    assert gaps == (53 if name == GAPPY else 0)
    if reader.pictures is not None:
        assert reader.pictures.errors == 0
        assert reader.pictures.missing == []
        assert reader.pictures.changed_format == reader.pictures.restarts == 0


@pytest.mark.parametrize(
    "name",
    [
        "bt601.mov",
        "cap13_edit2.webm",
        "carphone_pristine.mp4",
        "cityCC0.mpg",
        "h265_with_metadata_track.mp4",
        "karma.mp4",
        "VID_20191220_170832.mp4",
    ],
)
def test_threads_change_nothing(name: str) -> None:
    info = known(name)
    sums = []
    for threads in (1, 3):
        with TakeReader(info, threads=threads) as reader:
            sums.append(
                [
                    (p.pts, p.damaged, p.key, int(p.y[::7, ::7].sum(dtype=np.int64)))
                    for p in reader
                    if isinstance(p, Picture)
                ]
            )
    assert sums[0] == sums[1]


@pytest.mark.parametrize("name", RECORDINGS)
def test_every_recording_can_be_checked(name: str) -> None:
    result = checked(name)
    assert result.grade is not Grade.UNREADABLE
    assert result.coverage.frames_read == RECORDINGS[name][0]
    assert result.coverage.frames_damaged == result.coverage.frames_missing == 0
    damage = [f for f in result.findings if f.rule == "file.damaged"]
    assert bool(damage) == (name == GAPPY)


@pytest.mark.parametrize("name", [n for n, r in RECORDINGS.items() if r[0]])
def test_stills_can_be_fetched(name: str) -> None:
    info = known(name)
    wanted: dict[int, np.ndarray] = {}
    with TakeReader(info) as reader:
        pictures = (p for p in reader if isinstance(p, Picture))
        for p in itertools.islice(pictures, 9):
            if p.index in (0, 8):
                wanted[p.pts] = p.y.copy()
    found = dict(stills_at(info, wanted))
    assert set(found) == set(wanted)
    for tick, y in wanted.items():
        np.testing.assert_array_equal(found[tick].picture.y, y)


# ------------------------------------------------------------------------ known facts


def test_webcam_lacks_thirteen_frames() -> None:
    # Places on the 25 fps grid that the .webm lacks and the .mp4 of the same take has.
    lacking = {1, 73, 205, 265, 313, 385, 386, 434, 445, 482, 529, 673, 709}
    info = known("cap13_edit2.webm")
    with TakeReader(info) as reader:
        shown = {
            info.grid.nearest(reader.position(p))
            for p in reader
            if isinstance(p, Picture)
        }
    assert set(range(765)) - shown == lacking
    with TakeReader(other := known("cap13_edit2.mp4")) as reader:
        whole = {
            other.grid.nearest(reader.position(p))
            for p in reader
            if isinstance(p, Picture)
        }
    assert whole == set(range(765))


def test_karma_contradicts_itself_about_its_range() -> None:
    info = known("karma.mp4")
    assert info.video is not None
    assert info.video.signal.full_range
    assert any("limited range, the picture itself full" in a for a in info.assumed)
    assert (info.start_timecode, info.timecode.drop_frame) == ("19:26:48:04", False)
    assert info.timecode_source != "none"


def test_nasa_has_two_picture_streams_and_says_so() -> None:
    info = known("nasa_13013.mp4")
    assert info.left_out == (
        "picture stream 1 (480x270, h264): measure it with --video 1",
    )
    other = probe(recording("nasa_13013.mp4"), video=1)
    assert other.video is not None
    assert (other.video.width, other.video.height) == (480, 270)
    with TakeReader(other) as reader:
        assert sum(isinstance(x, Picture) for x in reader) > 300


def test_an_edit_list_shows_77_of_86() -> None:
    info = known("sample_edit_list.mp4")
    assert info.video is not None
    with av.open(str(recording("sample_edit_list.mp4"))) as source:
        packets = [p for p in source.demux(source.streams.video[0]) if p.size]
    assert len(packets) == info.video.frames_expected == 86
    assert sum(not p.is_discard for p in packets) == 77
    signal = info.video.signal
    assert (signal.bit_depth, signal.transfer, signal.matrix) == (10, "hlg", "bt2020")
    # Turned by -90 degrees counterclockwise, which is 90 clockwise.
    assert info.video.rotation == 90


def test_tags_of_hdr_and_full_range() -> None:
    for name in ("hdr10-av1.mp4", "hdr10-video-with-sdr-container.mp4"):
        video = known(name).video
        assert video is not None
        assert (video.signal.bit_depth, video.signal.transfer) == (10, "pq")
        assert video.signal.primaries == "bt2020"
    video = known("h265_with_metadata_track.mp4").video
    assert video is not None
    assert video.signal.full_range
    assert video.rotation == 90


def test_tags_of_bt601() -> None:
    video = known("bt601.mov").video
    assert video is not None
    assert (video.signal.matrix, video.signal.primaries) == ("bt601", "bt601-525")


def test_pixels_that_are_not_square() -> None:
    video = known("carphone_pristine.mp4").video
    assert video is not None
    assert str(video.pixel_aspect) == "128/117"


def test_sound_in_an_unknown_format_is_left_out_and_told() -> None:
    info = known("sample_missing_stsd.mp4")
    assert info.audio == ()
    assert info.left_out == ("stream 1: sound in an unknown format",)


def test_a_phone_holds_its_first_frame() -> None:
    # 185 ms, then 33.3 ms each.
    info = known("VID_20191220_170832.mp4")
    with TakeReader(info) as reader:
        times = [float(reader.position(p)) for p in reader if isinstance(p, Picture)]
    steps = np.diff(times)
    assert steps[0] == pytest.approx(0.1846, abs=0.001)
    assert steps[1:] == pytest.approx(0.0333, abs=0.0002)


def test_steps_and_gaps_of_a_phone() -> None:
    # A step of 52 ms, and a gap of 100 ms behind frame 15.
    info = known("hdr10-video-with-sdr-container.mp4")
    with TakeReader(info) as reader:
        times = [float(reader.position(p)) for p in reader if isinstance(p, Picture)]
    steps = np.diff(times)
    assert steps[0] == pytest.approx(0.052, abs=0.001)
    assert steps[15] == pytest.approx(0.100, abs=0.001)


def test_sound_of_twelve_kilohertz_and_surround() -> None:
    (track,) = known("sample_sef_slow_motion.mp4").audio
    assert track.sample_rate == 12_000
    (track,) = known("sample_eac3.mp4").audio
    assert track.layout.startswith("5.1")
    assert known("sample_eac3.mp4").video is None


def test_levels_of_the_sound_files() -> None:
    # Sample peaks in dBFS from the recordings' descriptions.
    for name, expected in {
        "recording1.wav": -4.2,
        "debian.wav": -5.1,
        "deleted.wav": -10.9,
    }.items():
        with TakeReader(known(name)) as reader:
            peak = max(
                float(np.abs(b.samples).max())
                for b in reader
                if isinstance(b, SoundBlock)
            )
        assert 20 * np.log10(peak) == pytest.approx(expected, abs=0.1)


def test_digital_silence_is_zero() -> None:
    with TakeReader(known("drawing_silent_sound.mp4")) as reader:
        assert all(not np.any(b.samples) for b in reader if isinstance(b, SoundBlock))
