"""What the calculations are told: named inputs with their origin, and nothing else.

Names are `chip:`, `stage:` or `role:` and a name of the closed tables in `regmap.parameters`:

    Inputs([
        Input("stage:mosfet.qgd", parse_band("10 / 14 / 18 nC"), "stage motor.yaml:12"),
        Input("role:gate.source", parse_band("60 mA +- 20 %"), "map osprey.yaml:40, code 3"),
    ], Facts(status_registers=4, frame_bits=24))

A lookup follows the fallbacks of the tables: a side's role to the common role, a role to the
value fixed in the chip, a parameter to the one that stands in for it, and last to the default of
the trade, whose origin then says so.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from fractions import Fraction
from typing import Literal

from regmap.record import dataclass, field

from ..errors import CallError, closest
from ..parameters import CHIP, TABLES, Parameter
from ..quantity import DIMENSIONS, Band, dimension_name, parse_band

Value = Band | int | str


class ImpossibleError(Exception):
    """The inputs contradict each other or allow no working point; the text says why.

    Raised inside the room only: `run` turns it into a verdict that fails, with this reason.
    """


@dataclass(frozen=True, slots=True)
class Input:
    """One value and where it came from.

    `name` is a key such as `stage:mosfet.qg`. `value` is a Band for a quantity, an int for a count
    or the raw code of a switch, text for a choice. A quantity setting that is at an option without
    a number (`disabled`) is passed as that option's name; checks then say that it is no quantity.
    """

    name: str
    value: Value
    origin: str
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultTiming:
    """What the map says of one fault's timing, and whether this configuration lets it through.

    `detect` and `react` are bands of time, or None where the map is silent; `adds` are input names
    whose times belong to the detection (`role:vds.blanking`, `role:vds.filter`). `how` is who
    brings the outputs to safety: the "chip", the controller after the fault "pin", or the
    controller after it has "poll"ed the status registers. `masked_by` says which setting hides the
    fault (empty: it is not masked), `perhaps_masked_by` which may, where a value that decides is not
    known, `reported_by` which makes the chip report it without acting, so
    that `how` is never the chip; `watches_controller` is true where the fault says that the
    controller itself has failed. `decided_by` are input names of the settings that decide when it
    trips. `needed` is false for a fault that needs no reaction.
    """

    name: str
    title: str = ""
    detect: Band | None = None
    react: Band | None = None
    adds: tuple[str, ...] = ()
    how: Literal["chip", "pin", "poll"] = "chip"
    masked_by: str = ""
    perhaps_masked_by: str = ""
    reported_by: str = ""
    decided_by: tuple[str, ...] = ()
    watches_controller: bool = False
    needed: bool = True
    origin: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FailureMode:
    """One way in which a part of the stage fails at random.

    `rate` is its failure rate, `safe` the share of it that cannot violate the safety goal, `coverage`
    the share of the rest that a safety mechanism keeps from violating it, `latent_coverage` the share
    of what is covered that is noticed before a second fault. `covered_by` are the chip's faults that
    stand behind the coverage; `uncovered` says why it does not count in this configuration (empty: it does).
    """

    name: str
    rate: Band
    safe: Band
    coverage: Band
    latent_coverage: Band
    covered_by: tuple[str, ...] = ()
    uncovered: str = ""
    origin: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """How the supply runs over time: (seconds, voltage) in order, straight between two points.

    `kind` is "starting" for a dip and "load dump" for a rise, whose points are the open circuit's
    voltage behind `resistance` (None: not stated).
    """

    name: str
    kind: str
    points: tuple[tuple[Fraction, Band], ...]
    resistance: Band | None = None
    origin: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameRun:
    """Frames on the SPI one after the other (their lengths in bits), and the waits among them.

    `name` is where they stand, `origin` what says so.
    """

    name: str
    lengths: tuple[int, ...] = ()
    waits: tuple[Band, ...] = ()
    origin: str = "map"


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """Facts of the map that are no parameter; None where the map does not say.

    `setting_registers` counts the registers that hold settings and can be read back.
    `extra_frames` counts frames that a poll needs beyond one for each status register (1 where the
    reply to a read comes in the next frame), `extra_setting_frames` those of a readback beyond one
    for each register of settings; both count on reads that follow each other without a pause.
    `bring_up` are the frames of a start by the map's sequences, `first_wait` what the controller waits
    before the first of them, `outputs_on` what enables the outputs, `to_sleep` what sends the chip to
    sleep (`sleeps`: by a field of its own); `no_bring_up` says why there are none. They are worked out only for a
    stage that states something of its start-up.
    """

    status_registers: int | None = None
    setting_registers: int | None = None
    frame_bits: int | None = None
    extra_frames: int = 0
    extra_setting_frames: int = 0
    faults: tuple[FaultTiming, ...] | None = None
    failure_modes: tuple[FailureMode, ...] = ()
    courses: tuple[Course, ...] = ()
    first_wait: Band | None = None
    bring_up: tuple[FrameRun, ...] = ()
    outputs_on: tuple[FrameRun, ...] = ()
    to_sleep: tuple[FrameRun, ...] = ()
    sleeps: bool = False
    no_bring_up: str = ""
    origin: str = "map"


def parameter(name: str) -> Parameter:
    """The table entry of an input name; CallError with the nearest one when there is none."""
    kind, _, key = name.partition(":")
    table = TABLES.get(kind)
    if table is None:
        raise CallError(f"unknown input {name!r}", "chip:, stage: or role: and a name")
    entry = table.get(key)
    if entry is None:
        hint = closest(key, table)
        raise CallError(f"unknown input {name!r}", nearest=f"{kind}:{hint}" if hint else "")
    return entry


def describe(name: str) -> str:
    """What an input is, in words, for a message that asks for it; a remark in brackets may follow."""
    kind = name.partition(":")[0]
    if kind not in TABLES:
        return name
    entry = parameter(name.partition(" (")[0])
    where = {"chip": "the map's electrical section", "stage": "the stage", "role": "a field's role"}
    return f"{entry.doc} ({where[kind]})"


def _check(item: Input) -> None:
    entry = parameter(item.name)
    if isinstance(item.value, Band):
        if entry.dimension is None:
            raise CallError(f"{item.name} is a {entry.kind}, not a quantity")
        want = DIMENSIONS[entry.dimension][0]
        if item.value.dim != want:
            raise CallError(
                f"{item.name} is a {entry.dimension}, not a {dimension_name(item.value.dim)}"
            )
    elif entry.choices and str(item.value) not in entry.choices:
        near = closest(str(item.value), entry.choices)
        raise CallError(
            f"{item.name} is {item.value!r}", f"one of {', '.join(entry.choices)}", nearest=near
        )
    elif entry.kind == "count" and not isinstance(item.value, int):
        raise CallError(f"{item.name} is {item.value!r}", "a whole number")
    elif entry.dimension is not None and isinstance(item.value, int):
        raise CallError(f"{item.name} is the bare number {item.value}", f"a {entry.dimension}")


_DEFAULTS: dict[str, Input | None] = {}


def default(name: str) -> Input | None:
    """The default of the trade for an input, or None where there is none."""
    if name not in _DEFAULTS:
        entry = parameter(name)
        made: Input | None = None
        if entry.default is not None:
            value: Value = entry.default
            if entry.kind == "quantity":
                value = parse_band(entry.default, entry.dimension)
            elif entry.kind == "count":
                value = int(entry.default)
            made = Input(name, value, f"default of the trade ({entry.note})")
        _DEFAULTS[name] = made
    return _DEFAULTS[name]


_CHAINS: dict[str, dict[str, None]] = {}


def chain(name: str) -> dict[str, None]:
    """The names tried for one input, in order (as keys): itself, then what stands in for it.

    Raises CallError for an unknown name.
    """
    found = _CHAINS.get(name)
    if found is None:
        parameter(name)
        found = _CHAINS.setdefault(name, dict.fromkeys(_chain(name)))
    return found


def _chain(name: str) -> tuple[str, ...]:
    kind, _, key = name.partition(":")
    tried: list[str] = []
    step: str | None = key
    while step is not None and f"{kind}:{step}" not in tried:
        tried.append(f"{kind}:{step}")
        step = TABLES[kind][step].instead
    if kind == "role":
        for role in list(tried):
            fixed = role.partition(":")[2]
            if fixed in CHIP:
                tried += [n for n in _chain(f"chip:{fixed}") if n not in tried]
    return tuple(tried)


@dataclass(slots=True)
class Inputs:
    """A set of inputs and the facts of the map.

    Raises CallError for an unknown name, a wrong dimension or a value outside its choices.
    `asked` and `missing` collect every name looked up, and those that gave nothing; `removed` says that a check found
    nothing to judge because the settings leave no hazard (see `Work.no_hazard`).
    """

    items: Iterable[Input]
    facts: Facts = field(default_factory=Facts)
    asked: dict[str, None] = field(default_factory=dict)
    removed: bool = False
    missing: dict[str, None] = field(default_factory=dict)
    _known: dict[str, Input] = field(default_factory=dict, repr=False)
    #: variables derived from these inputs, for the benches alone (see `work.Work`); copies share them
    derived: dict[tuple[object, ...], object] = field(
        default_factory=dict, repr=False, compare=False
    )

    def __post_init__(self) -> None:
        self.items = tuple(self.items)
        for item in self.items:
            _check(item)
            if item.name in self._known:
                raise CallError(f"{item.name} is given twice")
            self._known[item.name] = item

    def with_values(self, changes: Iterable[Input], facts: Facts | None = None) -> Inputs:
        """A copy with some inputs replaced or added (what a sweep changes); starts a new record."""
        known = dict(self._known)
        for item in changes:
            _check(item)
            known[item.name] = item
        made = Inputs((), facts or self.facts, derived=self.derived)
        made.items = tuple(known.values())
        made._known = known
        return made

    def beside(self, other: Inputs) -> Inputs:
        """The same inputs, sharing with `other` what was derived from those that both have; starts a new record."""
        theirs = other.known()
        made = Inputs((), self.facts, derived=other.derived)
        made._known = {n: t if (t := theirs.get(n)) == i else i for n, i in self._known.items()}
        made.items = tuple(made._known.values())
        return made

    def __contains__(self, name: str) -> bool:
        """Whether this very name is stated (no fallback, no default)."""
        return name in self._known

    def known(self) -> Mapping[str, Input]:
        """All stated inputs by name."""
        return self._known

    def find(self, name: str, *, optional: bool = False) -> Input | None:
        """The input of that name, or what stands in for it; None when nothing does.

        The record `missing` leaves out what was asked for as `optional`.
        """
        names = chain(name)
        self.asked[name] = None
        for candidate in names:
            item = self._known.get(candidate)
            if item is not None:
                return item
        for candidate in names:
            item = default(candidate)
            if item is not None:
                return item
        if not optional:
            self.missing[name] = None
        return None
