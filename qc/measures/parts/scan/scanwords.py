"""What is told of fields that are not of the moments that a file declares."""

from __future__ import annotations

from fractions import Fraction
from typing import Literal

from qc.measures.parts.scan.pulldown import Pulldown
from qc.measures.parts.scan.thirds import TWO_PICTURES
from qc.records import Grade, Scan

__all__ = ["Kind", "pulldown_words", "thirds_words", "words"]

Kind = Literal["combed", "order", "guessed", "paired", "same", "undeclared", "thirds"]

# Frames a second that hold 24 pictures by thirds.
_FILM = (Fraction(49, 2), Fraction(51, 2))


def _order(lag: float) -> str:
    return "top field first" if lag > 0 else "bottom field first"


def words(kind: Kind, lag: float, scan: Scan) -> tuple[str, str, Grade]:
    """Return message, advice and grade; `lag` in frames."""
    apart = f"{abs(lag):.2f}".rstrip("0").rstrip(".")
    frames = "frame" if abs(lag) <= 1 else "frames"
    later = lag > 0
    between = f"the lower field is {apart} {frames} {'later' if later else 'earlier'}"
    if kind in ("combed", "undeclared") and abs(lag) >= TWO_PICTURES:
        declared = kind == "combed"
        fits = "earlier" if later else "later"
        return (
            f"{'Declared progressive, but' if declared else 'Here'} the two fields of "
            f"a frame belong to different frames ({between}): every second line shows "
            "another moment, and what moves has teeth.",
            "Look for a converter or recorder that takes one field from another frame, "
            "and record without it; compare a test recording of a moving hand. For "
            "this take: join each upper field with the lower field of the frame "
            f"{apart} {frames} {fits}, in this stretch only.",
            Grade.REVIEW,
        )
    if kind == "combed":
        return (
            "Declared progressive, but the two fields of a frame are of two moments "
            f"({between}): moving edges have teeth.",
            "Set camera, converter and recorder to the same scan, all progressive or "
            f"all interlaced. For this take: treat it as interlaced, {_order(lag)}.",
            Grade.REVIEW,
        )
    if kind == "undeclared":
        return (
            "The file does not say how it is scanned, but the two fields of a frame "
            f"are of two moments ({between}).",
            "Set the recorder so that it writes the scan into the file. For this take: "
            f"treat it as interlaced, {_order(lag)}.",
            Grade.REVIEW,
        )
    if kind == "order":
        return (
            f"Declared {scan}, but recorded {_order(lag)} ({between}): motion jumps "
            "back and forth.",
            "Set the field order of recorder and camera alike. For this take: correct "
            f"the declaration to {_order(lag)} before it is shown or converted.",
            Grade.REVIEW,
        )
    if kind == "guessed":
        return (
            "The file does not say which field is first; the pictures were recorded "
            f"{_order(lag)} ({between}), not {scan}, as is assumed for such a file.",
            "Set the recorder so that it writes the field order into the file. For "
            f"this take: tell players and editing programs that it is {_order(lag)}.",
            Grade.NOTE,
        )
    if kind == "paired":
        return (
            f"The two fields of a frame belong to different frames ({between}): moving "
            "edges have teeth as wide as a frame's motion.",
            "Look for a converter between camera and recorder that joins fields "
            "wrongly, and record without it; compare a test recording of a moving "
            "hand. For this take: shift one field by a frame.",
            Grade.REVIEW,
        )
    return (
        f"Declared interlaced ({scan}), but both fields of a frame are of the same "
        "moment: progressive pictures in an interlaced recording. Motion is as smooth "
        "as the frame rate, not twice as smooth; no picture is lost.",
        "Nothing is lost in this take: treat it as progressive and do not "
        "de-interlace it. If smooth motion is wanted, set the camera to interlaced or "
        "to twice the frame rate.",
        Grade.NOTE,
    )


def pulldown_words(
    kind: Pulldown, *, rate: Fraction, scan: Scan
) -> tuple[str, str, Grade]:
    """Return message, advice and grade of film speeds spread over fields.

    Parameters
    ----------
    rate : Fraction
        Frames a second, of which four in five are pictures.
    """
    pictures, frames = (f"{float(r):.5g}" for r in (rate * 4 / 5, rate))
    held, mixed = (
        ("two and three", "two of every five frames are")
        if kind == "2:3"
        else ("two, three, three and two", "one of every five frames is")
    )
    message = (
        f"{pictures} pictures a second are spread over the fields of {frames} frames, "
        f"held for {held} fields in turn ({kind} pulldown): {mixed} made of two "
        "pictures, and what moves has teeth there."
    )
    advice = (
        f"Nothing is lost in this take: take the {kind} pulldown out before the edit; "
        f"that gives the progressive pictures back, {pictures} a second. Do not "
        "de-interlace it and do not shift fields. For the next take record "
        f"{pictures} progressive as it is, or set the camera to the recorder's rate."
    )
    # Declared interlaced it is a way of recording; declared progressive, or not at
    # all, it is shown with its teeth.
    declared = scan in ("top field first", "bottom field first")
    return message, advice, Grade.NOTE if declared else Grade.REVIEW


def thirds_words(
    *, rate: Fraction, scan: Scan, mixed_percent: float
) -> tuple[str, str, Grade]:
    """Return message, advice and grade of whole and mixed frames in turn.

    Parameters
    ----------
    rate : Fraction
        Frames a second.
    mixed_percent : float
        Share of the moving moments whose fields are of two pictures.
    """
    message = (
        "Frames whose fields are both of one picture and frames made of two pictures "
        f"come in turn: {mixed_percent:.0f} % of the moments looked at in which "
        "something moves are mixed, and what moves has teeth there."
    )
    if _FILM[0] <= rate <= _FILM[1]:
        message += (
            f" So {float(rate * 24 / 25):.5g} pictures a second look that are spread "
            f"over the fields of {float(rate):.5g} frames, each twelfth held for a "
            "third field: half of all frames are mixed."
        )
    advice = (
        "Most likely no picture is lost in this take: have the pictures put together "
        "again from their fields (pulldown taken out) before the edit. Do not "
        "de-interlace it and do not shift the fields of the whole take. For the next "
        "take record progressive as it is, or set camera and recorder to one rate."
    )
    declared = scan in ("top field first", "bottom field first")
    return message, advice, Grade.NOTE if declared else Grade.REVIEW
