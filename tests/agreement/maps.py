"""Random valid maps that use what data sheets say of frames and registers, as YAML documents.

`make(seed)` puts one together from traits (`TRAITS` names them all): a map has a few of them at once, as
chips do. `Made.document` is what a person would write, `Made.plain` the same with every `for_each` written
out by hand here; the oracle (`plain.py`) reads the second.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from random import Random
from typing import Any

Doc = dict[str, Any]

#: what a map can have, and how data sheets say it
TRAITS = {
    "no_address": "registers told apart by operation codes alone",
    "by_layout": "registers told apart by their layout alone",
    "spaces": "address spaces by operation code",
    "one_address_two_registers": "a read-only and a write-only register at one address",
    "page_part": "a page in the frame",
    "page_field": "a page that a field selects",
    "wider_reply": "reply data wider than command data",
    "narrower_reply": "reply data narrower than command data",
    "reply_only": "values and faults that live only in replies",
    "carries": "a command that carries a register's word",
    "returns": "a command whose reply is a register, read-and-clear",
    "do_not_care": "bits of a command that do not matter",
    "raw_code": "a command whose operation code has no name",
    "shared": "a chip address that every chip takes",
    "reply_by_field": "a reply layout chosen by a field",
    "reply_by_command": "a reply layout chosen by the command or its code",
    "reply_by_earlier": "a reply layout chosen by an earlier command",
    "over_command": "check bits over received and sent bits together",
    "family": "layouts that a field switches, all of them together",
    "first_burst": "the first burst says which frame it is",
    "long": "a longer frame for one register",
    "counter": "a counter in commands", "reply_counter": "a counter in replies",
    "odd_length": "whole bytes for a frame that is none",
    "lsb_first": "least significant bit first",
    "deaf": "a chip that only takes writes",
    "key": "a key, broken by what its data sheet says", "locked": "a register behind a lock",
    "acts": "register bits that reset or clear", "any_of": "a flag that is the OR of others",
    "complement": "a register and its complement", "inverted": "a readback that is inverted",
    "reads_zero": "a write-only register that reads zero", "reads_other": "a register read in place of another",
    "masks": "bits that no read shows, or no write reaches", "kept": "reserved bits to keep or to state",
    "forbidden": "a code that must not be set", "identity": "a register that proves the chip",
    "for_each": "equal entries written once", "known_frames": "frames of the data sheet, also several at a time",
    "faults": "status bits in registers and in replies, raised by bad frames",
    "chain": "a daisy chain with headers that count the chips and give commands",
}  # fmt: skip

#: where frames of the trait stand that were put together by hand: file of tests/, and its test
BY_HAND = {
    "no_address": "maps/test_traits.py::test_registers_told_apart_by_their_operation_code",
    "by_layout": "maps/test_traits.py::test_registers_told_apart_by_their_layout_alone",
    "spaces": "maps/test_traits.py::test_address_spaces_by_operation",
    "one_address_two_registers": "maps/test_traits.py::test_a_read_only_and_a_write_only_register_at_one_address",
    "page_part": "maps/test_pages.py::test_a_page_in_the_frame",
    "page_field": "maps/test_pages.py::test_a_page_that_a_field_selects",
    "wider_reply": "maps/test_traits.py::test_reply_data_wider_than_command_data",
    "narrower_reply": "maps/test_traits.py::test_reply_data_narrower_than_command_data",
    "reply_only": "maps/test_traits.py::test_values_and_faults_that_live_only_in_replies",
    "carries": "behaviour/test_traits.py::test_a_command_carries_a_register",
    "returns": "behaviour/test_traits.py::test_a_command_returns_a_register_and_clears_it",
    "do_not_care": "maps/test_traits.py::test_bits_of_a_command_that_do_not_matter",
    "raw_code": "maps/test_traits.py::test_reply_layouts_by_command_field_and_earlier_command",
    "shared": "maps/test_traits.py::test_a_shared_chip_address_is_taken_and_not_answered",
    "reply_by_field": "maps/test_traits.py::test_reply_layouts_by_command_field_and_earlier_command",
    "reply_by_command": "maps/test_traits.py::test_reply_layouts_by_command_field_and_earlier_command",
    "reply_by_earlier": "maps/test_traits.py::test_reply_layouts_by_command_field_and_earlier_command",
    "over_command": "maps/test_traits.py::test_check_bits_over_command_and_reply_together",
    "family": "maps/test_traits.py::test_families_of_layouts_follow_the_condition_together",
    "first_burst": "frames/test_recogniser.py::test_the_first_burst_decides_which_layout_follows",
    "long": "behaviour/test_told_once.py::test_an_answer_that_a_shorter_frame_cuts_off_tells_nothing",
    "counter": "behaviour/test_told_once.py::test_a_counter_of_one_name_counts_on_through_the_layouts",
    "odd_length": "maps/test_traits.py::test_a_chip_takes_of_whole_bytes_what_its_map_says",
    "lsb_first": "maps/test_traits.py::test_a_chip_takes_of_whole_bytes_what_its_map_says",
    "deaf": "behaviour/test_traits.py::test_a_chip_that_only_takes_writes",
    "key": "behaviour/test_traits.py::test_what_breaks_a_key",
    "locked": "behaviour/test_effects.py::test_a_locked_register_changes_nothing_and_says_why",
    "acts": "behaviour/test_traits.py::test_a_bit_that_resets_the_chip",
    "any_of": "behaviour/test_traits.py::test_a_flag_that_is_the_or_of_others",
    "complement": "maps/test_extras.py::test_known_frames_of_a_key_and_of_a_complement_are_proven",
    "inverted": "behaviour/test_machine.py::test_an_inverted_readback_minds_the_read_mask",
    "reads_zero": "behaviour/test_told_once.py::test_reads_that_show_something_else_bits_to_keep_and_a_counter_in_replies",
    "reads_other": "behaviour/test_told_once.py::test_reads_that_show_something_else_bits_to_keep_and_a_counter_in_replies",
    "kept": "behaviour/test_told_once.py::test_reads_that_show_something_else_bits_to_keep_and_a_counter_in_replies",
    "reply_counter": "behaviour/test_told_once.py::test_reads_that_show_something_else_bits_to_keep_and_a_counter_in_replies",
    "masks": "maps/test_registers.py::test_masks_of_reading_and_writing",
    "forbidden": "maps/test_extras.py::test_a_forbidden_code_is_refused_however_it_is_asked_for",
    "identity": "maps/test_extras.py::test_identity_is_declared_and_not_guessed_from_a_name",
    "known_frames": "maps/test_extras.py::test_known_frames_of_a_key_and_of_a_complement_are_proven",
    "faults": "maps/test_traits.py::test_values_and_faults_that_live_only_in_replies",
    "for_each": "maps/test_pages.py::test_entries_written_once_make_the_frames_of_each",
    "chain": "maps/test_traits.py::test_headers_carry_the_count_and_commands_to_every_chip",
}  # fmt: skip

BROKEN_BY = ("bad_frames", "frames", "writes", "own_writes", "nothing")
ACCESS = ("rw", "rw", "rw", "ro", "wo", "w1c", "w0c", "rc", "once", "sc")


@dataclass
class Made:
    """A map as written, the same written out, and the traits that it has."""

    document: Doc
    plain: Doc
    traits: set[str] = field(default_factory=set)


def span(bits: list[int]) -> Any:
    """Bit numbers as people write them: one number, a range, or a list of both."""
    runs: list[list[int]] = []
    for bit in bits:
        if runs and runs[-1][-1] == bit + 1:
            runs[-1].append(bit)
        else:
            runs.append([bit])
    texts: list[Any] = [r[0] if len(r) == 1 else f"{r[0]}..{r[-1]}" for r in runs]
    return texts[0] if len(texts) == 1 else texts


class Parts:
    """The parts of one word while they are gathered: name to (width, what it holds)."""

    def __init__(self, rng: Random) -> None:
        self.rng = rng
        self.items: dict[str, tuple[int, Doc]] = {}

    @property
    def width(self) -> int:
        return sum(w for w, _ in self.items.values())

    def add(self, name: str, width: int, **holds: Any) -> None:
        self.items[name] = width, holds

    def guards(self, room: int, *, sure: bool = False, command: int = 0) -> None:
        """Check bits: none, parity, a checksum, or both; `command` bits of the command are covered too."""
        rng = self.rng
        kinds = ["crc", "parity", "both"] if sure else ["none", "parity", "parity", "crc", "both"]
        kind = rng.choice([k for k in kinds if room >= {"crc": 4, "both": 5}.get(k, 1)])
        more = {"over_command": span(list(range(command - 1, -1, -1)))} if command else {}
        if kind in ("crc", "both"):
            width = rng.randint(4, min(8, room - (kind == "both")))
            top = (1 << width) - 1
            crc = {
                "polynomial": rng.randint(0, top) | 1, "init": rng.choice([0, top, rng.randint(0, top)]),
                "xor": rng.choice([0, 0, top]), "reflect_in": rng.random() < 0.2,
                "reflect_out": rng.random() < 0.2, "flush": rng.choice([0, 0, 0, width]),
            }  # fmt: skip
            if rng.random() < 0.2:
                crc["prefix"] = "0b" + "".join(rng.choice("01") for _ in range(rng.randint(1, 8)))
            self.add("check0", width, holds="crc", **crc, **more)
        if kind in ("parity", "both"):
            self.add("check1", 1, holds="parity", parity=rng.choice(["even", "odd"]), **more)

    def placed(self, front: tuple[str, ...] = (), *, scatter: bool = True) -> Doc:
        """Every part with its bits, those of `front` in the upper ones."""
        rng, bits = self.rng, list(range(self.width - 1, -1, -1))
        rest = [n for n in self.items if n not in front]
        rng.shuffle(rest)
        places: dict[str, list[int]] = {}
        for name in front:
            width = self.items[name][0]
            places[name], bits = bits[:width], bits[width:]
        if scatter and rng.random() < 0.3:
            rng.shuffle(bits)
        for name in rest:
            width = self.items[name][0]
            places[name], bits = bits[:width], bits[width:]
        found: Doc = {}
        for name, (_, holds) in self.items.items():
            found[name] = {"bits": span(places[name]), **holds}
        for name in ("check0", "check1"):
            if name in found:
                later = {"check1"} if name == "check0" else set()
                covered = [b for n in places if n != name and n not in later for b in places[n]]
                covered.sort(reverse=True)
                if rng.random() < 0.2:
                    rng.shuffle(covered)
                found[name]["over"] = span(covered)
        return found


def fields(rng: Random, width: int, *, low: int = 0, tiny: bool = False) -> Doc:
    """Fields over most bits of a register, bits in any order."""
    free = list(range(width - 1, low - 1, -1))
    if rng.random() < 0.3:
        rng.shuffle(free)
    found: Doc = {}
    while free:
        size = rng.randint(1, min(3 if tiny else 9, len(free)))
        bits, free = free[:size], free[size:]
        if found and rng.random() < 0.15:
            continue
        found[f"F{len(found)}"] = {"bits": span(bits), "access": rng.choice(ACCESS)}
    return found


def width_of(bits: Any) -> int:
    """How many bits a text of bit numbers names."""
    total = 0
    for item in bits if isinstance(bits, list) else [bits]:
        ends = [int(n) for n in str(item).split("..")]
        total += abs(ends[0] - ends[-1]) + 1
    return total


class Maker:
    """One map in the making; `_...` methods add a trait each."""

    def __init__(self, rng: Random) -> None:
        self.rng = rng
        self.traits: set[str] = set()
        self.registers: Doc = {}
        self.written: Doc = {}  # the same, as a person writes it
        self.commands: Doc = {}
        self.states: Doc = {}
        self.keys: Doc = {}
        self.faults: Doc = {}
        self.extra: Doc = {}
        self.style = rng.choice(["address", "address", "spaces", "codes", "layout"])
        self.data = rng.randint(7, 14)
        self.back = self.data
        if self.style != "layout":
            self.back += rng.choice([0, 0, 0, 3, -3 if self.data > 9 else 3])
        self.deaf = self.style == "address" and rng.random() < 0.06
        if self.deaf:
            self.back = self.data
        self.pages = 0
        self.codes: dict[str, int] = {}

    def has(self, trait: str, chance: float) -> bool:
        """Whether this map has the trait; it is noted where it does."""
        found = self.rng.random() < chance
        if found:
            self.traits.add(trait)
        return found

    # --- registers ---------------------------------------------------------------------------------
    def add(self, name: str, body: Doc, *, page: int | None = None, at: str = "") -> None:
        """A register with a place of its own, or at the one of `at`."""
        if page is not None:
            body = {"page": page, **body}
        body = {"_at": at, **body}
        self.registers[name] = body

    def make(self) -> Made:
        rng = self.rng
        if self.deaf:
            self.traits.add("deaf")
        if self.style == "codes":
            self.traits.add("no_address")
        if self.style == "layout":
            self.traits.add("by_layout")
        if self.style == "spaces":
            self.traits.add("spaces")
        if self.style in ("address", "spaces") and not self.deaf:
            if self.has("page_part", 0.15):
                self.pages = 2
            elif self.has("page_field", 0.2):
                self.add("PAGE", self.body({"SELECT": {"bits": 0}}, 0))
                self.extra["page_select"] = "PAGE.SELECT"
        self.family = not self.deaf and self.has("family", 0.3)
        if self.family:
            self.add("SAFE", self.body({"ON": {"bits": 0}, "REST": {"bits": "3..1"}}, 0))
        chosen = [t for t in self.specials if rng.random() < 0.3]
        rng.shuffle(chosen)
        most = 2 if self.style == "layout" else 6
        for trait in chosen[:most]:
            if getattr(self, f"_{trait}")():
                self.traits.add(trait)
        for index in range(rng.randint(1, 2 if self.style == "layout" else 4)):
            width = rng.randint(max(2, min(self.data, self.back) - 3), min(self.data, self.back))
            body: Doc = {"reset": rng.getrandbits(width), "fields": fields(rng, width)}
            if self.deaf:
                for item in body["fields"].values():
                    item["access"] = rng.choice(["rw", "wo", "w1c", "sc"])
            if width != self.data:
                body["width"] = width
            page = None
            if self.pages:
                page = rng.randint(0, self.pages - 1)
            elif "page_select" in self.extra and rng.random() < 0.7:
                page = rng.randint(0, 1)
            self.add(f"R{index}", body, page=page)
        if self.back > self.data:
            self._wider()
        elif self.back < self.data:
            self._narrower()
        if self.style != "layout" and not self.deaf:
            self._commands()
        document = self.document()
        self.traits &= TRAITS.keys()
        return document

    def body(self, found: Doc, reset: int = 0, **more: Any) -> Doc:
        width = 1 + max(int(str(b).split("..")[0]) for f in found.values() for b in
                        (f["bits"] if isinstance(f["bits"], list) else [f["bits"]]))  # fmt: skip
        return {"width": width, "reset": reset, **more, "fields": found}

    def usable(self) -> int:
        """Bits that commands carry and replies show."""
        return min(self.data, self.back)

    def _wider(self) -> None:
        rng = self.rng
        self.traits.add("wider_reply")
        self.add("STATE", {"width": self.back, "access": "ro", "reset": rng.getrandbits(self.back),
                           "fields": {"ALL": {"bits": f"{self.back - 1}..0"}}})  # fmt: skip
        low = self.data - 1
        self.add("MIXED", {"width": self.back, "reset": rng.getrandbits(self.back) , "fields": {
            "SEEN": {"bits": f"{self.back - 1}..{self.data}", "access": "ro"},
            "SET": {"bits": f"{low}..0", "access": rng.choice(["rw", "w1c", "rw"])}}})  # fmt: skip

    def _narrower(self) -> None:
        rng = self.rng
        self.traits.add("narrower_reply")
        self.add("NARROW", {"reset": rng.getrandbits(self.data), "fields": {
            "LOW": {"bits": f"{self.back - 1}..0", "access": rng.choice(["rw", "w0c"])},
            "HIGH": {"bits": f"{self.data - 1}..{self.back}", "access": "wo"}}})  # fmt: skip

    specials = (
        "one_address_two_registers", "key", "acts", "any_of", "complement", "inverted", "reads_zero",
        "reads_other", "masks", "kept", "forbidden", "identity", "for_each", "faults", "long",
        "reply_by_field", "reply_only",
    )  # fmt: skip

    def _one_address_two_registers(self) -> bool:
        if self.style not in ("address", "spaces") or self.deaf:
            return False
        n, rng = self.usable(), self.rng
        self.add(
            "ORDER",
            {"width": n, "reset": 0, "access": "wo", "fields": {"V": {"bits": f"{n - 1}..0"}}},
        )
        self.add("REPORT", {"width": n, "reset": rng.getrandbits(n), "access": "ro",
                            "fields": {"V": {"bits": f"{n - 1}..0"}}}, at="ORDER")  # fmt: skip
        return True

    def _key(self) -> bool:
        if self.deaf:
            return False
        rng = self.rng
        codes = rng.sample(range(1, 8), 3)
        self.add("KEY", {"width": 4, "reset": 0, "access": "wo", "reads_as": "zero",
                         "fields": {"CODE": {"bits": "3..0"}}})  # fmt: skip
        steps = [f"KEY.CODE = {c}" for c in codes[: rng.randint(2, 3)]]
        self.keys["unlock"] = {"steps": steps, "broken_by": rng.choice(BROKEN_BY)}
        self.states["opened"] = {"entered_by": ["unlock"], "left_by": ["KEY.CODE = 15", "reset"]}
        self.traits.add("locked")
        self.add("GUARDED", {"width": 4, "reset": rng.getrandbits(4),
                             "writable": rng.choice(["opened", "not opened"]),
                             "fields": {"A": {"bits": "3..2"}, "B": {"bits": "1..0", "access": rng.choice(["rw", "w1c"])}}})  # fmt: skip
        return True

    def _acts(self) -> bool:
        if self.deaf:
            return False
        rng = self.rng
        self.add(
            "TARGET",
            self.body(
                {"V": {"bits": "3..0"}, "W": {"bits": 4, "access": "w1c"}}, rng.getrandbits(5)
            ),
        )
        self.add("CONTROL", self.body({
            "RESET": {"bits": 0, "access": "sc", "acts": {1: "reset"}},
            "DO": {"bits": "2..1", "access": "sc", "acts": {2: ["clear TARGET"], 3: [f"TARGET.V = {rng.getrandbits(4)}"]}},
            "KEEP": {"bits": "4..3"}}, 0))  # fmt: skip
        return True

    def _any_of(self) -> bool:
        if self.deaf:
            return False
        rng = self.rng
        self.add("PARTS", self.body({"A": {"bits": 0, "access": rng.choice(["w1c", "rw", "rc"])},
                                     "B": {"bits": "2..1", "access": rng.choice(["w0c", "rw"])}}, 0))  # fmt: skip
        self.add("SUM", {"width": 2, "reset": 0, "access": "ro", "fields": {
            "ANY": {"bits": 1, "any_of": rng.choice([["PARTS"], ["PARTS.A"], ["PARTS.A", "PARTS.B"]])}}})  # fmt: skip
        return True

    def _complement(self) -> bool:
        if self.deaf:
            return False
        n, rng = self.usable(), self.rng
        word = rng.getrandbits(n)
        for name, reset in (("COMP", word), ("COMP_N", ~word & (1 << n) - 1)):
            body = {"width": n, "reset": reset, "fields": {"V": {"bits": f"{n - 1}..0"}}}
            self.add(name, body if name == "COMP" else {**body, "complement_of": "COMP"})
        return True

    def _inverted(self) -> bool:
        if self.deaf:
            return False
        n, rng = self.usable(), self.rng
        self.add("INVERTED", {"width": n, "reset": rng.getrandbits(n), "reads_as": "inverted",
                              "fields": {"V": {"bits": f"{n - 1}..0"}}})  # fmt: skip
        return True

    def _reads_zero(self) -> bool:
        self.add("ZERO", {"width": 4, "reset": 0, "access": "wo", "reads_as": "zero",
                          "fields": {"V": {"bits": "3..0"}}})  # fmt: skip
        return not self.deaf

    def _reads_other(self) -> bool:
        if self.deaf:
            return False
        self.add(
            "SHOWN",
            {
                "width": 5,
                "reset": self.rng.getrandbits(5),
                "access": "ro",
                "fields": {"V": {"bits": "4..0"}},
            },
        )
        self.add(
            "HIDDEN",
            {
                "width": 5,
                "reset": 0,
                "access": "wo",
                "reads_as": "SHOWN",
                "fields": {"V": {"bits": "4..0"}},
            },
        )
        return True

    def _masks(self) -> bool:
        if self.deaf:
            return False
        rng = self.rng
        self.add("MASKED", {"width": 6, "reset": rng.getrandbits(6), "read_mask": 0b101111, "write_mask": 0b111011, "fields": {
            "A": {"bits": [5, 3], "access": "rw"},
            "UNSEEN": {"bits": 4, "access": "wo"}, "FIXED": {"bits": 2, "access": "ro"}, "REST": {"bits": "1..0"}}})  # fmt: skip
        return True

    def _kept(self) -> bool:
        rng = self.rng
        reserved: Doc = {"5..4": "keep", "0": rng.randint(0, 1)}
        self.add("KEPT", {"width": 6, "reset": rng.getrandbits(6) & 0b111110 | reserved["0"], "reserved": reserved,
                          "fields": {"A": {"bits": "3..1", "access": "rw"}}})  # fmt: skip
        return not self.deaf

    def _forbidden(self) -> bool:
        self.add("MODES", {"width": 3, "reset": 0, "fields": {"M": {"bits": "1..0", "options": {
            0: "off", 1: "slow", 2: {"name": "direct", "forbidden": "no protection acts"}, 3: "fast"}}, "T": {"bits": 2}}})  # fmt: skip
        return True

    def _identity(self) -> bool:
        if self.deaf:
            return False
        n, word = self.usable(), 0
        while not word:
            word = self.rng.getrandbits(n)
        self.add(
            "WHO",
            {"width": n, "reset": word, "access": "ro", "fields": {"V": {"bits": f"{n - 1}..0"}}},
        )
        self.extra["identity"] = {"WHO": word}
        return True

    def _for_each(self) -> bool:
        """Gates of two sides and flags of three phases, each written once."""
        rng = self.rng
        body = {"width": 4, "reset": rng.getrandbits(4)}
        each = {"phase": ["U", "V", "W"], "bit": ["3", "1", "0"]}
        access = rng.choice(["rw", "w1c"])
        for side in ("HS", "LS"):
            flat = {
                f"P{p}": {"bits": b, "access": access} for p, b in zip(*each.values(), strict=True)
            }
            self.add(f"GATE_{side}", {**body, "fields": flat})
        self.written["GATE_{side}"] = {
            "for_each": {"side": ["HS", "LS"]}, "_of": ["GATE_HS", "GATE_LS"], **body,
            "fields": {"P{phase}": {"for_each": each, "bits": "{bit}", "access": access}},
        }  # fmt: skip
        return True

    def _faults(self) -> bool:
        if self.deaf:
            return False
        rng = self.rng
        access = rng.choice(["w1c", "rc", "ro"])
        self.add(
            "STAT",
            self.body(
                {"BUS": {"bits": 0, "access": access}, "OTHER": {"bits": 1, "access": access}}, 0
            ),
        )
        cleared = {"w1c": "write_1", "rc": "read", "ro": "reset"}[access]
        for name, more in (("BUS", {"raised_by": ["check_bits"]}), ("OTHER", {})):
            self.faults[name] = {"at": f"STAT.{name}", "title": f"fault {name}", "causes": ["a"],
                                 "check_first": ["b"], "cleared_by": [cleared], **more}  # fmt: skip
        return True

    def _long(self) -> bool:
        return self.style == "address" and not self.deaf

    def _reply_by_field(self) -> bool:
        if self.deaf or self.style == "layout":
            return False
        self.add("FORM", self.body({"SHORT": {"bits": 0}, "REST": {"bits": "2..1"}}, 0))
        return True

    def _reply_only(self) -> bool:
        if self.deaf:
            return False
        n, rng = 3, self.rng
        self.add("ANSWER", {"width": 4, "reset": rng.getrandbits(n), "access": "ro", "in_replies": True, "fields": {
            "LEVEL": {"bits": "2..0"}, "BAD": {"bits": 3}}})  # fmt: skip
        self.faults["BAD"] = {"at": "ANSWER.BAD", "title": "bad", "causes": ["a"], "check_first": ["b"],
                              "latched": True, "cleared_by": ["reset"], "raised_by": ["check_bits"]}  # fmt: skip
        return True

    # --- commands ----------------------------------------------------------------------------------
    def _commands(self) -> None:
        rng = self.rng
        readable = [n for n, b in self.registers.items() if b.get("access") not in ("wo",)
                    and not b.get("in_replies") and b.get("reads_as") is None and b.get("width", self.data) <= self.usable()
                    and all(f.get("access", "rw") != "wo" for f in b["fields"].values())]  # fmt: skip
        settable = [n for n, b in self.registers.items() if not b.get("complement_of") and n != "COMP"
                    and b.get("access", "rw") == "rw" and "page" not in b and not b.get("in_replies")
                    and b.get("width", self.data) <= self.data and n not in ("MODES", "MIXED")]  # fmt: skip
        if settable and self.has("carries", 0.3):
            self.commands["QUICK"] = {"carries": rng.choice(settable)}
        if readable and self.has("returns", 0.35):
            name = rng.choice(readable)
            self.commands["TAKE"] = {"returns": name}
            if rng.random() < 0.7:
                self.commands["TAKE"]["effects"] = [f"clear {name}"]
        if self.has("reply_by_earlier", 0.2):
            self.commands["TALK"], self.commands["HUSH"] = {}, {}
            self.states["talking"] = {"entered_by": ["TALK"], "left_by": ["HUSH", "reset"]}
        if rng.random() < 0.2:
            self.commands["RESTART"] = {"effects": ["reset"]}
        if self.faults and rng.random() < 0.5:
            self.commands["CLEAN"] = {"effects": ["clear_faults"]}
        if self.has("do_not_care", 0.2):
            names = [
                n
                for n, b in self.registers.items()
                if b.get("access", "rw") == "rw" and "page" not in b
            ]
            name = rng.choice(names or list(self.registers))
            self.commands["LOOSE"] = (
                {"effects": [f"clear {name}"], "_loose": True} if names else {"_loose": True}
            )

    # --- frames ------------------------------------------------------------------------------------
    def frame(self, codes: dict[str, int], op_width: int, addresses: int, *,
              grown: int = 0, family: bool = False, wide: int = 0, cut: int = 0) -> Doc:  # fmt: skip
        """One layout. `grown` bits more than usual; `wide` data bits instead of the usual; the first burst is `cut`."""
        rng = self.rng
        after = self.after
        plainly = after == 0 or bool(cut)
        command = Parts(rng)
        front: tuple[str, ...] = ()
        if not self.deaf:
            command.add("op", op_width, holds="operation", codes=codes)
            front = ("op",)
        if addresses:
            command.add("address", addresses, holds="address")
            front += ("address",)
            if self.pages:
                command.add("page", 1, holds="page")
                front += ("page",)
        data, back = wide or self.data, wide or self.back
        command.add("data", data, holds="data")
        if self.counting:
            command.add("count", 2, holds="counter", start=self.counter_start)
        if self.chip_address is not None:
            command.add(
                "chip", 2, holds="chip", value=self.chip_address, shared=[self.chip_address ^ 3]
            )
            front = ("chip", *front)
        if rng.random() < 0.3:
            command.add("mark", 2, holds="fixed", value=rng.randint(0, 3))
        if rng.random() < 0.2:
            command.add("free", 1, holds="ignored", value=rng.randint(0, 1))
        command.guards(8, sure=family)
        over = self.over and not plainly
        reply = Parts(rng)
        reply.add("data", back, holds="data", on_write=self.on_write)
        if over and not wide:
            reply.guards(8, sure=True, command=command.width)
        else:
            reply.guards(8)
        status = self.status_parts()
        for item, (width, holds) in status.items():
            reply.add(item, width, **holds)
        if addresses and not plainly and rng.random() < 0.3:
            reply.add("again", addresses, holds="echo", of="address")
        if self.reply_counting:
            reply.add("turn", 2, holds="counter", start=rng.randint(0, 3))
        length = max(command.width, reply.width, 8) + grown
        if length == command.width == reply.width:
            length += rng.randint(1, 3)
        while length in self.lengths or (self.shape == "whole" and length % 8):
            length += 1
        self.lengths.add(length)
        if length > command.width:
            command.add("spare", length - command.width, holds=rng.choice(["fixed", "ignored"]),
                        value=rng.getrandbits(length - command.width))  # fmt: skip
        if length > reply.width:
            reply.add(
                "rest",
                length - reply.width,
                holds="fixed",
                value=self.rest(length - reply.width, 1),
            )
        placed = command.placed(front if plainly or cut else (), scatter=not plainly)
        # what a reply in the same frame tells of comes last
        lead = tuple(n for n in reply.items if n not in ("data", "again", "check0", "check1"))
        answer = reply.placed(lead if plainly else (), scatter=not plainly)
        body: Doc = {"length": length, "command": placed}
        if cut:
            body["bursts"] = [cut, length - cut]
        if self.deaf:
            return body
        body["reply"] = self.reply(answer, codes, plainly)
        return body

    def rest(self, width: int, mark: int) -> int:
        """A fixed value that tells layouts apart, as far as its width goes."""
        return mark & ((1 << width) - 1)

    def status_parts(self) -> dict[str, tuple[int, Doc]]:
        found: dict[str, tuple[int, Doc]] = {}
        rng = self.rng
        for name in self.faults:
            if name != "BAD" and rng.random() < 0.5:
                found[f"is_{name.lower()}"] = (
                    1,
                    {"holds": "status", "fault": name, "active": rng.randint(0, 1)},
                )
        if "opened" in self.states and rng.random() < 0.4:
            found["is_open"] = 1, {"holds": "status", "shows": "opened"}
        if "ANSWER" in self.registers:
            found["level"] = 3, {"holds": "field", "field": "ANSWER.LEVEL"}
            if rng.random() < 0.5:
                found["bad"] = 1, {"holds": "field", "field": "ANSWER.BAD"}
            else:
                found["bad"] = 1, {"holds": "status", "fault": "BAD", "active": rng.randint(0, 1)}
        return found

    def again(self, answer: Doc, mark: int) -> Doc:
        """The same reply with another mark in its fixed bits, so that the two can be told apart."""
        changed = {n: dict(p) for n, p in answer.items()}
        width = width_of(changed["rest"]["bits"]) if "rest" in changed else 0
        if width < 2:
            return {}
        changed["rest"]["value"] = self.rest(width, mark)
        return changed

    def reply(self, answer: Doc, codes: dict[str, int], plainly: bool) -> Doc:
        """The reply and what it hangs on."""
        rng = self.rng
        made: Doc = {"after": self.after, "parts": answer}
        if plainly:
            return made
        other = self.again(answer, 2)
        if other and self.by_command:
            to = [c for c in codes if c not in ("spare",)]
            target = rng.choice([*to, *self.commands]) if to or self.commands else ""
            if target:
                made["to"] = {target: other}
                self.traits.add("reply_by_command")
        cases: Doc = {}
        third, fourth = (
            self.again(answer, 3),
            self.again(answer, 0),
        )
        if third and "FORM" in self.registers:
            cases["short"] = {"when": "FORM.SHORT == 1", "parts": third}
        if fourth and "talking" in self.states:
            cases["loud"] = {"when": "talking", "parts": fourth}
        if cases:
            made["cases"] = cases
        return made

    def document(self) -> Made:
        rng = self.rng
        self.after = rng.choice([0, 1, 1, 1, 2, 3])
        self.on_write = rng.choice(
            ["old", "new", "zero", "any"] if self.after else ["old", "zero", "any"]
        )
        self.lengths: set[int] = set()
        self.over = not self.deaf and self.after > 0 and self.has("over_command", 0.2)
        self.counting = (
            not self.deaf
            and self.style != "layout"
            and not self.family
            and self.has("counter", 0.15)
        )
        self.reply_counting = not self.deaf and self.has("reply_counter", 0.1)
        self.counter_start = rng.randint(0, 1)
        self.chip_address = (
            rng.randint(0, 3) if not self.deaf and self.has("shared", 0.12) else None
        )
        self.by_command = rng.random() < 0.3
        self.shape = "any" if self.style == "layout" else rng.choice(["whole", "any"])
        frames: Doc = {}
        names = [n for n, b in self.registers.items() if not b.get("in_replies")]
        long = "long" in self.traits
        places = self.places(names)
        addresses = (
            max(1, (max(places.values(), default=0)).bit_length())
            if self.style in ("address", "spaces")
            else 0
        )
        layout_of: dict[str, list[str]] = {}
        own: dict[str, Doc] = {}
        if self.style == "layout":
            usual = [n for n in names if n in ("SAFE",)] or names[:1]
            op_width, codes = 2, dict(zip(("read", "write"), rng.sample(range(4), 2), strict=True))
            frames["word"] = self.frame(codes, op_width, 0)
            if self.family:
                frames["word_safe"] = {
                    "when": "SAFE.ON == 1",
                    **self.frame(codes, op_width, 0, grown=4, family=True),
                }
            for index, name in enumerate(n for n in names if n not in usual):
                key = f"own{index}"
                frames[key] = self.frame(codes, op_width, 0, grown=index + 1)
                layout_of[name] = [key]
                if self.family:
                    safe = f"{key}_safe"
                    frames[safe] = {"when": "SAFE.ON == 1", "named_only": True,
                                    **self.frame(codes, op_width, 0, grown=6 + index, family=True)}  # fmt: skip
                    layout_of[name] = [safe, key]
        else:
            wanted = ["read", "write"]
            operations: dict[str, Doc] = {}
            if self.style == "spaces":
                wanted += ["peek", "poke"]
                for name in names:
                    if name not in ("SAFE", "PAGE", "ORDER", "REPORT") and rng.random() < 0.5:
                        operations[name] = {"read": "peek", "write": "poke"}
            if self.style == "codes":
                wanted = []
                for name in names:
                    body = self.registers[name]
                    able = {
                        f.get("access", body.get("access", "rw")) for f in body["fields"].values()
                    }
                    operations[name] = {}
                    if able != {"wo"} or body.get("reads_as"):
                        operations[name]["read"] = f"get_{name.lower()}"
                    if able - {"ro", "rc"}:
                        operations[name]["write"] = f"put_{name.lower()}"
                    wanted += operations[name].values()
            free = len(self.commands) + (2 if long else 0)
            op_width = max(1, (len(wanted) + free).bit_length())
            numbers = rng.sample(range(1 << op_width), len(wanted) + free)
            codes = {n: numbers.pop() for n in wanted}
            for name, item in self.commands.items():
                code = numbers.pop()
                if rng.random() < 0.5:
                    codes[f"c_{name.lower()}"] = code
                else:
                    self.traits.add("raw_code")
                item["parts"] = {"op": code}
            if self.deaf:
                codes, op_width = {}, 0
            cut = 0
            if long and self.chip_address is None and self.has("first_burst", 0.5):
                cut = op_width + addresses + (1 if self.pages else 0)
                cut = max(cut, rng.randint(cut, cut + 3))
            frames["word"] = self.frame(codes, op_width, addresses, cut=cut)
            if self.family:
                frames["word_safe"] = {"when": "SAFE.ON == 1",
                                       **self.frame(codes, op_width, addresses, grown=3, family=True, cut=cut)}  # fmt: skip
            if long:
                both = dict(zip(("read", "write"), (numbers.pop(), numbers.pop()), strict=True))
                wide = rng.randint(self.data + 2, 24)
                self.registers["WIDE"] = {
                    "width": wide,
                    "reset": rng.getrandbits(wide),
                    "fields": fields(rng, wide),
                    "_at": "",
                }
                frames["long"] = self.frame(both, op_width, 0, grown=5, wide=wide, cut=cut)
                layout_of["WIDE"] = ["long"]
                if self.family:
                    frames["long_safe"] = {"when": "SAFE.ON == 1", "named_only": True,
                                           **self.frame(both, op_width, 0, grown=9, wide=wide, family=True, cut=cut)}  # fmt: skip
                    layout_of["WIDE"] = ["long_safe", "long"]
            for name in names:
                own[name] = {}
                if name in operations:
                    own[name]["operation"] = operations[name]
                if addresses:
                    own[name]["address"] = places[name]
            self.fit_commands(addresses)
        for name, lay in layout_of.items():
            own.setdefault(name, {})["frame"] = lay if len(lay) > 1 else lay[0]
        return self.written_down(frames, own)

    def fit_commands(self, addresses: int) -> None:
        """Commands with their parts; one with bits that do not matter."""
        for item in self.commands.values():
            if item.pop("_loose", False):
                where, width = ("address", addresses) if addresses else ("data", self.data)
                text = "".join(self.rng.choice("01xx") for _ in range(width))
                if "x" in text:
                    item["parts"][where] = f"0b{text}"

    def places(self, names: list[str]) -> dict[str, int]:
        """An address for each register, none twice but where `_at` says so."""
        rng = self.rng
        most = max(2, len(names) + rng.randint(0, 4))
        free = rng.sample(range(most), len(names))
        found: dict[str, int] = {}
        for name in names:
            at = self.registers[name]["_at"]
            found[name] = found[at] if at else free.pop()
        return found

    def written_down(self, frames: Doc, own: dict[str, Doc]) -> Made:
        rng = self.rng
        order = rng.choice(["msb_first", "msb_first", "lsb_first"])
        if order == "lsb_first":
            self.traits.add("lsb_first")
        spi: Doc = {"mode": rng.randint(0, 3), "bit_order": order}
        # of several lengths nothing tells which one whole bytes were filled up for
        if len(frames) == 1 and frames["word"]["length"] % 8:
            spi["extra_clocks"] = rng.choice(["last_count", "first_count", "rejected"])
            if spi["extra_clocks"] != "rejected":
                self.traits.add("odd_length")
        plain: Doc = {
            "gateword_map": 1,
            "chip": {"name": "random1", "invented": True},
            "spi": spi,
            "frames": frames,
        }
        if self.commands:
            plain["commands"] = self.commands
        plain["registers"] = {
            n: {**own.get(n, {}), **{k: v for k, v in b.items() if k != "_at"}} for n, b in self.registers.items()
        }  # fmt: skip
        for key, value in (("states", self.states), ("keys", self.keys), ("faults", self.faults)):
            if value:
                plain[key] = value
        if self.registers.get("GUARDED", {}).get("writable") == "opened":
            plain["sequences"] = {"unlock": [{"key": "unlock"}]}
        plain |= self.extra
        if (len(frames) == 1 and not self.commands.get("QUICK") and "bursts" not in frames["word"] and not self.deaf
                and self.chip_address is None and not self.counting and "page_select" not in self.extra and order == "msb_first" and frames["word"]["reply"]["after"]
                and self.has("chain", 0.3)):  # fmt: skip
            header = {"length": 8, "value": 0x80, "count": "3..0"}
            if self.commands:
                header["commands"] = {next(iter(self.commands)): 5}
            plain["chain"] = {
                "headers": [header],
                "split": 0,
                "reply_headers": rng.choice(["start", "none"]),
            }
        document = dict(plain)
        if self.written:
            document["registers"] = {}
            for name, body in plain["registers"].items():
                pattern = next((p for p, b in self.written.items() if name in b["_of"]), "")
                if not pattern:
                    document["registers"][name] = body
                    continue
                if pattern in document["registers"]:
                    continue
                copy = {k: v for k, v in self.written[pattern].items() if k != "_of"}
                each, more = dict(copy["for_each"]), {}
                bodies = [plain["registers"][n] for n in self.written[pattern]["_of"]]
                for key in ("address", "frame"):
                    if key in bodies[0] or key in bodies[-1]:
                        values = [b.get(key) for b in bodies]
                        if any(v is None or isinstance(v, list) for v in values):
                            return Made(plain, plain, self.traits - {"for_each"})
                        each[key] = values
                        more[key] = f"{{{key}}}"
                if any("operation" in b for b in bodies):
                    kinds = {tuple(b.get("operation", {})) for b in bodies}
                    if len(kinds) != 1:
                        return Made(plain, plain, self.traits - {"for_each"})
                    more["operation"] = {}
                    for kind in bodies[0]["operation"]:
                        each[f"code_{kind}"] = [b["operation"][kind] for b in bodies]
                        more["operation"][kind] = f"{{code_{kind}}}"
                document["registers"][pattern] = {**copy, "for_each": each, **more}
        return Made(document, plain, self.traits)


def make(seed: int) -> Made:
    """The map of this seed."""
    return Maker(Random(seed)).make()
