"""What is said of a blemish: where it is, what it looks like, what to do."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Sequence

from qc.measures.parts.spots.spotmaps import OWN_EDGES, Spot
from qc.measures.parts.spots.stuckpixels import StuckPixel

__all__ = [
    "PIXEL_ADVICE",
    "as_level",
    "is_plain",
    "pixel_box",
    "pixel_message",
    "pixels_message",
    "place",
    "spot_advice",
    "spot_message",
]

PIXEL_ADVICE = (
    "Let the camera warm up, cap the lens and run its pixel correction, on many "
    "cameras a part of the black balance; if it stays, have the camera serviced."
)
_CLEAN = (
    "Clean the front lens, the dioptre and the filters, and have a drape before them "
    "straightened or changed by those who are sterile; if it stays, it lies on the "
    "sensor or inside the lens."
)
_CAPTION = (
    "Switch the camera's display off on the recorded output if this is a caption or a "
    "mark; else clean the front lens, the dioptre and the filters."
)
_CLEAR = (
    "Move out what hangs into the picture (a drape, a cable, a part of the rig); if "
    "there is nothing, clean the front lens, the dioptre and the filters."
)
_LIES = "The scene has moved on behind it."
_MAY_LIE = (
    "It may lie on the lens: the picture has hardly moved since, so that nothing more "
    "can be told."
)
_LARGE = 15.0  # % of the width; more is hardly dirt
_TOLD_LEVEL, _TOLD_DETAIL = 0.03, -0.25
# Of what may belong to the scene, to be reviewed: % of the width; natural logarithm.
# Of seven that drips, shadows and glints gave in 96 rendered takes six were below.
_MAYBE_ACROSS, _MAYBE_LEVEL = 5.0, 0.12


def as_level(percent: float) -> float:
    """Return a loss in percent as a natural logarithm, not negative.

    Examples
    --------
    >>> round(as_level(50.0), 4)
    0.6931
    """
    return -math.log1p(-float(percent) / 100.0)


def pixel_box(
    x: float, y: float, w: float, h: float, width: int, height: int
) -> tuple[int, int, int, int]:
    """Return a box of shares as whole pixels, at least one large, in the picture.

    Examples
    --------
    >>> pixel_box(0.25, 0.5, 0.1, 0.1, 200, 100)
    (50, 50, 20, 10)
    """
    left, top = min(int(x * width), width - 1), min(int(y * height), height - 1)
    right = min(max(math.ceil((x + w) * width - 1e-6), left + 1), width)
    bottom = min(max(math.ceil((y + h) * height - 1e-6), top + 1), height)
    return left, top, right - left, bottom - top


def place(x: float, y: float, rotation: int = 0) -> str:
    """Return a place of the picture in words.

    Parameters
    ----------
    x, y : float
        Shares of the coded picture's width and height.
    rotation : int
        Degrees clockwise by which the picture is turned to be shown.

    Examples
    --------
    >>> place(0.1, 0.2), place(0.5, 0.5), place(0.9, 0.5), place(0.1, 0.2, 90)
    ('at the upper left', 'in the middle', 'at the right', 'at the upper right')
    """
    for _ in range(rotation % 360 // 90):
        x, y = 1.0 - y, x
    down = "upper" if y < 1 / 3 else "lower" if y > 2 / 3 else ""
    across = "left" if x < 1 / 3 else "right" if x > 2 / 3 else ""
    if down and across:
        return f"at the {down} {across}"
    if down:
        return "at the top" if down == "upper" else "at the bottom"
    return f"at the {across}" if across else "in the middle"


def is_plain(spot: Spot, across: float) -> bool:
    """Return whether a spot is large, or looks otherwise than what lies behind it.

    Parameters
    ----------
    across : float
        Its larger side in percent of the picture's width. Of a large one, where few
        looks tell of all of it, the middle is told too weak. Drips and small shadows
        come at once and stay, too: of a spot that may belong to the scene more is
        asked.
    """
    if spot.maybe and (across < _MAYBE_ACROSS or abs(spot.level) < _MAYBE_LEVEL):
        return False
    return across > _LARGE or bool(_looks(spot))


def _looks(spot: Spot) -> str:
    looks = []
    if abs(spot.level) >= _TOLD_LEVEL:
        change = 100.0 * abs(math.expm1(spot.level))
        word = "darker" if spot.level < 0 else "brighter"
        looks.append(f"{word} by about {change:.0f} %")
    if spot.detail <= _TOLD_DETAIL:
        lost = -100.0 * math.expm1(spot.detail)
        looks.append(f"blurred (fine detail {lost:.0f} % less)")
    if spot.detail >= OWN_EDGES:
        looks.append("with sharp edges of its own")
    return " and ".join(looks)


def spot_message(
    spot: Spot, where: str, across: float, label: Callable[[int], str]
) -> str:
    """Return what a spot looks like, where it is and since when.

    Parameters
    ----------
    across : float
        Its larger side in percent of the picture's width.
    label : function
        Gives the timecode of a row.
    """
    what = _looks(spot) or "hardly seen"
    thing = "Something" if _hangs_in(spot, across) else "A spot"
    if spot.splash:
        when = _moment(spot.without, spot.first_row, label)
        told = (
            f"{thing} {where}, about {across:.1f} % of the picture's width across, "
            f"came at once {when} and stays: {what}."
        )
        return f"{told} {_MAY_LIE}" if spot.maybe else f"{told} {_LIES}"
    return (
        f"{thing} {where}, about {across:.1f} % of the picture's width across, stays "
        f"in its place while the picture moves: {what}. {_when(spot, label)}"
    )


def _when(spot: Spot, label: Callable[[int], str]) -> str:
    """Return from when to when a spot is there, in a sentence."""
    if not spot.dated:
        return "Since when could not be told."
    if spot.without >= 0:
        told = f"It came {_moment(spot.without, spot.first_row, label)}"
        if spot.without < spot.likely < spot.first_row:
            told += f", most likely at about {label(spot.likely)}"
    elif spot.first_row == 0:
        told = "It was there from the first frame"
    else:
        told = f"It was there when the picture first moved, at {label(spot.first_row)}"
    if spot.gone >= 0:
        told += f", and went {_moment(spot.row, spot.gone, label)}"
    return f"{told}."


def _moment(before: int, after: int, label: Callable[[int], str]) -> str:
    if after - before <= 1:
        return f"at {label(after)}"
    return f"between {label(before)} and {label(after)}"


def spot_advice(spot: Spot) -> str:
    """Return what to do about a spot."""
    if spot.detail >= OWN_EDGES:
        return _CAPTION
    return _CLEAR if _hangs_in(spot, 100.0 * max(spot.w, spot.h)) else _CLEAN


def _hangs_in(spot: Spot, across: float) -> bool:
    """Return whether it may be a thing before the lens, too large for a spot on it.

    What came at once, and is seen through, is a drop however large.
    """
    return across > _LARGE and not spot.splash


def pixel_message(pixel: StuckPixel, where: str) -> str:
    """Return what a single pixel looks like and where it is."""
    what = "A dead (dark)" if pixel.colour == "dark" else f"A stuck {pixel.colour}"
    step = "darker" if pixel.percent < 0 else "brighter"
    return (
        f"{what} pixel {where} (column {pixel.x}, row {pixel.y}): "
        f"{abs(pixel.percent):.0f} % of full signal {step} than all around it, however "
        "the picture moves."
    )


def pixels_message(pixels: Sequence[StuckPixel]) -> str:
    """Return what is said of very many pixels together."""
    kinds = Counter("dead" if p.colour == "dark" else p.colour for p in pixels)
    parts = ", ".join(f"{count} {kind}" for kind, count in kinds.most_common())
    return (
        f"{len(pixels)} single pixels stay in their places however the picture moves "
        f"({parts})."
    )
