"""A map as an address map of SystemRDL 2.0 (Accellera): one register file for each page.

Addresses of the standard count bytes: a register stands at its address times the bytes of the widest one.
"""

from __future__ import annotations

import json
from collections.abc import Iterator

from ..chip.model import Access, Chip, Field, Register
from .plain import option_texts, pieces

WORDS: dict[Access, str] = {
    Access.RW: "sw = rw; hw = r;",
    Access.RO: "sw = r; hw = w;",
    Access.WO: "sw = w; hw = r;",
    Access.W1C: "sw = rw; hw = w; woclr;",
    Access.W0C: "sw = rw; hw = w; onwrite = wzc;",
    Access.RC: "sw = r; hw = w; rclr;",
    Access.ONCE: "sw = rw1; hw = r;",
    Access.SC: "sw = rw; hw = r; clears_itself;",
}

#: words of the language that no name may be; a backslash before them makes them names (clause on identifiers)
_ESCAPED = "\\"


def systemrdl_text(chip: Chip) -> str:
    """The address map."""
    size = 8
    while size < max(r.width for r in chip.registers.values()):
        size *= 2
    lines = [
        # the language has words for a pulse of one bit only
        "property clears_itself { component = field; type = boolean; };",
        f"// {chip.name}: one address of the chip is {size // 8} bytes here",
        f"addrmap {_name(chip.name.replace('-', '_'))} {{",
    ]
    if chip.title:
        lines.append(f"  desc = {json.dumps(chip.title, ensure_ascii=False)};")
    pages: dict[int | None, list[Register]] = {}
    for register in chip.registers.values():
        pages.setdefault(register.page, []).append(register)
    base = 0
    for page, registers in pages.items():
        indent = "  "
        if page is not None:
            lines.append("  regfile {")
            indent = "    "
        for register in registers:
            lines += (indent + line for line in _register(chip, register, size))
        if page is not None:
            lines.append(f"  }} page_{page} @ 0x{base:X};")
        step = (max(r.address for r in registers) + 1) * size // 8
        base += 1 << (step - 1).bit_length()
    return "\n".join([*lines, "};"]) + "\n"


def _name(name: str) -> str:
    return _ESCAPED + name


def _register(chip: Chip, register: Register, size: int) -> Iterator[str]:
    yield "reg {"
    yield f"  regwidth = {size};"
    if register.summary:
        yield f"  desc = {json.dumps(register.summary, ensure_ascii=False)};"
    for field in register.fields:
        yield from (f"  {line}" for line in _field(chip, field))
    yield f"}} {_name(register.name)} @ 0x{register.address * size // 8:X};"


def _field(chip: Chip, field: Field) -> Iterator[str]:
    parts = pieces(field)
    options = option_texts(chip, field) if len(parts) == 1 else {}
    said = WORDS[field.access]
    if options:
        rows = " ".join(
            f"code_{c} = {field.width}'d{c} {{ desc = {json.dumps(t, ensure_ascii=False)}; }};"
            for c, t in options.items()
        )
        yield f"enum codes_of_{field.name} {{ {rows} }};"
        said += f" encode = codes_of_{field.name};"
    if field.summary:
        said += f" desc = {json.dumps(field.summary, ensure_ascii=False)};"
    for name, high, width, reset in parts:
        yield f"field {{ {said} }} {_name(name)}[{high}:{high - width + 1}] = {width}'d{reset};"
