"""The start timecode of a recording, wherever it is written."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from fractions import Fraction
from typing import cast

from av.container import InputContainer
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from qc.timecode import TimecodeError, TimecodeFormat, is_drop_label

__all__ = ["find_timecode"]

_FIRST_PICTURE = "first picture"
_TIME_REFERENCE = "sound file's time reference"
# It is a 64-bit number (EBU Tech 3285); more digits are none.
_REFERENCE_DIGITS = 18


def find_timecode(
    container: InputContainer,
    stream: VideoStream | None,
    first: VideoFrame | None,
    *,
    rate: Fraction,
    lead: Fraction,
    assumed: list[str],
) -> tuple[TimecodeFormat, int, str]:
    """Return how frames are labelled, the first frame's count and where it was found.

    Parameters
    ----------
    stream, first : VideoStream and VideoFrame, or None
        The picture stream that is measured, and its first frame.
    lead : Fraction
        Seconds of the stream before that frame.
    assumed : list of str
        Gets sentences about what could not be used, or is not there.

    Returns
    -------
    format, count, source
        `source` is ``"none"`` where nothing was found.
    """
    for source, label in _labels(container, stream, first, rate):
        try:
            format_ = TimecodeFormat(rate, drop_frame=is_drop_label(label))
            start = format_.frame(label)
            if source != _FIRST_PICTURE:
                start += round(lead * rate)
            return format_, start, source
        except TimecodeError as error:
            assumed.append(
                f"The start timecode {label!r} of the {source} cannot be used: {error}."
            )
    reference = container.metadata.get("time_reference", "")
    sounds = container.streams.audio
    counts = reference.isascii() and reference.isdecimal()
    if stream is not None or len(reference) > _REFERENCE_DIGITS or not counts:
        reference = ""
    if reference and sounds and sounds[0].codec_context:
        # Broadcast Wave: samples since midnight (EBU Tech 3285).
        samples_a_second = sounds[0].codec_context.sample_rate or 48000
        seconds = Fraction(int(reference), samples_a_second)
        return TimecodeFormat(rate), round(seconds * rate), _TIME_REFERENCE
    assumed.append(
        "There is no start timecode in the file: labels count from 00:00:00:00."
    )
    return TimecodeFormat(rate), 0, "none"


def _labels(
    container: InputContainer,
    stream: VideoStream | None,
    first: VideoFrame | None,
    rate: Fraction,
) -> Iterator[tuple[str, str]]:
    def given(metadata: Mapping[str, str]) -> str | None:
        return metadata.get("timecode") or metadata.get("TIMECODE")

    if stream is not None and (label := given(stream.metadata)):
        yield "picture stream", label
    for other in container.streams:
        if other is not stream and (label := given(other.metadata)):
            yield ("timecode track" if other.type == "data" else "stream"), label
    if label := given(container.metadata):
        yield "container", label
    if first is not None and (label := _picture_label(first, rate)):
        yield _FIRST_PICTURE, label


def _picture_label(first: VideoFrame, rate: Fraction) -> str | None:
    """Read a label that travels with the first picture: SMPTE ST 12-1 or MPEG-2's."""
    try:
        side_data = cast("Mapping[str, bytes]", first.side_data)
        for kind, read in _READERS.items():
            if kind in side_data:
                return read(bytes(side_data[kind]), rate)
    except (KeyError, ValueError):
        # Kinds of side data that PyAV does not know.
        return None
    return None


def _st12_label(data: bytes, rate: Fraction) -> str | None:
    """Read FFmpeg's form of the binary word of ST 12-1, the first of several.

    Bytes from the top hold frames, seconds, minutes and hours as binary-coded
    decimals, bit 30 the drop-frame flag. Above 30 frames a second, frames are counted
    in pairs, and the field flag (bit 7 at multiples of 25, else bit 23) tells which.
    """
    if len(data) < 8 or not int.from_bytes(data[:4], "little"):
        return None
    word = int.from_bytes(data[4:8], "little")

    def decimal(shift: int, tens_mask: int) -> int:
        byte = word >> shift & 0xFF
        return 10 * ((byte >> 4) & tens_mask) + (byte & 0xF)

    frames = decimal(24, 3)
    if rate > 30:
        field_bit = 7 if round(rate) % 25 == 0 else 23
        frames = 2 * frames + (word >> field_bit & 1)
    mark = ";" if word >> 30 & 1 else ":"
    hours, minutes, seconds = decimal(0, 3), decimal(8, 7), decimal(16, 7)
    return f"{hours:02d}:{minutes:02d}:{seconds:02d}{mark}{frames:02d}"


def _gop_label(data: bytes, rate: Fraction) -> str | None:
    """Read the time code of an MPEG-2 group of pictures.

    ISO/IEC 13818-2, 6.3.8: drop-frame flag, hours (5 bits), minutes (6), a marker,
    seconds (6), pictures (6).
    """
    word = int.from_bytes(data[:8], "little")
    if not word & 0x00FF_EFFF:
        return None  # what encoders write that know no time
    mark = ";" if word >> 24 & 1 and round(rate) % 30 == 0 else ":"
    return (
        f"{word >> 19 & 0x1F:02d}:{word >> 13 & 0x3F:02d}:{word >> 6 & 0x3F:02d}"
        f"{mark}{word & 0x3F:02d}"
    )


_READERS = {
    "S12M_TIMECODE": _st12_label,
    "GOP_TIMECODE": _gop_label,
}
