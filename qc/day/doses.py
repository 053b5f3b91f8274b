"""How far to turn the iris, over several takes: from the least dose to the most."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable

from qc.measures.parts.level.stops import BEYOND, MOST_STOPS, thirds

__all__ = ["with_range"]

_AMOUNT = "[0-9]*[⅓⅔]|[0-9]+"
# What lies in brackets behind a dose is a bound, or the dose of another rule.
_DOSE = re.compile(
    rf"(?P<before>\b(?:iris|it) by |\blacks )(?P<how>about |at least |{BEYOND})?"
    rf"(?P<low>{_AMOUNT})(?: to (?P<high>{_AMOUNT}))? stops?(?P<more> or more)?"
    r"(?: \([^()]*\))*"
)
_GLYPHS = {"": 0, "⅓": 1, "⅔": 2}


def with_range(text: str, others: Iterable[str]) -> str:
    """Return one take's advice with the doses of all takes in place of its own.

    Parameters
    ----------
    text : str
        The advice of the worst take.
    others : iterable of str
        That of each take; those that name no dose are passed over.

    Examples
    --------
    >>> one, other = "Close the iris by about ⅓ stop.", "Close it by about 1 stop."
    >>> with_range(one, [one, other])
    'Close the iris by ⅓ to 1 stop (see each take).'
    >>> with_range(one, [one, one])
    'Close the iris by about ⅓ stop.'
    """
    own = _DOSE.search(text)
    spans = [_span(found) for found in map(_DOSE.search, others) if found]
    if own is None or len(set(spans)) < 2:
        return text
    low = min(span[0] for span in spans)
    high = max(span[1] for span in spans)
    if high == math.inf:
        upto = f"{BEYOND}{thirds(MOST_STOPS)} stops"
    else:
        upto = f"{thirds(high / 3)} stop{'s' * (high > 3)}"
        upto += " or more" * any(span[2] for span in spans)
    much = f"{thirds(low / 3)} to {upto}"
    dose = f"{own['before']}{much} (see each take)"
    return text[: own.start()] + dose + text[own.end() :]


def _span(found: re.Match[str]) -> tuple[float, float, bool]:
    """Return the least and the most thirds of a dose, and whether it may be more."""
    low = _thirds(found["low"])
    high: float = _thirds(found["high"]) if found["high"] else low
    if found["how"] == BEYOND or found["more"]:
        high = math.inf
    return low, high, found["how"] == "at least "


def _thirds(amount: str) -> int:
    return 3 * int(amount.rstrip("⅓⅔") or 0) + _GLYPHS[amount.lstrip("0123456789")]
