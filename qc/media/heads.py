"""The beginning of a coded picture, enough for what it tells of itself.

An H.264 picture's size, colour tags, scan and time stand in front of its pixels. The
first picture of a recording is its largest, and decoding all of it to read those took
as long as measuring fifteen others.
"""

from __future__ import annotations

from typing import cast

from av.packet import Packet
from av.video.codeccontext import VideoCodecContext
from av.video.stream import VideoStream

__all__ = ["head_of"]

_WORTH_IT = 64 << 10  # bytes; less is decoded in no time
_KEPT = 8 << 10  # of the first slice: its head, and some pixels
# Rec. ITU-R H.264, table 7-1: slices, and those whose data lie apart.
_SLICES, _APART = (1, 5), (2, 3, 4)
_LENGTH_MASK, _TYPE_MASK = 3, 31


def head_of(
    packet: Packet[VideoStream], context: VideoCodecContext
) -> Packet[VideoStream]:
    """Return a packet that holds only the beginning of an H.264 picture.

    Parameters
    ----------
    packet : Packet
        A whole coded picture, its units behind their lengths as MP4 keeps them
        (ISO/IEC 14496-15, 5.3).
    context : VideoCodecContext
        Of H.264; knows how wide the lengths are.

    Returns
    -------
    Packet
        Decoded it gives the picture with its pixels missing, marked as broken. The
        packet itself if it is small, or not as expected.
    """
    extra = context.extradata
    if packet.size < _WORTH_IT or not extra or len(extra) < 5 or extra[0] != 1:
        return packet
    wide, data, at = (extra[4] & _LENGTH_MASK) + 1, bytes(packet), 0
    while at + wide < len(data):
        begin = at + wide
        length = int.from_bytes(data[at:begin], "big")
        kind = data[begin] & _TYPE_MASK
        if not 0 < length <= len(data) - begin or kind in _APART:
            break
        if kind in _SLICES:
            kept = data[begin : begin + min(length, _KEPT)]
            head = Packet(data[:at] + len(kept).to_bytes(wide, "big") + kept)
            head.pts, head.dts = packet.pts, packet.dts
            head.time_base = packet.time_base
            head.is_keyframe = packet.is_keyframe
            return cast("Packet[VideoStream]", head)
        at = begin + length
    return packet
