"""Writes a C++ or Rust program that answers the same questions as the C one of `header/equal.py`.

Both languages have the same paths (`gd::frames::word::pack`), so one walk does; what differs is in `SAY`.
"""

from __future__ import annotations

from collections.abc import Callable
from types import ModuleType

from regmap.cheader.languages.language import local
from regmap.chip.model import Chip

CPP = """
#include <cinttypes>
#include <cstdio>
#include <cstdlib>
#include <initializer_list>
#include "gd.hpp"
using u64 = unsigned long long;
static void say(std::initializer_list<u64> values)
{
    for (const u64 value : values) {
        std::printf("%llx ", value);
    }
}
template <class T>
static void raw(const T &bytes)
{
    for (const uint8_t byte : bytes) {
        std::printf("%02x", static_cast<unsigned>(byte));
    }
    std::printf(" ");
}
int main()
{
    static char line[4096];
    while (std::fgets(line, sizeof line, stdin) != nullptr) {
        u64 a[16] = {};
        const char op = line[0];
        char *at = line + 1;
        for (u64 &value : a) {
            value = std::strtoull(at, &at, 16);
        }
@BODY@
        std::printf("\\n");
    }
    return 0;
}
"""
RUST = """
#![deny(warnings)]
#[path = "gd.rs"]
mod gd;
use std::io::BufRead;
fn say(values: &[u64]) {
    for value in values {
        print!("{:x} ", value);
    }
}
fn raw(bytes: &[u8]) {
    for byte in bytes {
        print!("{:02x}", byte);
    }
    print!(" ");
}
fn main() {
    for line in std::io::stdin().lock().lines() {
        let line = line.unwrap();
        let op = line.chars().next().unwrap();
        let mut a = [0_u64; 16];
        for (i, text) in line[1..].split_whitespace().enumerate() {
            a[i] = u64::from_str_radix(text, 16).unwrap();
        }
@BODY@
        println!();
    }
}
"""


class Syntax:
    """What the two languages write differently."""

    def __init__(self, rust: bool) -> None:
        self.rust = rust

    def uint(self, bits: int, index: int) -> str:
        size = next(s for s in (8, 16, 32, 64) if bits <= s)
        return f"a[{index}] as u{size}" if self.rust else f"static_cast<uint{size}_t>(a[{index}])"

    def say(self, values: list[str]) -> str:
        if self.rust:
            return f"say(&[{', '.join(f'({v}) as u64' for v in values)}]);"
        return f"say({{{', '.join(f'static_cast<u64>({v})' for v in values)}}});"

    def branch(self, op: str, numbers: list[int], lines: list[str]) -> list[str]:
        test = " && ".join([f"op == '{op}'", *(f"a[{i}] == {n}" for i, n in enumerate(numbers))])
        return [f"if {test} {{" if self.rust else f"if ({test}) {{", *lines, "}"]

    def bind(self, name: str, value: str) -> str:
        return f"let {name} = {value};" if self.rust else f"const auto {name} = {value};"

    def name(self, text: str) -> str:
        return text.upper() if self.rust else text


def program(chip: Chip, equal: ModuleType, *, rust: bool) -> str:
    """The program's text; `equal` is the module that says which parts there are."""
    to, body = Syntax(rust), []
    longest = max(f.length for f in chip.frames.values())
    taken: set[str] = set()
    for index, frame in enumerate(chip.frames.values()):
        stem = f"gd::frames::{local(frame.name, taken)}"
        word = to.uint(longest, 1)
        see = "&" if rust else ""
        body += to.branch("C", [index], [
            to.say([f"{stem}::check({word})"]),
            to.bind("bytes", f"{stem}::to_bytes({word})"),
            f"raw({see}bytes);",
            to.say([f"{stem}::from_bytes({see}bytes)"]),
        ])  # fmt: skip
        args = ", ".join(to.uint(p.width, i + 1) for i, p in enumerate(equal.free_parts(frame)))
        body += to.branch("P", [index], [to.say([f"{stem}::pack({args})"])])
        if any(p.kind == "counter" for p in frame.command.parts):
            made = f"{stem}::with_counter({word}, {to.uint(32, 2)})"
            body += to.branch("L", [index], [to.say([made])])
        for code, kind in enumerate(("read", "write")):
            if equal.has_access(frame, kind):
                parts = equal.access_parts(frame, kind)
                args = ", ".join(to.uint(p.width, i + 2) for i, p in enumerate(parts))
                body += to.branch("A", [index, code], [to.say([f"{stem}::make_{kind}({args})"])])
        for number, (kind, layout) in enumerate(frame.replies.items()):
            reply = "reply" if kind == "any" else f"{kind.lower()}_reply"
            call = f"{stem}::unpack_{reply}({to.uint(longest, 3)}, {to.uint(longest, 2)})"
            # without an echo or a check over the command `sent` plays no part
            values = ["p.errors & 7", "p.errors & 8"]
            members: set[str] = {"errors"}
            values += [f"p.{local(p.name, members)}" for p in equal.shown_parts(layout)]
            body += to.branch("R", [index, number], [to.bind("p", call), to.say(values)])
    registers: set[str] = set()
    number = 0
    for register in chip.registers.values():
        place = f"gd::reg::{local(register.name, registers)}"
        own = {"address", "page", "width", "reset_word", "reserved_mask", "reserved_write"}
        for field in register.fields:
            stem = f"{place}::{local(field.name, own)}"
            word = to.uint(register.width, 1)
            body += to.branch("G", [number], [to.say([f"{stem}::get({word})"])])
            if equal.settable(field):
                made = f"{stem}::set({word}, {to.uint(field.width, 2)})"
                body += to.branch("S", [number], [to.say([made])])
            number += 1
    if chip.faults:
        body += _faults(chip, to)
    return (RUST if rust else CPP).replace("@BODY@", "\n".join(f"        {x}" for x in body))


def _faults(chip: Chip, to: Syntax) -> list[str]:
    width = max(r.width for r in chip.registers.values())
    if to.rust:
        return to.branch("D", [], [
            "let mut words = [0; gd::STATUS_COUNT];",
            "for (i, word) in words.iter_mut().enumerate() {",
            f"    *word = {to.uint(width, 0).replace('a[0]', 'a[i]')};",
            "}",
            "let found = gd::explain(&words);",
            "for i in 0..found.count {",
            "    let (fault, cause) = (found.fault[i], found.cause[found.fault[i] as usize]);",
            '    let of = if cause == gd::FAULT_NONE { "" } else { gd::FAULTS[cause as usize].name };',
            '    print!("{}<{} ", gd::FAULTS[fault as usize].name, of);',
            "}",
        ])  # fmt: skip
    return to.branch("D", [], [
        "gd::table<gd::word_t, gd::status_count> words{};",
        "for (size_t i = 0U; i < words.size(); i++) {",
        f"    words[i] = {to.uint(width, 0).replace('a[0]', 'a[i]')};",
        "}",
        "const auto found = gd::explain(words);",
        "for (size_t i = 0U; i < found.count; i++) {",
        "    const auto cause = found.cause[found.fault[i]];",
        '    std::printf("%s<%s ", gd::faults[found.fault[i]].name, cause == gd::fault_none ? "" : gd::faults[cause].name);',
        "}",
    ])  # fmt: skip


Writer = Callable[..., str]
