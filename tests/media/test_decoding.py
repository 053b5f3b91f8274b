"""Streams that no encoder here can make: what a decoder gives is made up.

Expected values follow from which packets and frames were given.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import av
import pytest
from av.packet import Packet
from av.video.frame import VideoFrame
from av.video.stream import VideoStream
from hypothesis import given
from hypothesis import strategies as st

from qc.media.decoding import FrameDecoder
from qc.media.ledger import Ledger
from qc.media.pictures import PictureDecoder
from qc.records import Picture, TakeInfo, VideoTrack
from qc.signal import Signal
from qc.timecode import TimecodeFormat

# ---------------------------------------------- streams that encoders here cannot make


@dataclass
class FakePacket:
    """A coded picture, and the frames that a decoder gives for it."""

    pts: int | None
    dts: int | None
    frames: list[VideoFrame] | Exception = field(default_factory=list)
    size: int = 1000
    key: bool = False
    is_corrupt: bool = False
    is_discard: bool = False
    pos: int | None = None

    @property
    def is_keyframe(self) -> bool:
        return self.key

    def __bytes__(self) -> bytes:
        return bytes(self.size)


class FakeContext:
    """Stands for a decoder: gives what the packet says."""

    def __init__(self, codec: str) -> None:
        self.name = codec
        self.flags = 0
        self.thread_count = 1
        self.thread_type = "AUTO"
        self.reorder_depth = 0
        self.extradata: bytes | None = None
        self.codec = SimpleNamespace(capabilities=0)

    def decode(self, packet: FakePacket | None) -> list[VideoFrame]:
        if packet is None:
            return []
        if isinstance(packet.frames, Exception):
            raise packet.frames
        return packet.frames


def fake_frame(pts: int | None, *, key: bool = False) -> VideoFrame:
    frame = VideoFrame(32, 16, "yuv420p")
    frame.pts = pts
    frame.key_frame = key
    return frame


@pytest.fixture
def feed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[Callable[..., tuple[PictureDecoder, list[Picture]]]]:
    """Give a function that decodes fake packets of a stream of 25 frames a second."""
    # The decoder that goes over trouble once more is the fake one again.
    monkeypatch.setattr(FrameDecoder, "_open_careful", lambda self: None)
    decoders = []

    def run(
        packets: list[FakePacket], *, codec: str = "h264", container: str = "mpegts"
    ) -> tuple[PictureDecoder, list[Picture]]:
        path = tmp_path / "fake.ts"
        path.write_bytes(b"")
        stream = SimpleNamespace(
            codec_context=FakeContext(codec),
            container=SimpleNamespace(format=SimpleNamespace(name=container)),
            id=256,
        )
        track = VideoTrack(
            stream=0, number=0, codec=codec, pixel_format="yuv420p",
            width=32, height=16, frame_rate=Fraction(25),
            time_base=Fraction(1, 90_000), signal=Signal(),
        )  # fmt: skip
        info = TakeInfo(
            path=path, bytes=0, container=container, duration=None, video=track,
            audio=(), timecode=TimecodeFormat(Fraction(25)),
        )  # fmt: skip
        decoder = PictureDecoder(info, cast(VideoStream, stream), threads=1)
        decoders.append(decoder)

        def everything() -> Iterator[Picture]:
            for packet in [*packets, FakePacket(None, None, size=0)]:
                yield from decoder.decode(cast("Packet[Any]", packet))
            yield from decoder.finish()

        return decoder, list(everything())

    yield run
    for decoder in decoders:
        decoder.close()


def test_second_fields_in_packets_of_their_own_are_not_missing(
    feed: Callable[..., tuple[PictureDecoder, list[Picture]]],
) -> None:
    # Interlaced H.264 (PAFF): two packets a frame, the second half a frame later.
    packets = []
    for i in range(20):
        at = 3600 * i
        packets.append(FakePacket(at, at, key=i == 0))
        packets.append(FakePacket(at + 1800, at + 1800, [fake_frame(at, key=i == 0)]))
    decoder, pictures = feed(packets)
    assert [p.pts for p in pictures] == [3600 * i for i in range(20)]
    assert decoder.missing == []
    assert decoder.damaged == 0


def test_second_fields_without_a_time_are_not_missing(
    feed: Callable[..., tuple[PictureDecoder, list[Picture]]],
) -> None:
    packets = []
    for i in range(20):
        at = 3600 * i
        packets.append(FakePacket(at, at, key=i == 0))
        packets.append(FakePacket(None, None, [fake_frame(at, key=i == 0)], size=500))
    decoder, pictures = feed(packets)
    assert len(pictures) == 20
    assert decoder.missing == []
    assert decoder.damaged == 0


def test_a_packet_without_a_frame_is_a_missing_frame(
    feed: Callable[..., tuple[PictureDecoder, list[Picture]]],
) -> None:
    packets = [
        FakePacket(3600 * i, 3600 * i, [fake_frame(3600 * i, key=i % 10 == 0)])
        for i in range(20)
    ]
    packets[4].frames = []
    decoder, pictures = feed(packets)
    assert decoder.missing == [4 * 3600]
    # The frame before it in the file is suspect; then all up to the next key frame.
    assert [p.pts // 3600 for p in pictures if p.damaged] == [3, 5, 6, 7, 8, 9]


def test_an_error_and_a_missing_frame_are_the_same_one(
    feed: Callable[..., tuple[PictureDecoder, list[Picture]]],
) -> None:
    packets = [
        FakePacket(3600 * i, 3600 * i, [fake_frame(3600 * i, key=i % 10 == 0)])
        for i in range(20)
    ]
    packets[4].frames = av.InvalidDataError(1094995529, "damaged")
    decoder, _ = feed(packets)
    assert decoder.errors == 1
    assert decoder.missing == [4 * 3600]


def test_pictures_before_the_first_whole_one_are_not_missing(
    feed: Callable[..., tuple[PictureDecoder, list[Picture]]],
) -> None:
    # Open group of pictures at the start: two pictures lead up to the key frame.
    packets = [
        FakePacket(7200, 0, key=True),
        FakePacket(0, 3600),
        FakePacket(3600, 7200, [fake_frame(7200, key=True)]),
        FakePacket(10_800, 10_800, [fake_frame(10_800)]),
    ]
    decoder, pictures = feed(packets)
    assert len(pictures) == 2
    assert decoder.missing == []
    assert decoder.damaged == 0


def test_hidden_frames_of_vp8_are_not_missing(
    feed: Callable[..., tuple[PictureDecoder, list[Picture]]],
) -> None:
    # RFC 6386, 9.1: bit 4 of the first byte says whether the frame is shown.
    class Vp8(FakePacket):
        shown = True

        def __bytes__(self) -> bytes:
            return bytes([0x11 if self.shown else 0x01])

    packets = [
        Vp8(40 * 90 * i, 40 * 90 * i, [fake_frame(40 * 90 * i, key=not i)])
        for i in range(8)
    ]
    packets[3].frames = []
    packets[3].shown = False
    decoder, pictures = feed(packets, codec="vp8", container="matroska,webm")
    assert len(pictures) == 7
    assert decoder.missing == []


def test_a_wild_time_moves_nothing_else(
    feed: Callable[..., tuple[PictureDecoder, list[Picture]]],
) -> None:
    # Damage in a packet's header can make up any time.
    times = [3600 * i for i in range(12)]
    wild = [*times]
    wild[5] += 2**31
    packets = [
        FakePacket(t, 3600 * i, [fake_frame(t, key=not i)]) for i, t in enumerate(wild)
    ]
    decoder, pictures = feed(packets)
    assert [p.pts for p in pictures] == times
    assert decoder.restarts == 0


def test_empty_packets_say_as_before_and_do_not_end_the_stream(
    feed: Callable[..., tuple[PictureDecoder, list[Picture]]],
) -> None:
    packets = [
        FakePacket(3600 * i, 3600 * i, [fake_frame(3600 * i, key=not i)])
        for i in range(10)
    ]
    packets[4] = FakePacket(4 * 3600, 4 * 3600, size=0)
    decoder, pictures = feed(packets)
    assert [p.pts // 3600 for p in pictures] == [0, 1, 2, 3, 5, 6, 7, 8, 9]
    assert decoder.missing == []


# ------------------------------------------------------------------------- the ledger


@given(
    st.lists(st.integers(0, 4), min_size=1, max_size=40),
    st.sets(st.integers(0, 200), max_size=6),
    st.integers(4, 20),
)
def test_what_does_not_come_is_lost_and_nothing_else(
    minis: list[int], gone: set[int], group: int
) -> None:
    """Any run of mini groups of B pictures: P, then the B pictures shown before it."""
    order: list[int] = [0]
    shown = 1
    for b_frames in minis:
        order += [shown + b_frames, *range(shown, shown + b_frames)]
        shown += b_frames + 1
    keys = {order[0]}
    gone = {g for g in gone if g < len(order) and order[g] not in keys}
    ledger = Ledger(tick=10)
    came = []
    waiting: list[int] = []
    for index, pts in enumerate(order):
        ledger.send(pts=10 * pts, dts=10 * index - 100, key=pts in keys)
        if index in gone:
            ledger.failed(index)
        else:
            waiting.append(pts)
        ledger.know(index)
        # A decoder that reorders by five pictures.
        while len(waiting) > 5:
            first = min(waiting)
            waiting.remove(first)
            came.append(ledger.came(10 * first, key=first in keys))
    for pts in sorted(waiting):
        came.append(ledger.came(10 * pts, key=pts in keys))
    ledger.close()
    assert [s.index for s in came] == [
        order.index(s.pts // 10) for s in came if s.pts is not None
    ]
    assert sorted(s.index for s in ledger.lost) == sorted(gone)
