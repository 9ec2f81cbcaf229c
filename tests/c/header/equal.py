"""Writes a C program that answers questions about a generated header, one line each.

    C f word             check; bytes on the SPI; the frame of those bytes
    P f parts...         pack
    A f kind args...     make_read (0) or make_write (1)
    L f word sent        with_counter: counters and check bits anew
    R f k word sent      reply k: errors, errors of the echo, parts
    G i word             get helper i
    S i word value       set helper i
    D words...           explain: names, first cause first, each with its cause

All numbers are hexadecimal. The test asks and compares with the library.
"""

from __future__ import annotations

from regmap.behaviour.faults import status_registers
from regmap.cheader.framebase import FREE
from regmap.cheader.names import member, word
from regmap.chip.model import Chip, Field, Frame, Layout, Part

PREFIX = "gd"


def free_parts(frame: Frame) -> list[Part]:
    return [p for p in frame.command.parts if p.kind in FREE]


def access_parts(frame: Frame, kind: str) -> list[Part]:
    skip = {"operation", "chip"} | ({"data"} if kind == "read" else set())
    return [p for p in free_parts(frame) if p.kind not in skip]


def has_access(frame: Frame, kind: str) -> bool:
    operation, data = frame.command.of_kind("operation"), frame.command.of_kind("data")
    if operation is not None:
        return kind in operation.codes and (kind == "read" or data is not None)
    return (kind == "write") == (data is not None)


def shown_parts(layout: Layout) -> list[Part]:
    return [p for p in layout.parts if p.kind not in ("fixed", "chip", "ignored", "parity", "crc")]


def fields(chip: Chip) -> list[Field]:
    return [f for r in chip.registers.values() for f in r.fields]


def settable(field: Field) -> bool:
    return field.writable and field.access not in ("w1c", "w0c")


def program(chip: Chip, header: str) -> str:
    """The program's text; `header` is the name to include."""
    body: list[str] = []
    put = body.append
    for index, frame in enumerate(chip.frames.values()):
        stem = f"{PREFIX}_{word(frame.name).lower()}"
        size = f"GD_{word(frame.name)}_BYTES"
        put(f"if (op == 'C' && a[0] == {index}) {{ uint8_t raw[{size}]; size_t i;")
        put(f'  printf("%x ", (unsigned)({stem}_check(({_type(frame)})a[1])));')
        put(f"  {stem}_to_bytes(({_type(frame)})a[1], raw);")
        put(f'  for (i = 0; i < {size}; i++) printf("%02x", (unsigned)raw[i]);')
        put(f'  printf(" %llx\\n", (unsigned long long){stem}_from_bytes(raw)); }}')
        args = ", ".join(f"({_u(p)})a[{i + 1}]" for i, p in enumerate(free_parts(frame)))
        put(
            f"if (op == 'P' && a[0] == {index}) printf(\"%llx\\n\", (unsigned long long){stem}_pack({args}));"
        )
        if any(p.kind == "counter" for p in frame.command.parts):
            put(
                f"if (op == 'L' && a[0] == {index}) printf(\"%llx\\n\", (unsigned long long)"
                f"{stem}_with_counter(({_type(frame)})a[1], (uint32_t)a[2]));"
            )
        for code, kind in enumerate(("read", "write")):
            if has_access(frame, kind):
                args = ", ".join(
                    f"({_u(p)})a[{i + 2}]" for i, p in enumerate(access_parts(frame, kind))
                )
                put(
                    f"if (op == 'A' && a[0] == {index} && a[1] == {code}) "
                    f'printf("%llx\\n", (unsigned long long){stem}_make_{kind}({args}));'
                )
        for number, (kind, layout) in enumerate(frame.replies.items()):
            reply = f"{stem}_reply" if kind == "any" else f"{stem}_{word(kind).lower()}_reply"
            put(f"if (op == 'R' && a[0] == {index} && a[1] == {number}) {{")
            parts = shown_parts(layout)
            if parts:
                put(f"  {reply}_t p; memset(&p, 0xA5, sizeof p);")
            argument = ", &p" if parts else ""
            both = f"({_type(frame)})a[3], " if any(p.over_command for p in layout.parts) else ""
            put(f'  printf("%x", (unsigned){reply}_unpack({both}({_type(frame)})a[2]{argument}));')
            echo = any(p.kind == "echo" for p in parts)
            value = f"{reply}_echo(({_type(frame)})a[3], ({_type(frame)})a[2])" if echo else "0"
            put(f'  printf(" %x", (unsigned){value});')
            for part in parts:
                put(f'  printf(" %llx", (unsigned long long)p.{member(part.name)});')
            put('  printf("\\n"); }')
    for index, field in enumerate(fields(chip)):
        name = f"{PREFIX}_{word(field.register).lower()}_{word(field.name).lower()}"
        width = chip.registers[field.register].width
        put(
            f"if (op == 'G' && a[0] == {index}) printf(\"%llx\\n\", (unsigned long long){name}_get((uint{_bits(width)}_t)a[1]));"
        )
        if settable(field):
            whole = field.width == width
            given = "" if whole else f"(uint{_bits(width)}_t)a[1], "
            put(
                f"if (op == 'S' && a[0] == {index}) printf(\"%llx\\n\", (unsigned long long)"
                f"{name}_set({given}(uint{_bits(field.width)}_t)a[2]));"
            )
    if chip.faults:
        widest = max(r.width for r in chip.registers.values())
        put("if (op == 'D') { gd_explained_t d; unsigned i;")
        put(f"  uint{_bits(widest)}_t w[GD_STATUS_COUNT];")
        put(f"  for (i = 0; i < GD_STATUS_COUNT; i++) w[i] = (uint{_bits(widest)}_t)a[i];")
        put("  gd_explain(w, &d);")
        put("  for (i = 0; i < d.count; i++) {")
        put("    unsigned c = d.cause[d.fault[i]];")
        put(
            '    printf("%s<%s ", gd_faults[d.fault[i]].name, c == GD_FAULT_NONE ? "" : gd_faults[c].name); }'
        )
        put('  printf("\\n"); }')
    assert len(status_registers(chip)) <= 12
    return "\n".join(
        (
            "#include <stdio.h>",
            "#include <stdlib.h>",
            "#include <string.h>",
            f'#include "{header}"',
            *_functions(body),
        )
    )


def _functions(body: list[str]) -> list[str]:
    return [
        "int main(void) {",
        "  static char line[4096];",
        "  while (fgets(line, sizeof line, stdin)) {",
        "    unsigned long long a[16] = {0}; char op = line[0]; char *at = line + 1; int n;",
        "    for (n = 0; n < 16; n++) a[n] = strtoull(at, &at, 16);",
        *(f"    {line}" for line in body),
        "  }",
        "  return 0;",
        "}",
        "",
    ]


def _bits(bits: int) -> int:
    return next(s for s in (8, 16, 32, 64) if bits <= s)


def _u(part: Part) -> str:
    return f"uint{_bits(part.width)}_t"


def _type(frame: Frame) -> str:
    return f"uint{_bits(frame.length)}_t"
