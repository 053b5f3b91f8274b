"""What tells a wet glint from tissue that burns: the burnt-out area by its peaks.

Private to `brightparts`. A glint of a lamp in something wet, or in steel, is as sharp
as the lens allows, stands on something darker all round, and is small; where fat or
skin burns, what lies around nearly burns as well. Small patches are judged one by one,
since glints also lie at the rim of what burns anyway.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.burnt import brightglints
from qc.measures.parts.burnt.brightblocks import BLOCK
from qc.measures.parts.burnt.brightcues import Scene
from qc.measures.parts.burnt.brightweights import Network
from qc.signal import Signal

__all__ = ["PEAKS", "glints", "peaks_of", "pooled", "uncertain"]

Codes = NDArray[np.uint8]
Luma = NDArray[np.unsignedinteger]
Flags = NDArray[np.bool_]
Rows = NDArray[np.float32]
Ints = NDArray[np.intp]

PEAKS = (
    "most", "least", "high", "low", "body", "body wide", "count", "count near",
    "burnt 5", "red", "blue", "burnt 17", "spread", "size", "room", "burnt in all",
)  # fmt: skip
"""Names of the numbers, in order."""
# A patch is of so many blocks that about 240 of them make the picture's width.
_PATCHES = 240
# Sides of squares: of patches around which nothing but burnt-out ones lies, and that
# are looked for what burns as a whole; of cells of the small picture.
_DEEP, _BODY, _BODY_WIDE = 5, 3, 5
# Merit from which a patch is told a glint: even odds. On "tune" takes left out of the
# fit what is wrongly told either way is least there.
_GLINT_FROM = 0.0
_NETWORK = Network.of(
    PEAKS, brightglints.TABLE, brightglints.HIDDEN, brightglints.OUT,
    brightglints.CONSTANT,
)  # fmt: skip


def _square(side: int) -> Codes:
    return np.ones((side, side), np.uint8)


def patch_of(width: int) -> int:
    """Return how many blocks wide a patch is."""
    return max(round(width / (BLOCK * _PATCHES)), 1)


def pooled(counts: Codes, patch: int) -> Rows:
    """Return the share of each patch's pixels that burn, from the counts of blocks."""
    down, across = -counts.shape[0] % patch, -counts.shape[1] % patch
    whole = np.pad(counts, ((0, down), (0, across))) if down or across else counts
    rows = np.zeros((whole.shape[0] // patch, whole.shape[1]), np.uint16)
    for i in range(patch):
        rows += whole[i::patch]
    both = np.zeros((rows.shape[0], rows.shape[1] // patch), np.uint16)
    for i in range(patch):
        both += rows[:, i::patch]
    return np.asarray(both * np.float32(1 / (patch * BLOCK) ** 2), np.float32)


def uncertain(share: Rows, asked: Flags, patch: int) -> Ints:
    """Return the patches worth asking about: not those deep in what burns.

    Parameters
    ----------
    share : (ph, pw) array
        Share of each patch that burns.
    asked : (bh, bw) array of bool
        The blocks that there is something to ask about.
    """
    deep = cv2.erode((share >= 1).view(np.uint8), _square(_DEEP))
    down, across = -asked.shape[0] % patch, -asked.shape[1] % patch
    own = np.pad(asked, ((0, down), (0, across))) if down or across else asked
    rows = own[::patch].copy()
    for i in range(1, patch):
        rows |= own[i::patch]
    some = rows[:, ::patch] & (deep == 0)
    for i in range(1, patch):
        some |= rows[:, i::patch] & (deep == 0)
    return np.flatnonzero(some)


def peaks_of(y: Luma, signal: Signal, share: Rows, scene: Scene, at: Ints) -> Rows:
    """Measure burnt-out patches.

    Parameters
    ----------
    y : (H, W) array
        The luma plane.
    share : (ph, pw) array of float32
        What `pooled` gives.
    at : (n,) array
        The patches to measure, as flat indices; each has a burnt-out pixel.

    Returns
    -------
    (n, len(PEAKS)) array of float32
        Luma is measured from the level, 1 is black to white.
    """
    cells = _cells_of(at, share.shape, scene.luma.shape)
    parts = [
        *_of_patches(y, signal, share, scene.level, at),
        *_of_cells(scene, cells),
        _sizes(share, at),
        np.full(len(at), scene.end - scene.level),
        np.full(len(at), scene.burnt.mean()),
    ]
    return np.stack(parts, axis=1, dtype=np.float32, casting="same_kind")


def glints(y: Luma, signal: Signal, counts: Codes, asked: Flags, scene: Scene) -> Flags:
    """Return the blocks that burn only because of a glint.

    Parameters
    ----------
    y : (H, W) array
        The luma plane.
    counts : (bh, bw) array of uint8
        Burnt-out pixels of each block.
    asked : (bh, bw) array of bool
        The blocks to tell of, such as burn.
    """
    patch = patch_of(y.shape[1])
    share = pooled(counts, patch)
    at = uncertain(share, asked, patch)
    found = np.zeros(share.shape, np.bool_)
    if at.size:
        rows = peaks_of(y, signal, share, scene, at)
        found.ravel()[at] = _NETWORK.merits(_NETWORK.weighed(rows)) > _GLINT_FROM
    whole = np.repeat(np.repeat(found, patch, axis=0), patch, axis=1)
    return np.asarray(whole[: counts.shape[0], : counts.shape[1]] & asked, np.bool_)


def _cells_of(at: Ints, shape: tuple[int, ...], cells: tuple[int, ...]) -> Ints:
    """Return the cell of the small picture that each patch lies in."""
    rows, columns = np.divmod(at, shape[1])
    row = rows * cells[0] // shape[0]
    return np.asarray(row * cells[1] + columns * cells[1] // shape[1], np.intp)


def _extremes(y: Luma, patch: int) -> tuple[Luma, Luma]:
    """Return the highest and the lowest code of each patch, of four of its rows."""
    side = patch * BLOCK
    down, across = -y.shape[0] % side, -y.shape[1] % side
    if down or across:
        y = np.pad(y, ((0, down), (0, across)), mode="edge")
    most: NDArray[Any] = y[::side]
    least = most
    for i in range(patch, side, patch):
        line = y[i::side]
        most, least = cv2.max(most, line), cv2.min(least, line)
    # The window's first pixel is the patch's own, so that every `side`th is a patch.
    row = np.ones((1, side), np.uint8)
    most = cv2.dilate(most, row, anchor=(0, 0))
    least = cv2.erode(least, row, anchor=(0, 0))
    return _every(most, side), _every(least, side)


def _every(plane: NDArray[Any], step: int) -> Luma:
    return np.ascontiguousarray(plane[:, ::step])


def _of_patches(
    y: Luma, signal: Signal, share: Rows, level: float, at: Ints
) -> list[Rows]:
    most, least = _extremes(y, patch_of(y.shape[1]))
    planes = (
        most, least, cv2.dilate(most, _square(3)), cv2.erode(least, _square(3)),
        cv2.dilate(least, _square(_BODY)), cv2.dilate(least, _square(_BODY_WIDE)),
    )  # fmt: skip
    scale = np.float32(1 / (signal.white - signal.black))
    zero = np.float32(signal.black * scale + level)
    found = [p.ravel()[at] * scale - zero for p in planes]
    near = np.asarray(cv2.blur(share, (3, 3)), np.float32)
    return [*found, share.ravel()[at], near.ravel()[at]]


def _of_cells(scene: Scene, cells: Ints) -> list[Rows]:
    """Return how much burns around cells of the small picture, and their colours."""
    red, green, blue = scene.rgb
    sums = cv2.merge([scene.burnt, red - green, blue - green])
    near = cv2.blur(sums, (5, 5)).reshape(-1, 3).take(cells, axis=0)
    wide = cv2.blur(scene.burnt, (17, 17)).ravel()[cells]
    own = scene.rgb.reshape(3, -1).take(cells, axis=1)
    return [*near.T, wide, own.max(axis=0) - own.min(axis=0)]


def _sizes(share: Rows, at: Ints) -> Rows:
    """Return how large the connected area is that each patch is of, to the base 2."""
    _, labels, stats, _ = cv2.connectedComponentsWithStats(
        (share > 0).view(np.uint8), connectivity=8, ltype=cv2.CV_32S
    )
    # Where everything burns, what does not has no patch.
    patches = np.maximum(stats[:, cv2.CC_STAT_AREA], 1) / share.shape[1] ** 2
    return np.asarray(np.log2(patches)[labels.ravel()[at]], np.float32)
