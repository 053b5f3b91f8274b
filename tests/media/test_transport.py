"""Breaks in the numbering of transport packets: ITU-T H.222.0, 2.4.3.

Expected places are those where packets were left out.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qc.media.transport import ContinuityCheck
from tests import synth
from tests.synth import Sound, Video


def test_a_whole_transport_stream_has_no_breaks(tmp_path: Path) -> None:
    clip = synth.write(
        tmp_path / "a.ts",
        synth.scene(30),
        Video(options=synth.h264()),
        [Sound(synth.ramps(2, 57_600, "f4"), "aac", "fltp")],
    )
    with ContinuityCheck(clip, 0x100) as check:
        assert check.breaks_until(None) == []


def packets(numbers: list[int], *, size: int = 188, pid: int = 256) -> bytes:
    """Return transport packets with these continuity counters (H.222.0, 2.4.3.2)."""
    before = bytes(4) if size == 192 else b""
    behind = bytes(size - 188 - len(before))
    return b"".join(
        before
        + bytes([0x47, pid >> 8, pid & 0xFF, 0x10 | number & 15])
        + bytes([0xFF] * 184)
        + behind
        for number in numbers
    )


def breaks(data: bytes, path: Path, steps: list[int | None] | None = None) -> list[int]:
    path.write_bytes(data)
    with ContinuityCheck(path, 256) as check:
        return [b for end in steps or [None] for b in check.breaks_until(end)]


@pytest.mark.parametrize("size", [188, 192, 204])
def test_a_lost_packet_is_a_break_at_the_next(tmp_path: Path, size: int) -> None:
    numbers = [i for i in range(60) if i != 33]
    sync = 4 if size == 192 else 0
    found = breaks(packets(numbers, size=size), tmp_path / "a")
    assert found == [33 * size + sync]


def test_a_packet_sent_twice_is_no_break(tmp_path: Path) -> None:
    assert breaks(packets([0, 1, 2, 2, 3, 4]), tmp_path / "a") == []


def test_an_announced_break_is_none(tmp_path: Path) -> None:
    data = bytearray(packets([0, 1, 2, 9, 10, 11]))
    # Adaptation field and payload; one byte long; discontinuity indicator.
    data[3 * 188 + 3 : 3 * 188 + 6] = bytes([0x30 | 9, 1, 0x80])
    assert breaks(bytes(data), tmp_path / "a") == []


def test_the_transport_error_indicator_is_a_break(tmp_path: Path) -> None:
    data = bytearray(packets([0, 1, 2, 3, 4]))
    data[2 * 188 + 1] |= 0x80
    assert breaks(bytes(data), tmp_path / "a") == [2 * 188]


def test_other_streams_do_not_count(tmp_path: Path) -> None:
    data = b"".join(packets([i]) + packets([7 * i], pid=300) for i in range(20))
    assert breaks(data, tmp_path / "a") == []


@given(st.lists(st.integers(0, 80 * 188), max_size=8), st.sampled_from([40, 41, 44]))
def test_steps_of_any_length_find_the_same_breaks(
    tmp_path_factory: pytest.TempPathFactory, steps: list[int], lost: int
) -> None:
    path = tmp_path_factory.mktemp("steps") / "a"
    data = packets([i for i in range(80) if i != lost])
    data = data[: 60 * 188 + 30] + data[60 * 188 + 70 :]
    at_once = breaks(data, path)
    assert breaks(data, path, [*sorted(steps), None]) == at_once
    assert at_once[0] == lost * 188
    assert 60 * 188 < at_once[1] <= 62 * 188
