"""An operator's words first, and the figures of colour science behind them.

Findings and advice carry both in one text, which the JSON keeps whole. On the page and
in the terminal the sentence comes first; what only a colourist or an engineer reads
stands behind it, or is left to the report.
"""

from __future__ import annotations

import re
from typing import NamedTuple

__all__ = ["Plain", "plainly"]

# What stands in no operator's manual beside the knobs.
_TERMS = (
    "CIEDE2000", "Δu′v′", "CCT", "Duv", "linear light", "confidence 0", "confidence 1",
)  # fmt: skip
_ASIDE = re.compile(r" ?\(([^()]*)\)")
# "changed, by Δu′v′ 0.03 (limit 0.004), and" reads on without what is in between.
_CLAUSE = re.compile(
    r",? by ((?:about )?Δu′v′ [0-9.]+(?: \(limit [0-9.]+\))?),?(?=[ .:;]|$)"
)
_SENTENCES = re.compile(r"(?<=[.!?]) (?=[A-Z“])")


class Plain(NamedTuple):
    """A text in two parts.

    Attributes
    ----------
    words : str
        What anybody at the rig can read.
    figures : str
        The rest; empty where there is none.
    """

    words: str
    figures: str


def plainly(text: str) -> Plain:
    """Return a text's plain words, and apart from them its technical figures.

    Examples
    --------
    >>> plainly("White is warm (CIEDE2000 15.1, limit 14; Δu′v′ 0.0285). Look at it.")
    Plain(words='White is warm. Look at it.', figures='CIEDE2000 15.1, limit 14; Δu′v′ 0.0285')
    >>> plainly("Burnt out where it matters (limit 8 %).")
    Plain(words='Burnt out where it matters (limit 8 %).', figures='')
    """  # noqa: E501
    if not _technical(text):
        return Plain(text, "")
    figures: list[str] = []
    stop = ""

    def apart(match: re.Match[str]) -> str:
        if not _technical(match[1]):
            return match[0]
        figures.append(match[1].strip())
        return ""

    sentences: list[str] = []
    for sentence in _SENTENCES.split(text):
        # A whole sentence about figures goes as it is, unless nothing would be left.
        bare = _ASIDE.sub("", _CLAUSE.sub("", sentence))
        gains = "gains of" in bare and "linear light" in sentence
        if sentences and (gains or _technical(bare)):
            figures.append(sentence.rstrip("."))
            stop = "."
        else:
            sentences.append(_ASIDE.sub(apart, _CLAUSE.sub(apart, sentence)))
            stop = ""
    return Plain(" ".join(sentences), "; ".join(figures) + stop)


def _technical(text: str) -> bool:
    return any(term in text for term in _TERMS)
