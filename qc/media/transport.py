"""Whether an MPEG transport stream is whole: its packets are numbered.

FFmpeg marks a packet behind a break in the numbering, but loses the mark where pictures
are short; and pictures that are gone altogether leave none.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

__all__ = ["ContinuityCheck"]

_SYNC = 0x47
_SIZES = (188, 192, 204)  # plain; with a time code before; with parity behind
_HEAD = 6  # bytes of a packet that are looked at
_PIECE = 1 << 20
_LOOK_AHEAD = 1 << 16


class ContinuityCheck:
    """Finds breaks in the packets of one stream while the file is read elsewhere.

    Parameters
    ----------
    path : Path
        A transport stream.
    pid : int
        Packet identifier of the stream.

    References
    ----------
    ITU-T H.222.0 (ISO/IEC 13818-1), 2.4.3.2 to 2.4.3.5: sync byte, transport error
    indicator, continuity counter, discontinuity indicator.
    """

    def __init__(self, path: Path, pid: int) -> None:
        self._file: BinaryIO = path.open("rb")
        self._pid = pid
        self._at = 0
        self._count: int | None = None
        self._size = 0
        self._in_step = False

    def __enter__(self) -> ContinuityCheck:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    def begin_at(self, place: int) -> None:
        """Leave out what lies before a place in the file: it is not wanted."""
        self._at = place

    def breaks_until(self, end: int | None) -> list[int]:
        """Return where breaks lie between the last call's end and this one's.

        Parameters
        ----------
        end : int or None
            Place in the file; None for its end.

        Returns
        -------
        list of int
            Places in the file of the packets at which a break shows.
        """
        found: list[int] = []
        while end is None or self._at <= end:
            self._file.seek(self._at)
            want = _PIECE if end is None else min(_PIECE, end - self._at + 1)
            data = self._file.read(want + _LOOK_AHEAD)
            last = len(data) < want + _LOOK_AHEAD
            found.extend(self._look_through(data, want))
            if last and (end is None or len(data) <= want):
                break
        return found

    def _look_through(self, data: bytes, want: int) -> Iterator[int]:
        """Yield breaks in the packets that begin in the first `want` bytes."""
        base, at = self._at, 0
        while at < min(want, len(data)):
            if not self._in_step:
                start = self._find_step(data, at)
                if start is None:
                    at = min(max(want, at + 1), len(data))
                    break
                at = start
                self._in_step = True
                if at >= want:
                    break
            records = np.frombuffer(data, np.uint8, offset=at)
            number = min(-(-(want - at) // self._size), len(records) // self._size)
            if not number:
                at = min(want, len(data))
                break
            heads = records[: number * self._size].reshape(number, self._size)
            heads = heads[:, :_HEAD]
            lost = np.flatnonzero(heads[:, 0] != _SYNC)
            good = int(lost[0]) if len(lost) else number
            for row in self._breaks(heads[:good]):
                yield base + at + row * self._size
            at += good * self._size
            if len(lost):
                yield base + at
                self._in_step = False
                at += 1
        self._at = base + at

    def _find_step(self, data: bytes, at: int) -> int | None:
        """Return where packets begin again: three in a row."""
        while (at := data.find(_SYNC, at)) >= 0:
            for size in (self._size,) if self._size else _SIZES:
                places = (at + size, at + 2 * size)
                if all(p < len(data) and data[p] == _SYNC for p in places):
                    self._size = size
                    return at
            at += 1
        return None

    def _breaks(self, heads: NDArray[np.uint8]) -> list[int]:
        """Return the packets, of some in a row, at which the numbering breaks."""
        pid = (heads[:, 1] & 0x1F).astype(np.int32) << 8 | heads[:, 2]
        rows = np.flatnonzero(pid == self._pid)
        if not len(rows):
            return []
        mine = heads[rows]
        broken = mine[:, 1] >> 7 != 0  # transport error indicator
        adapted = (mine[:, 3] & 0x20 != 0) & (mine[:, 4] > 0)
        announced = adapted & (mine[:, 5] & 0x80 != 0)
        filled = mine[:, 3] & 0x10 != 0  # only packets with payload are counted
        found = set(rows[broken].tolist())
        number = (mine[filled, 3] & 0x0F).astype(np.int16)
        if len(number):
            before = np.concatenate(
                [[number[0] - 1 if self._count is None else self._count], number[:-1]]
            )
            step = (number - before) & 0x0F
            # A packet may be sent twice; then its number stays.
            skips = (step > 1) & ~announced[filled]
            found.update(rows[filled][skips].tolist())
            self._count = int(number[-1])
        return sorted(int(row) for row in found)
