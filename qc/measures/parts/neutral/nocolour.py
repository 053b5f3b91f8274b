"""Pictures without any colour, in pixels that could hold it: X-rays, fluorescence."""

from __future__ import annotations

import numpy as np

from qc.records import Picture
from qc.views import proxy_luma

__all__ = ["ColourWatch", "is_black_and_white"]

# A cast goes with the light. One that is worth telling is four codes of chroma or more
# at white: where luma spans so much (percent of black-to-white, one to nineteen
# twentieths of the picture) it spans more than one code.
_SPAN_PERCENT = 25.0
_LINES = 16  # looked at first
_FRAMES = 12  # a picture with colour is not asked again for so many


class ColourWatch:
    """Tells of a take's pictures, one after the other, which have no colour.

    Attributes
    ----------
    grey : int
        How many had none.
    """

    def __init__(self) -> None:
        self.grey = self._coloured = 0

    def is_grey(self, picture: Picture) -> bool:
        """Return whether a picture has no colour; where it has, the next ones have."""
        if self._coloured:
            self._coloured -= 1
            return False
        grey = is_black_and_white(picture)
        self.grey += grey
        self._coloured = 0 if grey else _FRAMES
        return grey


def is_black_and_white(picture: Picture) -> bool:
    """Tell whether a picture has all levels of light in one and the same chroma.

    Converters that round down leave grey a code beside the neutral one, all over the
    picture: that is no cast, which is less where there is less light. Where grey is
    neutral to the code it may be read as any other.
    """
    if not picture.cb.size:
        return True
    one_code = 1 << max(picture.signal.bit_depth - 8, 0)
    for step in (max(picture.cb.shape[0] // _LINES, 1), 1):
        for plane in (picture.cb, picture.cr):
            part = plane[::step]
            if int(part.max()) - int(part.min()) > one_code:
                return False
    zero = picture.signal.chroma_zero
    off = max(abs(float(p.mean()) - zero) for p in (picture.cb, picture.cr))
    if off < 0.5 * one_code:
        return False
    low, high = np.percentile(picture.view(proxy_luma), (5.0, 95.0))
    return bool(high - low > _SPAN_PERCENT)
