"""The wound: skin, fat, muscle, bowel, spleen, vessels and blood."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.spatial import cKDTree

from . import textures as tx
from .textures import SS, Plane

CENTRE = (690.0, 352.0)
HALF_AXES = (352.0, 222.0)
TILT = np.deg2rad(-7.0)

MARGIN = 16.0
"""Canvas beyond the picture on every side, in pixels."""

_SKIN = (0.56, 0.355, 0.285)
_FAT = (0.74, 0.53, 0.25)
_FASCIA = (0.66, 0.47, 0.42)
_MUSCLE = (0.36, 0.075, 0.06)
_BOWEL = (0.60, 0.245, 0.205)
_SPLEEN = (0.17, 0.030, 0.040)
_FLOOR = (0.20, 0.035, 0.028)
_VEIN = (0.20, 0.020, 0.035)
_ARTERY = (0.42, 0.035, 0.030)
_BLOOD = (0.21, 0.008, 0.006)


@dataclass(slots=True, eq=False)
class Wound:
    """A drawn wound on the canvas.

    Attributes
    ----------
    colour : ndarray, (height, width, 3)
        Reflected linear light under a lamp of 1, without glints.
    glints : ndarray, (height, width, 3)
        Three phases of the wet glints, one a channel; mixed over time they flicker.
    reach : ndarray, (height, width)
        1 on the incision line, below 1 inside, above 1 outside.
    height : ndarray, (height, width)
        Height in pixels over the skin.
    pulse : ndarray, (height, width, 2)
        Shift in pixels (x, y) at the height of a heart beat.
    """

    colour: Plane
    glints: Plane
    reach: Plane
    height: Plane
    pulse: Plane


@dataclass(frozen=True, slots=True)
class _Loop:
    """One loop of bowel: its middle line (wound pixels), half width, lift."""

    points: tuple[tuple[float, float], ...]
    radius: float
    lift: float


_LOOPS = (
    _Loop(((-60, 178), (0, 138), (90, 100), (170, 92), (300, 120)), 50, -14),
    _Loop(((-300, -40), (-205, -72), (-110, -98), (-20, -150), (20, -210)), 50, -10),
    _Loop(((60, -190), (120, -128), (205, -95), (300, -110)), 44, -16),
    _Loop(
        (
            (-310, 118),
            (-215, 88),
            (-140, 78),
            (-50, 48),
            (10, -22),
            (75, -62),
            (150, -38),
            (215, 6),
            (310, 20),
        ),
        51,
        0,
    ),
)


def wound_coordinates(x: Plane, y: Plane) -> tuple[Plane, Plane]:
    """Turn picture pixels into pixels along and across the incision."""
    dx, dy = x - CENTRE[0], y - CENTRE[1]
    c, s = np.cos(TILT), np.sin(TILT)
    return (
        np.asarray(dx * c + dy * s, np.float32),
        np.asarray(-dx * s + dy * c, np.float32),
    )


def reach(x: Plane, y: Plane) -> Plane:
    """Return 1 on the incision line, less inside, more outside."""
    u, v = wound_coordinates(x, y)
    a, b = HALF_AXES
    q = (np.abs(u / a) ** 2.0 + np.abs(v / b) ** 1.9) ** 0.5
    rng = tx.generator("reach")
    wobble = tx.noise(x.shape, 120, rng, 2) * 0.020 + tx.noise(x.shape, 22, rng) * 0.006
    return np.asarray(q + wobble, np.float32)


def _branch(
    canvas: Plane,
    start: tuple[float, float],
    heading: float,
    width: float,
    length: float,
    rng: np.random.Generator,
    depth: int,
) -> None:
    """Draw one vessel as a wandering line that forks `depth` times."""
    px, py = start
    steps = max(int(length / 5), 2)
    turn = 0.0
    for i in range(steps):
        turn = 0.75 * turn + float(rng.normal(0, 0.10))
        heading += turn
        nx, ny = px + 5 * np.cos(heading), py + 5 * np.sin(heading)
        w = width * (1 - 0.45 * i / steps)
        cv2.line(
            canvas,
            (round(px * SS * 16), round(py * SS * 16)),
            (round(nx * SS * 16), round(ny * SS * 16)),
            min(1.0, 0.35 + w * 0.35),
            max(1, round(w * SS)),
            cv2.LINE_AA,
            4,
        )
        px, py = nx, ny
        if depth and i and rng.random() < 0.11:
            side = float(rng.choice((-1.0, 1.0))) * float(rng.uniform(0.5, 0.95))
            _branch(
                canvas,
                (px, py),
                heading + side,
                w * 0.62,
                length * float(rng.uniform(0.35, 0.6)),
                rng,
                depth - 1,
            )


def _loop_fields(
    loop: _Loop, u: Plane, v: Plane
) -> tuple[Plane, Plane, Plane, NDArray[np.float64]]:
    """Distance to the middle line, place along it, side of it, and the line."""
    pts = np.array(loop.points, np.float64)
    chord = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(pts, axis=0).T))])
    fine = np.linspace(0, chord[-1], 700)
    line = CubicSpline(chord, pts)(fine)
    # nearest sample of the line, on a coarse grid: fields are smooth
    step = 2
    small = np.stack([u[::step, ::step], v[::step, ::step]], -1)
    found = cKDTree(line).query(
        small.reshape(-1, 2), distance_upper_bound=loop.radius + 16
    )
    dist = np.asarray(found[0], np.float64)
    index = np.minimum(np.asarray(found[1]), len(line) - 1)
    shape = small.shape[:2]
    tangent = np.gradient(line, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
    offset = small.reshape(-1, 2) - line[index]
    side = tangent[index, 0] * offset[:, 1] - tangent[index, 1] * offset[:, 0]
    out = (u.shape[1], u.shape[0])

    def grow(field: NDArray[np.float64]) -> Plane:
        finite = np.where(np.isfinite(field), field, 1e3).reshape(shape)
        return np.asarray(cv2.resize(finite.astype(np.float32), out), np.float32)

    return grow(dist), grow(fine[index]), grow(side), line


def _bowel(
    u: Plane, v: Plane, floor: Plane
) -> tuple[Plane, Plane, Plane, Plane, Plane]:
    """Lay the loops; return height, which loop (0 none), along, across, vessels."""
    height = floor.copy()
    which = np.zeros_like(u)
    along, across = np.zeros_like(u), np.zeros_like(u)
    vessels = np.zeros_like(u)
    c, s = np.cos(TILT), np.sin(TILT)
    for number, loop in enumerate(_LOOPS, 1):
        rng = tx.generator("bowel", number)
        dist, place, side, line = _loop_fields(loop, u, v)
        swell = 1 + 0.045 * np.sin(place / 31 + number) + 0.03 * np.sin(place / 11.7)
        swell *= 1 + 0.02 * tx.noise(u.shape, 30, rng)
        radius = loop.radius * swell
        inside = np.maximum(1 - (dist / radius) ** 2, 0)
        tube = -62 + loop.lift + 1.05 * radius * np.sqrt(inside)
        take = (dist < radius) & (tube > height)
        height = np.where(take, tube, height).astype(np.float32)
        which[take] = number
        along[take], across[take] = place[take], (side / radius)[take]
        # vessels come off one border and run round the gut
        own = np.zeros_like(u)
        tangent = np.gradient(line, axis=0)
        border = 1.0 if number % 2 else -1.0
        for i in range(8, len(line) - 8, 15):
            t = np.arctan2(tangent[i, 1], tangent[i, 0])
            edge = t + border * np.pi / 2
            at = line[i] + 0.98 * loop.radius * np.array([np.cos(edge), np.sin(edge)])
            gx = CENTRE[0] + at[0] * c - at[1] * s
            gy = CENTRE[1] + at[0] * s + at[1] * c
            aim = edge + np.pi + TILT + float(rng.normal(0, 0.35))
            _branch(
                own,
                (gx + MARGIN, gy + MARGIN),
                aim,
                float(rng.choice((0.5, 0.8, 1.2, 1.9))),
                loop.radius * float(rng.uniform(0.6, 1.6)),
                rng,
                3,
            )
        vessels = np.where(take, own, vessels * (~take))
    return height, which, along, across, np.asarray(vessels, np.float32)


def draw_wound(x: Plane, y: Plane) -> Wound:
    """Draw the wound on the canvas whose picture coordinates are `x`, `y`."""
    shape = x.shape
    u, v = wound_coordinates(x, y)
    q = reach(x, y)
    rng = tx.generator("wound")
    inside_cavity = 1 - tx.smoothstep(0.775, 0.79, q + 0.004 * tx.noise(shape, 40, rng))

    # --- height: skin, everted lip, fat, muscle shelf, floor
    warp = 4.0
    wx = (u + warp * tx.noise(shape, 18, rng)).astype(np.float32)
    wy = (v + warp * tx.noise(shape, 18, rng)).astype(np.float32)
    lobes, lobe_tone = tx.cells(wx, wy, 9.5, rng)
    skin_bumps = 0.22 * tx.noise(shape, 3.0, rng, 2) + 0.9 * tx.noise(shape, 30, rng)
    lip = 9.0 * np.exp(-(((q - 1.035) / 0.035) ** 2))
    wall = -46.0 * tx.smoothstep(0.0, 0.22, 1.0 - q)
    fat = tx.smoothstep(0.985, 0.965, q) * tx.smoothstep(0.865, 0.89, q)
    muscle = tx.smoothstep(0.885, 0.865, q) * (1 - inside_cavity)
    height = (skin_bumps * tx.smoothstep(0.99, 1.02, q) + lip + wall).astype(np.float32)
    height += fat * (3.6 * lobes - 1.0 + 1.6 * tx.noise(shape, 16, rng, 2))
    angle = np.arctan2(v / HALF_AXES[1], u / HALF_AXES[0]).astype(np.float32)
    fibre = _fibres(angle, q, rng)
    height += muscle * (3.0 + 2.4 * fibre)
    floor = (-64 + 5 * tx.noise(shape, 26, rng, 2)).astype(np.float32)
    mesentery, mesentery_tone = tx.cells(wx * 0.9, wy * 0.9, 15.0, rng)
    floor += 5.0 * mesentery
    tubes, which, along, across, vessels = _bowel(u, v, floor)
    spleen_d = (((u - 150) / 150) ** 2 + ((v - 152) / 62) ** 2).astype(np.float32)
    spleen_d += 0.05 * tx.noise(shape, 60, rng)
    spleen_h = -60 + 44 * np.sqrt(np.maximum(1 - spleen_d, 0))
    spleen = (spleen_d < 1) & (spleen_h > tubes) & (q < 0.8)
    cavity_h = np.where(spleen, spleen_h, tubes)
    # everything dives below the wound edge, or it would look cut off there
    under = tx.smoothstep(0.64, 0.80, q)
    cavity_h = cavity_h - 26.0 * under**2
    height = tx.mix(height, cavity_h.astype(np.float32), inside_cavity)
    gut = (which > 0) & ~spleen

    # --- colour
    colour = np.empty((*shape, 3), np.float32)
    colour[:] = _SKIN
    tone = tx.noise(shape, 60, rng, 3)
    colour *= (1 + 0.045 * tone)[..., None]
    colour = tx.mix(
        colour, (0.55, 0.27, 0.24), 0.55 * np.exp(-(((q - 1.02) / 0.05) ** 2))
    )
    pores = tx.smoothstep(1.1, 2.2, tx.noise(shape, 1.6, rng))
    colour = tx.mix(
        colour, (0.22, 0.14, 0.12), 0.55 * pores * tx.smoothstep(1.03, 1.1, q)
    )
    cut = tx.smoothstep(1.0, 0.985, q)
    colour = tx.mix(colour, _FASCIA, cut)
    fat_colour = np.empty_like(colour)
    fat_colour[:] = _FAT
    fat_colour *= (0.80 + 0.25 * lobe_tone + 0.10 * lobes)[..., None]
    fat_colour = tx.mix(fat_colour, (0.60, 0.27, 0.12), (0.55 * (1 - lobes) ** 2))
    colour = tx.mix(colour, fat_colour, fat)
    muscle_colour = np.empty_like(colour)
    muscle_colour[:] = _MUSCLE
    muscle_colour *= (1 + 0.30 * fibre + 0.12 * tone)[..., None]
    pale = tx.smoothstep(0.9, 1.9, fibre + 0.4 * tone)
    muscle_colour = tx.mix(muscle_colour, _FASCIA, 0.6 * pale)
    colour = tx.mix(colour, np.maximum(muscle_colour, 0.01), muscle)

    floor_colour = np.empty_like(colour)
    floor_colour[:] = _FLOOR
    yellow = tx.smoothstep(-0.3, 0.7, tx.noise(shape, 45, rng, 2)) * (
        0.35 + 0.65 * mesentery
    )
    fat_tone = (0.6 + 0.4 * mesentery_tone)[..., None] * np.array(_FAT, np.float32)
    floor_colour = tx.mix(floor_colour, fat_tone.astype(np.float32), 0.75 * yellow)
    gut_colour = _gut_colour(shape, which, along, across, vessels, rng)
    cavity = np.where(gut[..., None], gut_colour, floor_colour)
    spleen_colour = np.empty_like(colour)
    spleen_colour[:] = _SPLEEN
    mottle = tx.noise(shape, 7, rng, 3, 0.7)
    spleen_colour *= np.maximum(1 + 0.22 * mottle, 0.2)[..., None]
    cavity = np.where(spleen[..., None], spleen_colour, cavity).astype(np.float32)
    colour = tx.mix(colour, cavity, inside_cavity)
    colour = _bleed(colour, q, height, rng)

    # --- light
    fine = 0.30 * tx.noise(shape, 2.2, rng, 2, 0.7) + 0.55 * tx.noise(
        shape, 7.0, rng, 2
    )
    ripple = np.where(gut, 0.30 * np.sin(along / 2.4 + 2 * tx.noise(shape, 25, rng)), 0)
    surface = (height + (0.55 * fine + ripple) * cut).astype(np.float32)
    n = tx.normals(tx.blur(surface, 0.5))
    light = tx.diffuse(n, 0.35) * tx.hollows(
        tx.blur(height, 0.8), (4.0, 13.0, 34.0), 0.95
    )
    light *= 0.30 + 0.70 * tx.cast_shadow(height)
    deep = tx.smoothstep(-30.0, -72.0, height)
    light *= 1 - 0.45 * deep
    light *= 1 - 0.72 * inside_cavity * tx.smoothstep(0.68, 0.785, q)
    # light that has been through tissue comes out red: shadows warm, never black
    glow = np.stack([0.035 + 0 * q, 0.006 + 0 * q, 0.005 + 0 * q], -1) * cut[..., None]
    wet = cut * (0.35 + 0.65 * inside_cavity)
    sheen = tx.gloss(tx.normals(tx.blur(height + 0.25 * fine, 2.0)), 26.0)
    lit = colour * light[..., None] + glow + (0.085 * wet * sheen * light)[..., None]
    lit += (0.03 * tx.gloss(n, 12.0) * (1 - cut))[..., None]

    glints = np.zeros((*shape, 3), np.float32)
    for phase in range(3):
        own = tx.generator("glint", phase)
        bumps = surface + cut * (
            0.20 * tx.noise(shape, 5.0, own, 2) + 0.11 * tx.noise(shape, 2.5, own)
        )
        wet_n = tx.normals(tx.blur(bumps.astype(np.float32), 0.9))
        spark = tx.gloss(wet_n, 1400.0, 0.10)
        patch = tx.smoothstep(0.2, 1.2, tx.noise(shape, 26, tx.generator("patch"), 2))
        glints[..., phase] = 1.5 * spark * wet * (0.10 + 0.9 * patch) * (1 - 0.8 * deep)

    beat = (inside_cavity * np.exp(-(((u - 20) / 210) ** 2) - ((v / 130) ** 2))).astype(
        np.float32
    )
    beat = tx.blur(beat, 14.0)
    pulse = np.stack([beat * 0.9, beat * 1.6], -1).astype(np.float32)
    return Wound(np.maximum(lit, 0).astype(np.float32), glints, q, height, pulse)


def _fibres(angle: Plane, q: Plane, rng: np.random.Generator) -> Plane:
    """Bundles that run round the wound, about zero mean and unit spread."""
    round_about = (angle / (2 * np.pi) + 0.5) * 900.0
    skew = q * 420.0 + 7.0 * np.sin(round_about * (2 * np.pi * 3 / 900.0))
    h, w = 560, 1000
    sheet = tx.noise((h, w), (2.2, 26.0), rng, 2, 0.7)
    sheet = np.asarray(cv2.GaussianBlur(sheet, (0, 0), 0.7), np.float32)
    # the ring closes on itself: its end fades into its beginning
    fade = np.linspace(0, 1, 100, dtype=np.float32)
    sheet[:, :100] = fade * sheet[:, :100] + (1 - fade) * sheet[:, 900:]
    found = cv2.remap(
        sheet,
        np.asarray(round_about, np.float32),
        np.asarray(np.clip(skew, 0, h - 1), np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REFLECT,
    )
    return np.asarray(found / max(float(found.std()), 1e-3), np.float32)


def _gut_colour(
    shape: tuple[int, int],
    which: Plane,
    along: Plane,
    across: Plane,
    vessels: Plane,
    rng: np.random.Generator,
) -> Plane:
    """Colour of the bowel: pink, paler where stretched, netted with vessels."""
    colour = np.empty((*shape, 3), np.float32)
    colour[:] = _BOWEL
    shade = 0.06 * tx.noise(shape, 40, rng, 2) + 0.05 * np.sin(which * 2.4)
    colour *= (1 + shade)[..., None]
    colour = tx.mix(colour, (0.47, 0.125, 0.105), 0.75 * np.abs(across) ** 2.2)
    pale = np.exp(-((across / 0.5) ** 2)) * tx.smoothstep(
        -1, 1.4, tx.noise(shape, 36, rng)
    )
    colour = tx.mix(colour, (0.70, 0.40, 0.33), 0.45 * pale.astype(np.float32))
    grain = tx.noise(shape, 1.7, rng, 2, 0.8)
    colour *= (1 + 0.045 * grain)[..., None]
    net = tx.ridges(shape, 13.0, rng, 0.55) * tx.smoothstep(
        -0.2, 0.9, tx.noise(shape, 50, rng)
    )
    colour = tx.mix(colour, _ARTERY, 0.33 * net)
    veins = tx.blur(vessels, 0.45)
    colour = tx.mix(colour, _VEIN, 0.30 * tx.blur(vessels, 1.8))
    return tx.mix(colour, _ARTERY, np.clip(0.85 * veins, 0, 0.85).astype(np.float32))


def _bleed(colour: Plane, q: Plane, height: Plane, rng: np.random.Generator) -> Plane:
    """Film and drops of blood: in the hollows, down the edges, on the skin."""
    shape = q.shape
    low = tx.smoothstep(0.5, 4.0, tx.blur(height, 9.0) - height)
    blotch = tx.smoothstep(0.2, 2.2, tx.noise(shape, 38, rng, 4, 0.6))
    inside = tx.smoothstep(1.0, 0.98, q)
    patches = tx.smoothstep(-0.6, 1.2, tx.noise(shape, 24, rng, 3, 0.6))
    edge = np.exp(-(((q - 0.995) / 0.024) ** 2)) * patches
    # runs and smears over the lip of the wound
    smear = tx.smoothstep(1.13, 0.99, q) * tx.smoothstep(
        0.9, 2.4, tx.noise(shape, 30, rng, 4, 0.6)
    )
    film = (
        inside * (0.55 * low + 0.55 * blotch) + 0.9 * edge + 0.8 * smear * (1 - inside)
    )
    h, w = shape
    around = rng.uniform(0, 2 * np.pi, 130)
    away = 1.0 + np.abs(rng.normal(0, 0.10, 130))
    ex, ey = HALF_AXES[0] * away * np.cos(around), HALF_AXES[1] * away * np.sin(around)
    c, s = np.cos(TILT), np.sin(TILT)
    at = (
        np.stack([CENTRE[0] + ex * c - ey * s, CENTRE[1] + ex * s + ey * c], 1) + MARGIN
    )
    film = film + 0.9 * tx.droplets((h, w), at, rng) * (1 - inside)
    return tx.stain(colour, np.clip(film, 0, 1.6).astype(np.float32))
