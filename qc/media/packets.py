"""Packets of a file, also where it seems to hold streams that it did not announce."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from av.container import InputContainer
from av.packet import Packet
from av.stream import Stream

__all__ = ["packets_of"]

_MOST = 8  # times that a file is asked again


def packets_of(
    container: InputContainer, streams: Sequence[Stream]
) -> Iterator[Packet[Any]]:
    """Yield the packets of some streams, and at the end an empty one of each.

    In a transport stream that is damaged, or was joined from two, further streams may
    come up on the way. PyAV knows only those that were there at the beginning, and may
    end with an `IndexError` when it comes to another one; asked again it goes on.

    Raises
    ------
    av.FFmpegError
        The file cannot be read on.
    """
    ended: set[int] = set()
    for _ in range(_MOST):
        already = frozenset(ended)
        try:
            for packet in container.demux(streams):
                if not packet.size:
                    # No decoder may be told twice that this is the end.
                    if packet.stream.index in already:
                        continue
                    ended.add(packet.stream.index)
                yield packet
        except IndexError:
            continue
        return
