"""A stage held against the calculations: the only bridge between a chip's own names and the physics.

    verdicts = assess(stage)                  every check on the wanted configuration
    verdicts = assess(stage, bank)            the same on other register contents
    rows = sweep(stage, "TIMING.DEAD_TIME")   one row for each option of a field
    rows = sweep_input(stage, "pwm.frequency", "10..60kHz")   the same over an input of the stage

A role in the map says what a field sets; its physical value at the wanted code becomes the input
`role:NAME`. What the map states under `electrical:` and `spi:` becomes `chip:NAME`, what the stage
states `stage:NAME`. Every input carries the file and line that it came from.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

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
    run,
    select,
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
from ..stages.whatif import input_of, span_of, with_inputs
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
class Assessment:
    """Verdicts, worst first, with those that the stage waives and why."""

    verdicts: tuple[Verdict, ...]
    waived: tuple[tuple[Verdict, str], ...] = ()

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
    stage: Stage, bank: Bank | None = None, names: Iterable[str] | None = None
) -> Assessment:
    """Run the checks (all, or those named). Raises CallError for a name that means nothing."""
    for waived in stage.waive:
        select([waived])
    for requirement in stage.requirements:
        select(list(requirement.checks))
    verdicts = run(inputs_of(stage, bank), names)
    kept = [v for v in verdicts if not waiver(stage, v.check)]
    waived_ones = tuple((v, waiver(stage, v.check)) for v in verdicts if waiver(stage, v.check))
    return Assessment(tuple(worst_first(kept)), waived_ones)


def waiver(stage: Stage, check: str) -> str:
    """Why the stage waives this check; empty where it does not."""
    for name, reason in stage.waive.items():
        if f"{check}.".startswith(f"{name}."):
            return reason
    return ""


@dataclass(frozen=True, slots=True)
class SweepRow:
    """One option of a swept field: its verdicts by check, and whether it is the one in the stage."""

    reading: values.Reading
    verdicts: dict[str, Verdict]
    current: bool
    broken_rules: tuple[str, ...] = ()

    @property
    def worst_mode(self) -> str:
        """The mode with the smallest margin, where the row is over several; else ""."""
        told = [v for v in self.verdicts.values() if v.relative is not None]
        first = min(told, key=lambda v: v.relative or 0.0, default=None)
        return first.check.partition(IN)[2] if first is not None else ""

    @property
    def worst(self) -> float:
        """The smallest relative margin of the row; what cannot be computed does not count."""
        margins = [v.relative for v in self.verdicts.values() if v.relative is not None]
        return min(margins, default=0.0)

    def lost(self, names: Iterable[str]) -> tuple[str, ...]:
        """Those of these checks that this option leaves not computed."""
        found = (self.verdicts.get(n) for n in names)
        return tuple(
            n for n, v in zip(names, found, strict=True) if v is None or v.relative is None
        )


@dataclass(frozen=True, slots=True)
class Sweep:
    """A field's options with every verdict that it moves.

    `best` is the row with the largest smallest margin. An option that makes a verdict vanish
    (a monitor switched off, a threshold disabled) is no better for it: the verdicts that another
    option answers count as lost. `open` are checks that look at this field and that lack an input
    at every option: `best` knows nothing of them. Of an input (`of_input`) nothing is best: it is what
    it is, and the question is how far it may go (`holding`).
    """

    name: str
    rows: tuple[SweepRow, ...]
    moved: tuple[str, ...]
    unmoved: int
    open: tuple[Verdict, ...] = ()
    of_input: bool = False
    left_out: tuple[tuple[str, str], ...] = ()

    @property
    def holding(self) -> tuple[SweepRow, ...]:
        """The rows at which nothing that depends on the swept value fails."""
        return tuple(
            r
            for r in self.rows
            if not r.broken_rules and all(v.status != "fails" for v in r.verdicts.values())
        )

    @property
    def best(self) -> SweepRow | None:
        """The option to prefer: rules kept, fewest verdicts failed or lost, largest worst margin.

        Among equals the option that the stage has, then the smallest code.
        """
        answered = [n for n in self.moved if any(n not in r.lost([n]) for r in self.rows)]

        def rank(row: SweepRow) -> tuple[int, int, float, bool, int]:
            fails = sum(v.status == "fails" for v in row.verdicts.values())
            worst = float(f"{row.worst:.12g}")  # the last digits are rounding, not a difference
            return (
                -len(row.broken_rules),
                -fails - len(row.lost(answered)),
                worst,
                row.current,
                -row.reading.code,
            )

        if self.of_input or not self.moved:
            return None
        return max(self.rows, key=rank, default=None)


def sweep(stage: Stage, name: str, limit: int = 256) -> Sweep:
    """Every option of a field, joined or external value with the verdicts that differ between them.

    Of more than `limit` options that many, evenly spread.
    Raises CallError for an unknown name or one that holds no setting.
    """
    return sweep_in({"": stage}, stage, name, limit)


def sweep_in(modes: Mapping[str, Stage], stage: Stage, name: str, limit: int = 256) -> Sweep:
    """A sweep of a field over the verdicts of several modes (by name; "": the stage alone)."""
    item = need(stage.chip, name)
    if isinstance(item, Field) and not item.setting:
        raise CallError(f"{name} holds no setting ({item.access})")
    base = stage.bank
    now = base.code(name)
    rows: list[tuple[values.Reading, dict[str, Verdict], tuple[str, ...]]] = []
    seen: set[object] = set()
    options = list(values.options(item, base, 1 << 16))
    if len(options) > limit:  # evenly, with both ends and the option that the stage has
        picked = {round(n * (len(options) - 1) / (limit - 1)) for n in range(limit)}
        options = [r for n, r in enumerate(options) if n in picked or r.code == now]
    for reading in options:
        if reading.band is not None and reading.code != now:
            key = (reading.band, reading.name)
            if key in seen:
                continue  # duplicate codes say the same
            seen.add(key)
        verdicts: dict[str, Verdict] = {}
        broken: list[str] = []
        for mode, there in modes.items():
            bank = there.bank
            bank.put(item, reading.code)
            verdicts |= _verdicts_in(mode, there, inputs_of(there, bank))
            broken += broken_rules(stage.chip, bank)
        rows.append((reading, verdicts, tuple(dict.fromkeys(broken))))
    left = _open(getattr(item, "role", "") or "", [v for _, v, _ in rows])
    return _swept(name, rows, now, left)


def sweep_input(stage: Stage, name: str, span: str, steps: int = 11) -> Sweep:
    """An input of the stage (`pwm.frequency`, `supply.max`) in even steps over a span (`10..60kHz`).

    What contradicts the other inputs is in `left_out`, with why. Raises CallError for an unknown name, no span, or
    where nothing fits.
    """
    return sweep_input_in({"": stage}, name, span, steps)


def sweep_input_in(modes: Mapping[str, Stage], name: str, span: str, steps: int = 11) -> Sweep:
    """A sweep of an input over the verdicts of several modes (by name; "": the stage alone)."""
    rows: list[tuple[values.Reading, dict[str, Verdict], tuple[str, ...]]] = []
    left_out: list[tuple[str, str]] = []
    for code, text in enumerate(span_of(name, span, steps)):
        try:
            changed = {mode: with_inputs(stage, {name: text}) for mode, stage in modes.items()}
        except CallError as error:
            left_out.append((text, str(error)))
            continue
        verdicts: dict[str, Verdict] = {}
        broken: list[str] = []
        for mode, there in changed.items():
            verdicts |= _verdicts_in(mode, there, inputs_of(there))
            broken += broken_rules(there.chip, there.bank)
        value = next(iter(changed.values())).params[input_of(name)[0]].value
        band = value if isinstance(value, Band) else None
        reading = values.Reading(code, text, "", band, True)
        rows.append((reading, verdicts, tuple(dict.fromkeys(broken))))
    if not rows:
        raise CallError(left_out[0][1])
    return replace(_swept(name, rows, None, ()), of_input=True, left_out=tuple(left_out))


def _verdicts_in(mode: str, stage: Stage, inputs: Inputs) -> dict[str, Verdict]:
    """The verdicts that a mode does not waive, by their name in it."""
    found = [v for v in run(inputs) if not waiver(stage, v.check)]
    return {
        v.check: v for v in (replace(f, check=f.check + IN + mode) if mode else f for f in found)
    }


def bare(check: str) -> str:
    """The check of a verdict's name without the mode that it is of."""
    return check.partition(IN)[0]


def broken_rules(chip: Chip, bank: Bank) -> tuple[str, ...]:
    """The rules that these register contents break."""
    return tuple(
        r.name for r in chip.rules if r.severity == "error" and evaluate(r.require, bank) is False
    )


def _swept(
    name: str,
    rows: list[tuple[values.Reading, dict[str, Verdict], tuple[str, ...]]],
    now: int | None,
    left: tuple[Verdict, ...],
) -> Sweep:
    rows = _told_once(rows)
    names = list(dict.fromkeys(n for _, v, _ in rows for n in v))
    moved = tuple(n for n in names if len({signature(v.get(n)) for _, v, _ in rows}) > 1)
    return Sweep(
        name,
        tuple(
            SweepRow(r, {n: v[n] for n in moved if n in v}, r.code == now, b) for r, v, b in rows
        ),
        moved,
        len(names) - len(moved),
        left,
    )


def _told_once(
    rows: list[tuple[values.Reading, dict[str, Verdict], tuple[str, ...]]],
) -> list[tuple[values.Reading, dict[str, Verdict], tuple[str, ...]]]:
    """The rows without what another mode says of a check in each of them as well; where all modes say the same, without
    a mode in its name."""
    by_check: dict[str, list[str]] = {}
    for name in dict.fromkeys(n for _, v, _ in rows for n in v):
        by_check.setdefault(bare(name), []).append(name)
    called: dict[str, str] = {}
    for check, names in by_check.items():
        told: dict[tuple[object, ...], str] = {}
        for name in names:
            told.setdefault(tuple(signature(v.get(name)) for _, v, _ in rows), name)
        called |= {n: n if len(told) > 1 else check for n in told.values()}
    return [(r, {called[n]: x for n, x in v.items() if n in called}, b) for r, v, b in rows]


def _open(role: str, options: list[dict[str, Verdict]]) -> tuple[Verdict, ...]:
    """The checks that a field of this role decides and that no option lets be computed."""
    if not options or not role:
        return ()
    deciding = {c.name for c in checks() if f"role:{role}" in c.uses}
    return tuple(
        v
        for n, v in options[0].items()
        if v.status == "not_computed"
        and (bare(n) in deciding or f"role:{role}" in v.asked)
        and all(o[n].status == "not_computed" for o in options if n in o)
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
