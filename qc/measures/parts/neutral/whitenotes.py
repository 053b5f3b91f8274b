"""What is said of where a white was found, and of why it was not judged."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from fractions import Fraction

import numpy as np

from qc.measures.base import Hit, Measured
from qc.measures.parts.neutral.neutral import SHEETS_REFUSED
from qc.measures.parts.neutral.whitedrift import words_of_codes
from qc.measures.parts.neutral.whitejudge import CANDIDATE, REFERENCE
from qc.measures.parts.neutral.whitepatch import MOMENT_S, REFUSED, moment_label
from qc.records import Readings

__all__ = ["notes_of", "source_words"]

_HELP = (
    "Tissue and coloured drapes alone give no white. Fill the picture with a clean "
    "white swab for two seconds, or give a patch with --neutral X,Y,W,H."
)
_WHOLE = 0.995
_SHORTEST_REFERENCE_S = 0.2
# Of what is this likely to be neutral it is said what its cast would be (house choice).
_WORTH_SAYING = 0.4


def source_words(hit: Hit) -> str:
    """Say what a cast was read on, and how far it can be believed."""
    readings = hit.readings
    source = readings["white.source"]
    rows = np.arange(hit.first, hit.last)
    known = rows[source[rows] > 0]
    if not known.size:
        return (
            "No white is in these frames: the cast is that of the nearest frames with "
            "one, as it stays while light and camera settings stay; where the whole "
            "picture has changed since, changed as much."
        )
    confidence = float(np.median(readings["white.confidence"][known]))
    what = (
        "a white-reference shot"
        if np.median(source[known]) == REFERENCE
        else "a neutral surface found in the picture"
    )
    text = f"Read on {what} (confidence {confidence:.2f})"
    share = known.size / rows.size
    if share < _WHOLE:
        text += (
            f", seen in {100 * share:.0f} % of these frames; the others take over the "
            "cast of the nearest"
        )
    return text + "."


def notes_of(measured: Measured, counts: Mapping[str, int]) -> Iterable[str]:
    """Yield what could not be measured, and why.

    Parameters
    ----------
    counts : mapping of str to int
        Frames asked, measured, and refused by reason.
    """
    readings = measured.picture
    if measured.info.video is None or readings is None:
        return
    if measured.limits["white.neutral"] is None:
        yield from _of_the_search(measured, readings, counts)
        return
    asked, label = counts.get("asked", 0), moment_label(measured.limits)
    near = f" within {float(MOMENT_S):g} s of {label}" if label else ""
    if not asked:
        yield f"White balance was not judged: no frame was read{near}."
    for reason, text in REFUSED.items():
        if counts.get(reason, 0):
            frames = f"{counts[reason]} of {asked} frames{near}"
            yield f"The neutral patch {text.format(frames)}."


def _of_the_search(
    measured: Measured, readings: Readings, counts: Mapping[str, int]
) -> Iterable[str]:
    source = readings["white.source"]
    if counts.get("colourless", 0):
        yield "White balance was not judged: the picture is black and white."
        return
    yield from _reference_shots(measured, readings)
    yield from _sheets(measured)
    known = int(np.count_nonzero(source))
    if not known:
        text = "No neutral surface was found; white balance was not judged."
        confidence = readings["white.found_confidence"]
        if not np.isnan(confidence).all():
            row = int(np.nanargmax(confidence))
            least = measured.limits["white.min_confidence"]
            text = (
                "No neutral surface was found that is sure enough; white balance was "
                f"not judged. The likeliest is at {_label(measured, readings, row)} "
                f"(confidence {float(confidence[row]):.2f} at best; needed {least:g} "
                "in a quarter of its looks)."
            )
            if confidence[row] >= _WORTH_SAYING:
                codes = readings["white.patch_codes"][row : row + 1]
                words = words_of_codes(measured, codes)
                text += f" If that is white or grey, it is {words}: look at it."
        yield f"{text} {_HELP}"
    elif known < _WHOLE * readings.rows and (source == CANDIDATE).any():
        yield (
            f"A neutral surface was read in {100 * known / readings.rows:.0f} % of the "
            "frames; the others take over the cast of the nearest, which holds while "
            "light and camera settings stay."
        )


def _reference_shots(measured: Measured, readings: Readings) -> Iterable[str]:
    rows = np.flatnonzero(readings["white.source"] == REFERENCE)
    if not rows.size:
        return
    times = readings.times()
    for own in np.split(rows, np.flatnonzero(np.diff(rows) > 1) + 1):
        if times[own[-1] + 1] - times[own[0]] < _SHORTEST_REFERENCE_S:
            continue
        # What counts is the end: until then the balance may have been set on it.
        last = own[-max(len(own) // 4, 1) :]
        words = words_of_codes(measured, readings["white.patch_codes"][last])
        yield (
            f"White reference shot at {_label(measured, readings, int(own[0]))}: cast "
            f"at its end {words}."
        )


def _sheets(measured: Measured) -> Iterable[str]:
    """Yield why what filled the picture for a while is no white reference."""
    told = measured.totals.get("white", {}).get("sheets", ())
    seen: dict[str, float] = {}
    for reason, at_s in told if isinstance(told, tuple) else ():
        seen.setdefault(reason, at_s)
    grid = measured.info.grid
    for reason, at_s in seen.items():
        label = grid.label(grid.nearest(Fraction(at_s)))
        yield (
            f"What fills the picture at {label} was not taken for a white reference: "
            f"{SHEETS_REFUSED[reason]}."
        )


def _label(measured: Measured, readings: Readings, row: int) -> str:
    grid = measured.info.grid
    return grid.label(grid.nearest(readings.start(row)))
