"""The syntax of C++17: constexpr throughout, enumerations with a scope, no cast of the old style.

Freestanding: of the standard library only <stdint.h> and <stddef.h>, which every compiler brings.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from ..text import bracket, string
from . import cpp_asked, cpp_chain, cpp_driver, cpp_jobs
from .language import Field, Language, local

if TYPE_CHECKING:
    from .module import FrameModule

_HELPERS = """
namespace detail {
constexpr wide_t take(wide_t word, unsigned low, unsigned width) noexcept
{
    return (word >> low) & (~static_cast<wide_t>(0U) >> (wide_bits - width));
}
constexpr wide_t parity(wide_t bits) noexcept
{
    wide_t odd = 0U;
    for (; bits != 0U; bits &= bits - 1U) {
        odd ^= 1U;
    }
    return odd;
}
constexpr wide_t reverse(wide_t bits, unsigned count) noexcept
{
    wide_t out = 0U;
    for (unsigned i = 0U; i < count; i++) {
        out = (out << 1U) | ((bits >> i) & 1U);
    }
    return out;
}
/* feeds `count` bits, at most 8, to a CRC register, the most significant first */
constexpr wide_t feed(wide_t reg, wide_t bits, unsigned count, unsigned width, wide_t poly) noexcept
{
    for (unsigned i = count; i > 0U; i--) {
        const wide_t out = take(reg, width - 1U, 1U) ^ take(bits, i - 1U, 1U);
        reg = take(reg << 1U, 0U, width) ^ (out != 0U ? poly : 0U);
    }
    return reg;
}
} // namespace detail
"""


SELF_TEST = """#include "@INCLUDE@"

static_assert(@NAME@::content_hash == 0x@HASH@U, "header and self-test were not generated together");

namespace @NAME@ {
uint16_t self_test() noexcept;
} // namespace @NAME@

namespace {
uint16_t number;
uint16_t first;

void next() noexcept
{
    number++;
}

void check(bool holds) noexcept
{
    if ((!holds) && (first == 0U)) {
        first = number;
    }
}

template <class T>
T seen(T value) noexcept
{
    volatile T place = value;
    return place;
}

[[maybe_unused]] @NAME@::frame_t flipped(@NAME@::frame_t word, @NAME@::frame_t bit) noexcept
{
    return static_cast<@NAME@::frame_t>(word ^ bit);
}

// `error` where this bit is one of those that make it
[[maybe_unused]] uint8_t wrong(@NAME@::frame_t bit, @NAME@::frame_t bits, uint8_t error) noexcept
{
    return ((bit & bits) != 0U) ? error : uint8_t{0U};
}
"""


class Cpp(Language):
    """C++17."""

    name = "C++17"
    suffix = "U"
    driver_words = cpp_driver
    chain_words = cpp_chain
    job_words = cpp_jobs
    asked_words = cpp_asked

    def uint(self, bits: int) -> str:
        return f"uint{next(s for s in (8, 16, 32, 64) if bits <= s)}_t"

    def integer(self, bits: int, *, signed: bool) -> str:
        return f"{'' if signed else 'u'}int{bits}_t"

    def literal(self, value: int, kind: str) -> str:
        return f"{value}U" if kind.startswith("u") else str(value)

    def as_integer(self, expr: str, kind: str) -> str:
        return f"static_cast<{kind}>({expr})"

    def less(self, a: str, b: str) -> str:
        """A difference of unsigned numbers that may wrap."""
        return f"{a} - {b}"

    def choice(self, condition: str, yes: str, no: str) -> str:
        return f"({bracket(condition)} ? {bracket(yes)} : {bracket(no)})"

    def coded(self, kind: str) -> str:
        return f"coded<{kind}>"

    def give_coded(self, code: str, inside: str, kind: str) -> list[str]:
        return [f"return coded<{kind}>{{{code}, {inside}}};"]

    def widen(self, expr: str) -> str:
        return f"static_cast<wide_t>({expr})"

    def narrow(self, expr: str, bits: int) -> str:
        return f"static_cast<{self.uint(bits)}>({expr})"

    def helper(self, name: str) -> str:
        return f"detail::{name}"

    def size(self) -> str:
        return "size_t"

    def flag(self) -> str:
        return "bool"

    def truth(self, value: bool) -> str:
        return "true" if value else "false"

    def error(self, name: str) -> str:
        return f"error::{name}"

    def path(self, *names: str) -> str:
        return "::".join(names)

    def constant(self, name: str) -> str:
        return name

    def type_name(self, name: str) -> str:
        return f"{name}_t"

    def member(self, enum: str, name: str) -> str:
        return f"{self.type_name(enum)}::{name}"

    def text(self, text: str) -> str:
        return string(text)

    # --- statements ------------------------------------------------------------------------------
    def let(self, name: str, expr: str, *, mutable: bool = False) -> str:
        return f"{'' if mutable else 'const '}wide_t {name} = {expr};"

    def let_of(self, name: str, kind: str, expr: str) -> str:
        return f"const {kind} {name} = {expr};"

    def let_small(self, name: str, *, mutable: bool) -> str:
        return f"{'' if mutable else 'const '}uint8_t {name} = 0U;"

    def let_as(self, name: str, expr: str) -> str:
        return f"uint8_t {name} = {expr};"

    def let_any(self, name: str, kind: str) -> str:
        return f"const {kind} {name}"

    def unused(self, name: str) -> str:
        return f"static_cast<void>({name});"

    def give(self, expr: str) -> str:
        return f"return {expr};"

    def wrapping(self, step: int, start: int) -> str:
        return f"static_cast<wide_t>((sent * {self.number(step)}) + {self.number(start)})"

    def when(self, condition: str, lines: Sequence[str]) -> list[str]:
        return [f"if ({condition}) {{", *(f"    {x}" for x in lines), "}"]

    def select(self, on: str, cases: Sequence[tuple[int, str]], default: str) -> list[str]:
        """`return` one value by a number."""
        lines = [f"switch ({on}) {{"]
        for value, result in cases:
            lines += [f"case {value}U:", f"    return {result};"]
        return [*lines, "default:", f"    return {default};", "}"]

    # --- declarations ----------------------------------------------------------------------------
    def module(self, name: str, lines: Iterable[str], about: str = "") -> list[str]:
        head = self.remark(about) if about else []
        return [*head, f"namespace {name} {{", *lines, f"}} // namespace {name}"]

    def const(self, name: str, kind: str, value: str, about: str = "") -> list[str]:
        line = f"inline constexpr {kind} {name} = {value};"
        if about and len(line) + len(about) < 100:
            return [f"{line} {self.remark(about)[0]}"]
        return [*(self.remark(about) if about else []), line]

    def function(
        self, name: str, params: Sequence[tuple[str, str]], result: str, lines: Sequence[str],
        about: str = "",
    ) -> list[str]:  # fmt: skip
        listed = ", ".join(f"{kind} {param}" for param, kind in params)
        head = self.remark(about) if about else []
        return [*head, f"[[nodiscard]] constexpr {result} {name}({listed}) noexcept", "{", *(f"    {x}" for x in lines), "}"]  # fmt: skip

    def struct(self, name: str, members: Sequence[Field], about: str = "") -> list[str]:
        lines = [*(self.remark(about) if about else []), f"struct {name} {{"]
        for member, kind, note in members:
            lines += self.remark(note, "    ") if note else []
            lines.append(f"    {kind} {member};")
        return [*lines, "};"]

    def make(self, struct: str, members: Sequence[tuple[str, str]]) -> str:
        return f"{struct}{{{', '.join(v for _, v in members)}}}"

    def enum(self, name: str, rows: Sequence[tuple[str, int, str]], about: str = "") -> list[str]:
        lines = [*(self.remark(about) if about else []), f"enum class {self.type_name(name)} : uint8_t {{"]  # fmt: skip
        for member, value, note in rows:
            line = f"    {member} = {value}U,"
            lines.append(f"{line} {self.remark(note)[0]}" if note else line)
        return [*lines, "};"]

    def options(self, rows: Sequence[tuple[str, int, str]], bits: int) -> list[str]:
        lines = [f"enum class option : {self.uint(bits)} {{"]
        for name, code, note in rows:
            lines += self.remark(note, "    ") if note else []
            lines.append(f"    {name} = {code}U,")
        return [*lines, "};"]

    def option_name(self, name: str) -> str:
        """Values keep the case of their unit, names are lower case."""
        return name if name[0] == "v" and name[1:2].isdigit() else local(name, set())

    def set_option(self, whole: str, small: str) -> list[str]:
        return self.function(
            "set",
            [("word", whole), ("code", "option")],
            whole,
            [f"return set(word, static_cast<{small}>(code));"],
        )

    def row_type(self, bits: int, size: str) -> str:
        return f"table<{self.uint(bits)}, {size}>"

    def row(self, values: Sequence[str]) -> str:
        return f"{{{{{', '.join(values)}}}}}"

    def by_reference(self, kind: str) -> str:
        return f"const {kind} &"

    def table(self, kind: str, name: str, size: int, rows: Sequence[str], about: str) -> list[str]:
        head = f"inline constexpr table<{kind}, {size}> {name} = {{{{"
        return [*self.remark(about), head, *(f"    {r}" for r in rows), "}};"]

    def plain(self, value: int) -> str:
        return str(value)

    def text_type(self) -> str:
        return "const char *"

    def width_type(self) -> str:
        return "unsigned"

    def to_size(self, expr: str) -> str:
        return expr

    def copies(self, modules: Sequence[FrameModule], _: str) -> list[str]:
        """A frame as bytes in a row that holds every layout's, and back."""
        lines = cpp_driver.COPIES.split("\n")
        out = [f"case {m.index}U:\n    return detail::copied(frames::{m.path}::to_bytes(frame), out);" for m in modules[:-1]]  # fmt: skip
        back = [f"case {m.index}U:\n    return frames::{m.path}::from_bytes(detail::cut<frames::{m.path}::bytes>(in));" for m in modules[:-1]]  # fmt: skip
        last = modules[-1].path
        for name, cases, end in (
            ("size_t bytes_of(uint8_t format, frame_t frame, table<uint8_t, bytes_most> &out)", out,
             f"return detail::copied(frames::{last}::to_bytes(frame), out);"),
            ("frame_t frame_of(uint8_t format, const table<uint8_t, bytes_most> &in)", back,
             f"return frames::{last}::from_bytes(detail::cut<frames::{last}::bytes>(in));"),
        ):  # fmt: skip
            lines += ["", f"[[nodiscard]] constexpr {name} noexcept", "{"]
            if cases:
                each = "\n".join([*cases, f"default:\n    {end}"]).split("\n")
                lines += ["    switch (format) {", *(f"    {x}" for x in each), "    }"]
            else:
                lines += ["    static_cast<void>(format);", f"    {end}"]
            lines.append("}")
        return lines

    def modes(self, ways: Sequence[tuple[str, str, str]], watched: Sequence[tuple[str, str]]) -> list[str]:  # fmt: skip
        """`enter` and what the watch begins with, of the ways (from, to, table or "") and the modes that can be watched."""
        lines = cpp_asked.ENTER_BEGIN.split("\n")
        for source, target, table in ways:
            task = f"task_t({table})" if table else "task_t()"
            lines += [f"    if ((from == {source}) && (to == {target})) {{", f"        task = {task};", "        return result_t::ok;", "    }"]  # fmt: skip
        lines += ["    task = task_t();"]
        lines += ["    return (from == to) && (to < drive_modes_count) ? result_t::ok : result_t::no_way;", "}"]  # fmt: skip
        lines += cpp_asked.ENTER.split("\n")
        if watched:
            lines += cpp_asked.WATCH_MODE.split("\n")
            for mode, table in watched:
                lines += [f"    if (mode == {mode}) {{", f"        task = task_t({table});", "        return result_t::ok;", "    }"]  # fmt: skip
            lines += ["    return result_t::no_way;", "}"]
        return lines

    def claim(self, condition: str, text: str) -> list[str]:
        """What stops the build where it does not hold."""
        return [f"static_assert({condition}, {string(text)});"]

    # --- a daisy chain ---------------------------------------------------------------------------
    def part_type(self) -> list[str]:
        return [
            "",
            "struct part_t {",
            "    const step_t *steps; // nullptr: nothing to do at this position",
            "    size_t size;",
            "};",
        ]

    def part_kind(self) -> str:
        return "part_t"

    def part(self, table: str) -> str:
        return f"part_t{{{table}.data(), {table}.size()}}" if table else "part_t{nullptr, 0U}"

    # --- the test for the target -----------------------------------------------------------------
    def seen(self, value: str, kind: str) -> str:
        """A number that the compiler must not work out beforehand."""
        return f"seen<{kind}>({value})"

    def holds(self, condition: str) -> str:
        return f"check({condition});"

    def let_auto(self, name: str, expr: str) -> str:
        return f"const auto {name} = {expr};"

    def borrowed(self, name: str) -> str:
        return name

    def lent(self, name: str) -> str:
        return name

    def let_row(
        self, home: str, name: str, kind: str, values: Sequence[str], *, mutable: bool = False
    ) -> str:
        const = "" if mutable else "const "
        return f"{const}{home}::table<{kind}, {len(values)}> {name}{self.row(values)};"

    def toggle(self, name: str, at: int, mask: int) -> str:
        return f"{name}[{at}] = static_cast<uint8_t>({name}[{at}] ^ {self.number(mask, 8)});"

    def flipped(self, word: str, bit: str) -> str:
        return f"flipped({word}, {bit})"

    def turn(self) -> str:
        """The next check."""
        return "next();"

    def each_bit(self, kind: str, lines: Sequence[str]) -> list[str]:
        """With `bit` each bit of a frame in turn."""
        step = f"bit = static_cast<{kind}>(bit << 1U)"
        head = f"for ({kind} bit = seen<{kind}>(1U); bit != 0U; {step}) {{"
        return [head, *(f"    {line}" for line in lines), "}"]

    def self_test(self, name: str, include: str, digest: str, groups: Sequence[Sequence[tuple[str, list[str]]]]) -> list[str]:  # fmt: skip
        lines = SELF_TEST.replace("@INCLUDE@", include).replace("@HASH@", digest).replace("@NAME@", name).split("\n")  # fmt: skip
        for index, group in enumerate(groups):
            lines += [f"void part_{index}() noexcept", "{", *self.blocks(group), "}"]
        calls = [f"    part_{i}();" for i in range(len(groups))]
        return [*lines, "} // namespace", "", f"namespace {name} {{", "uint16_t self_test() noexcept", "{",
                "    number = 0U;", "    first = 0U;", *calls, "    return first;", "}", f"}} // namespace {name}"]  # fmt: skip

    def file(self, name: str, body: Sequence[str]) -> list[str]:
        guard = f"{name.upper()}_HPP"
        head = [
            f"#ifndef {guard}",
            f"#define {guard}",
            "",
            "#include <stddef.h>",
            "#include <stdint.h>",
            "",
        ]
        return [*head, f"namespace {name} {{", *body, "", f"}} // namespace {name}", "", f"#endif // {guard}"]  # fmt: skip

    def prelude(self, frame: str, word: str) -> list[str]:
        return (
            f"""
using wide_t = uint{self.wide_bits}_t; // in which all is computed
using frame_t = {frame}; // holds the longest frame
using word_t = {word}; // holds the widest register
inline constexpr unsigned wide_bits = {self.wide_bits}U;

// A constant row of values; std::array is not everywhere where there is no operating system.
template <class T, size_t N>
struct table {{
    T row[N];
    [[nodiscard]] static constexpr size_t size() noexcept {{ return N; }}
    [[nodiscard]] constexpr const T &operator[](size_t at) const noexcept {{ return row[at]; }}
    [[nodiscard]] constexpr T &operator[](size_t at) noexcept {{ return row[at]; }}
    [[nodiscard]] constexpr const T *data() const noexcept {{ return row; }}
    [[nodiscard]] constexpr const T *begin() const noexcept {{ return row; }}
    [[nodiscard]] constexpr const T *end() const noexcept {{ return row + N; }}
}};

// The code for a value, and whether the chip can do that value; where it cannot, the code of the nearest end.
template <class T>
struct coded {{
    T code;
    bool inside;
}};
""".split("\n")
            + _HELPERS.split("\n")
        )
