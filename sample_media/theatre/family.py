"""A family of operative fields with known truth, for tuning and for testing.

`cases` gives takes to measure burnt-out areas on, `white_cases` takes to measure the
white balance on. Every take follows from its split and number alone; "tune" and "test"
draw from separate runs of chance, so nothing tuned on one has seen the other.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import cached_property
from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from . import plans, recode, whitelight
from . import textures as tx
from .camera import inverse_oetf
from .plans import Plan, Split
from .scene import Label
from .sensor import Codes, Sensor
from .table import Look, Table
from .textures import Plane

__all__ = ["RELEVANT", "WHITE", "Case", "Truth", "cases", "white_cases"]

Mask: TypeAlias = NDArray[np.bool_]
Planes: TypeAlias = tuple[Codes, Codes, Codes]

RELEVANT = (Label.SKIN, Label.TISSUE, Label.INSTRUMENT, Label.GLOVE)
"""What must not burn out."""
WHITE = (Label.SWAB, Label.NEUTRAL)
"""What may: swabs, towels, paper, cards, white drapes."""
LEVEL_PERCENT = 95.0
"""Luma at or above this counts as burnt."""

_RELEVANT_SHARE = 0.01  # of the picture: up to here a burnt share is let pass
_GREY_SPREAD = 0.006  # a neutral's channels differ by less, as shares
_NEUTRAL_FROM = 0.12  # linear light of the darkest neutral of use: 37 % luma


@dataclass(frozen=True, slots=True, eq=False)
class Truth:
    """What one frame really shows.

    Attributes
    ----------
    time_s, over_stops : float
        Moment, and exposure over the right one.
    labels : ndarray of uint8, (height, width)
        `scene.Label`. A pixel is GLINT when it is a mirror of steel, or when it burns
        only because of a wet glint; tissue that burns anyway stays TISSUE.
    burnt : ndarray of bool
        Coded luma at or above 95 %.
    light : ndarray of float32, (height, width, 3)
        Linear light in the camera's balance, 1 = 100 %, without glints, noise, knee
        and clip.
    neutral : ndarray of bool
        Pixels of neutral material of use: no channel clipped or bent by the knee, none
        too dark, not stained, not at an edge.
    edge : ndarray of bool
        Relevant pixels within two of something white: lens and coding mix them.
    """

    time_s: float
    over_stops: float
    labels: NDArray[np.uint8]
    burnt: Mask
    light: Plane
    neutral: Mask
    edge: Mask

    def _of(self, labels: tuple[Label, ...]) -> Mask:
        return self.burnt & np.isin(self.labels, labels)

    @property
    def relevant(self) -> Mask:
        """Burnt pixels of skin, tissue, gloves and instruments, without `edge`."""
        return self._of(RELEVANT) & ~self.edge

    @property
    def swab(self) -> Mask:
        """Burnt pixels of swabs and other white things."""
        return self._of(WHITE)

    @property
    def glint(self) -> Mask:
        """Burnt pixels of glints."""
        return self._of((Label.GLINT,))

    @property
    def other(self) -> Mask:
        """Burnt pixels of coloured drapes and of `edge`: right either way."""
        return self._of((Label.DRAPE,)) | (self._of(RELEVANT) & self.edge)

    @property
    def relevant_share(self) -> float:
        """Burnt relevant pixels as a share of the picture, 0 to 1."""
        return float(self.relevant.mean())

    @property
    def neutral_share(self) -> float:
        """Neutral of use as a share of the picture, 0 to 1."""
        return float(self.neutral.mean())


@dataclass(eq=False)
class Case:
    """One take of the family.

    Attributes
    ----------
    plan : plans.Plan
        All figures it is made from; `plan.kind` says what it is a case of.
    """

    plan: Plan
    sensor: Sensor = field(init=False)

    def __post_init__(self) -> None:
        self.sensor = Sensor(self.plan.sensor, self.plan.number)

    @property
    def name(self) -> str:
        """Split, kind and number, for people."""
        return f"{self.plan.split} {self.plan.number} {self.plan.kind}"

    @property
    def bit_depth(self) -> int:
        """Bits of the planes."""
        return self.plan.sensor.bit_depth

    @property
    def full_range(self) -> bool:
        """Whether codes are full range; everything is BT.709."""
        return self.plan.sensor.full_range

    @cached_property
    def _table(self) -> Table:
        return Table(self.plan.table)

    @cached_property
    def gains(self) -> NDArray[np.float64]:
        """What a perfect neutral shows: linear R, G, B of luminance 1."""
        p = self.plan
        return whitelight.neutral_rgb(
            whitelight.light_rgb(*p.light), whitelight.light_rgb(*p.balanced_to)
        )

    @property
    def neutral_uv(self) -> tuple[float, float]:
        """CIE 1976 u', v' of a perfect neutral in the picture, before clipping."""
        return whitelight.uv_prime(self.gains)

    @property
    def neutral_gains_stops(self) -> tuple[float, float]:
        """Red over green and blue over green of a perfect neutral, in stops."""
        r, g, b = np.log2(self.gains)
        return float(r - g), float(b - g)

    @cached_property
    def first_code(self) -> int:
        """Lowest luma code that is at or above 95 %."""
        exact = self.sensor.black + self.sensor.luma_span * Fraction(95, 100)
        return int(-(-exact.numerator // exact.denominator))

    @cached_property
    def _right_gain(self) -> float:
        """Iris at which 1 % of the picture is relevant and brighter than the anchor."""
        look = self._table.look(0.0)
        light = self.sensor.lens(look.light) * self.gains
        luma = light @ (0.2126, 0.7152, 0.0722)
        edge = _edge(look.labels)
        mine = np.sort(luma[np.isin(look.labels, RELEVANT) & ~edge])
        last = min(int(_RELEVANT_SHARE * luma.size), max(len(mine) - 1, 0))
        level = float(mine[-1 - last]) if len(mine) else float(luma.max())
        return inverse_oetf(self.plan.anchor) / max(level, 1e-3)

    def exposed(self, first: float, last: float) -> Case:
        """Return the same take at another exposure, stops over; drawn only once."""
        other = Case(replace(self.plan, over=(first, last)))
        other.__dict__ |= {"_table": self._table, "_right_gain": self._right_gain}
        return other

    def over_stops(self, time_s: float, seconds: float) -> float:
        """Exposure over the right one at a moment: constant, or a ramp."""
        first, last = self.plan.over
        part = np.clip((time_s / seconds - 0.2) / 0.6, 0, 1)
        return float(first + (last - first) * part)

    def truth_stops(self, truth: Truth) -> float:
        """Return stops to close until at most 1 % of the picture burns and matters.

        Exact for the noiseless picture: light is divided and sent through the camera's
        own curve, knee and clip again. Glints do not count: what is GLINT on tissue
        does not burn without the glint. 0 when nothing need be done.
        """
        mine = truth.light[np.isin(truth.labels, RELEVANT) & ~truth.edge]
        allowed = int(_RELEVANT_SHARE * truth.burnt.size)
        code = 100 * (self.first_code - 0.5 - self.sensor.black) / self.sensor.luma_span
        bright = mine[(mine > 0.5).any(-1)]

        def burns(stops: float) -> bool:
            luma = self.sensor.luma_percent(bright * np.float32(2.0**-stops))
            return int(np.count_nonzero(luma >= code)) > allowed

        if not burns(0.0):
            return 0.0
        low, high = 0.0, 6.0
        for _ in range(14):
            half = 0.5 * (low + high)
            low, high = (half, high) if burns(half) else (low, half)
        return high

    def frames(
        self, fps: float = 10, seconds: float = 3, *, coded: bool = False
    ) -> Iterator[tuple[Planes, Truth]]:
        """Shoot the take.

        Parameters
        ----------
        coded : bool
            Send the pictures through H.264 (crf 20) in memory: real coding noise. All
            frames are made before the first is given.

        Yields
        ------
        planes : (y, cb, cr)
            uint8 4:2:0 or uint16 (10 bits) 4:2:2.
        truth : Truth
            `burnt` is what the given luma shows.
        """
        made = (self._frame(i, i / fps, seconds) for i in range(round(fps * seconds)))
        if not coded:
            for planes, truth in made:
                yield planes, self._seen(planes, truth)
            return
        kept: list[Truth] = []

        def pictures() -> Iterator[Planes]:
            for planes, truth in made:
                kept.append(truth)
                yield planes

        rate = Fraction(fps).limit_denominator(1001)
        for number, planes in enumerate(recode.through_h264(pictures(), fps=rate)):
            yield planes, self._seen(planes, kept[number])

    def _seen(self, planes: Planes, truth: Truth) -> Truth:
        return replace(truth, burnt=planes[0] >= self.first_code)

    def _frame(self, index: int, time_s: float, seconds: float) -> tuple[Planes, Truth]:
        look = self._look(time_s)
        over = self.over_stops(time_s, seconds)
        iris = np.float32(self._right_gain * 2.0**over)
        dry = self.sensor.lens(look.light) * iris
        wet = dry + (self.sensor.lens(look.sparks) * iris)[..., None]
        planes = self.sensor.code(wet, self.gains, index)
        dry = dry * self.gains.astype(np.float32)
        labels = look.labels.copy()
        sparkling = (look.sparks * iris > 0.02) & np.isin(labels, RELEVANT)
        if sparkling.any():
            code = 100 * (self.first_code - 0.5 - self.sensor.black)
            alone = self.sensor.luma_percent(dry[sparkling]) * self.sensor.luma_span
            with_it = self.sensor.luma_percent(
                wet[sparkling] * self.gains.astype(np.float32)
            )
            caused = (alone < code) & (with_it * self.sensor.luma_span >= code)
            spots = labels[sparkling]
            spots[caused] = Label.GLINT
            labels[sparkling] = spots
        neutral = self._neutral(look, dry)
        blank = np.zeros(labels.shape, bool)
        edge = _edge(labels)
        return planes, Truth(time_s, over, labels, blank, dry, neutral, edge)

    def _look(self, time_s: float) -> Look:
        """Return the table, or the white reference before the lens at the start."""
        if time_s >= self.plan.reference_s:
            return self._table.look(time_s)
        table = self._table.look(time_s)
        h, w = table.labels.shape
        rng = np.random.default_rng([tx.RANDOM_STATE, *self.plan.table.number, 99])
        fall = cv2.resize(rng.uniform(0.8, 1.0, (3, 4)), (w, h), None, 0, 0, 2)
        grain = cv2.GaussianBlur(rng.normal(0, 0.03, (h, w)), (0, 0), 0.8)
        # a card held up is exposed on its own: about 70 % luma
        level = inverse_oetf(0.70) / self._right_gain
        sheet = (level * fall * (1 + grain)).astype(np.float32)
        light = np.asarray(cv2.merge([sheet] * 3), np.float32)
        labels = np.full((h, w), int(Label.NEUTRAL), np.uint8)
        return Look(light, np.zeros((h, w), np.float32), labels)

    def _neutral(self, look: Look, light: Plane) -> Mask:
        r, g, b = cv2.split(look.light)  # numpy is slow over an axis of three
        top = np.maximum(np.maximum(r, g), b)
        low = np.minimum(np.minimum(r, g), b)
        grey = np.isin(look.labels, WHITE) & (top - low <= _GREY_SPREAD * top)
        f = self.plan.sensor
        roof = min(f.knee_percent or 1e3, f.clip_percent) / 100
        r, g, b = cv2.split(light)
        usable = np.maximum(np.maximum(r, g), b) < 0.96 * inverse_oetf(roof)
        usable &= light @ (0.2126, 0.7152, 0.0722) > _NEUTRAL_FROM
        mask = (grey & usable).astype(np.uint8)
        return cv2.erode(mask, np.ones((3, 3), np.uint8)).astype(bool)


def _edge(labels: NDArray[np.uint8]) -> Mask:
    """Return the relevant pixels within two of something white."""
    white = np.isin(labels, WHITE).astype(np.uint8)
    near = cv2.dilate(white, np.ones((5, 5), np.uint8)).astype(bool)
    return near & np.isin(labels, RELEVANT)


def cases(split: Split, count: int, first: int = 0) -> Iterator[Case]:
    """Give takes to measure burnt-out areas on.

    Parameters
    ----------
    split : "tune" or "test"
    count : int
        How many; kinds take turns, so a few already show all (see `plans.KINDS`).
    first : int
        Number of the first.
    """
    for number in range(first, first + count):
        yield Case(plans.plan(split, number))


def white_cases(split: Split, count: int, first: int = 0) -> Iterator[Case]:
    """Give takes to measure the white balance on; kinds: `plans.WHITE_KINDS`."""
    for number in range(first, first + count):
        yield Case(plans.white_plan(split, number))
