"""Whether pictures that others build on are missing from H.264: they are numbered.

Where a packet is lost as a whole a decoder goes on without a word, and shows what later
pictures change in a picture that is not the one they were made for.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TypeAlias

__all__ = ["FrameNumbers", "missing_before"]

Buffer: TypeAlias = bytes | memoryview

_SLICE, _SLICE_ALONE, _SEQUENCE, _PICTURE = 1, 5, 7, 8
# Profiles whose sequence parameters tell of chroma and depth.
_HIGH = frozenset({44, 83, 86, 100, 110, 118, 122, 128, 134, 135, 138, 139, 244})
# Headers are short; so much of a unit, and of a packet without lengths, is looked at.
_HEAD_BYTES, _LOOK_BYTES = 96, 1 << 16
_LONGEST_ZEROS = 32


class _Bits:
    """Reads bits and Exp-Golomb codes (9.1) of a unit without its escapes (7.4.1)."""

    def __init__(self, unit: bytes) -> None:
        raw = unit.replace(b"\0\0\3", b"\0\0")
        self._value = int.from_bytes(raw, "big")
        self._left = 8 * len(raw)

    def take(self, count: int) -> int:
        self._left -= count
        if self._left < 0:
            raise ValueError("the unit is too short")
        return (self._value >> self._left) & ((1 << count) - 1)

    def number(self) -> int:
        zeros = 0
        while not self.take(1):
            zeros += 1
            if zeros > _LONGEST_ZEROS:
                raise ValueError("no number that long is written")
        return (1 << zeros) - 1 + self.take(zeros)

    def signed(self) -> int:
        code = self.number()
        return (code + 1) // 2 if code % 2 else -code // 2


def missing_before(number: int, *, last: int, modulus: int) -> int:
    """Return how many reference pictures are missing before one.

    Parameters
    ----------
    number : int
        Its frame number.
    last : int
        That of the last reference picture before it in decoding order.
    modulus : int
        Frame numbers are counted up to it.

    References
    ----------
    ITU-T H.264, 7.4.3, frame_num: that of the last reference picture, or one more.

    Examples
    --------
    >>> missing_before(5, last=4, modulus=16), missing_before(1, last=14, modulus=16)
    (0, 2)
    """
    return max((number - last) % modulus - 1, 0)


class FrameNumbers:
    """Follows the frame numbers of one H.264 stream, packet by packet.

    Parameters
    ----------
    extradata : bytes
        What the container tells of the stream: ISO/IEC 14496-15's decoder
        configuration, or units with start codes, or nothing.

    References
    ----------
    ITU-T H.264, 7.3.1, 7.3.2.1, 7.3.2.2, 7.3.3: units, sequence and picture parameters,
    slice headers; annex B: start codes. ISO/IEC 14496-15, 5.3.3.1: the decoder
    configuration.
    """

    def __init__(self, extradata: bytes) -> None:
        self._length_bytes = 0
        # Of a sequence: bits and meaning of its frame numbers; of a picture: which
        # sequence it belongs to.
        self._sequences: dict[int, tuple[int, bool, bool]] = {}
        self._pictures: dict[int, int] = {}
        self._last: int | None = None
        if extradata[:1] == b"\1" and len(extradata) > 6:
            self._length_bytes = (extradata[4] & 3) + 1
            units = _configured(extradata)
        else:
            units = _marked(extradata)
        for unit in units:
            self._learn(unit)

    def lacks(self, packet: Buffer, *, late: bool) -> bool:
        """Tell whether reference pictures are missing before a coded picture.

        Parameters
        ----------
        packet : bytes, or a view of them
        late : bool
            The picture comes later than the one before it leads to expect. Numbers
            begin anew at pictures that need no others, and where a coder asks for it
            (memory management control operation 5), which is not looked for: a number
            at the beginning tells of a loss only if this does, too.
        """
        try:
            return self._lacks(packet, late=late)
        except (ValueError, IndexError):
            return False  # not whole: the decoder will say so

    def _lacks(self, packet: Buffer, *, late: bool) -> bool:
        units = self._counted(packet) if self._length_bytes else _marked(packet)
        for unit in units:
            kind = unit[0] & 0x1F
            if kind in (_SEQUENCE, _PICTURE):
                self._learn(unit)
            elif kind == _SLICE_ALONE:
                self._last = 0
                return False
            elif kind == _SLICE:
                return self._is_behind_a_gap(unit, late=late)
        return False

    def _is_behind_a_gap(self, unit: bytes, *, late: bool) -> bool:
        bits = _Bits(unit[1:])
        bits.number()  # first macroblock
        bits.number()  # slice type
        bits_of_number, separate, gaps = self._sequences.get(
            self._pictures.get(bits.number(), -1), (0, False, True)
        )
        if gaps:
            return False  # not known, or numbers may be left out
        if separate:
            bits.take(2)
        number = bits.take(bits_of_number)
        modulus = 1 << bits_of_number
        last, is_reference = self._last, bool(unit[0] & 0x60)
        missing = 0
        if last is not None:
            missing = missing_before(number, last=last, modulus=modulus)
        if is_reference:
            self._last = number
        elif missing:
            self._last = (number - 1) % modulus
        return missing > 0 and (late or number > 1)

    def _counted(self, packet: Buffer) -> Iterator[bytes]:
        """Yield the beginnings of units that each have their length before them."""
        at, size = 0, self._length_bytes
        while at + size < len(packet):
            length = int.from_bytes(packet[at : at + size], "big")
            at += size
            if not length:
                continue
            yield bytes(packet[at : at + min(length, _HEAD_BYTES)])
            at += length

    def _learn(self, unit: bytes) -> None:
        kind = unit[0] & 0x1F
        try:
            if kind == _SEQUENCE:
                number, facts = _sequence(_Bits(unit[1:]))
                self._sequences[number] = facts
            elif kind == _PICTURE:
                bits = _Bits(unit[1:])
                number = bits.number()
                self._pictures[number] = bits.number()
        except ValueError:
            return


def _configured(extradata: bytes) -> Iterator[bytes]:
    """Yield the parameter sets of a decoder configuration."""
    at = 5
    for mask in (0x1F, 0xFF):
        if at >= len(extradata):
            return
        count = extradata[at] & mask
        at += 1
        for _ in range(count):
            length = int.from_bytes(extradata[at : at + 2], "big")
            if length and at + 2 < len(extradata):
                yield extradata[at + 2 : at + 2 + length]
            at += 2 + length


def _marked(data: Buffer) -> Iterator[bytes]:
    """Yield the beginnings of units that follow start codes."""
    look = bytes(data[:_LOOK_BYTES])
    at = look.find(b"\0\0\1")
    while 0 <= at < len(look) - 3:
        behind = look.find(b"\0\0\1", at + 3)
        end = behind if behind >= 0 else len(look)
        yield look[at + 3 : min(end, at + 3 + _HEAD_BYTES)]
        at = behind


def _sequence(bits: _Bits) -> tuple[int, tuple[int, bool, bool]]:
    """Return a sequence's id, and of its frame numbers: bits, planes apart, gaps."""
    profile = bits.take(8)
    bits.take(16)  # constraints, level
    number = bits.number()
    separate = False
    if profile in _HIGH:
        chroma = bits.number()
        separate = chroma == 3 and bool(bits.take(1))
        bits.number()  # depth of luma
        bits.number()  # of chroma
        bits.take(1)  # transform bypass
        if bits.take(1):
            for index in range(12 if chroma == 3 else 8):
                if bits.take(1):
                    _skip_scaling(bits, 16 if index < 6 else 64)
    bits_of_number = bits.number() + 4
    order = bits.number()
    if order == 0:
        bits.number()
    elif order == 1:
        bits.take(1)
        bits.signed()
        bits.signed()
        for _ in range(bits.number()):
            bits.signed()
    bits.number()  # reference frames
    return number, (bits_of_number, separate, bool(bits.take(1)))


def _skip_scaling(bits: _Bits, size: int) -> None:
    """Read over a scaling list (7.3.2.1.1.1)."""
    last = following = 8
    for _ in range(size):
        if following:
            following = (last + bits.signed()) % 256
        last = following or last
