"""Things made of thread: the drape, the grey towel, gauze swabs."""

from __future__ import annotations

import numpy as np

from . import textures as tx
from .textures import Plane

_GREEN = (0.038, 0.150, 0.146)
_TOWEL = 0.60


def drape(x: Plane, y: Plane, reach: Plane) -> tuple[Plane, Plane]:
    """Draw the drape; return (colour, cover).

    Parameters
    ----------
    x, y : ndarray, (height, width)
        Picture coordinates of the canvas.
    reach : ndarray, (height, width)
        The wound's `reach`; the window in the drape follows it.

    Returns
    -------
    colour : ndarray, (height, width, 3)
        Reflected linear light under a lamp of 1.
    cover : ndarray, (height, width)
        1 where the drape lies, 0 in its window.
    """
    shape = x.shape
    rng = tx.generator("drape")
    edge = reach + 0.010 * tx.noise(shape, 90, rng)
    cover = tx.smoothstep(1.183, 1.187, edge)
    # folds: long soft ridges, drawn towards the window, plus a few sharp creases
    soft = tx.noise(shape, (120, 210), rng, 2, 0.4)
    ridge = tx.noise(shape, (95, 260), rng, 1)
    folds = 9.0 * soft + 16.0 * np.exp(-((ridge / 0.42) ** 2))
    ridge2 = tx.noise(shape, (230, 85), rng, 1)
    folds += 11.0 * np.exp(-(((ridge2 - 0.5) / 0.35) ** 2))
    folds *= 0.25 + 0.75 * tx.smoothstep(1.2, 1.5, edge)
    crumple = 0.5 * tx.noise(shape, 22, rng, 2)
    hem = np.exp(-(((edge - 1.205) / 0.020) ** 4))
    height = (folds + crumple + 5.0 * hem).astype(np.float32)
    wobble = 1.2 * tx.noise(shape, 60, rng)
    threads = tx.weave(
        (x * 0.995 + y * 0.10 + wobble).astype(np.float32),
        (y * 0.995 - x * 0.10 + wobble).astype(np.float32),
        2.6,
        rng,
    )
    n = tx.normals(height)
    light = tx.diffuse(n, 0.15) * tx.hollows(height, (6.0, 24.0), 0.7)
    light *= 0.45 + 0.55 * tx.cast_shadow(height, 40, 4.0)
    colour = np.empty((*shape, 3), np.float32)
    colour[:] = _GREEN
    slub = tx.noise(shape, (1.4, 26), rng) + tx.noise(shape, (26, 1.4), rng)
    colour *= (0.50 + 0.72 * threads + 0.035 * slub)[..., None]
    # run of stitches along the hem
    stitch = np.exp(-(((edge - 1.228) / 0.0035) ** 2))
    dash = (np.sin((x * 0.8 + y * 0.9) / 2.2) > -0.2).astype(np.float32)
    colour = tx.mix(
        colour, (0.10, 0.30, 0.28), (0.8 * stitch * dash).astype(np.float32)
    )
    # a few drops of blood have soaked in near the window
    span = np.array([x.max() - x.min(), y.max() - y.min()])
    at = span / 2 + rng.normal(0, (0.24, 0.27), (110, 2)) * span
    soaked = tx.droplets(shape, at, rng)
    pool = tx.smoothstep(2.0, 3.0, tx.noise(shape, 34, rng, 4, 0.6))
    soaked = soaked + pool * tx.smoothstep(1.5, 1.22, edge)
    # on green cloth blood looks nearly black, a little brown
    colour = tx.mix(colour, (0.050, 0.012, 0.010), np.clip(0.85 * soaked, 0, 0.88))
    return np.asarray(colour * light[..., None], np.float32), cover


def _patch(
    x: Plane, y: Plane, box: tuple[float, float, float, float], turn: float
) -> tuple[Plane, Plane]:
    """Coordinates of a turned rectangle: -1..1 across and down the `box`."""
    cx, cy, half_w, half_h = box
    c, s = np.cos(turn), np.sin(turn)
    dx, dy = x - cx, y - cy
    return (
        np.asarray((dx * c + dy * s) / half_w, np.float32),
        np.asarray((-dx * s + dy * c) / half_h, np.float32),
    )


def towel(
    x: Plane, y: Plane, box: tuple[float, float, float, float]
) -> tuple[Plane, Plane, Plane]:
    """Draw the folded grey-white towel; return (colour, cover, shadow).

    It is the neutral object of every take: equal reflectance in red, green and blue
    wherever it is lit, so the white balance can be read from it.
    """
    shape = x.shape
    rng = tx.generator("towel")
    p, r = _patch(x, y, box, np.deg2rad(-3.0))
    p = (p + 0.006 * tx.noise(shape, 40, rng)).astype(np.float32)
    r = (r + 0.008 * tx.noise(shape, 40, rng)).astype(np.float32)
    side = np.maximum(np.abs(p) ** 1.0, np.abs(r))
    cover = tx.smoothstep(1.0, 0.992, side)
    u, v = p * box[2], r * box[3]
    # two layers: the upper stops short on the right, its fold is rounded
    upper = tx.smoothstep(0.80, 0.76, p) * tx.smoothstep(0.93, 0.88, r)
    rounded = 6.0 * (1 - np.clip((side - 0.86) / 0.14, 0, 1) ** 2)
    height = rounded + 5.0 * upper + 0.8 * tx.noise(shape, 50, rng, 2)
    pique = np.sin(u * np.pi / 4.0) * np.sin(v * np.pi / 4.0)
    threads = tx.weave(u, v, 2.2, rng, 0.25)
    height = (height + 0.22 * pique).astype(np.float32)
    light = tx.diffuse(tx.normals(height), 0.3) * tx.hollows(height, (3.0, 10.0), 0.5)
    tone = _TOWEL * (0.86 + 0.20 * threads + 0.03 * pique)
    stripe = np.exp(-(((np.abs(v) - box[3] * 0.80) / 3.0) ** 4)) * upper
    tone = tone * (1 - 0.22 * stripe)
    colour = np.repeat((tone * light)[..., None], 3, axis=-1).astype(np.float32)
    shadow = tx.blur(tx.smoothstep(1.06, 0.98, _shift(side, 7, 9)), 5.0)
    return colour, cover, shadow


def _shift(plane: Plane, right: int, down: int) -> Plane:
    """Move a plane by whole picture pixels (edges wrap; used far from them)."""
    s = tx.SS
    return np.roll(plane, (down * s, right * s), axis=(0, 1))


def swab(
    x: Plane,
    y: Plane,
    box: tuple[float, float, float, float],
    turn_deg: float,
    name: str,
    blood: float = 0.0,
    damp: float = 0.0,
) -> tuple[Plane, Plane, Plane]:
    """Draw a folded gauze swab; return (colour, cover, shadow).

    Parameters
    ----------
    box : (float, float, float, float)
        Centre x, centre y, half width, half height in picture pixels.
    turn_deg : float
        Turn against the picture, degrees.
    name : str
        Which swab; gives it creases of its own.
    blood : float
        Share of the swab that has soaked up blood, 0..1.
    damp : float
        0 dry, 1 soaked with saline: wet cotton is darker.
    """
    shape = x.shape
    rng = tx.generator("swab " + name)
    # wet cotton is limp: its outline wanders, it sinks into what lies below
    limp = 0.020 + 0.045 * damp
    wave = limp * tx.noise(shape, 45, rng, 2)
    p, r = _patch(x, y, box, np.deg2rad(turn_deg))
    p = (p + wave).astype(np.float32)
    r = (r + 1.3 * limp * tx.noise(shape, 45, rng, 2)).astype(np.float32)
    side = np.maximum(np.abs(p), np.abs(r))
    fray = 0.010 * tx.noise(shape, 2.0, rng)
    cover = tx.smoothstep(1.0, 0.985, side + fray)
    u, v = p * box[2], r * box[3]
    # layers stop short of one another, each fold is rounded; cloth lies wavy
    second = tx.smoothstep(0.55, 0.53, p + 0.05 * tx.noise(shape, 70, rng))
    third = tx.smoothstep(0.30, 0.28, r + 0.04 * tx.noise(shape, 70, rng))
    puff = 11.0 * (1 - np.clip(side, 0, 1) ** 5)
    height = puff + 2.2 * second + 2.0 * third + 2.6 * tx.noise(shape, 34, rng, 3, 0.5)
    height += damp * 4.5 * tx.noise(shape, 30, rng, 2)
    crease = tx.ridges(shape, 90, rng, 3.0)
    height = (height - 2.2 * crease).astype(np.float32)
    drift = 1.4 * tx.noise(shape, 24, rng)
    mesh = tx.weave(
        (u + drift).astype(np.float32), (v - drift).astype(np.float32), 3.4, rng
    )
    under = tx.weave(
        (u * 0.97 + v * 0.09 + drift).astype(np.float32),
        (v * 0.97 - u * 0.09 - drift).astype(np.float32),
        3.4,
        rng,
    )
    # an open weave: between the threads the next layer shows, a little darker
    cloth = np.maximum(np.clip(mesh, 0, 1), 0.80 * np.clip(under, 0, 1))
    n = tx.normals(tx.blur((height + 0.25 * mesh).astype(np.float32), 0.6))
    light = tx.diffuse(n, 0.45) * tx.hollows(tx.blur(height, 1.0), (4.0, 14.0), 0.6)
    tone = ((0.60 + 0.27 * cloth) * (1 - 0.42 * damp)).astype(np.float32)
    colour = np.empty((*shape, 3), np.float32)
    colour[:] = (1.0, 0.985, 0.965)  # cotton is a touch warm
    colour *= tone[..., None]
    if blood > 0:
        field = tx.noise(shape, 80, rng, 5, 0.6) + 0.8 * r
        level = float(np.quantile(field[cover > 0.5], 1 - blood))
        density = 1.25 * tx.smoothstep(level - 0.75, level + 1.1, field)
        density += 0.16 * tx.smoothstep(level - 1.6, level, field)
        # it wicks along the threads and lies deeper between them
        density *= 1.15 - 0.35 * cloth
        colour = tx.stain(colour, density.astype(np.float32))
    shadow = tx.blur(tx.smoothstep(1.05, 0.97, _shift(side, 8, 10)), 6.0)
    return np.asarray(colour * light[..., None], np.float32), cover, shadow
