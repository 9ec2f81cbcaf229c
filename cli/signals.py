"""What the system tells a program to stop with, as the interrupt that everything here can be left by."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def told_to_stop() -> Iterator[None]:
    """SIGTERM, and SIGHUP where the system has it and nobody asked to ignore it, end as Ctrl-C does."""

    def stop(number: int, _frame: object) -> None:
        raise KeyboardInterrupt(f"ended by {signal.Signals(number).name}")

    before = {}
    for name in ("SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) is not signal.SIG_IGN:
            before[number] = signal.signal(number, stop)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
