"""Time of a simulated chip, in whole nanoseconds from its start."""

from __future__ import annotations

import time
from fractions import Fraction

from ..errors import CallError

SECOND = 1_000_000_000


def nanoseconds(seconds: Fraction | float) -> int:
    """Seconds as whole nanoseconds, rounded up so that no wait is cut short."""
    exact = Fraction(seconds) * SECOND
    return -(-exact.numerator // exact.denominator)


class Clock:
    """Virtual time: moves only when told, so that runs repeat to the nanosecond."""

    def __init__(self, ns: int = 0) -> None:
        self._ns = ns

    @property
    def ns(self) -> int:
        """Now, in nanoseconds."""
        return self._ns

    @property
    def seconds(self) -> Fraction:
        """Now, in seconds."""
        return Fraction(self.ns, SECOND)

    def advance(self, ns: int) -> None:
        """Let `ns` nanoseconds pass. Raises CallError where time would run backwards."""
        if ns < 0:
            raise CallError(f"time cannot run backwards ({ns} ns)")
        self._ns += ns

    def reach(self, ns: int) -> None:
        """Let time pass until `ns`, where that has not come yet."""
        self._ns = max(self._ns, ns)


class RealClock(Clock):
    """The machine's monotonic clock; what is simulated takes no time of its own."""

    def __init__(self) -> None:
        super().__init__()
        self._begin = time.monotonic_ns()

    @property
    def ns(self) -> int:
        return time.monotonic_ns() - self._begin

    def advance(self, ns: int) -> None:
        """Nothing to do: real time passes by itself."""
        if ns < 0:
            raise CallError(f"time cannot run backwards ({ns} ns)")

    def reach(self, ns: int) -> None:
        """Nothing to do: what is simulated may run ahead, and waits for the clock at its next step."""
