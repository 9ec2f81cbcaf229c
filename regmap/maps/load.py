"""A map in YAML to the model: every problem in one run, each at its place.

    chip = load_map("devices/kestrel16.yaml")        raises FileError with all problems
    chip, problems = read_map(path)                  never raises for what is in the file

A map may extend another one in the same folder tree; the tree of the first file bounds what can
be read, so a map cannot reach for files of its own choosing.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Literal

from regmap.record import replace

from ..chip.model import Chip, Param, Spi
from ..document.layers import drop, laid_over, line_of, value_of
from ..document.schema import BAD, Reader, Rec
from ..document.source import MappingNode, Node, ScalarNode, Sources, compose_file, has_key
from ..errors import CallError, FileError, GatewordError, Problem, closest
from ..formerly import KEYS
from .assembly.extras import Extras
from .assembly.frames import build_commands, build_frames
from .assembly.registers import build_externals, build_joined, build_registers, unknown_field
from .grammar import map_shape
from .repeat import repeated

#: keys of the whole document that a variant may drop
OPTIONAL = ("watchdog", "page_select", "chain", "electrical", "rules", "known_frames")


def bundled(folder: str) -> dict[str, Path]:
    """Bundled YAML files by name without ending: the maps and stages of the invented chips."""
    from importlib.resources import files

    root = files("regmap.devices" if folder == "devices" else "regmap.captures")
    paths = [Path(str(entry)) for entry in root.iterdir()]
    return {p.name.removesuffix(".yaml"): p for p in sorted(paths) if p.suffix == ".yaml"}


def maps_around(named: Iterable[str | Path] = ()) -> Iterator[Chip]:
    """Sound maps to try where words do not fit the ones named: those in their folders, then the bundled ones."""
    folders = {Path(n).parent for n in named if Path(n).is_file()}
    for path in (
        *sorted(p for f in folders for p in f.glob("*.yaml")),
        *bundled("devices").values(),
    ):
        try:
            yield load_map(path)
        except GatewordError:
            # a stage, or a map with errors
            continue


def find_document(name: str | Path, kind: Literal["map", "stage"] | None = None) -> Path:
    """A path as it stands, or the bundled file of that name. Raises FileError with the nearest.

    `kind` is what is wanted: of a name that means nothing, only those are offered.
    """
    path = Path(name)
    known = bundled("devices") if not path.suffix and len(path.parts) == 1 else {}
    # a folder is no document: one that is called as a bundled document is does not hide it
    if (path.exists() and not (path.is_dir() and path.name in known)) or (
        path.suffix or len(path.parts) > 1
    ):
        return path
    if str(name) in known:
        return known[str(name)]
    if kind is not None:
        key = f"gateword_{kind}"
        known = {n: p for n, p in known.items() if has_key(compose_file(p).node, key)}
    near = closest(str(name), known)
    raise FileError.at(
        str(name),
        f"no such file, and no bundled {kind or 'map or stage'} of that name",
        "a path, or one of " + ", ".join(known),
        near,
    )


def load_map(name: str | Path) -> Chip:
    """The chip of a map (a path or a bundled name). Raises FileError with every error found."""
    chip, problems = read_map(name)
    errors = [p for p in problems if p.severity == "error"]
    if errors or chip is None:
        raise FileError(errors)
    return chip


def read_map(name: str | Path, *, text: str | None = None) -> tuple[Chip | None, list[Problem]]:
    """The chip, or None, and every problem; `text` stands in for the file's own text."""
    sources = Sources()
    reader = Reader(sources)
    try:
        path = find_document(name, "map") if text is None else Path(name)
        node = _merged(path, text, sources, reader)
    except FileError as error:
        return None, [*reader.problems, *error.problems]
    if has_key(node, "gateword_stage") and not has_key(node, "gateword_map"):
        reader.complain(node, "", "a stage", "a map, as the one that this stage names with `map:`")
        return None, reader.problems
    if has_key(node, "gateword_part"):
        reader.complain(node, "", "a part of a stage", "a map")
        return None, reader.problems
    try:
        rec = map_shape().read(repeated(node, reader), reader, "")
        if rec is BAD or not isinstance(rec, Rec):
            return None, reader.problems
        reader.document = rec
        chip = _build(rec, reader, sources)
    except FileError as error:  # the reader has seen enough
        return None, list(error.problems)
    order = {file: index for index, file in enumerate(sources.by_name)}
    found = sorted(
        reader.problems,
        key=lambda p: (order.get(p.place.file, 0), p.place.line, p.place.column),
    )
    return (None if reader.errors else chip), found


# --- extends ------------------------------------------------------------------------------------
def _merged(path: Path, text: str | None, sources: Sources, reader: Reader) -> Node:
    """The node tree of a map with everything it extends merged underneath."""
    trees = line_of(path, text, sources, reader, "map")
    if len(trees) == 1:
        alone = value_of(trees[0], "without")
        if alone is not None and not reader.errors:
            reader.complain(
                alone, "without", "`without` in a map that extends none", "extends: FILE"
            )
    if reader.errors:
        raise FileError([])
    trees = [_of_today(tree, reader) for tree in trees]
    tree = trees.pop()
    while trees:
        over = trees.pop()
        tree = laid_over(tree, over)
        without = value_of(over, "without")
        if without is not None:
            _remove(tree, without, reader)
    return tree


def _of_today(tree: Node, reader: Reader) -> Node:
    """The tree with the sections of a map under their names of today, so that they can be merged."""
    old = KEYS["a map"]
    if not isinstance(tree, MappingNode):
        return tree
    pairs = []
    for key, value in tree.value:
        if isinstance(key, ScalarNode) and key.value in old:
            reader.renamed(key, "", key.value, old[key.value])
            key = ScalarNode(key.tag, old[key.value], key.start_mark, key.end_mark)
        pairs.append((key, value))
    return MappingNode(tree.tag, pairs, tree.start_mark, tree.end_mark)


def _remove(tree: Node, without: Node, reader: Reader) -> None:
    names = without.value if not isinstance(without, ScalarNode) else [without]
    for item in names:
        if not isinstance(item, ScalarNode) or not isinstance(tree, MappingNode):
            continue
        head, _, tail = item.value.partition(".")
        head = KEYS["a map"].get(head, head)
        registers = value_of(tree, "registers")
        section = value_of(tree, head)
        if tail and drop(section, tail):
            continue
        if registers is not None and isinstance(registers, MappingNode):
            if not tail and drop(registers, head):
                continue
            register = value_of(registers, head)
            fields = value_of(register, "fields") if register is not None else None
            if tail and isinstance(fields, MappingNode) and drop(fields, tail):
                continue
        if not tail and head in OPTIONAL and drop(tree, head):
            continue
        reader.complain(
            item,
            "without",
            f"'{item.value}', which the extended map does not have",
            "REG, REG.FIELD, section.NAME or an optional key of the extended map",
        )


# --- building -----------------------------------------------------------------------------------
def _build(rec: Rec, reader: Reader, sources: Sources) -> Chip:
    empty = Rec(rec.node, "")
    head: Rec = rec.get("chip", empty)
    frames = build_frames(rec.get("frames", empty), reader)
    registers = build_registers(
        rec.get("registers", empty), frames, reader, paged="page_select" in rec
    )
    chip = Chip(
        name=head.get("name", "?"),
        title=head.get("title", ""),
        invented=head.get("invented", False),
        summary=head.get("summary", ""),
        source=head.get("source", ""),
        spi=_spi(rec.get("spi", empty)),
        frames=frames,
        registers=registers,
        commands=build_commands(rec.get("commands", empty), frames, reader),
        joined=build_joined(rec.get("joined", empty), registers, reader),
        externals=build_externals(rec.get("external", empty), reader),
        electrical=_electrical(rec.get("electrical", empty)),
        watchdog=rec.get("watchdog", ""),
        page_select=rec.get("page_select", ""),
        files=tuple(str(s.path) for s in sources.by_name.values()),
        digest=sources.digest,
    )
    _check_shared_names(rec, reader)
    extras = Extras(chip, reader)
    # references into sections that did not come out whole would only repeat the first error
    states = extras.states(rec.get("states", empty))
    chip = extras.chip = replace(chip, states=states)
    extras.bank = type(extras.bank).at_reset(chip)
    keys = extras.keys(rec.get("keys", empty))
    chip = extras.chip = replace(chip, keys=keys)
    extras.check_states(rec.get("states", empty))
    extras.check_commands(rec.get("commands", empty))
    extras.check_fields(rec.get("registers", empty))
    faults = extras.faults(rec.get("faults", empty))
    chip = extras.chip = replace(chip, faults=faults)
    chip = replace(
        chip,
        sequences=extras.sequences(rec.get("sequences", empty)),
        monitor_tests=extras.monitor_tests(rec.get("monitor_tests", empty)),
        rules=extras.rules(rec.get("rules", empty)),
        known_frames=extras.known_frames(rec.get("known_frames", [])),
        identity=extras.identity(rec.get("identity", empty)),
        chain=extras.chain(rec["chain"]) if "chain" in rec else None,
    )
    _check_conditions(rec, extras)
    _check_links(rec, chip, extras)
    return chip


def _spi(rec: Rec) -> Spi:
    return Spi(
        mode=rec.get("mode", 0),
        msb_first=rec.get("bit_order", "msb_first") == "msb_first",
        extra_clocks=rec.get("extra_clocks", ""),
        select_active_low=rec.get("select", "active_low") == "active_low",
        clock_max=rec.get("clock_max"),
        clock_min=rec.get("clock_min"),
        clock_high=rec.get("clock_high"),
        clock_low=rec.get("clock_low"),
        lead=rec.get("lead"),
        lag=rec.get("lag"),
        idle=rec.get("idle"),
        wake_up=rec.get("wake_up"),
        select_flag=rec.get("select_flag", ""),
        select_flag_active=rec.get("select_flag_active", 1),
    )


def _electrical(rec: Rec) -> dict[str, Param]:
    return {
        n: Param(name=n, value=b, origin=Sources.origin(rec.value_nodes[n])) for n, b in rec.items()
    }


def _check_shared_names(rec: Rec, reader: Reader) -> None:
    """Registers, commands, joined and external values, states and keys share one set of names."""
    owner: dict[str, str] = {}
    for section in ("registers", "commands", "joined", "external", "states", "keys"):
        for name, node in rec.get(section, Rec(rec.node, "")).key_nodes.items():
            if name in owner:
                reader.complain(
                    node, section, f"'{name}', which is also in {owner[name]}", "a name used once"
                )
            elif name in ("supply", "all", "read", "reset", "any"):
                reader.complain(
                    node, section, f"'{name}', a word with a meaning of its own", "another name"
                )
            owner.setdefault(name, section)


def _check_conditions(rec: Rec, extras: Extras) -> None:
    for section in ("frames", "registers"):
        for item in rec.get(section, {}).values():
            for key in ("when", "writable"):
                if key in item:
                    extras.expr(item[key], item.value_nodes[key], item.path)
            for case in item.get("reply", {}).get("cases", {}).values():
                if "when" in case:
                    extras.expr(case["when"], case.value_nodes["when"], case.path)
            for field in item.get("fields", {}).values():
                _check_cases(field, extras)
                if "shows" in field:
                    extras.expr(field["shows"], field.value_nodes["shows"], field.path)
    for section in ("joined", "external"):
        for item in rec.get(section, {}).values():
            _check_cases(item, extras)


def _check_cases(item: Rec, extras: Extras) -> None:
    for case in item.get("cases", ()):
        if "when" in case:
            extras.expr(case["when"], case.value_nodes["when"], item.path)


def _check_links(rec: Rec, chip: Chip, extras: Extras) -> None:
    """Status bits name faults; replies answer known things; the watchdog is a register or field."""
    for frame_name, frame in rec.get("frames", {}).items():
        for parts in _reply_parts(frame):
            for part in parts.values():
                if "fault" in part:
                    extras.name(
                        part["fault"], chip.faults, "fault", part.value_nodes["fault"], part.path
                    )
                if "shows" in part:
                    extras.expr(part["shows"], part.value_nodes["shows"], part.path)
                if "field" in part:
                    _check_shown(part, chip, extras.reader)
        reply = frame.get("reply", {})
        asked = [r["to"] for r in (reply, *reply.get("cases", {}).values()) if "to" in r]
        operation = (
            chip.frames[frame_name].command.of_kind("operation")
            if frame_name in chip.frames
            else None
        )
        known = ["read", "write", "any", *chip.commands, *(operation.codes if operation else ())]
        for to in asked:
            for kind in to:
                extras.name(kind, known, "kind of command", to.key_nodes[kind], frame.path)
    if chip.spi.select_flag:
        node = rec["spi"].value_nodes["select_flag"]
        extras.name(chip.spi.select_flag, [*chip.faults, "any"], "fault", node, "spi")
    if chip.page_select and chip.field(chip.page_select) is None:
        unknown_field(
            chip.page_select,
            dict(chip.registers),
            rec.value_nodes["page_select"],
            "page_select",
            extras.reader,
        )
    elif chip.page_select:
        _check_pages(rec, chip, extras.reader)
    if chip.watchdog and chip.watchdog not in chip.registers and chip.field(chip.watchdog) is None:
        extras.name(
            chip.watchdog, chip.registers, "register", rec.value_nodes["watchdog"], "watchdog"
        )


def _check_shown(part: Rec, chip: Chip, reader: Reader) -> None:
    """A part of a reply that shows a field: one of this map, as wide, and one that can be seen."""
    found = chip.field(part["field"])
    node = part.value_nodes["field"]
    if found is None:
        unknown_field(part["field"], dict(chip.registers), node, part.path, reader)
    elif "bits" in part and len(part["bits"]) != found.width:
        reader.complain(
            part.value_nodes["bits"],
            part.path,
            f"{len(part['bits'])} bits of {found.ref}",
            f"{found.width}, as the field has",
        )
    elif not found.access.shown:
        reader.complain(
            node, part.path, f"{found.ref}, which is {found.access}", "a field that can be seen"
        )


def _check_pages(rec: Rec, chip: Chip, reader: Reader) -> None:
    """Pages that the selecting field can select; the field itself is reachable on every page."""
    field = chip.field(chip.page_select)
    assert field is not None  # its caller has seen to it
    for name, register in chip.registers.items():
        node = rec["registers"][name].value_nodes.get("page")
        if register.page is None:
            continue
        if name == field.register:
            reader.complain(
                node,
                f"registers.{name}",
                f"the page {register.page} for the register that selects the page",
                "no page: it must be reachable on each",
            )
        elif register.page >> field.width:
            reader.complain(
                node,
                f"registers.{name}",
                f"the page {register.page}",
                f"at most {(1 << field.width) - 1}, as {field.ref} selects",
            )


def _reply_parts(frame: Rec) -> list[Rec]:
    reply = frame.get("reply", {})
    return [
        parts
        for item in (reply, *reply.get("cases", {}).values())
        for parts in (item.get("parts"), *item.get("to", {}).values())
        if parts is not None
    ]


__all__ = ["CallError", "bundled", "find_document", "load_map", "read_map"]
