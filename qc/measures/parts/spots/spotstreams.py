"""Spots before a scene that runs past: what the looks show in the mean, along the way.

Where the scene moves farther than a spot is large, every part of it passes one place
after the other on its way, so that in the mean over the looks these places are alike
(streaks along the way). What differs from the places before and behind it, both in the
same way, does not belong to the scene. No look has to fit over another for that.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.measures.parts.spots.spotranks import middle
from qc.measures.parts.spots.spotsway import Fixed, moves_along

__all__ = [
    "MOSTLY_ALONG",
    "Shows",
    "Way",
    "come",
    "compact_parts",
    "goes_along",
    "streams",
    "way_of",
]

Map = NDArray[np.float32]
Mask = NDArray[np.bool_]

_FEWEST = 10  # looks
_NEW = 0.006  # of the width: nearer looks show the same
# Standard deviation of the weight that a spot is looked for with, and how far off the
# places are that it is held against; px of a map 120 px wide.
_SCALES = (1.0, 3.2), (2.2, 7.0), (3.5, 10.5)
_MAP = 120.0
_PASSED = 3.0  # times that, the scene must have come
_FLOOR = {"level": 0.008, "detail": 0.04}  # nothing is known better, in logarithms
_LEAST = {"level": 0.03, "detail": 0.2}
_BEYOND = {"level": 3.0, "detail": 2.8}
_OWN_EDGES = 0.6  # natural logarithm; dust has some, things of the scene more
_BORDER = 0.5  # of the strongest place
_AREA, _FILLED, _LONGEST = 0.03, 0.4, 3.5
# Px of such a map; what blurs is larger than dust.
_NARROWEST = {"level": 1.5, "detail": 2.5}
_HALF = 0.4  # of its strength, that either half of the looks must show
# Of a change from look to look to come by chance; its deviation is never known better,
# nor are fewer looks new than that.
_CHANCE, _KNOWN, _FREE = 1e-3, 0.01, 5.0
# Steps that are tried, and the share of them in which the scene beside it comes along;
# what differs by more counts no more.
_STEPS, _ALONG, _NOT_HALF, _CLIP = 8, 0.75, 0.6, 0.3
MOSTLY_ALONG = 0.7  # of the picture, that must move for a pixel to stand still
# Of its places with contrast. Of 20 moved takes the least was 0.86; of four before a
# camera that stands still, where people and things move, the most was 0.82.
PICTURE_ALONG = 0.84
_THROUGH = 0.3  # of what the scene changes by beside it
_PARTS = (0.0, 1.0), (0.33, 1.0), (0.6, 1.0)  # of the looks


class Shows(Protocol):
    """A look: maps by name, and where the scene lay (see `spotlooks.Look`)."""

    @property
    def row(self) -> int:
        """Row of the readings."""

    @property
    def maps(self) -> dict[str, Map]:
        """Level and detail, of one size."""

    @property
    def chain(self) -> int:
        """Looks of one chain were followed one from the other."""

    @property
    def place(self) -> Map:
        """How far the scene has come, on a grid."""


@dataclass(frozen=True, slots=True, eq=False)
class Way:
    """The way of the scene at every place of a map, and how far it came, px."""

    right: Map
    down: Map
    far: Map


def streams(looks: Sequence[Shows]) -> list[Fixed]:
    """Return what stays in its place while the scene runs past, the surest first."""
    out: list[Fixed] = []
    if len(looks) < _FEWEST:
        return out
    chains = np.array([one.chain for one in looks])
    own = chains == np.argmax(np.bincount(chains))
    some = [one for one, mine in zip(looks, own, strict=True) if mine]
    places = np.stack([one.place for one in some])
    away = np.abs(places[:, None] - places).max(axis=-1).mean(axis=(-2, -1))
    for first, last in _PARTS:
        span = range(int(first * len(some)), int(last * len(some)))
        spread = [some[i] for i in _spread_out(away, span)]
        if len(spread) >= _FEWEST:
            out += _found(spread)
    if not out or not goes_along(some):
        return []
    return sorted(out, key=lambda one: -one.sure)


def _spread_out(away: Map, span: range) -> list[int]:
    """Return looks of a span that show different framings.

    Where a camera dwells, at the ends of a sway, the mean would be of that framing.

    Parameters
    ----------
    away : (n, n) array
        How far looks lie from each other, shares of the width.
    """
    out: list[int] = []
    for at in span:
        if (away[at, out] >= _NEW).all():
            out.append(at)
    return out


def way_of(looks: Sequence[Shows], shape: tuple[int, int]) -> Way:
    """Return the main way of the scene."""
    h, w = shape
    places = np.stack([one.place for one in looks]) * np.float32(w)
    places -= places.mean(axis=0)
    x, y = np.moveaxis(places, -1, 0)
    mixed, more = 2.0 * (x * y).sum(axis=0), (x * x - y * y).sum(axis=0)
    # Twice the angle: a way has no sign, and must not lose its length to that.
    size = np.maximum(np.hypot(mixed, more), 1e-9)
    both = np.stack([more / size, mixed / size], axis=-1).astype(np.float32)
    angle = 0.5 * np.arctan2(mixed, more)
    unit = np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    far = np.ptp((places * unit).sum(axis=-1), axis=0)
    both, wide = (
        np.asarray(cv2.resize(m.astype(np.float32), (w, h)), np.float32)
        for m in (both, np.asarray(far))
    )
    angle = 0.5 * np.arctan2(both[..., 1], both[..., 0])
    return Way(np.cos(angle), np.sin(angle), wide)


def _along(values: Map, way: Way, far: float) -> Map:
    """Return what lies so far along the way from each place; NaN outside."""
    h, w = values.shape
    x = np.arange(w, dtype=np.float32) + np.float32(far) * way.right
    y = np.arange(h, dtype=np.float32)[:, None] + np.float32(far) * way.down
    return come(values, x, y)


def _beyond(mean: Map, way: Way, sigma: float, far: float) -> tuple[Map, Map]:
    """Return by how much places differ from before and behind, and from each other."""
    smooth = np.asarray(cv2.GaussianBlur(mean, (0, 0), sigma), np.float32)
    before, behind = (smooth - _along(smooth, way, s * far) for s in (1, -1))
    known = np.isfinite(before) & np.isfinite(behind) & (way.far >= _PASSED * far)
    change = np.where(np.abs(before) < np.abs(behind), before, behind)
    change[(before * behind <= 0) | ~known] = 0
    apart = np.where(known, 0.5 * (before - behind), 0)
    return change, np.where(known, apart, np.float32(np.nan))


def _found(looks: Sequence[Shows]) -> Iterator[Fixed]:
    h, w = looks[0].maps["detail"].shape
    way = way_of(looks, (h, w))
    share = w / _MAP
    if not (way.far >= _PASSED * share * _SCALES[0][1]).any():
        return
    stacks = {name: np.stack([one.maps[name] for one in looks]) for name in _LEAST}
    means = {name: stack.mean(axis=0) for name, stack in stacks.items()}
    rows = looks[0].row, looks[-1].row
    for name, mean in means.items():
        for sigma, far in _SCALES:
            sigma, far = sigma * share, far * share
            change, apart = _beyond(mean, way, sigma, far)
            known = np.isfinite(apart)
            if not known.any():
                continue
            weight = cv2.GaussianBlur(known.astype(np.float32), (0, 0), far)
            unsure = cv2.GaussianBlur(np.where(known, apart**2, 0), (0, 0), far)
            unsure = np.sqrt(
                unsure / np.maximum(weight, np.float32(0.05))
                + np.float32(_FLOOR[name] ** 2)
            )
            for sign in (-1, 1) if name == "level" else (-1,):
                shown = np.float32(sign) * change
                cores = (shown > _LEAST[name]) & (shown > _BEYOND[name] * unsure)
                for mask, at in compact_parts(shown, cores, _NARROWEST[name] * share):
                    one = _judged((name, sign), mask, at, stacks, way, far)
                    if one is None:
                        continue
                    if not _runs_past(looks, mask, round(far)):
                        continue
                    sure = float((shown / unsure)[mask].max())
                    yield Fixed(mask, name, one[0], sure, one[1], *rows)


def compact_parts(
    shown: Map, cores: Mask, narrowest: float
) -> Iterator[tuple[Mask, tuple[int, int]]]:
    """Yield each part with a core, as far as half of its strongest place."""
    left = cores.copy()
    while left.any():
        row, column = np.unravel_index(
            int(np.argmax(np.where(left, shown, 0))), left.shape
        )
        wide = (shown > _BORDER * shown[row, column]).astype(np.uint8)
        _, labels = cv2.connectedComponents(wide)
        part = labels == labels[row, column]
        left &= ~part
        rows, columns = np.nonzero(part)
        tall, across = int(np.ptp(rows)) + 1, int(np.ptp(columns)) + 1
        if rows.size > _AREA * part.size or rows.size < _FILLED * tall * across:
            continue
        narrow = min(tall, across)
        if narrow >= narrowest and max(tall, across) <= _LONGEST * narrow:
            yield part, (int(row), int(column))


def _judged(
    told: tuple[str, int],
    mask: Mask,
    at: tuple[int, int],
    stacks: dict[str, Map],
    way: Way,
    far: float,
) -> tuple[float, float] | None:
    """Return strength and what the other map shows, if the scene is seen through it.

    Either half of the looks must show it, and the scene must pass behind it: a thing
    that the camera follows stays in its place too, but hides what is behind.
    """
    name, sign = told
    right, down = (float(m[at]) for m in (way.right, way.down))
    rows, columns = np.nonzero(mask)
    h, w = mask.shape

    def beside(step: float) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        y = np.clip(np.rint(rows + step * down).astype(np.intp), 0, h - 1)
        x = np.clip(np.rint(columns + step * right).astype(np.intp), 0, w - 1)
        return y, x

    far = max(far, 1.2 * float(np.hypot(np.ptp(rows) + 1, np.ptp(columns) + 1)) / 1.4)
    places = (rows, columns), beside(far), beside(-far)

    def series(which: str) -> tuple[Map, Map, Map]:
        here, one, two = (stacks[which][:, y, x].mean(axis=1) for y, x in places)
        return here, one, two

    here, one, two = series(name)
    change = here - 0.5 * (one + two)
    strength = float(change.mean())
    half = len(change) // 2
    shares = [float(c.mean()) * sign for c in (change[:half], change[half:])]
    if min(shares) < _HALF * abs(strength) or sign * strength < _LEAST[name]:
        return None
    if not _surely(change):
        return None
    level = series("level")
    around = 0.5 * (float(level[1].std()) + float(level[2].std()))
    if float(level[0].std()) < _THROUGH * around:
        return None
    other = "detail" if name == "level" else "level"
    others = series(other)
    more = float((others[0] - 0.5 * (others[1] + others[2])).mean())
    return (strength, more) if more <= _OWN_EDGES else None


def _surely(values: Map) -> bool:
    """Return whether a mean is more than chance, by Student's t.

    Looks that follow one another are not all new: their number is lessened as for a
    process of first order (textbook).
    """
    from scipy.special import stdtrit  # heavy; the command must answer at once

    off = values - values.mean()
    spread = float((off * off).mean())
    alike = float((off[1:] * off[:-1]).mean()) / max(spread, 1e-9)
    alike = min(max(alike, 0.0), 0.95)
    new = max(len(values) * (1.0 - alike) / (1.0 + alike) - 1.0, 1.0)
    t = abs(float(values.mean())) / math.sqrt((spread + _KNOWN**2) / new)
    return t >= -float(stdtrit(max(new, _FREE), _CHANCE))


def _runs_past(looks: Sequence[Shows], mask: Mask, reach: int) -> bool:
    """Return whether the scene around a place comes along, step by step.

    Where it was lost, or only thought to move since what is near to it does, the looks
    lie better over each other as they are, or half as far off.
    """
    rows, columns = np.nonzero(mask)
    h, w = mask.shape
    top, left = max(int(rows.min()) - reach, 0), max(int(columns.min()) - reach, 0)
    box = (
        slice(top, min(int(rows.max()) + reach + 1, h)),
        slice(left, min(int(columns.max()) + reach + 1, w)),
    )
    beside = cv2.dilate(mask[box].astype(np.uint8), np.ones((5, 5), np.uint8)) == 0
    y, x = np.mgrid[box].astype(np.float32)
    off = []
    for at in np.linspace(0, len(looks) - 2, min(len(looks) - 1, _STEPS)):
        old, new = looks[round(at)], looks[round(at) + 1]
        steps = cv2.resize((old.place - new.place) * np.float32(w), (w, h))[box]
        here = new.maps["level"][box]
        left_over = [
            here - come(old.maps["level"], x + s * steps[..., 0], y + s * steps[..., 1])
            for s in (1.0, 0.5, 0.0)
        ]
        known = np.isfinite(left_over[0]) & np.isfinite(left_over[1]) & beside
        if known.any():
            few = [one[known] for one in left_over]
            off.append([np.minimum(np.abs(f - middle(f)), _CLIP).mean() for f in few])
    if not off:
        return False
    best = np.array(off)
    shares = [float((best[:, 0] < best[:, n]).mean()) for n in (1, 2)]
    return shares[0] >= _NOT_HALF and shares[1] >= _ALONG


def goes_along(looks: Sequence[Shows], least: float = PICTURE_ALONG) -> bool:
    """Return whether the picture as a whole comes along, or a thing held before it.

    Parameters
    ----------
    least : float
        Share of its places with contrast.
    """
    # From one chain to the next nobody knows how far the picture has come.
    pairs = [both for both in pairwise(looks) if both[0].chain == both[1].chain]
    if len(looks) > 1 and not pairs:
        return False
    shares = []
    for at in np.linspace(0, len(pairs) - 1, min(len(pairs), _STEPS)):
        before, after = pairs[round(at)]
        old, new = before.maps["level"], after.maps["level"]
        h, w = new.shape
        steps = before.place - after.place
        steps = cv2.resize(steps * np.float32(w), (w, h))
        y, x = np.mgrid[:h, :w].astype(np.float32)
        left = new - come(old, x + steps[..., 0], y + steps[..., 1])
        shares.append(moves_along(left, new - old))
    return not shares or float(np.median(shares)) >= least


def come(values: Map, x: Map, y: Map) -> Map:
    """Return what lies at these places; NaN outside."""
    return np.asarray(
        cv2.remap(
            values,
            np.asarray(x, np.float32),
            np.asarray(y, np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=(float("nan"),) * 4,
        ),
        np.float32,
    )
