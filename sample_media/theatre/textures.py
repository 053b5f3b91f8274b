"""Procedural surfaces: noise, cloth, normals, light.

Lengths are pixels of the finished 1280x720 picture; the canvas is drawn `SS` times
finer and sampled down by the camera, so that threads and edges do not alias.
"""

from __future__ import annotations

import zlib
from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

RANDOM_STATE = 20251
"""The only source of chance in the sample media."""

SS = 2
"""Canvas samples per picture pixel, each way."""

Plane: TypeAlias = NDArray[np.float32]
Floats: TypeAlias = NDArray[np.floating]

_LIGHTS = (
    # direction towards the lamp head (x right, y down, z to the camera), weight
    ((-0.42, -0.52, 1.0), 0.62),
    ((0.55, 0.25, 1.0), 0.24),
    ((-0.1, 0.6, 1.0), 0.14),
)


def generator(name: str, index: int = 0) -> np.random.Generator:
    """Return a random generator that depends on `name` and `index` alone.

    Each part of the picture draws from its own generator, so adding a part leaves
    every other part as it was.
    """
    return np.random.default_rng([RANDOM_STATE, zlib.crc32(name.encode()), index])


def smoothstep(low: float, high: float, value: Plane) -> Plane:
    """Return 0 below `low`, 1 above `high`, a smooth ramp between."""
    t = np.clip((value - low) / (high - low), 0.0, 1.0)
    return np.asarray(t * t * (3.0 - 2.0 * t), np.float32)


def mix(a: Floats, b: Floats | tuple[float, float, float], share: Floats) -> Plane:
    """Return `a` with `share` (height, width) of it replaced by `b`."""
    colour = np.asarray(b, np.float32)
    weight = share[..., None] if a.ndim == 3 else share
    return np.asarray(a + (colour - a) * weight, np.float32)


def blur(plane: Floats, sigma: float) -> Plane:
    """Gaussian blur; `sigma` in picture pixels."""
    s = sigma * SS
    if s > 12:  # wide blurs are done small: same result to the eye, far quicker
        step = int(s // 4)
        h, w = plane.shape[:2]
        small = cv2.resize(
            plane, (max(w // step, 4), max(h // step, 4)), interpolation=cv2.INTER_AREA
        )
        small = cv2.GaussianBlur(small, (0, 0), s / step)
        wide = cv2.resize(small, (w, h), interpolation=cv2.INTER_CUBIC)
        return np.asarray(wide, np.float32)
    return np.asarray(cv2.GaussianBlur(plane, (0, 0), s), np.float32)


def noise(
    shape: tuple[int, int],
    scale: float | tuple[float, float],
    rng: np.random.Generator,
    octaves: int = 1,
    fall: float = 0.5,
) -> Plane:
    """Return smooth noise of about zero mean and unit standard deviation.

    Parameters
    ----------
    shape : (int, int)
        Canvas size in samples.
    scale : float or (float, float)
        Feature size in picture pixels, one figure or (down, across).
    rng : numpy.random.Generator
        Source of chance.
    octaves : int
        Number of scales, each half the last.
    fall : float
        Amplitude of each octave relative to the last.
    """
    down, across = scale if isinstance(scale, tuple) else (scale, scale)
    h, w = shape
    total = np.zeros(shape, np.float32)
    amplitude = 1.0
    for _ in range(octaves):
        sy, sx = max(down * SS, 1.0), max(across * SS, 1.0)
        grid = rng.standard_normal((int(h / sy) + 4, int(w / sx) + 4), np.float32)
        big = cv2.resize(
            grid,
            (int(grid.shape[1] * sx), int(grid.shape[0] * sy)),
            interpolation=cv2.INTER_CUBIC,
        )
        oy, ox = int(sy), int(sx)
        total += amplitude * big[oy : oy + h, ox : ox + w]
        amplitude *= fall
        down, across = down / 2, across / 2
    return np.asarray(total / total.std(), np.float32)


def stain(colour: Plane, density: Plane) -> Plane:
    """Return `colour` under a film of blood (Beer-Lambert).

    Thin films come out pink, thick ones dark red, with every step between; 1 is
    about a quarter of a millimetre (by eye, no source).
    """
    passed = np.exp(-density[..., None] * np.array((1.05, 3.9, 3.6), np.float32))
    return np.asarray(colour * passed + 0.004 * (1 - passed), np.float32)


def droplets(
    shape: tuple[int, int], at: NDArray[np.float64], rng: np.random.Generator
) -> Plane:
    """Density of splashed drops at the canvas points `at` (count, 2), in pixels.

    Most are small; each is a little long and has a darker rim, as drops dry.
    """
    drops = np.zeros(shape, np.float32)
    for px, py in at:
        radius = float(min(rng.lognormal(0.35, 0.7), 6.0))
        axes = (round(radius * SS * 16), round(radius * SS * 16 * rng.uniform(0.6, 1)))
        centre = (round(px * SS * 16), round(py * SS * 16))
        turn = float(rng.uniform(0, 180))
        depth = float(rng.uniform(0.5, 1.1))
        cv2.ellipse(drops, centre, axes, turn, 0, 360, depth, -1, cv2.LINE_AA, 4)
    soft = blur(drops, 0.7)
    return np.asarray(soft + 0.5 * np.maximum(soft - blur(drops, 2.0), 0), np.float32)


def ridges(
    shape: tuple[int, int], scale: float, rng: np.random.Generator, width: float
) -> Plane:
    """Return a net of thin lines (1 on a line, 0 off it), like capillaries."""
    n = noise(shape, scale, rng, 2, 0.45)
    slope = np.hypot(*np.gradient(n)) * SS + 1e-3
    distance = np.abs(n) / slope  # about the distance to the line in pixels
    return np.asarray(np.exp(-((distance / width) ** 2)), np.float32)


def cells(
    x: Plane, y: Plane, size: float, rng: np.random.Generator
) -> tuple[Plane, Plane]:
    """Return (dome, tone) of a packing of lobules about `size` pixels wide.

    dome is 0 at the seams and about 1 in the middle; tone is one random figure in
    0..1 for each lobule. `x`, `y` are the coordinates to look up, so a warped pair
    gives warped lobules.
    """
    x0, x1, y0, y1 = x.min(), x.max(), y.min(), y.max()
    count = int((x1 - x0) * (y1 - y0) / size**2) + 8
    points = rng.uniform((x0, y0), (x1, y1), (count, 2))
    tones = rng.uniform(0, 1, count).astype(np.float32)
    # nearest two points on every second sample is plenty for rounded lobules
    sub = np.stack([x[::SS, ::SS].ravel(), y[::SS, ::SS].ravel()], 1)
    found = cKDTree(points).query(sub, k=2)
    dist, index = np.asarray(found[0]), np.asarray(found[1])
    small = (x[::SS, ::SS]).shape
    dome = np.clip((dist[:, 1] - dist[:, 0]) / size * 1.6, 0, 1).reshape(small)
    dome = (np.sin(dome * np.pi / 2) ** 0.8).astype(np.float32)
    tone = tones[index[:, 0]].reshape(small)
    size_out = (x.shape[1], x.shape[0])
    return (
        np.asarray(cv2.resize(dome, size_out), np.float32),
        np.asarray(cv2.resize(tone, size_out), np.float32),
    )


def normals(height: Plane) -> Plane:
    """Return unit normals (height, width, 3) of a height field in pixels."""
    gy, gx = np.gradient(height * SS)
    n = np.stack([-gx, -gy, np.ones_like(gx)], -1).astype(np.float32)
    n /= np.linalg.norm(n, axis=-1, keepdims=True)
    return np.asarray(n, np.float32)


def diffuse(n: Plane, wrap: float = 0.25) -> Plane:
    """Light on a matt surface under the lamp heads; 1 where it lies flat.

    `wrap` lets light creep round edges, as it does in wet tissue and cloth.
    """
    total = np.zeros(n.shape[:2], np.float32)
    for direction, weight in _LIGHTS:
        d = np.array(direction, np.float32)
        d /= np.linalg.norm(d)
        lit = (n @ d + wrap) / (d[2] + wrap)
        total += weight * np.maximum(lit, 0.0)
    return total


def gloss(n: Plane, exponent: float, spread: float = 0.0) -> Plane:
    """Mirror light of the lamp heads; 1 where a facet mirrors a head fully.

    With `spread` each head is a ring of six small lamps, which is what breaks the
    glints of a theatre lamp into clusters.
    """
    total = np.zeros(n.shape[:2], np.float32)
    ring = np.arange(6) * np.pi / 3 if spread else np.zeros(1)
    for (dx, dy, dz), weight in _LIGHTS:
        for angle in ring:
            d = np.array(
                (dx + spread * np.cos(angle), dy + spread * np.sin(angle), dz),
                np.float32,
            )
            half = d / np.linalg.norm(d) + np.array((0, 0, 1), np.float32)
            half /= np.linalg.norm(half)
            # a narrow power of a cosine is an exponential, which is far quicker
            total += np.float32(weight) * np.exp(
                np.float32(exponent) * (n @ half - np.float32(1.0))
            )
    return np.asarray(total / 0.62, np.float32)


def hollows(height: Plane, scales: tuple[float, ...], depth: float) -> Plane:
    """Darkening of hollows (1 open, towards 0 shut in): ambient occlusion."""
    open_sky = np.ones_like(height)
    for scale in scales:
        below = (blur(height, scale) - height) / scale
        open_sky *= np.exp(-depth * np.maximum(below, 0.0))
    return open_sky


def cast_shadow(height: Plane, reach: int = 44, softness: float = 5.0) -> Plane:
    """Shadow thrown by the main lamp head over a height field (1 lit, 0 dark)."""
    (dx, dy, dz), _ = _LIGHTS[0]
    flat = float(np.hypot(dx, dy))
    over = np.full_like(height, -1e3)
    h, w = height.shape
    for step in range(2, reach, 3):
        move = np.array(
            [[1, 0, -dx / flat * step * SS], [0, 1, -dy / flat * step * SS]],
            np.float32,
        )
        shifted = cv2.warpAffine(
            height,
            move,
            (w, h),
            flags=cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        over = np.maximum(over, shifted - height - step * dz / flat * 0.55)
    return blur(1.0 - smoothstep(-softness, softness, over), 1.5)


def weave(
    x: Plane, y: Plane, period: float, rng: np.random.Generator, uneven: float = 0.35
) -> Plane:
    """Plain weave, about 0..1: warp over weft by turns, no two threads alike."""
    warp = np.floor(x / period).astype(np.int64)
    weft = np.floor(y / period).astype(np.int64)
    fx = (x / period - warp - 0.5).astype(np.float32)
    fy = (y / period - weft - 0.5).astype(np.float32)
    over = ((warp + weft) & 1).astype(np.float32)
    table = rng.normal(0.0, uneven, (2, 2048)).astype(np.float32)
    tx, ty = table[0][warp & 2047], table[1][weft & 2047]
    along = np.where(over > 0, fx, fy)
    across = np.where(over > 0, fy, fx)
    thread = np.where(over > 0, tx, ty)
    round_top = 1.0 - 3.2 * along**2
    dip = 1.0 - 1.3 * across**2
    return np.asarray(
        np.clip(round_top * dip * (0.85 + thread * 0.5), 0, 1.4), np.float32
    )
