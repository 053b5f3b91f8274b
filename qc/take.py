"""The facts of a take: its streams, its signal and its time. No input or output."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Literal, TypeAlias

from qc.signal import Signal
from qc.timecode import TimecodeFormat

__all__ = ["AudioTrack", "Mark", "Scan", "TakeInfo", "TimeGrid", "VideoTrack"]

# Whoever hands over one of these does not expect a picture in it (common practice).
_SOUND_FILES = frozenset(
    {
        ".aac", ".ac3", ".aif", ".aifc", ".aiff", ".amr", ".ape", ".au", ".bwf", ".caf",
        ".eac3", ".flac", ".m4a", ".mka", ".mp2", ".mp3", ".oga", ".ogg", ".opus",
        ".rf64", ".tta", ".w64", ".wav", ".wma", ".wv",
    }
)  # fmt: skip

Scan = Literal["progressive", "top field first", "bottom field first", "unknown"]
Mark: TypeAlias = tuple[int, int, str]
"""Place and length of a piece of a file in bytes, and a digest of it."""


@dataclass(frozen=True, slots=True)
class VideoTrack:
    """The picture stream that is measured.

    Attributes
    ----------
    stream : int
        Index of the stream in its container.
    number : int
        Which picture stream it is, 0 for the first (the N of ``--video N``).
    width, height : int
        Size of the coded picture in pixels, before rotation and pixel aspect.
    frame_rate : Fraction
        Declared frames per second, snapped to the standard rate it stands for.
    frames_expected : int or None
        Frames that the container announces; None if it does not say.
    rotation : int
        Degrees, clockwise, that a player turns the picture: 0, 90, 180 or 270.
    pixel_aspect : Fraction
        Width of a pixel over its height.
    reordering : int or None
        Frames by which the decoder may show a picture later than it is coded, as found
        at opening; None if not looked for.
    """

    stream: int
    number: int
    codec: str
    pixel_format: str
    width: int
    height: int
    frame_rate: Fraction
    time_base: Fraction
    signal: Signal
    scan: Scan = "progressive"
    frames_expected: int | None = None
    rotation: int = 0
    pixel_aspect: Fraction = Fraction(1)
    reordering: int | None = None

    @property
    def interlaced(self) -> bool:
        """True when a frame holds two fields of different moments."""
        return self.scan in ("top field first", "bottom field first")


@dataclass(frozen=True, slots=True)
class AudioTrack:
    """One sound stream. `first_channel` counts channels over all tracks from 1."""

    stream: int
    number: int
    codec: str
    channels: int
    layout: str
    sample_rate: int
    first_channel: int
    channel_names: tuple[str, ...] = ()

    @property
    def channel_numbers(self) -> range:
        """Numbers of this track's channels, counted over all tracks from 1."""
        return range(self.first_channel, self.first_channel + self.channels)


@dataclass(frozen=True, slots=True)
class TakeInfo:
    """Facts of a recording, found without measuring it.

    Attributes
    ----------
    start_frame : int
        Count of frames that the first frame's timecode label stands for.
    timecode_source : str
        Where the start timecode was found, or ``"none"``.
    assumed : tuple of str
        What the file leaves open or says twice, and which reading was taken: sentences.
    left_out : tuple of str
        Streams that are not measured, with the reason.
    fingerprint : str
        Identifies the content whatever its name: size and samples of the bytes.
    marks : tuple of (place, length, digest)
        Of a recording that may still grow: what it is known again by.
    origin : Fraction
        When the take begins on the container's clock, in seconds.
    picture_lost : bool
        The file holds a picture stream, but no frame of it can be decoded.
    shared_duration : bool
        `duration` is that of picture and sound together: the sound may be longer than
        the picture, whose own length is not known.
    """

    path: Path
    bytes: int
    container: str
    duration: Fraction | None
    video: VideoTrack | None
    audio: tuple[AudioTrack, ...]
    timecode: TimecodeFormat
    start_frame: int = 0
    timecode_source: str = "none"
    assumed: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    fingerprint: str = ""
    marks: tuple[Mark, ...] = ()
    origin: Fraction = Fraction(0)
    metadata: Mapping[str, str] = field(default_factory=dict)
    picture_lost: bool = False
    shared_duration: bool = False

    @property
    def name(self) -> str:
        """File name without its folder."""
        return self.path.name

    @property
    def is_sound_file(self) -> bool:
        """Whether the file is of a kind that is made for sound alone, by its name."""
        return self.path.suffix.lower() in _SOUND_FILES

    @property
    def start_timecode(self) -> str:
        """Label of the first frame."""
        return self.timecode.label(self.start_frame)

    @property
    def frames_expected(self) -> int | None:
        """Frames that should be shown, by the container's count and duration.

        The lesser of the two: an edit list leaves coded frames out, and frames held
        long make a duration of more frame periods than there are frames. None where
        only a length is told that may be the sound's.
        """
        if self.video is None:
            return None
        told = []
        if self.video.frames_expected is not None:
            told.append(self.video.frames_expected)
        if self.duration is not None and not self.shared_duration:
            told.append(round(self.duration * self.video.frame_rate))
        return min(told, default=None)

    @property
    def grid(self) -> TimeGrid:
        """How moments of this take become frame numbers and labels."""
        return TimeGrid(self.timecode, self.start_frame)


@dataclass(frozen=True, slots=True)
class TimeGrid:
    """Turns seconds since the take's start into frame numbers and timecode labels.

    Frame numbers are places on the take's frame grid, so that they stay right behind
    a frame that is missing or held long; in a file of constant rate they count frames.
    """

    timecode: TimecodeFormat
    start_frame: int = 0

    @property
    def rate(self) -> Fraction:
        """Frames per second of the grid."""
        return self.timecode.rate

    def nearest(self, seconds: Fraction) -> int:
        """Return the frame that begins nearest to `seconds`."""
        return int((seconds * self.rate + Fraction(1, 2)) // 1)

    def at_or_before(self, seconds: Fraction) -> int:
        """Return the frame that is showing at `seconds`."""
        return int(seconds * self.rate // 1)

    def at_or_after(self, seconds: Fraction) -> int:
        """Return the first frame that begins at or after `seconds`."""
        return int(-(-seconds * self.rate // 1))

    def label(self, frame: int) -> str:
        """Return the timecode label of `frame`, counted from the take's first."""
        return self.timecode.label(self.start_frame + frame)

    def seconds(self, frame: int) -> Fraction:
        """Return when `frame` begins, in seconds since the take's start."""
        return frame / self.rate
