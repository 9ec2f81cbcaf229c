"""The time between two bursts of an SPI controller that does not keep it by itself."""

from __future__ import annotations

import time
from collections.abc import Callable


class Idle:
    """Keeps chip select inactive between two bursts for at least so long, by waiting."""

    def __init__(self, clock: Callable[[], int] = time.monotonic_ns) -> None:
        self.clock = clock
        self.idle_ns = 0
        self._last = 0

    def wait(self) -> int:
        """Wait until a burst may begin; its time in us."""
        while (now := self.clock()) - self._last < self.idle_ns:
            left = self.idle_ns - (now - self._last)
            if left > 2_000_000:
                time.sleep((left - 1_000_000) / 1e9)
        return now // 1000

    def ended(self) -> None:
        self._last = self.clock()
