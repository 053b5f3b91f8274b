"""What is found out about a recording is what the recorder put in.

Expected values are those that were written. Code points are of ITU-T H.273, the display
matrix is of ISO/IEC 14496-12.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import av
import pytest
from av.video.frame import VideoFrame

from qc.errors import UsageError
from qc.media import probe
from qc.media.labels import _gop_label, _picture_label, _st12_label
from qc.media.probe import _own_duration
from tests import synth
from tests.synth import (
    BT470BG,
    BT709,
    BT2020,
    FULL,
    HLG,
    LIMITED,
    PQ,
    SMPTE170M,
    Sound,
    Video,
)

SMALL = synth.scene(6, 96, 64)
NTSC_24, NTSC_30, NTSC_60 = (Fraction(n * 1000, 1001) for n in (24, 30, 60))


def tags(*points: int) -> dict[str, int]:
    return dict(zip(("range", "matrix", "transfer", "primaries"), points, strict=True))


# ---------------------------------------------------------------------------- signal


@pytest.mark.parametrize(
    ("given", "expected"),
    [
        (tags(LIMITED, BT709, 1, 1), (False, "bt709", "bt709", "bt709")),
        (tags(FULL, BT709, 1, 1), (True, "bt709", "bt709", "bt709")),
        (tags(LIMITED, BT470BG, 6, 5), (False, "bt601", "bt709", "bt601-625")),
        (tags(LIMITED, SMPTE170M, 6, 6), (False, "bt601", "bt709", "bt601-525")),
        (tags(LIMITED, BT709, 13, 1), (False, "bt709", "srgb", "bt709")),
        (tags(LIMITED, BT2020, 14, 9), (False, "bt2020", "bt709", "bt2020")),
        (tags(LIMITED, BT2020, HLG, 9), (False, "bt2020", "hlg", "bt2020")),
        (tags(FULL, BT2020, HLG, 9), (True, "bt2020", "hlg", "bt2020")),
        (tags(LIMITED, BT2020, PQ, 9), (False, "bt2020", "pq", "bt2020")),
        (tags(LIMITED, BT709, 4, 1), (False, "bt709", "gamma22", "bt709")),
        (tags(LIMITED, BT470BG, 5, 5), (False, "bt601", "gamma28", "bt601-625")),
        (tags(LIMITED, BT709, 1, 12), (False, "bt709", "bt709", "p3-d65")),
    ],
)
@pytest.mark.parametrize(("codec", "ending"), [("libx264", "mp4"), ("libx265", "mov")])
def test_the_signal_is_as_tagged(
    tmp_path: Path,
    codec: str,
    ending: str,
    given: dict[str, int],
    expected: tuple[bool, str, str, str],
) -> None:
    options = synth.h264() if codec == "libx264" else synth.hevc()
    video = Video(codec, options=options, tags=given)
    info = probe(synth.write(tmp_path / f"a.{ending}", SMALL, video))
    assert info.video is not None
    signal = info.video.signal
    found = (signal.full_range, signal.matrix, signal.transfer, signal.primaries)
    assert found == expected
    # Nothing about colour had to be assumed.
    assert [a for a in info.assumed if "timecode" not in a] == []


@pytest.mark.parametrize(
    ("pixel_format", "codec", "depth"),
    [
        ("yuv420p", "libx264", 8),
        ("yuv422p10le", "libx264", 10),
        ("yuv422p10le", "prores_ks", 10),
        ("yuv420p12le", "libx265", 12),
        ("yuv444p12le", "ffv1", 12),
        ("yuv444p16le", "ffv1", 16),
    ],
)
def test_depth_is_native(
    tmp_path: Path, pixel_format: str, codec: str, depth: int
) -> None:
    options = {"libx264": synth.h264(), "libx265": synth.hevc()}.get(codec, {})
    pictures = synth.scene(3, 96, 64, pixel_format)
    ending = "mkv" if codec == "ffv1" else "mov"
    video = Video(codec, pixel_format, options=options)
    info = probe(synth.write(tmp_path / f"a.{ending}", pictures, video))
    assert info.video is not None
    assert info.video.signal.bit_depth == depth
    assert info.video.pixel_format == pixel_format


@pytest.mark.parametrize(
    ("height", "matrix"),
    # Common practice, no source: 720 lines and more are BT.709.
    [(576, "bt601"), (480, "bt601"), (720, "bt709"), (1080, "bt709")],
)
def test_what_is_not_marked_is_assumed_and_told(
    tmp_path: Path, height: int, matrix: str
) -> None:
    pictures = synth.scene(2, 64, height)
    video = Video(options=synth.h264())
    info = probe(synth.write(tmp_path / "a.mp4", pictures, video))
    assert info.video is not None
    signal = info.video.signal
    assert (signal.matrix, signal.full_range, signal.transfer) == (
        matrix,
        False,
        "bt709",
    )
    told = " ".join(info.assumed)
    assert "range of the levels is not marked" in told
    assert f"colour matrix is not marked: BT.{matrix[2:]} is assumed" in told
    assert "transfer curve is not marked" in told


def test_where_container_and_picture_disagree_the_picture_is_believed(
    tmp_path: Path,
) -> None:
    said = "colorprim=bt2020:transfer=arib-std-b67:colormatrix=bt2020nc"
    video = Video(options=synth.h264(extra=said), tags=tags(LIMITED, BT709, 1, 1))
    clip = synth.write(
        tmp_path / "a.mov", SMALL, video, options={"movflags": "+write_colr"}
    )
    info = probe(clip)
    assert info.video is not None
    assert info.video.signal.matrix == "bt2020"
    assert info.video.signal.transfer == "hlg"
    told = " ".join(info.assumed)
    assert "says the colour matrix is BT.709, the picture itself BT.2020" in told
    assert "BT.2100 HLG camera curve: the picture is believed" in told


# ------------------------------------------------------------------------------ rate


@pytest.mark.parametrize(
    "rate",
    [NTSC_24, *map(Fraction, (24, 25)), NTSC_30, Fraction(30), Fraction(50), NTSC_60,
     Fraction(60), Fraction(120)],
    ids=str,
)  # fmt: skip
@pytest.mark.parametrize("ending", ["mp4", "mov", "mkv", "ts", "mpg", "avi", "mxf"])
def test_frame_rates_are_the_exact_ones(
    tmp_path: Path, ending: str, rate: Fraction
) -> None:
    if ending in ("mpg", "mxf"):
        video = Video("mpeg2video", rate=rate, options={"b": "5000000", "bf": "2"})
    else:
        video = Video(rate=rate, options=synth.h264())
    info = probe(synth.write(tmp_path / f"a.{ending}", synth.scene(20, 192, 96), video))
    assert info.video is not None
    assert info.video.frame_rate == rate
    assert info.timecode.rate == rate


def test_a_phones_uneven_rate_is_the_rate_it_aims_at(tmp_path: Path) -> None:
    # A frame held at the start makes the mean 29.4; the recorder aims at 30.
    ticks = [0, 16_610] + [16_610 + 2999 * i for i in range(1, 40)]
    video = Video(
        rate=Fraction(30),
        options=synth.h264(b_frames=0),
        ticks=ticks,
        time_base=Fraction(1, 90_000),
    )
    info = probe(synth.write(tmp_path / "a.mp4", synth.scene(41, 96, 64), video))
    assert info.video is not None
    assert info.video.frame_rate == 30
    assert info.video.frames_expected == info.frames_expected == 41


@pytest.mark.parametrize("ending", ["mp4", "mov", "mkv", "mxf", "mpg", "ts"])
def test_length_and_count(tmp_path: Path, ending: str) -> None:
    if ending in ("mpg", "mxf"):
        video = Video("mpeg2video", options={"b": "5000000", "bf": "2"})
    else:
        video = Video(options=synth.h264())
    info = probe(synth.write(tmp_path / f"a.{ending}", synth.scene(50, 192, 96), video))
    # A program stream holds no length: FFmpeg takes it from the last times it finds.
    slack = 3 if ending == "mpg" else 0
    assert info.duration == pytest.approx(Fraction(2), abs=slack / 25 + 0.002)
    assert info.frames_expected is not None
    assert abs(info.frames_expected - 50) <= slack


@pytest.mark.parametrize("ending", ["mkv", "mov", "mp4"])
def test_sound_that_is_longer_makes_no_frames_missing(
    tmp_path: Path, ending: str
) -> None:
    # 50 frames are 2 s; 2.5 s of sound are longer by 12 frames.
    sound = Sound(synth.ramps(2, 120_000, "f4"), "aac", "fltp")
    video = Video(options=synth.h264())
    path = tmp_path / f"a.{ending}"
    info = probe(synth.write(path, synth.scene(50, 96, 64), video, [sound]))
    assert info.frames_expected == 50
    assert info.duration == pytest.approx(Fraction(2), abs=0.002)


def _tagged(tag: dict[str, str], *, start: str = "0", whole: str = "60") -> Any:
    stream = SimpleNamespace(duration=None, time_base=Fraction(1, 1000), metadata=tag)
    form = SimpleNamespace(name="matroska,webm")
    container = SimpleNamespace(format=form, duration=round(float(whole) * 1_000_000))
    return _own_duration(
        cast("Any", stream), cast("Any", container), Fraction(start), Fraction(0)
    )


def test_the_length_of_a_stream_in_matroska() -> None:
    # Matroska has no length of a stream but in a tag of hours, minutes, seconds.
    assert _tagged({"DURATION": "00:00:03.040000000"}) == Fraction("3.04")
    assert _tagged({"DURATION": "01:00:03.5"}, whole="3604") == Fraction("3603.5")
    assert _tagged({"DURATION": "00:00:03.0"}, start="0.5") == Fraction("2.5")
    statistics = {"DURATION-eng": "00:00:03.0", "_STATISTICS_TAGS-eng": "DURATION"}
    assert _tagged(statistics, start="0.5") == 3
    assert _tagged({"DURATION": "00:02:00.0"}) is None  # of a longer recording
    assert _tagged({"DURATION": "soon"}) is None
    assert _tagged({}) is None


# ----------------------------------------------------------------- shape of a picture

_ONE, _MINUS = 1 << 16, -(1 << 16)


@pytest.mark.parametrize(
    ("matrix", "clockwise"),
    [
        # ISO/IEC 14496-12, 6.2.2 (from memory): x' = a x + c y, y' = b x + d y, written
        # a b u, c d v, x y w; y runs downwards, so a = 0, b = 1 turns right to down.
        ((_ONE, 0, 0, 0, _ONE, 0, 0, 0, 1 << 30), 0),
        ((0, _ONE, 0, _MINUS, 0, 0, 0, 0, 1 << 30), 90),
        ((_MINUS, 0, 0, 0, _MINUS, 0, 0, 0, 1 << 30), 180),
        ((0, _MINUS, 0, _ONE, 0, 0, 0, 0, 1 << 30), 270),
    ],
)
def test_rotation_is_clockwise(
    tmp_path: Path, matrix: tuple[int, ...], clockwise: int
) -> None:
    video = Video(options=synth.h264(), matrix=matrix)
    info = probe(synth.write(tmp_path / "a.mp4", SMALL, video))
    assert info.video is not None
    assert info.video.rotation == clockwise
    # The coded picture stays as it is.
    assert (info.video.width, info.video.height) == (96, 64)


@pytest.mark.parametrize("ending", ["mp4", "mkv", "ts"])
def test_pixel_aspect(tmp_path: Path, ending: str) -> None:
    # BT.601 with 720 x 576 for a 16:9 screen: 64 to 45 (common practice, no source).
    video = Video(options=synth.h264(), pixel_aspect=Fraction(64, 45))
    info = probe(synth.write(tmp_path / f"a.{ending}", SMALL, video))
    assert info.video is not None
    assert info.video.pixel_aspect == Fraction(64, 45)


def test_square_pixels_unless_told(tmp_path: Path) -> None:
    info = probe(synth.write(tmp_path / "a.mp4", SMALL, Video(options=synth.h264())))
    assert info.video is not None
    assert info.video.pixel_aspect == 1
    assert info.video.rotation == 0


# -------------------------------------------------------------------------- timecode


@pytest.mark.parametrize(
    ("ending", "codec", "rate", "label", "source"),
    [
        ("mov", "libx264", Fraction(25), "10:00:00:05", "picture stream"),
        ("mov", "prores_ks", Fraction(50), "09:59:59:49", "picture stream"),
        ("mov", "libx264", NTSC_30, "01:00:00:00", "picture stream"),
        ("mov", "libx264", NTSC_30, "01:01:00;02", "picture stream"),
        ("mp4", "libx264", NTSC_60, "23:59:59;59", "picture stream"),
        ("mov", "dnxhd", NTSC_24, "00:00:01:23", "picture stream"),
        ("mxf", "mpeg2video", Fraction(25), "10:00:00:05", "container"),
        ("mxf", "mpeg2video", NTSC_30, "10:10:00;02", "container"),
        ("mxf", "dnxhd", Fraction(25), "10:00:00:05", "container"),
        ("mkv", "libx264", Fraction(25), "10:00:00:05", "picture stream"),
    ],
)
def test_start_timecode(
    tmp_path: Path, ending: str, codec: str, rate: Fraction, label: str, source: str
) -> None:
    options = {
        "libx264": synth.h264(),
        "dnxhd": {"profile": "dnxhr_hq"},
        "mpeg2video": {"b": "5000000"},
    }.get(codec, {})
    deeper = {"prores_ks": "yuv422p10le", "dnxhd": "yuv422p"}
    pixel_format = deeper.get(codec, "yuv420p")
    video = Video(codec, pixel_format, rate, options, timecode=label)
    pictures = synth.scene(4, 320, 192, pixel_format)
    info = probe(synth.write(tmp_path / f"a.{ending}", pictures, video))
    assert info.start_timecode == label
    assert info.timecode.drop_frame == (";" in label)
    assert info.timecode_source == source
    assert info.timecode.frame(label) == info.start_frame


@pytest.mark.parametrize(
    ("rate", "label"), [(Fraction(25), "01:02:03:04"), (NTSC_30, "01:02:03;04")]
)
def test_time_code_of_mpeg2_pictures(
    tmp_path: Path, rate: Fraction, label: str
) -> None:
    # Tape-born cameras write it with each group of pictures (ISO/IEC 13818-2, 6.3.8).
    options = {"b": "2000000", "gop_timecode": label}
    video = Video("mpeg2video", rate=rate, options=options)
    info = probe(synth.write(tmp_path / "a.ts", SMALL, video))
    assert (info.start_timecode, info.timecode_source) == (label, "first picture")


def test_without_timecode_labels_count_from_zero(tmp_path: Path) -> None:
    for name, video in {
        "a.mp4": Video(options=synth.h264()),
        # The time code of its groups of pictures is there, but all zero.
        "a.mpg": Video("mpeg2video", options={"b": "2000000"}),
    }.items():
        info = probe(synth.write(tmp_path / name, SMALL, video))
        assert (info.start_timecode, info.timecode_source) == ("00:00:00:00", "none")
        assert any("no start timecode" in a for a in info.assumed)


def test_a_timecode_that_does_not_exist_is_told_and_not_used(tmp_path: Path) -> None:
    clip = synth.write(
        tmp_path / "a.mkv",
        SMALL,
        Video(options=synth.h264()),
        metadata={"timecode": "10:00:61:00"},
    )
    info = probe(clip)
    assert info.timecode_source == "none"
    assert any(
        "'10:00:61:00' of the container cannot be used" in a for a in info.assumed
    )


def test_frames_that_cannot_be_decoded_keep_their_labels(tmp_path: Path) -> None:
    # The first picture is destroyed: the first that can be shown is the second.
    video = Video(options=synth.h264(group=1, b_frames=0), timecode="10:00:00:00")
    whole = synth.write(tmp_path / "a.mov", synth.scene(8), video)
    first = synth.coded_pictures(whole)[0]
    broken = synth.overwrite(
        whole, tmp_path / "b.mov", first.place, first.place + first.size
    )
    info = probe(broken)
    assert info.start_timecode == "10:00:00:01"
    assert info.duration == pytest.approx(Fraction(7, 25), abs=0.001)


@pytest.mark.parametrize(
    ("fields", "rate", "expected"),
    [
        # ST 12-1 as FFmpeg's av_timecode_get_smpte documents it (from memory): drop
        # flag bit 30, frames from 24, seconds from 16, minutes from 8, hours from 0;
        # over 30 frames a second the count is halved, the field flag (bit 7 at 50,
        # bit 23 at 60) tells which of the two.
        ((10, 20, 30, 12, False, 0), Fraction(25), "10:20:30:12"),
        ((1, 0, 0, 2, True, 0), NTSC_30, "01:00:00;02"),
        ((10, 20, 30, 24, False, 1 << 7), Fraction(50), "10:20:30:49"),
        ((10, 20, 30, 24, False, 0), Fraction(50), "10:20:30:48"),
        ((10, 20, 30, 29, True, 1 << 23), NTSC_60, "10:20:30;59"),
    ],
)
def test_labels_in_pictures(
    fields: tuple[int, int, int, int, bool, int], rate: Fraction, expected: str
) -> None:
    hours, minutes, seconds, frames, drop, field = fields

    def decimal(value: int) -> int:
        return value // 10 << 4 | value % 10

    word = (
        decimal(frames) << 24
        | decimal(seconds) << 16
        | decimal(minutes) << 8
        | decimal(hours)
        | drop << 30
        | field
    )
    data = b"".join(n.to_bytes(4, "little") for n in (1, word, 0, 0))
    assert _st12_label(data, rate) == expected


def test_no_label_in_a_picture() -> None:
    assert _st12_label(bytes(16), Fraction(25)) is None
    assert _gop_label(bytes(8), Fraction(25)) is None
    # Only the marker bit, as encoders write that know no time.
    assert _gop_label((1 << 12).to_bytes(8, "little"), Fraction(25)) is None
    assert _picture_label(VideoFrame(32, 16, "yuv420p"), Fraction(25)) is None


def test_side_data_of_unknown_kinds_does_no_harm() -> None:
    class Newer(SimpleNamespace):
        @property
        def side_data(self) -> Any:
            raise ValueError("99 is not a valid Type")

    assert _picture_label(cast(VideoFrame, Newer()), Fraction(25)) is None


def test_time_reference_of_a_broadcast_wave(tmp_path: Path) -> None:
    # EBU Tech 3285: samples since midnight. 10 h 0 min 1.2 s at 48 kHz.
    samples = round((36_000 + Fraction(6, 5)) * 48_000)
    clip = synth.write(
        tmp_path / "a.wav",
        sounds=[Sound(synth.ramps(2, 4800, "i4"), "pcm_s24le", "s32")],
        options={"write_bext": "1"},
        metadata={"time_reference": str(samples), "originator": "test"},
    )
    info = probe(clip)
    assert info.start_timecode == "10:00:01:05"  # 25 labels a second
    assert info.timecode_source == "sound file's time reference"


# --------------------------------------------------------------------------- streams


def test_an_attached_picture_is_not_measured(tmp_path: Path) -> None:
    cover = Video("png", "rgb24", Fraction(1), attached=True)
    square = [(synth.scene(1, 96, 32)[0][0],)]
    clip = synth.write(
        tmp_path / "a.mp4",
        [SMALL, square],
        [Video(options=synth.h264()), replace(cover, pixel_format="gray")],
    )
    info = probe(clip)
    assert info.video is not None
    assert info.video.codec == "h264"
    assert info.left_out == ("stream 1: an attached picture",)
    with pytest.raises(
        UsageError, match="no picture stream 1: it has 1 picture stream"
    ):
        probe(clip, video=1)


def test_sound_with_a_cover_is_a_sound_file(tmp_path: Path) -> None:
    cover = Video("png", "gray", Fraction(1), attached=True)
    clip = synth.write(
        tmp_path / "a.mp4",
        [[(synth.scene(1, 96, 32)[0][0],)]],
        [cover],
        [Sound(synth.ramps(2, 9000, "f4"), "aac", "fltp")],
    )
    info = probe(clip)
    assert info.video is None
    assert len(info.audio) == 1


def test_which_picture_stream_is_measured(tmp_path: Path) -> None:
    video = Video(options=synth.h264())
    clip = synth.write(
        tmp_path / "a.mov", [SMALL, synth.scene(6, 128, 80)], [video, video]
    )
    first, second = probe(clip), probe(clip, video=1)
    assert first.video is not None
    assert second.video is not None
    assert (first.video.number, first.video.width) == (0, 96)
    assert (second.video.number, second.video.width) == (1, 128)
    assert first.left_out == (
        "picture stream 1 (128x80, h264): measure it with --video 1",
    )
    assert second.left_out == (
        "picture stream 0 (96x64, h264): measure it with --video 0",
    )
    for wrong in (2, -1):
        with pytest.raises(
            UsageError,
            match=f"no picture stream {wrong}: it has 2 picture streams, counted",
        ):
            probe(clip, video=wrong)


@pytest.mark.parametrize("ending", ["mkv", "avi", "ts"])
def test_a_picture_stream_without_pictures_is_not_measured(
    tmp_path: Path, ending: str
) -> None:
    # Two are announced, of 96 and of 128 pixels across; only the second has pictures.
    clip = tmp_path / f"a.{ending}"
    with av.open(str(clip), "w") as out:
        for width in (96, 128):
            stream = out.add_stream("mpeg4", rate=25)
            stream.width, stream.height, stream.pix_fmt = width, 80, "yuv420p"
        for planes in synth.scene(6, 128, 80):
            out.mux(stream.encode(synth.frame_of(planes, "yuv420p")))
        out.mux(stream.encode(None))
    info = probe(clip)
    assert info.video is not None
    assert (info.video.number, info.video.width) == (1, 128)
    (left,) = info.left_out
    assert left.startswith("picture stream 0")
    assert "the file begins without it" in left


def test_a_sound_file_has_no_picture_stream(tmp_path: Path) -> None:
    clip = synth.write(tmp_path / "a.wav", sounds=[Sound(synth.ramps(2, 4800))])
    with pytest.raises(UsageError, match="no picture stream 0: it has no picture"):
        probe(clip, video=0)


def test_a_take_without_sound(tmp_path: Path) -> None:
    info = probe(synth.write(tmp_path / "a.mp4", SMALL, Video(options=synth.h264())))
    assert info.audio == ()
