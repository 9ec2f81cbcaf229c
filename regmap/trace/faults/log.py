"""Faults over time: when each was raised, what was tried, and which frame cleared it."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable

from regmap.behaviour.effects import faults_shown
from regmap.behaviour.machine import Match, match_of
from regmap.chip.bits import extract, hexword, mask_of
from regmap.chip.model import Access, Chip, Fault, Register
from regmap.errors import CallError
from regmap.frames.codec import Answer, Sent

from ..events import Interval, Note

WEIGHT = {"stop": "bad", "warn": "warn", "note": "info"}


class FaultLog:
    """Intervals of every fault of one chip, fed by what replies show."""

    def __init__(self, chip: Chip, position: int = 0) -> None:
        self.chip = chip
        self.position = position
        self.intervals: list[Interval] = []
        self.active: dict[str, Interval] = {}
        self.clear: set[str] = set()
        self.order: list[str] = []
        self._by_register, self._clearers = chip.once("faults.log", _told)

    # --- what frames show -----------------------------------------------------------------------
    def shown(
        self, register: Register | None, data: int | None, answer: Answer, *, bits: bool = True
    ) -> dict[str, bool]:
        """Fault name to raised or not, from a read word and, with `bits`, a reply's status bits."""
        seen = faults_shown(self.chip, answer) if bits else {}
        if register is not None and data is not None:
            for fault in self._by_register.get(register.name, ()):
                field = register.field(fault.field)
                assert field is not None
                if mask_of(field.bits) & register.read_mask:
                    seen[fault.name] = extract(data, field.bits) == fault.code
        return seen

    def observe(
        self,
        seen: dict[str, bool],
        number: int,
        time: int,
        before: Callable[[str], tuple[int, int]],
        pin: Callable[[int, int], int],
    ) -> list[Note]:
        """Take over what one frame shows; `before(fault)` finds the last frame that showed it clear."""
        notes: list[Note] = []
        for name, raised in seen.items():
            fault = self.chip.faults.get(name)
            if fault is None:
                continue
            current = self.active.get(name)
            if raised and current is None:
                notes += self._raise(fault, number, time, before, pin)
            elif raised and current is not None:
                if (
                    current.attempts
                    and current.attempts[-1] > current.gone
                    and not fault.summary_of
                ):
                    tried = current.attempts[-1]
                    # the same frame that tries to clear still shows what was before
                    if tried < number:
                        text = f"{name} is still raised after frame {tried} cleared it: its cause is still there, or the clearing was refused"
                        notes.append(
                            Note(kind="still", text=text, weight=WEIGHT[fault.severity], fault=name)
                        )
                        current.gone = tried
            elif not raised and current is not None:
                notes += self._close(fault, current, number, time)
            if not raised:
                self.clear.add(name)
        return notes

    def _raise(
        self,
        fault: Fault,
        number: int,
        time: int,
        before: Callable[[str], tuple[int, int]],
        pin: Callable[[int, int], int],
    ) -> list[Note]:
        last, last_time = before(fault.name) if fault.name in self.clear else (-1, -1)
        normal = fault.normal_at_power_up and fault.name not in self.clear
        edge = pin(last_time, time) if last >= 0 and not fault.normal_at_power_up else -1
        interval = Interval(
            fault=fault.name, raised=number, raised_time=time, clear_before=last,
            clear_before_time=last_time, pin=edge, normal=normal, chip=self.position,
        )  # fmt: skip
        self.intervals.append(interval)
        self.active[fault.name] = interval
        if fault.name not in self.order and not normal:
            self.order.append(fault.name)
        text = f"fault {fault.name}: {fault.title}"
        if normal:
            text = f"{fault.name}: {fault.title} (normal after power-up)"
        weight = "info" if normal else WEIGHT[fault.severity]
        return [
            Note(kind="raised", text=text, weight=weight, fault=fault.name, register=fault.register)
        ]

    def _close(self, fault: Fault, interval: Interval, number: int, time: int) -> list[Note]:
        interval.gone, interval.gone_time = number, time
        del self.active[fault.name]
        if interval.attempts:
            interval.cleared_by = interval.attempts[-1]
            how = f"cleared by frame {interval.cleared_by}"
            if interval.how:
                how += f" ({interval.how})"
        elif not fault.latched or "condition" in fault.cleared_by:
            how = "went away by itself"
        elif fault.summary_of:
            how = "with the faults it sums up"
        else:
            how = "gone, and no captured frame cleared it"
        interval.how = interval.how or how
        if fault.summary_of:
            return []
        return [
            Note(
                kind="cleared",
                text=f"{fault.name} is clear: {how}",
                weight="info",
                fault=fault.name,
            )
        ]

    # --- what frames do -------------------------------------------------------------------------
    def attempt(self, sent: Sent, number: int) -> list[str]:
        """Note every active fault that this taken frame clears; returns the names of all it can clear."""
        if sent.kind == "read":
            return []
        touched = []
        target = (
            sent.command.name
            if sent.command is not None
            else sent.register.name
            if sent.register is not None
            else ""
        )
        for name, event in self._clearers.get(target, ()):
            fault = self.chip.faults[name]
            if name in touched or not (
                self._by_one(fault, sent) if event is None else _hits(event, sent)
            ):
                continue
            touched.append(name)
            current = self.active.get(name)
            if current is not None:
                current.attempts.append(number)
                current.how = request_text(sent)
        return touched

    def _by_one(self, fault: Fault, sent: Sent) -> bool:
        """Whether the frame writes the clearing code to the fault's own bit."""
        if sent.kind != "write" or sent.register is None or sent.register.name != fault.register:
            return False
        field = sent.register.field(fault.field)
        if field is None or not field.access.clears or sent.data is None:
            return False
        code = extract(sent.data, field.bits)
        return code != 0 if field.access is Access.W1C else code != (1 << field.width) - 1

    def erased(self, register: Register, number: int) -> list[str]:
        """Active faults in clear-on-read fields of a register that was just read."""
        names = []
        for fault in self._by_register.get(register.name, ()):
            field = register.field(fault.field)
            if field is not None and field.access is Access.RC and fault.name in self.active:
                current = self.active[fault.name]
                current.attempts.append(number)
                current.how = f"read {register.name}"
                names.append(fault.name)
        return names

    def reset(self, number: int, time: int) -> None:
        """The chip was reset: whatever was active is over."""
        for name, interval in list(self.active.items()):
            if not self.chip.faults[name].normal_at_power_up:
                interval.gone, interval.gone_time, interval.how = number, time, "the chip was reset"
                del self.active[name]

    def standing(self) -> Hashable:
        """Which faults are active, since when and what was tried, and which were seen clear."""
        active = ((n, i.raised, len(i.attempts), i.gone) for n, i in self.active.items())
        return frozenset(active), frozenset(self.clear)

    def concerns(self, register: str) -> bool:
        """Whether a register holds faults, or a write of it may clear some."""
        return register in self._by_register or register in self._clearers

    def has(self, register: str) -> bool:
        """Whether a register holds faults."""
        return register in self._by_register


def request_text(sent: Sent) -> str:
    """What a frame asks, in the words of a map."""
    if sent.command is not None:
        return sent.command.name
    name = sent.register.name if sent.register is not None else f"address 0x{sent.address or 0:X}"
    if sent.kind == "write" and sent.data is not None:
        return f"{name} = {hexword(sent.data, sent.register.width if sent.register else 1)}"
    return f"{sent.kind} {name}"


def _told(
    chip: Chip,
) -> tuple[dict[str, list[Fault]], dict[str, list[tuple[str, Match | str | None]]]]:
    """Faults by register; and by command or register those that it can clear, and by what (None: by their own bit)."""
    by_register: dict[str, list[Fault]] = {}
    clearers: dict[str, list[tuple[str, Match | str | None]]] = {}
    for fault in chip.faults.values():
        by_register.setdefault(fault.register, []).append(fault)
        for event in _clearers(chip, fault):
            target = event if isinstance(event, str) else event.register
            clearers.setdefault(target, []).append((fault.name, event))
        clearers.setdefault(fault.register, []).append((fault.name, None))
    return by_register, clearers


def _clearers(chip: Chip, fault: Fault) -> Iterable[Match | str]:
    for text in fault.cleared_by:
        if "=" in text:
            try:
                yield match_of(chip, text)
            except CallError:
                continue
        elif text in chip.commands:
            yield text


def _hits(event: Match | str, sent: Sent) -> bool:
    if isinstance(event, str):
        return sent.command is not None and sent.command.name == event
    return (
        sent.kind == "write"
        and sent.register is not None
        and sent.data is not None
        and event.hits(sent.register.name, sent.data)
    )
