"""Moments of a Matroska file that has no index, and perhaps no length.

Such a file still grows, or its writing broke off. Its clusters carry their own times,
so a moment is found by looking here and there, and the file can be read from any
cluster on as if that followed its head.

References
----------
RFC 8794 (EBML): 4 and 5, how numbers and sizes are written. RFC 9559 (Matroska): 5.1,
the elements; a cluster begins with its
time.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import BinaryIO

__all__ = ["Clusters", "Spliced"]

_SEGMENT, _INFO, _CLUSTER = (
    b"\x18\x53\x80\x67",
    b"\x15\x49\xa9\x66",
    b"\x1f\x43\xb6\x75",
)
_SEEK_HEAD, _CUES = b"\x11\x4d\x9b\x74", b"\x1c\x53\xbb\x6b"
_SEEK_NAME, _SEEK_PLACE = b"\x53\xab", b"\x53\xac"
_SCALE, _TIME = b"\x2a\xd7\xb1", b"\xe7"
_CHECKSUM, _VOID = b"\xbf", b"\xec"  # may stand before the time
_USUAL_SCALE_NS = 1_000_000
_MOST_HEAD = 16 << 20
_PIECE = 1 << 17
# A stretch so long without a cluster has none.
_MOST_APART = 64 << 20
_MOST_STEPS = 80
_EDGE = Fraction(1, 50)
_NEAR_S = Fraction(3)  # from so near on, cluster by cluster
_BEGINNING = 96  # bytes of a cluster that are looked at for its time
_LONGEST_BEFORE = 64


class Clusters:
    """Places of clusters in a Matroska or WebM file, found by looking.

    Parameters
    ----------
    path : Path

    Attributes
    ----------
    head : int
        Bytes before the first cluster; 0 if this is no such file.
    indexed : bool
        The file has an index of its own, and it is there.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._size = path.stat().st_size
        self._scale = Fraction(_USUAL_SCALE_NS, 10**9)
        self.head = 0
        self.indexed = False
        self._first = Fraction(0)
        self._last: tuple[int, Fraction] | None = None
        with path.open("rb") as file:
            self._read_head(file)

    def _read_head(self, file: BinaryIO) -> None:
        """Walk the elements at the file's top up to the first cluster."""
        at = segment = 0
        while at < min(self._size, _MOST_HEAD):
            file.seek(at)
            found = _element(file.read(16))
            if found is None:
                return
            name, size, body = found
            if name == _CLUSTER:
                file.seek(at)
                self._first = self._time(file.read(_BEGINNING)) or Fraction(0)
                self.head = at
                return
            if name == _SEGMENT:
                at = segment = at + body  # what it holds comes next
                continue
            if size is None:
                return
            if name in (_INFO, _SEEK_HEAD):
                file.seek(at + body)
                held = file.read(min(size, _PIECE))
                if name == _INFO:
                    self._read_scale(held)
                else:
                    self._read_index(file, held, segment)
            self.indexed |= name == _CUES
            at += body + size

    def _read_index(self, file: BinaryIO, held: bytes, segment: int) -> None:
        """Look whether the index is where the head says."""
        for _, seek in _children(held):
            parts = dict(_children(seek))
            if parts.get(_SEEK_NAME) == _CUES and _SEEK_PLACE in parts:
                file.seek(segment + int.from_bytes(parts[_SEEK_PLACE], "big"))
                self.indexed |= file.read(len(_CUES)) == _CUES

    def _read_scale(self, info: bytes) -> None:
        scale = int.from_bytes(dict(_children(info)).get(_SCALE, b""), "big")
        self._scale = Fraction(scale or _USUAL_SCALE_NS, 10**9)

    def at_or_after(self, place: int) -> tuple[int, Fraction] | None:
        """Return the next cluster's place and the time it begins with, in seconds."""
        place = max(place, self.head)
        end = min(self._size, place + _MOST_APART)
        with self._path.open("rb") as file:
            while place < end:
                file.seek(place)
                piece = file.read(_PIECE + _BEGINNING)
                at = piece.find(_CLUSTER)
                while 0 <= at < _PIECE:
                    seconds = self._time(piece[at : at + _BEGINNING])
                    if seconds is not None:
                        return place + at, seconds
                    at = piece.find(_CLUSTER, at + 1)
                place += _PIECE
        return None

    def _time(self, begin: bytes) -> Fraction | None:
        """Return the time of a cluster; None for bytes that only look like one."""
        cluster = _element(begin)
        at = cluster[2] if cluster is not None else len(begin)
        while (child := _element(begin[at:])) is not None:
            name, size, body = child
            at += body
            if size is None or size > _LONGEST_BEFORE or at + size > len(begin):
                return None
            if name == _TIME:
                return int.from_bytes(begin[at : at + size], "big") * self._scale
            if name not in (_CHECKSUM, _VOID):
                return None
            at += size
        return None

    def before(self, moment: Fraction) -> int:
        """Return the place of the last cluster that begins at or before a moment.

        Parameters
        ----------
        moment : Fraction
            Seconds on the file's own clock.
        """
        low, first = self.head, self._first
        if self._last is None:
            self._last = self.last()
        last = self._last
        if last is None:
            return self.head
        high, end = self._size, max(last[1], first)
        if moment >= end:
            return last[0]
        for step in range(_MOST_STEPS):
            if moment - first < _NEAR_S or high - low < 2:
                break
            # Time runs evenly through a file, nearly; halving ends the search anyhow.
            share = Fraction(1, 2)
            if step % 3 < 2:
                aim = (moment - _NEAR_S / 2 - first) / (end - first)
                share = min(max(aim, _EDGE), 1 - _EDGE)
            middle = low + 1 + int((high - low - 1) * share)
            found = self.at_or_after(middle)
            if found is None or found[0] >= high:
                high = middle
            elif found[1] > moment:
                high, end = middle, found[1]
            else:
                low, first = found
        following = self.at_or_after(low + 1)
        while following is not None and following[1] <= moment:
            low = following[0]
            following = self.at_or_after(low + 1)
        return low

    def last(self) -> tuple[int, Fraction] | None:
        """Return the last cluster's place, and the time it begins with in seconds."""
        back = _PIECE
        while self.head and back < 2 * self._size:
            place = max(self._size - back, self.head)
            last = None
            found = self.at_or_after(place)
            while found is not None:
                last = found
                found = self.at_or_after(found[0] + 1)
            if last is not None:
                return last
            back *= 4
        return None


class Spliced(io.RawIOBase):
    """A file without a stretch of its middle: its head, and all from a place on.

    Parameters
    ----------
    path : Path
    head : int
        Bytes of the head.
    place : int
        Where it goes on.
    """

    def __init__(self, path: Path, head: int, place: int) -> None:
        super().__init__()
        self._file = path.open("rb")
        self._head, self._gap = head, place - head
        self._length = max(path.stat().st_size - self._gap, head)
        self._at = 0
        self.bytes = 0

    def close(self) -> None:
        """Close the file."""
        self._file.close()
        super().close()

    def readable(self) -> bool:
        """Return True."""
        return True

    def seekable(self) -> bool:
        """Return True."""
        return True

    def tell(self) -> int:
        """Return the place in what is shown of the file."""
        return self._at

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        """Go to a place in what is shown of the file."""
        base = {io.SEEK_SET: 0, io.SEEK_CUR: self._at, io.SEEK_END: self._length}
        self._at = max(0, base[whence] + offset)
        return self._at

    def read(self, size: int = -1) -> bytes:
        """Read up to `size` bytes; of the head, no further than its end."""
        in_head = self._at < self._head
        most = (self._head if in_head else self._length) - self._at
        wanted = most if size < 0 else min(size, most)
        if wanted <= 0:
            return b""
        self._file.seek(self._at if in_head else self._at + self._gap)
        data = self._file.read(wanted)
        self._at += len(data)
        self.bytes += len(data)
        return data


def _children(data: bytes) -> Iterator[tuple[bytes, bytes]]:
    """Yield names and bodies of the elements in a body."""
    at = 0
    while (found := _element(data[at : at + 16])) is not None:
        name, size, body = found
        if size is None:
            return
        yield name, data[at + body : at + body + size]
        at += body + size


def _element(data: bytes) -> tuple[bytes, int | None, int] | None:
    """Read an element's name, the size of its body (None: unknown) and of its head."""
    if not data or not data[0]:
        return None
    name_length = 9 - data[0].bit_length()
    if name_length > 4 or len(data) <= name_length or not data[name_length]:
        return None
    first = data[name_length]
    size_length = 9 - first.bit_length()
    head = name_length + size_length
    if len(data) < head:
        return None
    bits = 7 * size_length
    size = int.from_bytes(data[name_length:head], "big") & ((1 << bits) - 1)
    unknown = size == (1 << bits) - 1
    return data[:name_length], None if unknown else size, head
