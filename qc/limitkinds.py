"""The kinds of values that house limits have, and how each is checked.

A check returns the value in the form the measures use, or raises ValueError with the
second half of a sentence that begins with the key and the value.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from qc.limits import Option

__all__ = ["CHECKS", "Kind", "Region"]

Kind = Literal[
    "number",
    "whole",
    "switch",
    "text",
    "choice",
    "regions",
    "rectangle",
    "size",
    "texts",
]


_LARGEST_SIDE = 100_000  # pixels
_GROUPED_FROM = 10_000


@dataclass(frozen=True, slots=True)
class Region:
    """A part of the picture as shares of its width and height: a closed polygon."""

    points: tuple[tuple[float, float], ...]


def _number(option: Option, value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError("must be a number")
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise ValueError("must be a finite number")
    if not option.low <= number <= option.high:
        raise ValueError(f"must be {_range_text(option)}")
    return number


def _whole(option: Option, value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise ValueError("must be a whole number")
    _number(option, value)
    return value


def _range_text(option: Option) -> str:
    unit = f" {option.unit}" if option.unit else ""
    if option.low == -math.inf:
        return f"at most {_spoken(option.high)}{unit}"
    if option.high == math.inf:
        return f"at least {_spoken(option.low)}{unit}"
    return f"between {_spoken(option.low)} and {_spoken(option.high)}{unit}"


def _spoken(number: float) -> str:
    """Return a number for a sentence, never with an exponent.

    Examples
    --------
    >>> print(_spoken(1e6), _spoken(0.25), _spoken(-60))
    1 000 000 0.25 -60
    """
    if abs(number) < _GROUPED_FROM:
        return f"{number:g}"
    return f"{number:,.0f}".replace(",", " ")


def _switch(option: Option, value: object) -> bool:
    if not isinstance(value, bool):
        raise ValueError("must be true or false")
    return value


def _text(option: Option, value: object) -> str:
    if not isinstance(value, str):
        raise ValueError("must be text in quotes")
    return value


def _choice(option: Option, value: object) -> str:
    if value not in option.choices:
        raise ValueError(f"must be one of {', '.join(option.choices)}")
    return str(value)


def _texts(option: Option, value: object) -> tuple[str, ...]:
    if not isinstance(value, list | tuple) or not all(
        isinstance(item, str) for item in value
    ):
        raise ValueError('must be a list of texts, e.g. ["surgeon", "room"]')
    return tuple(value)


def _rectangle(option: Option, value: object) -> tuple[int, int, int, int] | None:
    if isinstance(value, list | tuple) and not value:
        return None
    if value is None:
        return None
    if (
        not isinstance(value, list | tuple)
        or len(value) != 4
        or not all(isinstance(n, int) and not isinstance(n, bool) for n in value)
    ):
        raise ValueError("must be [x, y, width, height] in whole pixels, or []")
    x, y, width, height = value
    if x < 0 or y < 0 or width < 1 or height < 1:
        raise ValueError(
            "x and y must be 0 or more, width and height at least 1 (pixels)"
        )
    return x, y, width, height


def _size(option: Option, value: object) -> tuple[int, int] | None:
    if value is None or (isinstance(value, list | tuple) and not value):
        return None
    if (
        not isinstance(value, list | tuple)
        or len(value) != 2
        or not all(isinstance(n, int) and not isinstance(n, bool) for n in value)
        or not all(1 <= n <= _LARGEST_SIDE for n in value)
    ):
        raise ValueError("must be [width, height] in whole pixels, or []")
    width, height = value
    return width, height


def _regions(option: Option, value: object) -> tuple[Region, ...]:
    if not isinstance(value, list | tuple):
        raise ValueError(_REGION_HELP)
    return tuple(_region(item) for item in value)


_REGION_HELP = (
    "must be a list of rectangles [x, y, width, height] or polygons "
    "[[x, y], [x, y], [x, y], ...], as shares of the picture from 0 to 1"
)


def _region(item: object) -> Region:
    if isinstance(item, Region):
        return item
    if not isinstance(item, list | tuple) or not item:
        raise ValueError(_REGION_HELP)
    if len(item) == 4 and all(_is_number(n) for n in item):
        x, y, w, h = (float(n) for n in item)
        if w <= 0 or h <= 0:
            raise ValueError(_REGION_HELP + "; width and height must be over 0")
        points = ((x, y), (x + w, y), (x + w, y + h), (x, y + h))
    else:
        if len(item) < 3 or not all(
            isinstance(p, list | tuple)
            and len(p) == 2
            and all(_is_number(n) for n in p)
            for p in item
        ):
            raise ValueError(_REGION_HELP)
        points = tuple((float(p[0]), float(p[1])) for p in item)  # type: ignore[assignment]
    slack = 1e-9  # 0.7 + 0.3 may come out a hair over 1
    if not all(-slack <= n <= 1 + slack for point in points for n in point):
        raise ValueError(_REGION_HELP)
    return Region(
        tuple((min(max(x, 0.0), 1.0), min(max(y, 0.0), 1.0)) for x, y in points)
    )


def _is_number(value: object) -> bool:
    """Tell whether a value may be a share of the picture: no number is far from 1."""
    return (
        isinstance(value, int | float)
        and not isinstance(value, bool)
        and -2 < value < 2
    )


CHECKS: dict[str, Callable[[Option, object], Any]] = {
    "number": _number,
    "whole": _whole,
    "switch": _switch,
    "text": _text,
    "choice": _choice,
    "regions": _regions,
    "rectangle": _rectangle,
    "size": _size,
    "texts": _texts,
}
