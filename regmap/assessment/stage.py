"""A stage held against the calculations: the only bridge between a chip's own names and the physics.

    verdicts = assess(stage)                  every check on the wanted configuration
    verdicts = assess(stage, bank)            the same on other register contents

A role in the map says what a field sets; its physical value at the wanted code becomes the input
`role:NAME`. What the map states under `electrical:` and `spi:` becomes `chip:NAME`, what the stage
states `stage:NAME`. Every input carries the file and line that it came from.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import lru_cache
from pathlib import Path

from regmap.record import dataclass, field, replace

from ..behaviour.faults import only_reported, status_registers
from ..calc import (
    Course,
    Facts,
    FailureMode,
    FaultTiming,
    Input,
    Inputs,
    Verdict,
    checks,
    select,
    work,
    worst_first,
)
from ..chip import values
from ..chip.bank import Bank, need
from ..chip.model import Chip, External, Fault, Field, Joined, Register
from ..chip.supply import hull, over_supply
from ..document.source import display_name
from ..errors import CallError
from ..expr import evaluate
from ..frames.codec import Codec
from ..parameters import CHIP, NOT_KNOWN, OFF_WORDS, ROLES, Parameter
from ..quantity import Band
from ..stages.courses import CRANK, lowest_level
from ..stages.load import FailureShare, Setting, Stage, choices_of
from .powering import with_power

#: origin of settings that were laid over a stage's own
COMMAND_LINE = "shell line"
#: between a check and its mode, where verdicts of several modes stand together
IN = " in "

_SPI = {
    "spi.clock_max": "clock_max",
    "spi.idle": "idle",
    "spi.lead": "lead",
    "spi.lag": "lag",
    "spi.wake_up": "wake_up",
}


def inputs_of(stage: Stage, bank: Bank | None = None) -> Inputs:
    """Everything the calculations may know of this stage at these register contents."""
    bank = bank if bank is not None else stage.bank
    chip = stage.chip
    items = [Input(f"stage:{p.name}", p.value, f"stage {p.origin}") for p in stage.params.values()]
    lowest = lowest_level(stage.courses)
    if lowest is not None and CRANK not in stage.params:
        items.append(Input(f"stage:{CRANK}", lowest[0], f"stage {lowest[1]}"))
    items += [Input(f"chip:{p.name}", p.value, f"map {p.origin}") for p in chip.electrical.values()]
    stated = {i.name for i in items}
    for name, attribute in _SPI.items():
        band = getattr(chip.spi, attribute)
        if band is not None and f"chip:{name}" not in stated and name in CHIP:
            items.append(Input(f"chip:{name}", band, f"map {_file_of(chip)}, spi.{attribute}"))
    items += role_inputs(chip, bank)
    return Inputs(items, facts_of(stage, bank))


def _file_of(chip: Chip) -> str:
    """The map's file as messages call it."""
    return display_name(Path(chip.files[-1])) if chip.files else chip.name


def role_inputs(chip: Chip, bank: Bank, roles: Iterable[str] = tuple(ROLES)) -> list[Input]:
    """One input for each of these roles that the chip has; fields that share a role are taken together."""
    found = []
    for role in roles:
        row = ROLES[role]
        bands: list[Band] = []
        others: list[tuple[str | int, str, str]] = []
        origins: list[str] = []
        for item in chip.with_role(role):
            name = getattr(item, "ref", item.name)
            value, text = _role_value(row, item, bank)
            if isinstance(value, Band):
                bands.append(value)
            else:
                others.append((value, name, f"map {item.origin} {name}, {text}"))
            origins.append(f"map {item.origin} {name}, {text}")
        if others:
            # of several the one that is off: a band of the others would speak for it too
            value, name, origin = min(others, key=lambda o: o[0] not in (0, *OFF_WORDS))
            found.append(Input(f"role:{role}", f"{value} in {name}" if bands else value, origin))
        elif bands:
            found.append(Input(f"role:{role}", hull(bands), "; ".join(origins)))
    return found


def _role_value(
    row: Parameter, item: Field | Joined | External, bank: Bank
) -> tuple[Band | str | int, str]:
    """What a field, joined or external value says of its role, and its code as text.

    Where its meaning hangs on the supply, the band holds the values of the whole supply range.
    """
    name = getattr(item, "ref", item.name)
    reading = bank.reading(name)
    if reading is None:
        return NOT_KNOWN, NOT_KNOWN
    text = f"code {reading.code}"
    if row.dimension is None:
        return _switch(row.name, reading), text
    bands = []
    for found in (reading, *over_supply(item, name, bank)):
        if found.band is None:
            return found.name or str(found.code), text
        bands.append(found.band)
    whole = hull(bands)
    if whole is not bands[0]:
        whole = replace(whole, typ=bands[0].typ)
    return whole, text


def _switch(role: str, reading: values.Reading) -> int | str:
    """A switch as a number that is 0 when it is off, whatever code this chip gives to `off`.

    What a chip does on a fault (roles in `.mode`) is its option's name: code 0 may well act.
    """
    name = reading.name.casefold()
    if role.endswith(".mode"):
        return 0 if name in OFF_WORDS else name or f"code {reading.code}"
    return (reading.code or 1) if reading.is_on(role) else 0


def facts_of(stage: Stage, bank: Bank) -> Facts:
    """Counts and fault times that are no parameter."""
    chip = stage.chip
    codec = Codec(chip)
    status = [chip.registers[n] for n in status_registers(chip)]
    frames = [codec.frame_in_force(bank, r) for r in status] or [codec.frame_in_force(bank)]
    held = [r for r in chip.registers.values() if r.read_back]
    late = max(codec.frame_in_force(bank, r).after for r in held) if held else 0
    status_pages, pages = _pages(chip, status), _pages(chip, held)
    # a readback selects its pages, and at its end the one on which the poll goes on
    moves = len(pages) + 1 if pages and len(pages | status_pages) > 1 else 0
    facts = Facts(
        status_registers=len(status) or None,
        setting_registers=len(held) or None,
        extra_setting_frames=late + moves,
        frame_bits=max(f.length for f in frames) + chain_bits(stage),
        # a poll over several pages selects each of them once a round
        extra_frames=max(f.after for f in frames)
        + (len(status_pages) if len(status_pages) > 1 else 0),
        faults=tuple(timing_of(f, chip, bank) for f in chip.faults.values()) or None,
        failure_modes=tuple(failure_mode(m, chip, bank) for m in stage.failure_modes),
        courses=tuple(
            Course(
                name=c.name,
                kind=c.kind,
                points=c.points,
                resistance=c.resistance,
                origin=c.origin,
            )
            for c in stage.courses
        ),
        origin=f"map {chip.name}",
    )
    return with_power(facts, stage, bank, chain_bits(stage))


def chain_bits(stage: Stage) -> int:
    """The bits of a transfer beside the chip's own frame: of the others of a daisy chain, and its headers."""
    others = [
        Codec(c).frame_in_force().length for n, c in enumerate(stage.chain) if n != stage.position
    ]
    chain = stage.chip.chain
    headers = sum(h.length for h in chain.headers) if chain is not None and stage.chain else 0
    return sum(others) + headers


def _pages(chip: Chip, registers: Iterable[Register]) -> set[int]:
    """The pages on which these registers stand, where a register selects them."""
    return {r.page for r in registers if r.page is not None} if chip.page_select else set()


def failure_mode(mode: FailureShare, chip: Chip, bank: Bank) -> FailureMode:
    """A failure mode with what this configuration does to its coverage."""
    reasons = []
    for name in mode.covered_by:
        timing = timing_of(chip.faults[name], chip, bank)
        if timing.masked_by:
            reasons.append(f"{name} is masked by {timing.masked_by}")
        elif timing.perhaps_masked_by:
            reasons.append(f"{name} may be masked by {timing.perhaps_masked_by}")
        elif timing.reported_by and timing.watches_controller:
            reasons.append(f"{name} is only reported while {timing.reported_by}")
    return FailureMode(
        name=mode.name,
        **mode.values,
        covered_by=mode.covered_by,
        uncovered="; ".join(reasons),
        origin=mode.origin,
    )


def timing_of(fault: Fault, chip: Chip, bank: Bank) -> FaultTiming:
    """What the calculations may know of one fault: its times, who reacts, and what masks it.

    Where this configuration makes the chip only report it, the controller has to act after a poll
    (after the fault pin, if the map says so), and the chip's own reaction time does not count.
    """
    masked = evaluate(fault.masked_when, bank) if fault.masked_when is not None else False
    reported = only_reported(fault, bank)
    adds = tuple(
        f"role:{role}"
        for role in fault.uses
        if ROLES[role].dimension == "time" and (chip.with_role(role) or role in chip.electrical)
    )
    how = "chip" if fault.handled_by == "nobody" else fault.handled_by
    needed = fault.handled_by != "nobody" and not fault.normal_at_power_up
    react, title = fault.react, f"{fault.title}: handled in time"
    if reported and how == "chip":
        # the map's reaction time is that of the chip, which does nothing here
        how, react = "poll", None
    return FaultTiming(
        name=fault.name,
        title=f"{title} (reported only)" if reported else title,
        detect=fault.detect,
        react=react,
        adds=adds,
        how=how,
        masked_by=str(fault.masked_when) if masked else "",
        perhaps_masked_by=str(fault.masked_when) if masked is None else "",
        reported_by=str(fault.reported_only_when) if reported else "",
        decided_by=tuple(f"role:{role}" for role in fault.uses),
        watches_controller="watchdog" in fault.raised_by,
        needed=needed,
        origin=f"map {fault.origin}",
    )


@dataclass(frozen=True, slots=True)
class Worked:
    """The verdicts of the checks (all, or those named) on these inputs, by check, waived ones too."""

    inputs: Inputs
    verdicts: Mapping[str, list[Verdict]]
    names: tuple[str, ...] | None = None

    @classmethod
    def on(
        cls, inputs: Inputs, names: Iterable[str] | None = None, before: Worked | None = None
    ) -> Worked:
        """The checks run; what follows from inputs that `before` has as well is not worked again.

        Raises CallError for a name that means nothing.
        """
        asked = None if names is None else tuple(names)
        if before is None:
            return cls(inputs, work(inputs, asked), asked)
        inputs = inputs.beside(before.inputs)
        standing = before.standing(inputs) if asked == before.names else None
        return cls(inputs, work(inputs, asked, standing), asked)

    def all(self) -> list[Verdict]:
        """The verdicts in the registry's order."""
        return [v for found in self.verdicts.values() for v in found]

    def standing(self, inputs: Inputs) -> dict[str, list[Verdict]]:
        """Those that are the same on other inputs: nothing that the check looked up differs, nor where it came from."""
        mine, theirs = self.inputs.known(), inputs.known()
        moved = {n for n in {**mine, **theirs} if mine.get(n) != theirs.get(n)}
        facts = self.inputs.facts != inputs.facts
        return {
            check: verdicts
            for check, verdicts in self.verdicts.items()
            if not any((facts and v.of_facts) or not moved.isdisjoint(v.asked) for v in verdicts)
        }


@dataclass(frozen=True, slots=True)
class Assessment:
    """Verdicts, worst first, with those that the stage waives and why."""

    verdicts: tuple[Verdict, ...]
    waived: tuple[tuple[Verdict, str], ...] = ()
    #: what the checks were run on and what each gave; whoever runs them on something alike need not do the same again
    worked: Worked | None = field(default=None, repr=False, compare=False)

    @property
    def counts(self) -> dict[str, int]:
        """How many hold, have a low margin, fail, or could not be computed."""
        found = dict.fromkeys(("fails", "low_margin", "not_computed", "holds"), 0)
        for verdict in self.verdicts:
            found[verdict.status] += 1
        return found

    @property
    def failed(self) -> bool:
        return any(v.status == "fails" for v in self.verdicts)


def assess(
    stage: Stage,
    bank: Bank | None = None,
    names: Iterable[str] | None = None,
    beside: Assessment | None = None,
) -> Assessment:
    """Run the checks (all, or those named). Raises CallError for a name that means nothing.

    `beside` is what they said of a stage much like it: what follows from inputs that both have stands.
    """
    for waived in stage.waive:
        select([waived])
    for requirement in stage.requirements:
        select(list(requirement.checks))
    before = beside.worked if beside is not None else None
    worked = Worked.on(inputs_of(stage, bank), names, before)
    verdicts = worked.all()
    kept = [v for v in verdicts if not waiver(stage, v.check)]
    waived_ones = tuple((v, waiver(stage, v.check)) for v in verdicts if waiver(stage, v.check))
    return Assessment(tuple(worst_first(kept)), waived_ones, worked)


def waiver(stage: Stage, check: str) -> str:
    """Why the stage waives this check; empty where it does not."""
    for name, reason in stage.waive.items():
        if f"{check}.".startswith(f"{name}."):
            return reason
    return ""


def bare(check: str) -> str:
    """The check of a verdict's name without the mode that it is of."""
    return check.partition(IN)[0]


def broken_rules(chip: Chip, bank: Bank) -> tuple[str, ...]:
    """The rules that these register contents break."""
    return tuple(
        r.name for r in chip.rules if r.severity == "error" and evaluate(r.require, bank) is False
    )


def signature(verdict: Verdict | None) -> object:
    """What must differ for a verdict to have moved."""
    if verdict is None:
        return None
    # twelve digits: the last ones are rounding, not a difference
    share = None if verdict.relative is None else f"{verdict.relative:.12g}"
    return (verdict.status, share, verdict.missing)


def with_settings(stage: Stage, changes: dict[str, str]) -> Stage:
    """The stage with other wanted settings (name to text). Raises CallError for what cannot be.

    All settings are read anew, as they would be from the file: what a text means may hang on a
    setting that changes. One that is out of reach then keeps its code.
    """
    wanted = {s.name: s for s in stage.settings}
    texts = {s.name: s.asked for s in stage.settings}
    for name, text in changes.items():
        need(stage.chip, name)
        texts[name] = text
    choices, errors = choices_of(stage.chip, list(texts.items()), stage.params)
    settings = []
    for (name, text), choice, error in zip(texts.items(), choices, errors, strict=True):
        if choice is not None:
            origin = COMMAND_LINE if name in changes else wanted[name].origin
            settings.append(Setting(name=name, asked=text, choice=choice, origin=origin))
        elif name in changes:
            raise CallError(error)
        else:
            settings.append(wanted[name])
    return replace(stage, settings=tuple(settings))


@lru_cache(maxsize=1)
def check_names() -> tuple[str, ...]:
    """Every check's name, for completion and messages."""
    return tuple(c.name for c in checks())
