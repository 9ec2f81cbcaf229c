"""A campaign file: which faults on which target, what must show, and how often.

    gateword_campaign: 1
    campaign: {name: pump_faults}
    stage: coolant_pump                 # or map: quoll16, with every setting at reset
    target: {twin: yes}                 # or {port: /dev/ttyACM0}; twin with {firmware: "./app {port} {mode}"}
    faults: all                         # or a list of names; each becomes a case
    modes: all                          # or a list of modes of the stage: the faults in each of them
    repeats: 3
    order: random                       # or as_written
    seed: 1
    cases:
      VDS_UH: {disturb: vds_uh for 2 ms, manual: short phase U to ground, read_within: 5 ms}
      loose_wire: {fault: UV_SUPPLY, expect: {STATUS1.UV_SUPPLY: 1}, pin: low}
      hot: {fault: OT_WARN, mode: limp, chip: only reports, then: rest, mode_within: 10 ms}

All problems of a file are found in one run and have their places.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any

from regmap.record import dataclass, field, replace

from ..assessment.fallback import REACTIONS
from ..behaviour.settings import expectation
from ..chip.bank import Bank
from ..chip.bits import extract
from ..chip.model import Chip, Param
from ..document.reader import BAD, Reader, Rec
from ..document.schema import (
    Bool,
    Int,
    Many,
    OneOf,
    QuantityShape,
    Record,
    Scalar,
    Table,
    Text,
    Word,
)
from ..document.source import Node, Source, Sources, compose_file
from ..document.within import EXPECTED, may_read, named_file
from ..errors import CallError, FileError, Problem, closest
from ..maps.load import find_document, load_map
from ..stages.grammar import AS_STATED
from ..stages.load import Stage, in_mode, load_stage

FORMAT = 1
#: no mode follows
NOTHING = "none"
ORDERS = ("as_written", "random")
_NAME = Word(r"[A-Za-z][A-Za-z0-9_.\-]{0,63}", "a name")
_TIME = QuantityShape("time")


class _Code(Scalar):
    label = "a value: 1, an option's name, 60 mA"

    def convert(self, node: Node, text: str, reader: Reader, path: str) -> Any:  # noqa: ARG002
        return text

    def json(self) -> dict[str, Any]:
        return {"type": ["string", "number", "boolean"]}


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One thing to do and what must follow. Empty or None: as the map and the stage say."""

    name: str
    fault: str
    disturb: str = ""
    manual: str = ""
    codes: Mapping[str, int] = field(default_factory=dict)
    pin_low: bool | None = None
    clear: tuple[str, ...] = ()
    limits: Mapping[str, float] = field(default_factory=dict)
    skip: str = ""
    #: the mode in which it is done ("": as stated), what the chip makes of it (one of REACTIONS) and the mode
    #: that follows ("": none; None: as the stage says)
    mode: str = ""
    chip: str = ""
    then: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Campaign:
    """A campaign as written, with its chip, the wanted settings and the stage's inputs."""

    name: str
    chip: Chip
    bank: Bank
    stage: Stage | None
    cases: tuple[Case, ...]
    port: str = ""
    firmware: str = ""
    ready_after: float = 1.0
    repeats: int = 1
    order: str = "as_written"
    seed: int = 0
    file: str = ""
    digest: str = ""
    #: faults of the map for which there is no case
    uncovered: tuple[str, ...] = ()

    @property
    def params(self) -> Mapping[str, Param]:
        return self.stage.params if self.stage is not None else {}

    def only_in(self, mode: str) -> Campaign:
        """The campaign with its cases in one mode alone. Raises CallError for an unknown one."""
        if self.stage is not None:
            in_mode(self.stage, mode)
        elif mode != AS_STATED:
            raise CallError(f"{self.chip.name} has no modes", "a campaign of a stage")
        own = "" if mode == AS_STATED else mode
        return replace(
            self,
            cases=tuple(c for c in self.cases if c.mode == own),
            uncovered=tuple(u for u in self.uncovered if u.rpartition(".")[0] == own),
        )

    def in_mode(self, mode: str) -> Campaign:
        """The campaign with the settings and inputs of one mode. Raises CallError for an unknown one."""
        if not mode or self.stage is None:
            return self
        stage = in_mode(self.stage, mode)
        return replace(self, stage=stage, bank=stage.bank)


@lru_cache(maxsize=1)
def campaign_shape() -> Record:
    """The shape of a whole campaign."""
    case = Record(
        {
            "fault": (_NAME, False, "fault of the map that it is about (the case's own name)"),
            "disturb": (
                Text(200),
                False,
                "what to do to a simulated chip, as `gateword twin` takes it",
            ),
            "manual": (Text(), False, "what the operator of a bench does, and confirms"),
            "expect": (
                Table(Text(100), _Code(), "fields and values"),
                False,
                "what the status must show",
            ),
            "pin": (OneOf(("low", "high")), False, "level of the fault pin meanwhile"),
            "clear": (Many(Text(200)), False, "writes or commands that clear it once it is gone"),
            "detected_within": (_TIME, False, "from the condition to the pin"),
            "read_within": (_TIME, False, "from the condition to the word in hand"),
            "mode": (_NAME, False, f"mode in which it is done ({AS_STATED}: without one)"),
            "chip": (OneOf(REACTIONS), False, "what the chip makes of it by itself in that mode"),
            "then": (_NAME, False, f"mode that follows ({NOTHING}: none)"),
            "mode_within": (_TIME, False, "from the condition to the mode that follows"),
            "reaction_within": (
                _TIME,
                False,
                "from the condition to the enable pin low (firmware)",
            ),
            "skip": (Text(), False, "why it is left out"),
        },
        "a case",
    )
    target = Record(
        {
            "twin": (Bool(), False, "a simulated chip, made anew for each case"),
            "port": (Text(400), False, "port of an adapter at a real chip"),
            "firmware": (
                Text(1000),
                False,
                "program that talks to the simulated chip; {port} is its port, {mode} the mode to bring it into",
            ),
            "ready_after": (_TIME, False, "how long the program needs to bring the chip up (1 s)"),
        },
        "a target",
    )
    return Record(
        {
            "gateword_campaign": (
                Int(FORMAT, FORMAT, f"{FORMAT}, the version of this format"),
                True,
                "version of this format",
            ),
            "campaign": (Record({"name": (_NAME, True, "its name")}, "a name"), True, "what it is"),
            "stage": (Text(400), False, "the stage: a path or a bundled name"),
            "map": (Text(400), False, "the map, where there is no stage: settings at reset"),
            "target": (target, False, "what it runs on (a simulated chip)"),
            "faults": (Many(_NAME), False, "all, or names of faults; each becomes a case"),
            "modes": (
                Many(_NAME),
                False,
                f"all, or names of modes ({AS_STATED}: without one); the faults become cases in each",
            ),
            "repeats": (Int(1, 10_000), False, "how often each case is run (1)"),
            "order": (OneOf(ORDERS), False, "order of the runs (as_written)"),
            "seed": (Int(0, 1 << 32), False, "of a random order, and of the simulated chip (0)"),
            "cases": (Table(_NAME, case, "cases by name"), False, "single cases"),
        },
        "a campaign",
    )


def load_campaign(path: str | Path) -> Campaign:
    """Read a campaign. Raises FileError with every problem and its place."""
    campaign, problems = read_campaign(Path(path))
    if campaign is None:
        raise FileError([p for p in problems if p.severity == "error"])
    return campaign


def read_campaign(path: Path, text: str | None = None) -> tuple[Campaign | None, list[Problem]]:
    """The campaign, or None, and every problem; `text` stands in for what the file holds."""
    reader = Reader(Sources())
    try:
        source = compose_file(path, text)
        reader.sources.add(source)
        rec = campaign_shape().read(source.node, reader, "")
        built = None if rec is BAD else _built(rec, reader, path, source)
    except FileError as error:
        return None, list(error.problems)
    if built is None or reader.errors:
        return None, reader.problems
    return built, reader.problems


def _document(rec: Rec, key: str, path: Path, reader: Reader) -> Path | None:
    """The file that `stage:` or `map:` names: a bundled one, or one beside the campaign."""
    name, node = str(rec[key]), rec.value_nodes[key]
    kind = "stage" if key == "stage" else "map"
    beside = named_file(path.parent, name)
    if beside is None:
        reader.complain(node, key, f"{name[:60]!r}, which no file can be called", f"a {kind}")
        return None
    try:
        found = (
            beside
            if beside.is_file()
            else find_document(name, "stage" if kind == "stage" else "map")
        )
    except FileError as error:
        problem = error.problems[0]
        reader.complain(node, key, problem.found, problem.expected, problem.nearest)
        return None
    if not may_read(found, path):
        reader.complain(node, key, f"{name} outside this folder", EXPECTED)
        return None
    reader.sources.names_document(node)
    return found


def _built(rec: Rec, reader: Reader, path: Path, own: Source) -> Campaign | None:
    stage: Stage | None = None
    if ("stage" in rec.key_nodes) == ("map" in rec.key_nodes):
        reader.complain(rec.node, "", "a campaign of neither or both", "one of stage: and map:")
        return None
    if reader.errors:
        return None
    key = "stage" if "stage" in rec else "map"
    document = _document(rec, key, path, reader)
    if document is None:
        return None
    if key == "stage":
        stage = load_stage(document)
        chip, bank = stage.chip, stage.bank
    else:
        chip = load_map(document)
        bank = Bank.at_reset(chip)
    target = rec.get("target", Rec(rec.node, "target"))
    if "port" in target and target.get("twin", False):
        reader.complain(target.key_nodes["port"], "target", "a port beside a twin", "one of them")
    if "port" in target and "firmware" in target:
        reader.complain(target.key_nodes["firmware"], "target", "firmware at a port", "twin: yes")
    modes = _modes(rec, stage, reader)
    cases = _cases(rec, chip, modes, stage, reader)
    digest = hashlib.sha256()
    for part in (own.digest, chip.digest, stage.digest if stage is not None else ""):
        digest.update(part.encode() + b"\0")
    ready = target.get("ready_after")
    return Campaign(
        name=rec["campaign"]["name"],
        chip=chip,
        bank=bank,
        stage=stage,
        cases=tuple(cases),
        port=target.get("port", ""),
        firmware=target.get("firmware", ""),
        ready_after=1.0 if ready is None else _seconds(ready),
        repeats=rec.get("repeats", 1),
        order=rec.get("order", "as_written"),
        seed=rec.get("seed", 0),
        file=str(path),
        digest=digest.hexdigest(),
        uncovered=_uncovered(chip, stage, modes, cases),
    )


def _uncovered(
    chip: Chip, stage: Stage | None, modes: list[str], cases: list[Case]
) -> tuple[str, ...]:
    """The faults without a case, by name or as MODE.FAULT in the modes of the campaign, and the modes without any."""
    covered = {(case.mode, case.fault) for case in cases}
    within = [m for m in ["", *(stage.modes if stage is not None else ())] if m in modes]
    within += [m for m, _ in covered if m not in within]
    missing = [
        case_name(mode, f.name)
        for mode in dict.fromkeys(within or [""])
        for f in chip.faults.values()
        if not f.summary_of and (mode, f.name) not in covered
    ]
    others = [m for m in (stage.modes if stage is not None else ()) if m not in within]
    return (*missing, *(f"mode {m}" for m in others))


def case_name(mode: str, fault: str) -> str:
    """What the case of a fault in a mode is called; the fault's own name as stated."""
    return f"{mode}.{fault}" if mode else fault


def _modes(rec: Rec, stage: Stage | None, reader: Reader) -> list[str]:
    """The modes in which `faults` become cases; "" is as stated."""
    wanted = list(rec.get("modes", [AS_STATED]))
    known = [AS_STATED, *(stage.modes if stage is not None else ())]
    if wanted == ["all"]:
        wanted = known
    for index, name in enumerate(wanted):
        if name not in known:
            node = rec["modes"].nodes[index]
            _no_mode(node, f"modes[{index}]", name, known, reader)
    return ["" if n == AS_STATED else n for n in wanted]


def _no_mode(node: Node, path: str, name: str, known: list[str], reader: Reader) -> None:
    expected = f"one of {', '.join(known)}"
    reader.complain(node, path, f"no mode '{name}' in the stage", expected, closest(name, known))


def _seconds(value: Any) -> float:
    return float(getattr(value, "high", value))


def _cases(
    rec: Rec, chip: Chip, modes: list[str], stage: Stage | None, reader: Reader
) -> list[Case]:
    written = rec.get("cases", Rec(rec.node, "cases"))
    wanted = list(rec.get("faults", []))
    real = [f.name for f in chip.faults.values() if not f.summary_of]
    if wanted == ["all"]:
        wanted = real
    cases: dict[str, Case] = {}
    for index, name in enumerate(wanted):
        if name not in real:
            node = rec["faults"].nodes[index]
            near = closest(name, real)
            reader.complain(
                node,
                f"faults[{index}]",
                f"no fault '{name}' in {chip.name}",
                "all, or names of faults",
                near,
            )
            continue
        for mode in modes:
            cases[case_name(mode, name)] = Case(name=case_name(mode, name), fault=name, mode=mode)
    for name, case in written.items():
        made = _case(name, case, written, chip, stage, reader)
        if made is not None:
            cases[name] = made
    if not cases and not reader.errors:
        reader.complain(rec.node, "", "a campaign without cases", "faults: all, or cases:")
    return list(cases.values())


def _case(
    name: str, case: Rec, written: Rec, chip: Chip, stage: Stage | None, reader: Reader
) -> Case | None:
    path = f"cases.{name}"
    known = [AS_STATED, *(stage.modes if stage is not None else ())]
    named = {key: str(case[key]) for key in ("mode", "then") if key in case}
    for key, mode in named.items():
        allowed = known if key == "mode" else [NOTHING, *known]
        if mode not in allowed:
            _no_mode(case.value_nodes[key], f"{path}.{key}", mode, allowed, reader)
    if "chip" in case and stage is None:
        reader.complain(case.key_nodes["chip"], path, "chip: without a stage", "`stage:`")
    fault = case.get("fault", name)
    if fault not in chip.faults:
        node = case.value_nodes.get("fault", written.key_nodes[name])
        near = closest(fault, chip.faults)
        reader.complain(
            node,
            path,
            f"no fault '{fault}' in {chip.name}",
            "fault: NAME of the map",
            near,
        )
        return None
    codes: dict[str, int] = {}
    for text, value in case.get("expect", {}).items():
        node = case["expect"].key_nodes[text]

        try:
            codes[text] = _code(chip, text, value)
        except CallError as error:
            reader.refuse(node, f"{path}.expect", error)
    limits = {
        key.removesuffix("_within"): _seconds(case[key])
        for key in ("detected_within", "read_within", "reaction_within", "mode_within")
        if key in case
    }
    return Case(
        name=name,
        fault=fault,
        disturb=case.get("disturb", ""),
        manual=case.get("manual", ""),
        codes=codes,
        pin_low=case["pin"] == "low" if "pin" in case else None,
        clear=tuple(case.get("clear", ())),
        limits=limits,
        skip=case.get("skip", ""),
        mode="" if named.get("mode") in (None, AS_STATED) else named["mode"],
        chip=case.get("chip", ""),
        then="" if named.get("then") == NOTHING else named.get("then"),
    )


def _code(chip: Chip, name: str, value: str) -> int:
    """The code that a field must show. Raises CallError."""
    _, _, word = expectation(chip, f"{name} = {value}")
    item = chip.field(name)
    if item is None:
        raise CallError(f"'{name}' is no field", "REG.FIELD", part=name)
    return extract(word, item.bits)
