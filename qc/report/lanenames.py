"""Which channel or sound track a lane of the time strip is of, and how it is named."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from qc.records import AudioTrack, Finding, TakeResult

__all__ = ["channel_title", "channels", "is_of", "one", "track_label"]


def channels(
    track: AudioTrack | None, columns: list[NDArray[np.float32]]
) -> range | tuple[None]:
    """Return the channels of a chart, if any of its columns has them."""
    wide = [c.shape[1] for c in columns if c.ndim == 2]
    if track is None or not wide:
        return (None,)
    return range(wide[0])


def one(values: NDArray[np.float32], channel: int | None) -> NDArray[np.float32]:
    """Return one channel of a column; all of one that has no channels."""
    if values.ndim == 1:
        return values
    return values[:, channel or 0]


def track_label(result: TakeResult, track: AudioTrack | None, label: str) -> str:
    """Name the sound track where there are several: alike, charts tell nothing."""
    if track is None or len(result.info.audio) < 2:
        return label
    return f"{label}, sound track {track.number + 1}"


def is_of(
    finding: Finding,
    track: AudioTrack | None,
    channel: int | None,
    result: TakeResult,
) -> bool:
    """Tell whether a finding belongs to a lane, of a channel, track or the picture."""
    own = finding.channels or (finding.channel,)
    if channel is not None:
        return channel in own
    if track is None or own == (None,) or len(result.info.audio) < 2:
        return True
    return not set(track.channel_numbers).isdisjoint(own)


def channel_title(
    track: AudioTrack | None, channel: int | None, label: str
) -> tuple[int | None, str]:
    """Return a channel's number and its lane's title; None where there is none."""
    if track is None or channel is None:
        return None, label
    number = track.channel_numbers[channel]
    name = "".join(track.channel_names[channel : channel + 1])
    return number, f"{label}, channel {number}" + (f" ({name})" if name else "")
