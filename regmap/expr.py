"""A small expression language for conditions in maps: no eval, no calls, no loops.

    LOCK.KEY == open and not (MODE.PWM in (one_wire, three_wire))
    DRIVE.DEAD_TIME >= 200 ns or supply < 7 V
    unlocked

Operands: a field (`REG.FIELD`), a joined or external value or `supply` (a bare name), a state (a
bare name), a whole number (also 0x, 0b), a quantity (`200 ns`), an option's name beside a field.
Operators, loosest first: or; and; not; == != < <= > >= in; + -; * /; brackets.

A comparison with a whole number or an option compares codes (an option that is called by that
number wins; 0x and 0b are always codes), with a quantity the physical value.
Values with a unit on both sides compare as physical values: `VDS.BLANKING > DRIVE.DEAD_TIME`.
What is not known (a field nobody has read) makes the answer None, unless the rest decides.
"""

from __future__ import annotations

import operator
import re
from collections.abc import Callable, Iterator
from fractions import Fraction
from functools import cache
from typing import Protocol

from regmap.record import dataclass

from .errors import CallError, closest
from .quantity import DIMENSIONS, NONE, Dim, Quantity, dimension_name, parse

MAX_TEXT = 400
MAX_DEPTH = 24


@dataclass(frozen=True, slots=True)
class Name:
    """`REG.FIELD`, or a bare name."""

    text: str


@dataclass(frozen=True, slots=True)
class Literal:
    """A whole number or a quantity; `raw` is a number written with 0x or 0b, never an option's name."""

    value: int | Quantity
    raw: bool = False


@dataclass(frozen=True, slots=True)
class Op:
    """An operator over its operands: or, and, not, comparisons, in, + - * /."""

    op: str
    args: tuple[Node, ...]


Node = Name | Literal | Op


@dataclass(frozen=True, slots=True)
class Expr:
    """A parsed expression with its text."""

    text: str
    root: Node

    def __str__(self) -> str:
        return self.text

    def names(self) -> tuple[str, ...]:
        """Every name in it, in order, options included."""
        return tuple(dict.fromkeys(_names(self.root)))


class Env(Protocol):
    """What an expression may ask. Every answer may be None: not known."""

    def code(self, name: str) -> int | None:
        """Code of a field, joined or external value."""

    def physical(self, name: str) -> Fraction | None:
        """Physical value (typical) in base units of a field, a value or `supply`."""

    def state(self, name: str) -> bool | None:
        """Whether a state holds."""

    def option(self, name: str, option: str) -> int | None:
        """Code of an option of the named field; None if it has no such option."""

    def is_state(self, name: str) -> bool:
        """Whether the bare name is a state."""

    def dimension(self, name: str) -> Dim | None:
        """Dimension of the physical values of a field, a value or `supply`; None: it has none."""

    def option_names(self, name: str) -> tuple[str, ...]:
        """The options of a field or value by name."""


@cache  # not before the first condition
def _measured() -> re.Pattern[str]:
    """A number and what may be its unit; whether it is one, the grammar of quantities says."""
    return re.compile(
        r"\s*([0-9][0-9_]*(?:\.[0-9]+)?(?:[eE][+-]?[0-9]{1,2})?\s*(?:[A-Za-zµμΩ°]+|%)(?:/[A-Za-zµμΩ°]+)?)"
        r"(?![A-Za-z0-9_])"
    )


@cache
def _token() -> re.Pattern[str]:
    return re.compile(
        r"\s*(?:"
        r"(?P<num>0[xX][0-9a-fA-F_]+|0[bB][01_]+|[0-9][0-9_]*(?![A-Za-z0-9_.]))"
        r"|(?P<name>[A-Za-z_][A-Za-z0-9_]*(?:\.[A-Za-z_][A-Za-z0-9_]*)?|[0-9][A-Za-z0-9_.]*[A-Za-z_][A-Za-z0-9_]*)"
        r"|(?P<op>==|!=|<=|>=|[<>()+\-*/,=])"
        r")"
    )


_WORDS = {"and", "or", "not", "in"}
_COMPARE = {"==", "!=", "<", "<=", ">", ">=", "="}
_ORDER: dict[str, Callable[[Fraction | int, Fraction | int], bool]] = {
    "==": operator.eq,
    "!=": operator.ne,
    "<": operator.lt,
    "<=": operator.le,
    ">": operator.gt,
    ">=": operator.ge,
}


def parse_expr(text: str) -> Expr:
    """Parse; raises CallError with the column (1-based, in `text`) and what was expected."""
    if len(text) > MAX_TEXT:
        raise CallError(f"an expression of {len(text)} characters", f"at most {MAX_TEXT}")
    return Expr(text.strip(), _Parser(text).parse())


def _tokens(text: str) -> Iterator[tuple[str, str, int]]:
    position = 0
    end = len(text.rstrip())
    while position < end:
        quantity = _quantity(text, position)
        if quantity is not None:
            word, column, position = quantity
            yield "qty", word, column
            continue
        match = _token().match(text, position)
        if match is None:
            raise CallError(
                f"{text[position:].strip()[:12]!r} at column {position + 1} is not part of an expression",
                part=text[position:].strip()[:12],
            )
        kind = match.lastgroup or ""
        word = match[kind]
        yield ("op" if word in _WORDS else kind), word, match.start(kind) + 1
        position = match.end()


def _quantity(text: str, position: int) -> tuple[str, int, int] | None:
    """(text, column, end) of a quantity with a unit that starts here, as `quantity.parse` reads it."""
    match = _measured().match(text, position)
    while match is not None:
        word = match[1]
        try:
            parse(word)
        except CallError:
            # `6 V/X` may be a division by X
            cut = match.start(1) + word.rfind("/")
            match = _measured().match(text[:cut], position) if "/" in word else None
            continue
        return word, match.start(1) + 1, match.end(1)
    return None


class _Parser:
    def __init__(self, text: str) -> None:
        self.tokens = list(_tokens(text))
        self.at = 0
        self.depth = 0

    def parse(self) -> Node:
        node = self.either()
        if self.at < len(self.tokens):
            _, word, column = self.tokens[self.at]
            raise CallError(
                f"{word!r} at column {column}: expected an operator or the end", part=word
            )
        return node

    def peek(self) -> str:
        if self.at < len(self.tokens) and self.tokens[self.at][0] == "op":
            return self.tokens[self.at][1]
        return ""

    def take(self) -> tuple[str, str, int]:
        if self.at >= len(self.tokens):
            raise CallError("the expression ends where a name, a number or a bracket was expected")
        self.at += 1
        return self.tokens[self.at - 1]

    def chain(self, word: str, below: Callable[[], Node]) -> Node:
        args = [below()]
        while self.peek() == word:
            self.take()
            args.append(below())
        return args[0] if len(args) == 1 else Op(word, tuple(args))

    def either(self) -> Node:
        self.depth += 1
        if self.depth > MAX_DEPTH:
            raise CallError(f"brackets nest deeper than {MAX_DEPTH}")
        node = self.chain("or", self.both)
        self.depth -= 1
        return node

    def both(self) -> Node:
        return self.chain("and", self.inverted)

    def inverted(self) -> Node:
        negations = 0
        while self.peek() == "not":
            self.take()
            negations += 1
        node = self.compared()
        return Op("not", (node,)) if negations % 2 else node

    def compared(self) -> Node:
        left = self.summed()
        word = self.peek()
        if word in _COMPARE:
            self.take()
            return Op("==" if word == "=" else word, (left, self.summed()))
        if word == "in":
            self.take()
            _kind, text, column = self.take()
            if text != "(":
                raise CallError(
                    f"{text!r} at column {column}: expected ( and a list of values", part=text
                )
            items = [self.summed()]
            while self.peek() == ",":
                self.take()
                items.append(self.summed())
            self.close()
            return Op("in", (left, *items))
        return left

    def summed(self) -> Node:
        node = self.product()
        while self.peek() in ("+", "-"):
            _, word, _ = self.take()
            node = Op(word, (node, self.product()))
        return node

    def product(self) -> Node:
        node = self.atom()
        while self.peek() in ("*", "/"):
            _, word, _ = self.take()
            node = Op(word, (node, self.atom()))
        return node

    def close(self) -> None:
        _kind, word, column = self.take()
        if word != ")":
            raise CallError(f"{word!r} at column {column}: expected )", part=word)

    def atom(self) -> Node:
        kind, word, column = self.take()
        if kind == "num":
            raw = word[:2].lower() in ("0x", "0b")
            return Literal(int(word.replace("_", ""), 0 if raw else 10), raw)
        if kind == "qty":
            return Literal(parse(word))
        if kind == "name":
            return Name(word)
        if word == "-":
            kind, word, column = self.take()
            if kind == "qty":
                return Literal(parse(f"-{word}"))  # a temperature below zero is no negation
            if kind == "num":
                return Literal(
                    -int(word.replace("_", ""), 0 if word[:2].lower() in ("0x", "0b") else 10)
                )
            raise CallError(f"{word!r} at column {column}: expected a number after -", part=word)
        if word == "(":
            node = self.either()
            self.close()
            return node
        raise CallError(f"{word!r} at column {column}: expected a name, a number or (", part=word)


def _names(node: Node) -> Iterator[str]:
    if isinstance(node, Name):
        yield node.text
    elif isinstance(node, Op):
        for arg in node.args:
            yield from _names(arg)


def evaluate(expr: Expr, env: Env) -> bool | None:
    """True, False, or None where it hangs on something unknown. Raises CallError on a misfit."""
    return _truth(expr.root, env)


def _truth(node: Node, env: Env) -> bool | None:
    if isinstance(node, Name):
        if env.is_state(node.text):
            return env.state(node.text)
        code = env.code(node.text)
        return None if code is None else code != 0
    if isinstance(node, Literal):
        value = node.value if isinstance(node.value, int) else node.value.value
        return value != 0
    if node.op in ("and", "or"):
        decisive = node.op == "or"
        unknown = False
        for arg in node.args:
            truth = _truth(arg, env)
            if truth is decisive:
                return decisive
            unknown = unknown or truth is None
        return None if unknown else not decisive
    if node.op == "not":
        truth = _truth(node.args[0], env)
        return None if truth is None else not truth
    if node.op == "in":
        found = [_compare("==", node.args[0], item, env) for item in node.args[1:]]
        if any(hit is True for hit in found):
            return True
        return None if None in found else False
    if node.op in _COMPARE:
        return _compare(node.op, node.args[0], node.args[1], env)
    raise CallError(f"{node.op!r} gives a number where a condition is needed", part=node.op)


def _compare(op: str, left: Node, right: Node, env: Env) -> bool | None:
    if isinstance(right, Name) and isinstance(left, Name):
        option = env.option(left.text, right.text)
        if option is not None:
            code = env.code(left.text)
            return None if code is None else _ORDER[op](code, option)
    if isinstance(left, Name) and isinstance(right, Literal) and isinstance(right.value, int):
        # options can be called by numbers; names win over codes here as they do in settings
        option = None if right.raw else env.option(left.text, str(right.value))
        if option is not None:
            code = env.code(left.text)
            return None if code is None else _ORDER[op](code, option)
    physical = _compares_physical(left, right, env)
    a, b = _value(left, env, physical), _value(right, env, physical)
    return None if a is None or b is None else _ORDER[op](a, b)


def _compares_physical(left: Node, right: Node, env: Env) -> bool:
    """Whether both sides are physical values: one says so, or all names on both sides have units."""
    if _wants_physical(left) or _wants_physical(right):
        return True
    sides = [list(_names(left)), list(_names(right))]
    if not all(sides) or _adds_number(left) or _adds_number(right):
        return False
    return all(env.dimension(name) is not None for side in sides for name in side)


def _adds_number(node: Node) -> bool:
    """Whether a bare whole number stands where a value would, not as a factor of one."""
    if isinstance(node, Op):
        factors = node.op in ("*", "/")
        return any(_adds_number(a) for a in node.args if not (factors and isinstance(a, Literal)))
    return isinstance(node, Literal)


def _wants_physical(node: Node) -> bool:
    if isinstance(node, Literal):
        return isinstance(node.value, Quantity)
    if isinstance(node, Op):
        return any(_wants_physical(arg) for arg in node.args)
    return node.text == "supply"


def _value(node: Node, env: Env, physical: bool) -> Fraction | None:
    if isinstance(node, Literal):
        return Fraction(node.value) if isinstance(node.value, int) else node.value.value
    if isinstance(node, Name):
        if physical:
            return env.physical(node.text)
        code = env.code(node.text)
        return None if code is None else Fraction(code)
    if node.op not in ("+", "-", "*", "/"):
        raise CallError(f"{node.op!r} gives a condition where a number is needed", part=node.op)
    a, b = (_value(arg, env, physical) for arg in node.args)
    if a is None or b is None:
        return None
    if node.op == "+":
        return a + b
    if node.op == "-":
        return a - b
    if node.op == "*":
        return a * b
    return a / b if b else None


def check_expr(expr: Expr, env: Env, known: Callable[[str], CallError | None]) -> list[CallError]:
    """What is wrong with the names and dimensions of an expression; `known(name)` is None or a complaint.

    The right side of a comparison with a field may be one of its options.
    """
    complaints: list[CallError] = []

    def walk(node: Node, subject: str | None) -> None:
        if isinstance(node, Name):
            if subject is not None and env.option(subject, node.text) is not None:
                return
            complaint = known(node.text)
            if complaint:
                options = env.option_names(subject) if subject and "." not in node.text else ()
                if options:
                    near = closest(node.text, options)
                    has = "" if near else f"; it has {', '.join(options[:8])}"
                    complaint = CallError(
                        f"{node.text!r} is no option of {subject}{has}",
                        nearest=near,
                        part=node.text,
                    )
                complaints.append(complaint)
        elif isinstance(node, Op):
            first = node.args[0]
            compares = node.op in _COMPARE or node.op == "in"
            subject_name = first.text if compares and isinstance(first, Name) else None
            walk(first, None)
            for arg in node.args[1:]:
                walk(arg, subject_name)

    walk(expr.root, None)
    if not complaints:
        complaints.extend(_misplaced(expr.root, env, truth=True))
    if not complaints:
        for left, right in _comparisons(expr.root):
            named = isinstance(left, Name) and isinstance(right, Name)
            if named and env.option(left.text, right.text) is not None:  # type: ignore[union-attr]
                continue
            if _compares_physical(left, right, env):
                try:
                    _same(_dim(left, env), _dim(right, env))
                except CallError as error:
                    complaints.append(error)
    return complaints


def _misplaced(node: Node, env: Env, *, truth: bool) -> Iterator[CallError]:
    """Numbers where a condition is needed, and conditions where a number is."""
    if isinstance(node, Name):
        if not truth and env.is_state(node.text):
            yield CallError(
                f"the state {node.text!r} has no value", "it by itself, or with not", part=node.text
            )
    elif isinstance(node, Op):
        gives_truth = node.op not in ("+", "-", "*", "/")
        if gives_truth != truth:
            kinds = ("a condition", "a number") if gives_truth else ("a number", "a condition")
            yield CallError(
                f"{node.op!r} gives {kinds[0]} where {kinds[1]} is needed", part=node.op
            )
        for arg in node.args:
            yield from _misplaced(arg, env, truth=node.op in ("and", "or", "not"))


def _comparisons(node: Node) -> Iterator[tuple[Node, Node]]:
    if isinstance(node, Op):
        for arg in node.args:
            yield from _comparisons(arg)
        if node.op in _COMPARE or node.op == "in":
            for arg in node.args[1:]:
                yield node.args[0], arg


def _same(a: Dim | None, b: Dim | None) -> Dim | None:
    """The common dimension; None is a bare number, which goes with a dimension only as a factor."""
    if a is None and b is None:
        return None
    if a != b:
        names = [dimension_name(d) if d is not None else "plain number" for d in (a, b)]
        raise CallError(f"a {names[0]} beside a {names[1]}", "values of one kind")
    return a


def _dim(node: Node, env: Env) -> Dim | None:
    """Dimension of an operand in a physical comparison. Raises CallError."""
    if isinstance(node, Literal):
        return None if isinstance(node.value, int) else node.value.dim
    if isinstance(node, Name):
        found = DIMENSIONS["voltage"][0] if node.text == "supply" else env.dimension(node.text)
        if found is None:
            raise CallError(f"{node.text!r} has no physical values to compare", part=node.text)
        return found
    if node.op not in ("+", "-", "*", "/"):
        raise CallError(f"{node.op!r} gives a condition where a number is needed", part=node.op)
    a, b = (_dim(arg, env) for arg in node.args)
    if node.op in ("+", "-"):
        return _same(a, b)
    if b is None:
        return a
    sign = 1 if node.op == "*" else -1
    v, w, x, y, z = (p + sign * q for p, q in zip(a or NONE, b, strict=True))
    return (v, w, x, y, z)


__all__ = [
    "Env",
    "Expr",
    "Literal",
    "Name",
    "Op",
    "check_expr",
    "dimension_name",
    "evaluate",
    "parse_expr",
]
