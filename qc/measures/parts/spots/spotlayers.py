"""Two layers of a moving picture: the scene, which comes along, and what stays.

In logarithms of level a spot on the lens is a sum: what a look shows is the scene,
moved, and what stays in its place. Each is the middle over the looks of what is left
once the other is taken away; in turns, beginning with nothing that stays, so that what
could be either is the scene. First the scene is laid over itself by a smooth surface of
motion, then, once the spots are taken out of the looks, place by place (Kroeger and
others, ECCV 2016, as OpenCV has it): in the looks themselves that follows the spots,
which rest.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.kernels.layers import (
    left_over,
    middles,
    shifted_ways,
    shown,
    usually_left,
)
from qc.measures.parts.spots.spotranks import middle, surface

__all__ = [
    "Layers",
    "layers_along",
    "layers_of",
    "ways_back",
]

Map = NDArray[np.float32]

# px of the small picture: what changes more widely is not told from light that falls
# off; over which looks are evened out before they are followed; how finely they are.
_WIDE, _EVEN, _SMOOTH = 12.0, 29, 2.0
# With the smooth surface, before places are followed; over-relaxed, as far as it holds.
_ROUNDS, _STEP = 4, np.float32(1.8)
_BACK_ROUNDS = 2  # that ways back are told in
_LEAST_OFF = 1e-4  # px
_CONTRAST, _LEAST_CONTRAST = 3.0, 0.03  # times the median; natural logarithm


@dataclass(frozen=True, slots=True, eq=False)
class Layers:
    """A scene and what stays before it.

    Attributes
    ----------
    moves : (n, h, w, 2) array
        From each place of the scene to where a look shows it, px to the right and down.
    level : (n, h, w) array
        The looks, natural logarithms about their middle.
    rest : (n, h, w) array
        The looks less the scene.
    stays : (h, w) array
        What is in all of them, but for what changes widely.
    unsure : (h, w) array
        By how much half of the looks differ from it, or more.
    """

    moves: Map
    level: Map
    rest: Map
    stays: Map
    unsure: Map


def layers_of(level: Map, places: Map) -> Layers:
    """Part looks into a scene and what stays.

    Parameters
    ----------
    level : (n, h, w) array of float32
        Natural logarithm of the level of each look.
    places : (n, rows, columns, 2) array of float32
        How far the scene has come on a grid of points, px of these maps.
    """
    h, w = level.shape[1:]
    level = _about_middle(level)
    away = np.abs(places - middles(places)).sum(axis=(1, 2, 3))
    steps = places - places[int(np.argmin(away))]
    wide = [cv2.resize(surface(one, _LEAST_OFF), (w, h)) for one in steps]
    moves = np.asarray(np.stack(wide), np.float32)
    stays, scene = _taken_apart(level, moves, moves, _ROUNDS)
    moves, backs = _followed(level - stays, scene, moves)
    return _layers(level, stays, moves, backs)


def layers_along(maps: Map, moves: Map) -> Layers:
    """Part other maps of the same looks, by how the scene is known to move.

    Parameters
    ----------
    maps : (n, h, w) array of float32
        Natural logarithms.
    moves : (n, H, W, 2) array
        See `Layers`; of maps of another size.
    """
    _, h, w = maps.shape
    share = np.float32(w / moves.shape[2])
    moves = share * np.stack(
        [cv2.resize(one, (w, h), None, 0, 0, cv2.INTER_AREA) for one in moves]
    )
    level, backs = _about_middle(maps), ways_back(moves)
    stays, _ = _taken_apart(level, moves, backs, _ROUNDS - 1)
    return _layers(level, stays, moves, backs)


def ways_back(moves: Map) -> Map:
    """Return from each place of a look how far it lies from where the scene has it.

    Parameters
    ----------
    moves : (n, h, w, 2) array
        From each place of the scene, see `Layers`.
    """
    out = moves
    for k in range(_BACK_ROUNDS):
        out = shifted_ways(moves, out, -1, write=k > 0)
    return out


def _about_middle(maps: Map) -> Map:
    off = np.array([[[middle(one[::3, ::3])]] for one in maps], np.float32)
    return np.asarray(maps - off, np.float32)


def _taken_apart(level: Map, moves: Map, backs: Map, rounds: int) -> tuple[Map, Map]:
    """Return what stays, and the scene, after some turns from nothing that stays."""
    stays = scene = np.zeros(level.shape[1:], np.float32)
    moved = shown(level, moves, 1)
    for _ in range(rounds):
        scene = usually_left(moved, stays, moves, 1)
        stays = _fine(stays + _STEP * (usually_left(level, scene, backs, -1) - stays))
    return stays, scene


def _layers(level: Map, stays: Map, moves: Map, backs: Map) -> Layers:
    scene = usually_left(shown(level, moves, 1), stays, moves, 1)
    rest = left_over(level, scene, backs, -1)
    usual = middles(rest)
    return Layers(moves, level, rest, _fine(usual), middles(np.abs(rest - usual)))


def _fine(values: Map) -> Map:
    return np.asarray(values - cv2.GaussianBlur(values, (0, 0), _WIDE), np.float32)


def _followed(level: Map, scene: Map, moves: Map) -> tuple[Map, Map]:
    """Follow every place of a scene to looks without what stays, and back.

    Parameters
    ----------
    moves : (n, h, w, 2) array
        To begin with; it is written.
    """
    follower = cv2.DISOpticalFlow.create(cv2.DISOPTICAL_FLOW_PRESET_FAST)
    follower.setFinestScale(1)
    follower.setPatchSize(8)
    follower.setPatchStride(4)
    follower.setGradientDescentIterations(8)
    follower.setVariationalRefinementIterations(3)
    there = np.empty_like(moves)
    evened = _evened(scene)
    for k, one in enumerate(level):
        flow = follower.calc(evened, _evened(one), moves[k])
        there[k] = cv2.GaussianBlur(flow, (0, 0), _SMOOTH)
    # The way back from a place is the way there of where it comes from; `moves` are now
    # what the follower has made of them.
    near = shifted_ways(there, moves, -1, write=True)
    return there, shifted_ways(there, near, -1, write=True)


def _evened(level: Map) -> NDArray[np.uint8]:
    off = level - cv2.blur(level, (_EVEN, _EVEN))
    most = max(_CONTRAST * middle(np.abs(off[::3, ::3])), _LEAST_CONTRAST)
    off *= np.float32(42.0 / most)
    off += np.float32(128.0)
    return np.asarray(cv2.convertScaleAbs(np.maximum(off, 0.0)), np.uint8)
