"""What the system tells a program to stop with, as the interrupt that everything here can be left by."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager


@contextmanager
def noticed() -> Iterator[Callable[[], bool]]:
    """Ctrl-C is noted instead of raised, for work that looks whether it came and then ends in good order.

    Gives what tells whether it came. A second one ends the program as ever.
    """
    came = False

    def note(number: int, _frame: object) -> None:
        nonlocal came
        came = True
        signal.signal(number, before)

    before = signal.signal(signal.SIGINT, note)
    try:
        yield lambda: came
    finally:
        signal.signal(signal.SIGINT, before)


@contextmanager
def told_to_stop() -> Iterator[Callable[[], None]]:
    """SIGTERM, and SIGHUP where the system has it and nobody asked to ignore it, end as Ctrl-C does.

    Gives what is to be called once only the last line is left to write: until the block ends nothing
    interrupts that, Ctrl-C neither.
    """

    def stop(number: int, _frame: object) -> None:
        raise KeyboardInterrupt(f"ended by {signal.Signals(number).name}")

    def ending() -> None:
        for number in before:
            signal.signal(number, signal.SIG_IGN)

    before = {signal.SIGINT: signal.getsignal(signal.SIGINT)}
    for name in ("SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) is not signal.SIG_IGN:
            before[number] = signal.signal(number, stop)
    try:
        yield ending
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
