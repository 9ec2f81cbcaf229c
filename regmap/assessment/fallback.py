"""What follows on every fault in every mode: what the chip does alone, what the controller must do and by when,
which mode follows, and what is protected there.

    for row in fallback(stage):
        row.mode, row.fault, row.alone, row.controller, row.then, row.gaps

    between_modes(stage).open                 whether a way between modes or this table leaves something open

Which mode follows says the stage: the mode that names the fault under `after` (and the mode that is left
under `from`, if it names any). A fault on which the chip switches off by itself needs none: the drive is
stopped. What is left open is a gap (a fault that leads into the very mode keeps it): a fault that nobody sees, one that the controller must answer without a
mode to go to, two modes that claim the same fault, a mode in which the very fault is masked although its
cause may last, a way there that is not clean or too slow for the fault tolerant time.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

from regmap.record import dataclass, replace

from ..chip.bank import Bank
from ..chip.model import Chip, Fault
from ..stages.load import Stage
from .matrix import matrix
from .stage import Assessment, assess, timing_of, waiver
from .transition import Transition, name_of, pairs, states_of, transitions

if TYPE_CHECKING:
    from ..calc import FaultTiming, Verdict

#: what a chip makes of a fault
REACTIONS = ACTS, REPORTS, MASKED, MAYBE = "acts", "only reports", "masked", "perhaps masked"


@dataclass(frozen=True, slots=True, kw_only=True)
class FallbackRow:
    """One fault in one mode.

    `alone` is what the chip does by itself, `controller` what is left to the controller, `in_time` the
    verdict that it is handled in the fault tolerant time (None where no reaction is needed). `then` is the mode
    that follows ("" where none does; the same one where the fault keeps it), `there` what the chip makes of the same fault in it. `gaps` are
    sentences, empty where nothing is open; `waived` is the stage's reason not to ask.
    """

    mode: str
    fault: str
    title: str
    severity: str
    seen: str
    alone: str
    controller: str
    in_time: Verdict | None = None
    then: str = ""
    there: str = ""
    gaps: tuple[str, ...] = ()
    waived: str = ""

    def json(self) -> dict[str, object]:
        """A plain object for `--json`."""
        verdict = self.in_time
        return {
            "mode": self.mode,
            "fault": self.fault,
            "title": self.title,
            "severity": self.severity,
            "chip": self.seen,
            "alone": self.alone,
            "controller": self.controller,
            "handled_after": None if verdict is None else verdict.worst_value or None,
            "handled_within": None if verdict is None else verdict.worst_limit or None,
            "status": None if verdict is None else verdict.status,
            "then": self.then or None,
            "there": self.there or None,
            "gaps": list(self.gaps),
            "waived": self.waived or None,
        }


def fallback(
    stage: Stage,
    ways: Iterable[Transition] | None = None,
    found: Mapping[str, Assessment] | None = None,
) -> list[FallbackRow]:
    """The whole table, mode by mode, faults in the order of the map; `ways` as `transitions` gives them.

    `found` is what all checks say in each mode, where that is worked out already.

    Of a stage without modes it tells what the chip does; nothing can follow there, and nothing is asked for.
    """
    found = found or {}
    ways = transitions(stage, found) if ways is None else ways
    known = {(w.source, w.target): w for w in ways}
    allowed = {(name_of(a), name_of(b)) for a, b in pairs(stage)} if stage.modes else set()
    modes = {name_of(m): m for m in states_of(stage)}
    rows = []
    for name, mode in modes.items():
        told = found[name] if name in found else assess(mode, names=["reaction"])
        verdicts = {v.check: v for v in told.verdicts}
        for fault in stage.chip.faults.values():
            if not fault.summary_of:
                following = [
                    n
                    for n, m in modes.items()
                    if (name, n) in allowed and fault.name in m.entry.after
                ]
                rows.append(_row(mode, fault, verdicts, [modes[n] for n in following], known))
    return rows


@dataclass(frozen=True, slots=True)
class BetweenModes:
    """The ways between the modes of a stage, and what follows on each fault in each of them."""

    ways: tuple[Transition, ...]
    rows: tuple[FallbackRow, ...]

    @property
    def with_findings(self) -> tuple[Transition, ...]:
        """The ways that no order of frames makes clean, or that take too long."""
        return tuple(w for w in self.ways if not w.ok)

    @property
    def gaps(self) -> tuple[FallbackRow, ...]:
        """The faults in a mode with nothing settled that follows."""
        return tuple(r for r in self.rows if r.gaps)

    @property
    def open(self) -> bool:
        """Whether the stage cannot be signed for what lies between its modes, however well each mode does."""
        return bool(self.with_findings or self.gaps)

    def json(self) -> dict[str, object]:
        """A plain object for `--json`: counts."""
        return {
            "transitions": len(self.ways),
            "with_findings": len(self.with_findings),
            "gaps": len(self.gaps),
        }


def between_modes(stage: Stage, found: Mapping[str, Assessment] | None = None) -> BetweenModes:
    """All transitions and the whole fall-back table of a stage.

    `found` is what all checks say in each mode, as `Matrix.of` gives it, where that is worked out already.
    """
    if found is None:
        found = matrix([stage]).of(stage)
    ways = transitions(stage, found)
    return BetweenModes(tuple(ways), tuple(fallback(stage, ways, found)))


def _row(
    mode: Stage,
    fault: Fault,
    verdicts: Mapping[str, Verdict],
    following: list[Stage],
    ways: Mapping[tuple[str, str], Transition],
) -> FallbackRow:
    timing = timing_of(fault, mode.chip, mode.bank)
    seen, alone, controller = _who(fault, timing)
    then = following[0] if len(following) == 1 else None
    there = chip_makes(fault, then.chip, then.bank) if then is not None else ""
    verdict = verdicts.get(f"reaction.time.{fault.name}")
    waived = waiver(mode, f"reaction.time.{fault.name}") or (
        waiver(mode, "reaction.masked") if seen == MASKED else ""
    )
    stays = fault.name in mode.entry.after
    after = (
        f", then mode {name_of(then)}" if then is not None else ", in this mode" if stays else ""
    )
    row = FallbackRow(
        mode=name_of(mode),
        fault=fault.name,
        title=fault.title,
        severity=fault.severity,
        seen=seen,
        alone=alone,
        controller=controller + after,
        in_time=verdict,
        then=name_of(then) if then is not None else name_of(mode) if stays else "",
        there=there,
        waived=waived,
    )
    if waived or not timing.needed or not mode.entry.driving or not (mode.modes or mode.mode):
        return row
    way = ways.get((row.mode, row.then)) if then is not None else None
    return replace(row, gaps=tuple(_gaps(row, timing, following, stays=stays, way=way)))


def chip_makes(fault: Fault, chip: Chip, held: Bank) -> str:
    """What the chip makes of a fault with these settings: one of REACTIONS."""
    return _who(fault, timing_of(fault, chip, held))[0]


def _who(fault: Fault, timing: FaultTiming) -> tuple[str, str, str]:
    """(what the chip makes of a fault, what it does alone, what the controller must do)."""
    if timing.masked_by:
        return MASKED, f"nothing: masked by {timing.masked_by}", "nothing tells it"
    if not timing.needed:
        return REPORTS, "sets its status bit", "nothing"
    seen = MAYBE if timing.perhaps_masked_by else REPORTS
    where = "is told by the fault pin" if timing.how == "pin" else "polls the status"
    if timing.reported_by:
        return seen, f"sets its status bit only, while {timing.reported_by}", f"{where} and acts"
    if timing.how == "chip":
        if seen == REPORTS:
            seen = ACTS
        return seen, fault.effect or "acts by itself", "clears it, or stays off"
    return seen, fault.effect or "sets its status bit", f"{where} and acts"


def _gaps(
    row: FallbackRow,
    timing: FaultTiming,
    following: list[Stage],
    *,
    stays: bool,
    way: Transition | None,
) -> Iterable[str]:
    """What is left open for a fault that needs a reaction while the outputs switch."""
    if row.seen == MASKED:
        yield f"nobody sees it: masked by {timing.masked_by}"
        return
    if len(following) > 1:
        names = " and ".join(name_of(m) for m in following)
        yield f"{names} both follow on it: `from` may tell them apart"
        return
    if not following:
        if timing.how != "chip" and not stays:
            yield "the controller must act, and no mode follows on it (`after`)"
        return
    if row.there == MASKED and following[0].entry.driving:
        yield f"masked in {row.then}, while its cause may last"
    if way is not None and not way.ok:
        grave = ", ".join(dict.fromkeys(t.name or t.text for t in way.findings))
        yield f"the way to {row.then} is not clean: {grave}"
    verdict = row.in_time
    if timing.how == "chip" or way is None or way.time is None or verdict is None:
        return
    if verdict.value is not None and verdict.upper is not None:
        after, most = verdict.value.high, verdict.upper.low
        if after <= most < after + way.time.high:
            more = way.time.text("max")
            yield f"handled in time only without the frames into {row.then}, which take {more}"
