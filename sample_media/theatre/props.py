"""Things that move or shine: forceps, retractor, gloved fingers."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from . import textures as tx
from .textures import SS, Plane


@dataclass(slots=True, eq=False)
class Sprite:
    """A loose piece of picture that is laid over the scene.

    Attributes
    ----------
    colour : ndarray, (height, width, 3)
        Reflected linear light under a lamp of 1, times `cover`.
    cover : ndarray, (height, width)
        1 where the piece hides what lies below.
    anchor : (float, float)
        The point it turns about, picture pixels from its top left corner.
    label : int
        Value for the label map.
    """

    colour: Plane
    cover: Plane
    anchor: tuple[float, float]
    label: int


def _grid(width: int, height: int) -> tuple[Plane, Plane]:
    yy, xx = np.mgrid[0 : height * SS, 0 : width * SS].astype(np.float32)
    return (xx + 0.5) / SS, (yy + 0.5) / SS


def _room(across: Plane) -> Plane:
    """Reflected light for steel facing `across` (-1..1): dark room, bright lamps."""
    a = across
    bands = (
        0.20
        + 0.34 * np.exp(-(((a + 0.42) / 0.16) ** 2))
        + 0.16 * np.exp(-(((a - 0.55) / 0.10) ** 2))
        - 0.12 * np.exp(-(((a - 0.12) / 0.20) ** 2))
        - 0.10 * np.exp(-(((a + 0.92) / 0.14) ** 2))
    )
    return np.asarray(bands, np.float32)


def _steel(tone: Plane, light: Plane) -> Plane:
    """Colour of steel: neutral, with a breath of the green drape in its shadows."""
    value = np.maximum(tone * light, 0.012)
    shade = tx.smoothstep(0.30, 0.05, value)
    colour = np.repeat(value[..., None], 3, -1)
    return tx.mix(
        colour.astype(np.float32),
        value[..., None] * np.array((0.72, 1.06, 1.05), np.float32),
        0.6 * shade,
    )


def forceps_arm(side: float, label: int) -> Sprite:
    """Draw one arm of a pair of dissecting forceps; its tip is at the left.

    `side` is -1 for the upper arm and +1 for the lower one. The arm lies along x,
    the tip at the anchor; the joint is 760 pixels to the right.
    """
    width, height = 800, 72
    x, y = _grid(width, height)
    rng = tx.generator("forceps", int(side > 0))
    ax, ay = 12.0, height / 2
    t = (x - ax) / 760.0
    half = (
        2.0
        + 9.0 * tx.smoothstep(0.0, 0.55, t)
        + 1.6 * np.exp(-(((t - 0.52) / 0.12) ** 2))
    )
    bow = side * (9.0 * np.maximum(np.sin(np.clip(t, 0, 1) * np.pi), 0) ** 1.3)
    off = (y - ay - bow) / half
    body = (1 - np.abs(off)) * half
    ends = np.minimum((t + 0.004) * 760.0, (1.0 - t) * 760.0)
    cover = tx.smoothstep(-0.4, 0.6, np.minimum(body, ends))
    brushed = tx.noise(x.shape, (0.6, 40.0), rng) * 0.028
    tone = _room((off * 0.9 + 0.05 * np.sin(t * 9)).astype(np.float32))
    tone *= 0.86 + 0.30 * np.sin(np.clip(t, 0, 1) * 7.0 + side) * 0.4
    # grip: grooves across the arm between two plain lengths
    grip = tx.smoothstep(0.34, 0.345, t) * tx.smoothstep(0.60, 0.595, t)
    groove = np.sin(x * 2 * np.pi / 4.6)
    tone = tone * (1 + grip * 0.42 * groove * (np.abs(off) < 0.8))
    bevel = np.exp(-(((np.abs(off) - 0.86) / 0.10) ** 2))
    tone = tone + 0.16 * bevel * (off * -1 > 0) - 0.07 * bevel * (off > 0)
    colour = _steel((tone + brushed).astype(np.float32), np.ones_like(x))
    # the tips have been in the wound
    stain = tx.smoothstep(0.16, 0.02, t) * tx.smoothstep(
        -0.5, 0.9, tx.noise(x.shape, 9, rng, 2)
    )
    colour = tx.stain(colour, 1.3 * stain)
    return Sprite(colour * cover[..., None], cover, (ax, ay), label)


def retractor(label: int) -> Sprite:
    """Draw a flat hand-held retractor, its blade hooked over the wound edge."""
    width, height = 470, 110
    x, y = _grid(width, height)
    rng = tx.generator("retractor")
    ax, ay = 14.0, height / 2
    t = (x - ax) / (width - ax)
    half = 30.0 - 12.0 * tx.smoothstep(0.16, 0.40, t)
    off = (y - ay) / half
    corner = 14.0
    dx = np.maximum(ax + corner - x, 0)
    dy = np.maximum(np.abs(y - ay) - (half - corner), 0)
    rounded = corner - np.hypot(dx, dy)
    cover = tx.smoothstep(-0.4, 0.6, np.minimum(rounded, (1 - np.abs(off)) * half))
    # bent down at the lip: the reflection sweeps from dark to light over the bend
    bend = (
        0.20
        + 0.36 * np.exp(-(((t - 0.15) / 0.045) ** 2))
        + 0.22 * tx.smoothstep(0.2, 0.75, t)
    )
    bend = bend - 0.13 * tx.smoothstep(0.10, 0.0, t) + 0.05 * np.sin(t * 23)
    edge = np.exp(-(((np.abs(off) - 0.93) / 0.05) ** 2))
    rib = np.exp(-((off / 0.10) ** 2)) - 0.9 * np.exp(-(((off - 0.2) / 0.10) ** 2))
    brushed = (
        tx.noise(x.shape, (0.6, 60.0), rng) * 0.020 + tx.noise(x.shape, 90, rng) * 0.03
    )
    tone = (
        bend * (1 - 0.10 * off)
        + brushed
        + 0.16 * edge * np.sign(-off) * 0.7
        + 0.07 * rib
    )
    colour = _steel(tone.astype(np.float32), np.ones_like(x))
    smear = tx.smoothstep(0.34, 0.02, t) * tx.smoothstep(
        -0.3, 1.6, tx.noise(x.shape, 20, rng, 4, 0.6)
    )
    colour = tx.stain(colour, smear)
    return Sprite(colour * cover[..., None], cover, (ax, ay), label)


@dataclass(frozen=True, slots=True)
class _Finger:
    """Middle line and half widths of one finger, tip first."""

    line: tuple[tuple[float, float], ...]
    radius: tuple[float, ...]
    lift: float


def _finger_height(x: Plane, y: Plane, finger: _Finger) -> tuple[Plane, Plane]:
    """Height of a finger and the distance from its tip (pixels)."""
    line, radius = finger.line, finger.radius
    best = np.full_like(x, -1e3)
    place = np.zeros_like(x)
    start = 0.0
    for (x0, y0), (x1, y1), r0, r1 in zip(
        line, line[1:], radius, radius[1:], strict=False
    ):
        length = float(np.hypot(x1 - x0, y1 - y0))
        h = ((x - x0) * (x1 - x0) + (y - y0) * (y1 - y0)) / length**2
        h = np.clip(h, 0, 1)
        d = np.hypot(x - x0 - h * (x1 - x0), y - y0 - h * (y1 - y0))
        r = r0 + (r1 - r0) * h
        # a ball within the finger, an outward slope outside it (for cover)
        top = np.where(d < r, np.sqrt(np.maximum(r * r - d * d, 0)), r - d)
        take = top > best
        best = np.where(take, top, best)
        place = np.where(take, start + h * length, place)
        start += length
    return np.asarray(best, np.float32), np.asarray(place, np.float32)


def fingers(
    name: str,
    parts: tuple[_Finger, ...],
    size: tuple[int, int],
    anchor: tuple[float, float],
    label: int,
    blood: float,
) -> Sprite:
    """Draw gloved fingers as one piece.

    Later fingers lie over earlier ones. Latex over fingers: pale, a little
    see-through (pink where stretched), wrinkled across at the joints.
    """
    x, y = _grid(*size)
    shape = x.shape
    rng = tx.generator("glove " + name)
    height = np.full(shape, -1e3, np.float32)
    place = np.zeros(shape, np.float32)
    wx = (x + 1.2 * tx.noise(shape, 28, rng)).astype(np.float32)
    wy = (y + 1.2 * tx.noise(shape, 28, rng)).astype(np.float32)
    for part in parts:
        own, along = _finger_height(wx, wy, part)
        own = np.where(own > 0, own + part.lift, own)
        take = own > height
        height = np.where(take, own, height)
        place = np.where(take, along, place)
    inside = (height > 0).astype(np.float32)
    cover = tx.blur(inside, 0.45)
    body = tx.blur(np.maximum(height, -6).astype(np.float32), 1.6)
    wrinkle = tx.noise(shape, (5.0, 2.2), rng, 2) * 0.5 + np.sin(
        place / 2.3 + 1.6 * tx.noise(shape, 16, rng)
    )
    joint = np.exp(-(((place - 74) / 16) ** 2)) + np.exp(-(((place - 168) / 22) ** 2))
    loose = 0.12 + 0.88 * joint
    surface = body + 0.42 * wrinkle * loose + 0.5 * tx.noise(shape, 13, rng, 2)
    n = tx.normals(tx.blur(surface.astype(np.float32), 0.5))
    light = tx.diffuse(n, 0.30) * tx.hollows(body, (4.0, 16.0), 0.55)
    light *= 0.40 + 0.60 * tx.cast_shadow(body, 40, 6.0)
    colour = np.empty((*shape, 3), np.float32)
    colour[:] = (0.645, 0.55, 0.415)
    colour *= (1 + 0.03 * tx.noise(shape, 3.0, rng, 2))[..., None]
    # drawn tight the latex lets the skin through; slack, it is whiter
    tight = tx.smoothstep(70.0, 0.0, place) * 0.6 + 0.25 * tx.smoothstep(
        -0.5, 1.5, tx.noise(shape, 26, rng, 2)
    )
    colour = tx.mix(
        colour, (0.58, 0.385, 0.295), np.clip(tight, 0, 0.8).astype(np.float32)
    )
    film = tx.smoothstep(0.9 - blood, 2.6 - blood, tx.noise(shape, 24, rng, 4, 0.6))
    film = film * (0.25 + 1.3 * tx.smoothstep(130.0, 0.0, place))
    colour = tx.stain(colour, np.clip(film, 0, 1.2).astype(np.float32))
    # light through thin rubber keeps the shaded side warm
    lit = colour * (0.90 * light + 0.10)[..., None]
    smooth_n = tx.normals(
        tx.blur((body + 0.25 * wrinkle * loose).astype(np.float32), 1.2)
    )
    lit += (0.10 * tx.gloss(smooth_n, 30.0) * light)[..., None]
    lit += (0.16 * tx.gloss(smooth_n, 300.0, 0.06) * inside)[..., None]
    lit = np.minimum(lit, 0.70).astype(np.float32)
    return Sprite(lit * cover[..., None], cover, anchor, label)


def pinch_below(label: int) -> Sprite:
    """Draw index and middle finger, under the forceps; its tip is the anchor."""
    parts = (
        _Finger(((352, 262), (452, 300), (600, 392), (760, 500)), (30, 36, 43, 50), 0),
        _Finger(
            ((262, 196), (350, 226), (470, 268), (640, 330), (820, 400)),
            (24, 31, 36, 42, 52),
            8,
        ),
    )
    return fingers("below", parts, (760, 520), (10.0, 170.0), label, 0.15)


def pinch_above(label: int) -> Sprite:
    """Draw the thumb, over the forceps."""
    parts = (
        _Finger(((322, 150), (408, 128), (520, 112), (700, 120)), (28, 35, 39, 50), 10),
    )
    return fingers("above", parts, (760, 300), (10.0, 170.0), label, 0.05)


def assisting(label: int) -> Sprite:
    """Draw two fingertips of the assistant at the edge of the wound."""
    parts = (
        _Finger(((70, 168), (58, 96), (30, -20)), (25, 31, 37), 0),
        _Finger(((136, 186), (134, 104), (118, -20)), (26, 32, 38), 6),
    )
    return fingers("assisting", parts, (220, 240), (110.0, 190.0), label, 0.25)


def place(
    sprite: Sprite, size: tuple[int, int], angle_deg: float, at: tuple[float, float]
) -> tuple[Plane, Plane, tuple[int, int]]:
    """Turn and move a sprite into the picture.

    Parameters
    ----------
    size : (int, int)
        Width and height of the picture.
    angle_deg : float
        Turn, clockwise on the screen.
    at : (float, float)
        Where its anchor goes, picture pixels.

    Returns
    -------
    colour, cover : ndarray
        The part of the sprite inside the picture.
    corner : (int, int)
        x and y of that part's top left corner in the picture.
    """
    a = np.deg2rad(angle_deg)
    c, s = float(np.cos(a)), float(np.sin(a))
    h, w = sprite.cover.shape
    corners = np.array([(0, 0), (w, 0), (0, h), (w, h)], np.float64) / SS
    rel = corners - sprite.anchor
    px = rel[:, 0] * c - rel[:, 1] * s + at[0]
    py = rel[:, 0] * s + rel[:, 1] * c + at[1]
    x0, y0 = max(int(px.min()) - 1, 0), max(int(py.min()) - 1, 0)
    x1, y1 = min(int(px.max()) + 2, size[0]), min(int(py.max()) + 2, size[1])
    if x1 <= x0 or y1 <= y0:
        return np.zeros((0, 0, 3), np.float32), np.zeros((0, 0), np.float32), (0, 0)
    # from picture pixel centres back to sprite samples
    ax, ay = sprite.anchor
    inverse = np.array(
        [
            [c * SS, s * SS, 0.0],
            [-s * SS, c * SS, 0.0],
        ],
        np.float64,
    )
    dx, dy = x0 + 0.5 - at[0], y0 + 0.5 - at[1]
    inverse[0, 2] = (c * dx + s * dy + ax) * SS - 0.5
    inverse[1, 2] = (-s * dx + c * dy + ay) * SS - 0.5
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    out = (x1 - x0, y1 - y0)
    colour = cv2.warpAffine(sprite.colour, inverse, out, flags=flags)
    cover = cv2.warpAffine(sprite.cover, inverse, out, flags=flags)
    return np.asarray(colour, np.float32), np.asarray(cover, np.float32), (x0, y0)
