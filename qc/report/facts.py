"""The facts of a recording, and how much of it was read, for the page."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from qc.records import AudioTrack, Coverage, TakeInfo, TakeResult, VideoTrack
from qc.report.spotwords import summary_sentences
from qc.report.words import byte_size, counted, grouped, length, rate
from qc.signal import curve_name

__all__ = ["Fact", "coverage_facts", "coverage_sentence", "file_facts"]

_MATRICES = {"bt601": "BT.601", "bt709": "BT.709", "bt2020": "BT.2020"}
_PRIMARIES = {
    "bt709": "BT.709",
    "bt601-525": "BT.601, 525 lines",
    "bt601-625": "BT.601, 625 lines",
    "bt2020": "BT.2020",
    "p3-d65": "P3 with D65 white",
}
# Of no use to people, or more than a report should tell: where somebody stood.
_DULL = {"major_brand", "minor_version", "compatible_brands"}
_PLACE = ("location", "gps", "geo", "com.apple.quicktime.location")
_MOST_METADATA, _LONGEST_METADATA = 24, 160


@dataclass(frozen=True, slots=True)
class Fact:
    """A label and what stands beside it."""

    label: str
    value: str


# ------------------------------------------------------------------------- the file


def file_facts(info: TakeInfo) -> tuple[Fact, ...]:
    """Return the facts of a recording that hold before anything is measured."""
    return tuple(_file_facts(info))


def _file_facts(info: TakeInfo) -> Iterator[Fact]:
    yield Fact("File", f"{info.name}, {byte_size(info.bytes)}")
    if info.duration is not None:
        yield Fact("Length by the file", length(info.duration))
    source = info.timecode_source
    found = "not in the file" if source == "none" else f"from the {source}"
    counting = "drop-frame" if info.timecode.drop_frame else "non-drop"
    yield Fact("Start timecode", f"{info.start_timecode}, {counting}, {found}")
    if info.video is None:
        none = "none that can be decoded" if info.picture_lost else "none"
        yield Fact("Picture", none)
    else:
        yield from _picture_facts(info.video)
    for track in info.audio:
        yield Fact(f"Sound track {track.number + 1}", _sound(track))
    if not info.audio:
        yield Fact("Sound", "none")
    if info.fingerprint:
        yield Fact(
            "Mark of the file (size and three samples, not a checksum)",
            info.fingerprint,
        )
    yield from _metadata(info.metadata)


def _picture_facts(video: VideoTrack) -> Iterator[Fact]:
    signal = video.signal
    yield Fact(
        "Picture",
        f"{video.width} × {video.height}, {rate(video.frame_rate)} frames a second, "
        f"{video.scan if video.scan != 'unknown' else 'scan not known'}",
    )
    levels = "full range" if signal.full_range else "limited (video) range"
    yield Fact(
        "Coding",
        f"{video.codec}, {video.pixel_format}, {signal.bit_depth} bits, {levels}",
    )
    yield Fact(
        "Colour",
        f"matrix {_MATRICES[signal.matrix]}, {curve_name(signal.transfer)}, "
        f"primaries {_PRIMARIES[signal.primaries]}",
    )
    if video.rotation:
        yield Fact("Turned for display", f"{video.rotation}° clockwise")
    if video.pixel_aspect != 1:
        aspect = video.pixel_aspect
        yield Fact("Pixel aspect", f"{aspect.numerator}:{aspect.denominator}")


def _sound(track: AudioTrack) -> str:
    numbers = track.channel_numbers
    which = (
        f"channel {numbers[0]}"
        if len(numbers) == 1
        else f"channels {numbers[0]} to {numbers[-1]}"
    )
    names = ", ".join(n for n in track.channel_names if n)
    return (
        f"{which}: {track.codec}, "
        f"{track.layout or counted(track.channels, 'channel')}, "
        f"{grouped(track.sample_rate)} samples a second"
        + (f" ({names})" if names else "")
    )


def _metadata(metadata: Mapping[str, str]) -> Iterator[Fact]:
    useful = {k: v for k, v in sorted(metadata.items()) if k not in _DULL and v.strip()}
    places = [k for k in useful if any(word in k.lower() for word in _PLACE)]
    shown = [k for k in useful if k not in places]
    for key in shown[:_MOST_METADATA]:
        value = useful[key]
        if len(value) > _LONGEST_METADATA:
            value = value[:_LONGEST_METADATA] + " …"
        yield Fact(f"In the file: {key}", value)
    if len(shown) > _MOST_METADATA:
        yield Fact("In the file", f"{len(shown) - _MOST_METADATA} more entries")
    if places:
        yield Fact(
            "In the file: a place",
            "The file says where it was recorded; left out here.",
        )


# --------------------------------------------------------------------- what was read


def coverage_facts(result: TakeResult) -> tuple[Fact, ...]:
    """Return how much of a take was read, line by line."""
    coverage = result.coverage
    out = []
    if result.info.video is not None:
        out.append(Fact("Frames measured", _frames(coverage)))
        out.append(Fact("Frames damaged", grouped(coverage.frames_damaged)))
        out.append(Fact("Frames missing", grouped(coverage.frames_missing)))
    if result.info.audio:
        out.append(Fact("Sound measured", length(coverage.sound_read_s)))
    if coverage.decode_errors:
        # Without any it would only seem to contradict frames that are damaged: a
        # decoder may mark those without calling them errors.
        out.append(Fact("Errors while decoding", grouped(coverage.decode_errors)))
    out.append(Fact("Measuring took", length(coverage.elapsed_s)))
    return tuple(out)


def _frames(coverage: Coverage) -> str:
    read = grouped(coverage.frames_read)
    expected = coverage.frames_expected
    if expected is None:
        return f"{read}; the file does not say how many there are"
    if expected == coverage.frames_read:
        return f"all {read}"
    return f"{read}; the file announces {grouped(expected)}"


def coverage_sentence(result: TakeResult) -> str:
    """Return how much of a take was looked at, in one sentence."""
    coverage = result.coverage
    frames = counted(coverage.frames_read, "frame")
    sound = f"{length(coverage.sound_read_s)} of sound"
    if coverage.spot is not None:
        return " ".join(("A spot check.", *summary_sentences(result)))
    if coverage.mode == "spot":
        of = (
            f" of {grouped(coverage.frames_expected)}"
            if coverage.frames_expected is not None
            else ""
        )
        return f"A spot check: only {frames}{of} and {sound} were looked at."
    parts = []
    if result.info.video is not None:
        parts.append(f"every frame that could be decoded ({frames})")
    if result.info.audio:
        parts.append(f"every sample of {sound}")
    if not parts:
        return "There is neither picture nor sound in this file to measure."
    return f"Measured: {' and '.join(parts)}."
