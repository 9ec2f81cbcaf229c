"""Numbers of a C header: what defines one, and integer constant expressions.

    evaluator = Evaluator({"BASE": Macro(None, "0x10")})
    evaluator.value("BASE + 3")

Values may use integers with suffixes, macros of the file (with arguments too), enumerators, brackets,
casts, the operators of integer arithmetic and the macros that everybody has: BIT, GENMASK,
FIELD_PREP, UINT16_C. What cannot be evaluated keeps `value` None and says why.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from typing import TypeVar

from regmap.record import dataclass, replace

from ..budgets import limit, over

T = TypeVar("T")
MAX_NESTED = 100  # brackets within brackets
MAX_BITS = 4096


@dataclass(frozen=True, slots=True, kw_only=True)
class Define:
    """One #define: 1-based line and columns; `text` is its first line, `why` tells why `value` is None.

    Enumerators, constants and members of bit fields are told in the same shape.
    """

    name: str
    body: str
    value: int | None
    comment: str
    line: int
    column: int
    value_column: int
    text: str
    why: str = ""
    params: tuple[str, ...] | None = None
    file: str = ""
    #: what an enumerator is called too: by the name of its enumeration and its own
    also: str = ""
    #: the body with such macros expanded as make more than numbers, where it uses any
    expanded: str = ""


class Unreadable(Exception):  # noqa: N818 (never leaves this module)
    """Why a value cannot be known."""


class TooDeep(Unreadable):
    """What was met on the way costs too much, which a way from elsewhere might not."""


def _too_deep(budget: str) -> TooDeep:
    return TooDeep("nested too deeply: {}, expected {}".format(*over(budget)))


_TOKEN = re.compile(
    r"\s*(?:(0[xX][0-9a-fA-F]+|0[bB][01]+|\d+)([uUlL]*)(?![\w.])"
    r"|([A-Za-z_]\w*)|(<<|>>|<=|>=|==|!=|&&|\|\||[-+*/%|&^~()!<>?:,])|(\S))"
)
TYPE_WORDS = {"unsigned", "signed", "int", "long", "short", "char", "bool"}
_LEVELS = (
    ("||",),
    ("&&",),
    ("|",),
    ("^",),
    ("&",),
    ("==", "!="),
    ("<", ">", "<=", ">="),
    ("<<", ">>"),
    ("+", "-"),
    ("*", "/", "%"),
)
_LEVEL = {operator: level for level, row in enumerate(_LEVELS) for operator in row}


def evaluated(item: Define, evaluator: Evaluator) -> Define:
    """The definition with its value, or with why it has none."""
    if item.why:
        return item
    try:
        body = item.expanded or item.body
        own = evaluator.macros[item.name].body == body
        return replace(item, value=evaluator.of(item.name) if own else evaluator.value(body))
    except Unreadable as error:
        return replace(item, why=str(error))


def logical_lines(text: str) -> Iterator[tuple[int, str, str, str]]:
    """(line number, first line as it stands, code without comments, text of its comments)."""
    lines = text.split("\n")
    index, inside = 0, False
    while index < len(lines):
        start, whole = index, lines[index].rstrip("\r")
        logical = whole
        while logical.endswith("\\") and index + 1 < len(lines):
            index += 1
            # a blank stands for the splice, so that columns of the first line stay right
            logical = logical[:-1] + " " + lines[index].rstrip("\r")
        index += 1
        code, comment, inside = _without_comments(logical, inside)
        while inside and code.strip() and index < len(lines):
            # the rest of a comment that began behind a definition belongs to it
            more, rest, inside = _without_comments(lines[index], inside)
            comment = f"{comment} {rest}"
            if more.strip():
                break
            index += 1
        yield start + 1, whole, code, " ".join(comment.split())


def _without_comments(line: str, inside: bool) -> tuple[str, str, bool]:
    """Comments of a line are replaced by blanks of the same length; their text comes apart."""
    code, comment, at = [], [], 0
    while at < len(line):
        if inside:
            end = line.find("*/", at)
            stop = len(line) if end < 0 else end
            comment.append(line[at:stop])
            inside = end < 0
            code.append(" " * (min(len(line), stop + 2) - at))
            at = stop + 2
            continue
        match = re.search(r'/\*|//|"(?:\\.|[^"\\])*"|\'(?:\\.|[^\'\\])*\'', line[at:])
        if match is None:
            code.append(line[at:])
            break
        code.append(line[at : at + match.start()])
        at += match.start()
        found = match[0]
        if found == "//":
            comment.append(line[at + 2 :])
            code.append(" " * (len(line) - at))
            break
        if found == "/*":
            inside = True
            code.append("  ")
        else:
            code.append(found)
        at += len(found)
    return "".join(code), " ".join(comment), inside


@dataclass(frozen=True, slots=True)
class Macro:
    """A macro of the file: its parameters (None where it takes none) and its text."""

    params: tuple[str, ...] | None
    body: str


class Evaluator:
    """Integer constant expressions of C; macros and enumerators are looked up on the way.

    Every name is evaluated once; what one evaluation may cost is bounded, so that no header can keep
    it busy. `names` are values that stand for a name: enumerators, parameters.
    """

    def __init__(self, macros: Mapping[str, Macro], names: dict[str, int] | None = None) -> None:
        self.macros = dict(macros)
        self.names = names if names is not None else {}
        self.routines: dict[str, Callable[[list[int]], int]] = {}
        #: the namespaces around what is evaluated
        self.scope: tuple[str, ...] = ()
        self._known: dict[str, int | str] = {}
        self._busy: set[str] = set()
        self._work = 0

    def _found(self, table: Mapping[str, T], name: str) -> T | None:
        """What a name stands for in the innermost of the namespaces around it."""
        for depth in range(len(self.scope), -1, -1):
            found = table.get("_".join((*self.scope[:depth], name)))
            if found is not None:
                return found
        return None

    def of(self, name: str) -> int:
        """The value of a macro without parameters. Raises Unreadable."""
        found = self._known.get(name)
        if found is None:
            if not self._busy:
                self._work = 0
            self._enter(name)
            try:
                found = self.value(self.macros[name].body)
            except TooDeep as error:
                # seen from further out it may not be: known only where nothing stood around it
                if self._busy - {name}:
                    raise
                found = str(error)
            except Unreadable as error:
                found = str(error)
            finally:
                self._busy.discard(name)
            self._known[name] = found
        if isinstance(found, str):
            raise Unreadable(found)
        return found

    def value(self, body: str, scope: Mapping[str, int] | None = None) -> int:
        """The value of an expression; `scope` holds the arguments of a macro. Raises Unreadable."""
        if not self._busy:
            self._work = 0
        self._work += len(body)
        if len(body) > 4000:
            raise Unreadable(
                f"nested too deeply: a text of {len(body)} characters, expected at most 4000"
            )
        if self._work > limit("macro_text"):
            raise _too_deep("macro_text")
        tokens = tokens_of(body)
        if not tokens:
            raise Unreadable("it has no value")
        run = _Run(self, tokens, scope or {})
        try:
            result = run.conditional()
        except RecursionError:  # each of the two is within its bound, both together are not
            raise TooDeep("nested too deeply: brackets within macros within macros") from None
        if run.at < len(tokens):
            raise Unreadable(f"{tokens[run.at][1]!r} does not belong to a whole number")
        return result

    def _enter(self, name: str) -> None:
        if name in self._busy:
            raise TooDeep("it is defined by itself")
        if len(self._busy) > limit("macros"):
            raise _too_deep("macros")
        self._busy.add(name)

    def call(self, name: str, arguments: list[int]) -> int:
        """A macro with parameters, of the file or one that everybody knows. Raises Unreadable."""
        macro = self.macros.get(name)
        if macro is not None and macro.params is not None:
            if len(macro.params) != len(arguments):
                raise Unreadable(f"{name} takes {len(macro.params)} arguments")
            self._enter(name)
            try:
                return self.value(macro.body, dict(zip(macro.params, arguments, strict=True)))
            finally:
                self._busy.discard(name)
        routine = self._found(self.routines, name)
        if routine is not None:
            self._enter(name)
            try:
                return routine(arguments)
            finally:
                self._busy.discard(name)
        known = KNOWN_MACROS.get((name, len(arguments)))
        if known is None and (family := _FAMILY.fullmatch(name)) is not None:
            known = KNOWN_MACROS.get((family[1], len(arguments)))
        if known is None:
            raise Unreadable(f"{name!r} is not a macro of this file with a number")
        if any(not 0 <= a < 1 << 64 for a in arguments):
            raise Unreadable(f"{name} of {arguments}")
        return known(*arguments)


def _field_low(mask: int) -> int:
    return (mask & -mask).bit_length() - 1 if mask else 0


def _genmask(high: int, low: int) -> int:
    if high < low or high > 63:
        raise Unreadable(f"GENMASK({high}, {low})")
    return (1 << (high + 1)) - (1 << low)


def _bit(number: int) -> int:
    if number > 63:
        raise Unreadable(f"a shift by {number}")
    return 1 << number


#: how their names vary: with the width or type of the result, for constants, by registers
_FAMILY = re.compile(
    r"(?:__|REG_)?(BIT|_BV|GENMASK|FIELD_PREP|FIELD_GET|FIELD_MAX)_?(?:ULL|UL|LL|U|L)?(?:8|16|32|64|128)?(?:_?CONST)?"
)
#: macros that embedded C knows in general, by name and number of arguments
KNOWN_MACROS: dict[tuple[str, int], Callable[..., int]] = {
    ("BIT", 1): _bit,
    ("_BV", 1): _bit,
    ("GENMASK", 2): _genmask,
    ("FIELD_PREP", 2): lambda m, v: v << _field_low(m) & m,
    ("FIELD_GET", 2): lambda m, w: (w & m) >> _field_low(m),
    ("FIELD_MAX", 1): lambda m: m >> _field_low(m),
    **{(f"{u}INT{n}_C", 1): lambda v: v for u in ("", "U") for n in (8, 16, 32, 64)},
}


def tokens_of(body: str) -> list[tuple[str, str]]:
    """(kind, text) of each token; raises Unreadable for what is no part of a whole number."""
    tokens: list[tuple[str, str]] = []
    for match in _TOKEN.finditer(body):
        number, _, name, operator, other = match.groups()
        if other is not None:
            raise Unreadable(f"{other!r} is not part of a whole number")
        if number is not None:
            tokens.append(("number", number))
        elif name is not None:
            tokens.append(("name", name))
        elif operator is not None:
            tokens.append(("op", operator))
    return tokens


class _Run:
    """One expression by precedence climbing: two calls a bracket, and brackets are counted."""

    def __init__(
        self, outer: Evaluator, tokens: list[tuple[str, str]], scope: Mapping[str, int]
    ) -> None:
        self.outer, self.tokens, self.scope, self.at, self.nested = outer, tokens, scope, 0, 0

    def peek(self) -> tuple[str, str]:
        return self.tokens[self.at] if self.at < len(self.tokens) else ("end", "")

    def take(self, text: str) -> bool:
        if self.peek() == ("op", text):
            self.at += 1
            return True
        return False

    def conditional(self) -> int:
        condition = self.binary(0)
        if not self.take("?"):
            return condition
        yes = self.conditional()
        if not self.take(":"):
            raise Unreadable("a ':' is missing")
        no = self.conditional()
        return yes if condition else no

    def binary(self, least: int) -> int:
        left = self.unary()
        while (level := _LEVEL.get(self.peek()[1], -1)) >= least and self.peek()[0] == "op":
            operator = self.peek()[1]
            self.at += 1
            left = self.apply(operator, left, self.binary(level + 1))
        return left

    def apply(self, operator: str, a: int, b: int) -> int:
        if operator in ("<<", ">>") and not 0 <= b < 64:
            raise Unreadable(f"a shift by {b}")
        if operator in ("/", "%") and b == 0:
            raise Unreadable("a division by zero")
        result = int(_APPLY[operator](a, b))
        if result.bit_length() > MAX_BITS:
            raise Unreadable("a number too long")
        return result

    def unary(self) -> int:
        kind, text = self.peek()
        self.at += 1
        self.nested += 1
        if self.nested > MAX_NESTED:
            raise Unreadable(f"nested too deeply: more than {MAX_NESTED} brackets within brackets")
        try:
            if kind == "number":
                return _number(text)
            if kind == "op" and text in "+-~!":
                value = self.unary()
                return {"+": value, "-": -value, "~": ~value, "!": int(not value)}[text]
            if kind == "op" and text == "(":
                if (bits := self.cast()) is not None:
                    value = self.unary()
                    return value & ((1 << bits) - 1) if bits else value
                value = self.conditional()
                if not self.take(")"):
                    raise Unreadable("a bracket is missing")
                return value
            if kind == "name":
                return self.name(text)
        finally:
            self.nested -= 1
        raise Unreadable(f"{text!r} stands where a number must" if text else "it ends too early")

    def cast(self) -> int | None:
        """Skips `type)` where the bracket opened a cast: its bits, 0 where they do not matter; else None."""
        at = self.at
        bits = 0
        while at < len(self.tokens) and self.tokens[at][0] == "name":
            name = self.tokens[at][1]
            if name not in TYPE_WORDS and not name.endswith("_t"):
                return None
            exact = re.fullmatch(r"uint(8|16|32|64)_t", name)
            bits = int(exact[1]) if exact else bits
            at += 1
        if at == self.at or at >= len(self.tokens) or self.tokens[at] != ("op", ")"):
            return None
        self.at = at + 1
        return bits

    def name(self, text: str) -> int:
        if text in self.scope:
            return self.scope[text]
        macro = self.outer.macros.get(text)
        if macro is not None and macro.params is None:
            return self.outer.of(text)
        if text == "sizeof":
            raise Unreadable("'sizeof' is not a macro of this file with a number")
        if self.peek() == ("op", "("):
            return self.outer.call(text, self.arguments())
        value = self.outer._found(self.outer.names, text)
        if value is not None:
            return value
        raise Unreadable(f"{text!r} is not a macro of this file with a number")

    def arguments(self) -> list[int]:
        self.at += 1
        found: list[int] = []
        while not self.take(")"):
            if found and not self.take(","):
                raise Unreadable("a bracket is missing")
            found.append(self.conditional())
        return found


def _number(text: str) -> int:
    if re.fullmatch(r"0\d+", text):
        if not re.fullmatch(r"[0-7]+", text):
            raise Unreadable(f"{text!r} is no octal number")
        return int(text, 8)
    return int(text, 0)


def _quotient(a: int, b: int) -> int:
    """C divides toward zero (ISO C 6.5.5)."""
    return abs(a) // abs(b) * (1 if (a < 0) == (b < 0) else -1)


_APPLY: dict[str, Callable[[int, int], int]] = {
    "||": lambda a, b: bool(a or b),
    "&&": lambda a, b: bool(a and b),
    "|": lambda a, b: a | b,
    "^": lambda a, b: a ^ b,
    "&": lambda a, b: a & b,
    "==": lambda a, b: a == b,
    "!=": lambda a, b: a != b,
    "<": lambda a, b: a < b,
    ">": lambda a, b: a > b,
    "<=": lambda a, b: a <= b,
    ">=": lambda a, b: a >= b,
    "<<": lambda a, b: a << b,
    ">>": lambda a, b: a >> b,
    "+": lambda a, b: a + b,
    "-": lambda a, b: a - b,
    "*": lambda a, b: a * b,
    "/": _quotient,
    "%": lambda a, b: a - b * _quotient(a, b),
}
