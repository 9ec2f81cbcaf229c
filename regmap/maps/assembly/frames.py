"""Frames and commands: parts that cover each bit once, guards that do not chase their own tail."""

from __future__ import annotations

from ...chip.bits import spans
from ...chip.guard import Crc
from ...chip.model import Command, Frame, Layout, Part
from ...document.schema import Reader, Rec, quoted
from ...document.source import Sources
from ...errors import CallError, closest
from ...quantity import many, plural

GUARDS = ("parity", "crc")
IN_COMMAND_ONLY = ("operation", "address", "page")
IN_REPLY_ONLY = ("status", "field", "echo")
#: which keys of a part go with which `holds`
_KEYS = {
    "codes": ("operation",),
    "value": ("fixed", "chip", "ignored"),
    "shared": ("chip",),
    "parity": ("parity",),
    "over": GUARDS,
    "over_command": GUARDS,
    "polynomial": ("crc",),
    "init": ("crc",),
    "xor": ("crc",),
    "reflect_in": ("crc",),
    "reflect_out": ("crc",),
    "flush": ("crc",),
    "prefix": ("crc",),
    "start": ("counter",),
    "step": ("counter",),
    "active": ("status",),
    "fault": ("status",),
    "shows": ("status",),
    "field": ("field",),
    "of": ("echo",),
    "on_write": ("data",),
}


def build_frames(recs: Rec, reader: Reader) -> dict[str, Frame]:
    """Every frame of the map; one with problems is left out after they are reported."""
    frames: dict[str, Frame] = {}
    for name, rec in recs.items():
        frame = _frame(name, rec, reader)
        if frame is not None:
            frames[name] = frame
    return frames


def _frame(name: str, rec: Rec, reader: Reader) -> Frame | None:
    if "length" not in rec or "command" not in rec:
        return None
    length = rec["length"]
    before = len(reader.errors)
    bursts = tuple(rec.get("bursts", ())) or (length,)
    if sum(bursts) != length:
        reader.complain(
            rec.value_nodes["bursts"],
            rec.path,
            f"bursts of {sum(bursts)} bits together",
            f"{length}, the frame's length",
        )
    command = build_layout(rec["command"], length, reader, reply=False, command=None)
    sound = len(reader.errors) == before and not reader.has_error(rec["command"].path)
    replies: dict[str, Layout] = {}
    after = 0
    if "reply" in rec:
        reply = rec["reply"]
        after = reply.get("after", 0)
        for prefix, item in (
            ("", reply),
            *((f"{n}.", c) for n, c in reply.get("cases", {}).items()),
        ):
            if "parts" in item:
                replies[f"{prefix}any"] = build_layout(
                    item["parts"], length, reader, reply=True, command=command, sound=sound
                )
            for kind, parts in item.get("to", {}).items():
                if kind == "any" and f"{prefix}any" in replies:
                    reader.complain(
                        item["to"].key_nodes[kind], item.path, "`any` beside `parts`", "one of them"
                    )
                replies[f"{prefix}{kind}"] = build_layout(
                    parts, length, reader, reply=True, command=command, sound=sound
                )
        if not replies and "parts" not in reply.key_nodes and "to" not in reply.key_nodes:
            reader.complain(
                reply.node,
                reply.path,
                "a reply without parts",
                "parts, or `to` with parts for each",
            )
    if len(reader.errors) > before or reader.has_error(rec.path):
        return None
    return Frame(
        name=name,
        length=length,
        command=command,
        replies=replies,
        after=after,
        bursts=bursts,
        when=rec.get("when"),
        named_only=rec.get("named_only", False),
        cases={
            n: c["when"] for n, c in rec.get("reply", {}).get("cases", {}).items() if "when" in c
        },
        origin=Sources.origin(rec.node),
    )


def named_frames(rec: Rec, frames: dict[str, Frame], reader: Reader) -> tuple[str, ...] | None:
    """The frames that a register or command names; None where one is none of this map."""
    found = []
    for index, name in enumerate(rec.get("frame", ())):
        if name in frames:
            found.append(name)
            continue
        if not reader.has_error(f"frames.{name}"):
            near = closest(name, frames)
            reader.complain(
                rec["frame"].nodes[index],
                rec.path,
                f"the frame {quoted(name)}",
                "a frame of this map",
                near,
            )
        return None
    return tuple(found)


def build_layout(
    recs: Rec,
    length: int,
    reader: Reader,
    *,
    reply: bool,
    command: Layout | None,
    sound: bool = True,
) -> Layout:
    """Parts of one word; reports bits outside, claimed twice or not at all.

    Unless the command is `sound`, what echoes it is not compared with it.
    """
    owner: dict[int, str] = {}
    parts: list[Part] = []
    guard_bits = {b for r in recs.values() if r.get("holds") in GUARDS for b in r.get("bits", ())}
    single: dict[str, str] = {}
    for name, rec in recs.items():
        if "bits" not in rec or "holds" not in rec:
            continue
        node = rec.value_nodes["bits"]
        for bit in rec["bits"]:
            if bit >= length:
                reader.complain(
                    node, rec.path, f"bit {bit}", f"bits 0..{length - 1} of a word of {length} bits"
                )
                break
            if bit in owner:
                reader.complain(
                    node,
                    rec.path,
                    f"bit {bit}, which belongs to '{owner[bit]}'",
                    "bits that no other part claims",
                )
                break
        owner.update(dict.fromkeys(rec["bits"], name))
        kind = rec["holds"]
        if kind in ("operation", "address", "page", "data") and kind in single:
            reader.complain(
                rec.value_nodes["holds"],
                rec.path,
                f"a second part that holds {kind}",
                f"one ('{single[kind]}' does)",
            )
        single[kind] = name
        part = _part(name, rec, length, guard_bits, reader, reply, command, sound)
        if part is not None:
            parts.append(part)
    missing = [b for b in range(length - 1, -1, -1) if b not in owner]
    whole = len(recs) == len(recs.key_nodes) and all(
        "bits" in r and "holds" in r for r in recs.values()
    )
    if missing and whole:
        reader.complain(
            recs.node,
            recs.path,
            f"{plural('bit', len(missing))} {spans(missing)} in no part",
            "every bit in a part (holds: ignored where it means nothing)",
        )
    _check_guard_order(recs, parts, reader)
    return Layout(length=length, parts=tuple(parts))


def _part(
    name: str,
    rec: Rec,
    length: int,
    guard_bits: set[int],
    reader: Reader,
    reply: bool,
    command: Layout | None,
    sound: bool,
) -> Part | None:
    kind, bits = rec["holds"], rec["bits"]
    width = len(bits)
    node = rec.value_nodes["holds"]
    for key, kinds in _KEYS.items():
        if key in rec.key_nodes and kind not in kinds:
            reader.complain(
                rec.key_nodes[key],
                rec.path,
                f"the key '{key}' in a part that holds {kind}",
                f"it where a part holds {' or '.join(kinds)}",
            )
    if kind in IN_COMMAND_ONLY and reply:
        reader.complain(
            node, rec.path, f"{kind} in a reply", "echo in a reply, of the command's part"
        )
        return None
    if kind in IN_REPLY_ONLY and not reply:
        reader.complain(node, rec.path, f"{kind} in a command", "a part that a command can hold")
        return None
    codes = dict(rec.get("codes", {}))
    if kind == "operation":
        if "codes" not in rec.key_nodes:
            reader.complain(rec.node, rec.path, "no key 'codes'", "codes: {read: ..., write: ...}")
        for code_name, code in codes.items():
            if code >> width:
                reader.complain(
                    rec["codes"].value_nodes[code_name],
                    rec.path,
                    f"the code {code}",
                    f"at most {(1 << width) - 1} in {many(width, 'bit')}",
                )
        seen: dict[int, str] = {}
        for code_name, code in codes.items():
            if code in seen:
                reader.complain(
                    rec["codes"].value_nodes[code_name],
                    rec.path,
                    f"the code {code} for '{seen[code]}' and '{code_name}'",
                    "a code each",
                )
            seen[code] = code_name
    value = rec.get("value", 0)
    if kind in ("fixed", "chip") and "value" not in rec.key_nodes:
        reader.complain(
            rec.node, rec.path, "no key 'value'", "value: the bits that are always there"
        )
    if value >> width:
        reader.complain(
            rec.value_nodes["value"],
            rec.path,
            f"the value 0x{value:X}",
            f"at most 0x{(1 << width) - 1:X} in {width} bits",
        )
    if kind == "parity" and width != 1:
        reader.complain(
            rec.value_nodes["bits"],
            rec.path,
            f"a parity of {width} bits",
            "one bit for each parity part",
        )
    if kind == "parity" and "parity" not in rec.key_nodes:
        reader.complain(rec.node, rec.path, "no key 'parity'", "parity: even or odd")
    over = rec.get("over", ())
    for bit in over:
        if bit >= length:
            reader.complain(
                rec.value_nodes["over"], rec.path, f"bit {bit}", f"bits 0..{length - 1}"
            )
            over = ()
            break
    if kind in GUARDS and not over and "over" not in rec.key_nodes:
        over = tuple(b for b in range(length - 1, -1, -1) if b not in guard_bits)
    if kind in GUARDS and set(over) & set(bits):
        if kind == "parity":
            over = tuple(b for b in over if b not in bits)
        else:
            reader.complain(
                rec.value_nodes["over"],
                rec.path,
                "a checksum over its own bits",
                "the bits before or after it",
            )
    for index, address in enumerate(rec.get("shared", ())):
        if address >> width or address == value:
            reader.complain(
                rec["shared"].nodes[index],
                rec.path,
                f"the shared address {address}",
                f"an address of {many(width, 'bit')} that is not the chip's own",
            )
    over_command = rec.get("over_command", ())
    if over_command and not reply:
        reader.complain(
            rec.key_nodes["over_command"], rec.path, "over_command in a command", "over"
        )
    for bit in over_command:
        if command is not None and bit >= command.length:
            reader.complain(
                rec.value_nodes["over_command"], rec.path, f"bit {bit}", f"bits 0..{length - 1}"
            )
            over_command = ()
            break
    if kind == "field" and "field" not in rec.key_nodes:
        reader.complain(rec.node, rec.path, "no key 'field'", "field: REG.FIELD, what it shows")
    crc, prefix = _crc(rec, width, reader) if kind == "crc" else (None, (0, 0))
    of = rec.get("of", "")
    if kind == "echo" and "of" not in rec.key_nodes:
        reader.complain(rec.node, rec.path, "no key 'of'", "of: the part of the command repeated")
    elif kind == "echo" and sound:
        source = command.named(of) if command is not None else None
        if source is None:
            near = closest(of, [p.name for p in command.parts]) if command else ""
            reader.complain(
                rec.value_nodes.get("of", rec.node),
                rec.path,
                f"an echo of {quoted(of)}",
                "of: a part of the command",
                near,
            )
        elif source.width != width:
            reader.complain(
                rec.value_nodes["bits"],
                rec.path,
                f"an echo of {width} bits of '{of}'",
                f"{source.width} bits as in the command",
            )
    return Part(
        name=name,
        kind=kind,
        bits=bits,
        codes=codes,
        value=value,
        even=rec.get("parity", "even") == "even",
        shared=tuple(rec.get("shared", ())),
        over=tuple(over),
        over_command=tuple(over_command),
        crc=crc,
        prefix=prefix,
        start=rec.get("start", 0),
        step=rec.get("step", 1),
        active=rec.get("active", 1),
        fault=rec.get("fault", ""),
        shows=rec.get("shows"),
        field=rec.get("field", ""),
        of=of,
        on_write=rec.get("on_write", "any"),
        summary=rec.get("summary", ""),
        origin=Sources.origin(rec.node),
    )


def _crc(rec: Rec, width: int, reader: Reader) -> tuple[Crc | None, tuple[int, int]]:
    if "polynomial" not in rec:
        if "polynomial" not in rec.key_nodes:
            reader.complain(
                rec.node,
                rec.path,
                "no key 'polynomial'",
                "polynomial: without its top bit, as 0x07",
            )
        return None, (0, 0)
    for key in ("polynomial", "init", "xor"):
        value = rec.get(key, 0)
        if value >> width:
            near = f"0x{value & ((1 << width) - 1):X}" if key == "polynomial" else ""
            reader.complain(
                rec.value_nodes[key],
                rec.path,
                f"{key} 0x{value:X}",
                f"at most {width} bits (a polynomial without its top bit)",
                near,
            )
            return None, (0, 0)
    prefix = (0, 0)
    if "prefix" in rec:
        text = rec["prefix"]
        bits = text[2:].replace("_", "") if text.lower().startswith("0b") else ""
        if not bits or set(bits) - {"0", "1"} or len(bits) > 64:
            reader.complain(
                rec.value_nodes["prefix"],
                rec.path,
                quoted(text),
                "bits such as 0b1010, at most 64",
            )
        else:
            prefix = (int(bits, 2), len(bits))
    try:
        crc = Crc(
            width=width,
            poly=rec["polynomial"],
            init=rec.get("init", 0),
            reflect_in=rec.get("reflect_in", False),
            reflect_out=rec.get("reflect_out", False),
            xor_out=rec.get("xor", 0),
            flush=rec.get("flush", 0),
        )
    except CallError as error:
        reader.complain(rec.node, rec.path, str(error), "a checksum of 3 to 32 bits")
        return None, (0, 0)
    return crc, prefix


def _check_guard_order(recs: Rec, parts: list[Part], reader: Reader) -> None:
    """Guards over other guards' bits are filled after them; a circle cannot be filled at all."""
    guards = [p for p in parts if p.kind in GUARDS]
    needs = {
        p.name: {g.name for g in guards if g is not p and set(g.bits) & set(p.over)} for p in guards
    }
    done: set[str] = set()
    while len(done) < len(needs):
        ready = [n for n in needs if n not in done and needs[n] <= done]
        if not ready:
            circle = sorted(set(needs) - done)
            reader.complain(
                recs.key_nodes[circle[0]],
                recs.path,
                f"check bits that cover each other ({', '.join(circle)})",
                "`over` without a circle",
            )
            return
        done.update(ready)


def build_commands(recs: Rec, frames: dict[str, Frame], reader: Reader) -> dict[str, Command]:
    """Commands that are no register access."""
    commands: dict[str, Command] = {}
    for name, rec in recs.items():
        names = named_frames(rec, frames, reader)
        if names is None or not frames:
            continue
        names = names or (next(iter(frames)),)
        frame_name = names[0]
        frame = frames[frame_name]
        for part_name, value in rec.get("parts", {}).items():
            part = frame.command.named(part_name)
            node = rec["parts"].key_nodes[part_name]
            if part is None:
                near = closest(part_name, [p.name for p in frame.command.parts])
                reader.complain(
                    node,
                    rec.path,
                    f"the part {quoted(part_name)}",
                    f"a part of frame {frame_name}",
                    near,
                )
            elif part.kind in (*GUARDS, "counter"):
                reader.complain(
                    node,
                    rec.path,
                    f"a value for {part.kind} part '{part_name}'",
                    "values of the other parts; check bits are computed",
                )
            elif value >> part.width:
                reader.complain(
                    rec["parts"].value_nodes[part_name],
                    rec.path,
                    f"the value {value}",
                    f"at most {(1 << part.width) - 1} in {part.width} bits",
                )
        commands[name] = Command(
            name=name,
            frames=names,
            parts={n: int(v) for n, v in rec.get("parts", {}).items()},
            care={
                n: v.care & ((1 << part.width) - 1)
                for n, v in rec.get("parts", {}).items()
                if v.care != -1 and (part := frame.command.named(n)) is not None
            },
            takes_data=rec.get("data", False) or "carries" in rec,
            carries=rec.get("carries", ""),
            returns=rec.get("returns", ""),
            summary=rec.get("summary", ""),
            effects=tuple(rec.get("effects", ())),
            origin=Sources.origin(rec.node),
        )
    return commands
