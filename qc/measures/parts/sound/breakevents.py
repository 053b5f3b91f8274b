"""What the breaks of a sound track are as events, and what is said of them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from qc.measures.parts.sound.soundlines import grouped
from qc.records import AudioTrack

__all__ = [
    "CLICKS",
    "Event",
    "Found",
    "advice",
    "clusters",
    "events_of",
    "named",
    "one_said",
]

CLICKS = ("click", "jump")
Found = tuple[int, str, int, int, float]
"""Channel, kind, first sample and the one behind the last, height."""

# Holes may be known to a hundredth of a second only.
_APART_S, _APART_HOLES_S = 0.002, 0.015
# A click belongs to a hole that is nearer than this share of the gap between findings.
_NEAR_SHARE = 8


@dataclass(frozen=True, slots=True)
class Event:
    """A break in some channels of a track; `first` and `last` are samples, half-open.

    A gap of the file itself has the kind ``"gap"``. `height` of a click or jump is its
    furthest step from a sample to the next, as a share of the whole scale.
    """

    kind: str
    first: int
    last: int
    height: float
    channels: tuple[int, ...]


def events_of(breaks: Iterable[Found], track: AudioTrack) -> list[Event]:
    """Return breaks in time; the same moment in several channels is one event."""
    apart = {"hole": round(_APART_HOLES_S * track.sample_rate)}
    near = round(_APART_S * track.sample_rate)
    out: list[Event] = []
    for channel, kind, first, last, height in sorted(
        breaks, key=lambda b: (b[2], b[0])
    ):
        twin = next(
            (
                k
                for k in range(len(out) - 1, max(len(out) - 1 - track.channels, -1), -1)
                if out[k].kind == kind
                and first - out[k].first <= apart.get(kind, near)
                and channel not in out[k].channels
            ),
            None,
        )
        if twin is None:
            out.append(Event(kind, first, last, height, (channel,)))
            continue
        one = out[twin]
        out[twin] = Event(
            kind,
            one.first,
            max(one.last, last),
            max(one.height, height),
            (*one.channels, channel),
        )
    return out


def clusters(events: list[Event], gap: int, *, many: int) -> Iterator[list[Event]]:
    """Yield events of the same channels that lie close together.

    Parameters
    ----------
    gap : int
        Samples from which on they are apart.
    many : int
        Fewer clicks than this are apart from a hole unless they lie beside it.
    """
    by_channels: dict[tuple[int, ...], list[Event]] = {}
    for event in events:
        by_channels.setdefault(tuple(sorted(event.channels)), []).append(event)
    for own in by_channels.values():
        for together in _together(own, gap):
            holes = [e for e in together if e.kind not in CLICKS]
            near = gap // _NEAR_SHARE
            beside: list[Event] = []
            rest: list[Event] = []
            for event in together:
                is_near = any(
                    h.first - near < event.last and event.first < h.last + near
                    for h in holes
                )
                (beside if is_near else rest).append(event)
            if not holes or not rest or len(rest) >= many:
                yield together
            else:
                yield from _together(beside, gap)
                yield from _together(rest, gap)


def _together(events: list[Event], gap: int) -> Iterator[list[Event]]:
    held: list[Event] = []
    for event in events:
        if held and event.first - held[-1].last >= gap:
            yield held
            held = []
        held.append(event)
    if held:
        yield held


_PLURALS = {
    "zeros": "gap", "held": "stretch of stuck samples", "hole": "hole",
    "repeat": "repeated block", "jump": "jump", "click": "click",
}  # fmt: skip


def named(kind: str, count: int) -> str:
    """Return how many breaks of a kind there are."""
    name = _PLURALS[kind]
    if count == 1:
        return f"1 {name}"
    plural = "stretches of stuck samples" if kind == "held" else f"{name}s"
    return f"{grouped(count)} {plural}"


def one_said(event: Event, rate: int) -> str:
    """Return what happened, for the end of a sentence."""
    ms = 1000.0 * (event.last - event.first) / rate
    length = f"{ms:.0f} ms" if ms >= 10 else f"{ms:.1f} ms"
    if ms >= 1000:
        length = f"{ms / 1000:.1f} s"
    step = f"{_percent(event.height)} % of the whole scale"
    return {
        "zeros": f"no signal at all for {length} in the middle of sound",
        "held": f"the signal stands still for {length} in the middle of sound",
        "hole": f"the sound falls away for {length} and is back at once",
        "repeat": f"a block of sound is repeated, {length}",
        "jump": f"a jump of {step}: two pieces that do not join",
        "click": f"a click, {step} from one sample to the next",
    }[event.kind]


def _percent(share: float) -> str:
    """Return a share as percent with two figures at least.

    Examples
    --------
    >>> [_percent(s) for s in (0.85, 0.0512, 0.00283)]
    ['85', '5.1', '0.28']
    """
    percent = 100.0 * share
    return f"{percent:.{0 if percent >= 9.95 else 1 if percent >= 0.995 else 2}f}"


_CABLE = (
    "move plugs and cables one by one and listen, use another cable; with a wireless "
    "microphone look at its battery and at the receiver's signal"
)
_DIGITAL = (
    "where sound comes in digitally (USB, network, SDI), give all devices one clock "
    "and a larger buffer; try another card in the recorder"
)


def advice(kinds: set[str]) -> str:
    """Return what to do about breaks of such kinds."""
    if kinds & {"repeat", "held"}:
        return f"{_DIGITAL}; else {_CABLE}."
    if kinds <= {"click", "jump"}:
        return (
            f"{_CABLE}; keep hands and cables off the microphone. In digital sound "
            "regular clicks come from devices that do not share one clock."
        )
    return f"{_CABLE}; {_DIGITAL}."
