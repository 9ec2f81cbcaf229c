"""What was found as a map in YAML: origins as comments, doubts at their lines, and nothing that was not found."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator

from ..document.doubts import GRADES, doubt_line
from .cells import is_quantity
from .found import FoundField, FoundPart, FoundRegister, FoundSheet
from .judged import draft_of, sheet_fault

_HEAD = """\
# Taken from {sources}. Each entry says where it was found; `# doubt` lines say what a person must look at,
# and `gateword vet` shows them, worst first, until they are deleted. What was not found is not here.
# The data sheet itself decides.
gateword_map: 1
"""


def map_text(sheet: FoundSheet, name: str) -> str:
    """The map. Raises nothing: what is missing is a doubt, and `vet` says what the format still needs."""
    lines = _HEAD.format(sources=", ".join(sheet.sources)).splitlines()
    lines += _doubts(sheet, "", "", "")
    lines += ["", "chip:", f"  name: {name}", f"  source: {_text(', '.join(sheet.sources))}", ""]
    lines += _spi(sheet)
    lines += _frames(sheet)
    lines += ["registers:"]
    for register in sheet.registers:
        lines += _register(sheet, register)
    lines += _faults(sheet)
    if sheet.electrical:
        lines += [
            "",
            "# By symbols and words as data sheets use them: hold each against its row.",
            "electrical:",
        ]
        lines += [
            f"  {key}: {value}  # {origin}, by {_text(by)}"
            for key, (value, origin, by) in sheet.electrical.items()
        ]
    if sheet.examples:
        lines += [
            "",
            "# Examples that the sheet shows; say what each does and move it to known_frames:",
        ]
        lines += [f"#   {word}: {said}  ({origin})" for word, said, origin in sheet.examples]
    return "\n".join(line.rstrip() for line in lines) + "\n"


def _doubts(sheet: FoundSheet, register: str, field: str, indent: str) -> Iterator[str]:
    found = [d for d in sheet.doubts if d.register == register and d.field == field]
    for doubt in sorted(found, key=lambda d: GRADES.index(d.grade)):
        yield indent + doubt_line(doubt.grade, doubt.text)


def _text(text: str) -> str:
    """A text as YAML takes it, quoted where it must be."""
    text = " ".join(text.split())
    plain = re.fullmatch(r"[A-Za-z][\w ./+()%-]*[\w)%.]|[A-Za-z]", text)
    if plain and text.lower() not in ("on", "off", "yes", "no", "true", "false", "null", "y", "n"):
        return text
    return json.dumps(text, ensure_ascii=False)


_SPI_KEYS = ("mode", "clock_max", "clock_high", "clock_low", "lead", "lag", "idle", "wake_up")


def _spi(sheet: FoundSheet) -> Iterator[str]:
    known = [(k, *sheet.limits[k]) for k in _SPI_KEYS if k in sheet.limits]
    if known:
        yield "spi:"
        for key, value, origin in known:
            yield f"  {key}: {value}  # {origin}"
        yield ""


def _span(bits: tuple[int, ...]) -> str:
    if len(bits) == 1:
        return str(bits[0])
    if bits == tuple(range(bits[0], bits[-1] - 1, -1)):
        return f"{bits[0]}..{bits[-1]}"
    return "[" + ", ".join(map(str, bits)) + "]"


def _frames(sheet: FoundSheet) -> Iterator[str]:
    if not sheet.parts:
        return
    stated = sheet.limits.get("length")
    length = int(stated[0]) if stated else max(b for p in sheet.parts for b in p.bits) + 1
    yield from ("frames:", "  main:", f"    length: {length}", "    command:")
    for part in sheet.parts:
        yield from _part(sheet, part, "      ", "")
    if sheet.reply:
        yield "    reply:"
        if "after" in sheet.limits:
            after, origin = sheet.limits["after"]
            yield f"      after: {after}  # {origin}"
        yield "      parts:"
        for part in sheet.reply:
            yield from _part(sheet, part, "        ", _named(sheet, part))
    yield ""


def _named(sheet: FoundSheet, part: FoundPart) -> str:
    """What a part of the reply holds beyond what its name says: a copy of the command, a fault."""
    command = next((p.name for p in sheet.parts if p.holds == part.holds), "")
    if part.holds in ("address", "operation", "page") and command:
        return f"echo, of: {command}"
    fault = "" if part.holds else sheet_fault(sheet, part.name)
    return f"status, fault: {fault}" if fault else ""


def _part(sheet: FoundSheet, part: FoundPart, indent: str, holds: str) -> Iterator[str]:
    """A part of a frame; what its kind needs and the sheet does not say is a doubt above it."""
    what = holds or part.holds
    if not what:
        yield indent + doubt_line(
            "open", f"what does {part.name} hold? holds: status, counter, fixed ..."
        )
    said = f"bits: {_span(part.bits)}" + (f", holds: {what}" if what else "")
    if what == "operation":
        codes = sheet.limits.get("codes")
        if codes is None:
            yield indent + doubt_line(
                "open", "which code reads and which writes? codes: {write: .., read: ..}"
            )
        else:
            named, code = codes[0].split()
            write = int(code) if named == "write" else 1 - int(code)
            said += f", codes: {{write: {write}, read: {1 - write}}}"
    if what == "parity":
        if "parity" in sheet.limits:
            said += f", parity: {sheet.limits['parity'][0]}"
        else:
            yield indent + doubt_line("open", "is the parity odd or even? parity: odd")
    if what == "crc":
        yield indent + doubt_line("open", "which polynomial, start value and bits has the CRC?")
    yield f"{indent}{part.name}: {{{said}}}  # {part.origin}"


def _register(sheet: FoundSheet, register: FoundRegister) -> Iterator[str]:
    yield from _doubts(sheet, register.name, "", "  ")
    yield f"  {register.name}:  # {register.origin}"
    if register.address is not None:
        yield f"    address: 0x{register.address:X}"
    if register.page is not None:
        yield f"    page: {register.page}"
    if register.access:
        yield f"    access: {register.access}"
    if register.reset is not None:
        yield f"    reset: 0x{register.reset:X}"
    if register.summary:
        yield f"    summary: {_text(register.summary)}"
    fields = [f for f in register.fields if not f.reserved]
    kept = [f for f in register.fields if f.reserved and f.reset is not None]
    yield "    fields:" if fields else "    fields: {}"
    for field in fields:
        yield from _field(sheet, register, field)
    if kept:
        said = ", ".join(f"{_span(f.bits)}: {f.reset}" for f in kept)
        yield f"    reserved: {{{said}}}  # {kept[0].origin}"


def _field(sheet: FoundSheet, register: FoundRegister, found: FoundField) -> Iterator[str]:
    indent = "      "
    yield from _doubts(sheet, register.name, found.name, indent)
    if found.role:
        yield indent + doubt_line("minor", f"role {found.role} is proposed by {found.role_words}")
    pairs = [("bits", _span(found.bits))]
    if found.access and found.access != register.access:
        pairs.append(("access", found.access))
    if found.reset is not None and register.reset is None:
        pairs.append(("reset", str(found.reset)))
    if found.role:
        pairs.append(("role", found.role))
    if found.options:
        pairs.append(
            (
                "options",
                "{"
                + ", ".join(f"{c}: {_option(t)}" for c, t in sorted(found.options.items()))
                + "}",
            )
        )
    if found.scale:
        step, offset = found.scale
        pairs.append(("scale", f"{{step: {step}" + (f", offset: {offset}" if offset else "") + "}"))
    if found.values:
        pairs.append(_values(found))
    if found.summary:
        pairs.append(("summary", _text(found.summary)))
    flow = ", ".join(f"{k}: {v}" for k, v in pairs)
    if len(flow) < 110:
        yield f"{indent}{found.name}: {{{flow}}}  # {found.origin}"
        return
    yield f"{indent}{found.name}:  # {found.origin}"
    yield from (f"{indent}  {k}: {v}" for k, v in pairs)


def _option(text: str) -> str:
    if is_quantity(text):
        return text
    if re.fullmatch(r"[A-Za-z_]\w*", text):
        return _text(text)
    return f"{{text: {json.dumps(text, ensure_ascii=False)}}}"


def _values(found: FoundField) -> tuple[str, str]:
    """Columns as a table where they are whole, else single options."""
    values = found.values
    assert values is not None
    columns = [
        (k, v)
        for k, v in (("min", values.low), ("typ", values.typ), ("max", values.high))
        if any(v)
    ]
    if all(None not in v for _, v in columns):
        said = ", ".join(f"{k}: [{', '.join(map(str, v))}]" for k, v in columns)
        return "table", f"{{unit: {values.unit}, {said}}}"
    rows = []
    for code in range(len(values.typ)):
        stated = [(k, v[code]) for k, v in columns if v[code] is not None]
        if len(stated) == 1:
            rows.append(f"{code}: {stated[0][1]} {values.unit}")
        elif stated:
            inner = ", ".join(f"{k}: {v} {values.unit}" for k, v in stated)
            rows.append(f"{code}: {{value: {{{inner}}}}}")
    return "options", "{" + ", ".join(rows) + "}"


def _faults(sheet: FoundSheet) -> Iterator[str]:
    rows = [(r, f, d) for r in sheet.registers for f in r.fields if (d := draft_of(f, r))]
    if not rows:
        return
    names = [f.name for _, f, _ in rows]
    yield from (
        "",
        "# Starting texts by classes of the trade: proposed, not found in the sheet.",
        "faults:",
    )
    for register, found, draft in rows:
        name = found.name if names.count(found.name) == 1 else f"{register.name}_{found.name}"
        yield "  " + doubt_line(
            "minor", f"the texts of {name} are proposed (common practice): edit them"
        )
        yield f"  {name}:"
        yield f"    at: {register.name}.{found.name}"
        yield f"    title: {draft.title} ({found.name})"
        yield f"    severity: {draft.severity}"
        yield f"    meaning: {_text(draft.meaning)}"
        yield f"    causes: [{', '.join(_text(t) for t in draft.causes)}]"
        yield f"    check_first: [{', '.join(json.dumps(t) for t in draft.check_first)}]"
