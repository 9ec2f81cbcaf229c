"""Registers, fields, joined and external values."""

from __future__ import annotations

from collections.abc import Iterable

from regmap.record import replace

from ...chip.bits import deposit, extract, mask_of, spans
from ...chip.model import Access, External, Field, Frame, Joined, Meaning, Register
from ...document.schema import Reader, Rec, quoted, read_int
from ...document.source import Node, Sources
from ...errors import closest
from ...quantity import many
from .frames import named_frames
from .values import build_meanings

READS_AS = ("written", "inverted", "zero")


def code_of(text: str, meanings: Iterable[Meaning], width: int) -> int | None:
    """The code that a map's `reset: off` or `reset: 3` means; options win over numbers."""
    for meaning in meanings:
        for entry in meaning.entries.values():
            if entry.name == text:
                return entry.code
    value = read_int(text)
    if value is not None and value < 0:
        value += 1 << width
    return value


def option_names(meanings: Iterable[Meaning]) -> list[str]:
    return [e.name for m in meanings for e in m.entries.values() if e.name]


def read_code(
    text: str, meanings: tuple[Meaning, ...], width: int, node: Node, path: str, reader: Reader
) -> int | None:
    """As `code_of`, reporting what is no option, no number or too wide."""
    code = code_of(text, meanings, width)
    if code is None and reader.has_error(path):
        return None  # the option may be one of those that could not be read
    if code is None:
        near = closest(text, option_names(meanings))
        reader.complain(node, path, quoted(text), "a code, or an option of the field", near)
        return None
    if not 0 <= code < 1 << width:
        reader.complain(
            node,
            path,
            f"the code {text}",
            f"at most {(1 << width) - 1} in {many(width, 'bit')}",
        )
        return None
    return code


def build_registers(
    recs: Rec, frames: dict[str, Frame], reader: Reader, *, paged: bool
) -> dict[str, Register]:
    """Every register; addresses are unique on a page and fit the frame.

    `paged`: a field selects the page, so frames need not carry it.
    """
    registers: dict[str, Register] = {}
    places = Places(reader, paged=paged)
    usual = next((f for f in frames.values() if f.when is None and not f.named_only), None)
    general = [f for f in frames.values() if (f is usual or f.when) and not f.named_only]
    for name, rec in recs.items():
        if "fields" not in rec:
            continue
        if rec.get("in_replies"):
            _only_in_replies(rec, reader)
            register = _register(name, rec, (), [], reader, paged)
            if register is not None:
                registers[name] = register
            continue
        names = named_frames(rec, frames, reader)
        carriers = [frames[n] for n in names or ()] or [*frames.values()][: names is not None]
        if names == () and frames and not general:
            reader.complain(
                rec.node,
                rec.path,
                "no key 'frame', and each frame carries only who names it",
                "frame: " + " or ".join(frames),
            )
        register = _register(name, rec, names or (), carriers, reader, paged)
        if register is not None:
            everywhere = not names or (usual is not None and usual.name in names)
            places.add(register, rec, general if everywhere else carriers)
            registers[name] = register
    for name, rec in recs.items():
        if name in registers:
            _check_references(registers[name], rec, registers, reader)
    return registers


#: what says how a command reaches a register
_REACHED = ("address", "operation", "page", "frame", "writable", "write_mask", "read_mask",
            "reserved", "complement_of", "reads_as")  # fmt: skip


def _only_in_replies(rec: Rec, reader: Reader) -> None:
    """A register that no command reaches says nothing of commands, and only reports."""
    for key in _REACHED:
        if key in rec.key_nodes:
            reader.complain(
                rec.key_nodes[key], rec.path, f"`{key}` beside in_replies", "one of both"
            )
    if "width" not in rec.key_nodes:
        reader.complain(rec.node, rec.path, "no key 'width'", "width: bits of its fields together")
    for field in rec["fields"].values():
        if field.get("access", rec.get("access", "rw")) != "ro":
            reader.complain(
                field.node,
                field.path,
                "a field that no command reaches, and that is not read-only",
                "access: ro",
            )


class Places:
    """Where registers stand: each can be told from the others by its layout, operation, page and address."""

    def __init__(self, reader: Reader, *, paged: bool) -> None:
        self.reader = reader
        self.paged = paged
        self.taken: dict[tuple[str, str, int | None], list[Register]] = {}

    def add(self, register: Register, rec: Rec, carriers: list[Frame]) -> None:
        """Report what already stands where this register does."""
        found: tuple[Register, Frame, int | None] | None = None
        for frame in carriers:
            layout = frame.command
            address = register.address if layout.of_kind("address") is not None else None
            code = layout.of_kind("operation")
            for does, operation in (register.operations or {"read": "", "write": ""}).items():
                able = register.readable if does == "read" else register.takes_writes
                if register.operations and code is not None and operation not in code.codes:
                    near = closest(operation, code.codes)
                    self.reader.complain(
                        rec["operation"].value_nodes[does],
                        rec.path,
                        f"the operation {quoted(operation)}",
                        f"a code of part '{code.name}' of frame '{frame.name}'",
                        near,
                    )
                if not able and not register.operations:
                    continue
                told = (operation or does) if code is not None else ""
                row = self.taken.setdefault((frame.name, told, address), [])
                other = next(
                    (r for r in row if r is not register and self._meet(register, r)), None
                )
                if found is None and other is not None:
                    found = other, frame, address
                row.append(register)
        if found is None:
            return
        other, frame, address = found
        if address is None:
            coded = frame.command.of_kind("operation") is not None
            self.reader.complain(
                rec.value_nodes.get("operation", rec.value_nodes.get("address", rec.node)),
                rec.path,
                f"a second register in frame '{frame.name}', which holds no address",
                f"one ('{other.name}' is it), "
                + ("an `operation` of its own, " if coded else "")
                + "or a part that holds address",
            )
        else:
            page = f" on page {register.page}" if register.page is not None else ""
            self.reader.complain(
                rec.value_nodes["address"],
                rec.path,
                f"the address 0x{register.address:X}{page} again",
                f"an address of its own ('{other.name}' has it)",
            )

    def _meet(self, one: Register, other: Register) -> bool:
        """Whether both can be at one place: on one page, or one of them on every page."""
        if one.page == other.page:
            return True
        if None not in (one.page, other.page):
            return False
        # where frames carry the page, a register of none is sent with page 0
        return self.paged or 0 in (one.page, other.page)


def _register(
    name: str,
    rec: Rec,
    names: tuple[str, ...],
    carriers: list[Frame],
    reader: Reader,
    paged: bool,
) -> Register | None:
    written = read = None
    if carriers:
        frame = carriers[0]
        written = frame.command.of_kind("data")
        read = max(
            (p for r in frame.replies.values() for p in r.parts if p.kind == "data"),
            key=lambda p: p.width,
            default=None,
        )
    rooms = [p.width for p in (written, read) if p is not None]
    width = rec.get("width", rooms[0] if rooms else 64)
    if rooms and width > max(rooms):
        reader.complain(
            rec.value_nodes.get("width", rec.node),
            rec.path,
            f"a width of {width} bits",
            f"at most {max(rooms)}, as the frame carries",
        )
    for frame in carriers:
        if "address" in rec:
            _fits(rec, "address", frame, reader)
        elif frame.command.of_kind("address") is not None:
            if "address" not in rec.key_nodes and not reader.has_error(rec.path):
                reader.complain(
                    rec.node,
                    rec.path,
                    "no key 'address'",
                    f"address: in the frame, since frame '{frame.name}' has a part for it",
                )
            return None
        if "page" in rec and not paged:
            _fits(rec, "page", frame, reader)
    fields, claimed = _fields(name, rec, width, reader)
    if written is not None and width > written.width:
        for item in fields:
            if item.writable and max(item.bits) >= written.width:
                reader.complain(
                    rec["fields"][item.name].value_nodes["bits"],
                    rec["fields"][item.name].path,
                    f"bit {max(item.bits)} of a field that can be written",
                    f"bits 0..{written.width - 1}, as a command carries, or access: ro",
                )
    reset = _reset(rec, fields, width, reader)
    fields = tuple(_with_reset(f, reset) for f in fields)
    reserved, write, keep = _reserved(rec, width, claimed, reader)
    _agree(rec, reset, write, reader)
    masks = {}
    for key in ("read_mask", "write_mask"):
        masks[key] = rec.get(key, (1 << width) - 1)
        if masks[key] >> width:
            reader.complain(
                rec.value_nodes[key],
                rec.path,
                f"{key} 0x{masks[key]:X}",
                f"at most 0x{(1 << width) - 1:X} in {width} bits",
            )
    if read is not None and any(i.access != "wo" and max(i.bits) >= read.width for i in fields):
        shown = (1 << read.width) - 1
        hidden = [b for b in range(width - 1, -1, -1) if masks["read_mask"] & ~shown & 1 << b]
        if hidden:
            reader.complain(
                rec.value_nodes.get("read_mask", rec.node),
                rec.path,
                f"bits {spans(hidden)}, which no reply shows",
                f"access: wo for the fields there, or read_mask: 0x{masks['read_mask'] & shown:X} where they are no settings",
            )
    return Register(
        name=name,
        address=rec.get("address", 0),
        width=width,
        reset=reset,
        fields=fields,
        page=rec.get("page"),
        access=Access(rec.get("access", "rw")),
        reserved=reserved,
        reserved_write=write,
        reserved_keep=keep,
        read_mask=masks["read_mask"],
        write_mask=masks["write_mask"],
        writable=rec.get("writable"),
        frames=names,
        operations=dict(rec.get("operation", {})),
        complement_of=rec.get("complement_of", ""),
        reads_as=rec.get("reads_as", "written"),
        in_replies=rec.get("in_replies", False),
        summary=rec.get("summary", ""),
        origin=Sources.origin(rec.node),
    )


def _fits(rec: Rec, key: str, frame: Frame, reader: Reader) -> None:
    part = frame.command.of_kind(key)
    if part is None:
        if key == "page":
            reader.complain(
                rec.value_nodes[key],
                rec.path,
                "a page",
                f"no page: frame '{frame.name}' has no part that holds page",
            )
    elif rec[key] >> part.width:
        reader.complain(
            rec.value_nodes[key],
            rec.path,
            f"the {key} 0x{rec[key]:X}",
            f"at most 0x{(1 << part.width) - 1:X} in {many(part.width, 'bit')} of the frame",
        )


def _fields(register: str, rec: Rec, width: int, reader: Reader) -> tuple[tuple[Field, ...], int]:
    owner: dict[int, str] = {}
    fields: list[Field] = []
    #: where the register states its reset, a field need not
    word: int | None = rec["reset"] if "reset" in rec and not rec["reset"] >> width else None
    for name, item in rec["fields"].items():
        if "bits" not in item:
            continue
        bits: tuple[int, ...] = item["bits"]
        node = item.value_nodes["bits"]
        if max(bits) >= width:
            reader.complain(
                node,
                item.path,
                f"bit {max(bits)}",
                f"bits 0..{width - 1} of a register of {width} bits",
            )
            continue
        clash = next((b for b in bits if b in owner), None)
        if clash is not None:
            reader.complain(
                node,
                item.path,
                f"bit {clash}, which belongs to '{owner[clash]}'",
                "bits that no other field claims",
            )
            continue
        owner.update(dict.fromkeys(bits, name))
        meanings = build_meanings(item, len(bits), reader)
        power_up: int | None = None
        reset: int | None = None if word is None else extract(word, bits)
        if "reset" in item:
            reset = read_code(
                item["reset"], meanings, len(bits), item.value_nodes["reset"], item.path, reader
            )
        if "power_up" in item:
            power_up = read_code(
                item["power_up"],
                meanings,
                len(bits),
                item.value_nodes["power_up"],
                item.path,
                reader,
            )
        fields.append(
            Field(
                name=name,
                register=register,
                bits=bits,
                access=Access(item.get("access", rec.get("access", "rw"))),
                reset=-1 if reset is None else reset,
                meanings=meanings,
                role=item.get("role", ""),
                summary=item.get("summary", ""),
                power_up=power_up,
                shows=item.get("shows"),
                any_of=tuple(item.get("any_of", ())),
                acts=_acts(item, meanings, len(bits), reader) if "acts" in item else {},
                change_while_driving=item.get("change_while_driving", True),
                origin=Sources.origin(item.node),
            )
        )
    return tuple(fields), mask_of(tuple(owner))


def _acts(
    item: Rec, meanings: tuple[Meaning, ...], width: int, reader: Reader
) -> dict[int, tuple[str, ...]]:
    """Effects by code of a field that does something when it is written."""
    found: dict[int, tuple[str, ...]] = {}
    for text, effects in item.get("acts", {}).items():
        node = item["acts"].key_nodes[text]
        code = read_code(text, meanings, width, node, item.path, reader)
        if code is not None:
            found[code] = tuple(effects)
    return found


def _reset(rec: Rec, fields: tuple[Field, ...], width: int, reader: Reader) -> int:
    """The register's reset word; where field resets are given too, both must agree."""
    if "reset" in rec:
        word: int = rec["reset"]
        if word >> width:
            reader.complain(
                rec.value_nodes["reset"],
                rec.path,
                f"the reset word 0x{word:X}",
                f"at most 0x{(1 << width) - 1:X} in {width} bits",
            )
            return 0
        for item in fields:
            if item.reset >= 0 and extract(word, item.bits) != item.reset:
                node = rec["fields"][item.name].value_nodes["reset"]
                reader.complain(
                    node,
                    rec["fields"][item.name].path,
                    f"the reset code {item.reset}",
                    f"{extract(word, item.bits)}, as the register's reset word 0x{word:X} says",
                )
        return word
    word = 0
    for item in fields:
        word |= deposit(max(item.reset, 0), item.bits)
    return word


def _with_reset(item: Field, word: int) -> Field:
    if item.reset >= 0:
        return item
    return replace(item, reset=extract(word, item.bits))


def _reserved(rec: Rec, width: int, claimed: int, reader: Reader) -> tuple[int, int, int]:
    mask = ((1 << width) - 1) & ~claimed
    write = keep = 0
    if "reserved" not in rec:
        return mask, 0, 0
    for text, how in rec["reserved"].items():
        node = rec["reserved"].key_nodes[text]
        high, _, low = text.partition("..")
        bits = tuple(range(int(high), int(low or high) - 1, -1))
        if not bits or bits[0] >= width:
            reader.complain(
                node, rec.path, f"reserved bits {text}", f"bits 0..{width - 1}, the higher first"
            )
            continue
        span = mask_of(bits)
        if span & claimed:
            taken = spans([b for b in bits if claimed >> b & 1])
            reader.complain(
                node,
                rec.path,
                f"reserved bits {text}, of which {taken} belong to fields",
                "bits that no field claims",
            )
        if how == "keep":
            keep |= span
            continue
        value = read_int(how)
        if value is None or value >> len(bits):
            reader.complain(
                rec["reserved"].value_nodes[text],
                rec.path,
                quoted(how),
                f"keep, or a value of {many(len(bits), 'bit')}",
            )
            continue
        write |= deposit(value, bits)
    return mask, write, keep


def _agree(rec: Rec, reset: int, write: int, reader: Reader) -> None:
    """A reset word must hold in reserved bits what must be written there."""
    if "reset" not in rec or "reserved" not in rec:
        return
    for text, how in rec["reserved"].items():
        high, _, low = text.partition("..")
        bits = tuple(range(int(high), int(low or high) - 1, -1))
        if how == "keep" or not bits or max(bits) >= 64:
            continue
        found, wanted = extract(reset, bits), extract(write, bits)
        if found != wanted:
            reader.complain(
                rec["reserved"].value_nodes[text],
                rec.path,
                f"{how} in reserved bits {text}, which the reset word 0x{reset:X} holds as {found:#b}",
                f"{found:#b}, or a reset word that agrees",
                severity="warning",
            )


def _check_references(
    register: Register, rec: Rec, registers: dict[str, Register], reader: Reader
) -> None:
    if register.complement_of:
        other = registers.get(register.complement_of)
        if other is None and reader.spoiled(register.complement_of):
            return
        if other is None or other is register:
            near = closest(register.complement_of, registers)
            reader.complain(
                rec.value_nodes["complement_of"],
                rec.path,
                f"the register {quoted(register.complement_of)}",
                "another register of this map",
                near,
            )
        elif other.width != register.width:
            reader.complain(
                rec.value_nodes["complement_of"],
                rec.path,
                f"a complement of {other.width} bits in {register.width}",
                "registers of the same width",
            )
        elif register.reset != (~other.reset & register.mask) and not reader.has_error("frames"):
            reader.complain(
                rec.value_nodes["complement_of"],
                rec.path,
                f"the reset word 0x{register.reset:X}",
                f"0x{~other.reset & register.mask:X}, the complement of {other.name}'s",
            )
    if (
        register.reads_as not in READS_AS
        and register.reads_as not in registers
        and not reader.spoiled(register.reads_as)
    ):
        near = closest(register.reads_as, [*READS_AS, *registers])
        reader.complain(
            rec.value_nodes["reads_as"],
            rec.path,
            quoted(register.reads_as),
            "written, inverted, zero or a register",
            near,
        )


def build_joined(recs: Rec, registers: dict[str, Register], reader: Reader) -> dict[str, Joined]:
    """Values spread over several fields."""
    result: dict[str, Joined] = {}
    for name, rec in recs.items():
        refs: list[tuple[str, str]] = []
        width = 0
        for index, ref in enumerate(rec.get("fields", ())):
            register, _, field_name = ref.partition(".")
            found = registers[register].field(field_name) if register in registers else None
            if found is None:
                unknown_field(ref, registers, rec["fields"].nodes[index], rec.path, reader)
                continue
            refs.append((register, field_name))
            width += found.width
        if not refs:
            continue
        if len(set(refs)) < len(refs):
            reader.complain(rec.value_nodes["fields"], rec.path, "a field twice", "each field once")
        if width > 64:
            reader.complain(
                rec.value_nodes["fields"], rec.path, f"{width} bits together", "at most 64"
            )
        result[name] = Joined(
            name=name,
            fields=tuple(refs),
            width=width,
            meanings=build_meanings(rec, width, reader),
            role=rec.get("role", ""),
            summary=rec.get("summary", ""),
            origin=Sources.origin(rec.node),
        )
    return result


def build_externals(recs: Rec, reader: Reader) -> dict[str, External]:
    """Values set by pins and resistors."""
    result: dict[str, External] = {}
    for name, rec in recs.items():
        meanings = build_meanings(rec, 16, reader)
        codes = [c for m in meanings for c in m.entries]
        if not codes:
            reader.complain(
                rec.node, rec.path, "an external value without options", "options or a table"
            )
            continue
        width = max(1, max(codes).bit_length())
        default = None
        if "default" in rec:
            default = read_code(
                rec["default"], meanings, width, rec.value_nodes["default"], rec.path, reader
            )
        result[name] = External(
            name=name,
            meanings=meanings,
            width=width,
            default=default,
            role=rec.get("role", ""),
            summary=rec.get("summary", ""),
            origin=Sources.origin(rec.node),
        )
    return result


def unknown_field(
    ref: str, registers: dict[str, Register], node: Node, path: str, reader: Reader
) -> None:
    """Report a reference that leads nowhere, with the nearest that would."""
    if reader.spoiled(ref):
        return
    register, _, name = ref.partition(".")
    if register not in registers:
        near = closest(register, registers)
        hint = ""
        if near:
            inside = closest(name, [f.name for f in registers[near].fields])
            hint = f"{near}.{inside}" if inside else near
        reader.complain(
            node, path, f"the register {quoted(register)}", "a register of this map", hint
        )
        return
    near = closest(name, [f.name for f in registers[register].fields])
    reader.complain(
        node,
        path,
        f"the field {quoted(ref)}",
        f"a field of {register}",
        f"{register}.{near}" if near else "",
    )
