"""Polling status registers: one sample a time, explained, without erasing what others must see.

Registers that reading clears are left alone unless `clearing` is asked for; then each is read once
and what it held is in the sample and nowhere else.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

from ..behaviour.faults import Explanation, Finding, explain, status_registers
from ..chip.bank import Bank
from ..chip.model import SEVERITIES
from . import rules
from .look import status
from .session import Link, Reading


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """One poll. `appeared` and `gone` are fault names against the sample before; time in seconds."""

    number: int
    time: float
    readings: dict[str, Reading]
    explanation: Explanation
    appeared: tuple[str, ...] = ()
    gone: tuple[str, ...] = ()
    skipped: tuple[str, ...] = ()
    fault_pin: bool | None = None

    @property
    def complete(self) -> bool:
        """Whether every register asked for could be believed."""
        return all(r.grade != "lost" for r in self.readings.values())

    @property
    def pin_active(self) -> bool:
        """Whether the fault pin says that there is a fault: it is low. False where there is no pin."""
        return self.fault_pin is False

    def plain(self) -> dict[str, Any]:
        """For JSON."""
        return {
            "number": self.number,
            "time_s": round(self.time, 6),
            "words": {
                n: None if r.word is None else f"0x{r.word:X}" for n, r in self.readings.items()
            },
            "grades": {n: r.grade for n, r in self.readings.items()},
            "why": {n: r.why for n, r in self.readings.items() if r.why},
            "raised": [f.name for f in self.explanation.raised],
            "first_cause": [f.fault.name for f in self.explanation.findings],
            "wiring": list(self.explanation.wiring),
            "appeared": list(self.appeared),
            "gone": list(self.gone),
            "not_read_because_reading_clears": list(self.skipped),
            "fault_pin_high": self.fault_pin,
        }


def watch(
    link: Link,
    *,
    period: float = 0.5,
    count: int | None = None,
    clearing: bool = False,
    known: Bank | None = None,
) -> Iterator[Sample]:
    """Poll until `count` samples, or for ever; `known` is the configuration, where it is known."""
    before: set[str] = set()
    first: dict[str, tuple[int, int]] = {}
    skipped = tuple(
        n
        for n in status_registers(link.chip)
        if not clearing and rules.read_hazards(link.chip, link.chip.registers[n])
    )
    has_pin = link.port.identity is not None and bool(link.port.identity.capabilities & 2)
    number = 0
    while count is None or number < count:
        begin = link.port.clock()
        number += 1
        readings = status(link, clearing=clearing)
        words = {n: r.word for n, r in readings.items() if r.word is not None}
        names = {f.name for f in explain(link.chip, words, known).raised} if words else set()
        # raised between the poll before and this one
        first = {n: first.get(n, (number - 1, number)) for n in names}
        explanation = _urgent_first(explain(link.chip, words, known, first))
        lost = {n for n, r in readings.items() if r.word is None}
        still = {n for n in before if link.chip.faults[n].register in lost}
        sample = Sample(
            number=number,
            time=link.time,
            readings=readings,
            explanation=explanation,
            appeared=tuple(sorted(names - before)),
            gone=tuple(sorted(before - names - still)),
            skipped=skipped,
            fault_pin=link.port.pins().fault if has_pin else None,
        )
        before = names | still
        link.log("sample", **sample.plain())
        yield sample
        if count is None or number < count:
            link.port.sleep(max(0.0, begin + period - link.port.clock()))


def _urgent_first(explanation: Explanation) -> Explanation:
    """The tree with the most severe fault first, what is normal after power-up last.

    A warning that has stood for an hour must not hide the fault that has just stopped the chip.
    """

    def urgency(finding: Finding) -> tuple[bool, int]:
        faults = [item.fault for _, item in tree((finding,))]
        odd = [f for f in faults if not f.normal_at_power_up]
        return not odd, min(SEVERITIES.index(f.severity) for f in odd or faults)

    return replace(explanation, findings=tuple(sorted(explanation.findings, key=urgency)))


def tree(findings: tuple[Finding, ...], depth: int = 0) -> Iterator[tuple[int, Finding]]:
    """Findings with their depth, causes before what follows from them."""
    for finding in findings:
        yield depth, finding
        yield from tree(finding.consequences, depth + 1)
