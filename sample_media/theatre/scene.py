"""The operative field in linear light, with a label for every pixel.

`Scene` is drawn once on a canvas twice as fine as the picture; `Scene.frame` looks
at it at one moment: the boom sways, the gut pulses, glints flicker, the forceps
move. Light of 1 is the light of a perfectly white matt surface under a lamp of 1.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import cv2
import numpy as np
from numpy.typing import NDArray

from . import cloth, props, tissue
from . import textures as tx
from .textures import SS, Plane

WIDTH, HEIGHT = 1280, 720
NEUTRAL_BOX = (84, 62, 150, 104)
"""x, y, width, height in pixels: always on the grey towel."""
SWAB_AREA = (0.015, 0.585, 0.205, 0.40)
"""x, y, width, height as shares of the picture: where large swabs are laid."""

_TOWEL_BOX = (159.0, 116.0, 112.0, 84.0)
_LARGE_SWAB = (149.0, 564.0, 112.0, 116.0)
_WOUND_BOX = (300, 90, 1090, 620)
"""First and last column and row that can hold wet tissue."""
_MARGIN = int(tissue.MARGIN)


class Label(IntEnum):
    """What a pixel shows."""

    DRAPE = 0
    SKIN = 1
    TISSUE = 2
    SWAB = 3
    NEUTRAL = 4
    INSTRUMENT = 5
    GLOVE = 6
    GLINT = 7


@dataclass(slots=True, eq=False)
class Shot:
    """One moment of the scene.

    Attributes
    ----------
    light : ndarray of float32, (720, 1280, 3)
        Linear light, BT.709 primaries, white-balanced.
    labels : ndarray of uint8, (720, 1280)
        A `Label` for every pixel; None unless asked for.
    """

    light: Plane
    labels: NDArray[np.uint8] | None


def lamp(x: Plane, y: Plane) -> Plane:
    """Light of the two lamp heads over the field; falls off to the corners."""
    main = np.exp(-(((x - 640) / 620) ** 2) - ((y - 370) / 430) ** 2)
    second = np.exp(-(((x - 140) / 260) ** 2) - ((y - 600) / 230) ** 2)
    return np.asarray(0.26 + 1.03 * main + 0.95 * second, np.float32)


class Scene:
    """The drawn theatre table, ready to be looked at moment by moment."""

    def __init__(self) -> None:
        h, w = (HEIGHT + 2 * _MARGIN) * SS, (WIDTH + 2 * _MARGIN) * SS
        yy, xx = np.mgrid[0:h, 0:w].astype(np.float32)
        x, y = (xx + 0.5) / SS - _MARGIN, (yy + 0.5) / SS - _MARGIN
        wound = tissue.draw_wound(x, y)
        self.lamp = lamp(x, y)
        colour, labels = wound.colour, np.full((h, w), int(Label.SKIN), np.uint8)
        labels[wound.reach < 1.0] = Label.TISSUE
        cover_drape, window = cloth.drape(x, y, wound.reach)
        fall = tx.blur(
            tx.smoothstep(0.3, 0.9, np.roll(window, (5 * SS, 4 * SS), (0, 1))), 4.0
        )
        colour = colour * (1 - 0.55 * fall)[..., None]
        colour = tx.mix(colour, cover_drape, window)
        labels[window > 0.5] = Label.DRAPE
        pieces = (
            (cloth.towel(x, y, _TOWEL_BOX), Label.NEUTRAL),
            (cloth.swab(x, y, (1128, 112, 82, 62), 14.0, "used", 0.45), Label.SWAB),
            (
                cloth.swab(x, y, (458, 566, 118, 54), 29.0, "damp", 0.30, 0.8),
                Label.SWAB,
            ),
        )
        for (own, cover, shadow), label in pieces:
            colour = colour * (1 - 0.62 * shadow)[..., None]
            colour = tx.mix(colour, own, cover)
            labels[cover > 0.5] = label
        self._base = self._finish(colour)
        self._labels = labels
        own, cover, shadow = cloth.swab(x, y, _LARGE_SWAB, -4.0, "large")
        colour = tx.mix(colour * (1 - 0.62 * shadow)[..., None], own, cover)
        self._base_swab = self._finish(colour)
        self._labels_swab = labels.copy()
        self._labels_swab[cover > 0.5] = Label.SWAB
        self._glints = self._finish(wound.glints * (1 - window)[..., None])
        self._pulse = np.ascontiguousarray(
            cv2.resize(wound.pulse, (w // SS, h // SS), interpolation=cv2.INTER_AREA)[
                _MARGIN:-_MARGIN, _MARGIN:-_MARGIN
            ]
        )
        on_top = cv2.resize(self.lamp, (w // SS, h // SS), interpolation=cv2.INTER_AREA)
        on_top = np.minimum(on_top[_MARGIN:-_MARGIN, _MARGIN:-_MARGIN], 1.15)
        self._lamp_picture = cv2.merge([on_top] * 3)
        gy, gx = np.mgrid[0:HEIGHT, 0:WIDTH].astype(np.float32)
        self._grid = np.stack([gx, gy], -1)
        self._arms = (
            props.forceps_arm(-1.0, Label.INSTRUMENT),
            props.forceps_arm(1.0, Label.INSTRUMENT),
        )
        self._below = props.pinch_below(Label.GLOVE)
        self._above = props.pinch_above(Label.GLOVE)
        self._retractor = props.retractor(Label.INSTRUMENT)
        self._assist = props.assisting(Label.GLOVE)

    def _finish(self, colour: Plane) -> Plane:
        """Light the canvas and take off what the picture cannot resolve."""
        lit = colour * self.lamp[..., None]
        return np.asarray(cv2.GaussianBlur(lit, (0, 0), 0.46 * SS), np.float32)

    def frame(
        self,
        time_s: float,
        *,
        large_swab: bool = False,
        labels: bool = False,
    ) -> Shot:
        """Look at the scene at one moment.

        Parameters
        ----------
        time_s : float
            Seconds from the start of the take.
        large_swab : bool
            Whether the large swab lies in `SWAB_AREA`.
        labels : bool
            Whether to make the label map as well.

        Returns
        -------
        Shot
            Linear light and, if asked for, labels.
        """
        sway = boom_sway(time_s)
        beat = heart_beat(time_s)
        look = self._grid - np.array(sway, np.float32)
        maps = (look + self._pulse * beat + (_MARGIN + 0.5)) * SS - 0.5
        mx = np.ascontiguousarray(maps[..., 0])
        my = np.ascontiguousarray(maps[..., 1])
        base = self._base_swab if large_swab else self._base
        light = np.asarray(cv2.remap(base, mx, my, cv2.INTER_LINEAR), np.float32)
        # the three phases of the glints take turns; not in step with the heart
        turn = 2 * np.pi * (1.7 * time_s + np.arange(3) / 3)
        # weights whose sum and sum of squares stand still: flicker, no throb
        share = (0.62 * (0.6 + 0.4 * np.cos(turn))).astype(np.float32)
        x0, y0, x1, y1 = _WOUND_BOX  # no glints elsewhere, and they cost time
        glint = cv2.remap(
            self._glints, mx[y0:y1, x0:x1], my[y0:y1, x0:x1], cv2.INTER_LINEAR
        )
        sparks = glint @ share
        light[y0:y1, x0:x1] += sparks[..., None]
        named = None
        if labels:
            source = self._labels_swab if large_swab else self._labels
            named = cv2.remap(source, mx, my, cv2.INTER_NEAREST).astype(np.uint8)
            named[y0:y1, x0:x1][sparks > 0.3] = Label.GLINT
        for sprite, angle, at, depth in self._moving(time_s):
            spot = (at[0] + sway[0], at[1] + sway[1])
            self._lay(light, named, sprite, angle, spot, depth)
        return Shot(light, named)

    def _moving(
        self, t: float
    ) -> tuple[tuple[props.Sprite, float, tuple[float, float], float], ...]:
        """Sprites from below to above: sprite, turn, anchor's place, shadow length."""
        hand = (
            700.0
            + 26 * np.sin(2 * np.pi * 0.21 * t)
            + 7 * np.sin(2 * np.pi * 0.57 * t + 1),
            418.0
            + 20 * np.sin(2 * np.pi * 0.17 * t + 0.8)
            + 5 * np.sin(2 * np.pi * 0.71 * t),
        )
        turn = 20.0 + 2.6 * np.sin(2 * np.pi * 0.19 * t + 0.5)
        open_deg = 2.1 + 1.3 * np.sin(2 * np.pi * 0.43 * t)
        pull = 3.0 * np.sin(2 * np.pi * 0.13 * t)
        # the arms turn about their joint, far behind the tip
        rear = 748.0

        def arm(side: float) -> tuple[float, tuple[float, float]]:
            a0, a1 = np.deg2rad(turn), np.deg2rad(turn + side * open_deg)
            joint = hand + rear * np.array([np.cos(a0), np.sin(a0)])
            tip = joint - rear * np.array([np.cos(a1), np.sin(a1)])
            return turn + side * open_deg, (float(tip[0]), float(tip[1]))

        up, down = arm(1.0), arm(-1.0)
        return (
            (
                self._retractor,
                -38.0 + 0.3 * pull,
                (912.0 + pull, 236.0 - 0.6 * pull),
                9.0,
            ),
            (self._assist, 4.0, (566.0 + 0.8 * pull, 132.0 + 0.7 * pull), 9.0),
            (self._below, turn, hand, 22.0),
            (self._arms[1], *down, 16.0),
            (self._arms[0], *up, 16.0),
            (self._above, turn, hand, 12.0),
        )

    def _lay(
        self,
        light: Plane,
        named: NDArray[np.uint8] | None,
        sprite: props.Sprite,
        angle_deg: float,
        at: tuple[float, float],
        depth: float,
    ) -> None:
        """Lay a sprite and its soft shadow over the picture, in place."""
        size = (WIDTH, HEIGHT)
        colour, cover, (x0, y0) = props.place(sprite, size, angle_deg, at)
        if not cover.size:
            return
        h, w = cover.shape
        # shadow first: same outline, moved away from the lamp and blurred (small)
        sx, sy = int(x0 + 0.5 * depth), int(y0 + 0.75 * depth)
        sw, sh = min(w, WIDTH - sx), min(h, HEIGHT - sy)
        if sw > 8 and sh > 8:
            small = cv2.resize(
                cover, (max(w // 4, 1), max(h // 4, 1)), interpolation=cv2.INTER_AREA
            )
            small = cv2.GaussianBlur(small, (0, 0), max(depth / 9, 0.8))
            dark = 1 - 0.5 * cv2.resize(small, (w, h), interpolation=cv2.INTER_LINEAR)
            light[sy : sy + sh, sx : sx + sw] *= cv2.merge([dark[:sh, :sw]] * 3)
        part = light[y0 : y0 + h, x0 : x0 + w]
        part *= cv2.merge([1 - cover] * 3)
        part += colour * self._lamp_picture[y0 : y0 + h, x0 : x0 + w]
        if named is not None:
            named[y0 : y0 + h, x0 : x0 + w][cover > 0.5] = sprite.label


def boom_sway(time_s: float) -> tuple[float, float]:
    """Shift of the picture in pixels (right, down): never 4 or more."""
    t = 2 * np.pi * time_s
    return (
        float(2.3 * np.sin(0.23 * t + 0.4) + 0.8 * np.sin(0.61 * t + 2.0)),
        float(1.9 * np.sin(0.31 * t + 1.1) + 0.6 * np.sin(0.83 * t)),
    )


def heart_beat(time_s: float) -> float:
    """Height of the slow pulse, 0..1, about 64 a minute: quick rise, slow fall."""
    phase = (time_s * 64 / 60) % 1.0
    return float((np.sin(np.pi * phase**0.6)) ** 2)
