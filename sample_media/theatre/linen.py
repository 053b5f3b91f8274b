"""Drapes of many colours, and neutral sheets: towel, paper, grey card.

Lengths are pixels of a 1280-wide picture times `scale`.
"""

from __future__ import annotations

import numpy as np

from . import textures as tx
from .textures import Plane

__all__ = ["DRAPES", "SHEETS", "drape", "seam", "sheet"]

DRAPES: dict[str, tuple[float, float, float]] = {
    "green": (0.040, 0.155, 0.140),
    "dark green": (0.022, 0.090, 0.070),
    "blue": (0.045, 0.115, 0.260),
    "light blue": (0.120, 0.270, 0.420),
    "teal": (0.035, 0.170, 0.220),
    "white": (0.80, 0.80, 0.80),
}
SHEETS = ("towel", "paper", "card")


def drape(
    x: Plane,
    y: Plane,
    reach: Plane,
    kind: str,
    opening: float,
    scale: float,
    rng: np.random.Generator,
) -> tuple[Plane, Plane]:
    """Draw the drape round its window; return (colour, cover).

    Parameters
    ----------
    kind : str
        One of `DRAPES`; "light blue" and "white" are paper, the rest is woven.
    opening : float
        Reach at which the window ends; 1.1 shows little skin, 1.6 much.
    """
    shape = x.shape
    edge = (reach + 0.012 * tx.noise(shape, 90 * scale, rng)).astype(np.float32)
    cover = tx.smoothstep(opening, opening + 0.012, edge)
    soft = tx.noise(shape, (120 * scale, 210 * scale), rng, 2, 0.4)
    folds = 9.0 * soft
    for down, across in ((95, 260), (230, 85)):
        ridge = tx.noise(shape, (down * scale, across * scale), rng)
        folds = folds + 13.0 * np.exp(-((ridge / 0.40) ** 2))
    folds = folds * (0.25 + 0.75 * tx.smoothstep(opening, opening + 0.3, edge))
    crumple = 0.6 * tx.noise(shape, 22 * scale, rng, 2)
    paper = kind in ("light blue", "white")
    if paper:
        facets = tx.noise(shape, 60 * scale, rng, 3, 0.6)
        crumple = crumple + 3.0 * np.abs(facets)
    hem = np.exp(-(((edge - opening - 0.025) / 0.020) ** 4))
    height = scale * (folds + crumple + 5.0 * hem)
    light = tx.diffuse(tx.normals(height.astype(np.float32)), 0.2)
    light = light * tx.hollows(height.astype(np.float32), (6 * scale, 24 * scale), 0.7)
    shadow = tx.cast_shadow(height.astype(np.float32), int(40 * scale) + 6, 4 * scale)
    light = np.minimum(light * (0.45 + 0.55 * shadow), 1.25)
    colour = np.empty((*shape, 3), np.float32)
    colour[:] = DRAPES[kind]
    if paper:
        grain = 1 + 0.03 * tx.noise(shape, 1.5, rng, 2, 0.8)
    else:
        threads = tx.weave(
            (x * 0.995 + y * 0.10).astype(np.float32),
            (y * 0.995 - x * 0.10).astype(np.float32),
            2.4,
            rng,
        )
        grain = 0.56 + 0.65 * threads
    colour = colour * grain[..., None]
    pool = tx.smoothstep(1.9, 3.0, tx.noise(shape, 34 * scale, rng, 4, 0.6))
    pool = pool * tx.smoothstep(opening + 0.4, opening, edge)
    if paper:
        colour = tx.stain(colour.astype(np.float32), 1.1 * pool)
    else:
        colour = tx.mix(colour, (0.050, 0.012, 0.010), 0.85 * pool)
    return np.asarray(colour * light[..., None], np.float32), cover


def _patch(
    x: Plane, y: Plane, box: tuple[float, float, float, float], turn_deg: float
) -> tuple[Plane, Plane]:
    """Coordinates -1..1 across and down a turned rectangle."""
    c, s = np.cos(np.deg2rad(turn_deg)), np.sin(np.deg2rad(turn_deg))
    dx, dy = x - box[0], y - box[1]
    return (
        np.asarray((dx * c + dy * s) / box[2], np.float32),
        np.asarray((-dx * s + dy * c) / box[3], np.float32),
    )


def sheet(
    x: Plane,
    y: Plane,
    box: tuple[float, float, float, float],
    turn_deg: float,
    kind: str,
    tone: float,
    scale: float,
    rng: np.random.Generator,
) -> tuple[Plane, Plane, Plane]:
    """Draw a neutral sheet; return (colour, cover, shadow).

    Parameters
    ----------
    box : (float, float, float, float)
        Centre x, centre y, half width, half height in picture pixels.
    kind : str
        One of `SHEETS`.
    tone : float
        Reflectance, the same in red, green and blue.
    """
    shape = x.shape
    p, r = _patch(x, y, box, turn_deg)
    wave = 0.004 if kind == "card" else 0.012
    p = (p + wave * tx.noise(shape, 40 * scale, rng)).astype(np.float32)
    r = (r + wave * tx.noise(shape, 40 * scale, rng)).astype(np.float32)
    side = np.maximum(np.abs(p), np.abs(r))
    cover = tx.smoothstep(1.0, 0.985, side)
    height = 5.0 * (1 - np.clip((side - 0.86) / 0.14, 0, 1) ** 2)
    grain = np.ones(shape, np.float32)
    if kind == "towel":
        upper = tx.smoothstep(0.80, 0.76, p) * tx.smoothstep(0.93, 0.88, r)
        height = height + 5.0 * upper + 1.5 * tx.noise(shape, 50 * scale, rng, 2)
        threads = tx.weave(p * box[2], r * box[3], 2.2, rng, 0.25)
        grain = 0.86 + 0.18 * threads
    elif kind == "paper":
        crumple = np.abs(tx.noise(shape, 70 * scale, rng, 3, 0.55))
        height = height + 7.0 * crumple
    n = tx.normals((scale * height).astype(np.float32))
    light = np.minimum(tx.diffuse(n, 0.3), 1.2)
    colour = np.repeat((tone * grain * light)[..., None], 3, -1).astype(np.float32)
    under = np.roll(side, (int(14 * scale), int(12 * scale)), (0, 1))
    shadow = tx.blur(tx.smoothstep(1.05, 0.97, under), 5 * scale)
    return colour, cover, shadow


def seam(x: Plane, y: Plane, at: tuple[float, float, float], half_px: float) -> Plane:
    """Cover of a straight white tape through a point; `at` is x, y, turn in degrees."""
    t = np.deg2rad(at[2])
    off = np.abs(-(x - at[0]) * np.sin(t) + (y - at[1]) * np.cos(t))
    return tx.smoothstep(half_px + 0.5, half_px - 0.5, off.astype(np.float32))
