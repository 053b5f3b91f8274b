"""What a burnt-out place may be. Private to `qc.measures.highlights`."""

from __future__ import annotations

from enum import IntEnum

__all__ = ["Kind"]


class Kind(IntEnum):
    """What a block of burnt-out pixels is."""

    NONE = 0
    RELEVANT = 1
    SWAB = 2
    GLINT = 3
    UNDECIDED = 4
