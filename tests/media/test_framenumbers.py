"""Packets that are not there: what builds on their pictures is damaged, no more.

What a loss does is found by decoding the whole and the lessened file with PyAV alone,
and comparing frames; which pictures others build on, each packet's own header tells.
"""

from __future__ import annotations

from pathlib import Path

import av
import pytest

from qc.media.framenumbers import FrameNumbers
from tests import synth
from tests.media.test_reader import read
from tests.synth import Video

FRAMES = 48
CLIPS = {
    "plain": ("mp4", synth.h264()),
    "without b-frames": ("mkv", synth.h264(b_frames=0)),
    "open groups": ("mov", synth.h264(extra="open-gop=1")),
    "slices": ("mp4", synth.h264(extra="slices=4")),
    "stream": ("ts", synth.h264()),
    "10 bits": ("mov", synth.h264()),
    "scaled": ("mp4", synth.h264(extra="cqm=jvt")),
}


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("whole")
    out = {}
    for name, (ending, options) in CLIPS.items():
        kind = "yuv422p10le" if name == "10 bits" else "yuv420p"
        pictures = synth.scene(FRAMES, 320, 192, kind)
        path = folder / f"{name}.{ending}"
        out[name] = synth.write(path, pictures, Video("libx264", kind, options=options))
    return out


def lose(source: Path, target: Path, lost: set[int]) -> Path:
    """Copy a file without some of its coded pictures, all else with its own times."""
    with av.open(str(source)) as first, av.open(str(target), "w") as out:
        stream = out.add_stream_from_template(first.streams.video[0])
        packets = [p for p in first.demux(first.streams.video[0]) if p.size]
        for index, packet in enumerate(packets):
            if index not in lost:
                packet.stream = stream
                out.mux(packet)
    return target


def is_reference(packet: bytes) -> bool:
    """Tell whether any slice's unit says that others build on it (nal_ref_idc)."""
    at = 0
    while at + 4 < len(packet):
        length = int.from_bytes(packet[at : at + 4], "big")
        if packet[at + 4] & 0x1F in (1, 5):
            return bool(packet[at + 4] & 0x60)
        at += 4 + length
    return False


def seconds(path: Path) -> dict[float, synth.Plane]:
    with av.open(str(path)) as source:
        base = source.streams.video[0].time_base
    assert base is not None
    return {round(float(t * base), 3): y for t, y in synth.luma_by_time(path).items()}


@pytest.mark.parametrize("name", list(CLIPS))
@pytest.mark.parametrize("lost", [{6}, {14}, {24}, {29, 30, 31}])
def test_what_builds_on_a_lost_picture_is_damaged(
    tmp_path: Path, whole: dict[str, Path], name: str, lost: set[int]
) -> None:
    clip = whole[name]
    coded = synth.coded_pictures(clip)
    lessened = lose(clip, tmp_path / clip.name, lost)
    good, left = seconds(clip), seconds(lessened)
    harmed = {t for t, y in left.items() if synth.differs_visibly(y, good[t])}

    found = read(lessened)

    with av.open(str(lessened)) as source:
        base = source.streams.video[0].time_base
    assert base is not None
    damaged = {round(float(t * base), 3) for t in found.damaged}
    assert harmed <= damaged
    with av.open(str(clip)) as source:
        tick = source.streams.video[0].time_base
    assert tick is not None
    at = [round(float(c.pts * tick), 3) for c in coded]
    assert not damaged & set(at[: min(lost) - 1])
    behind = [t for t, c in zip(at, coded, strict=True) if c.key]
    end = min((t for t in behind if t > max(at[i] for i in lost)), default=1e9)
    assert not {t for t in damaged if t >= end}
    for threads in (1, 3):
        assert read(lessened, threads=threads).sums == found.sums


@pytest.mark.parametrize("name", ["plain", "slices", "10 bits"])
def test_where_nothing_builds_on_it_a_lost_picture_harms_no_other(
    tmp_path: Path, whole: dict[str, Path], name: str
) -> None:
    clip = whole[name]
    with av.open(str(clip)) as source:
        packets = [bytes(p) for p in source.demux(source.streams.video[0]) if p.size]
    alone = next(i for i, p in enumerate(packets) if i > 12 and not is_reference(p))
    found = read(lose(clip, tmp_path / clip.name, {alone}))
    assert found.damaged == set()


@pytest.mark.parametrize("name", list(CLIPS))
def test_a_whole_stream_lacks_nothing(whole: dict[str, Path], name: str) -> None:
    with av.open(str(whole[name])) as source:
        stream = source.streams.video[0]
        numbers = FrameNumbers(stream.codec_context.extradata or b"")
        packets = [bytes(p) for p in source.demux(stream) if p.size]
    assert len(packets) == FRAMES
    assert not any(numbers.lacks(p, late=True) for p in packets)


def test_what_is_not_whole_is_left_to_the_decoder(whole: dict[str, Path]) -> None:
    with av.open(str(whole["plain"])) as source:
        stream = source.streams.video[0]
        extradata = stream.codec_context.extradata or b""
        packet = next(bytes(p) for p in source.demux(stream) if p.size)
    for data in (b"", b"\1", b"\1" * 9, extradata[:12], bytes(40)):
        numbers = FrameNumbers(data)
        for cut in (0, 1, 5, 40, len(packet)):
            assert not numbers.lacks(packet[:cut], late=True)


def test_a_picture_that_decoding_may_begin_with_builds_on_none_that_are_lost(
    tmp_path: Path, whole: dict[str, Path]
) -> None:
    # As where a recording is cut open and joined again: its number does not follow.
    clip = whole["open groups"]
    keys = [c for c in synth.coded_pictures(clip) if c.key]
    order = [c.key for c in synth.coded_pictures(clip)]
    second = order.index(True, 1)
    joined = lose(clip, tmp_path / clip.name, set(range(4, second)))
    with av.open(str(clip)) as source, av.open(str(joined)) as left:
        bases = [f.streams.video[0].time_base for f in (source, left)]
        numbers = FrameNumbers(left.streams.video[0].codec_context.extradata or b"")
        kept = [p for p in left.demux(left.streams.video[0]) if p.size]
        numbered = [numbers.lacks(bytes(p), late=True) for p in kept]
    assert None not in bases
    assert numbered[4], "the number follows: nothing is tried"
    found = read(joined)
    at = {round(float(keys[1].pts * bases[0]), 3)}
    assert at.isdisjoint(round(float(t * bases[1]), 3) for t in found.damaged)
