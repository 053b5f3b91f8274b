"""Takes items from an iterator in a thread of its own, a few before they are wanted."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Generator, Iterable, Iterator
from typing import Generic, TypeVar

__all__ = ["read_ahead"]

Item = TypeVar("Item")


def read_ahead(items: Iterable[Item], most: int) -> Generator[Item, None, None]:
    """Yield items in their order while the next are already fetched.

    The source is asked in one other thread; what it raises is raised here, behind the
    items before it. Whoever leaves early waits for that thread: nobody reads the source
    any more when the generator is closed.

    Parameters
    ----------
    items : iterable
        The source; a generator is closed when nobody wants more.
    most : int
        So many items may wait, one at least.

    Examples
    --------
    >>> list(read_ahead(range(5), 2))
    [0, 1, 2, 3, 4]
    """
    waiting = _Waiting[Item](max(1, most))
    thread = threading.Thread(target=waiting.fill, args=(items,), daemon=True)
    thread.start()
    try:
        yield from waiting.taken()
    finally:
        waiting.leave()
        thread.join()


class _Waiting(Generic[Item]):
    """What is fetched and not wanted yet."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._items: deque[Item] = deque()
        self._changed = threading.Condition()
        self._ended = self._left = False
        self._error: BaseException | None = None

    def fill(self, items: Iterable[Item]) -> None:
        """Fetch until the source ends or nobody wants more; in the other thread."""
        source = iter(items)
        try:
            while not self._left:
                # Not before there is room: an item that waits here would be one more.
                with self._changed:
                    while len(self._items) >= self._most and not self._left:
                        self._changed.wait()
                if self._left:
                    break
                item = next(source)
                with self._changed:
                    self._items.append(item)
                    self._changed.notify()
                del item
            close = getattr(source, "close", None)
            if close is not None:
                close()
        except StopIteration:
            pass
        except BaseException as error:
            # Whatever it is: the thread that wants the items has to know.
            self._error = error
        finally:
            with self._changed:
                self._ended = True
                self._changed.notify()

    def taken(self) -> Iterator[Item]:
        while True:
            with self._changed:
                while not (self._items or self._ended):
                    self._changed.wait()
                if not self._items:
                    break
                item = self._items.popleft()
                self._changed.notify()
            yield item
            del item
        if self._error is not None:
            raise self._error

    def leave(self) -> None:
        with self._changed:
            self._left = True
            self._items.clear()
            self._changed.notify()
