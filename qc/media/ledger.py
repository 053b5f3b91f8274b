"""Which coded picture became which frame, and which frames damage has reached.

Bookkeeping with whole numbers, apart from any decoder. Coded pictures are counted in
decoding order; what depends on what follows from that order and from the times at which
pictures are shown. Nothing hangs on when a frame comes back, since decoders with
several threads give the same frames and errors later than those with one.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

__all__ = ["Ledger", "Sent"]

# Without times, a frame's place in decoding order is known to about so many pictures.
_UNSURE = 3
# More coded pictures than this are never on their way through a decoder.
_MOST_WAITING = 1024
_KEYS_KEPT = 64


@dataclass(frozen=True, slots=True)
class Sent:
    """A coded picture that was sent to the decoder.

    Attributes
    ----------
    index : int
        Its place in decoding order.
    pts : int or None
        When it is to be shown; None if nothing tells.
    clock : int
        How often decoding times had run back before it: recordings joined end to end
        start their clock again.
    after : int or None
        Ticks from the coded picture before it in decoding order.
    """

    index: int
    pts: int | None
    clock: int
    after: int | None = None


@dataclass(frozen=True, slots=True)
class _Spoilt:
    """Damage: what was decoded from `first` on may build on it, up to a key frame.

    A key frame decoded at or after `until` ends it.
    """

    first: int
    until: int


class Ledger:
    """Keeps account of the coded pictures and the frames of one stream.

    Parameters
    ----------
    tick : int
        Usual duration of a frame, in ticks of the stream.
    stamped : bool
        Whether presentation times say when pictures are shown. False where the
        container has none (H.264 in AVI): then only reported errors count.
    """

    def __init__(self, *, tick: int, stamped: bool = True) -> None:
        self.lost: list[Sent] = []
        self._stamped = stamped
        self._tick = tick
        self._count = 0
        self._came = 0
        self._matched = 0
        self._clock = 0
        self._last_pts: int | None = None
        self._last_dts: int | None = None
        self._through = -1  # last coded picture whose result is known
        self._ended = False
        self._waiting: dict[int, Sent] = {}
        self._keys: deque[int] = deque(maxlen=_KEYS_KEPT)
        self._failed: set[int] = set()
        self._spoilt: list[_Spoilt] = []
        self._first_shown: dict[int, int] = {}

    @property
    def count(self) -> int:
        """How many coded pictures were sent."""
        return self._count

    @property
    def sound(self) -> bool:
        """Whether no damage reaches what is decoded now."""
        return not self._spoilt

    @property
    def first_outstanding(self) -> int | None:
        """The first coded picture whose frame has not come yet."""
        return min(self._waiting, default=None)

    @property
    def first_loss(self) -> int | None:
        """The first coded picture that is lost if nothing more comes."""
        losses = (w.index for w in self._waiting.values() if self._is_loss(w))
        return min(losses, default=None)

    def send(
        self,
        *,
        pts: int | None,
        dts: int | None,
        shown: bool = True,
        key: bool = False,
    ) -> int:
        """Note a coded picture in decoding order and return its place there.

        Parameters
        ----------
        shown : bool
            False if no frame is to come from it: others build on it, that is all.
        """
        index = self._count
        self._count += 1
        if dts is not None:
            self._clock += self._last_dts is not None and dts < self._last_dts
            self._last_dts = dts
        if shown and self._stamped and pts is not None:
            after = None if self._last_pts is None else pts - self._last_pts
            self._waiting[index] = Sent(index, pts, self._clock, after)
            if len(self._waiting) > _MOST_WAITING:
                del self._waiting[next(iter(self._waiting))]
        self._last_pts = pts
        if key:
            self._keys.append(index)
        return index

    def broken(self, first: int, until: int) -> None:
        """Note that the data of the coded pictures ``[first, until)`` are not whole."""
        self._spoilt.append(_Spoilt(first, until))

    def failed(self, index: int) -> None:
        """Note that no whole frame could be decoded from a coded picture."""
        if index in self._failed:
            return
        self._failed.add(index)
        # Damage that makes a picture undecodable often begins in the one before it in
        # the file, where the decoder may not have noticed.
        margin = 1 if self._stamped else _UNSURE
        self._spoilt.append(_Spoilt(index - margin, index + margin))

    def _spoil(self, index: int) -> None:
        margin = 0 if self._stamped else _UNSURE - 1
        self._spoilt.append(_Spoilt(index - margin, index + 1 + margin))

    def came(self, pts: int | None, *, key: bool) -> Sent:
        """Note a frame and return the coded picture that it is.

        Parameters
        ----------
        pts : int or None
            The frame's presentation time.
        key : bool
            The frame can be decoded without others.
        """
        sent = self._match(pts)
        self._came += 1
        if sent is None or sent.pts is None:
            return Sent(self._place(key=key), None, self._clock)
        first = self._first_shown.get(sent.clock, sent.pts)
        self._first_shown[sent.clock] = min(first, sent.pts)
        return sent

    def settle(self, sent: Sent) -> None:
        """Give up what should have been shown before a frame that is shown now."""
        for late in self._late(sent):
            del self._waiting[late.index]
            self._give_up(late)

    def lacks(self, sent: Sent) -> bool:
        """Return whether a frame is missing that should be shown before another."""
        return any(self._is_loss(w) for w in self._late(sent))

    def first_lost(self, pts: int | None) -> int | None:
        """Return the first coded picture that would count as lost if a frame came."""
        sent = next((w for w in self._waiting.values() if w.pts == pts), None)
        if sent is None:
            return None
        lost = [w.index for w in self._late(sent) if self._is_loss(w)]
        return min(lost, default=None)

    def put_back(self, sent: Sent) -> None:
        """Wait again for a frame that came, but is to be decoded once more."""
        if sent.pts is not None:
            self._waiting[sent.index] = sent

    def know(self, through: int) -> None:
        """Note that the results of all coded pictures up to one are known."""
        self._through = max(self._through, through)

    def rewind(self, through: int) -> None:
        """Note that decoding starts once more behind a coded picture."""
        self._through = min(self._through, through)

    def _match(self, pts: int | None) -> Sent | None:
        for sent in self._waiting.values():
            if sent.pts == pts:
                self._matched += 1
                return self._waiting.pop(sent.index)
        for sent in self.lost:
            if sent.pts == pts:
                self.lost.remove(sent)  # late, but not lost
                return sent
        return None

    def _place(self, *, key: bool) -> int:
        """Return about which coded picture a frame is, by counting."""
        place = self._came - 1
        for index in sorted(self._failed):
            place += index <= place
        while key and self._keys and self._keys[0] <= place:
            place_of_key = self._keys.popleft()
            if not self._keys or self._keys[0] > place:
                return place_of_key
        return place

    def _late(self, shown: Sent) -> list[Sent]:
        """Return what should have been shown before a frame that has come."""
        at = shown.pts
        if at is None:
            return []
        return [
            w
            for w in self._waiting.values()
            if w.pts is not None
            and w.pts <= at
            and w.index <= self._through
            and w.index != shown.index
            and w.clock == shown.clock
        ]

    def _is_loss(self, sent: Sent) -> bool:
        first = self._first_shown.get(sent.clock)
        if first is None or sent.pts is None or sent.pts <= first:
            return False  # what leads up to the first whole picture cannot be decoded
        return sent.after is None or not self._is_second_field(sent.after)

    def _give_up(self, sent: Sent) -> None:
        if self._is_loss(sent):
            self.lost.append(sent)
            self.failed(sent.index)

    def _is_second_field(self, after: int) -> bool:
        """Tell a second field's packet: half a frame behind the first, or at it."""
        return after == 0 or 0.4 * self._tick < after < 0.6 * self._tick

    def complete(self, sent: Sent) -> bool:
        """Return whether everything is known that a frame may have suffered from.

        These are the coded pictures before it in decoding order, and the one behind it.
        """
        if self._ended:
            return True
        if sent.pts is None:
            return self._through >= sent.index + _UNSURE
        if self._through <= sent.index:
            return False
        # A loop by hand: it is asked of every frame, of all that wait.
        for w in self._waiting.values():
            after = w.pts is None or w.pts > sent.pts
            if after and w.index <= sent.index + 1 and w.clock == sent.clock:
                return False
        return True

    def awaits(self, pts: int | None) -> bool:
        """Return whether the frame of this time has not come yet."""
        return any(w.pts == pts for w in self._waiting.values())

    def note_corrupt(self, sent: Sent) -> None:
        """Note that the decoder says that a frame is not whole."""
        self._spoil(sent.index)

    def damaged(self, sent: Sent, *, whole_key: bool) -> bool:
        """Return whether damage reaches a frame; to be asked in order of showing.

        Parameters
        ----------
        whole_key : bool
            The frame was decoded without others, and without errors.
        """
        if whole_key:
            self._spoilt = [s for s in self._spoilt if s.until > sent.index]
        return any(s.first <= sent.index for s in self._spoilt)

    def close(self) -> None:
        """Give up whatever has not come when the stream has ended."""
        self._ended = True
        # Where hardly any frame has its packet's time, the times do not tell.
        if 2 * self._matched >= self._came:
            for sent in list(self._waiting.values()):
                self._give_up(sent)
        self._waiting.clear()
