"""Wounds of many kinds: drawn from a handful of figures, unlike `tissue`'s one.

Lengths are pixels of a 1280-wide picture times `scale`.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.interpolate import CubicSpline

from . import textures as tx
from .textures import SS, Plane

__all__ = ["FLOORS", "Anatomy", "Opening", "draw_opening"]

Colour = tuple[float, float, float]

FLOORS = ("gut", "organ", "bone", "fascia", "fat")
"""What lies in the opening: loops of bowel, a dark smooth organ, bone or tendon-like
pale tissue, pink sheets, yellow lobules."""

_FAT: Colour = (0.74, 0.53, 0.25)
_FASCIA: Colour = (0.66, 0.47, 0.42)
_MUSCLE: Colour = (0.36, 0.075, 0.06)
_ARTERY: Colour = (0.42, 0.035, 0.030)
_FLOOR_COLOUR: dict[str, Colour] = {
    "gut": (0.60, 0.245, 0.205),
    "organ": (0.21, 0.045, 0.045),
    "bone": (0.72, 0.60, 0.46),
    "fascia": (0.68, 0.42, 0.36),
    "fat": (0.74, 0.53, 0.25),
}


@dataclass(frozen=True, slots=True)
class Anatomy:
    """One wound.

    Attributes
    ----------
    centre, half_axes : (float, float)
        As shares of width and height; half axes as shares of the height.
    tilt_deg, power : float
        Turn of the incision; 1.5 pointed to 3 squarish.
    floor : str
        One of `FLOORS`.
    skin : (float, float, float)
        Reflectance of the skin around.
    tone : float
        Factor on the brightness of everything inside, 0.6 dark to 1.25 pale.
    pallor : float
        0 well perfused to 1 bloodless: draws red out of the floor's colour.
    fat : float
        Width of the layer of fat, share of the half axis, 0 to 0.2.
    blood : float
        0 dry field to 1.3 bloody.
    wet : float
        Strength of the glints.
    """

    centre: tuple[float, float]
    half_axes: tuple[float, float]
    tilt_deg: float
    power: float
    floor: str
    skin: Colour
    tone: float
    pallor: float
    fat: float
    blood: float
    wet: float


@dataclass(slots=True, eq=False)
class Opening:
    """A drawn wound: lit colour, two phases of glints, and the reach (1 on the cut)."""

    colour: Plane
    glints: Plane
    reach: Plane


def _reach(x: Plane, y: Plane, a: Anatomy, size: tuple[int, int], scale: float,
           rng: np.random.Generator) -> tuple[Plane, Plane, Plane]:  # fmt: skip
    """Return reach and the coordinates along and across the incision."""
    width, height = size
    turn = np.deg2rad(a.tilt_deg)
    dx, dy = x - a.centre[0] * width, y - a.centre[1] * height
    c, s = np.cos(turn), np.sin(turn)
    u, v = dx * c + dy * s, -dx * s + dy * c
    p, r = np.abs(u / (a.half_axes[0] * height)), np.abs(v / (a.half_axes[1] * height))
    q = (p**a.power + r**a.power) ** (1 / a.power)
    q = q + 0.045 * tx.noise(x.shape, 130 * scale, rng, 2)
    q = q + 0.007 * tx.noise(x.shape, 22 * scale, rng)
    return tuple(np.asarray(k, np.float32) for k in (q, u, v))  # type: ignore[return-value]


def _tubes(shape: tuple[int, int], scale: float, rng: np.random.Generator,
           box: tuple[float, float, float, float]) -> tuple[Plane, Plane]:  # fmt: skip
    """Loops of bowel as a height field, and how near each point is to a middle."""
    height = np.full(shape, -1e3, np.float32)
    near = np.zeros(shape, np.float32)
    cx, cy, hw, hh = box
    for _ in range(int(rng.integers(4, 8))):
        angle, lift = rng.uniform(0, np.pi), rng.uniform(-16, 4) * scale
        radius = rng.uniform(38, 60) * scale
        off = rng.uniform(-0.8, 0.8, 2) * (hw, hh)
        t = np.linspace(-1.3, 1.3, 6)
        bend = rng.normal(0, 0.28, 6)
        px = cx + off[0] + hw * (t * np.cos(angle) - bend * np.sin(angle))
        py = cy + off[1] + hw * (t * np.sin(angle) + bend * np.cos(angle))
        line = CubicSpline(np.arange(6), np.stack([px, py], 1))(np.linspace(0, 5, 90))
        ground = np.full(shape, 255, np.uint8)
        points = np.rint(line * SS).astype(np.int32)
        cv2.polylines(ground, [points], False, 0, 1)
        dist = cv2.distanceTransform(ground, cv2.DIST_L2, 5).astype(np.float32) / SS
        swell = 1 + 0.05 * tx.noise(shape, 34 * scale, rng)
        inside = np.maximum(1 - (dist / (radius * swell)) ** 2, 0)
        tube = (-62 * scale + lift + 1.05 * radius * np.sqrt(inside)).astype(np.float32)
        take = (inside > 0) & (tube > height)
        height[take], near[take] = tube[take], inside[take]
    return height, near


def _fibres(q: Plane, u: Plane, v: Plane, scale: float,
            rng: np.random.Generator) -> Plane:  # fmt: skip
    """Bundles that run round the wound."""
    sheet = tx.noise((400, 1000), (2.2, 22.0), rng, 2, 0.7)
    fade = np.linspace(0, 1, 100, dtype=np.float32)
    sheet[:, :100] = fade * sheet[:, :100] + (1 - fade) * sheet[:, 900:]
    place = np.asarray((np.arctan2(v, u) / (2 * np.pi) + 0.5) * 899, np.float32)
    deep = np.asarray(np.clip(q * 380 * min(2 * scale, 1), 0, 399), np.float32)
    return np.asarray(cv2.remap(sheet, place, deep, cv2.INTER_LINEAR), np.float32)


def _perfused(colour: Colour, pallor: float) -> Colour:
    """Draw blood out of a colour: towards the pale pink of its own brightness."""
    pale = np.array((0.74, 0.55, 0.47))
    mixed = np.array(colour) * (1 - 0.75 * pallor) + 0.75 * pallor * pale
    return float(mixed[0]), float(mixed[1]), float(mixed[2])


def _floor(a: Anatomy, near: Plane, lobes: Plane, lobe_tone: Plane, scale: float,
           rng: np.random.Generator) -> Plane:  # fmt: skip
    """Colour of what lies in the opening."""
    shape = near.shape
    colour = np.empty((*shape, 3), np.float32)
    colour[:] = _perfused(_FLOOR_COLOUR[a.floor], a.pallor)
    mottle = tx.noise(shape, 9 * scale, rng, 3, 0.7)
    broad = tx.noise(shape, 60 * scale, rng, 2)
    colour *= np.maximum(1 + 0.06 * mottle + 0.06 * broad, 0.2)[..., None]
    if a.floor == "gut":
        gut = near > 0
        deep = np.empty_like(colour)
        deep[:] = (0.22, 0.04, 0.03)
        fatty = tx.smoothstep(-0.3, 0.7, tx.noise(shape, 45 * scale, rng, 2))
        deep = tx.mix(deep, _FAT, (0.6 * fatty * (0.4 + 0.6 * lobes)))
        ridge = tx.smoothstep(0.55, 1.0, near) * tx.smoothstep(-1, 1.4, broad)
        colour = tx.mix(colour, (0.70, 0.42, 0.35), (0.5 * ridge).astype(np.float32))
        colour = np.where(gut[..., None], colour, deep).astype(np.float32)
    elif a.floor == "bone":
        pits = tx.smoothstep(0.8, 1.9, tx.noise(shape, 3.2 * scale, rng, 2))
        colour = tx.mix(colour, (0.45, 0.16, 0.12), 0.7 * pits)
        rim = tx.smoothstep(0.5, 1.4, tx.noise(shape, 70 * scale, rng, 3))
        colour = tx.mix(colour, _MUSCLE, 0.85 * rim)
    elif a.floor == "fat":
        colour *= (0.80 + 0.25 * lobe_tone + 0.10 * lobes)[..., None]
        colour = tx.mix(colour, (0.60, 0.27, 0.12), 0.5 * (1 - lobes) ** 2)
    elif a.floor == "fascia":
        strands = tx.noise(shape, (3 * scale, 60 * scale), rng, 3, 0.7)
        colour *= (1 + 0.08 * strands)[..., None]
        red = tx.smoothstep(0.2, 1.6, tx.noise(shape, 50 * scale, rng, 3))
        colour = tx.mix(colour, _MUSCLE, 0.8 * red)
    net = tx.ridges(shape, 20 * scale, rng, max(0.7 * scale, 0.45))
    net = net * tx.smoothstep(0.0, 1.0, tx.noise(shape, 60 * scale, rng))
    strength = 0.12 if a.floor in ("bone", "fat") else 0.4
    return tx.mix(colour, _ARTERY, strength * net)


def draw_opening(
    x: Plane,
    y: Plane,
    a: Anatomy,
    size: tuple[int, int],
    scale: float,
    rng: np.random.Generator,
    margin: float,
) -> Opening:
    """Draw a wound and the skin around it.

    Parameters
    ----------
    x, y : ndarray, (height, width)
        Picture coordinates of the canvas.
    size : (int, int)
        Width and height of the picture.
    scale : float
        Picture width over 1280.
    margin : float
        Canvas beyond the picture, pixels.
    """
    shape = x.shape
    q, u, v = _reach(x, y, a, size, scale, rng)
    start = 0.985 - a.fat
    shelf = start - 0.09
    cavity = 1 - tx.smoothstep(shelf - 0.015, shelf, q)
    fat = tx.smoothstep(0.985, 0.965, q) * tx.smoothstep(start - 0.02, start, q)
    if a.fat < 0.02:
        fat = np.zeros_like(q)
    muscle = tx.smoothstep(start, start - 0.02, q) * (1 - cavity)
    warp = 4.0 * scale
    wx = (u + warp * tx.noise(shape, 18 * scale, rng)).astype(np.float32)
    wy = (v + warp * tx.noise(shape, 18 * scale, rng)).astype(np.float32)
    lobes, lobe_tone = tx.cells(wx, wy, 12.0 * scale, rng)
    fibre = _fibres(q, u, v, scale, rng)

    bumps = scale * (0.22 * tx.noise(shape, 3, rng, 2) + tx.noise(shape, 30, rng))
    lip = 9.0 * scale * np.exp(-(((q - 1.03) / 0.035) ** 2))
    depth = 46.0 * scale
    height = bumps * tx.smoothstep(0.99, 1.02, q) + lip
    height = height - depth * tx.smoothstep(0.0, 0.22, 1.0 - q)
    height = height + fat * scale * (4 * lobes + 1.6 * tx.noise(shape, 16 * scale, rng))
    height = height + muscle * scale * (3 + 2.4 * fibre)
    broad = tx.noise(shape, 70 * scale, rng, 3)
    near = np.zeros_like(q)
    bottom = (-1.35 * depth + 9 * scale * broad).astype(np.float32)
    if a.floor == "gut":
        box = (
            a.centre[0] * size[0] + margin,
            a.centre[1] * size[1] + margin,
            0.8 * a.half_axes[0] * size[1],
            0.8 * a.half_axes[1] * size[1],
        )
        tubes, near = _tubes(shape, scale, rng, box)
        near = near * (tubes > bottom)
        bottom = np.maximum(bottom + 5 * scale * lobes, tubes)
    elif a.floor in ("organ", "bone"):
        dome = np.sqrt(np.maximum(1 - (q / max(shelf, 0.3)) ** 2, 0))
        bottom = bottom + (40 if a.floor == "organ" else 26) * scale * dome
    elif a.floor == "fat":
        bottom = bottom + 5 * scale * lobes
    under = tx.smoothstep(shelf - 0.14, shelf, q)
    bottom = (bottom - 22 * scale * under**2).astype(np.float32)
    height = tx.mix(height.astype(np.float32), bottom, cavity)

    colour = np.empty((*shape, 3), np.float32)
    colour[:] = a.skin
    tone = tx.noise(shape, 60 * scale, rng, 3)
    colour *= (1 + 0.05 * tone)[..., None]
    flush = 0.55 * np.exp(-(((q - 1.02) / 0.05) ** 2))
    angry = np.array(a.skin) * (0.95, 0.72, 0.74)
    colour = tx.mix(colour, angry, flush)
    pores = tx.smoothstep(1.1, 2.2, tx.noise(shape, 1.8 * scale, rng))
    colour = colour * (1 - 0.3 * pores * tx.smoothstep(1.03, 1.1, q))[..., None]
    cut = tx.smoothstep(1.0, 0.985, q)
    inside = tx.mix(colour, _FASCIA, cut)
    fat_colour = np.empty_like(colour)
    fat_colour[:] = _FAT
    fat_colour *= (0.80 + 0.25 * lobe_tone + 0.10 * lobes)[..., None]
    fat_colour = tx.mix(fat_colour, (0.60, 0.27, 0.12), 0.55 * (1 - lobes) ** 2)
    inside = tx.mix(inside, fat_colour, fat)
    meat = np.empty_like(colour)
    meat[:] = _perfused(_MUSCLE, 0.35 * a.pallor)
    meat *= np.maximum(1 + 0.30 * fibre + 0.12 * tone, 0.15)[..., None]
    pale = 0.6 * tx.smoothstep(0.9, 1.9, (fibre + 0.4 * tone).astype(np.float32))
    inside = tx.mix(inside, tx.mix(meat, _FASCIA, pale), muscle)
    inside = tx.mix(inside, _floor(a, near, lobes, lobe_tone, scale, rng), cavity)
    inside = np.minimum(inside * a.tone, 0.86)
    colour = np.where((q < 1)[..., None], inside, colour).astype(np.float32)
    colour = _bleed(colour, q, height, a, scale, rng, (u, v))
    return _light(colour, q, height, cut, cavity, a, shelf, scale, rng)


def _bleed(colour: Plane, q: Plane, height: Plane, a: Anatomy, scale: float,
           rng: np.random.Generator, uv: tuple[Plane, Plane]) -> Plane:  # fmt: skip
    """Film of blood in the hollows, down the edges, smeared over the lip."""
    shape = q.shape
    low = tx.smoothstep(0.5, 4.0, (tx.blur(height, 9 * scale) - height) / scale)
    blotch = tx.smoothstep(0.2, 2.2, tx.noise(shape, 38 * scale, rng, 4, 0.6))
    patches = tx.smoothstep(-0.6, 1.2, tx.noise(shape, 24 * scale, rng, 3, 0.6))
    edge = 0.9 * np.exp(-(((q - 0.995) / 0.024) ** 2)) * patches
    smear = tx.smoothstep(1.16, 0.99, q) * tx.smoothstep(
        0.6, 2.4, tx.noise(shape, 30 * scale, rng, 4, 0.6)
    )
    inside = tx.smoothstep(1.0, 0.98, q)
    film = inside * (0.5 * low + 0.6 * blotch) + edge + 0.8 * smear * (1 - inside)
    around = rng.uniform(0, 2 * np.pi, 70)
    away = 1.0 + np.abs(rng.normal(0, 0.16, 70))
    # drops fall where reach is about `away`; found by the canvas point nearest to it
    span = np.array(shape[::-1]) / SS
    centre = np.array([np.unravel_index(int(np.argmin(q)), shape)[k] for k in (1, 0)])
    radius = np.array([np.ptp(uv[0][q < 1]), np.ptp(uv[1][q < 1])]) / 2
    at = (
        centre / SS
        + np.stack([np.cos(around), np.sin(around)], 1) * radius * (away[:, None])
    )
    at = at[((at > 0) & (at < span)).all(1)]
    film = film + 0.9 * tx.droplets(shape, at, rng) * (1 - inside)
    return tx.stain(colour, np.clip(a.blood * film, 0, 1.8).astype(np.float32))


def _light(colour: Plane, q: Plane, height: Plane, cut: Plane, cavity: Plane,
           a: Anatomy, shelf: float, scale: float,
           rng: np.random.Generator) -> Opening:  # fmt: skip
    """Light the wound; draw its glints apart."""
    shape = q.shape
    fine = scale * (
        0.30 * tx.noise(shape, 2.2, rng, 2, 0.7)
        + 0.7 * tx.noise(shape, 7 * scale, rng, 2)
    )
    surface = (height + 0.55 * fine * cut).astype(np.float32)
    n = tx.normals(tx.blur(surface, 0.5))
    light = tx.diffuse(n, 0.35) * tx.hollows(
        tx.blur(height, 0.8), (4 * scale, 13 * scale, 34 * scale), 0.9
    )
    light *= 0.35 + 0.65 * tx.cast_shadow(height, int(44 * scale) + 6, 5 * scale)
    light *= 1 - 0.35 * tx.smoothstep(-40.0 * scale, -80.0 * scale, height)
    light *= 1 - 0.5 * cavity * tx.smoothstep(shelf - 0.10, shelf, q)
    light = np.clip(light, 0, 1.35)
    glow = cut[..., None] * np.array((0.030, 0.006, 0.005), np.float32)
    wet = cut * (0.35 + 0.65 * cavity)
    sheen = tx.gloss(tx.normals(tx.blur(height + 0.25 * fine, 2 * scale)), 26.0)
    lit = colour * light[..., None] + glow
    lit += (0.07 * wet * np.minimum(sheen, 1.5) * light)[..., None]
    glints = np.zeros((*shape, 2), np.float32)
    rows, columns = np.where(q < 1.0)
    if len(rows):
        cell = np.s_[rows.min() : rows.max() + 1, columns.min() : columns.max() + 1]
        patch = tx.smoothstep(0.2, 1.2, tx.noise(shape, 26 * scale, rng, 2))[cell]
        for phase in range(2):
            own = scale * (
                0.20 * tx.noise(shape, 5.0, rng, 2) + 0.11 * tx.noise(shape, 2.5, rng)
            )
            wavy = (surface + cut * own)[cell].astype(np.float32)
            spark = tx.gloss(tx.normals(tx.blur(wavy, 0.9)), 1400.0, 0.10)
            glints[(*cell, phase)] = (
                2.0 * a.wet * np.minimum(spark, 2) * wet[cell] * (0.05 + 0.95 * patch)
            )
    return Opening(np.maximum(lit, 0).astype(np.float32), glints, q)
