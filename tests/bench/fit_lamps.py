"""Fits what tells the lamp that a picture was taken under, on "tune" takes alone.

    python tests/bench/fit_lamps.py [--count N] [--keep FOLDER] [--check] [--write]

Takes the last frame of each take of `fit_highlights`, its field under lamps greener and
pinker than a black body, and plain fields, and fits one small network (`smallnet`) to
which lamp of which tint is the right one. `--check` prints what fits do to a third of
the takes that is left out. `--write` puts the table into `brightlamps.py`; run it
before `fit_highlights`, whose features are measured against the white that it finds.
`--keep` keeps what was measured. The table as it stands is of plain fields and of takes
277 to 428, 108 from 932 to 1098 under other lamps and 192 from 1200 to 1399 under
tinted ones.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

_ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(_ROOT), str(_ROOT / "sample_media")]

from qc.measures.parts.burnt.brightblocks import block_counts  # noqa: E402
from qc.measures.parts.burnt.brightcues import LAMP_SLOPE, stops_of  # noqa: E402
from qc.measures.parts.burnt.brightparts import BrightMemory, scene_of  # noqa: E402
from qc.measures.parts.burnt.brightwhite import (  # noqa: E402
    LAMP_FEATURES,
    LAMPS,
    TINTS,
    Votes,
    chances,
    evidence_of,
    settled,
    votes_of,
)
from qc.records import Picture  # noqa: E402
from qc.signal import Signal  # noqa: E402
from tests.bench import smallnet  # noqa: E402
from tests.bench.fit_highlights import (  # noqa: E402
    RANDOM_STATE,
    exposures,
    relit,
    write,
)
from tests.bench.plainfield import PlainField  # noqa: E402
from tests.bench.tinted import tinted  # noqa: E402

Rows = NDArray[np.float32]

_PLAIN, _LEFT_OUT = 800, 3
# How near to a lamp, and to a tint, counts as it, in stops.
_NEAR, _NEAR_TINT = 0.12, 0.08
_WRONG = 0.3


@dataclass(frozen=True, slots=True, eq=False)
class Shown:
    """What one frame shows of its lamp, and the truth.

    Attributes
    ----------
    white : (float, float)
        Stops of red and of blue over green of a perfect neutral.
    take : int
        Which take it is of; plain fields count down from -1.
    """

    votes: Sequence[Votes]
    evidence: Rows
    white: tuple[float, float]
    take: int

    @property
    def tint(self) -> float:
        """How far its white lies off the line of lamps."""
        return self.white[0] + LAMP_SLOPE * self.white[1]


def shown(votes: Sequence[Votes], white: tuple[float, float], take: int) -> Shown:
    """Return what a frame shows from the votes of its places."""
    return Shown(votes, np.concatenate([evidence_of(v) for v in votes]), white, take)


def measure(case: Any, planes: Any, white: tuple[float, float], take: int) -> Shown:
    """Measure one frame."""
    signal = Signal(bit_depth=case.bit_depth, full_range=case.full_range)
    y, cb, cr = planes
    picture = Picture(index=0, pts=0, duration=1, y=y, cb=cb, cr=cr, signal=signal)
    code = case.first_code
    counts = block_counts(y, code)
    scene = scene_of(picture, counts, code=code, memory=BrightMemory())
    votes = votes_of(scene, stops_of(scene.rgb, scene.transfer))
    return shown(votes, white, take)


def keep(path: Path, of: Sequence[Shown]) -> None:
    """Write a take's frames into a file."""
    every = [v for one in of for v in one.votes]
    np.savez(
        path,
        allow_pickle=False,
        kind=np.concatenate([v.kind for v in every]),
        seen=np.concatenate([[v.red, v.blue] for v in every], axis=1),
        sizes=np.array([len(v.kind) for v in every]),
        places=np.array([v.places for v in every]),
        whole=np.array([v.whole for v in every]),
        white=np.array([one.white for one in of]),
        take=np.array([one.take for one in of]),
    )


def kept(path: Path) -> Iterator[Shown]:
    """Read what `keep` wrote."""
    with np.load(path) as file:
        of = {name: file[name] for name in file.files}
    ends = np.cumsum(of["sizes"]).tolist()
    every = []
    for n, (first, last) in enumerate(zip([0, *ends], ends, strict=False)):
        red, blue = of["seen"][:, first:last]
        tint, whole = TINTS[n % len(TINTS)], tuple(of["whole"][n].tolist())
        kind = of["kind"][first:last]
        every.append(Votes(kind, red, blue, tint, int(of["places"][n]), whole))
    for n, (red, blue) in enumerate(of["white"].tolist()):
        mine = every[n * len(TINTS) : (n + 1) * len(TINTS)]
        yield shown(mine, (red, blue), int(of["take"][n]))


def draw(count: int, folder: Path | None) -> list[Shown]:
    """Draw takes and measure them; takes kept from before are read."""
    from theatre import family  # type: ignore[import-not-found]

    found: list[Shown] = []
    for case in family.cases("tune", count):
        number = case.plan.number
        path = None if folder is None else folder / f"lamps{number:03d}.npz"
        if path is not None and path.exists():
            found += kept(path)
            continue
        of = []
        for take in (*exposures(case), *relit(case), *tinted(case)):
            *_, (planes, _) = take.frames(1, 3, coded=True)
            of.append(measure(take, planes, take.neutral_gains_stops, number))
        if path is not None:
            keep(path, of)
        found += of
        print(f"take {number}: {len(of)} frames", flush=True)
    for number in range(_PLAIN):
        field = PlainField(number)
        planes, _ = field.frame()
        white = field.lamp_red, field.lamp_stops
        found.append(measure(field, planes, white, -1 - number))
    return found


def fit(frames: Sequence[Shown]) -> smallnet.Net:
    """Fit the network to which lamp of which tint it is."""
    blue, tint = (
        np.array([[of] for of in every])
        for every in ([s.white[1] for s in frames], [s.tint for s in frames])
    )
    near = np.exp(-0.5 * ((LAMPS - blue) / _NEAR) ** 2)
    # A tint beyond the last counts as the last.
    tint = tint.clip(TINTS[0], TINTS[-1])
    alike = np.exp(-0.5 * ((np.array(TINTS) - tint) / _NEAR_TINT) ** 2)
    both = (alike[:, :, None] * near[:, None, :]).reshape(len(frames), -1)
    true = (both / both.sum(axis=1, keepdims=True)).astype(np.float32)
    return smallnet.choose(np.stack([s.evidence for s in frames]), true, 0)


def check(frames: Sequence[Shown]) -> Iterator[str]:
    """Say what a fit does to a part of the takes that it was not fitted on."""
    takes = np.random.default_rng(RANDOM_STATE).permutation(
        np.unique([s.take for s in frames])
    )
    left = set(takes[::_LEFT_OUT].tolist())
    net = fit([s for s in frames if s.take not in left])
    yield from told(net, [s for s in frames if s.take in left])


def told(net: smallnet.Net, frames: Sequence[Shown]) -> Iterator[str]:
    """Say how far off a network's whites are."""
    found = [settled(s.votes, chances(net.merits(s.evidence))) for s in frames]
    true = np.array([s.white for s in frames])
    off = np.abs(np.array([white[:2] for white in found]) - true)
    tint = np.abs([s.tint for s in frames])
    cast = np.abs(true[:, 1]) > _WRONG
    for name, some in (
        ("balanced", ~cast & (tint < _NEAR)), ("under a cast", cast & (tint < _NEAR)),
        ("tinted", ~cast & (tint >= _NEAR)), ("both", cast & (tint >= _NEAR)),
    ):  # fmt: skip
        red, blue = (off[some] > _WRONG).mean(axis=0)
        yield (
            f"{name} ({some.sum()}): median error {np.median(off[some], axis=0)} stops "
            f"of red and blue, {100 * red:.1f} and {100 * blue:.1f} % off by more than "
            f"{_WRONG}"
        )


def main(arguments: Sequence[str] | None = None) -> int:
    """Draw, fit, and print or write the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--count", type=int, default=429, help="takes to draw")
    parser.add_argument("--keep", type=Path, help="folder for what was measured")
    parser.add_argument("--check", action="store_true", help="fit to a part of it")
    parser.add_argument("--write", action="store_true", help="write the table")
    given = parser.parse_args(arguments)
    if given.keep is not None:
        given.keep.mkdir(parents=True, exist_ok=True)
    frames = draw(given.count, given.keep)
    if given.check:
        print("\n".join(check(frames)))
        return 0
    table = smallnet.table(LAMP_FEATURES, fit(frames))
    if given.write:
        write("brightlamps", table)
    else:
        print(table)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
