"""Polling status registers: one sample a time, explained, without erasing what others must see.

Registers that reading clears are left alone unless `clearing` is asked for; then each is read once
and what it held is in the sample and nowhere else. A sample comes each period whatever happens: an
adapter that is gone is told within one and looked for in each that follows.
"""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable, Iterator

from regmap.record import dataclass, replace

from ..behaviour.faults import Explanation, Finding, explain, status_registers
from ..chip.bank import Bank
from ..chip.model import SEVERITIES
from ..errors import LinkError
from . import rules
from .log import wall_time
from .look import status
from .session import Link, RegisterReading

LEAST_PATIENCE = 0.25  # s; shorter periods still give an adapter this long to answer


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """One poll. `appeared` and `gone` are fault names against the sample before.

    `time` is in seconds since the session began, by a clock that is never set; `at` the time of day.
    `fault_pin` None: there is no such pin, or `pin_lost` says why its level is not known.
    """

    number: int
    time: float
    at: str
    readings: dict[str, RegisterReading]
    explanation: Explanation
    appeared: tuple[str, ...] = ()
    gone: tuple[str, ...] = ()
    skipped: tuple[str, ...] = ()
    fault_pin: bool | None = None
    pin_lost: str = ""

    @property
    def complete(self) -> bool:
        """Whether every register asked for could be believed."""
        return all(r.grade != "lost" for r in self.readings.values())

    @property
    def pin_active(self) -> bool:
        """Whether the fault pin says that there is a fault: it is low. False where there is no pin."""
        return self.fault_pin is False

    def plain(self) -> dict[str, object]:
        """For JSON."""
        return {
            "number": self.number,
            "at": self.at,
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
            "fault_pin_lost": self.pin_lost,
        }


def watch(
    link: Link,
    *,
    period: float = 0.5,
    count: int | None = None,
    clearing: bool = False,
    known: Bank | None = None,
    wall: Callable[[], float] = time.time,
) -> Iterator[Sample]:
    """Poll until `count` samples, or for ever; `known` is the configuration, where it is known.

    No poll waits longer than a period (`LEAST_PATIENCE` where that is shorter).
    """
    before: set[str] = set()
    names: set[str] = set()
    first: dict[str, tuple[int, int]] = {}
    told: dict[str, int] | None = None  # the words that these are about
    explanation = Explanation()
    skipped = tuple(
        n
        for n in status_registers(link.chip)
        if not clearing and rules.read_hazards(link.chip, link.chip.registers[n])
    )
    has_pin = link.port.identity is not None and bool(link.port.identity.capabilities & 2)
    number = 0
    while count is None or number < count:
        begin = link.port.clock()
        link.port.until = begin + max(period, LEAST_PATIENCE)
        number += 1
        readings = status(link, clearing=clearing)
        words = {n: r.word for n, r in readings.items() if r.word is not None}
        if words != told:  # the same words say the same
            names = {f.name for f in explain(link.chip, words, known).raised} if words else set()
            # raised between the poll before and this one
            first = {n: first.get(n, (number - 1, number)) for n in names}
            explanation = _urgent_first(explain(link.chip, words, known, first))
            told = words
        pin, pin_lost = _fault_pin(link) if has_pin else (None, "")
        link.port.until = None
        lost = {n for n, r in readings.items() if r.word is None}
        still = {n for n in before if link.chip.faults[n].register in lost}
        sample = Sample(
            number=number,
            time=link.time,
            at=wall_time(wall()),
            readings=readings,
            explanation=explanation,
            appeared=tuple(sorted(names - before)),
            gone=tuple(sorted(before - names - still)),
            skipped=skipped,
            fault_pin=pin,
            pin_lost=pin_lost,
        )
        before = names | still
        link.log("sample", **sample.plain())
        yield sample
        if count is None or number < count:
            link.port.sleep(max(0.0, begin + period - link.port.clock()))


def _fault_pin(link: Link) -> tuple[bool | None, str]:
    """The fault pin's level, or why it is not known."""
    try:
        return link.port.pins().fault, ""
    except LinkError as error:
        return None, str(error)


class Tally:
    """What happened over many samples: events as (time of day, text), and how often each fault came."""

    def __init__(self) -> None:
        self.counts: Counter[str] = Counter()
        self.lost = 0  # times that the chip or the adapter stopped answering
        self._answers = True
        self._pin: bool | None = None

    def take(self, sample: Sample) -> list[tuple[str, str]]:
        """What this sample brought."""
        texts = [f"{name} raised" for name in sample.appeared]
        texts += [f"{name} gone" for name in sample.gone]
        self.counts.update(sample.appeared)
        if sample.complete != self._answers:
            self._answers = sample.complete
            self.lost += not sample.complete
            why = next((r.why for r in sample.readings.values() if r.grade == "lost"), "")
            texts.append("answers again" if sample.complete else f"lost: {why}")
        if sample.fault_pin is not None and sample.fault_pin != self._pin:
            if self._pin is not None or sample.pin_active:
                texts.append(f"fault pin {'low' if sample.pin_active else 'high'}")
            self._pin = sample.fault_pin
        return [(sample.at, text) for text in texts]


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
