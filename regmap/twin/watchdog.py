"""The watchdog of a simulated chip: a window that opens, closes, and must be served in between."""

from __future__ import annotations

from fractions import Fraction

from ..behaviour.watchdog import service_of
from ..chip.bank import Bank
from ..chip.model import Chip
from ..frames.codec import Sent
from .clock import nanoseconds


class Watchdog:
    """Runs while enabled; `serve` and `expired` tell what the chip would raise.

    What the map says is used: the field or register of `watchdog:`, and the roles watchdog.enable,
    watchdog.window and watchdog.closed_share (or the electrical parameter watchdog.closed_share).
    The window's typical time counts. Without a window there is no watchdog.
    """

    def __init__(self, chip: Chip) -> None:
        self.chip = chip
        name = chip.watchdog
        self._register = name.partition(".")[0]
        self._field = chip.field(name) if "." in name else None
        self._armed: int | None = None
        self.missed = 0  # windows in a row that went by unserved
        share = chip.electrical.get("watchdog.closed_share")
        self._share = getattr(share.value, "typ", Fraction(0)) if share else Fraction(0)
        self.known = bool(name) and bool(chip.with_role("watchdog.window"))

    def _role(self, role: str) -> str:
        for item in self.chip.with_role(role):
            return getattr(item, "ref", item.name)
        return ""

    def enabled(self, bank: Bank) -> bool:
        """Whether it runs: as its enabling field says, else whenever it has a window."""
        if not self.known:
            return False
        name = self._role("watchdog.enable")
        if name:
            reading = bank.reading(name)
            return reading is not None and reading.is_on("watchdog.enable")
        return self.window(bank) is not None

    def window(self, bank: Bank) -> tuple[int, int] | None:
        """(closed, total) in nanoseconds, or None where the setting states no time."""
        total = bank.physical(self._role("watchdog.window"))
        if not total:
            return None
        name = self._role("watchdog.closed_share")
        share = bank.physical(name) if name else self._share
        return nanoseconds(total * (share or 0)), nanoseconds(total)

    def update(self, bank: Bank, now: int) -> None:
        """Start when it has been enabled, stop when disabled."""
        if not self.enabled(bank):
            self.stop()
        elif self._armed is None:
            self._armed = now

    def deadline(self, bank: Bank) -> int | None:
        """When it will expire, or None while it does not run."""
        window = self.window(bank) if self._armed is not None else None
        return None if window is None or self._armed is None else self._armed + window[1]

    def expire(self, now: int) -> None:
        """A window has gone by unserved; the next one begins."""
        self._armed = now
        self.missed += 1

    @property
    def running(self) -> bool:
        return self._armed is not None

    def stop(self) -> None:
        self._armed = None
        self.missed = 0

    def serve(self, sent: Sent, bank: Bank, now: int) -> str:
        """What an accepted frame means to it: "" (nothing, or served in time), "early" or "wrong"."""
        if self._armed is None or sent.register is None or sent.register.name != self._register:
            return ""
        if self._field is not None:
            if sent.kind != "write":
                return ""
            verdict = service_of(self._field, sent.data or 0)
            if verdict != "served":
                return verdict
        window = self.window(bank)
        early = window is not None and now < self._armed + window[0]
        self._armed = now
        self.missed = 0
        return "early" if early else ""
