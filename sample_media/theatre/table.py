"""The theatre table of one case: drawn once, then looked at moment by moment."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from . import anatomy, cloth, linen, props
from . import textures as tx
from .scene import Label, heart_beat
from .textures import SS, Plane

__all__ = ["Look", "Motion", "Piece", "Table", "TableFacts"]

_COTTON = np.array((1.0, 0.985, 0.965), np.float32)
_MIRROR = 0.56  # steel brighter than this mirrors a lamp head


@dataclass(frozen=True, slots=True)
class Piece:
    """Something white or grey that lies in the picture.

    Attributes
    ----------
    kind : str
        "swab" or one of `linen.SHEETS`.
    box : (float, float, float, float)
        Centre and half sizes, as shares of the picture's width.
    blood, damp : float
        Swabs: share soaked with blood, 0 to 1; 0 dry to 1 wet.
    tone : float
        Sheets: reflectance. Swabs: factor on the cotton's own.
    """

    kind: str
    box: tuple[float, float, float, float]
    turn_deg: float
    blood: float = 0.0
    damp: float = 0.0
    tone: float = 1.0


@dataclass(frozen=True, slots=True)
class Motion:
    """How the camera moves, in shares of the picture's width.

    Attributes
    ----------
    sway : float
        Amplitude of the boom's slow sway.
    pan : (float, float)
        Way across and down over the take.
    zoom : (float, float)
        Magnification at the start and the end, 1 to 1.2.
    over_s : float
        Time that pan and zoom take.
    """

    sway: float = 0.0
    pan: tuple[float, float] = (0.0, 0.0)
    zoom: tuple[float, float] = (1.0, 1.0)
    over_s: float = 3.0


@dataclass(frozen=True, slots=True)
class TableFacts:
    """Everything the picture is drawn from."""

    number: tuple[int, ...]
    size: tuple[int, int]
    anatomy: anatomy.Anatomy
    drape: str
    opening: float
    pieces: tuple[Piece, ...]
    lamps: tuple[tuple[float, float, float, float], ...]
    """x, y, radius (shares of the width) and strength of each pool of light."""
    ambient: float
    motion: Motion
    glove: tuple[float, float, float]
    forceps_turn_deg: float | None
    assistant_turn_deg: float | None
    retractor_turn_deg: float | None
    hand_passes_s: float | None
    seam: tuple[float, float, float, float] | None = None
    """x, y (shares of the width), turn in degrees, half width (share)."""


@dataclass(slots=True, eq=False)
class Look:
    """One moment.

    Attributes
    ----------
    light, sparks : ndarray of float32, (height, width, 3) and (height, width)
        Linear light without wet glints; the light that these add.
    labels : ndarray of uint8
        `scene.Label` of each pixel; wet glints are not in it, mirrors of steel are.
    """

    light: Plane
    sparks: Plane
    labels: NDArray[np.uint8]


@lru_cache(maxsize=1)
def _tools() -> dict[str, props.Sprite]:
    return {
        "arm-": props.forceps_arm(-1.0, Label.INSTRUMENT),
        "arm+": props.forceps_arm(1.0, Label.INSTRUMENT),
        "retractor": props.retractor(Label.INSTRUMENT),
        "below": props.pinch_below(Label.GLOVE),
        "above": props.pinch_above(Label.GLOVE),
    }


def _assisting(below: props.Sprite, scale: float) -> props.Sprite:
    """Two fingers that come from beyond the picture; the anchor is their tips."""
    return props.Sprite(
        below.colour, below.cover, (285.0 * scale, 222.0 * scale), below.label
    )


def _sized(sprite: props.Sprite, scale: float, tint: tuple[float, ...]) -> props.Sprite:
    h, w = sprite.cover.shape
    size = (max(int(w * scale), 2), max(int(h * scale), 2))
    colour = cv2.resize(sprite.colour, size, interpolation=cv2.INTER_AREA)
    cover = cv2.resize(sprite.cover, size, interpolation=cv2.INTER_AREA)
    if sprite.label == Label.GLOVE:
        colour = colour * np.array(tint, np.float32)
    anchor = (sprite.anchor[0] * scale, sprite.anchor[1] * scale)
    return props.Sprite(
        np.asarray(colour, np.float32), np.asarray(cover, np.float32), anchor,
        sprite.label,
    )  # fmt: skip


class Table:
    """A drawn case.

    Parameters
    ----------
    facts : TableFacts
        Everything it is drawn from; the same facts give the same pictures.
    """

    def __init__(self, facts: TableFacts) -> None:
        self.facts = facts
        width, height = facts.size
        self.scale = width / 1280
        self.margin = 2 * round(0.035 * width)
        w, h = (width + 2 * self.margin) * SS, (height + 2 * self.margin) * SS
        yy, xx = np.mgrid[0:h, 0:w].astype(np.float32)
        x, y = (xx + 0.5) / SS - self.margin, (yy + 0.5) / SS - self.margin
        self._draw(x, y)
        gy, gx = np.mgrid[0:height, 0:width].astype(np.float32)
        self._grid = np.stack([gx, gy], -1)
        q = cv2.resize(self._reach, (width, height), interpolation=cv2.INTER_AREA)
        self._pulse = tx.smoothstep(0.8, 0.3, np.asarray(q, np.float32))[..., None]
        tools = _tools()
        self._tools = {k: _sized(v, self.scale, facts.glove) for k, v in tools.items()}
        self._tools["assist"] = _assisting(self._tools["below"], self.scale)
        near = 1.9 * self.scale  # a hand close to the camera
        self._passing = _assisting(_sized(tools["below"], near, facts.glove), near)

    def _generator(self, part: int) -> np.random.Generator:
        return np.random.default_rng([tx.RANDOM_STATE, *self.facts.number, part])

    def _draw(self, x: Plane, y: Plane) -> None:
        f, scale = self.facts, self.scale
        width, _ = f.size
        wound = anatomy.draw_opening(
            x, y, f.anatomy, f.size, scale, self._generator(1), self.margin
        )
        colour = wound.colour
        labels = np.full(x.shape, int(Label.SKIN), np.uint8)
        labels[wound.reach < 1] = Label.TISSUE
        cloth_colour, window = linen.drape(
            x, y, wound.reach, f.drape, f.opening, scale, self._generator(2)
        )
        ways = (int(5 * scale * SS), int(4 * scale * SS))
        fall = tx.blur(
            tx.smoothstep(0.3, 0.9, np.roll(window, ways, (0, 1))), 4 * scale
        )
        colour = tx.mix(colour * (1 - 0.5 * fall)[..., None], cloth_colour, window)
        white = f.drape == "white"
        labels[window > 0.5] = Label.NEUTRAL if white else Label.DRAPE
        if f.seam is not None:
            at = (f.seam[0] * width, f.seam[1] * width, f.seam[2])
            tape = linen.seam(x, y, at, f.seam[3] * width) * window
            shade = cloth_colour.mean(-1) / max(float(cloth_colour.mean()), 1e-3)
            own = np.repeat(0.78 * np.clip(shade, 0.4, 1.1)[..., None], 3, -1)
            colour = tx.mix(colour, own.astype(np.float32), tape)
            labels[tape > 0.5] = Label.NEUTRAL
        glints = wound.glints * (1 - window)[..., None]
        for number, piece in enumerate(f.pieces):
            self._lay_piece(colour, labels, glints, x, y, number, piece)
        lamp = np.full(x.shape, f.ambient, np.float32)
        for lx, ly, radius, strength in f.lamps:
            away = ((x - lx * width) ** 2 + (y - ly * width) ** 2) / (
                radius * width
            ) ** 2
            lamp += np.float32(strength) * np.exp(-away)
        # a narrow glint of the canvas is a broad one in the picture: blur both alike
        self._base = cv2.GaussianBlur(colour * lamp[..., None], (0, 0), 0.46 * SS)
        self._glints = cv2.GaussianBlur(glints * lamp[..., None], (0, 0), 0.46 * SS)
        self._labels, self._reach = labels, wound.reach
        m = self.margin
        small = cv2.resize(lamp, (x.shape[1] // SS, x.shape[0] // SS),
                           interpolation=cv2.INTER_AREA)[m:-m, m:-m]  # fmt: skip
        self._lamp = cv2.merge([np.minimum(small, 1.4 * float(np.median(small)))] * 3)

    def _lay_piece(
        self, colour: Plane, labels: NDArray[np.uint8], glints: Plane, x: Plane,
        y: Plane, number: int, piece: Piece,
    ) -> None:  # fmt: skip
        """Lay a swab or sheet and its shadow, in place, drawing no more than needed."""
        width = self.facts.size[0]
        cx, cy, hw, hh = (v * width for v in piece.box)
        reach = float(np.hypot(hw, hh)) * 1.12 + 30 * self.scale + 8
        h, w = x.shape
        x0, x1 = (int((v + self.margin) * SS) for v in (cx - reach, cx + reach))
        y0, y1 = (int((v + self.margin) * SS) for v in (cy - reach, cy + reach))
        x0, x1, y0, y1 = max(x0, 0), min(x1, w), max(y0, 0), min(y1, h)
        if x1 - x0 < 16 or y1 - y0 < 16:
            return
        cut = np.s_[y0:y1, x0:x1]
        box = (cx, cy, hw, hh)
        if piece.kind == "swab":
            name = "case " + " ".join(map(str, (*self.facts.number, number)))
            own, cover, shadow = cloth.swab(
                x[cut], y[cut], box, piece.turn_deg, name, piece.blood, piece.damp
            )
            own = np.minimum(own * (piece.tone / _COTTON), 0.95)
            label = Label.SWAB
        else:
            own, cover, shadow = linen.sheet(
                x[cut], y[cut], box, piece.turn_deg, piece.kind, piece.tone,
                self.scale, self._generator(10 + number),
            )  # fmt: skip
            label = Label.NEUTRAL
        shadow = np.clip(shadow - cover, 0, 1)
        under = colour[cut] * (1 - 0.55 * shadow)[..., None]
        colour[cut] = tx.mix(under, own, cover)
        labels[cut][cover > 0.5] = label
        glints[cut] *= (1 - cover)[..., None]

    def look(self, time_s: float) -> Look:
        """Look at the table at one moment."""
        width, height = self.facts.size
        m = self.facts.motion
        part = float(np.clip(time_s / m.over_s, 0, 1))
        zoom = m.zoom[0] + (m.zoom[1] - m.zoom[0]) * part
        t = 2 * np.pi * time_s
        sway = m.sway * np.array(
            [np.sin(0.23 * t + 0.4) + 0.35 * np.sin(0.61 * t + 2), np.sin(0.31 * t + 1)]
        )
        shift = width * (sway + np.array(m.pan) * (part - 0.5))
        middle = np.array([width / 2, height / 2])
        beat = self._pulse * np.float32(heart_beat(time_s) * 1.2 * self.scale)
        look = (self._grid + beat + 0.5 - middle) / zoom + middle - shift
        maps = ((look + self.margin) * SS - 0.5).astype(np.float32)
        mx, my = np.ascontiguousarray(maps[..., 0]), np.ascontiguousarray(maps[..., 1])
        light = cv2.remap(self._base, mx, my, cv2.INTER_LINEAR)
        labels = cv2.remap(self._labels, mx, my, cv2.INTER_NEAREST)
        turn = 2 * np.pi * (1.7 * time_s + np.arange(2) / 2)
        share = (0.7 * (0.6 + 0.4 * np.cos(turn))).astype(np.float32)
        glints = cv2.remap(self._glints, mx, my, cv2.INTER_LINEAR)
        result = Look(
            np.asarray(light, np.float32), glints @ share, labels.astype(np.uint8)
        )
        for sprite, angle, at, depth in self._moving(time_s):
            spot = (np.array(at) - middle + shift) * zoom + middle
            self._lay(result, sprite, angle, (float(spot[0]), float(spot[1])), depth)
        return result

    def _moving(
        self, t: float
    ) -> list[tuple[props.Sprite, float, tuple[float, float], float]]:
        """Sprites from below to above: sprite, turn, anchor's place, shadow length."""
        f, k, tools = self.facts, self.scale, self._tools
        width, height = f.size
        centre = np.array([f.anatomy.centre[0] * width, f.anatomy.centre[1] * height])
        pull = 3.0 * np.sin(2 * np.pi * 0.13 * t) * k
        out: list[tuple[props.Sprite, float, tuple[float, float], float]] = []

        def rim(turn_deg: float, share: float) -> tuple[float, float]:
            a = np.deg2rad(turn_deg)
            half = np.array(f.anatomy.half_axes) * height
            at = centre + share * half * (np.cos(a), np.sin(a)) + pull
            return float(at[0]), float(at[1])

        if f.retractor_turn_deg is not None:
            turn = f.retractor_turn_deg
            out.append((tools["retractor"], turn, rim(turn, 0.86), 9 * k))
        if f.assistant_turn_deg is not None:
            turn = f.assistant_turn_deg
            # the sprite's fingers point 32 degrees up from the left
            out.append((tools["assist"], turn - 32, rim(turn, 0.93), 9 * k))
        if f.forceps_turn_deg is not None:
            wander = k * np.array(
                [26 * np.sin(1.32 * t) + 7 * np.sin(3.6 * t + 1),
                 20 * np.sin(1.07 * t + 0.8) + 5 * np.sin(4.5 * t)]
            )  # fmt: skip
            hand = centre + wander + 18 * k
            turn = f.forceps_turn_deg + 2.6 * np.sin(1.2 * t + 0.5)
            spread = 2.1 + 1.3 * np.sin(2.7 * t)
            spot = (float(hand[0]), float(hand[1]))
            out.append((tools["below"], turn, spot, 22 * k))
            for name, side in (("arm-", -1.0), ("arm+", 1.0)):
                a0, a1 = np.deg2rad(turn), np.deg2rad(turn + side * spread)
                joint = hand + 748 * k * np.array([np.cos(a0), np.sin(a0)])
                tip = joint - 748 * k * np.array([np.cos(a1), np.sin(a1)])
                place = (float(tip[0]), float(tip[1]))
                out.append((tools[name], turn + side * spread, place, 14 * k))
            out.append((tools["above"], turn, spot, 12 * k))
        if f.hand_passes_s is not None and abs(t - f.hand_passes_s) < 0.9:
            # in from the lower right, over the field, and out again
            part = (t - f.hand_passes_s) / 0.9
            deep = float(np.cos(part * np.pi / 2) ** 2)
            at = (width * (1.12 - 0.70 * deep), height * (1.10 - 0.75 * deep))
            out.append((self._passing, 14 * part, at, 30 * k))
        return out

    def _lay(
        self, look: Look, sprite: props.Sprite, angle_deg: float,
        at: tuple[float, float], depth: float,
    ) -> None:  # fmt: skip
        """Lay a sprite and its soft shadow over the picture, in place."""
        width, height = self.facts.size
        colour, cover, (x0, y0) = props.place(sprite, (width, height), angle_deg, at)
        if not cover.size:
            return
        h, w = cover.shape
        sx, sy = int(x0 + 0.5 * depth), int(y0 + 0.75 * depth)
        sw, sh = min(w, width - sx), min(h, height - sy)
        if sw > 8 and sh > 8:
            soft = cv2.GaussianBlur(cover, (0, 0), max(depth / 4, 0.8))
            look.light[sy : sy + sh, sx : sx + sw] *= 1 - 0.5 * soft[:sh, :sw, None]
        cut = np.s_[y0 : y0 + h, x0 : x0 + w]
        look.light[cut] *= 1 - cover[..., None]
        look.light[cut] += colour * self._lamp[cut]
        look.sparks[cut] *= 1 - cover
        solid = cover > 0.5
        look.labels[cut][solid] = sprite.label
        if sprite.label == Label.INSTRUMENT:
            look.labels[cut][solid & (colour.mean(-1) > _MIRROR)] = Label.GLINT
