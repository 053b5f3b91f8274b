"""How long a WAV or an AVI says it is: decoders look at the file's size instead."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

__all__ = ["announced_seconds", "is_cut_short"]

# Sizes written by recorders that could not come back to fill them in.
_UNKNOWN = (0, 0xFFFF_FFFF)
_MOST_CHUNKS = 1000


def announced_seconds(path: Path) -> Fraction:
    """Return how much sound a WAV's header announces, 0 where it does not tell.

    Chunks as in EBU Tech 3306 (RF64): ``fmt `` holds bytes a second, ``data`` its
    size, which ``ds64`` replaces where it does not fit 32 bits.
    """
    a_second, data_bytes = 0, 0
    try:
        size = path.stat().st_size
        with path.open("rb") as file:
            head = file.read(12)
            if head[:4] not in (b"RIFF", b"RF64") or head[8:12] != b"WAVE":
                return Fraction(0)
            at, large = 12, 0
            for _ in range(_MOST_CHUNKS):
                if at + 8 > size:
                    break
                file.seek(at)
                chunk = file.read(32)
                length = int.from_bytes(chunk[4:8], "little")
                if chunk[:4] == b"ds64":
                    large = int.from_bytes(chunk[16:24], "little")
                elif chunk[:4] == b"fmt ":
                    a_second = int.from_bytes(chunk[16:20], "little")
                elif chunk[:4] == b"data":
                    data_bytes = 0 if length in _UNKNOWN else length
                    if head[:4] == b"RF64" and length == 0xFFFF_FFFF:
                        data_bytes = large
                    break
                at += 8 + length + length % 2
    except OSError:
        return Fraction(0)
    return Fraction(data_bytes, a_second) if a_second else Fraction(0)


def is_cut_short(path: Path) -> bool:
    """Return whether an AVI has fewer bytes than its first RIFF chunk announces.

    FFmpeg's length is then that of what is left.
    """
    try:
        size = path.stat().st_size
        with path.open("rb") as file:
            head = file.read(12)
    except OSError:
        return False
    length = int.from_bytes(head[4:8], "little")
    known = head[:4] == b"RIFF" and head[8:12] == b"AVI " and length not in _UNKNOWN
    return known and size < 8 + length
