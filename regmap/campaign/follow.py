"""What follows on a fault in a mode: what the chip makes of it by what it holds, and the mode that is entered then.

The table of the stage (`regmap.assessment.fallback`) says what must follow; a case may say so too, and what
the two do not agree on is a failure, as is a gap of the table. The campaign stands in for the controller: it
brings the chip into the mode, and after the fault was read it goes the way of `gateword modes` to the mode that follows.
"""

from __future__ import annotations

from regmap.record import replace

from ..assessment.fallback import FallbackRow, chip_makes, fallback
from ..assessment.matrix import STATED
from ..assessment.transition import Transition, name_of, plan_transition
from ..behaviour.transition import brought_up, differing, enabling, with_outputs
from ..chip.bank import Bank
from ..chip.bits import deposit
from ..chip.model import Fault
from ..errors import LinkError
from ..link.bringup import carry_out
from ..link.look import verify
from ..link.session import Link
from ..stages.grammar import AS_STATED
from ..stages.load import Stage, in_mode
from ..twin import Twin
from .load import NOTHING, Case


class Following:
    """The fall-back table of a stage with modes, made once for a campaign, and the ways between its modes."""

    def __init__(self, stage: Stage) -> None:
        self.stage = stage
        self._rows: dict[tuple[str, str], FallbackRow] | None = None
        self._ways: dict[tuple[str, str, bool], Transition] = {}

    def row(self, case: Case) -> FallbackRow | None:
        """What the table says of a case; None of a fault that only sums others up."""
        if self._rows is None:
            # the ways are gone here, and what is wrong with them is found then
            self._rows = {(r.mode, r.fault): r for r in fallback(self.stage, ways=())}
        return self._rows.get((name_of(in_mode(self.stage, case.mode)), case.fault))

    def way(self, source: str, target: str, *, driving: bool) -> Transition:
        """The way between two modes by name, from a chip whose outputs switch or not."""
        known = source, target, driving
        if known not in self._ways:
            a = in_mode(self.stage, source)
            if not driving:
                a = replace(a, entry=replace(a.entry, driving=False))
            self._ways[known] = plan_transition(a, in_mode(self.stage, target))
        return self._ways[known]

    def then(self, case: Case) -> str:
        """The mode that follows on a case by its name in files; "" where none does."""
        if case.then is not None:
            return case.then
        row = self.row(case)
        return in_files(row.then) if row is not None else ""

    def against_table(self, case: Case) -> list[str]:
        """What the case says and the table does not, and the gaps of the table."""
        row = self.row(case)
        if row is None:
            return []
        found = [f"the stage leaves it open: {gap}" for gap in row.gaps]
        if case.chip and case.chip != row.seen:
            found.append(f"the stage makes it {row.seen}; the case expects {case.chip}")
        stated = in_files(row.then)
        if case.then is not None and case.then != stated:
            found.append(
                f"by the stage the mode that follows is {stated or NOTHING}; the case expects {case.then or NOTHING}"
            )
        return found

    def enter(self, link: Link, case: Case, *, enable: bool) -> None:
        """From the stage as stated, as a bring-up leaves it, into the case's mode; the outputs are enabled where it
        drives and `enable` allows it. Raises LinkError where that does not hold."""
        mode = in_mode(self.stage, case.mode)
        if case.mode:
            self.go(link, self.way("", case.mode, driving=False))
        if enable and mode.entry.driving:
            for item, on, _ in enabling(link.chip).values():
                word = link.read(item.register).word
                enabled = (word or 0) & ~item.mask | deposit(on, item.bits)
                if word is None or not link.write(item.register, enabled).good:
                    raise LinkError(f"the outputs could not be enabled by {item.ref}")

    def go(self, link: Link, way: Transition) -> None:
        """Carry a way out, and read the mode back. Raises LinkError where it does not hold."""
        if way.holds is None:
            raise LinkError(f"no way from {way.source} to {way.target}: {way.findings[0].text}")
        done = carry_out(link, way.actions, way.holds)
        if not done.ok:
            raise LinkError(f"{way.target} was not entered: {done.stopped}")


def in_files(name: str) -> str:
    """A mode's name in the table as files write it."""
    return AS_STATED if name == STATED else name


def made_of(link: Link, fault: Fault, wanted: Bank) -> str:
    """What the chip makes of a fault by the settings that are read from it now."""
    held = wanted.copy()
    deciding = {
        name.partition(".")[0]
        for condition in (fault.masked_when, fault.reported_only_when)
        if condition is not None
        for name in condition.names()
    }
    registers = [r for r in link.chip.registers.values() if r.name in deciding]
    for check in verify(link, wanted, registers):
        if check.reading.word is not None:
            held.learn_read(check.register, check.reading.word)
    return chip_makes(fault, link.chip, held)


def holds_mode(twin: Twin, mode: Stage) -> bool:
    """Whether a simulated chip holds a mode, its outputs enabled or not."""
    chip = twin.chip
    final = brought_up(chip, mode.bank, driving=False)[0].bank
    machine = twin.machine
    outputs = with_outputs(final, driving=True)
    return not differing(machine, final) or not differing(machine, outputs)
