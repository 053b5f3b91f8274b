"""A neutral patch that was drawn on a picture of one size, in a picture of another.

A patch is given in pixels. Drawn for another size it may still fit into the picture,
but lie on something else there, and a cast would be read off a drape or off tissue.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from qc.errors import QCError, UsageError
from qc.limits import Limits
from qc.measures import all_options
from qc.media import probe
from qc.records import TakeInfo, TakeResult

__all__ = ["drawn_on", "fitted", "noted"]

_SAME_SHAPE = 0.01
"""Sizes whose sides' ratios differ by less are of one shape: 1920 x 1088 and 1080."""


def drawn_on(path: Path, *, video: int | None = None) -> tuple[int, int] | None:
    """Return the size of a recording's picture; None if it cannot be told."""
    try:
        track = probe(path, video=video).video
    except QCError:
        return None
    return None if track is None else (track.width, track.height)


def fitted(limits: Limits, info: TakeInfo) -> tuple[Limits, str]:
    """Return limits whose neutral patch is in pixels of this take.

    Returns
    -------
    limits : Limits
    note : str
        What was done to the patch, for the report; empty if it is used as drawn.

    Raises
    ------
    UsageError
        The patch was drawn for a picture of another shape.
    """
    patch, drawn, track = (
        limits["white.neutral"],
        limits["white.neutral_size"],
        info.video,
    )
    if patch is None or track is None:
        return limits, ""
    said = ",".join(map(str, patch))
    here = f"{track.width}x{track.height}"
    if drawn is None:
        return limits, (
            f"Nothing says on which size of picture the neutral patch {said} was "
            f"drawn: it was used as it is, in this one of {here}. If that is right, "
            f"write neutral_size = [{track.width}, {track.height}] under [white] in "
            "the limits file."
        )
    if drawn == (track.width, track.height):
        return limits, ""
    shapes = (
        track.width / track.height,
        # Narrow or wide pixels: 1440 x 1080 shows what 1920 x 1080 does.
        float(track.pixel_aspect) * track.width / track.height,
    )
    was = drawn[0] / drawn[1]
    if all(abs(shape / was - 1) > _SAME_SHAPE for shape in shapes):
        raise UsageError(
            f"{info.name}: the neutral patch {said} was drawn for a picture of "
            f"{drawn[0]}x{drawn[1]}, and this one of {here} has another shape; give a "
            "patch for it with --neutral, or check it without one"
        )
    x, y, w, h = patch
    # Inwards, so that it takes in nothing that was not drawn.
    left, right = -(-x * track.width // drawn[0]), (x + w) * track.width // drawn[0]
    top, bottom = -(-y * track.height // drawn[1]), (y + h) * track.height // drawn[1]
    scaled = (left, top, max(right - left, 1), max(bottom - top, 1))
    now = ",".join(map(str, scaled))
    changes = {
        "white.neutral": scaled,
        "white.neutral_size": (track.width, track.height),
    }
    return limits.with_values(all_options(), changes, source="this take"), (
        f"The neutral patch {said}, drawn for {drawn[0]}x{drawn[1]}, was scaled to "
        f"{now} for this picture of {here}. Check on the picture that it lies on "
        "something white or grey."
    )


def noted(result: TakeResult, note: str) -> TakeResult:
    """Return a result with what was done to the patch in front of its notes."""
    return replace(result, notes=(note, *result.notes)) if note else result
