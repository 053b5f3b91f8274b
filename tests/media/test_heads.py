"""The beginning of a coded picture tells the same of it as all of it."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import cast

import av
import numpy as np
import pytest
from av.packet import Packet

from qc.media import probe
from qc.media.heads import head_of

SIDE = 640, 360


def _written(path: Path, *, scale: float, **options: str) -> Path:
    """Write pictures of noise, so that the first one is large."""
    random = np.random.default_rng(7)
    with av.open(path, "w") as out:
        stream = out.add_stream("libx264", rate=25)
        stream.width, stream.height = SIDE
        stream.pix_fmt = "yuv420p"
        stream.options = {"crf": "12", "preset": "ultrafast", "bf": "2", **options}
        for _ in range(6):
            grey = np.clip(random.normal(120, scale, SIDE[::-1]), 16, 235)
            planes = np.full((SIDE[1] * 3 // 2, SIDE[0]), 128, np.uint8)
            planes[: SIDE[1]] = grey
            out.mux(stream.encode(av.VideoFrame.from_ndarray(planes, "yuv420p")))
        out.mux(stream.encode(None))
    return path


def _first(path: Path) -> tuple[Packet[av.VideoStream], Packet[av.VideoStream]]:
    with av.open(path) as container:
        (stream,) = container.streams.video
        packet = next(container.demux(stream))
        return packet, head_of(packet, stream.codec_context)


def test_a_head_is_a_small_part_with_the_same_time(tmp_path: Path) -> None:
    packet, head = _first(_written(tmp_path / "a.mp4", scale=40))
    assert packet.size > 65_536
    assert head.size < 12_000
    assert (head.pts, head.dts, head.is_keyframe) == (packet.pts, packet.dts, True)


def test_a_small_picture_is_left_whole(tmp_path: Path) -> None:
    packet, head = _first(_written(tmp_path / "a.mp4", scale=0.5))
    assert packet.size < 65_536
    assert head is packet


def test_units_behind_start_codes_are_left_whole(tmp_path: Path) -> None:
    packet, head = _first(_written(tmp_path / "a.ts", scale=40))
    assert packet.size > 65_536
    assert head is packet


def test_lengths_beyond_the_end_are_left_as_they_are(tmp_path: Path) -> None:
    with av.open(_written(tmp_path / "a.mp4", scale=40)) as container:
        (stream,) = container.streams.video
        data = bytearray(bytes(next(container.demux(stream))))
        data[:4] = b"\xff\xff\xff\xff"
        broken = cast("Packet[av.VideoStream]", Packet(bytes(data)))
        assert head_of(broken, stream.codec_context) is broken


@pytest.mark.parametrize(
    "options",
    [
        {},
        {"x264-params": "slices=4:colorprim=smpte170m:colormatrix=smpte170m"},
        {"x264-params": "interlaced=1:tff=1"},
        {"x264-params": "interlaced=1:bff=1"},
    ],
)
def test_facts_are_those_of_the_whole_picture(
    options: dict[str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The reference is the same file with its first picture decoded to its end."""
    path = _written(tmp_path / "a.mp4", scale=40, **options)
    quick = probe(path)
    monkeypatch.setattr(
        sys.modules["qc.media.probe"], "head_of", lambda whole, _: whole
    )
    assert probe(path) == quick
    scan = {"interlaced=1:tff=1": "top", "interlaced=1:bff=1": "bottom"}
    wanted = scan.get(options.get("x264-params", ""), "progressive")
    assert quick.video is not None
    assert quick.video.scan.startswith(wanted)
