"""Lists of things and names of takes in sentences."""

from __future__ import annotations

from collections.abc import Sequence

from qc.report.words import printable

__all__ = ["joined", "names"]

_MOST_NAMES = 4


def joined(parts: Sequence[str]) -> str:
    """Return things as a list in a sentence.

    Examples
    --------
    >>> joined(["a"]), joined(["a", "b"]), joined(["a", "b", "c"])
    ('a', 'a and b', 'a, b and c')
    """
    if len(parts) < 2:
        return "".join(parts)
    return f"{', '.join(parts[:-1])} and {parts[-1]}"


def names(takes: Sequence[str]) -> str:
    """Return the names of takes, of many only the first few.

    Examples
    --------
    >>> names(["a.mov", "b.mov"]), names([f"{n}.mov" for n in range(9)])
    ('a.mov and b.mov', '0.mov, 1.mov, 2.mov and 6 more')
    """
    shown = [printable(name) for name in takes]
    if len(shown) > _MOST_NAMES:
        left = len(shown) - _MOST_NAMES + 1
        shown = [*shown[: _MOST_NAMES - 1], f"{left} more"]
    return joined(shown)
