"""What findings say of one sound channel: its name, its readings, its limits."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from qc.limits import Limits
from qc.measures.base import Measured, finding_of, signed
from qc.records import AudioTrack, Finding, Grade, Readings, TakeInfo
from qc.spans import Span

__all__ = [
    "ROWS_PER_SECOND",
    "Line",
    "channel_names",
    "first_row",
    "grouped",
    "length_of",
    "totals_of",
    "tracks_of",
    "unknown_channels",
    "unnamed_channels",
    "with_names",
]

ROWS_PER_SECOND = 100


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """One channel of a take, and what findings say of it."""

    measured: Measured
    readings: Readings
    track: AudioTrack
    index: int

    @property
    def names(self) -> tuple[str, ...]:
        """Number, counted over all tracks, and the name if the channel has one.

        The file's own name comes before the limits'.
        """
        number = self.track.channel_numbers[self.index]
        own = "".join(self.track.channel_names[self.index :][:1])
        house = self.measured.limits.get("peaks.channel_names", ())
        return (str(number), *filter(None, [own or "".join(house[number - 1 :][:1])]))

    def __str__(self) -> str:
        number, *name = self.names
        return f"Channel {number}" + "".join(f" ({n})" for n in name)

    def of(self, index: int) -> Line:
        """Return another channel of the same track."""
        return replace(self, index=index)

    def column(self, name: str) -> NDArray[np.float32]:
        """Return this channel's readings of a column of ``peaks``."""
        return self.readings[f"peaks.{name}"][:, self.index]

    def limit(self, name: str) -> float:
        """Return a limit of ``peaks``."""
        return float(self.measured.limits[f"peaks.{name}"])

    def finding(
        self, rule: str, span: Span, *, advice: str, grade: Grade, **more: Any
    ) -> Finding:
        """Make a finding of this channel; the advice begins with its name."""
        return finding_of(
            self.measured,
            self.readings,
            rule=rule,
            grade=grade,
            first=span[0],
            last=span[1],
            advice=f"{self}: {advice}",
            channel=self.track.channel_numbers[self.index],
            **more,
        )

    def turn_down(self, peak: float) -> int:
        """Return whole dB, rounded up, that bring `peak` to the target; at least 1."""
        return max(1, math.ceil(round(peak - self.limit("target_peak_dbfs"), 2)))

    def target(self) -> str:
        """Return where peaks should reach, for the end of a sentence."""
        level = signed(self.limit("target_peak_dbfs"))
        return f"so that peaks reach about {level} dBFS"


def channel_names(lines: Sequence[Line]) -> str:
    """Return what several channels are called: ``Channels 3 to 8``."""
    if len(lines) == 1:
        return str(lines[0])
    numbers = [int(line.names[0]) for line in lines]
    named = any(len(line.names) > 1 for line in lines)
    if (
        not named
        and len(numbers) > 2
        and numbers == [*range(numbers[0], numbers[-1] + 1)]
    ):
        return f"Channels {numbers[0]} to {numbers[-1]}"
    names = [str(line).removeprefix("Channel ") for line in lines]
    return f"Channels {', '.join(names[:-1])} and {names[-1]}"


def with_names(info: TakeInfo, limits: Limits) -> TakeInfo:
    """Return a take's facts with the names that the limits give its channels.

    The file's own names stay.
    """
    house = limits.get("peaks.channel_names", ())
    tracks = []
    for track in info.audio:
        names = [
            "".join(track.channel_names[k : k + 1]) or "".join(house[n - 1 : n])
            for k, n in enumerate(track.channel_numbers)
        ]
        tracks.append(replace(track, channel_names=tuple(names) if any(names) else ()))
    return replace(info, audio=tuple(tracks))


def unnamed_channels(limits: Limits, key: str) -> tuple[str, ...]:
    """Return the channels of a setting that are neither numbers nor named in limits.

    Parameters
    ----------
    key : str
        An option that holds channels by number or name.
    """
    house = limits.get("peaks.channel_names", ())
    return tuple(n for n in limits[key] if not n.isdecimal() and n not in house)


def unknown_channels(measured: Measured, key: str) -> Iterator[str]:
    """Yield a note on names in a setting that no channel of a take has.

    A number beyond the take's channels is none, nor is the limits' name for it: takes
    of one house differ in them.
    """
    tracks = with_names(measured.info, measured.limits).audio
    known = {n for track in tracks for n in track.channel_names}
    house = measured.limits.get("peaks.channel_names", ())
    known |= {*house[sum(track.channels for track in tracks) :]}
    named = (n for n in measured.limits[key] if not n.isdecimal())
    unknown = [n for n in named if n not in known]
    if unknown and measured.info.audio:
        section, _, name = key.partition(".")
        names = " or ".join(f'"{n}"' for n in unknown)
        yield (
            f"No channel of this take is called {names}: {name} under [{section}] in "
            "the limits file names channels by number, or as channel_names or the "
            "recording itself calls them."
        )


def tracks_of(measured: Measured) -> list[tuple[int, Readings, AudioTrack]]:
    """Return the sound tracks that have readings, each with its place among all."""
    sound = enumerate(measured.sound)
    return [(k, r, r.track) for k, r in sound if r.rows and r.track is not None]


def first_row(readings: Readings) -> int:
    """Return the number of the first row, in hundredths since the take's start."""
    return int(readings.start(0) * ROWS_PER_SECOND // 1)


def totals_of(
    measured: Measured, measure: str = "peaks"
) -> Sequence[Mapping[str, Any]]:
    """Return the figures of every whole track, from one measure."""
    tracks = measured.totals.get(measure, {}).get("tracks", ())
    return cast("Sequence[Mapping[str, Any]]", tracks)


def grouped(number: int) -> str:
    """Return a whole number with its thousands set apart."""
    return f"{number:,}".replace(",", "\u00a0")


def length_of(readings: Readings, span: Span) -> str:
    """Return how long a stretch of rows lasts, for people."""
    seconds = float(readings.start(span[1]) - readings.start(span[0]))
    return f"{seconds:.1f} s" if seconds >= 1 else f"{seconds:.2f} s"
