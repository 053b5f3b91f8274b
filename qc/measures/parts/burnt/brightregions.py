"""Regions of the picture that the limits file names, as masks of its pixels."""

from __future__ import annotations

from collections.abc import Callable, Iterable

import numpy as np
from numpy.typing import NDArray

from qc.limits import Limits, Region

__all__ = ["Regions", "judged_region", "region_mask"]

Codes = NDArray[np.uint8]


def region_mask(
    regions: Iterable[Region], *, height: int, width: int
) -> NDArray[np.bool_]:
    """Return which pixels have their centre inside any of the regions or on its edge.

    Parameters
    ----------
    regions : iterable of Region
        Polygons as shares of the picture.

    Returns
    -------
    (height, width) array of bool
    """
    from skimage import draw  # heavy, and only few takes have regions

    polygon: Callable[..., tuple[NDArray[np.intp], NDArray[np.intp]]] = draw.polygon
    mask = np.zeros((height, width), bool)
    for region in regions:
        points = np.array(region.points)
        # Pixel (i, j) has its centre at share ((j + 0.5) / width, (i + 0.5) / height).
        rows, columns = polygon(
            points[:, 1] * height - 0.5, points[:, 0] * width - 0.5, (height, width)
        )
        mask[rows, columns] = True
    return mask


def judged_region(
    relevant: tuple[Region, ...],
    ignore: tuple[Region, ...],
    *,
    height: int,
    width: int,
) -> NDArray[np.bool_]:
    """Return the pixels that are judged: inside `relevant`, outside `ignore`."""
    mask = np.ones((height, width), bool)
    if relevant:
        mask = region_mask(relevant, height=height, width=width)
    if ignore:
        mask &= ~region_mask(ignore, height=height, width=width)
    return mask


class Regions:
    """The regions of one take, drawn once for each size of picture.

    Attributes
    ----------
    judged, swab, always : (H, W) array of uint8 or None
        1 where highlights are judged, where all is taken for swab, where all is taken
        for relevant; None where the limits file names no such regions. What is always
        relevant is no swab.
    """

    def __init__(self, limits: Limits) -> None:
        self._only: tuple[Region, ...] = limits["highlights.relevant"]
        self._ignore: tuple[Region, ...] = limits["highlights.ignore"]
        self._swabs: tuple[Region, ...] = limits["highlights.swabs"]
        self._always: tuple[Region, ...] = limits["highlights.always_relevant"]
        self._shape: tuple[int, ...] | None = None
        self.judged: Codes | None = None
        self.swab: Codes | None = None
        self.always: Codes | None = None
        self.judged_pixels = 0

    def __bool__(self) -> bool:
        return bool(self._only or self._ignore or self._swabs or self._always)

    def outlines(self) -> list[tuple[str, Region]]:
        """Return every region with the kind of its outline."""
        groups = (
            ("judged", self._only),
            ("ignored", self._ignore),
            ("swabs", self._swabs),
            ("always-relevant", self._always),
        )
        return [(kind, region) for kind, regions in groups for region in regions]

    def draw(self, shape: tuple[int, ...]) -> None:
        """Draw the masks for pictures of this shape, unless they are."""
        if shape == self._shape:
            return
        self._shape = shape
        height, width = shape
        self.judged_pixels = height * width
        if self._only or self._ignore:
            judged = judged_region(self._only, self._ignore, height=height, width=width)
            self.judged = judged.astype(np.uint8)
            self.judged_pixels = int(np.count_nonzero(judged))
        if self._always:
            always = region_mask(self._always, height=height, width=width)
            self.always = always.astype(np.uint8)
        if self._swabs:
            swab = region_mask(self._swabs, height=height, width=width)
            self.swab = swab.astype(np.uint8)
            if self.always is not None:
                self.swab &= 1 - self.always
