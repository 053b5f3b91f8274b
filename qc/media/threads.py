"""Decoder threads, and how far behind the packets they leave the decoder."""

from __future__ import annotations

import os
from typing import Any

from av.codec.codec import Capabilities
from av.codec.context import Flags
from av.packet import Packet
from av.video.stream import VideoStream

from qc.records import VideoTrack

__all__ = [
    "closing_packets",
    "frames_ahead",
    "frames_at_once",
    "frames_behind",
    "give_all_frames",
    "restart",
    "use_threads",
]

_MOST_THREADS = 16
# While the thread that measures is at work, the decoder's own go on only with packets
# they have; four more than there are processors took an eighth off the wall time.
_MORE_THAN_CPUS = 4
# FFmpeg's H.264 decoder holds back at most 16 frames. More than eight threads decode
# faster than anything is measured.
_H264_DELAY = 15
_H264_THREADS = 8
_DELAYED_BYTES = 256 << 20
# Decoded frames that wait to be measured.
_AHEAD, _AHEAD_BYTES = 6, 48 << 20
# Measured together: more gain little, and large ones are gone from the cache by then.
_AT_ONCE, _AT_ONCE_BYTES = 8, 24 << 20
_H264_END_OF_SEQUENCE = bytes([0, 0, 0, 1, 10])


def give_all_frames(stream: VideoStream) -> None:
    """Make the decoder hand over broken frames too, marked as such.

    HEVC's would otherwise leave out every frame whose reference is missing.
    """
    stream.codec_context.flags |= Flags.output_corrupt


def use_threads(stream: VideoStream, threads: int, track: VideoTrack) -> int:
    """Set up a decoder with threads; return its reordering for `restart`.

    FFmpeg's H.264 decoder may hand over a frame while another thread still decodes it,
    and the mark of an error in it is then lost. Held back for as many frames as there
    are threads, it is whole when it comes.

    Parameters
    ----------
    stream : VideoStream
        Not opened for decoding yet.
    threads : int
        0 takes what the machine has.
    """
    context = stream.codec_context
    give_all_frames(stream)
    wanted = threads or min(_cpus() + _MORE_THAN_CPUS, _MOST_THREADS)
    if context.name == "h264":
        reordered = context.reorder_depth
        extra = min(
            _H264_THREADS,
            max(2, _DELAYED_BYTES // _frame_bytes(track)),
            max(0, _H264_DELAY - reordered),
        )
        context.reorder_depth = reordered + extra
        wanted = min(wanted, max(extra, 1))
    context.thread_type = "AUTO"
    context.thread_count = wanted
    return context.reorder_depth


def restart(stream: VideoStream, reordering: int) -> None:
    """Make a decoder forget everything, to begin at a key frame."""
    stream.codec_context.flush_buffers()
    if stream.codec_context.name == "h264":
        stream.codec_context.reorder_depth = reordering


def frames_ahead(track: VideoTrack | None) -> int:
    """Return how many decoded frames may wait, one at least."""
    if track is None:
        return _AHEAD
    return max(1, min(_AHEAD, _AHEAD_BYTES // _frame_bytes(track)))


def frames_at_once(track: VideoTrack | None) -> int:
    """Return how many pictures are measured together, one at least."""
    if track is None:
        return 1
    return max(1, min(_AT_ONCE, _AT_ONCE_BYTES // _frame_bytes(track)))


def frames_behind(stream: VideoStream) -> int:
    """Return how many packets later a decoder gives what came of a packet."""
    context = stream.codec_context
    if not int(context.codec.capabilities) & Capabilities.frame_threads:
        return 0
    return max(0, context.thread_count - 1)


def closing_packets(stream: VideoStream) -> list[Packet[Any]]:
    """Return packets that make a decoder give its last frames, before it is drained.

    Drained with threads at work, FFmpeg's H.264 decoder hands over frames before they
    are whole, as it does otherwise with too little delay. A NAL unit that ends the
    sequence makes it hand over one frame at a time in the usual way.

    References
    ----------
    ITU-T H.264, 7.3.2.6: end of sequence, NAL unit type 10. It is written alike with a
    start code and with a length of four bytes.
    """
    if stream.codec_context.name != "h264" or not frames_behind(stream):
        return []
    number = frames_behind(stream) + stream.codec_context.reorder_depth + 1
    return [Packet(_H264_END_OF_SEQUENCE) for _ in range(number)]


def _frame_bytes(track: VideoTrack) -> int:
    """Return about how large a decoded frame is: 4:2:2 stands for the rest."""
    deep = track.signal.bit_depth > 8
    return max(1, 2 * track.width * track.height * (1 + deep))


def _cpus() -> int:
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # not on every system
        return os.cpu_count() or 1
