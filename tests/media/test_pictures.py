"""Planes come out as they were put in: bit for bit through lossless codecs.

Expected values are the planes that were encoded; colour arithmetic is that of BT.709.
"""

from __future__ import annotations

import itertools
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from av.video.frame import VideoFrame

from qc.media import TakeReader, probe
from qc.media.planes import planes_of, target_format, to_rgb
from qc.records import Picture, TakeInfo
from qc.signal import Signal
from tests import synth
from tests.synth import Planes, Video

LOSSLESS = [
    # codec, container, pixel format
    ("ffv1", "mkv", "yuv420p"),
    ("ffv1", "mkv", "yuv422p"),
    ("ffv1", "mkv", "yuv444p"),
    ("ffv1", "mkv", "yuv411p"),
    ("ffv1", "mkv", "yuv420p10le"),
    ("ffv1", "mkv", "yuv422p10le"),
    ("ffv1", "mkv", "yuv422p12le"),
    ("ffv1", "mkv", "yuv444p12le"),
    ("ffv1", "mkv", "yuv444p16le"),
    ("ffv1", "mkv", "gray"),
    ("ffv1", "mkv", "gray10le"),
    ("libx264", "mp4", "yuv420p"),
    ("libx264", "mkv", "yuv444p"),
    ("libx264", "mov", "yuv422p10le"),
    ("libx265", "mp4", "yuv420p10le"),
    ("ffvhuff", "avi", "yuv422p"),
    ("utvideo", "avi", "yuv420p"),
    ("rawvideo", "avi", "yuv420p"),
    ("v210", "mov", "yuv422p10le"),
]


def lossless(codec: str) -> dict[str, str]:
    return {
        "libx264": synth.h264(lossless=True),
        "libx265": synth.hevc(lossless=True),
    }.get(codec, {})


def read(info: TakeInfo, threads: int = 0) -> list[tuple[Picture, Planes]]:
    """Read every picture; planes are copied, for they live as long as the frame."""
    with TakeReader(info, threads=threads) as reader:
        return [
            (p, (p.y.copy(), p.cb.copy(), p.cr.copy()))
            for p in reader
            if isinstance(p, Picture)
        ]


@pytest.mark.parametrize(("codec", "ending", "pixel_format"), LOSSLESS)
@pytest.mark.parametrize(("width", "height"), [(64, 48), (72, 38)])
def test_planes_are_those_put_in(
    tmp_path: Path, codec: str, ending: str, pixel_format: str, width: int, height: int
) -> None:
    put_in = synth.noise(pixel_format, width, height, 5)
    if codec == "v210":
        # Its encoder keeps off the codes that the serial interfaces reserve.
        put_in = [tuple(np.clip(p, 4, 1019) for p in planes) for planes in put_in]
    video = Video(codec, pixel_format, options=lossless(codec))
    clip = synth.write(tmp_path / f"a.{ending}", put_in, video)

    info = probe(clip)
    found = read(info)

    depth = synth.depth_of(pixel_format)
    assert info.video is not None
    assert (info.video.width, info.video.height) == (width, height)
    assert info.video.signal.bit_depth == depth
    assert len(found) == len(put_in)
    for (picture, planes), expected in zip(found, put_in, strict=True):
        assert planes[0].dtype == (np.uint8 if depth == 8 else np.uint16)
        assert not picture.y.flags.writeable
        assert not picture.cb.flags.writeable
        for got, want in zip(planes, expected, strict=False):
            np.testing.assert_array_equal(got, want)
        assert not picture.damaged
    assert [p.index for p, _ in found] == list(range(5))


@pytest.mark.parametrize(("width", "height"), [(65, 49), (33, 17)])
@pytest.mark.parametrize("pixel_format", ["yuv420p", "yuv422p10le", "yuv444p"])
def test_odd_sizes_keep_their_last_row_and_column(
    tmp_path: Path, pixel_format: str, width: int, height: int
) -> None:
    put_in = synth.noise(pixel_format, width, height, 3)
    clip = synth.write(tmp_path / "a.mkv", put_in, Video("ffv1", pixel_format))

    for (_, planes), expected in zip(read(probe(clip)), put_in, strict=True):
        for got, want in zip(planes, expected, strict=True):
            np.testing.assert_array_equal(got, want)


def test_grey_pictures_get_chroma_without_colour(tmp_path: Path) -> None:
    put_in = synth.noise("gray10le", 33, 17, 2)
    clip = synth.write(tmp_path / "a.mkv", put_in, Video("ffv1", "gray10le"))

    for picture, (y, cb, cr) in read(probe(clip)):
        assert y.shape == (17, 33)
        assert cb.shape == cr.shape == (9, 17)
        # BT.709-6 item 3.4: no colour is half the code range.
        assert np.all(cb == 512)
        assert np.all(cr == 512)
        assert picture.signal.chroma_zero == 512


@pytest.mark.parametrize(
    ("codec", "ending", "pixel_format", "options"),
    [
        ("prores_ks", "mov", "yuv422p10le", {"profile": "3"}),
        ("prores_ks", "mov", "yuv444p10le", {"profile": "4"}),
        ("dnxhd", "mov", "yuv422p10le", {"profile": "dnxhr_hqx"}),
        ("dnxhd", "mxf", "yuv422p", {"profile": "dnxhr_hq"}),
        ("mpeg2video", "mxf", "yuv422p", {"b": "50000000", "g": "1"}),
        ("mpeg2video", "mpg", "yuv420p", {"b": "9000000"}),
        ("libx264", "mts", "yuv420p", synth.h264()),
        ("libx265", "mkv", "yuv422p10le", synth.hevc()),
    ],
)
def test_lossy_codecs_come_near(
    tmp_path: Path, codec: str, ending: str, pixel_format: str, options: dict[str, str]
) -> None:
    put_in = synth.scene(8, 320, 192, pixel_format)
    video = Video(codec, pixel_format, options=options)
    container = "mpegts" if ending == "mts" else None
    clip = synth.write(tmp_path / f"a.{ending}", put_in, video, container=container)

    info = probe(clip)
    found = read(info)

    assert len(found) == 8
    assert info.video is not None
    # ProRes 4444 is 12 bits deep, whatever was given to it.
    depth = 12 if options.get("profile") == "4" else synth.depth_of(pixel_format)
    assert info.video.signal.bit_depth == depth
    finer = 1 << (depth - synth.depth_of(pixel_format))
    for (_, planes), expected in zip(found, put_in, strict=True):
        assert planes[0].dtype == expected[0].dtype
        for got, want in zip(planes, expected, strict=True):
            assert got.shape == want.shape
            apart = np.abs(got / finer - want).mean()
            # In order, of this depth, and hardly changed.
            assert apart < 3 * (1 << (synth.depth_of(pixel_format) - 8))


def test_rgb_becomes_full_range_bt709(tmp_path: Path) -> None:
    rng = np.random.default_rng(synth.RANDOM_STATE)
    green, blue, red = rng.integers(0, 256, (3, 32, 48), np.uint8)
    clip = synth.write(
        tmp_path / "a.avi", [(green, blue, red)], Video("utvideo", "gbrp")
    )

    info = probe(clip)
    ((picture, (y, cb, cr)),) = read(info)

    # BT.709-6 items 3.2 and 3.3, quantised over the full range: E'Y times 255.
    luma = 0.2126 * red + 0.7152 * green + 0.0722 * blue
    assert picture.signal == Signal(8, True, "bt709", picture.signal.transfer, "bt709")
    np.testing.assert_allclose(y, luma, atol=1.5)
    np.testing.assert_allclose(cb, 128 + (blue - luma) / 1.8556, atol=1.5)
    np.testing.assert_allclose(cr, 128 + (red - luma) / 1.5748, atol=1.5)
    assert any("R'G'B'" in a for a in info.assumed)


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("yuv420p", None), ("yuvj422p", None), ("yuv444p12le", None),
        ("yuva444p12le", None), ("gray", None), ("gray12le", None),
        ("nv12", "yuv420p"), ("nv16", "yuv422p"), ("p010le", "yuv420p10le"),
        ("p210le", "yuv422p10le"), ("y210le", "yuv422p10le"), ("uyvy422", "yuv422p"),
        ("yuv422p10be", "yuv422p10le"), ("rgb24", "yuv444p"),
        ("gbrp10le", "yuv444p10le"), ("gbrap12le", "yuv444p12le"),
        ("rgb48le", "yuv444p16le"), ("pal8", "yuv444p"), ("ya8", "gray"),
        ("gray16be", "gray16le"), ("monob", "yuv444p"),
    ],
)  # fmt: skip
def test_other_formats_are_turned_into_planes_of_their_depth(
    name: str, expected: str | None
) -> None:
    assert target_format(VideoFrame(32, 16, name)) == expected


def test_packed_422_is_unpacked() -> None:
    # Cb Y Cr Y, as in ITU-R BT.656: the order of the serial interfaces.
    ((y, cb, cr),) = synth.noise("yuv422p", 32, 16, 1)
    packed = np.empty((16, 64), np.uint8)
    packed[:, 1::2], packed[:, 0::4], packed[:, 2::4] = y, cb, cr
    frame = VideoFrame(32, 16, "uyvy422")
    rows = np.zeros((16, frame.planes[0].line_size), np.uint8)
    rows[:, :64] = packed
    frame.planes[0].update(rows.tobytes())
    for got, want in zip(planes_of(frame), (y, cb, cr), strict=True):
        np.testing.assert_array_equal(got, want)


@pytest.mark.parametrize("name", ["nv12", "p010le", "yuv422p10be", "y210le"])
def test_repacking_changes_no_code(name: str) -> None:
    target = target_format(VideoFrame(32, 16, name))
    assert target is not None
    (expected,) = synth.noise(target, 32, 16, 1)
    frame = synth.frame_of(expected, target).reformat(format=name)
    for got, want in zip(planes_of(frame), expected, strict=True):
        np.testing.assert_array_equal(got, want)


@pytest.mark.parametrize(
    ("signal", "codes", "rgb"),
    [
        # BT.709-6 item 3.4: 8-bit black 16, white 235; full range 0 and 255.
        (Signal(), (235, 128, 128), (255, 255, 255)),
        (Signal(), (16, 128, 128), (0, 0, 0)),
        (Signal(full_range=True), (255, 128, 128), (255, 255, 255)),
        # BT.709-6 items 3.2, 3.3: red at 75 % has 0.75 times Y' 0.2126, Cb -0.1146,
        # Cr 0.5.
        (Signal(), (51, 109, 212), (191, 0, 0)),
        # BT.601-7: the same red has Y' = 0.299, Cb = -0.1687.
        (Signal(matrix="bt601"), (65, 100, 212), (191, 0, 0)),
    ],
)
def test_stills_show_the_colours_that_the_signal_means(
    signal: Signal, codes: tuple[int, int, int], rgb: tuple[int, int, int]
) -> None:
    planes = (
        np.full((16, 32), codes[0], np.uint8),
        np.full((16, 32), codes[1], np.uint8),
        np.full((16, 32), codes[2], np.uint8),
    )
    shown = to_rgb(synth.frame_of(planes, "yuv444p"), signal)
    np.testing.assert_allclose(shown[8, 16], rgb, atol=2)


# ------------------------------------------------------------------------- scan, time


@pytest.mark.parametrize("scan", ["top", "bottom"])
@pytest.mark.parametrize(
    ("codec", "ending", "pixel_format", "options"),
    [
        ("libx264", "ts", "yuv420p", {}),
        ("libx264", "mov", "yuv420p", {}),
        ("mpeg2video", "mpg", "yuv420p", {"flags": "+ildct+ilme"}),
        ("prores_ks", "mov", "yuv422p10le", {"flags": "+ildct"}),
    ],
)
def test_fields_are_known_and_in_order(
    tmp_path: Path,
    codec: str,
    ending: str,
    pixel_format: str,
    options: dict[str, str],
    scan: str,
) -> None:
    if codec == "libx264":
        options = synth.h264(extra={"top": "tff=1", "bottom": "bff=1"}[scan])
    put_in = synth.scene(8, 192, 96, pixel_format)
    video = Video(codec, pixel_format, options=options, scan=scan)
    info = probe(synth.write(tmp_path / f"a.{ending}", put_in, video))

    assert info.video is not None
    assert info.video.scan == f"{scan} field first"
    # 25 frames of two fields are 25 frames, not 50.
    assert info.video.frame_rate == 25
    found = read(info)
    assert len(found) == 8
    assert all(p.interlaced for p, _ in found)
    assert all(p.top_field_first == (scan == "top") for p, _ in found)
    # Rows stay where they are: fields are not pulled apart.
    apart = np.abs(found[3][1][0].astype(int) - put_in[3][0].astype(int)).mean()
    assert apart < 12


def test_progressive_pictures_are_not_interlaced(tmp_path: Path) -> None:
    clip = synth.write(
        tmp_path / "a.mp4", synth.scene(4), Video(options=synth.h264(b_frames=0))
    )
    info = probe(clip)
    assert info.video is not None
    assert info.video.scan == "progressive"
    assert not any(p.interlaced for p, _ in read(info))


@pytest.mark.parametrize("ending", ["mp4", "mkv"])
def test_uneven_frame_times_are_kept(tmp_path: Path, ending: str) -> None:
    # A phone: the first frame is held for 185 ms, then 33 ms each, with one gap.
    ticks = [0, 185, 218, 251, 284, 417, 450]
    video = Video(
        options=synth.h264(b_frames=0),
        rate=Fraction(30),
        ticks=ticks,
        time_base=Fraction(1, 1000),
    )
    info = probe(synth.write(tmp_path / f"a.{ending}", synth.scene(7), video))
    assert info.video is not None
    base = info.video.time_base
    seconds = [p.pts * base for p, _ in read(info)]
    assert [round(1000 * s) for s in seconds] == ticks


@pytest.mark.parametrize("ending", ["mp4", "mov", "mkv", "ts", "avi", "h264"])
@pytest.mark.parametrize("b_frames", [0, 2])
def test_every_frame_is_there_in_order_of_showing(
    tmp_path: Path, ending: str, b_frames: int
) -> None:
    put_in = synth.noise("yuv420p", 48, 32, 27)
    options = synth.h264(b_frames=b_frames, lossless=True)
    info = probe(synth.write(tmp_path / f"a.{ending}", put_in, Video(options=options)))
    assert info.video is not None

    found = read(info)

    assert len(found) == 27
    for (_, planes), expected in zip(found, put_in, strict=True):
        np.testing.assert_array_equal(planes[0], expected[0])
    base = info.video.time_base
    times = [p.pts * base for p, _ in found]
    assert [round(25 * t) for t in times] == list(range(27))
    assert found[-1][0].duration * base == pytest.approx(Fraction(1, 25), abs=0.002)
    assert not any(p.damaged for p, _ in found)


@pytest.mark.parametrize("threads", [1, 2, 4])
def test_nothing_is_missing_from_whole_files(tmp_path: Path, threads: int) -> None:
    for name, video in {
        "a.mp4": Video(options=synth.h264(extra="open-gop=1")),
        "b.mp4": Video("libx265", options=synth.hevc()),
        "c.mpg": Video("mpeg2video", options={"b": "2000000", "bf": "2", "g": "9"}),
        "d.mxf": Video("mpeg2video", options={"b": "9000000", "bf": "2", "g": "9"}),
        "e.webm": Video("libvpx", options={"b": "500000"}),
    }.items():
        clip = synth.write(tmp_path / name, synth.scene(30), video)
        with TakeReader(probe(clip), threads=threads) as reader:
            frames = [p for p in reader if isinstance(p, Picture)]
        assert reader.pictures is not None
        assert len(frames) == 30, name
        assert reader.pictures.missing == [], name
        assert reader.pictures.errors == reader.pictures.damaged == 0, name


def test_key_frames_are_those_that_the_encoder_was_told(tmp_path: Path) -> None:
    clip = synth.write(
        tmp_path / "a.mp4", synth.scene(25), Video(options=synth.h264(group=10))
    )
    keys = [p.index for p, _ in read(probe(clip)) if p.key]
    assert keys == [0, 10, 20]


def test_an_edit_list_leaves_frames_out(tmp_path: Path) -> None:
    put_in = synth.noise("yuv420p", 48, 32, 20)
    whole = synth.write(
        tmp_path / "a.mov", put_in, Video(options=synth.h264(group=20, lossless=True))
    )
    clip = tmp_path / "b.mov"
    clip.write_bytes(_with_edit(whole.read_bytes(), skipped_s=Fraction(5, 25)))

    info = probe(clip)
    found = read(info)

    # The edit begins 5 frames into the media: 15 are shown, the first at time 0.
    assert len(found) == 15
    np.testing.assert_array_equal(found[0][1][0], put_in[5][0])
    assert found[0][0].pts == 0
    assert not any(p.damaged for p, _ in found)
    assert info.frames_expected == 15


def _with_edit(data: bytes, *, skipped_s: Fraction) -> bytes:
    """Move the start of a file's one edit: ISO/IEC 14496-12, 8.6.6, version 0."""
    at = data.index(b"elst")
    assert data[at + 4] == 0  # version
    assert int.from_bytes(data[at + 8 : at + 12], "big") == 1  # entries
    duration = int.from_bytes(data[at + 12 : at + 16], "big")
    start = int.from_bytes(data[at + 16 : at + 20], "big")
    movie_scale = int.from_bytes(data[data.index(b"mvhd") + 16 :][:4], "big")
    media_scale = int.from_bytes(data[data.index(b"mdhd") + 16 :][:4], "big")
    duration -= round(skipped_s * movie_scale)
    start += round(skipped_s * media_scale)
    out = bytearray(data)
    out[at + 12 : at + 20] = duration.to_bytes(4, "big") + start.to_bytes(4, "big")
    return bytes(out)


def test_a_clock_that_starts_again_goes_on(tmp_path: Path) -> None:
    # Transport streams joined end to end, as with 'copy /b': the second starts again.
    first = synth.write(
        tmp_path / "a.ts", synth.scene(50), Video(options=synth.h264(b_frames=0))
    )
    second = synth.write(
        tmp_path / "b.ts", synth.scene(40), Video(options=synth.h264(b_frames=0))
    )
    joined = tmp_path / "c.ts"
    joined.write_bytes(first.read_bytes() + second.read_bytes())

    info = probe(joined)
    assert info.video is not None
    with TakeReader(info) as reader:
        times = [p.pts * info.video.time_base for p in reader if isinstance(p, Picture)]
    assert reader.pictures is not None

    assert len(times) == 90
    steps = {b - a for a, b in itertools.pairwise(times)}
    assert steps == {Fraction(1, 25)}
    assert reader.pictures.restarts == 1
    assert reader.pictures.missing == []
    assert reader.pictures.damaged == 0


def test_frames_of_another_size_are_counted_and_left_out(tmp_path: Path) -> None:
    first = synth.write(
        tmp_path / "a.ts", synth.scene(20), Video(options=synth.h264(b_frames=0))
    )
    second = synth.write(
        tmp_path / "b.ts",
        synth.scene(15, 128, 64),
        Video(options=synth.h264(b_frames=0)),
    )
    joined = tmp_path / "c.ts"
    joined.write_bytes(first.read_bytes() + second.read_bytes())

    with TakeReader(probe(joined)) as reader:
        sizes = {p.y.shape for p in reader if isinstance(p, Picture)}
    assert reader.pictures is not None
    assert sizes == {(96, 160)}
    assert reader.pictures.frames == 20
    assert reader.pictures.changed_format == 15
    assert len(reader.pictures.missing) == 15


@pytest.mark.parametrize(
    ("codec", "ending", "container"),
    [
        ("mpeg1video", "m1v", "mpeg1video"),
        ("mpeg2video", "m2v", "mpeg2video"),
        ("libx264", "h264", "h264"),
        ("mpeg4", "m4v", "m4v"),
    ],
)
def test_raw_streams_go_on_evenly(
    tmp_path: Path, codec: str, ending: str, container: str
) -> None:
    # They have no time stamps; pictures that wait for later ones lead a reader to put
    # the first of them a period too early. Forty pictures at 25 a second were put in.
    options = {"bf": "2"} if codec != "mpeg4" else {}
    clip = synth.write(
        tmp_path / f"a.{ending}",
        synth.scene(40),
        Video(codec, options=options),
        container=container,
    )

    info = probe(clip)
    assert info.video is not None
    places = [p.pts * info.video.time_base for p, _ in read(info)]
    assert [b - a for a, b in itertools.pairwise(places)] == [Fraction(1, 25)] * 39
