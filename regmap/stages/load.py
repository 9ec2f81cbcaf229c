"""A stage in YAML to the model: the power stage around a chip and the settings wanted.

    stage = load_stage("devices/coolant_pump.yaml")      raises FileError with all problems
    stage, problems = read_stage(path)                   never raises for what is in the file

Settings are written as people write them (`60 mA`, an option's name, `0x1F`); each keeps what was
asked, what the chip can do, and where it stands in the file.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from fractions import Fraction
from pathlib import Path

from regmap.record import dataclass, field, replace

from ..behaviour.faults import status_registers
from ..behaviour.settings import never_written
from ..chip.bank import Bank, find, unknown
from ..chip.model import Chip, External, Field, Joined, Param
from ..chip.supply import over_supply
from ..chip.values import Choice, Valued, choose
from ..digest import hashed
from ..document.schema import (
    BAD,
    Reader,
    Rec,
)
from ..document.source import (
    Node,
    Sources,
    has_key,
)
from ..document.within import EXPECTED, may_read, named_file
from ..errors import CallError, FileError, Problem, closest
from ..expr import evaluate
from ..maps.load import find_document, read_map
from ..quantity import Band, parse_band
from .courses import CRANK, StatedCourse, courses_of, lowest_level
from .grammar import AS_STATED, MODE, stage_shape
from .layers import mode_tree, whole_tree
from .plausible import Doubt, doubts, odd_courses, odd_rate
from .requirements import Requirement, requirements_of


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """One wanted setting: `name` is REG.FIELD, a joined or an external value."""

    name: str
    asked: str
    choice: Choice
    origin: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FailureShare:
    """One failure mode as the stage states it (see `regmap.calc.FailureMode`)."""

    name: str
    values: Mapping[str, Band]
    covered_by: tuple[str, ...]
    origin: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ModeEntry:
    """How a mode is entered: what leads into it, from which modes (all where none is named), and how long
    its frames may take.

    `driving`: the outputs switch in it; `stopped`: it is entered with the outputs off; `retains`: the chip
    keeps its registers in it.
    """

    after: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()
    within: Band | None = None
    driving: bool = True
    stopped: bool = False
    retains: bool = True
    origin: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """Everything a stage file says, with the chip of its map.

    `doubts` are warnings about inputs that hardly fit together (see `plausible`).
    """

    name: str
    title: str
    chip: Chip
    settings: tuple[Setting, ...]
    params: Mapping[str, Param]
    waive: Mapping[str, str] = field(default_factory=dict)
    allow: Mapping[str, str] = field(default_factory=dict)
    failure_modes: tuple[FailureShare, ...] = ()
    courses: tuple[StatedCourse, ...] = ()
    requirements: tuple[Requirement, ...] = ()
    invented: bool = False
    summary: str = ""
    chain: tuple[Chip, ...] = ()
    position: int = 0
    file: str = ""
    map_name: str = ""
    files: tuple[str, ...] = ()
    #: of what its documents and maps say, whatever their files are called
    digest: str = ""
    doubts: tuple[Problem, ...] = ()
    #: of a mode: its name, what it is for, and how it is entered
    mode: str = ""
    mode_title: str = ""
    entry: ModeEntry = ModeEntry()
    #: the other states of the same drive, each a whole stage, by name
    modes: Mapping[str, Stage] = field(default_factory=dict)

    @property
    def bank(self) -> Bank:
        """The wanted contents of every register: reset values with the settings laid over."""
        return settled(self.chip, self.settings, self.params)


def load_stage(name: str | Path, mode: str = "") -> Stage:
    """The stage of a file (a path or a bundled name), or one of its modes. Raises FileError with every error
    found, CallError for a mode that it does not state."""
    stage, problems = read_stage(name)
    errors = [p for p in problems if p.severity == "error"]
    if errors or stage is None:
        raise FileError(errors)
    return in_mode(stage, mode)


def in_mode(stage: Stage, mode: str) -> Stage:
    """The stage in one of its modes; as stated for "" and `as_stated`. Raises CallError for an unknown one."""
    if mode in ("", AS_STATED):
        return stage
    if mode not in stage.modes:
        raise CallError(
            f"{stage.name} has no mode {mode!r}",
            f"one of {', '.join(stage.modes) or 'none: it states no modes'}",
            nearest=closest(mode, stage.modes),
        )
    return stage.modes[mode]


def atoms_of(chip: Chip, name: str) -> set[str]:
    """What a value of a chip is made of: fields by reference, external values by name; itself where it is nothing of the chip."""
    joined = chip.joined.get(name)
    return {f"{r}.{f}" for r, f in joined.fields} if joined is not None else {name}


def set_by(stage: Stage, mode: Stage) -> set[str]:
    """The fields and values (as atoms: REG.FIELD, or an external's name) that a mode sets by itself, and its inputs by name."""
    if mode is stage:
        return set()
    base = {s.name: s.origin for s in stage.settings}
    own = {
        a
        for s in mode.settings
        if base.get(s.name) != s.origin
        for a in atoms_of(stage.chip, s.name)
    }
    inputs = {
        n
        for n, p in mode.params.items()
        if n not in stage.params or stage.params[n].origin != p.origin
    }
    return own | inputs


def read_stage(name: str | Path, *, text: str | None = None) -> tuple[Stage | None, list[Problem]]:
    """The stage, or None, and every problem of the stage file and its map."""
    sources = Sources()
    reader = Reader(sources)
    try:
        path = find_document(name, "stage") if text is None else Path(name)
        node = whole_tree(path, text, sources, reader)
    except FileError as error:
        return None, [*reader.problems, *error.problems]
    if has_key(node, "gateword_map") and not has_key(node, "gateword_stage"):
        reader.complain(node, "", "a map", "a stage, which names its map with `map:`")
        return None, reader.problems
    if has_key(node, "gateword_part") and not has_key(node, "gateword_stage"):
        reader.complain(node, "", "a part", f"a stage, which takes it: `mosfet: {path.name}`")
        return None, reader.problems
    try:
        return _read(node, path, reader, sources)
    except FileError as error:  # the reader has seen enough
        return None, list(error.problems)


def _read(
    node: Node, path: Path, reader: Reader, sources: Sources
) -> tuple[Stage | None, list[Problem]]:
    rec = stage_shape().read(node, reader, "")
    if rec is BAD or "map" not in rec:
        return None, reader.problems
    chip, chip_problems = _chip(rec["map"], path, rec.value_nodes["map"], reader)
    if chip is None:
        return None, [*_in_order(reader.problems, sources), *chip_problems]
    stage = _build(rec, chip, path, reader, sources)
    if "modes" in rec and not reader.errors:
        stage = replace(stage, modes=_modes(rec["modes"], node, stage, path, reader))
    return (None if reader.errors else stage), _in_order(reader.problems, sources)


#: what leads into a mode beside the faults of the map
AFTER = ("start", "controller", "low_supply")


def _modes(table: Rec, node: Node, stage: Stage, path: Path, reader: Reader) -> dict[str, Stage]:
    """Each mode as the whole stage that it makes; what is wrong only there is reported, once."""
    modes: dict[str, Stage] = {}
    for name, rec in table.items():
        entry = _entry(name, rec, [AS_STATED, *table], stage.chip, reader)
        own = Reader(reader.sources)
        tree = mode_tree(node, table.value_nodes[name], path, reader.sources, own)
        whole = stage_shape().read(tree, own, "")
        if whole is not BAD:
            made = _build(whole, stage.chip, path, own, reader.sources)
            modes[name] = replace(made, mode=name, mode_title=rec.get("title", ""), entry=entry)
        seen = {str(p) for p in reader.problems}
        reader.problems += [p for p in own.problems if str(p) not in seen]
    return modes


def _entry(name: str, rec: Rec, states: list[str], chip: Chip, reader: Reader) -> ModeEntry:
    """How a mode is entered; names that mean nothing are reported."""
    leading = (
        ("after", [*chip.faults, *AFTER], f"a fault of {chip.name}, {', '.join(AFTER[:-1])} or {AFTER[-1]}"),
        ("from", [s for s in states if s != name], "another mode of this stage"),
    )  # fmt: skip
    for key, known, expected in leading:
        for index, what in enumerate(rec.get(key, ())):
            if what not in known:
                node = rec[key].nodes[index]
                near = closest(what, [*AFTER, *known] if key == "after" else known)
                reader.complain(node, f"modes.{name}", f"'{what}'", expected, near)
    if name == AS_STATED:
        reader.complain(
            rec.node,
            f"modes.{name}",
            f"a mode called {AS_STATED}",
            "another name: it is the stage's own",
        )
    return ModeEntry(
        after=tuple(rec.get("after", ())),
        sources=tuple(rec.get("from", ())),
        within=rec.get("within"),
        driving=rec.get("driving", True),
        stopped=rec.get("entered") == "stopped",
        retains=rec.get("retains", True),
        origin=Sources.origin(rec.node),
    )


def _in_order(problems: list[Problem], sources: Sources) -> list[Problem]:
    """The stage's own problems from top to bottom, file by file, then those of its maps as they came."""
    order = {name: index for index, name in enumerate(sources.by_name)}
    own = [p for p in problems if p.place.file in order]
    own.sort(key=lambda p: (order[p.place.file], p.place.line, p.place.column))
    return own + [p for p in problems if p.place.file not in order]


def _chip(name: str, path: Path, node: Node, reader: Reader) -> tuple[Chip | None, list[Problem]]:
    home = reader.sources.by_name[node.start_mark.name].path or path
    reader.sources.names_document(node)
    beside = named_file(home.parent, name)
    if beside is None:
        expected = "a map beside this stage, or a bundled name"
        reader.complain(node, "map", f"{name[:60]!r}, which no file can be called", expected)
        return None, []
    if beside.is_file() or Path(name).suffix:
        if not beside.is_file():
            near = closest(beside.name, [p.name for p in path.parent.glob("*.yaml")])
            reader.complain(
                node,
                "map",
                f"'{name}', which is no file",
                "a map beside this stage, or a bundled name",
                near,
            )
            return None, []
        if not may_read(beside, path):
            reader.complain(node, "map", f"'{name}', outside the folder of the stage", EXPECTED)
            return None, []
        return read_map(beside)
    try:
        return read_map(find_document(name, "map"))
    except FileError as error:
        problem = error.problems[0]
        reader.complain(node, "map", problem.found, problem.expected, problem.nearest)
        return None, []


def _build(rec: Rec, chip: Chip, path: Path, reader: Reader, sources: Sources) -> Stage:
    params = {
        n: Param(name=n, value=b, origin=Sources.origin(rec["params"].value_nodes[n]))
        for n, b in rec["params"].items()
    }
    asked = _asked(rec, chip, reader)
    allow = dict(rec.get("allow", {}))
    settings = _settle(asked, chip, params, reader, allow)
    head = rec.get("stage", {})
    chain, position = _chain(rec, chip, path, reader)
    own = [str(s.path) for s in sources.by_name.values()]
    stage = Stage(
        name=head.get("name", "?"),
        title=head.get("title", ""),
        chip=chip,
        settings=tuple(settings),
        params=params,
        waive=dict(rec.get("waive", {})),
        allow=allow,
        failure_modes=_failure_modes(rec, chip, reader),
        courses=courses_of(rec.get("courses", {}), reader),
        requirements=requirements_of(rec.get("requirement", {}), chip, reader),
        invented=head.get("invented", False),
        summary=head.get("summary", ""),
        chain=chain,
        position=position,
        file=str(path),
        map_name=rec["map"],
        files=tuple(
            dict.fromkeys((str(path), *own[1:], *chip.files, *(f for c in chain for f in c.files)))
        ),
        digest=hashed("".join([sources.digest, *(c.digest for c in (chip, *chain))])),
    )
    if not reader.errors:
        _rules(stage, rec, reader)
        _unwritten(stage, rec, reader)
        _otherwise(stage, rec, reader)
    return replace(stage, doubts=_doubts(stage, rec, reader))


def _failure_modes(rec: Rec, chip: Chip, reader: Reader) -> tuple[FailureShare, ...]:
    modes = []
    for name, item in rec.get("failure_modes", {}).items():
        values = {
            key: item[key] if key in item else parse_band(default, row.dimension)
            for key, (row, default) in MODE.items()
            if key in item or default is not None
        }
        path = f"failure_modes.{name}"
        for key, value in values.items():
            if key != "rate" and value.high > 1:
                reader.complain(item.value_nodes[key], path, f"{key} above 100 %", "a share")
        names = tuple(item.get("covered_by", ()))
        for index, fault in enumerate(names):
            if fault not in chip.faults:
                reader.complain(
                    item["covered_by"].nodes[index],
                    path,
                    f"{chip.name} has no fault '{fault}'",
                    "a fault of the map",
                    closest(fault, chip.faults),
                )
        if "rate" in values:
            origin = Sources.origin(rec["failure_modes"].value_nodes[name])
            modes.append(FailureShare(name=name, values=values, covered_by=names, origin=origin))
    return tuple(modes)


def _doubts(stage: Stage, rec: Rec, reader: Reader) -> tuple[Problem, ...]:
    """Inputs that contradict each other, reported at their lines; the warnings among them."""
    before = len(reader.problems)
    nodes = rec["params"].value_nodes
    courses, modes = rec.get("courses", {}), rec.get("failure_modes", {})
    found = implausible(stage.params, stage.chip)
    found += odd_courses(stage.courses, {n: p.value for n, p in stage.params.items()})
    rates = (odd_rate(f"failure_modes.{m.name}", m.values["rate"]) for m in stage.failure_modes)
    found += [d for d in rates if d is not None]
    for doubt in found:
        section, _, name = doubt.name.partition(".")
        if doubt.point is not None:
            at = list(courses[name]["points"].value_nodes.values())[doubt.point]
        elif section == "failure_modes":
            at = modes[name].value_nodes["rate"]
        else:
            at = nodes.get(doubt.name)
        reader.complain(
            at,
            doubt.name,
            doubt.found,
            doubt.expected,
            doubt.nearest,
            severity=doubt.severity,
        )
    lowest, crank = lowest_level(stage.courses), stage.params.get(CRANK)
    if lowest is not None and crank is not None and crank.value != lowest[0]:
        reader.complain(
            nodes.get(CRANK),
            CRANK,
            f"{crank.value}, while the courses go down to {lowest[0]}",
            "one of both: the lowest level of a starting profile is taken from its course",
            severity="warning",
        )
    return tuple(p for p in reader.problems[before:] if p.severity == "warning")


def implausible(params: Mapping[str, Param], chip: Chip) -> list[Doubt]:
    """What is wrong with the inputs of a stage on this chip."""
    shortest = min(f.length for f in chip.frames.values())
    held = sum(bool(r.read_back) for r in chip.registers.values())
    stated = {n: p.value for n, p in chip.electrical.items()}
    if chip.spi.clock_max is not None:
        stated["spi.clock_max"] = chip.spi.clock_max
    return doubts(
        {n: p.value for n, p in params.items()},
        stated,
        {
            "poll_bits": shortest * max(1, len(status_registers(chip))),
            "readback_bits": shortest * max(1, held),
        },
    )


def _chain(rec: Rec, chip: Chip, path: Path, reader: Reader) -> tuple[tuple[Chip, ...], int]:
    if "chain" not in rec:
        return (), 0
    item = rec["chain"]
    chips: list[Chip] = []
    for index, name in enumerate(item.get("maps", ())):
        found, problems = _chip(name, path, item["maps"].nodes[index], reader)
        reader.problems.extend(problems)
        if found is not None:
            chips.append(found)
    position = item.get("position", 0)
    if chips and (position >= len(chips) or chips[position].name != chip.name):
        reader.complain(
            item.value_nodes.get("position", item.node),
            "chain",
            f"position {position}",
            f"a position whose map is {chip.name}",
        )
    return tuple(chips), position


def _asked(rec: Rec, chip: Chip, reader: Reader) -> list[tuple[str, str, Node]]:
    """Every wanted setting as (name, text, node); unknown and read-only ones are reported."""
    asked: list[tuple[str, str, Node, Node]] = []  # with the node of the name
    table: Rec = rec.get("settings", Rec(rec.node, ""))
    for key, value in table.items():
        if isinstance(value, Rec):
            if key not in chip.registers:
                reader.refuse(
                    table.key_nodes[key], "settings", unknown(chip, key), "a register of the map"
                )
                continue
            asked += [
                (f"{key}.{n}", t, value.value_nodes[n], value.key_nodes[n])
                for n, t in value.items()
            ]
        else:
            asked.append((key, value, table.value_nodes[key], table.key_nodes[key]))
    outside: Rec = rec.get("external", Rec(rec.node, ""))
    for key, value in outside.items():
        if key not in chip.externals:
            near = closest(key, chip.externals)
            reader.complain(
                outside.key_nodes[key],
                "external",
                f"the external value '{key}'",
                "one that the map has",
                near,
            )
            continue
        asked.append((key, value, outside.value_nodes[key], outside.key_nodes[key]))
    good = []
    taken: dict[tuple[str, int], str] = {}
    for name, text, node, key_node in asked:
        item = find(chip, name)
        if item is None:
            reader.refuse(key_node, "settings", unknown(chip, name), "a field or value of the map")
        elif isinstance(item, Field) and not item.setting:
            reader.complain(
                key_node,
                "settings",
                f"a value for {item.ref}, which is {item.access}",
                "a field that holds a setting",
            )
        elif isinstance(item, External) and name in table:
            reader.complain(
                key_node,
                "settings",
                f"{name}, which is set outside the frame",
                "it under external:",
            )
        elif twice := _twice(chip, name, item, taken):
            reader.complain(
                key_node, "settings", f"{name}, whose bits {twice} sets too", "each bit set once"
            )
        else:
            good.append((name, text, node))
    return good


def _twice(chip: Chip, name: str, item: Valued, taken: dict[tuple[str, int], str]) -> str:
    """The earlier setting that sets some of these bits, or ""; notes them in `taken`."""
    if isinstance(item, Joined):
        fields = [f for r, n in item.fields if (f := chip.registers[r].field(n)) is not None]
    else:
        fields = [item] if isinstance(item, Field) else []
    for field_ in fields:
        for bit in field_.bits:
            if (field_.register, bit) in taken:
                return taken[field_.register, bit]
            taken[field_.register, bit] = name
    return ""


def _settle(
    asked: list[tuple[str, str, Node]],
    chip: Chip,
    params: Mapping[str, Param],
    reader: Reader,
    allow: Mapping[str, str],
) -> list[Setting]:
    """Codes for every wanted text; what cannot be chosen is reported."""
    choices, errors = choices_of(chip, [(name, text) for name, text, _ in asked], params, allow)
    settings: list[Setting] = []
    for (name, text, node), choice, error in zip(asked, choices, errors, strict=True):
        if choice is None:
            reader.complain(node, name, error)
        else:
            origin = Sources.origin(node)
            reading = choice.reading
            reserved = not reading.defined or reading.name.casefold().startswith("reserved")
            if reserved and name not in allow:
                reader.complain(
                    node,
                    name,
                    f"the code {choice.code}, which the map calls {reading.name or 'nothing'}",
                    f"a code with a meaning, or `allow: {{{name}: the reason}}`",
                    severity="warning",
                )
            settings.append(Setting(name=name, asked=text, choice=choice, origin=origin))
    return settings


def choices_of(
    chip: Chip,
    asked: Sequence[tuple[str, str]],
    params: Mapping[str, Param],
    allow: Collection[str] = (),
) -> tuple[list[Choice | None], list[str]]:
    """The choice for each (name, text), or None and why not.

    A meaning may hang on another setting and that on a third, so rounds are made until nothing
    moves any more; what still moves then asks for itself through others and is refused.
    """
    bank = Bank.at_reset(chip, supply=supply_of(params))
    found: list[Choice | None] = [None] * len(asked)
    errors = [""] * len(asked)
    for _ in range(len(asked) + 2):
        moved = []
        for index, (name, text) in enumerate(asked):
            item = find(chip, name)
            assert item is not None
            before = found[index]
            try:
                choice = choose(item, text, bank, allowed=name in allow)
            except CallError as error:
                found[index], errors[index] = None, str(error)
                continue
            found[index], errors[index] = choice, ""
            bank.put(item, choice.code)
            if before is None or choice.code != before.code:
                moved.append(index)
        if not moved:
            return found, errors
    for index in moved:
        found[index] = None
        errors[index] = f"{asked[index][1]!r} changes its own meaning through other settings"
    return found, errors


def supply_of(params: Mapping[str, Param]) -> Fraction | None:
    """Typical driver supply in volts, for conditions that ask for it."""
    param = params.get("supply.driver") or params.get("supply.voltage")
    return param.value.typ if param is not None and isinstance(param.value, Band) else None


def _supply_range(params: Mapping[str, Param]) -> tuple[Fraction, Fraction] | None:
    """Lowest and highest driver supply in volts."""
    param = params.get("supply.driver") or params.get("supply.voltage")
    value = param.value if param is not None else None
    return (value.low, value.high) if isinstance(value, Band) and not value.exact else None


def settled(chip: Chip, settings: tuple[Setting, ...], params: Mapping[str, Param]) -> Bank:
    """Reset values with the settings laid over."""
    bank = Bank.at_reset(chip, supply=supply_of(params))
    bank.supply_range = _supply_range(params)
    for setting in settings:
        item = find(chip, setting.name)
        assert item is not None
        bank.put(item, setting.choice.code)
    for register in chip.registers.values():
        if register.complement_of:
            other = bank.words[register.complement_of]
            bank.learn(register.name, ~other & register.mask)
    return bank


def _unwritten(stage: Stage, rec: Rec, reader: Reader) -> None:
    """A setting that the bring-up never writes would be judged, but never be in the chip."""
    node = rec.key_nodes.get("settings", rec.node)
    for register in never_written(stage.chip, stage.bank):
        reader.complain(
            node,
            "settings",
            f"settings of {register.name}, which the sequence 'configure' of {stage.chip.name} never writes",
            "settings of registers that it writes; the program must write this one itself",
            severity="warning",
        )


def _otherwise(stage: Stage, rec: Rec, reader: Reader) -> None:
    """A setting whose code means something else at a supply that the stage has."""
    settings = rec.get("settings", rec)
    for setting in stage.settings:
        item = find(stage.chip, setting.name)
        if item is None:
            continue
        wanted = setting.choice.reading.label
        others = [r.label for r in over_supply(item, setting.name, stage.bank) if r.label != wanted]
        if others:
            reader.complain(
                settings.key_nodes.get(setting.name, rec.node),
                "settings",
                f"{setting.name} = {wanted}, which is {' or '.join(dict.fromkeys(others))} at other supplies of the stage",
                "to know that; the verdicts are for all of them",
                severity="warning",
            )


def _rules(stage: Stage, rec: Rec, reader: Reader) -> None:
    """The map's rules over the wanted configuration."""
    bank = stage.bank
    node = rec.key_nodes.get("settings", rec.node)
    for rule in stage.chip.rules:
        kept = evaluate(rule.require, bank)
        if kept is None:
            reader.complain(
                node,
                "settings",
                f"rule {rule.name} cannot be judged: {rule.require} ({rule.because})",
                "settings and external values that all have a value there",
                severity="warning",
            )
        if kept is False:
            reader.complain(
                node,
                "settings",
                f"rule {rule.name} is broken: {rule.require} ({rule.because})",
                f"settings that keep the rule of {rule.origin}",
                severity=rule.severity,
            )
