"""What a map says, worked out bit by bit from its YAML document: frames, registers, replies.

The oracle of the agreement test. It reads the document as a plain loader gives it and shares nothing
with the library: check bits are fed one bit at a time, registers move by the words of data sheets.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

Doc = dict[str, Any]


def bits_of(text: Any) -> list[int]:
    """Bit numbers as the document writes them, most significant first."""
    found: list[int] = []
    for item in text if isinstance(text, list) else [text]:
        ends = [int(n) for n in str(item).split("..")]
        found += range(ends[0], ends[-1] - 1, -1)
    return found


def number(value: Any) -> int:
    return int(value, 0) if isinstance(value, str) else int(value)


def put(word: int, bits: list[int], value: int) -> int:
    for index, bit in enumerate(bits):
        one = value >> (len(bits) - 1 - index) & 1
        word = word & ~(1 << bit) | one << bit
    return word


def get(word: int, bits: list[int]) -> int:
    return int("0" + "".join(str(word >> b & 1) for b in bits), 2)


def checked(part: Doc, word: int, sent: int) -> int:
    """The check bits of this part over the rest of `word`, in answer to `sent`."""
    fed = [sent >> b & 1 for b in bits_of(part.get("over_command", []))]
    fed += [word >> b & 1 for b in bits_of(part["over"])]
    if part["holds"] == "parity":
        return (sum(fed) + (part["parity"] == "odd")) & 1
    fed = [int(c) for c in part.get("prefix", "0b")[2:]] + fed
    width = len(bits_of(part["bits"]))
    if part["reflect_in"]:
        eights = [fed[i : i + 8] for i in range(0, len(fed), 8)]
        fed = [bit for group in eights for bit in reversed(group)]
    value, top = part["init"], (1 << width) - 1
    for bit in fed + [0] * part["flush"]:
        high = value >> (width - 1) & 1
        value = value << 1 & top
        if high ^ bit:
            value ^= part["polynomial"]
    if part["reflect_out"]:
        value = int(f"{value:0{width}b}"[::-1], 2)
    return value ^ part["xor"]


def built(parts: Doc, values: dict[str, int], sent: int = 0) -> int:
    """The word whose parts hold these values, the others what the document says."""
    word = 0
    for name, part in parts.items():
        if part["holds"] not in ("crc", "parity"):
            idle = 0
            if part["holds"] == "status" and not part.get("active", 1):
                idle = 1
            value = values.get(name, part.get("value", part.get("start", idle)))
            word = put(word, bits_of(part["bits"]), value)
    for name in ("check0", "check1"):
        if name in parts:
            word = put(word, bits_of(parts[name]["bits"]), checked(parts[name], word, sent))
    return word


@dataclass
class Asked:
    """A frame as sent: its layout's name, kind ("read", "write" or a command's name), whose, and its word."""

    frame: str
    kind: str
    name: str
    word: int
    values: dict[str, int]
    code: str = ""
    data: int | None = None
    shared: bool = False


@dataclass
class Due:
    """What will be answered to a frame: its data as shown, and whether these mean anything."""

    asked: Asked
    data: int
    sure: bool


class Plain:
    """A chip of a document: what its frames are, what they do to it, what it answers."""

    def __init__(self, document: Doc) -> None:
        self.document = document
        self.registers: Doc = document["registers"]
        self.frames: Doc = document["frames"]
        self.commands: Doc = document.get("commands", {})
        self.keys: Doc = document.get("keys", {})
        self.faults: Doc = document.get("faults", {})
        self.states: Doc = document.get("states", {})
        self.accepted = 0
        self.turn: dict[str, int] = {}
        self.reset()

    def reset(self) -> None:
        self.words = {n: r["reset"] for n, r in self.registers.items()}
        self.written: set[tuple[str, str]] = set()
        self.at = dict.fromkeys(self.keys, 0)
        self.on = dict.fromkeys(self.states, False)

    # --- the document --------------------------------------------------------------------------
    def each(self, name: str) -> list[tuple[str, str, int]]:
        """(field, access, bit) of every bit of a register that a field has."""
        register = self.registers[name]
        usual = register.get("access", "rw")
        return [
            (f, "ro" if "any_of" in body else body.get("access", usual), bit)
            for f, body in register["fields"].items()
            for bit in bits_of(body["bits"])
        ]

    def claimed(self, name: str) -> int:
        return sum(1 << b for _, _, b in self.each(name))

    def kinds(self, name: str) -> set[str]:
        return {a for _, a, _ in self.each(name)}

    def width(self, name: str) -> int:
        found = self.registers[name].get("width")
        if found is None:
            found = len(bits_of(self.frames[self.layouts(name)[0]]["command"]["data"]["bits"]))
        return int(found)

    def layouts(self, name: str) -> list[str]:
        """The layouts that a register names; the general ones where it names none."""
        own = self.registers.get(name, {}).get("frame", [])
        own = [own] if isinstance(own, str) else own
        return own or [
            n for n, f in self.frames.items() if not f.get("named_only") and (n.startswith("word"))
        ]

    def holds(self, text: str) -> bool:
        """A condition of the three forms that the maps use."""
        if text.startswith("not "):
            return not self.holds(text[4:])
        if "==" in text:
            ref, _, wanted = text.partition("==")
            return self.code(ref.strip()) == int(wanted)
        return self.on[text]

    def code(self, ref: str) -> int:
        register, _, name = ref.partition(".")
        return get(self.words[register], bits_of(self.registers[register]["fields"][name]["bits"]))

    def layout(self, name: str) -> str:
        """The layout in force for a register, or for commands ("")."""
        found = self.layouts(name)
        for item in found:
            if "when" in self.frames[item] and self.holds(self.frames[item]["when"]):
                return item
        return next(n for n in found if "when" not in self.frames[n])

    # --- frames --------------------------------------------------------------------------------
    def can(self, kind: str, name: str) -> bool:
        """Whether the map has a frame that reads or writes this register."""
        register = self.registers[name]
        if register.get("in_replies"):
            return False
        parts = self.frames[self.layout(name)]["command"]
        if "op" not in parts:
            return kind == "write"
        code = register["operation"].get(kind) if "operation" in register else kind
        return code in parts["op"]["codes"]

    def ask(self, kind: str, name: str, data: int | None = None, chip: int | None = None) -> Asked:
        """The frame of a read, a write, or (kind "") a command."""
        command = self.commands[name] if kind == "" else None
        layout = self.layout("" if command is not None else name)
        parts = self.frames[layout]["command"]
        values: dict[str, int] = {}
        code = ""
        if command is not None:
            codes = parts["op"]["codes"]
            code = next((n for n, c in codes.items() if c == command["parts"]["op"]), "")
            for part, value in command["parts"].items():
                values[part] = number(value.replace("x", "0") if isinstance(value, str) else value)
            if data is not None:
                values["data"] = data
        else:
            register = self.registers[name]
            if "op" in parts:
                code = register["operation"][kind] if "operation" in register else kind
                values["op"] = parts["op"]["codes"][code]
            if "address" in parts:
                values["address"] = register["address"]
            if "page" in parts:
                values["page"] = register.get("page", 0)
            if kind == "write":
                assert data is not None
                values["data"] = data & ((1 << len(bits_of(parts["data"]["bits"]))) - 1)
        if "count" in parts:
            values["count"] = self.turn.get("count", parts["count"].get("start", 0))
        if chip is not None:
            values["chip"] = chip
        word = built(parts, values)
        every = {n: get(word, bits_of(p["bits"])) for n, p in parts.items()}
        shared = chip is not None and chip != parts["chip"]["value"]
        return Asked(layout, kind or name, name, word, every, code, values.get("data"), shared)

    def guarded(self, layout: str) -> set[int]:
        """The bits of a command that check bits cover, and these: a single flip there cannot pass."""
        found: set[int] = set()
        for part in self.frames[layout]["command"].values():
            if part["holds"] in ("parity", "crc"):
                found |= {*bits_of(part["over"]), *bits_of(part["bits"])}
        chip = self.frames[layout]["command"].get("chip")
        if chip is not None:  # a frame for another chip is none of this one's
            found -= {*bits_of(chip["bits"])}
        return found

    # --- what a frame does -------------------------------------------------------------------------
    def allowed(self, name: str) -> bool:
        text = self.registers[name].get("writable")
        return text is None or self.holds(text)

    def write(self, name: str, word: int) -> None:
        register = self.registers[name]
        kinds = self.kinds(name)
        if not self.allowed(name) or not kinds - {"ro", "rc"}:
            self._break("write")
            return
        done = self._keys(name, word)
        reach = register.get("write_mask", -1)
        once = set()
        for field, access, bit in self.each(name):
            one, mask = word >> bit & 1, 1 << bit
            if access == "once":
                once.add((name, field))
            if not mask & reach:
                continue
            takes = access in ("rw", "wo") or (
                access == "once" and (name, field) not in self.written
            )
            if takes:
                self.words[name] = self.words[name] & ~mask | one << bit
            elif access == "sc" or (access == "w1c" and one) or (access == "w0c" and not one):
                self.words[name] &= ~mask
        for text, how in register.get("reserved", {}).items():
            if how == "keep":
                for bit in bits_of(text):
                    self.words[name] = self.words[name] & ~(1 << bit) | word & 1 << bit
        self.written |= once
        for key in done:
            self._event(key)
        for state, body in self.states.items():
            for text in body.get("left_by", []):
                if "=" in text and self._hits(text, name, word):
                    self.on[state] = False
        for field, body in register["fields"].items():
            for code, effects in body.get("acts", {}).items():
                if get(word & reach, bits_of(body["bits"])) == code:
                    self._effects(effects, field)

    def read(self, name: str) -> None:
        """What a read does: the bits that it clears are 0."""
        self._break("other")
        for _, access, bit in self.each(name):
            if access == "rc":
                self.words[name] &= ~(1 << bit)

    def command(self, name: str, data: int | None) -> None:
        body = self.commands[name]
        if "carries" in body:
            width = self.width(body["carries"])
            self.write(body["carries"], (data or 0) & ((1 << width) - 1))
        else:
            self._break("other")
        self._effects(body.get("effects", []), name)
        self._event(name)

    def bad(self) -> None:
        """A frame came whose check bits do not fit."""
        self._break("bad")
        for fault in self.faults.values():
            if "check_bits" in fault.get("raised_by", []):
                register, _, name = fault["at"].partition(".")
                bits = bits_of(self.registers[register]["fields"][name]["bits"])
                self.words[register] = put(self.words[register], bits, 1)
        self._flags()

    def take(self, asked: Asked) -> None:
        if asked.kind == "read":
            self.read(asked.name)
        elif asked.kind == "write":
            self.write(asked.name, asked.data or 0)
        else:
            self.command(asked.name, asked.data)
        self.accepted += 1
        for name, part in self.frames[asked.frame]["command"].items():
            if part["holds"] == "counter":
                width = len(bits_of(part["bits"]))
                self.turn[name] = (asked.values[name] + 1) % (1 << width)
        self._flags()

    def _flags(self) -> None:
        for name, register in self.registers.items():
            for body in register["fields"].values():
                if "any_of" in body:
                    some = False
                    for ref in body["any_of"]:
                        where, _, field = ref.partition(".")
                        some |= any(
                            self.words[where] >> b & 1
                            for f, _, b in self.each(where)
                            if field in ("", f)
                        )
                    self.words[name] = put(self.words[name], bits_of(body["bits"]), int(some))

    def _effects(self, effects: Any, _by: str) -> None:
        for text in [effects] if isinstance(effects, str) else effects:
            if text == "reset":
                self.reset()
            elif text == "clear_faults":
                for fault in self.faults.values():
                    register, _, name = fault["at"].partition(".")
                    bits = bits_of(self.registers[register]["fields"][name]["bits"])
                    self.words[register] = put(self.words[register], bits, 0)
            elif text.startswith("clear "):
                self.words[text[6:]] &= ~self.claimed(text[6:])
            else:
                ref, _, value = text.partition("=")
                register, _, name = ref.strip().partition(".")
                bits = bits_of(self.registers[register]["fields"][name]["bits"])
                self.words[register] = put(self.words[register], bits, int(value))

    def _hits(self, step: str, name: str, word: int) -> bool:
        ref, _, value = step.partition("=")
        register, _, field = ref.strip().partition(".")
        return register == name and get(
            word, bits_of(self.registers[register]["fields"][field]["bits"])
        ) == int(value)

    def _keys(self, name: str, word: int) -> list[str]:
        done = []
        for key, body in self.keys.items():
            steps, how, at = body["steps"], body["broken_by"], self.at[key]
            own = any(s.partition(".")[0].strip() == name for s in steps)
            if self._hits(steps[at], name, word):
                at += 1
            elif how in ("bad_frames", "frames", "writes") or (how == "own_writes" and own):
                at = 1 if self._hits(steps[0], name, word) else 0
            if at == len(steps):
                done.append(key)
                at = 0
            self.at[key] = at
        return done

    def _break(self, what: str) -> None:
        breaking = {
            "write": ("bad_frames", "frames", "writes"),
            "other": ("bad_frames", "frames"),
            "bad": ("bad_frames",),
        }
        for key, body in self.keys.items():
            if body["broken_by"] in breaking[what]:
                self.at[key] = 0

    def _event(self, event: str) -> None:
        for state, body in self.states.items():
            if event in body.get("left_by", []):
                self.on[state] = False
            if event in body.get("entered_by", []):
                self.on[state] = True

    # --- replies ---------------------------------------------------------------------------------
    def shown(self, name: str) -> int:
        """What a read of the register shows."""
        register = self.registers[name]
        how = register.get("reads_as", "written")
        if how == "zero":
            return 0
        mask = register.get("read_mask", -1) & ((1 << self.width(name)) - 1)
        if how in self.registers:
            return int(self.words[how] & mask)
        hidden = sum(1 << b for _, a, b in self.each(name) if a in ("wo", "sc"))
        if self.kinds(name) == {"wo"}:
            return 0
        word = ~self.words[name] if how == "inverted" else self.words[name]
        return int(word & mask & ~hidden)

    def due(self, asked: Asked) -> Due:
        """What the answer to a frame will carry, told before the frame acts; `later` corrects it."""
        if asked.kind == "read":
            return Due(asked, self.shown(asked.name), True)
        if asked.kind == "write":
            return Due(asked, self.shown(asked.name), True)
        returned = self.commands[asked.name].get("returns")
        return Due(asked, self.shown(returned) if returned else 0, bool(returned))

    def answer(self, due: Due, carrying: str) -> tuple[int, int, int] | None:
        """(what passes, its certain bits, clocks) of the answer now, in a frame of `carrying`; None: no answer."""
        asked = due.asked
        frame = self.frames[asked.frame]
        clocks = self.frames[carrying]["length"]
        if clocks != frame["length"] and carrying in self.layouts(
            "" if asked.name in self.commands else asked.name
        ):
            frame = self.frames[carrying]
        if "reply" not in frame or asked.shared:
            return None
        reply = frame["reply"]
        cases = [c for c in reply.get("cases", {}).values() if self.holds(c["when"])]
        tables = [*cases[:1], reply]
        parts: Doc = {}
        for table in tables:
            rows = {**table.get("to", {})}
            if "parts" in table:
                rows["any"] = table["parts"]
            own = (
                (asked.kind, asked.code)
                if asked.name in self.commands
                else (asked.code, asked.kind)
            )
            key = next((k for k in (*own, "any") if k in rows), None)
            if key is not None:
                parts = rows[key]
                break
        if not parts:
            return None
        values: dict[str, int] = {}
        unsure = 0
        for name, part in parts.items():
            bits = bits_of(part["bits"])
            if part["holds"] == "data":
                sure, data = due.sure, due.data
                how = part.get("on_write", "any")
                if asked.kind == "write" and how == "zero":
                    data = 0
                elif asked.kind == "write" and how == "any":
                    sure = False
                elif asked.kind == "write":
                    data = due.data
                values[name] = data & ((1 << len(bits)) - 1)
                unsure |= 0 if sure else sum(1 << b for b in bits)
            elif part["holds"] == "echo":
                values[name] = asked.values.get(part["of"], 0)
            elif part["holds"] == "counter":
                values[name] = (part.get("start", 0) + self.accepted) % (1 << len(bits))
            elif part["holds"] == "field":
                values[name] = self.code(part["field"])
            elif part["holds"] == "status":
                raised = (
                    self.code(self.faults[part["fault"]]["at"])
                    if "fault" in part
                    else int(self.holds(part["shows"]))
                )
                values[name] = int(raised == part.get("active", 1))
        word = built(parts, values, asked.word)
        if unsure:
            unsure |= sum(
                1 << b
                for n in ("check0", "check1")
                if n in parts
                for b in bits_of(parts[n]["bits"])
            )
        bits = frame["length"]
        if self.document["spi"]["bit_order"] == "lsb_first":
            return word & (1 << clocks) - 1, ~unsure, clocks
        if clocks < bits:
            return word >> bits - clocks, ~(unsure >> bits - clocks), clocks
        return word << clocks - bits, ~(unsure << clocks - bits), clocks

    def cut(self, due: Due, carrying: str) -> bool:
        """Whether a frame of `carrying` is too short for the answer."""
        asked = due.asked
        fits = carrying in self.layouts("" if asked.name in self.commands else asked.name)
        return not fits and self.frames[carrying]["length"] < self.frames[asked.frame]["length"]
