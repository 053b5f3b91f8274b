"""Fits how far a surface can be believed to be neutral, on "tune" takes alone.

    python tests/bench/fit_neutral.py [--count N] [--keep FOLDER] [--write]

Draws takes 0 to N - 1 of the family's "tune" split (`sample_media/theatre/family.py`,
the white cases, and some of the others), each under its own lamp and under others, at
other exposures and cut to parts; and rooms of the script's own: floors, walls, cloth,
skin and furniture under lamps, with and without something white. In each it looks for
candidates with the code that measures real takes (`neutral.find_candidates`), fits the
curves of `neutralweights.py` by maximum likelihood with a ridge, and prints what it
tells of pictures that it was not fitted on (four folds, by tables and rooms): how often
a reading of a confidence is right. `--write` puts the table into `neutralweights.py`.
`--keep` keeps the pictures, so that a second run need not draw again.

Reflectances of the rooms are common experience, no source.
"""

from __future__ import annotations

import argparse
import itertools
import sys
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.linalg import block_diag
from scipy.optimize import minimize

_ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(_ROOT), str(_ROOT / "sample_media")]

from theatre import family, recode, whitelight  # type: ignore[import-not-found] # noqa: E402
from theatre.sensor import Sensor, SensorFacts  # type: ignore[import-not-found] # noqa: E402

from qc.measures.parts.neutral.neutral import find_candidates  # noqa: E402
from qc.measures.parts.neutral.neutralweights import (  # noqa: E402
    KNOTS,
    TERMS,
    basis,
    damped,
    same_colour,
    terms,
)
from qc.measures.parts.neutral.whitejudge import uv_of  # noqa: E402
from qc.measures.parts.neutral.whitepatch import PatchCheck, patch_planes  # noqa: E402
from qc.records import Picture  # noqa: E402
from qc.signal import Signal  # noqa: E402

Array = NDArray[np.float64]
Chance = np.random.Generator
_TABLE = _ROOT / "qc" / "measures" / "parts" / "neutral" / "neutralweights.py"
RANDOM_STATE, _FOLDS = 7, 4
_RIDGE, _BEND = 5e-4, 2e-3
_ROOM_WEIGHT = 0.5
_COUNT, _LIGHTS, _ROOMS = 48, 6, 200
_OVER = 4  # for so many tables one more, of the takes for burnt-out areas
_RIGHT_UV, _WRONG_UV = 0.003, 0.004
_SHARE = 0.005  # of the picture, from which a neutral is to be found
_FILLED = 0.55  # and from which it is a white reference, judged by a rule of its own
_ROOM_SIZE = (640, 360)


@dataclass(frozen=True, slots=True, eq=False)
class Shot:
    """One picture whose white is known.

    Attributes
    ----------
    scene : str
        Table or room: pictures of one are never both fitted on and told.
    uv : (float, float)
        CIE 1976 u', v' of a perfect white in it.
    share : float
        Of the picture, that is neutral of use.
    """

    scene: str
    picture: Picture
    uv: tuple[float, float]
    share: float


# ---------------------------------------------------------------------------- tables


def _light(rng: Chance) -> tuple[float, float]:
    return float(rng.uniform(2800, 7000)), float(rng.uniform(-0.02, 0.02))


def _balance(rng: Chance, light: tuple[float, float]) -> tuple[float, float]:
    """Return what the camera is set to: the light itself, nearly, or a preset."""
    draw = rng.random()
    if draw < 0.4:
        return light
    if draw < 0.5:
        return 1e6 / (1e6 / light[0] + float(rng.normal(0, 12))), light[1]
    return float(rng.choice((3200.0, 4300.0, 5600.0, 5600.0))), 0.0


def _relit(case: Any, rng: Chance) -> Any:
    """Return a take's table under another lamp, by another camera and exposure."""
    light = _light(rng)
    over = float(rng.uniform(-1.2, 0.4))
    sensor = replace(
        case.plan.sensor,
        clip_percent=100.0
        if case.plan.sensor.full_range
        else float(rng.choice((100.0, 105.0, 109.0))),
        soft_px=float(rng.uniform(0.35, 1.2)),
    )
    plan = replace(
        case.plan,
        light=light,
        balanced_to=_balance(rng, light),
        over=(over, over),
        sensor=sensor,
        reference_s=1.0 if rng.random() < 0.08 else 0.0,
    )
    other = family.Case(plan)
    other.__dict__["_table"] = case._table
    return other


def _cut(planes: Sequence[Any], neutral: Any, rng: Chance) -> tuple[list[Any], Any]:
    """Cut a part out of a picture, as if the lens were zoomed in."""
    y, cb, cr = planes
    height, width = y.shape
    share = rng.uniform(0.45, 0.9)
    h, w = (int(n * share) // 4 * 4 for n in (height, width))
    top, left = (int(rng.integers(0, n + 1)) // 4 * 4 for n in (height - h, width - w))
    down, across = height // cb.shape[0], width // cb.shape[1]
    luma = slice(top, top + h), slice(left, left + w)
    chroma = (
        slice(top // down, (top + h) // down),
        slice(left // across, (left + w) // across),
    )
    return [y[luma], cb[chroma], cr[chroma]], neutral[luma]


def _shots_of(case: Any, name: str, lights: int) -> Iterator[Shot]:
    rng = np.random.default_rng([RANDOM_STATE, case.plan.number])
    for take in (case, *(_relit(case, rng) for _ in range(lights))):
        signal = Signal(bit_depth=take.bit_depth, full_range=take.full_range)
        for planes, truth in take.frames(1, 2 if take is case else 1, coded=True):
            neutral = truth.neutral
            if take is not case and rng.random() < 0.4:
                planes, neutral = _cut(planes, neutral, rng)
            picture = _picture(planes, signal)
            yield Shot(name, picture, take.neutral_uv, float(neutral.mean()))


def _picture(planes: Sequence[Any], signal: Signal) -> Picture:
    y, cb, cr = (np.ascontiguousarray(p) for p in planes)
    return Picture(index=0, pts=0, duration=1, y=y, cb=cb, cr=cr, signal=signal)


# ----------------------------------------------------------------------------- rooms

_NEUTRALS = ((0.82, 0.82, 0.82), (0.6, 0.6, 0.6), (0.3, 0.3, 0.3))
_LARGE = (
    (0.72, 0.64, 0.50),  # cream tiles
    (0.75, 0.66, 0.42),  # a yellow wall
    (0.70, 0.67, 0.60),  # off-white paint
    (0.55, 0.42, 0.28),  # light wood
    (0.40, 0.22, 0.12),  # brown wood
    (0.30, 0.37, 0.46),  # grey-blue cloth
    (0.25, 0.24, 0.22),  # asphalt
    (0.55, 0.65, 0.62),  # pale green linoleum
    (0.60, 0.66, 0.72),  # pale blue wall
    (0.40, 0.20, 0.15),  # brick
    (0.10, 0.20, 0.05),  # grass
    (0.05, 0.14, 0.13),  # a drape
)
_SMALL = (
    *_LARGE,
    (0.62, 0.44, 0.35),  # skin
    (0.72, 0.55, 0.47),  # pale skin
    (0.30, 0.18, 0.13),  # dark skin
    (0.75, 0.70, 0.60),  # fur, bone
    (0.05, 0.05, 0.06),
    (0.50, 0.08, 0.06),
    (0.08, 0.15, 0.45),
    (0.70, 0.55, 0.08),
    (0.45, 0.44, 0.43),  # steel; it mirrors what is round it
)


def _texture(rng: Chance, shape: tuple[int, int]) -> Array:
    """Return folds, grain or weave round 1."""
    rough = cv2.GaussianBlur(
        rng.standard_normal(shape).astype(np.float32), (0, 0), rng.uniform(6, 40)
    )
    out = 1 + rng.uniform(0.02, 0.2) * rough / rough.std()
    y, x = np.mgrid[: shape[0], : shape[1]]
    if rng.random() < 0.4:
        period = rng.uniform(2.2, 6)
        out *= 1 + rng.uniform(0.02, 0.2) * np.sin(6.28 * x / period) * np.sin(
            6.28 * y / period
        )
    return np.asarray(out * (1 + 0.02 * rng.standard_normal(shape)), np.float64)


def _part(rng: Chance, shape: tuple[int, int], size: tuple[float, float]) -> Any:
    """Return a mask: a turned rectangle or an ellipse."""
    mask = np.zeros(shape, np.uint8)
    h, w = shape
    centre = (int(rng.uniform(0, w)), int(rng.uniform(0, h)))
    half = w * rng.uniform(*size)
    axes = (max(int(half), 2), max(int(half * rng.uniform(0.3, 1)), 2))
    turn = float(rng.uniform(0, 180))
    if rng.random() < 0.5:
        cv2.ellipse(mask, centre, axes, turn, 0, 360, 1, -1)
    else:
        box = cv2.boxPoints((centre, (2 * axes[0], 2 * axes[1]), turn))
        cv2.fillPoly(mask, [box.astype(np.int32)], 1)
    return mask.astype(bool)


def room(number: int) -> Shot:
    """Draw a room: large surfaces, smaller things, perhaps something white."""
    rng = np.random.default_rng([RANDOM_STATE, 1, number])
    w, h = _ROOM_SIZE
    shape = (h, w)
    scene = np.zeros((h, w, 3))
    neutral = np.zeros(shape, bool)

    def paint(mask: Any, colour: Sequence[float], *, white: bool) -> None:
        own = np.array(colour)
        if not white:
            own = np.minimum(own * np.exp(rng.normal(0, 0.08, 3)), 0.85)
        part = own * _texture(rng, shape)[..., None]
        scene[mask] = part[mask]
        neutral[mask] = white

    paint(np.ones(shape, bool), _LARGE[rng.integers(len(_LARGE))], white=False)
    for _ in range(int(rng.integers(0, 3))):
        colour = _LARGE[rng.integers(len(_LARGE))]
        paint(_part(rng, shape, (0.25, 0.5)), colour, white=False)
    for _ in range(int(rng.integers(1, 7))):
        colour = _SMALL[rng.integers(len(_SMALL))]
        paint(_part(rng, shape, (0.04, 0.2)), colour, white=False)
    if rng.random() < 0.4:
        for _ in range(int(rng.integers(1, 3))):
            colour = _NEUTRALS[rng.choice(len(_NEUTRALS), p=(0.7, 0.2, 0.1))]
            paint(_part(rng, shape, (0.05, 0.2)), colour, white=True)
    y, x = np.mgrid[:h, :w]
    pool = (x - rng.uniform(0, w)) ** 2 + (y - rng.uniform(0, h)) ** 2
    shade = rng.uniform(0.3, 1) + np.exp(-pool / (2 * (w * rng.uniform(0.2, 0.8)) ** 2))
    scene *= shade[..., None]
    facts = SensorFacts(
        clip_percent=float(rng.choice((100.0, 105.0, 109.0))),
        soft_px=float(rng.uniform(0.4, 1.5)),
    )
    sensor = Sensor(facts, 10_000 + number)
    light = _light(rng)
    gains = whitelight.neutral_rgb(
        whitelight.light_rgb(*light), whitelight.light_rgb(*_balance(rng, light))
    )
    seen = sensor.lens(scene.astype(np.float32))
    # Exposed for the brightest 2 %, more or less.
    top = float(np.percentile((seen * gains).max(axis=-1), 98))
    seen = seen * np.float32(0.8 * 2.0 ** rng.uniform(-1, 0.6) / top)
    planes = sensor.code(seen, gains, 0)
    (planes,) = recode.through_h264(iter([planes]), fps=Fraction(25))
    full = (seen * gains).max(axis=-1) < 0.93
    usable = neutral & full & (seen.mean(axis=-1) > 0.12)
    return Shot(
        f"room {number}", _picture(planes, Signal()), whitelight.uv_prime(gains),
        float(usable.mean()),
    )  # fmt: skip


# --------------------------------------------------------------------------- samples


@dataclass(frozen=True, slots=True, eq=False)
class Sample:
    """Candidates of one picture."""

    scene: str
    share: float
    x: Array  # (n, terms)
    error: Array  # (n,): u'v' from the white's
    alike: NDArray[np.bool_]  # (n, n): which are of one colour


def sample_of(shot: Shot) -> Sample | None:
    """Look for candidates; None without any that can be read."""
    search = find_candidates(shot.picture)
    check = PatchCheck(shot.picture.signal, colourless=False)
    kept, errors = [], []
    for candidate in search.candidates:
        planes = patch_planes(shot.picture, candidate.box)
        if min(min(p.shape) for p in planes) < 2:
            continue
        if check.trouble(planes, interlaced=False, clips=search.clips):
            continue
        codes = np.array([[cv2.mean(p)[0] for p in planes]])
        kept.append(candidate)
        errors.append(
            float(np.hypot(*(uv_of(codes, shot.picture.signal)[0] - shot.uv)))
        )
    if not kept:
        return None
    features = [c.features for c in kept]
    return Sample(
        shot.scene, shot.share, terms(features), np.array(errors), same_colour(features)
    )


def _kept(folder: Path, name: str, made: Iterable[Shot]) -> Iterator[Shot]:
    """Give shots, from a folder where they were drawn before."""
    place = folder / f"{name}.npz"
    if not place.exists():
        store: dict[str, Any] = {}
        for i, s in enumerate(made):
            p = s.picture
            store |= {f"y{i}": p.y, f"cb{i}": p.cb, f"cr{i}": p.cr}
            facts = (*s.uv, s.share, p.signal.bit_depth, p.signal.full_range)
            store[f"facts{i}"] = np.array(facts, np.float64)
        np.savez(place, **store)
    with np.load(place) as file:
        for i in range(sum(key.startswith("facts") for key in file)):
            u, v, share, depth, full = file[f"facts{i}"].tolist()
            signal = Signal(bit_depth=int(depth), full_range=bool(full))
            planes = [file[f"{k}{i}"] for k in ("y", "cb", "cr")]
            yield Shot(name, _picture(planes, signal), (u, v), share)


def shots(count: int, lights: int, rooms: int, keep: Path | None) -> Iterator[Shot]:
    """Give every picture to fit on."""
    tables = [("table", case) for case in family.white_cases("tune", count)]
    # Burning swabs, knees and steel are in the takes for burnt-out areas.
    tables += [("table over", c) for c in family.cases("tune", count // _OVER)]
    for kind, case in tables:
        name = f"{kind} {case.plan.number}"
        made = _shots_of(case, name, lights)
        yield from made if keep is None else _kept(keep, name, made)
    for number in range(rooms):
        name = f"room {number}"
        if keep is None:
            yield room(number)
        else:
            yield from _kept(keep, name, (room(n) for n in [number]))


# ------------------------------------------------------------------------------- fit


def fit(samples: Sequence[Sample]) -> Array:
    """Return the curves' values at their knots, and last the constant.

    Maximum likelihood of the right answer, with a ridge on values and on bends.
    """
    parts = [basis(s.x) for s in samples]
    ends = np.cumsum([len(p) for p in parts])
    starts = np.concatenate([[0], ends[:-1]])
    x = np.concatenate(parts)
    right = np.concatenate([s.error < _RIGHT_UV for s in samples]).astype(float)
    none = np.array([not (s.error < _RIGHT_UV).any() for s in samples], float)
    rooms = np.array([s.scene.startswith("room") for s in samples])
    weight = np.where(rooms, _ROOM_WEIGHT, 1.0)
    weight /= weight.sum()
    of = np.repeat(np.arange(len(samples)), ends - starts)
    smooth = _smoothness()

    def loss(w: Array) -> tuple[float, Array]:
        merit = x @ w[:-1] + w[-1]
        top = np.maximum(np.maximum.reduceat(merit, starts), 0.0)
        e, zero = np.exp(merit - top[of]), np.exp(-top)
        total = np.add.reduceat(e, starts) + zero
        good = np.add.reduceat(e * right, starts) + zero * none
        slope = weight[of] * (e / total[of] - e * right / good[of])
        lost = weight @ (np.log(total) - np.log(good))
        bend = smooth @ w[:-1]
        down = np.append(x.T @ slope + bend, slope.sum())
        return float(lost + 0.5 * w[:-1] @ bend), down

    start = np.zeros(x.shape[1] + 1)
    return np.asarray(minimize(loss, start, jac=True, method="L-BFGS-B").x, np.float64)


def _smoothness() -> Array:
    """Return the matrix of the ridge, (knots, knots)."""
    blocks = []
    for knots in KNOTS.values():
        n = len(knots)
        bends = np.diff(np.eye(n), 2, axis=0)
        blocks.append(_RIDGE * np.eye(n) + _BEND * bends.T @ bends)
    return np.asarray(block_diag(*blocks), np.float64)


def told(sample: Sample, w: Array) -> tuple[float, float]:
    """Return confidence and error of what would be read."""
    merit = basis(sample.x) @ w[:-1] + w[-1]
    top = max(float(merit.max()), 0.0)
    share = np.exp(merit - top)
    share /= share.sum() + np.exp(-top)
    sure = damped(sample.alike @ share, sample.x[:, TERMS.index("flesh")])
    best = int(np.argmax(sure))
    return float(sure[best]), float(sample.error[best])


def cross_check(samples: Sequence[Sample]) -> list[tuple[float, float]]:
    """Return what is told of each picture by a fit that has not seen its scene."""
    scenes = sorted({s.scene for s in samples})
    turn = np.random.default_rng(RANDOM_STATE).permutation(len(scenes))
    fold = {name: int(k) % _FOLDS for name, k in zip(scenes, turn, strict=True)}
    out = [(0.0, 0.0)] * len(samples)
    for k in range(_FOLDS):
        w = fit([s for s in samples if fold[s.scene] != k])
        for i, sample in enumerate(samples):
            if fold[sample.scene] == k:
                out[i] = told(sample, w)
    return out


def report(samples: Sequence[Sample], results: Sequence[tuple[float, float]]) -> str:
    """Say how often readings of a confidence are right, and how many are found."""
    lines = []
    for kind in ("table", "room"):
        mine = [
            (s, *r)
            for s, r in zip(samples, results, strict=True)
            if s.scene.startswith(kind)
        ]
        sure = np.array([m[1] for m in mine])
        wrong = np.array([m[2] for m in mine]) > _WRONG_UV
        share = np.array([m[0].share for m in mine])
        lines.append(f"{kind}s: {len(mine)} pictures")
        edges = (0.0, 0.1, 0.3, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 1.01)
        for low, high in itertools.pairwise(edges):
            own = (sure >= low) & (sure < high)
            if own.any():
                lines.append(
                    f"  confidence {low:.2f} to {min(high, 1):.2f}: {own.sum():4d}, "
                    f"wrong {100 * wrong[own].mean():5.1f} %, said "
                    f"{100 * sure[own].mean():.0f} %"
                )
        for least in (0.5, 0.6):
            judged = sure >= least
            there = (share >= _SHARE) & (share < _FILLED)
            lines.append(
                f"  from {least:g} on: {judged.sum()} judged, wrong "
                f"{100 * wrong[judged].mean():.1f} %; of {there.sum()} with a neutral "
                f"{100 * (judged & ~wrong)[there].mean():.1f} % found"
            )
    return "\n".join(lines)


def table(w: Array) -> str:
    """Return the table as it stands in the module."""
    lines, at = [], 0
    for name, knots in KNOTS.items():
        values = ", ".join(f"{v:.2f}" for v in w[at : at + len(knots)])
        lines.append(f'    "{name}": ({values}),')
        at += len(knots)
    text = "\n".join(lines)
    return (
        "_CURVES: dict[str, tuple[float, ...]] = {\n"
        f"{text}\n}}\n_CONSTANT = {w[-1]:.2f}\n"
    )


def write(w: Array) -> None:
    """Put the table into the module."""
    text = _TABLE.read_text()
    first, last = text.index("_CURVES: dict"), text.index("_CONSTANT = ")
    last = text.index("\n", last) + 1
    _TABLE.write_text(text[:first] + table(w) + text[last:])


def main(arguments: Sequence[str] | None = None) -> int:
    """Draw, fit, and print or write the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--count", type=int, default=_COUNT, help="tables to draw")
    parser.add_argument("--rooms", type=int, default=_ROOMS, help="rooms to draw")
    parser.add_argument("--keep", type=Path, help="folder for the pictures")
    parser.add_argument("--write", action="store_true", help="write the table")
    given = parser.parse_args(arguments)
    if given.keep is not None:
        given.keep.mkdir(parents=True, exist_ok=True)
    drawn = shots(given.count, _LIGHTS, given.rooms, given.keep)
    samples = [s for s in map(sample_of, drawn) if s is not None]
    print(report(samples, cross_check(samples)))
    if given.write:
        write(fit(samples))
    else:
        print(table(fit(samples)))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
