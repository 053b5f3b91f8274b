"""Packets are read on where a file seems to hold streams that it did not announce.

What PyAV does there hangs on memory that it did not set, so that no file shows it every
time; a stand-in for a container does.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, cast

import av
import pytest

from qc.media.packets import packets_of


@dataclass(frozen=True)
class Stream:
    index: int


@dataclass(frozen=True)
class Packet:
    stream: Stream
    size: int
    number: int = 0


ONE, TWO = Stream(0), Stream(1)
IN_FILE = [Packet(ONE, 10, 1), Packet(TWO, 5, 2), Packet(ONE, 10, 3)]
ENDS = [Packet(ONE, 0), Packet(TWO, 0)]


class Container:
    """Goes on where it broke off when it is asked again, as libavformat does."""

    def __init__(self, packets: list[Packet], breaks: Sequence[int], error: Exception):
        self._left, self._breaks, self._error = list(packets), list(breaks), error

    def demux(self, streams: Sequence[Stream]) -> Iterator[Packet]:
        while self._left:
            if self._breaks and len(self._left) <= self._breaks[0]:
                del self._breaks[0]
                raise self._error
            yield self._left.pop(0)
        yield ENDS[0]
        if self._breaks:
            del self._breaks[0]
            raise self._error
        yield ENDS[1]


UNKNOWN = IndexError("list index out of range")


def read(breaks: Sequence[int], error: Exception = UNKNOWN) -> list[Packet]:
    container: Any = Container(IN_FILE, breaks, error)
    return cast("list[Packet]", list(packets_of(container, cast("Any", [ONE, TWO]))))


@pytest.mark.parametrize("breaks", [[], [2], [2, 2], [1], [0], [2, 0]])
def test_every_packet_comes_once(breaks: list[int]) -> None:
    assert read(breaks) == IN_FILE + ENDS


def test_file_that_never_goes_on_ends() -> None:
    assert read([3] * 100) == []


def test_other_errors_are_the_callers() -> None:
    with pytest.raises(av.FFmpegError):
        read([2], av.InvalidDataError(1094995529, "invalid data"))
