"""Teeth that coding or a conversion has smoothed: told only where they last."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["WHOLE_TEETH", "lasts"]

WHOLE_TEETH = 0.35
"""Frames: a coder leaves so much of teeth that were half a frame."""

# Fine texture that moves by a line or two a frame seems to have some for a moment, or
# for three, by turns one way and the other (drawn pans and hands, coded: medians up to
# 0.16 frame; teeth that a coder halves: 0.2). So many moments of a stretch at least,
# and so much of it, must lie one way, and this far in the middle; or more moments, of
# which a coder may smooth some away and most others nearly (house choices).
_FEW, _FAR = (4, 0.8), 0.17
_MANY, _NEAR = (8, 0.5), 0.14
_NEARLY = 0.11


def lasts(lag: NDArray[np.floating]) -> bool:
    """Return whether a stretch has whole teeth, or smoothed ones that last.

    Parameters
    ----------
    lag : (n,) array
        By how much the lower field is later, at the moments of a stretch; in frames.

    Examples
    --------
    >>> lasts(np.array([0.5, 0.0, 0.0, 0.5])), lasts(np.array([0.2, 0.0, -0.2, 0.2]))
    (True, False)
    >>> lasts(np.array([0.2, 0.18, 0.2, 0.21]))
    True
    >>> lasts(np.tile([0.17, 0.05], 4)), lasts(np.tile([0.17, 0.05], 8))
    (False, True)
    """
    wrong = lag[np.abs(lag) > _NEARLY]
    if not wrong.size or abs(float(np.median(wrong))) > WHOLE_TEETH:
        return True
    typical = float(np.median(wrong))
    one_way = int(np.count_nonzero(lag * np.sign(typical) > _NEARLY))
    return any(
        abs(typical) >= far and one_way >= count and one_way >= share * len(lag)
        for (count, share), far in ((_FEW, _FAR), (_MANY, _NEAR))
    )
