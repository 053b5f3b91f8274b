"""What a screen shows of a small picture, and which places turn bright or dark.

Both ways do the same operations in the same order, so that they agree to the last bit.
"""

from __future__ import annotations

from typing import NamedTuple, TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from qc import kernels

if kernels.compiled:  # else slower, and otherwise the same
    from qc.kernels import _planes

__all__ = [
    "ScreenTable",
    "TurnLimits",
    "Turns",
    "mixed",
    "needed",
    "redness",
    "screen_light",
]

Array: TypeAlias = NDArray[np.float32]
Mask: TypeAlias = NDArray[np.bool_]
_Plane: TypeAlias = NDArray[np.unsignedinteger]

_MOST_WIDE = 1024  # places of a row that the passes in C have room for


class ScreenTable:
    """How codes become light.

    Attributes
    ----------
    light : (n,) array of float32
        Light of one channel.
    to_places : (3, 4) array
        What makes places of R', G', B' in it of luma, Cb, Cr and 1.
    mix : (3, 3) array
        What makes luminance, redness and "saturated red" of light.
    red_from : float
        Cr from which a place may be saturated red; if its luma is at most
        ``(Cr - red_zero) * red_luma`` as well.
    red_step : float
        Redness from which one is.
    """

    __slots__ = ("_rooms", "light", "mix", "numbers", "to_places")

    def __init__(
        self,
        light: Array,
        to_places: Array,
        mix: Array,
        *,
        red_from: float,
        red_zero: float,
        red_luma: float,
        red_step: float,
    ) -> None:
        self.light, self.to_places, self.mix = light, to_places, mix
        rest = np.array([red_from, red_zero, red_luma, red_step], np.float32)
        self.numbers: Array = np.concatenate([to_places.ravel(), mix.ravel(), rest])
        self._rooms: list[tuple[Array, Mask]] = []

    def room(self, rows: int, columns: int) -> tuple[Array, Mask]:
        """Return where to put a picture: by turns one of two, not got ever again."""
        if not self._rooms or self._rooms[0][1].shape != (rows, columns):
            self._rooms = [
                (
                    np.empty((5, rows, columns), np.float32),
                    np.empty((rows, columns), np.bool_),
                )
                for _ in range(2)
            ]
        self._rooms.reverse()
        return self._rooms[0]


def screen_light(
    luma: Array, cb: _Plane, cr: _Plane, table: ScreenTable, *, red: bool
) -> tuple[Array, tuple[Array, Mask] | None, bool]:
    """Return what a screen shows of a picture, on a grid half as fine as its luma.

    Parameters
    ----------
    luma : (h, w) array of float32
        Averaged over each cell of the grid.
    cb, cr : arrays of uint8 or uint16
        One sample counts for a cell.
    red : bool
        Look for saturated red even where colour alone says that there is none.

    Returns
    -------
    light : (4, rows, columns) array
        R, G, B and luminance.
    red : (redness, saturated) or None
        None where nothing is saturated red; see `redness`.
    found : bool
        Whether anything is saturated red.

    Notes
    -----
    The arrays may be written again for the second picture after.
    """
    height, width = luma.shape
    rows, columns = max(1, height // 2), max(1, width // 2)
    if _fits(luma, cb, cr, columns):
        out, saturated = table.room(rows, columns)
        may, found = _planes.screen_light(
            luma, luma.shape, cb, cr, (rows, columns), table.light,
            len(table.light) - 1, table.numbers, red, out, saturated,
        )  # fmt: skip
        return out[:4], (out[4], saturated) if may else None, bool(found)
    codes = np.empty((3, rows, columns), np.float32)
    codes[0] = _halved(luma, rows, columns)
    for code, plane in zip(codes[1:], (cb, cr), strict=True):
        code[...] = cv2.resize(plane, (columns, rows), interpolation=cv2.INTER_NEAREST)
    light = np.empty((4, rows, columns), np.float32)
    top = np.float32(len(table.light) - 1)
    for channel, (a, b, c, d) in zip(light[:3], table.to_places, strict=True):
        place = ((a * codes[0] + b * codes[1]) + c * codes[2]) + d
        channel[...] = table.light[np.clip(place, np.float32(0), top).astype(np.int32)]
    light[3] = mixed(light, table.mix[0])
    red_from, red_zero, red_luma, _ = table.numbers[-4:]
    may_be = codes[2] >= red_from
    may_be &= codes[0] <= (codes[2] - red_zero) * red_luma
    if not (red or may_be.any()):
        return light, None, False
    kinds = redness(light, table)
    return light, kinds, bool(kinds[1].any())


def _fits(luma: Array, cb: _Plane, cr: _Plane, columns: int) -> bool:
    """Tell whether the pass in C can read these."""
    if not kernels.compiled or columns > _MOST_WIDE or not luma.flags.c_contiguous:
        return False
    return (
        cb.size > 0
        and cb.shape == cr.shape
        and cb.dtype == cr.dtype
        and cb.strides[1] == cb.itemsize == cr.strides[1]
    )


def _halved(luma: Array, rows: int, columns: int) -> Array:
    """Return means of two by two pixels, of what there is."""
    down, across = min(2, luma.shape[0]), min(2, luma.shape[1])
    sums = []
    for i in range(down):
        lines = luma[i : rows * down : down]
        total = lines[:, : columns * across : across]
        if across == 2:
            total = total + lines[:, 1 : columns * across : across]
        sums.append(total)
    out = sums[0] + sums[1] if down == 2 else sums[0]
    return np.asarray(out * np.float32(1.0 / (down * across)), np.float32)


def mixed(light: Array, mix: Array) -> Array:
    """Return a weighted sum of R, G and B, one after the other."""
    return np.asarray((mix[0] * light[0] + mix[1] * light[1]) + mix[2] * light[2])


def redness(light: Array, table: ScreenTable) -> tuple[Array, Mask]:
    """Return redness, at least 0, and where it is saturated, of R, G and B."""
    excess = np.maximum(mixed(light, table.mix[1]), np.float32(0))
    over = mixed(light, table.mix[2])
    return excess, (over >= 0) & (excess >= table.numbers[-1])


# --------------------------------------------------------------------- turning points


class TurnLimits(NamedTuple):
    """What counts as a turn.

    Attributes
    ----------
    least : float
        A change by less does not count.
    dark : float
        Nor does one whose darker end is not under this.
    contrast : float
        Unless it is a so manieth of that; 0: none is.
    fresh : float
        Share of the places that must turn now, or none are told.
    """

    least: float
    dark: float
    contrast: float
    fresh: float


def needed(darker: Array, how: TurnLimits) -> Array:
    """Return by how much a place must be brighter than `darker` to count."""
    over = darker / np.float32(how.contrast) if how.contrast else np.float32(np.inf)
    least = np.float32(how.least)
    return np.asarray(np.where(darker < np.float32(how.dark), least, over), np.float32)


class Turns:
    """Follows every place between turning points; remembers when each last turned.

    Parameters
    ----------
    values : (h, w) array of float32
        The first picture's.
    saturated : (h, w) array of bool or None
        Where it is saturated red, if changes count only to and from such; None: by
        their size.
    limits : TurnLimits
    """

    def __init__(
        self, values: Array, saturated: Mask | None, limits: TurnLimits
    ) -> None:
        self.shape = values.shape
        self._limits = limits
        self._red = saturated is not None
        # The first picture; the farthest since the last turn; and 1 where a fall is
        # awaited, -1 where a rise is. The second is kept with this sign, so that the
        # last turning point is the largest value since.
        self._state = np.stack([values, -values, np.full_like(values, -1.0)])
        # Where red was saturated at first, and at the turn; where nothing counted yet.
        self._flags = np.zeros((3, *values.shape), np.bool_)
        if saturated is not None:
            self._flags[:2] = saturated
        self._flags[2] = True
        self._when = np.full((2, *values.shape), -np.inf)

    @property
    def ever_red(self) -> bool:
        """Whether the last turning point of any place is saturated red."""
        return bool(self._flags[1].any())

    def passed(self, values: Array) -> None:
        """Take in a picture in which nothing can have turned."""
        np.maximum(self._state[1], values * self._state[2], out=self._state[1])

    def read(
        self,
        values: Array,
        saturated: Mask | None,
        *,
        at_s: float,
        since_s: float,
        watch_first: bool,
    ) -> tuple[float, float]:
        """Return the percent of places that rose and that fell a short while ago.

        Parameters
        ----------
        at_s : float
            Now.
        since_s : float
            A place counts that turned after this.
        watch_first : bool
            Count places that begin by falling as well.
        """
        how = self._limits
        if kernels.compiled:
            return _planes.place_turns(
                values.size, values, saturated if self._red else None, self._state,
                self._flags, self._when, how[:3], (at_s, since_s, how.fresh),
                watch_first,
            )  # fmt: skip
        first, turn, side = self._state
        first_red, turn_red, untouched = self._flags
        now = values * side
        if saturated is not None:
            np.copyto(turn_red, saturated, where=now > turn)
        np.maximum(turn, now, out=turn)
        back = turn - now >= np.float32(how.least)
        back &= self._counts(values, turn * side, saturated, turn_red)
        rose, fell = back & (side < 0), back & (side > 0)
        if watch_first:
            begins = untouched & (first - values >= np.float32(how.least))
            fell |= begins & self._counts(values, first, saturated, first_red)
        turn[back] = -side[back] * values[back]
        if saturated is not None:
            turn_red[back] = saturated[back]
        side[back] = -side[back]
        untouched &= ~(rose | fell)
        self._when[0][rose] = at_s
        self._when[1][fell] = at_s
        told = zip((rose, fell), self._when, strict=True)
        up, down = (self._recent(turned, when, since_s) for turned, when in told)
        return up, down

    def _counts(
        self, values: Array, before: Array, saturated: Mask | None, was_red: Mask
    ) -> Mask:
        """Return where a change from `before` counts."""
        if saturated is not None:
            return was_red | saturated
        need = needed(np.minimum(before, values), self._limits)
        return np.asarray(np.abs(before - values) >= need, np.bool_)

    def _recent(self, turned: Mask, when: NDArray[np.float64], since_s: float) -> float:
        now = np.count_nonzero(turned)
        if not now or now < self._limits.fresh * when.size:
            return 0.0
        return 100.0 * int(np.count_nonzero(when > since_s)) / when.size
