"""What is measured of each burnt-out place before it is judged: one row of numbers.

Private to `brightparts`; the weights are in `brightweights`.
Colours are stops of red and blue over green, against what a white thing would show at
the same luma under this light: as a white burns out, its channels reach the end of the
signal one after the other, and a white under a warm lamp passes through yellow.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.burnt.brightcues import LAMP_SLOPE, Cues, Plane, Scene
from qc.measures.parts.burnt.brightcues import stops_between as stops
from qc.signal import LUMA_WEIGHTS

__all__ = ["FEATURES", "features_of", "white_of"]

Flags = NDArray[np.bool_]
Rows = NDArray[np.float32]
Index = NDArray[np.intp]

# From here to the level lies the rim; below it, down to the other, what is shaded.
_RIM_FROM, _SHADE_FROM = 0.66, 0.30
_ENDED = 0.03
_PLATEAU = 0.012
_MOST_STOPS = 1.2
# Sides of the squares that evidence is gathered in, in cells; the larger on a picture
# of half the size.
_NEAR, _WIDE = 7, 17
_SQUARE = np.ones((3, 3), np.uint8)
# Evidence lies up to so many cells from a burnt one (and one more for the grain).
_MARGIN = 6
# Maps that are summed up; two more are a cell's own colour.
_SUMS = 18
# Places on the line of lamps, and how many make a white.
_LOCUS_STOPS, _WHITE_CELLS, _WHITE_FROM, _BLUEST = 0.12, 25, 0.45, 80
_SMOOTH = 0.1

_POOLED = (
    "burnt", "told", "rim per edge", "shade", "told red", "told blue", "told lacks red",
    "told lacks blue", "rim red", "rim blue", "rim off", "rim grain", "shade red",
    "shade blue", "step", "fade", "cloth",
)  # fmt: skip
_OWN = (
    "red", "blue", "under end", "burnt here", "area size", "area coloured",
    "area white", "area plain", "area trace", "lean", "white blue", "white off",
    "cast", "no white", "burnt in all",
)  # fmt: skip
FEATURES = (*(f"{w} {n}" for w in ("near", "wide", "area") for n in _POOLED), *_OWN)
"""Names of the numbers, in order."""


def white_of(scene: Scene, colour: Plane) -> tuple[float, float, bool]:
    """Return what a white thing shows: red and blue over green in stops; and if known.

    Every lamp's white lies on one line of red over blue (the Planckian locus); skin and
    tissue lie off it, to the red. Of what lies on it the bluest is the white: fat and
    cream are yellower, and little is bluer than cotton without being green.
    """
    highest = scene.rgb.max(axis=0)
    clear = (highest < min(scene.end, 1.02 * scene.level) - _ENDED) & (
        scene.luma > _WHITE_FROM * scene.level
    )
    red, blue = colour[0][clear], colour[1][clear]
    on = np.abs(red + LAMP_SLOPE * blue) < _LOCUS_STOPS
    if np.count_nonzero(on) < _WHITE_CELLS:
        return 0.0, 0.0, False
    red, blue = red[on], blue[on]
    most = float(np.percentile(blue, _BLUEST))
    return float(np.median(red[np.abs(blue - most) < _LOCUS_STOPS])), most, True


def _white_at(
    luma: Plane, white: tuple[float, float], scene: Scene
) -> tuple[Plane, Plane, Plane, Plane]:
    """Return a white's red and blue over green, and R' and B', at each place's luma."""
    kr, kb = LUMA_WEIGHTS[scene.matrix]
    green = np.linspace(0.25, 3.5, 326)
    if scene.transfer in ("hlg", "pq"):
        unit = 10 * float(
            stops(np.ones(1, np.float32), np.full(1, 0.9, np.float32), scene.transfer)[
                0
            ]
        )
        red, blue = green + white[0] / unit, green + white[1] / unit
    else:
        red, blue = (green * 2.0 ** (w / 2.2) for w in white)
    red, green, blue = (np.minimum(c, scene.end) for c in (red, green, blue))
    y = kr * red + (1 - kr - kb) * green + kb * blue
    table = np.stack([red, blue, green]).astype(np.float32)
    of = (
        stops(table[0], table[2], scene.transfer),
        stops(table[1], table[2], scene.transfer),
        table[0],
        table[1],
    )
    # A table over even steps of luma: looking up is then a plain index.
    grid = np.linspace(0.25, scene.end, 512)
    place = (luma - 0.25) * np.float32(511 / max(scene.end - 0.25, 1e-3))
    at = np.clip(place, 0, 511).astype(np.intp)
    first, second, third, fourth = (
        np.interp(grid, y, t).astype(np.float32)[at] for t in of
    )
    return first, second, third, fourth


def _maps(scene: Scene, cues: Cues, white: tuple[float, float]) -> list[Plane]:
    """Return what is summed up around each place, burnt area first."""
    luma, burnt, end, level = scene.luma, scene.burnt, scene.end, scene.level
    w_red, w_blue, w_r, w_b = _white_at(luma, white, scene)
    red = np.clip(cues.colour[0] - w_red, -_MOST_STOPS, _MOST_STOPS)
    blue = np.clip(cues.colour[1] - w_blue, -_MOST_STOPS, _MOST_STOPS)
    under = np.maximum(end - luma, 0.004)
    lacks_red = np.clip((w_r - scene.rgb[0]) / under, -2, 2)
    lacks_blue = np.clip((w_b - scene.rgb[2]) / under, -2, 4)
    is_burnt = burnt > 0.5
    told = (is_burnt & (luma < end - _PLATEAU)).astype(np.float32)
    near = cv2.dilate(is_burnt.view(np.uint8), np.ones((9, 9), np.uint8)) > 0
    rim = (near & ~is_burnt & (luma > _RIM_FROM * level)).astype(np.float32)
    dark = (near & (luma > _SHADE_FROM) & (luma <= _RIM_FROM * level)).astype(
        np.float32
    )
    grain = np.abs(cv2.Laplacian(luma, cv2.CV_32F)) * rim
    inner = cv2.erode(is_burnt.view(np.uint8), np.ones((3, 3), np.uint8)) > 0
    edge = (is_burnt & ~inner).astype(np.float32)
    off = np.sqrt(red * red + blue * blue)
    return [
        is_burnt.astype(np.float32), told, rim, dark, edge,
        told * red, told * blue, told * lacks_red, told * lacks_blue,
        rim * red, rim * blue, rim * off, grain, dark * red, dark * blue,
        (cues.step & is_burnt).astype(np.float32),
        (cues.tissue & near).astype(np.float32),
        (cues.cloth & near).astype(np.float32),
        red, blue,
    ]  # fmt: skip


def _burnt_areas(burnt: Plane) -> tuple[NDArray[np.int32], int]:
    """Return the burnt area that each cell lies in or beside, and how many there are.

    Necks under three cells wide part areas; 0 is what lies in none.
    """
    solid = cv2.morphologyEx(burnt.astype(np.uint8), cv2.MORPH_OPEN, _SQUARE)
    number, labels = cv2.connectedComponents(solid, connectivity=4, ltype=cv2.CV_32S)
    near = cv2.dilate(labels.astype(np.float32), np.ones((5, 5), np.uint8))
    return np.where(labels > 0, labels, near.astype(np.int32)).astype(np.int32), number


def _ratios(sums: list[Rows], cells: Rows | float) -> list[Rows]:
    """Return `_POOLED` from sums of the maps over `cells` cells each."""
    n = np.maximum(cells, 1.0)
    burnt, told, rim, dark, edge = sums[:5]
    few = np.float32(1.5)

    def mean(total: Rows, weight: Rows) -> Rows:
        return np.asarray(total / (weight + few), np.float32)

    edges = edge + few
    return [
        burnt / n, told / (burnt + few), np.minimum(rim / edges, 4), dark / n,
        *(mean(t, told) for t in sums[5:9]),
        *(mean(t, rim) for t in sums[9:12]), 30 * mean(sums[12], rim),
        *(mean(t, dark) for t in sums[13:15]),
        *(np.minimum(t / edges, 4) for t in sums[15:18]),
    ]  # fmt: skip


def _cut(
    scene: Scene, cues: Cues, at: Index, pale: NDArray[np.int32]
) -> tuple[int, int, Scene, Cues, Index, NDArray[np.int32]]:
    """Return the picture's size, and all cut to what lies in and around burnt places.

    Nothing further off is summed up, so that nothing is lost.
    """
    h, w = scene.luma.shape
    y, x = np.divmod(at, w)
    if not at.size:
        return h, w, scene, cues, at, pale
    top, left = (max(int(v.min()) - _MARGIN, 0) // 2 * 2 for v in (y, x))
    box = (
        slice(top, min(int(y.max()) + _MARGIN + 1, h)),
        slice(left, min(int(x.max()) + _MARGIN + 1, w)),
    )
    whole = (slice(None), *box)
    scene = replace(
        scene, rgb=scene.rgb[whole], luma=scene.luma[box], burnt=scene.burnt[box]
    )
    cues = replace(
        cues,
        colour=cues.colour[whole],
        step=cues.step[box],
        tissue=cues.tissue[box],
        cloth=cues.cloth[box],
    )
    at = (y - top) * scene.luma.shape[1] + (x - left)
    return h, w, scene, cues, at, pale[box]


def _gather(sums: list[Plane], at: Index) -> tuple[list[Rows], list[Rows]]:
    """Return sums over the smaller and over the larger square around some cells."""
    h, w = sums[0].shape
    h, w = h + h % 2, w + w % 2
    y, x = np.divmod(at, sums[0].shape[1])
    near: list[Rows] = []
    wide: list[Rows] = []
    zero = cv2.BORDER_CONSTANT
    for first in range(0, len(sums), 3):
        three = cv2.merge(sums[first : first + 3])
        blurred = cv2.blur(three, (_NEAR, _NEAR), borderType=zero)
        near.extend((blurred.reshape(-1, 3)[at] * np.float32(_NEAR**2)).T)
        even = cv2.copyMakeBorder(
            three, 0, h - three.shape[0], 0, w - three.shape[1], zero
        )
        small = cv2.resize(even, (w // 2, h // 2), interpolation=cv2.INTER_AREA)
        small = cv2.blur(small, (_WIDE, _WIDE), borderType=zero)
        small = small.reshape(h // 2, w // 2, 3)
        wide.extend((small[y // 2, x // 2] * np.float32(4 * _WIDE**2)).T)
    return near, wide


def features_of(
    scene: Scene,
    cues: Cues,
    at: Index,
    areas: tuple[NDArray[np.int32], NDArray[np.float64]],
) -> Rows:
    """Return the features of some cells.

    Parameters
    ----------
    at : (n,) array
        Flat indices of the cells.
    areas : (h, w) array, (number, 4) array
        The pale area each cell lies in or beside, 0 for none, and what speaks in each
        for colour, white, cloth alone and a trace.

    Returns
    -------
    (n, len(FEATURES)) array
    """
    white = white_of(scene, cues.colour)
    rows, across, scene, cues, at, pale = _cut(scene, cues, at, areas[0])
    red, blue, known = white
    maps = _maps(scene, cues, (red, blue))
    sums = maps[:_SUMS]
    near, wide = _gather(sums, at)
    columns = _ratios(near, float(_NEAR**2)) + _ratios(wide, 4.0 * _WIDE**2)
    labels, number = _burnt_areas(sums[0])
    inside = np.flatnonzero(labels)
    flat = labels.ravel()[inside]
    total = [
        np.bincount(flat, m.ravel()[inside], number).astype(np.float32) for m in sums
    ]
    counts = np.bincount(flat, minlength=number).astype(np.float32)
    mine = labels.ravel()[at]
    columns += [r[mine] for r in _ratios(total, counts)]
    table = areas[1].astype(np.float32)[pale.ravel()[at]]
    coloured, white, plain, trace = table.T
    size = np.log2(total[0] + 1)[mine]
    lean = np.log2((white + _SMOOTH) / (coloured + _SMOOTH))
    ones = np.ones(len(at), np.float32)
    columns += [
        maps[_SUMS].ravel()[at],
        maps[_SUMS + 1].ravel()[at],
        10 * (scene.end - scene.luma).ravel()[at],
        scene.burnt.ravel()[at],
        size, np.minimum(coloured, 3), np.minimum(white, 3), np.minimum(plain, 3),
        np.minimum(trace, 1), np.clip(lean, -4, 4),
        ones * np.float32(blue),
        ones * np.float32(red + LAMP_SLOPE * blue),
        ones * np.float32(abs(blue)),
        ones * np.float32(not known),
        ones * np.float32(np.log2(float(sums[0].sum()) / (rows * across) + 1e-3)),
    ]  # fmt: skip
    return np.stack(columns, axis=1).astype(np.float32)
