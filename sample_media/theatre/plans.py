"""Which takes the family holds: every figure of each, drawn from its number."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal, TypeAlias

import numpy as np

from . import textures as tx
from .anatomy import FLOORS, Anatomy
from .linen import DRAPES
from .sensor import SensorFacts
from .table import Motion, Piece, TableFacts

__all__ = ["KINDS", "WHITE_KINDS", "Plan", "Split", "plan", "white_plan"]

Split: TypeAlias = Literal["tune", "test"]
Chance: TypeAlias = np.random.Generator

KINDS = ("good field", "slightly over", "far over", "ramp", "over by swab", "any")
"""Right field with burning swabs; 0.3 to 1 and 1 to 2 stops over; a ramp from right to
over; over with swabs touching tissue; anything."""

WHITE_KINDS = ("neutral", "balanced", "neutral", "absent", "reference", "small",
               "pale skin", "balanced")  # fmt: skip
"""A neutral of use under any light; the same, balanced rightly; none but tissue and
coloured drapes; a white reference fills the first second; too little neutral; none,
and pale skin or tissue that looks like one."""

_SPLITS = {"tune": 1, "test": 2}
LIGHTS_K = (3200.0, 4300.0, 5600.0)


@dataclass(frozen=True, slots=True)
class Plan:
    """One take.

    Attributes
    ----------
    over : (float, float)
        Stops over the right exposure at the start and the end.
    anchor : float
        Signal (1 = 100 %) of the brightest relevant 1 % at the right exposure.
    light, balanced_to : (kelvin, Duv)
        Lamp, and light for which the camera shows a neutral as neutral.
    reference_s : float
        So long from the start a white reference fills the picture.
    """

    split: Split
    number: int
    kind: str
    table: TableFacts
    sensor: SensorFacts
    over: tuple[float, float]
    anchor: float
    light: tuple[float, float]
    balanced_to: tuple[float, float]
    reference_s: float = 0.0


def _between(rng: Chance, low: float, high: float) -> float:
    return float(rng.uniform(low, high))


def _pick(rng: Chance, *names: str) -> str:
    return names[int(rng.integers(len(names)))]


def _anatomy(rng: Chance, *, pale: bool = False) -> Anatomy:
    # from deeply pigmented to pale; animals' shaved skin lies between as well
    dark, light = np.array((0.20, 0.115, 0.085)), np.array((0.66, 0.47, 0.40))
    share = 1.0 if pale else rng.uniform(0, 1) ** 0.6
    skin = (dark + (light - dark) * share) * rng.uniform(0.93, 1.05, 3)
    across = 0.30 + 0.50 * rng.uniform(0, 1) ** 1.5
    return Anatomy(
        centre=(_between(rng, 0.42, 0.58), _between(rng, 0.42, 0.58)),
        half_axes=(float(across), float(across * rng.uniform(0.5, 0.85))),
        tilt_deg=_between(rng, -60, 60),
        power=_between(rng, 1.6, 2.6),
        floor=_pick(rng, *FLOORS),
        skin=(float(skin[0]), float(skin[1]), float(skin[2])),
        tone=_between(rng, 0.7, 1.2),
        pallor=_between(rng, 0.7, 1.0) if pale else _between(rng, 0, 0.8) ** 2,
        fat=_between(rng, 0.0, 0.16),
        blood=_between(rng, 0.1, 0.4) if pale else _between(rng, 0.2, 1.2),
        wet=_between(rng, 0.2, 1.1),
    )


def _swab(rng: Chance, a: Anatomy, aspect: float, size: str, where: str) -> Piece:
    """Return a swab of a size, beside, touching or over the wound."""
    half = {"small": (0.016, 0.032), "medium": (0.05, 0.085), "huge": (0.15, 0.24)}
    hw = _between(rng, *half[size])
    hh = hw * _between(rng, 0.6, 1.0)
    # reach of its middle; it is about a swab's half width from its nearest edge
    mean_axis = 0.5 * (a.half_axes[0] + a.half_axes[1]) / aspect
    out = {"beside": 1.25 + 1.1 * hw / mean_axis, "touching": 1.0 + hw / mean_axis,
           "over": 0.65 + 0.6 * hw / mean_axis}[where]  # fmt: skip
    angle = _between(rng, 0, 2 * np.pi)
    turn = np.deg2rad(a.tilt_deg)
    along = out * a.half_axes[0] / aspect * np.cos(angle)
    across = out * a.half_axes[1] / aspect * np.sin(angle)
    x = a.centre[0] + along * np.cos(turn) - across * np.sin(turn)
    y = a.centre[1] / aspect + along * np.sin(turn) + across * np.cos(turn)
    edge = 0.6 * hw
    x = float(np.clip(x, edge, 1 - edge))
    y = float(np.clip(y, edge, 1 / aspect - edge))
    blood = float(rng.choice((0.0, 0.0, 0.03, 0.1, 0.3, 0.6, 0.95)))
    damp = float(rng.choice((0.0, 0.0, 0.4, 0.9)))
    return Piece("swab", (x, y, hw, hh), _between(rng, -45, 45), blood, damp,
                 _between(rng, 0.92, 1.08))  # fmt: skip


def _sheet(rng: Chance, aspect: float, kind: str, half: float) -> Piece:
    """Return a towel, paper or card in a corner or at an edge."""
    x = float(rng.choice((0.12, 0.88))) + _between(rng, -0.06, 0.06)
    y = float(rng.choice((0.18, 0.82))) + _between(rng, -0.1, 0.1)
    tone = {"towel": (0.55, 0.85), "paper": (0.75, 0.88), "card": (0.18, 0.60)}[kind]
    box = (x, y / aspect, half, half * _between(rng, 0.6, 1.0))
    return Piece(kind, box, _between(rng, -25, 25), tone=_between(rng, *tone))


def _lamps(rng: Chance, a: Anatomy, aspect: float) -> tuple[tuple[float, ...], ...]:
    cx, cy = a.centre[0], a.centre[1] / aspect
    main = (cx + _between(rng, -0.1, 0.1), cy + _between(rng, -0.06, 0.06),
            _between(rng, 0.35, 0.7), 1.0)  # fmt: skip
    pools = [main]
    if rng.random() < 0.5:
        pools.append((_between(rng, 0.1, 0.9), _between(rng, 0.05, 0.5),
                      _between(rng, 0.2, 0.35), _between(rng, 0.3, 0.8)))  # fmt: skip
    if rng.random() < 0.3:  # a hot-spot on the tissue
        pools.append((cx + _between(rng, -0.1, 0.1), cy + _between(rng, -0.06, 0.06),
                      _between(rng, 0.06, 0.14), _between(rng, 0.5, 1.3)))  # fmt: skip
    return tuple(pools)


def _motion(rng: Chance) -> Motion:
    kind = _pick(rng, "still", "sway", "sway", "pan", "zoom")
    if kind == "still":
        return Motion()
    sway = _between(rng, 0.001, 0.005)
    if kind == "pan":
        way = _between(rng, 0, 2 * np.pi)
        step = _between(rng, 0.02, 0.06)
        return Motion(sway, (float(step * np.cos(way)), float(step * np.sin(way))))
    if kind == "zoom":
        ends = (1.0, _between(rng, 1.05, 1.15))
        return Motion(sway, zoom=ends if rng.random() < 0.5 else ends[::-1])
    return Motion(sway)


def _sensor(rng: Chance) -> SensorFacts:
    full = rng.random() < 0.12
    clip = 100.0 if full else float(rng.choice((100.0, 105.0, 109.0)))
    knee = _between(rng, 80, 90) if rng.random() < 0.3 else None
    return SensorFacts(
        clip_percent=clip,
        knee_percent=knee,
        full_range=full,
        bit_depth=10 if rng.random() < 0.3 else 8,
        read_noise=_between(rng, 0.0006, 0.002),
        shot_noise=_between(rng, 2e-6, 2e-5),
        veil=_between(rng, 0.005, 0.02),
        soft_px=_between(rng, 0.35, 0.8),
    )


def _turn(rng: Chance, chance: float, *, upright: bool = False) -> float | None:
    """Return a direction to come from, or None; short tools: above or below."""
    turn = _between(rng, 50, 130) * float(rng.choice((-1.0, 1.0)))
    if not upright:
        turn = _between(rng, -180, 180)
    return turn if rng.random() < chance else None


def _table(rng: Chance, key: tuple[int, ...], a: Anatomy, size: tuple[int, int],
           pieces: tuple[Piece, ...], drape: str) -> TableFacts:  # fmt: skip
    gloves = ((1.0, 1.0, 1.0), (0.98, 1.12, 1.25), (0.35, 0.75, 1.5), (0.6, 0.95, 0.8))
    return TableFacts(
        number=key,
        size=size,
        anatomy=a,
        drape=drape,
        opening=_between(rng, 1.1, 1.6),
        pieces=pieces,
        lamps=_lamps(rng, a, size[0] / size[1]),  # type: ignore[arg-type]
        ambient=_between(rng, 0.12, 0.35),
        motion=_motion(rng),
        glove=gloves[int(rng.integers(4))],
        forceps_turn_deg=_turn(rng, 0.6),
        assistant_turn_deg=_turn(rng, 0.5),
        retractor_turn_deg=_turn(rng, 0.5, upright=True),
        hand_passes_s=_between(rng, 0.8, 2.2) if rng.random() < 0.2 else None,
    )


def _size(rng: Chance) -> tuple[int, int]:
    return (960, 540) if rng.random() < 0.15 else (640, 360)


def plan(split: Split, number: int) -> Plan:
    """Draw up a take for burnt-out areas; its kind is `KINDS` in turn."""
    key = (_SPLITS[split], 1, number)
    rng = np.random.default_rng([tx.RANDOM_STATE, *key])
    kind = KINDS[number % len(KINDS)]
    size = _size(rng)
    aspect = size[0] / size[1]
    a = _anatomy(rng)
    swabs = int(rng.choice((0, 1, 1, 2, 3)))
    if kind in ("good field", "over by swab"):
        swabs = max(swabs, 1)
    pieces: list[Piece] = []
    if rng.random() < 0.35:
        half = _between(rng, 0.04, 0.12)
        pieces.append(_sheet(rng, aspect, _pick(rng, "towel", "paper"), half))
    for index in range(swabs):
        names = ("small", "medium", "medium", "huge")
        sized = _pick(rng, *(names[1:] if index == 0 else names[:3]))
        place = _pick(rng, "beside", "touching", "over")
        if kind == "over by swab" and index == 0:
            place = _pick(rng, "touching", "over")
        pieces.append(_swab(rng, a, aspect, sized, place))
    if kind == "good field":  # at least one is dry and clean enough to burn
        last = pieces[-1]
        pieces[-1] = replace(last, blood=min(last.blood, 0.03), damp=0.0, tone=1.08)
    over = {
        "good field": (-0.15, -0.15),
        "slightly over": (_between(rng, 0.3, 1.0),) * 2,
        "far over": (_between(rng, 1.0, 2.0),) * 2,
        "ramp": (-0.2, _between(rng, 0.6, 2.0)),
        "over by swab": (_between(rng, 0.4, 2.0),) * 2,
        "any": (_between(rng, 0.0, 2.0),) * 2,
    }[kind]
    light = (float(rng.choice(LIGHTS_K)) + _between(rng, -150, 150), 0.0)
    wrong = rng.random() < 0.3
    balanced = (float(rng.choice(LIGHTS_K)), 0.0) if wrong else light
    drape = _pick(rng, *(tuple(DRAPES) if kind != "good field" else tuple(DRAPES)[:5]))
    table = _table(rng, key, a, size, tuple(pieces), drape)
    if kind == "good field":  # a lamp head stands over that swab
        x, y, half, _ = pieces[-1].box
        pool = (x, y, 0.06 + half, _between(rng, 0.5, 1.5))
        table = replace(table, lamps=(*table.lamps, pool))
    return Plan(
        split, number, kind, table,
        _sensor(rng), over, _between(rng, 0.88, 0.93), light, balanced,
    )  # fmt: skip


def white_plan(split: Split, number: int) -> Plan:
    """Draw up a take for the white balance; its kind is `WHITE_KINDS` in turn."""
    key = (_SPLITS[split], 2, number)
    rng = np.random.default_rng([tx.RANDOM_STATE, *key])
    kind = WHITE_KINDS[number % len(WHITE_KINDS)]
    size = (640, 360)
    aspect = size[0] / size[1]
    a = _anatomy(rng, pale=kind == "pale skin")
    light = (_between(rng, 2800, 7000), _between(rng, -0.02, 0.02))
    daylight, lamp = (5600.0, 0.0), (3200.0, 0.0)
    wrong = daylight if rng.random() < 0.6 else lamp
    balanced = light if kind == "balanced" or rng.random() < 0.25 else wrong
    pieces: list[Piece] = []
    seam = None
    if kind in ("neutral", "balanced"):
        what = _pick(rng, "swab", "towel", "card", "paper", "seam", "swab")
        if what == "swab":
            swab = _swab(rng, a, aspect, "medium", _pick(rng, "beside", "touching"))
            pieces.append(replace(swab, blood=min(swab.blood, 0.6)))
        elif what == "seam":
            seam = (_between(rng, 0.08, 0.2), _between(rng, 0.05, 0.4),
                    _between(rng, 50, 120), _between(rng, 0.010, 0.02))  # fmt: skip
        else:
            pieces.append(_sheet(rng, aspect, what, _between(rng, 0.06, 0.13)))
    elif kind == "small":
        pieces.append(_sheet(rng, aspect, "card", _between(rng, 0.008, 0.016)))
    drape = _pick(rng, *(d for d in DRAPES if d != "white"))
    table = replace(_table(rng, key, a, size, tuple(pieces), drape), seam=seam)
    sensor = replace(_sensor(rng), knee_percent=None)
    anchor = _between(rng, 0.80, 0.92)
    return Plan(
        split, number, kind, table, sensor, (0.0, 0.0), anchor, light, balanced,
        1.0 if kind == "reference" else 0.0,
    )  # fmt: skip
