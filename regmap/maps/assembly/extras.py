"""States, keys, faults, sequences, rules, known frames: everything that refers to the rest by name."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import Any

from ...chip.bank import Bank, find
from ...chip.model import (
    ACCESS,
    Access,
    Chain,
    Chip,
    Fault,
    Field,
    Header,
    Key,
    KnownFrame,
    MonitorTest,
    Rule,
    State,
    Step,
)
from ...chip.values import choose
from ...document.schema import Reader, Rec, quoted
from ...document.source import Node, Sources
from ...errors import CallError, closest
from ...expr import Expr, check_expr
from ...frames.requests import ReadRegister, SetField, WriteWord, parse_request
from .registers import read_code, unknown_field

#: who reacts to a fault of this severity where the map does not say
HANDLED_BY = {"stop": "chip", "warn": "poll", "note": "nobody"}

EFFECTS = ("reset", "clear_faults")
_NAMES = re.compile(r"[A-Za-z_][A-Za-z0-9_]*(?:\.[A-Za-z_][A-Za-z0-9_]*)?")

#: longest line of faults that follow from or sum up each other
MAX_LINKS = 40


class Extras:
    """Checks references against a chip that has frames, registers, commands and values already."""

    def __init__(self, chip: Chip, reader: Reader) -> None:
        self.chip = chip
        self.reader = reader
        self.bank = Bank.at_reset(chip)

    # --- references -------------------------------------------------------------------------
    def request(
        self,
        text: str,
        node: Node,
        path: str,
        *,
        writes_only: bool = False,
        single: bool = False,
        bank: Bank | None = None,
    ) -> Any:
        """A request whose names and value are good, or None after reporting; `bank` then knows of it.

        `single`: it must be a write of one register, so that one frame can be recognised as it.
        """
        chip = self.chip
        try:
            request = parse_request(text, chip.registers, chip.commands, chip.joined)
            if isinstance(request, SetField):
                item = find(chip, request.name)
                if item is None:
                    unknown_field(request.name, dict(chip.registers), node, path, self.reader)
                    return None
                choice = choose(item, request.value, bank or self.bank)
                if bank is not None:
                    bank.put(item, choice.code)
                if isinstance(item, Field) and not item.writable and writes_only:
                    raise CallError(f"{item.ref} cannot be written ({item.access})")
            if single and isinstance(request, SetField) and not isinstance(item, Field):
                raise CallError(
                    f"{request.name!r} is held by several fields",
                    "REG.FIELD = VALUE or REG = WORD",
                    part=request.name,
                )
            if isinstance(request, WriteWord):
                register = chip.registers[request.register]
                if request.word >> register.width:
                    raise CallError(
                        f"0x{request.word:X} does not fit the {register.width} bits of {register.name}"
                    )
            if writes_only and not isinstance(request, (SetField, WriteWord)):
                raise CallError(
                    f"{text[:60]!r} is no write", "REG.FIELD = VALUE or REG = WORD", part=text[:60]
                )
        except CallError as error:
            if not any(map(self.reader.spoiled, _NAMES.findall(text))):
                self.reader.refuse(node, path, error)
            return None
        return request

    def name(
        self, value: str, known: Iterable[str], what: str, node: Node | None, path: str
    ) -> None:
        known = list(known)
        if value not in known and not self.reader.spoiled(value):
            near = closest(value, known)
            self.reader.complain(
                node,
                path,
                f"the {what} {quoted(value)}",
                f"a {what} of this map",
                near,
            )

    def expr(self, expr: Expr, node: Node, path: str) -> None:
        """Every name of an expression must mean something here."""
        chip = self.chip
        if any(map(self.reader.spoiled, expr.names())):
            return

        def complaint(name: str) -> CallError | None:
            if name == "supply" or name in chip.states or find(chip, name) is not None:
                return None
            _register, _, _field_name = name.partition(".")
            choices = [f.ref for r in chip.registers.values() for f in r.fields]
            choices += [*chip.states, *chip.joined, *chip.externals]
            near = closest(name, choices)
            return CallError(
                f"{name!r} is no field, value, state or option here", nearest=near, part=name
            )

        for error in check_expr(expr, self.bank, complaint):
            self.reader.refuse(node, path, error, "fields, values, states and options of this map")

    def event(self, text: str, node: Node, path: str) -> None:
        if text == "reset" or text in self.chip.keys or text in self.chip.commands:
            return
        if self.reader.spoiled(text):
            return
        if "=" in text:
            self.request(text, node, path, writes_only=True, single=True)
            return
        near = closest(text, ["reset", *self.chip.keys, *self.chip.commands])
        self.reader.complain(
            node,
            path,
            f"the event {quoted(text)}",
            "reset, a key, a command, or REG.FIELD = VALUE",
            near,
        )

    # --- sections ---------------------------------------------------------------------------
    def check_commands(self, recs: Rec) -> None:
        """Effects of commands, and the registers whose content they carry or return."""
        for rec in recs.values():
            if "effects" in rec:
                self.effects(rec["effects"], rec["effects"].nodes, rec.path)
            for key in ("carries", "returns"):
                if key in rec:
                    node = rec.value_nodes[key]
                    self.name(rec[key], self.chip.registers, "register", node, rec.path)

    def check_fields(self, recs: Rec) -> None:
        """What fields do when they are written, and what flags sum up."""
        for register in recs.values():
            for name, rec in register.get("fields", {}).items():
                for texts in rec.get("acts", {}).values():
                    self.effects(texts, texts.nodes, rec.path)
                item = self.chip.field(f"{register.path.rpartition('.')[2]}.{name}")
                for key in ("acts", "any_of"):
                    if key in rec and item is not None and item.writable is (key == "any_of"):
                        self.reader.complain(
                            rec.key_nodes[key],
                            rec.path,
                            f"`{key}` of a field that {'can' if item.writable else 'cannot'} be written",
                            "access: ro" if key == "any_of" else "an access that takes writes",
                        )
                if "change_while_driving" in rec and item is not None and not item.setting:
                    self.reader.complain(
                        rec.key_nodes["change_while_driving"],
                        rec.path,
                        f"`change_while_driving` of a field that holds no setting ({item.access})",
                        "a field that is written and keeps its value",
                    )
                for index, ref in enumerate(rec.get("any_of", ())):
                    node = rec["any_of"].nodes[index]
                    if "." in ref and self.chip.field(ref) is None:
                        unknown_field(ref, dict(self.chip.registers), node, rec.path, self.reader)
                    elif "." not in ref:
                        self.name(ref, self.chip.registers, "register", node, rec.path)

    def effects(self, texts: Iterable[str], nodes: Sequence[Node], path: str) -> None:
        """Effects: a reset, cleared faults, a cleared register, or a field that is set."""
        for text, node in zip(texts, nodes, strict=True):
            if "=" in text:
                self.request(text, node, path, single=True)
            elif text.startswith("clear "):
                name = text.removeprefix("clear ").strip()
                self.name(name, self.chip.registers, "register", node, path)
            elif text not in EFFECTS:
                near = closest(text, EFFECTS)
                self.reader.complain(
                    node,
                    path,
                    f"the effect {quoted(text)}",
                    "reset, clear_faults, clear REG, or REG.FIELD = VALUE",
                    near,
                )

    def states(self, recs: Rec) -> dict[str, State]:
        found = {}
        for name, rec in recs.items():
            events = [*rec.get("entered_by", ()), *rec.get("left_by", ())]
            if "when" in rec and events:
                self.reader.complain(
                    rec.key_nodes["when"], rec.path, "`when` beside events", "one of both"
                )
            if (
                "when" not in rec.key_nodes
                and not rec.get("entered_by")
                and "entered_by" not in rec.key_nodes
                and not rec.get("initially")
            ):
                self.reader.complain(
                    rec.node,
                    rec.path,
                    "a state that nothing enters",
                    "when, entered_by, or initially: yes",
                )
            found[name] = State(
                name=name,
                when=rec.get("when"),
                entered_by=tuple(rec.get("entered_by", ())),
                left_by=tuple(rec.get("left_by", ())),
                initially=rec.get("initially", False),
                summary=rec.get("summary", ""),
                origin=Sources.origin(rec.node),
            )
        return found

    def check_states(self, recs: Rec) -> None:
        for rec in recs.values():
            if "when" in rec:
                self.expr(rec["when"], rec.value_nodes["when"], rec.path)
            for key in ("entered_by", "left_by"):
                for text, node in zip(
                    rec.get(key, ()), rec[key].nodes if key in rec else (), strict=True
                ):
                    self.event(text, node, rec.path)

    def keys(self, recs: Rec) -> dict[str, Key]:
        found = {}
        for name, rec in recs.items():
            steps = rec.get("steps", ())
            if not steps and "steps" in rec:
                self.reader.complain(
                    rec.value_nodes["steps"], rec.path, "no steps", "at least one write"
                )
            for text, node in zip(steps, steps.nodes if steps else (), strict=True):
                self.request(text, node, rec.path, writes_only=True, single=True)
            found[name] = Key(
                name=name,
                steps=tuple(steps),
                broken_by=rec.get(
                    "broken_by", "frames" if rec.get("uninterrupted", True) else "own_writes"
                ),
                summary=rec.get("summary", ""),
                origin=Sources.origin(rec.node),
            )
        return found

    def faults(self, recs: Rec) -> dict[str, Fault]:
        found: dict[str, Fault] = {}
        at: dict[tuple[str, int], str] = {}
        for name, rec in recs.items():
            if "at" not in rec or "title" not in rec:
                continue
            node = rec.value_nodes["at"]
            register, _, field_name = rec["at"].partition(".")
            item = self.chip.field(rec["at"])
            if item is None:
                unknown_field(rec["at"], dict(self.chip.registers), node, rec.path, self.reader)
                continue
            code = 1
            if "is" in rec:
                given = read_code(
                    rec["is"],
                    item.meanings,
                    item.width,
                    rec.value_nodes["is"],
                    rec.path,
                    self.reader,
                )
                if given is None:
                    continue
                code = given
            if code == 0 and (item.access.clears or item.access is Access.RC):
                self.reader.complain(
                    rec.value_nodes.get("is", node),
                    rec.path,
                    f"a fault at code 0 of {item.ref}, which clears to 0 ({ACCESS[item.access]}): it could never clear",
                    "a code other than 0, or access: ro",
                )
            if (rec["at"], code) in at:
                self.reader.complain(
                    node,
                    rec.path,
                    f"{rec['at']} = {code} again",
                    f"a bit or code of its own ('{at[rec['at'], code]}' has it)",
                )
            at[rec["at"], code] = name
            for index, way in enumerate(rec.get("cleared_by", ())):
                if "=" in way:
                    node = rec["cleared_by"].nodes[index]
                    self.request(way, node, rec.path, writes_only=True, single=True)
                else:
                    ways = ["read", "write_1", "write_0", "condition", "reset", *self.chip.commands]
                    self.name(way, ways, "way to clear", rec["cleared_by"].nodes[index], rec.path)
            for key in ("follows_from", "summary_of"):
                for index, other in enumerate(rec.get(key, ())):
                    self.name(other, recs.key_nodes, "fault", rec[key].nodes[index], rec.path)
                    if other == name:
                        self.reader.complain(
                            rec[key].nodes[index],
                            rec.path,
                            f"'{name}' in its own {key}",
                            "another fault",
                        )
            for index, other in enumerate(rec.get("blocked_by", ())):
                if other != "any":
                    self.name(
                        other, recs.key_nodes, "fault", rec["blocked_by"].nodes[index], rec.path
                    )
            severity = rec.get("severity", "stop")
            quiet = rec.get("normal_at_power_up", False)
            if "pulls_pin" in rec and "pulls_pin_when" in rec:
                self.reader.complain(
                    rec.value_nodes["pulls_pin_when"],
                    rec.path,
                    "pulls_pin and pulls_pin_when",
                    "one of them",
                )
            for key in ("masked_when", "reported_only_when", "pulls_pin_when"):
                if key in rec:
                    self.expr(rec[key], rec.value_nodes[key], rec.path)
            found[name] = Fault(
                name=name,
                register=register,
                field=field_name,
                code=code,
                title=rec["title"],
                severity=severity,
                meaning=rec.get("meaning", ""),
                causes=tuple(rec.get("causes", ())),
                check_first=tuple(rec.get("check_first", ())),
                effect=rec.get("effect", ""),
                clears=rec.get("clears", ""),
                cleared_by=tuple(rec.get("cleared_by", ())),
                latched=rec.get("latched", True),
                follows_from=tuple(rec.get("follows_from", ())),
                summary_of=tuple(rec.get("summary_of", ())),
                masked_when=rec.get("masked_when"),
                reported_only_when=rec.get("reported_only_when"),
                uses=tuple(rec.get("uses", ())),
                detect=rec.get("detect"),
                react=rec.get("react"),
                blocked_by=tuple(rec.get("blocked_by", ())),
                pulls_pin=rec.get(
                    "pulls_pin", severity == "stop" and not quiet and "pulls_pin_when" not in rec
                ),
                pulls_pin_when=rec.get("pulls_pin_when"),
                handled_by=rec.get("handled_by", HANDLED_BY[severity]),
                normal_at_power_up=quiet,
                raised_by=tuple(rec.get("raised_by", ())),
                origin=Sources.origin(rec.node),
            )
        for key in ("follows_from", "summary_of"):
            self._no_circles(recs, found, key)
        return found

    def _no_circles(self, recs: Rec, faults: dict[str, Fault], key: str) -> None:
        """`follows_from` and `summary_of` must have an end, and a near one: nothing else can be told to people."""
        links: dict[str, tuple[str, ...]] = {
            n: tuple(c for c in getattr(f, key) if c != n and c in faults)
            for n, f in faults.items()
        }
        depth: dict[str, int] = {}
        for start in faults:
            trail: list[str] = []
            stack: list[tuple[str, int]] = [(start, 0)]
            while stack:
                name, index = stack.pop()
                if index == 0:
                    if name in depth:
                        continue
                    trail.append(name)
                if index < len(links[name]):
                    following = links[name][index]
                    stack.append((name, index + 1))
                    if following in trail:
                        circle = " <- ".join([*trail[trail.index(following) :], following])
                        self.reader.complain(
                            recs.key_nodes[name],
                            recs.path,
                            f"a circle of {key}: {circle}",
                            "causes that come to an end"
                            if key == "follows_from"
                            else "sums that come to an end",
                        )
                        return
                    stack.append((following, 0))
                    continue
                depth[name] = 1 + max((depth[c] for c in links[name]), default=0)
                trail.pop()
                if depth[name] > MAX_LINKS:
                    self.reader.complain(
                        recs.key_nodes[name],
                        recs.path,
                        f"{key} over more than {MAX_LINKS} faults",
                        "a shorter line",
                    )
                    return

    def sequences(self, recs: Rec) -> dict[str, tuple[Step, ...]]:
        return {name: self._steps(steps) for name, steps in recs.items()}

    def monitor_tests(self, recs: Rec) -> dict[str, MonitorTest]:
        """Tests of monitors; one that expects nothing proves nothing."""
        found = {}
        for name, rec in recs.items():
            if not {"proves", "steps", "restore"} <= set(rec.key_nodes):
                continue
            for index, fault in enumerate(rec.get("proves", ())):
                self.name(fault, self.chip.faults, "fault", rec["proves"].nodes[index], rec.path)
            parts = {}
            for part in ("steps", "restore"):
                parts[part] = self._steps(rec.get(part, ()))
                wrong = [s for s in parts[part] if s.do in ("configure", "verify")]
                if wrong or not any(s.do == "expect" for s in parts[part]):
                    self.reader.complain(
                        rec.value_nodes[part],
                        rec.path,
                        f"a step with {wrong[0].do} in the test"
                        if wrong
                        else "no step with expect",
                        "expect: what must be read "
                        + ("while the fault is forced" if part == "steps" else "once it is over"),
                    )
            found[name] = MonitorTest(
                name=name,
                proves=tuple(rec.get("proves", ())),
                steps=parts["steps"],
                restore=parts["restore"],
                summary=rec.get("summary", ""),
                origin=Sources.origin(rec.node),
            )
        return found

    def _steps(self, recs: Iterable[Rec]) -> tuple[Step, ...]:
        kinds = ("expect", "write", "read", "command", "key", "configure", "verify", "wait")
        built = []
        for rec in recs:
            does = [k for k in kinds if k in rec.key_nodes]
            if len(does) != 1:
                what = (
                    "a step that says nothing to do"
                    if not does
                    else f"a step with {' and '.join(does)}"
                )
                self.reader.complain(rec.node, rec.path, what, "one of " + ", ".join(kinds))
                continue
            do = does[0]
            if do not in rec:
                continue
            step = self._step(do, rec)
            if step is not None:
                built.append(step)
        return tuple(built)

    def _step(self, do: str, rec: Rec) -> Step | None:
        node, value = rec.value_nodes[do], rec[do]
        chip = self.chip
        targets: tuple[str, ...] = ()
        if do in ("expect", "write"):
            targets = (value,)
            request = self.request(value, node, rec.path, writes_only=do == "write")
            if request is None:
                return None
            if (do == "expect" and isinstance(request, (ReadRegister,))) or not isinstance(
                request, (SetField, WriteWord)
            ):
                self.reader.complain(
                    node, rec.path, quoted(value), "REG.FIELD = VALUE or REG = WORD"
                )
        elif do in ("configure", "verify"):
            targets = tuple(value)
            for index, name in enumerate(value):
                if name != "all":
                    self.name(name, chip.registers, "register", value.nodes[index], rec.path)
        elif do != "wait":
            targets = (value,)
            known = {"read": chip.registers, "command": chip.commands, "key": chip.keys}[do]
            self.name(
                value,
                known,
                {"read": "register", "command": "command", "key": "key"}[do],
                node,
                rec.path,
            )
        return Step(
            do=do,
            targets=targets,
            time=value if do == "wait" else None,
            why=rec.get("why", ""),
            origin=Sources.origin(rec.node),
        )

    def rules(self, recs: Rec) -> tuple[Rule, ...]:
        found = []
        for name, rec in recs.items():
            if "require" in rec and "because" in rec:
                self.expr(rec["require"], rec.value_nodes["require"], rec.path)
                found.append(
                    Rule(
                        name=name,
                        require=rec["require"],
                        because=rec["because"],
                        severity=rec.get("severity", "error"),
                        origin=Sources.origin(rec.node),
                    )
                )
        return tuple(found)

    def known_frames(self, recs: list[Rec]) -> tuple[KnownFrame, ...]:
        found = []
        for rec in recs:
            if "does" not in rec:
                continue
            good = True
            # what one request sets can change what the next one's value means
            bank = self.bank.copy()
            for index, text in enumerate(rec.get("after", ())):
                node = rec["after"].nodes[index]
                if text not in self.chip.keys:
                    good = self.request(text, node, rec.path, bank=bank) is not None and good
            for piece in rec["does"].split(";"):
                if piece.strip() in self.chip.keys:
                    continue
                node = rec.value_nodes["does"]
                good = self.request(piece, node, rec.path, bank=bank) is not None and good
            parts = [
                p.name
                for f in self.chip.frames.values()
                for layout in (f.command, *f.replies.values())
                for p in layout.parts
            ]
            for part in rec.get("given", ()):
                if part not in parts and not self.reader.has_error("frames"):
                    near = closest(part, parts)
                    self.reader.complain(
                        rec["given"].key_nodes[part],
                        rec.path,
                        f"the part {quoted(part)}",
                        "a part of a frame of this map",
                        near,
                    )
            if "command" not in rec.key_nodes and "reply" not in rec.key_nodes:
                self.reader.complain(
                    rec.node,
                    rec.path,
                    "neither command nor reply",
                    "the frame that the data sheet shows",
                )
                good = False
            words = [*rec.get("command", ())] or [None]
            if len(words) > 1 and ("reply" in rec or "data" in rec):
                self.reader.complain(
                    rec.value_nodes["reply" if "reply" in rec else "data"],
                    rec.path,
                    "a reply to several commands",
                    "an example of its own for the frame that it answers",
                )
                good = False
            for index, word in enumerate(words if good else ()):
                found.append(
                    KnownFrame(
                        does=rec["does"],
                        command=word,
                        reply=rec.get("reply"),
                        data=rec.get("data"),
                        given=dict(rec.get("given", {})),
                        after=tuple(rec.get("after", ())),
                        place=(index, len(words)),
                        source=rec.get("source", ""),
                        origin=Sources.origin(rec.node),
                    )
                )
        return tuple(found)

    def identity(self, rec: Rec) -> dict[str, int]:
        """Registers that always read one word: they only report, and the word fits."""
        found: dict[str, int] = {}
        for name, word in rec.items():
            register = self.chip.registers.get(name)
            if register is None:
                self.name(name, self.chip.registers, "register", rec.key_nodes[name], rec.path)
            elif register.takes_writes or not register.shows:
                self.reader.complain(
                    rec.key_nodes[name],
                    rec.path,
                    f"{name}, which {'can be written' if register.takes_writes else 'no read shows'}",
                    "a register that only reports",
                )
            elif word & ~register.shows:
                self.reader.complain(
                    rec.value_nodes[name],
                    rec.path,
                    f"the word 0x{word:X} of {name}",
                    f"bits that a read shows, 0x{register.shows:X}",
                )
            else:
                found[name] = word
        return found

    def chain(self, rec: Rec) -> Chain:
        headers = []
        if not self.chip.spi.msb_first:
            self.reader.complain(
                rec.node,
                rec.path,
                "a daisy chain of chips that send their least significant bit first",
                "bit_order: msb_first",
            )
        for item in rec.get("headers", ()):
            if "length" not in item or "value" not in item:
                continue
            bits = item.get("count", ())
            if item["value"] >> item["length"] or any(b >= item["length"] for b in bits):
                self.reader.complain(
                    item.node,
                    item.path,
                    "a header wider than its length",
                    f"bits 0..{item['length'] - 1}",
                )
            commands = item.get("commands", {})
            for name, bit in commands.items():
                node = item["commands"].key_nodes[name]
                self.name(name, self.chip.commands, "command", node, item.path)
                if bit >= item["length"] or bit in bits or item["value"] >> bit & 1:
                    self.reader.complain(
                        item["commands"].value_nodes[name],
                        item.path,
                        f"bit {bit} for a command",
                        f"one of the {item['length']} bits that is neither counted nor always 1",
                    )
            headers.append(
                Header(
                    length=item["length"],
                    value=item["value"],
                    count_bits=tuple(bits),
                    commands=dict(commands),
                )
            )
        return Chain(
            headers=tuple(headers),
            split=rec.get("split", 0),
            reply_headers=rec.get("reply_headers", "start"),
            origin=Sources.origin(rec.node),
        )
