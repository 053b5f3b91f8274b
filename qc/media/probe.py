"""What a recording is, found without measuring it: streams, signal, scan, time."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import av
from av.audio.stream import AudioStream
from av.container import InputContainer
from av.packet import Packet
from av.stream import Disposition
from av.video.codeccontext import VideoCodecContext
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from qc.errors import DecodeError, UsageError
from qc.media.container import fingerprint, holds_whole_pictures, open_recording
from qc.media.decoding import has_own_times
from qc.media.fieldorder import top_field_first
from qc.media.heads import head_of
from qc.media.labels import find_timecode
from qc.media.packets import packets_of
from qc.media.rates import frame_rate
from qc.media.sound import HIGHEST_RATE, LOWEST_RATE
from qc.media.tags import Tags, signal_of
from qc.media.threads import give_all_frames
from qc.media.wave import announced_seconds, is_cut_short
from qc.records import AudioTrack, Scan, TakeInfo, VideoTrack

__all__ = ["probe"]

# A take without pictures still needs labels; sound recorders count like this.
_SOUND_ONLY_RATE = Fraction(25)
_FIRST_FRAME_PACKETS = 2000
# H.264 shows a picture at most so many others later than it is coded.
_H264_REORDERING = 16
# Pixels on a side, and times as long: motion, focus and noise are told from tiles.
_SMALLEST, _LONGEST = 16, 20


def probe(path: Path, *, video: int | None = None) -> TakeInfo:
    """Find out what a recording is.

    Parameters
    ----------
    path : Path
    video : int or None
        Which picture stream to measure, 0 for the first that is no attached picture.

    Returns
    -------
    TakeInfo

    Raises
    ------
    DecodeError
        The file cannot be opened, or holds nothing that can be measured.
    UsageError
        There is no such picture stream.
    """
    with open_recording(path) as container:
        return _describe(path, container, video)


def _describe(path: Path, container: InputContainer, wanted: int | None) -> TakeInfo:
    assumed: list[str] = []
    left_out: list[str] = []
    stream, number, lost = _choose_video(path, container, wanted, left_out)
    audio = _audio_tracks(container, left_out)
    first: VideoFrame | None = None
    tags, reordering = Tags(), None
    if stream is not None:
        # Decoding replaces the container's tags with the picture's own.
        tags = Tags.of(stream.codec_context)
        reordering = stream.codec_context.reorder_depth
        first = _first_frame(container, stream)
        # The pictures may ask for more than their times need.
        reordering = max(reordering, stream.codec_context.reorder_depth)
        if first is None:
            if wanted is not None or not audio:
                raise DecodeError(
                    f"{path}: no frame of the picture can be decoded; "
                    "copy the file again from the card"
                )
            left_out.append(f"picture stream {number}: no frame of it can be decoded")
            stream, lost = None, True
    if stream is None and not audio:
        raise DecodeError(
            f"{path}: there is neither a picture nor sound in this file that can be "
            "measured"
        )
    track = None
    if stream is not None and first is not None:
        track = _video_track(stream, number, first, tags, assumed)
        short, long = sorted((track.width, track.height))
        if short < _SMALLEST or long > _LONGEST * short:
            raise DecodeError(
                f"{path}: its picture has {track.width} x {track.height} pixels, which "
                f"no camera gives; under {_SMALLEST} on a side, or more than "
                f"{_LONGEST} times as long as wide, nothing can be measured"
            )
        track = replace(track, reordering=reordering)
    origin = _origin(stream, first, container, audio)
    lead = _lead(stream, origin)
    rate = track.frame_rate if track is not None else _SOUND_ONLY_RATE
    timecode, start, source = find_timecode(
        container, stream, first, rate=rate, lead=lead, assumed=assumed
    )
    if track is None:
        what = "No picture can be decoded" if lost else "There is no picture"
        assumed.append(f"{what}: timecodes count {_SOUND_ONLY_RATE} frames a second.")
    duration = None
    if container.duration:
        duration = Fraction(container.duration, av.time_base)
    if stream is None and container.format.name == "wav":
        # FFmpeg counts what is there, not what the header announces.
        duration = max(duration or Fraction(0), announced_seconds(path)) or None
    own = None if stream is None else _own_duration(stream, container, origin, lead)
    if own is not None and track is not None:
        if container.format.name == "avi" and is_cut_short(path):
            # FFmpeg takes the length from what is left, the count from the header.
            own = max(own, Fraction(track.frames_expected or 0) / track.frame_rate)
        duration = own
    return TakeInfo(
        path=path,
        bytes=path.stat().st_size,
        container=container.format.name,
        duration=duration,
        video=track,
        audio=tuple(audio),
        timecode=timecode,
        start_frame=start,
        timecode_source=source,
        assumed=tuple(assumed),
        left_out=tuple(left_out),
        fingerprint=fingerprint(path),
        origin=origin,
        metadata=dict(container.metadata),
        picture_lost=lost,
        shared_duration=own is None and track is not None and bool(audio),
    )


def _own_duration(
    stream: VideoStream, container: InputContainer, origin: Fraction, lead: Fraction
) -> Fraction | None:
    """Return the picture stream's own length in seconds; None if none is told."""
    if stream.duration and stream.time_base:
        return stream.duration * Fraction(stream.time_base) - lead
    if "matroska" not in container.format.name:
        return None
    # Matroska has one length for all; writers put that of a stream into a tag, as the
    # time of its end or, together with other statistics, as its length.
    told = stream.metadata.get("DURATION") or stream.metadata.get("DURATION-eng", "")
    match = re.fullmatch(r"(\d+):(\d\d):(\d\d(?:\.\d+)?)", told)
    if match is None:
        return None
    own = Fraction(match[1]) * 3600 + Fraction(match[2]) * 60 + Fraction(match[3])
    if not any(key.startswith("_STATISTICS") for key in stream.metadata):
        own -= max(origin, Fraction(0))
    whole = Fraction(container.duration or 0, av.time_base)
    # A tag that was copied from a longer recording says nothing of this one.
    return own if 0 < own <= whole + Fraction(1, 100) else None


def _choose_video(
    path: Path, container: InputContainer, wanted: int | None, left_out: list[str]
) -> tuple[VideoStream | None, int, bool]:
    """Return the stream to measure, its number, and whether all are unknown."""
    real: list[VideoStream] = []
    unknown = False
    for stream in container.streams.video:
        if stream.codec_context is None:
            left_out.append(f"stream {stream.index}: pictures in an unknown format")
            unknown = True
        elif stream.disposition & Disposition.attached_pic:
            left_out.append(f"stream {stream.index}: an attached picture")
        else:
            real.append(stream)
    if wanted is not None and not 0 <= wanted < len(real):
        have = (
            f"it has {len(real)} picture stream{'s' * (len(real) != 1)}, counted from 0"
            if real
            else "it has no picture"
        )
        raise UsageError(f"{path}: there is no picture stream {wanted}: {have}")
    number = _begun(path, real) if wanted is None else wanted
    for i, stream in enumerate(real):
        if i != number:
            empty = wanted is None and i < number
            left_out.append(
                f"picture stream {i} ({stream.width}x{stream.height}, "
                f"{stream.codec_context.name}): "
                + ("the file begins without it; " if empty else "")
                + f"measure it with --video {i}"
            )
    if not real:
        return None, number, unknown
    return real[number], number, False


def _begun(path: Path, real: list[VideoStream]) -> int:
    """Return the number of the first picture stream that the file really has.

    Recorders announce streams of several sizes and then write one of them.
    """
    if len(real) < 2:
        return 0
    seen: set[int] = set()
    with open_recording(path) as container:
        streams = [container.streams[one.index] for one in real]
        try:
            for packet in itertools.islice(
                packets_of(container, streams), _FIRST_FRAME_PACKETS
            ):
                if packet.size:
                    seen.add(packet.stream.index)
                if real[0].index in seen:
                    break
        except av.FFmpegError:
            pass
    return next((i for i, one in enumerate(real) if one.index in seen), 0)


def _audio_tracks(container: InputContainer, left_out: list[str]) -> list[AudioTrack]:
    tracks: list[AudioTrack] = []
    channel = 1
    for stream in container.streams.audio:
        context = stream.codec_context
        rate = (context.sample_rate or 0) if context is not None else 0
        # A header that damage has reached tells of rates that no recorder has.
        known = LOWEST_RATE <= rate <= HIGHEST_RATE
        if context is None or not known or not context.channels:
            left_out.append(f"stream {stream.index}: sound in an unknown format")
            continue
        tracks.append(
            AudioTrack(
                stream=stream.index,
                number=len(tracks),
                codec=context.name,
                channels=context.channels,
                layout=_layout(context.layout.name, context.channels),
                sample_rate=context.sample_rate,
                first_channel=channel,
            )
        )
        channel += context.channels
    return tracks


def _layout(name: str, channels: int) -> str:
    """Return a layout's name, or that the file does not say which channel is which."""
    if name and not name.endswith("channels"):
        return name
    return "mono" if channels == 1 else f"{channels} channels, layout not marked"


def _first_frame(container: InputContainer, stream: VideoStream) -> VideoFrame | None:
    """Decode until the first frame: its own tags are nearer the truth than the file's.

    A recording that begins between key frames gives broken frames first, which only
    lead up to the first whole one; they count if nothing better comes.
    """
    stream.codec_context.thread_count = 1
    give_all_frames(stream)
    broken: VideoFrame | None = None
    packets = _packets(container, stream)
    begin: list[Packet[VideoStream]] = []
    late = stream.codec_context.name == "h264" and stream.codec_context.reorder_depth
    if late and holds_whole_pictures(container):
        begin = list(itertools.islice(packets, _H264_REORDERING + 1))
        first = _shown_first(stream, begin)
        if first is not None:
            return first
    try:
        for count, packet in enumerate(itertools.chain(begin, packets)):
            try:
                frames = packet.decode()
            except av.FFmpegError:
                continue
            for frame in frames:
                if not isinstance(frame, VideoFrame):
                    continue
                if frame.key_frame or not frame.is_corrupt:
                    return frame
                broken = broken or frame
            if count > _FIRST_FRAME_PACKETS:
                break
    finally:
        stream.codec_context.flush_buffers()
    return broken


def _shown_first(
    stream: VideoStream, begin: list[Packet[VideoStream]]
) -> VideoFrame | None:
    """Return the first frame without decoding those that are coded before it is given.

    None if it takes more to know which is first: only a picture that is coded on its
    own, in front of all others and shown before them, is first for certain.
    """
    context, first = stream.codec_context, begin[0] if begin else None
    if first is None or first.pts is None or not first.is_keyframe or first.is_discard:
        return None
    if any(p.size and (p.pts is None or p.pts < first.pts) for p in begin):
        return None
    head = head_of(first, context)
    frame = _by_itself(context, head)
    if head is not first and (frame is None or frame.interlaced_frame):
        # The order of the fields is told by both of them.
        frame = _by_itself(context, first)
    return frame


def _by_itself(
    context: VideoCodecContext, packet: Packet[VideoStream]
) -> VideoFrame | None:
    """Return the picture of one packet; None if it is not one key frame."""
    try:
        frames = [*context.decode(packet), *context.decode(None)]
    except av.FFmpegError:
        return None
    finally:
        context.flush_buffers()
    (frame,) = frames if len(frames) == 1 else (None,)
    if not isinstance(frame, VideoFrame) or not frame.key_frame:
        return None
    return frame if frame.pts == packet.pts else None


def _packets(
    container: InputContainer, stream: VideoStream
) -> Iterator[Packet[VideoStream]]:
    try:
        yield from packets_of(container, [stream])
    except av.FFmpegError:
        return


def _video_track(
    stream: VideoStream,
    number: int,
    first: VideoFrame,
    container_tags: Tags,
    assumed: list[str],
) -> VideoTrack:
    context = stream.codec_context
    rate = frame_rate(stream, assumed)
    signal = signal_of(first, container_tags, assumed)
    aspect = stream.sample_aspect_ratio
    frames = stream.frames or None
    time_base = Fraction(stream.time_base or Fraction(1, 1000))
    return VideoTrack(
        stream=stream.index,
        number=number,
        codec=context.name,
        pixel_format=first.format.name,
        width=first.width,
        height=first.height,
        frame_rate=rate,
        time_base=time_base,
        signal=signal,
        scan=_scan(context, first, assumed),
        frames_expected=frames,
        rotation=round(-first.rotation) % 360,
        pixel_aspect=Fraction(aspect) if aspect else Fraction(1),
    )


def _scan(context: VideoCodecContext, first: VideoFrame, assumed: list[str]) -> Scan:
    field_order = context.field_order
    # FFmpeg's field orders, by which field is shown first: 2 and 5 top, 3 and 4 bottom.
    if field_order in (2, 5):
        return "top field first"
    if field_order in (3, 4):
        return "bottom field first"
    if not first.interlaced_frame:
        return "progressive"
    marked = top_field_first(first, context.name)
    if marked is not None:
        return "top field first" if marked else "bottom field first"
    scan: Scan = (
        "bottom field first" if first.height in (480, 486) else "top field first"
    )
    assumed.append(
        "Frames are marked interlaced without a field order: "
        f"{scan} is assumed for {first.height} lines."
    )
    return scan


def _origin(
    stream: VideoStream | None,
    first: VideoFrame | None,
    container: InputContainer,
    audio: list[AudioTrack],
) -> Fraction:
    """Return when the take begins on the container's clock, in seconds."""
    if stream is not None and first is not None:
        base = Fraction(first.time_base or stream.time_base or Fraction(1, 1000))
        if first.pts is None or not has_own_times(stream):
            return (stream.start_time or 0) * base
        return first.pts * base
    starts = []
    for track in audio:
        sound = container.streams[track.stream]
        if (
            isinstance(sound, AudioStream)
            and sound.start_time is not None
            and sound.time_base
        ):
            starts.append(sound.start_time * Fraction(sound.time_base))
    return min(starts, default=Fraction(0))


def _lead(stream: VideoStream | None, origin: Fraction) -> Fraction:
    """Return how much of the picture stream lies before the first frame, in seconds.

    A recording that does not begin with a whole key frame has pictures in front that
    cannot be decoded.
    """
    if stream is None or stream.start_time is None or not stream.time_base:
        return Fraction(0)
    if not has_own_times(stream):
        return Fraction(0)
    return max(Fraction(0), origin - stream.start_time * Fraction(stream.time_base))
