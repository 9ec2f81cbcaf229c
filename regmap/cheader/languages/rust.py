"""The syntax of Rust: a module without the standard library, functions that a constant can be made of."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from ..text import string
from . import rust_asked, rust_chain, rust_driver, rust_jobs
from .language import Field, Language

if TYPE_CHECKING:
    from .module import FrameModule

_HELPERS = """
#[inline]
const fn take(word: Wide, low: u32, width: u32) -> Wide {
    (word >> low) & (Wide::MAX >> (Wide::BITS - width))
}
#[inline]
const fn parity(bits: Wide) -> Wide {
    (bits.count_ones() & 1) as Wide
}
const fn reverse(bits: Wide, count: u32) -> Wide {
    let mut out: Wide = 0;
    let mut i = 0;
    while i < count {
        out = (out << 1) | ((bits >> i) & 1);
        i += 1;
    }
    out
}
// feeds `count` bits, at most 8, to a CRC register, the most significant first
const fn feed(reg: Wide, bits: Wide, count: u32, width: u32, poly: Wide) -> Wide {
    let mut reg = reg;
    let mut i = count;
    while i > 0 {
        let out = take(reg, width - 1, 1) ^ take(bits, i - 1, 1);
        reg = take(reg << 1, 0, width) ^ (if out != 0 { poly } else { 0 });
        i -= 1;
    }
    reg
}
"""


SELF_TEST = """#![allow(unused_parens)]

use super::@NAME@;
use core::hint::black_box;

const _: () = assert!(@NAME@::CONTENT_HASH == 0x@HASH@, "module and self-test were not generated together");

struct Seen {
    number: u16,
    first: u16,
}

impl Seen {
    fn next(&mut self) {
        self.number += 1;
    }

    fn check(&mut self, holds: bool) {
        if !holds && self.first == 0 {
            self.first = self.number;
        }
    }
}

// `error` where this bit is one of those that make it
#[allow(dead_code)]
fn wrong(bit: @NAME@::Frame, bits: @NAME@::Frame, error: u8) -> u8 {
    if bit & bits != 0 { error } else { 0 }
}
"""


class Rust(Language):
    """Rust, edition 2021."""

    name = "Rust"
    driver_words = rust_driver
    chain_words = rust_chain
    job_words = rust_jobs
    asked_words = rust_asked

    def uint(self, bits: int) -> str:
        return f"u{next(s for s in (8, 16, 32, 64) if bits <= s)}"

    def integer(self, bits: int, *, signed: bool) -> str:
        return f"{'i' if signed else 'u'}{bits}"

    def literal(self, value: int, kind: str) -> str:
        return f"{value}_{kind}"

    def as_integer(self, expr: str, kind: str) -> str:
        return f"({expr} as {kind})"

    def less(self, a: str, b: str) -> str:
        """A difference of unsigned numbers that may wrap."""
        return f"{a}.wrapping_sub({b})"

    def choice(self, condition: str, yes: str, no: str) -> str:
        return f"if {condition} {{ {yes} }} else {{ {no} }}"

    def coded(self, kind: str) -> str:
        return f"Result<{kind}, {kind}>"

    def give_coded(self, code: str, inside: str, kind: str) -> list[str]:
        """Err holds the code of the nearest end."""
        return [f"let code: {kind} = {code};", f"if {inside} {{ Ok(code) }} else {{ Err(code) }}"]

    def widen(self, expr: str) -> str:
        return f"({expr} as Wide)"

    def narrow(self, expr: str, bits: int) -> str:
        return f"({expr}) as {self.uint(bits)}"

    def helper(self, name: str) -> str:
        return name

    def size(self) -> str:
        return "usize"

    def flag(self) -> str:
        return "bool"

    def truth(self, value: bool) -> str:
        return "true" if value else "false"

    def error(self, name: str) -> str:
        return f"error::{name.upper()}"

    def path(self, *names: str) -> str:
        return "::".join(names)

    def constant(self, name: str) -> str:
        return name.upper()

    def type_name(self, name: str) -> str:
        return "".join(p.capitalize() for p in name.split("_"))

    def member(self, enum: str, name: str) -> str:
        return f"{self.type_name(enum)}::{self.type_name(name)}"

    def text(self, text: str) -> str:
        made = string(text)
        # octal escapes are none of Rust's: text is UTF-8 there
        return made if "\\" not in made else '"' + _escaped(text) + '"'

    # --- statements ------------------------------------------------------------------------------
    def let(self, name: str, expr: str, *, mutable: bool = False) -> str:
        return f"let {'mut ' if mutable else ''}{name}: Wide = {expr};"

    def let_of(self, name: str, kind: str, expr: str) -> str:
        return f"let {name}: {kind} = {expr};"

    def let_small(self, name: str, *, mutable: bool) -> str:
        return f"let {'mut ' if mutable else ''}{name}: u8 = 0;"

    def let_as(self, name: str, expr: str) -> str:
        return f"let mut {name}: u8 = {expr};"

    def let_any(self, name: str, kind: str) -> str:
        return f"let {name}: {kind}"

    def unused(self, name: str) -> str:
        return f"let _ = {name};"

    def give(self, expr: str) -> str:
        return f"return {expr};"

    def wrapping(self, step: int, start: int) -> str:
        return f"sent.wrapping_mul({step}).wrapping_add({start}) as Wide"

    def when(self, condition: str, lines: Sequence[str]) -> list[str]:
        return [f"if {condition} {{", *(f"    {x}" for x in lines), "}"]

    def select(self, on: str, cases: Sequence[tuple[int, str]], default: str) -> list[str]:
        lines = [f"match {on} {{"]
        lines += [f"    {value} => {result}," for value, result in cases]
        return [*lines, f"    _ => {default},", "}"]

    # --- declarations ----------------------------------------------------------------------------
    def module(self, name: str, lines: Iterable[str], about: str = "") -> list[str]:
        body = (f"    {x}" if x else "" for x in lines)
        return [*(self.remark(about) if about else []), f"pub mod {name} {{", "    use super::*;", *body, "}"]  # fmt: skip

    def const(self, name: str, kind: str, value: str, about: str = "") -> list[str]:
        line = f"pub const {name.upper()}: {kind} = {value};"
        if about and len(line) + len(about) < 96:
            return [f"{line} {self.remark(about)[0]}"]
        return [*(self.remark(about) if about else []), line]

    def function(
        self, name: str, params: Sequence[tuple[str, str]], result: str, lines: Sequence[str],
        about: str = "",
    ) -> list[str]:  # fmt: skip
        listed = ", ".join(f"{param}: {kind}" for param, kind in params)
        head = [*(self.remark(about) if about else []), "#[must_use]"]
        return [*head, f"pub const fn {name}({listed}) -> {result} {{", *(f"    {x}" for x in lines), "}"]  # fmt: skip

    def struct(self, name: str, members: Sequence[Field], about: str = "") -> list[str]:
        lines = [*(self.remark(about) if about else []), "#[derive(Clone, Copy, Debug, PartialEq, Eq)]", f"pub struct {name} {{"]  # fmt: skip
        for member, kind, note in members:
            lines += self.remark(note, "    ") if note else []
            lines.append(f"    pub {member}: {kind},")
        return [*lines, "}"]

    def make(self, struct: str, members: Sequence[tuple[str, str]]) -> str:
        return f"{struct} {{ {', '.join(f'{m}: {v}' for m, v in members)} }}"

    def enum(self, name: str, rows: Sequence[tuple[str, int, str]], about: str = "") -> list[str]:
        lines = [*(self.remark(about) if about else []), "#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]", "#[repr(u8)]", f"pub enum {self.type_name(name)} {{"]  # fmt: skip
        for member, value, note in rows:
            line = f"    {self.type_name(member)} = {value},"
            lines.append(f"{line} {self.remark(note)[0]}" if note else line)
        return [*lines, "}"]

    def options(self, rows: Sequence[tuple[str, int, str]], bits: int) -> list[str]:
        lines = ["pub mod option {"]
        for name, code, note in rows:
            lines += self.remark(note, "    ") if note else []
            lines.append(f"    pub const {name}: {self.uint(bits)} = {code};")
        return [*lines, "}"]

    def option_name(self, name: str) -> str:
        """Values keep the case of their unit, names are upper case."""
        return name if name[0] == "v" and name[1:2].isdigit() else name.upper()

    def set_option(self, _whole: str, _small: str) -> list[str]:
        return []

    def row_type(self, bits: int, size: str) -> str:
        return f"[{self.uint(bits)}; {size.upper()}]"

    def row(self, values: Sequence[str]) -> str:
        return f"[{', '.join(values)}]"

    def by_reference(self, kind: str) -> str:
        return f"&{kind}"

    def table(self, kind: str, name: str, size: int, rows: Sequence[str], about: str) -> list[str]:
        head = f"pub static {name.upper()}: [{kind}; {size}] = ["
        return [*self.remark(about), head, *(f"    {r}" for r in rows), "];"]

    def plain(self, value: int) -> str:
        return str(value)

    def text_type(self) -> str:
        return "&'static str"

    def width_type(self) -> str:
        return "u32"

    def to_size(self, expr: str) -> str:
        return f"({expr} as usize)"

    def copies(self, modules: Sequence[FrameModule], _: str) -> list[str]:
        """A frame as bytes in a row that holds every layout's, and back."""
        out = [
            f"        {m.index} => copied(&frames::{m.path}::to_bytes(frame), out),"
            for m in modules[:-1]
        ]
        back = [
            f"        {m.index} => frames::{m.path}::from_bytes(&cut(data))," for m in modules[:-1]
        ]
        last = modules[-1].path
        return f"""
fn copied<const N: usize>(from: &[u8; N], to: &mut [u8; BYTES_MOST]) -> usize {{
    to[..N].copy_from_slice(from);
    N
}}
fn cut<const N: usize>(from: &[u8; BYTES_MOST]) -> [u8; N] {{
    let mut to = [0; N];
    to.copy_from_slice(&from[..N]);
    to
}}
pub fn bytes_of(format: u8, frame: Frame, out: &mut [u8; BYTES_MOST]) -> usize {{
    match format {{
{chr(10).join([*out, f"        _ => copied(&frames::{last}::to_bytes(frame), out),"])}
    }}
}}
pub fn frame_of(format: u8, data: &[u8; BYTES_MOST]) -> Frame {{
    match format {{
{chr(10).join([*back, f"        _ => frames::{last}::from_bytes(&cut(data)),"])}
    }}
}}""".split("\n")

    def modes(self, ways: Sequence[tuple[str, str, str]], watched: Sequence[tuple[str, str]]) -> list[str]:  # fmt: skip
        """`enter` and what the watch begins with, of the ways (from, to, table or "") and the modes that can be watched."""
        lines = rust_asked.ENTER_BEGIN.split("\n")
        for source, target, table in ways:
            steps = f"&{table.upper()}" if table else "&[]"
            lines.append(f"        ({source}, {target}) => Task::new({steps}),")
        lines += [
            "        (from, to) if from == to && to < DRIVE_MODES_COUNT => Task::new(&[]),",
            "        _ => return Outcome::NoWay,",
            "    };",
            "    Outcome::Ok",
            "}",
            *rust_asked.ENTER.split("\n"),
        ]
        if watched:
            lines += rust_asked.WATCH_MODE.split("\n")
            lines += [f"        {mode} => Task::new(&{table.upper()})," for mode, table in watched]
            lines += ["        _ => return Outcome::NoWay,", "    };", "    Outcome::Ok", "}"]
        return lines

    def claim(self, condition: str, text: str) -> list[str]:
        """What stops the build where it does not hold."""
        # braces are places in a format string of Rust
        shown = self.text(text).replace("{", "{{").replace("}", "}}")
        return [f"const _: () = assert!({condition}, {shown});"]

    # --- a daisy chain ---------------------------------------------------------------------------
    def part_type(self) -> list[str]:
        return []

    def part_kind(self) -> str:
        return "&'static [Step]"

    def part(self, table: str) -> str:
        return f"&{table.upper()}" if table else "&[]"

    # --- the test for the target -----------------------------------------------------------------
    def seen(self, value: str, kind: str) -> str:
        """A number that the compiler must not work out beforehand."""
        return f"black_box({value}_{kind})"

    def holds(self, condition: str) -> str:
        return f"seen.check({condition});"

    def let_auto(self, name: str, expr: str) -> str:
        return f"let {name} = {expr};"

    def borrowed(self, name: str) -> str:
        return f"&{name}"

    def lent(self, name: str) -> str:
        return f"&mut {name}"

    def let_row(
        self, _home: str, name: str, kind: str, values: Sequence[str], *, mutable: bool = False
    ) -> str:
        return (
            f"let {'mut ' if mutable else ''}{name}: [{kind}; {len(values)}] = {self.row(values)};"
        )

    def toggle(self, name: str, at: int, mask: int) -> str:
        return f"{name}[{at}] ^= {self.number(mask, 8)};"

    def flipped(self, word: str, bit: str) -> str:
        return f"{word} ^ {bit}"

    def turn(self) -> str:
        """The next check."""
        return "seen.next();"

    def each_bit(self, kind: str, lines: Sequence[str]) -> list[str]:
        """With `bit` each bit of a frame in turn."""
        head = [f"let mut bit: {kind} = black_box(1);", "while bit != 0 {"]
        return [*head, *(f"    {line}" for line in lines), "    bit <<= 1;", "}"]

    def self_test(self, name: str, _include: str, digest: str, groups: Sequence[Sequence[tuple[str, list[str]]]]) -> list[str]:  # fmt: skip
        lines = SELF_TEST.replace("@HASH@", digest).replace("@NAME@", name).split("\n")
        for index, group in enumerate(groups):
            lines += [f"fn part_{index}(seen: &mut Seen) {{"]
            lines += self.blocks(group)
            lines.append("}")
        calls = [f"    part_{i}(&mut seen);" for i in range(len(groups))]
        return [*lines, "", "#[must_use]", "pub fn self_test() -> u16 {", "    let mut seen = Seen { number: 0, first: 0 };", *calls, "    seen.first", "}"]  # fmt: skip

    def file(self, _: str, body: Sequence[str]) -> list[str]:
        return [
            "#![allow(dead_code, unused_imports, unused_parens, non_upper_case_globals)]",
            *body,
        ]

    def prelude(self, frame: str, word: str) -> list[str]:
        return (
            f"""
type Wide = u{self.wide_bits}; // in which all is computed
pub type Frame = {frame}; // holds the longest frame
pub type Word = {word}; // holds the widest register
""".split("\n")
            + _HELPERS.split("\n")
        )


def _escaped(text: str) -> str:
    out = []
    for char in text:
        if char in '"\\':
            out.append("\\" + char)
        elif char.isprintable() and ord(char) < 127:
            out.append(char)
        else:
            out.append(f"\\u{{{ord(char):x}}}" if not 0xD800 <= ord(char) < 0xE000 else "?")
    return "".join(out)
