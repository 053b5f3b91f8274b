"""What a recording is, found without measuring it: streams, signal, scan, time."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from fractions import Fraction
from pathlib import Path

import av
from av.audio.stream import AudioStream
from av.container import InputContainer
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from qc.errors import DecodeError, UsageError
from qc.media.container import fingerprint, open_recording
from qc.media.pictures import is_rgb, target_format
from qc.records import AudioTrack, Scan, TakeInfo, VideoTrack
from qc.signal import Matrix, Primaries, Signal, Transfer
from qc.timecode import TimecodeError, TimecodeFormat, is_drop_label, snap_rate

__all__ = ["probe"]

# ITU-T H.273 code points of matrix, transfer and primaries.
_MATRIX: dict[int, Matrix] = {
    1: "bt709", 5: "bt601", 6: "bt601", 9: "bt2020", 10: "bt2020",
}  # fmt: skip
_TRANSFER: dict[int, Transfer] = {
    1: "bt709", 4: "gamma22", 5: "gamma28", 6: "bt709", 8: "linear", 13: "srgb",
    14: "bt709", 15: "bt709", 16: "pq", 18: "hlg",
}  # fmt: skip
_PRIMARIES: dict[int, Primaries] = {
    1: "bt709", 5: "bt601-625", 6: "bt601-525", 7: "bt601-525", 9: "bt2020",
    12: "p3-d65",
}  # fmt: skip
_UNSPECIFIED = (0, 2, 3)

# A take without pictures still needs labels; sound recorders count like this.
_SOUND_ONLY_RATE = Fraction(25)
_FIRST_FRAME_PACKETS = 2000


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
    stream, number = _choose_video(path, container, wanted, left_out)
    audio = _audio_tracks(container, left_out)
    first: VideoFrame | None = None
    container_range = 0
    if stream is not None:
        # Decoding replaces the container's tag with the picture's own.
        container_range = int(stream.codec_context.color_range or 0)
        first = _first_frame(container, stream)
        if first is None:
            if wanted is not None or not audio:
                raise DecodeError(
                    f"{path}: no frame of the picture can be decoded; "
                    "copy the file again from the card"
                )
            left_out.append(
                f"picture stream {number}: no frame of it can be decoded"
            )
            stream = None
    if stream is None and not audio:
        raise DecodeError(
            f"{path}: there is neither a picture nor sound in this file that can be "
            "measured"
        )
    track = None
    if stream is not None and first is not None:
        track = _video_track(stream, number, first, container_range, assumed)
    origin = _origin(stream, first, container, audio)
    rate = track.frame_rate if track is not None else _SOUND_ONLY_RATE
    timecode, start, source = _timecode(container, stream, first, rate, assumed)
    if track is None:
        assumed.append(
            "There is no picture: timecodes count "
            f"{_SOUND_ONLY_RATE} frames a second."
        )
    duration = None
    if container.duration:
        duration = Fraction(container.duration, av.time_base)
    if stream is not None and stream.duration and stream.time_base:
        duration = stream.duration * Fraction(stream.time_base)
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
    )


def _choose_video(
    path: Path, container: InputContainer, wanted: int | None, left_out: list[str]
) -> tuple[VideoStream | None, int]:
    real: list[VideoStream] = []
    for stream in container.streams.video:
        if stream.codec_context is None:
            left_out.append(f"stream {stream.index}: pictures in an unknown format")
        elif "attached_pic" in str(stream.disposition):
            left_out.append(f"stream {stream.index}: an attached picture")
        else:
            real.append(stream)
    if wanted is not None and not 0 <= wanted < len(real):
        have = (
            f"it has {len(real)} picture stream{'s' * (len(real) != 1)}, "
            "counted from 0"
            if real
            else "it has no picture"
        )
        raise UsageError(f"{path}: there is no picture stream {wanted}: {have}")
    number = wanted or 0
    for i, stream in enumerate(real):
        if i != number:
            left_out.append(
                f"picture stream {i} ({stream.width}x{stream.height}, "
                f"{stream.codec_context.name}): measure it with --video {i}"
            )
    return (real[number] if real else None), number


def _audio_tracks(container: InputContainer, left_out: list[str]) -> list[AudioTrack]:
    tracks: list[AudioTrack] = []
    channel = 1
    for stream in container.streams.audio:
        context = stream.codec_context
        if context is None or not context.sample_rate or not context.channels:
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
    return f"{channels} channel{'s' * (channels != 1)}, layout not marked"


def _first_frame(container: InputContainer, stream: VideoStream) -> VideoFrame | None:
    """Decode until the first frame; its own tags are nearer the truth than the file's."""
    stream.thread_type = "SLICE"
    found: VideoFrame | None = None
    try:
        for count, packet in enumerate(_packets(container, stream)):
            try:
                frames = packet.decode()
            except av.FFmpegError:
                continue
            for frame in frames:
                if isinstance(frame, VideoFrame):
                    found = frame
                    break
            if found is not None or count > _FIRST_FRAME_PACKETS:
                break
    finally:
        stream.codec_context.flush_buffers()
    return found


def _packets(container: InputContainer, stream: VideoStream) -> Iterator[av.Packet]:
    try:
        yield from container.demux(stream)
    except av.FFmpegError:
        return


def _video_track(
    stream: VideoStream,
    number: int,
    first: VideoFrame,
    container_range: int,
    assumed: list[str],
) -> VideoTrack:
    context = stream.codec_context
    rate = _frame_rate(stream, assumed)
    signal = _signal(first, container_range, assumed)
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
        scan=_scan(context.field_order, first, assumed),
        frames_expected=frames,
        rotation=round(-first.rotation) % 360,
        pixel_aspect=Fraction(aspect) if aspect else Fraction(1),
    )


def _frame_rate(stream: VideoStream, assumed: list[str]) -> Fraction:
    guessed = Fraction(stream.guessed_rate or 0)
    average = Fraction(stream.average_rate or 0)
    rate = guessed or average or Fraction(stream.base_rate or 0)
    if not 1 <= rate <= 1000:
        if 1 <= average <= 1000:
            rate = average
        else:
            assumed.append(
                "The file gives no frame rate: 25 frames a second are assumed."
            )
            rate = Fraction(25)
    return snap_rate(rate)


def _scan(field_order: int, first: VideoFrame, assumed: list[str]) -> Scan:
    # FFmpeg's field orders, by which field is shown first: 2 and 5 top, 3 and 4 bottom.
    if field_order in (2, 5):
        return "top field first"
    if field_order in (3, 4):
        return "bottom field first"
    if not first.interlaced_frame:
        return "progressive"
    scan: Scan = (
        "bottom field first" if first.height in (480, 486) else "top field first"
    )
    assumed.append(
        "Frames are marked interlaced without a field order: "
        f"{scan} is assumed for {first.height} lines."
    )
    return scan


def _signal(first: VideoFrame, container_range: int, assumed: list[str]) -> Signal:
    bits = min(16, max(8, first.format.components[0].bits))
    target = target_format(first)
    if is_rgb(first):
        assumed.append(
            "The picture is coded in R'G'B': it is turned into full-range BT.709 "
            "luma and colour difference before measuring."
        )
        return Signal(
            bit_depth=_target_depth(target, bits),
            full_range=True,
            matrix="bt709",
            transfer=_TRANSFER.get(int(first.color_trc), "srgb"),
            primaries=_PRIMARIES.get(int(first.color_primaries), "bt709"),
        )
    height = first.height
    return Signal(
        bit_depth=_target_depth(target, bits),
        full_range=_full_range(first, container_range, assumed),
        matrix=_matrix(int(first.colorspace), height, assumed),
        transfer=_transfer(int(first.color_trc), assumed),
        primaries=_primaries(int(first.color_primaries), height, first),
    )


def _target_depth(target: str | None, bits: int) -> int:
    if target is None:
        return bits
    match = re.search(r"p(\d+)le$|gray(\d+)le$", target)
    return int(next(g for g in match.groups() if g)) if match else 8


def _full_range(
    first: VideoFrame, container_tag: int, assumed: list[str]
) -> bool:
    frame_tag = int(first.color_range)
    name = first.format.name
    if name.startswith("yuvj") or frame_tag == 2:
        if container_tag == 1:
            assumed.append(
                "The container says limited range, the picture itself full range: "
                "the picture is believed."
            )
        return True
    if frame_tag == 1:
        if container_tag == 2:
            assumed.append(
                "The container says full range, the picture itself limited range: "
                "the picture is believed."
            )
        return False
    full = name.startswith("gray")
    assumed.append(
        "The range of the levels is not marked: "
        f"{'full' if full else 'limited (video)'} range is assumed."
    )
    return full


def _matrix(tag: int, height: int, assumed: list[str]) -> Matrix:
    if tag in _MATRIX:
        return _MATRIX[tag]
    guess: Matrix = "bt709" if height >= 720 else "bt601"
    what = "is not marked" if tag in _UNSPECIFIED else "is marked in a way not known here"
    assumed.append(
        f"The colour matrix {what}: {guess.upper().replace('BT', 'BT.')} is assumed "
        f"for a picture of {height} lines."
    )
    return guess


def _transfer(tag: int, assumed: list[str]) -> Transfer:
    if tag in _TRANSFER:
        return _TRANSFER[tag]
    what = "is not marked" if tag in _UNSPECIFIED else "is marked in a way not known here"
    assumed.append(f"The transfer curve {what}: BT.709 is assumed.")
    return "bt709"


def _primaries(tag: int, height: int, first: VideoFrame) -> Primaries:
    if tag in _PRIMARIES:
        return _PRIMARIES[tag]
    if int(first.colorspace) in (9, 10):
        return "bt2020"
    if height >= 720:
        return "bt709"
    return "bt601-525" if height in (480, 486, 240) else "bt601-625"


def _origin(
    stream: VideoStream | None,
    first: VideoFrame | None,
    container: InputContainer,
    audio: list[AudioTrack],
) -> Fraction:
    """Return when the take begins on the container's clock, in seconds."""
    if stream is not None and first is not None:
        base = Fraction(first.time_base or stream.time_base or Fraction(1, 1000))
        if first.pts is not None:
            return first.pts * base
        return Fraction(0)
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


def _timecode(
    container: InputContainer,
    stream: VideoStream | None,
    first: VideoFrame | None,
    rate: Fraction,
    assumed: list[str],
) -> tuple[TimecodeFormat, int, str]:
    """Return how frames are labelled, the first frame's count and where it was found."""
    for source, label in _timecode_labels(container, stream, first):
        try:
            format_ = TimecodeFormat(rate, drop_frame=is_drop_label(label))
            return format_, format_.frame(label), source
        except TimecodeError as error:
            assumed.append(
                f"The start timecode {label!r} of the {source} cannot be used: {error}."
            )
    reference = container.metadata.get("time_reference", "")
    sounds = container.streams.audio
    if stream is None and reference.isdigit() and sounds and sounds[0].codec_context:
        # Broadcast Wave: samples since midnight (EBU Tech 3285).
        seconds = Fraction(int(reference), sounds[0].codec_context.sample_rate or 48000)
        return TimecodeFormat(rate), round(seconds * rate), "sound file's time reference"
    assumed.append(
        "There is no start timecode in the file: labels count from 00:00:00:00."
    )
    return TimecodeFormat(rate), 0, "none"


def _timecode_labels(
    container: InputContainer, stream: VideoStream | None, first: VideoFrame | None
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
    if first is not None and (label := _picture_label(first)):
        yield "first picture", label


def _picture_label(first: VideoFrame) -> str | None:
    """Read a SMPTE ST 12-1 label that travels with the first picture.

    The words hold binary-coded decimals as in ST 12-1: frames, seconds, minutes and
    hours in ascending bytes from the top, the drop-frame flag in bit 30.
    """
    try:
        data = next(
            (bytes(s) for s in first.side_data if s.type.name == "S12M_TIMECODE"), None
        )
    except (AttributeError, TypeError):
        return None
    if data is None or len(data) < 8:
        return None
    word = int.from_bytes(data[4:8], "little")

    def bcd(shift: int, tens_mask: int) -> int:
        byte = word >> shift & 0xFF
        return 10 * ((byte >> 4) & tens_mask) + (byte & 0xF)

    drop = bool(word & 1 << 30)
    mark = ";" if drop else ":"
    return (
        f"{bcd(0, 3):02d}:{bcd(8, 7):02d}:{bcd(16, 7):02d}{mark}{bcd(24, 3):02d}"
    )
