"""Take items from an iterator one step ahead, in a thread of its own.

numpy lets other threads run inside its loops, so that the next block of a capture is read on a
second core while transfers are built from this one. Order and content stay the same; an exception
of the iterator is raised where its item would have come.
"""

from __future__ import annotations

import contextvars
import queue
import threading
from collections.abc import Generator, Iterator
from typing import TypeVar

from ..lines.signals import Block, Capture

T = TypeVar("T")


class _End:
    """What the thread sends last: nothing more, or the exception that ended it."""

    def __init__(self, error: BaseException | None) -> None:
        self.error = error


def ahead(items: Iterator[T], depth: int = 2) -> Generator[T, None, None]:
    """The same items; up to `depth` of them are ready before they are asked for.

    When the consumer stops early (close, exception), the thread ends after the item in hand.
    """
    ready: queue.Queue[T | _End] = queue.Queue(depth)
    stop = threading.Event()

    def put(item: T | _End) -> bool:
        while not stop.is_set():
            try:
                ready.put(item, timeout=0.1)
            except queue.Full:
                continue
            return True
        return False

    def work() -> None:
        error: BaseException | None = None
        try:
            for item in items:
                if not put(item):
                    return
        except BaseException as caught:  # handed over, not hidden: it is raised in the consumer
            error = caught
        put(_End(error))

    thread = threading.Thread(
        target=contextvars.copy_context().run, args=(work,), name="capture-ahead", daemon=True
    )
    thread.start()
    try:
        while True:
            item = ready.get()
            if isinstance(item, _End):
                if item.error is not None:
                    raise item.error
                return
            yield item
    finally:
        stop.set()
        thread.join()


def blocks_ahead(capture: Capture) -> Generator[Block, None, None]:
    """The blocks of a capture; where they come from a file, the next ones are read meanwhile.

    A stream may keep whoever reads it waiting for ever, and a thread that waits cannot be stopped:
    Ctrl-C would not end the program. So streams are read in turn.
    """
    _, total = capture.position
    yield from ahead(capture.blocks()) if total else capture.blocks()
