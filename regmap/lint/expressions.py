"""Integer constant expressions of a C header, evaluated by C's rules for types.

    evaluator = Evaluator({"BASE": Macro(None, "0x10")})
    evaluator.value("BASE + 3")

Values may use integers with suffixes, macros of the file (with arguments too), enumerators, brackets,
casts, the operators of integer arithmetic and the macros that everybody has: BIT, GENMASK,
FIELD_PREP, UINT16_C. What cannot be evaluated raises Unreadable, which says why.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from functools import partial
from typing import TypeVar

from regmap.record import dataclass

from ..budgets import limit, over
from .integers import (
    ILP32,
    CNumber,
    IntKind,
    IntWidths,
    Unreadable,
    binary,
    common,
    converted,
    is_type_word,
    known_call,
    limit_of,
    literal,
    plain,
    promoted,
    type_of,
    unary,
)

T = TypeVar("T")
MAX_NESTED = 100  # brackets within brackets
#: a statement that stands for its one expression (gcc's manual, "statement exprs")
_STATEMENT = re.compile(r"\(\s{0,99}\{([^{};]*);\s{0,99}\}\s{0,99}\)")


class TooDeep(Unreadable):
    """What was met on the way costs too much, which a way from elsewhere might not."""


def _too_deep(budget: str) -> TooDeep:
    return TooDeep("nested too deeply: {}, expected {}".format(*over(budget)))


_TOKEN = re.compile(
    r"\s*(?:(0[xX][0-9a-fA-F]+|0[bB][01]+|\d+)([uUlL]*)(?![\w.])"
    r"|([A-Za-z_]\w*)|(<<|>>|<=|>=|==|!=|&&|\|\||[-+*/%|&^~()!<>?:,])|(\S))"
)
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


@dataclass(frozen=True, slots=True)
class Macro:
    """A macro of the file: its parameters (None where it takes none) and its text."""

    params: tuple[str, ...] | None
    body: str


#: with a left operand of this truth the right one is not evaluated
_DECIDED = {"&&": False, "||": True}
_TYPEOF = ("typeof", "__typeof__", "__typeof")


class Evaluator:
    """Integer constant expressions of C; macros and enumerators are looked up on the way.

    Every name is evaluated once; what one evaluation may cost is bounded, so that no header can keep
    it busy. `names` are enumerators and constants; `model` says how wide the types are.
    """

    def __init__(self, macros: Mapping[str, Macro], model: IntWidths = ILP32) -> None:
        self.macros = dict(macros)
        self.model = model
        self.names: dict[str, CNumber] = {}
        self.routines: dict[str, Callable[[list[CNumber]], CNumber]] = {}
        #: what the file calls types, by typedef
        self.types: dict[str, IntKind] = {}
        #: whether some value was as it is because of the width of its type: with another model it may differ
        self.by_width = False
        #: whether something was not read that another model might
        self.unread_by_width = False
        #: the namespaces around what is evaluated
        self.scope: tuple[str, ...] = ()
        self._known: dict[str, CNumber | str] = {}
        self._busy: set[str] = set()
        self._work = 0

    def _found(self, table: Mapping[str, T], name: str) -> T | None:
        """What a name stands for in the innermost of the namespaces around it."""
        for depth in range(len(self.scope), -1, -1):
            found = table.get("_".join((*self.scope[:depth], name)))
            if found is not None:
                return found
        return None

    def is_type(self, word: str) -> bool:
        return word in self.types or word in ("const", "volatile") or is_type_word(word)

    def plain(self, value: int) -> CNumber:
        """A number of which no type is told."""
        return plain(value, self.model)

    def of(self, name: str) -> CNumber:
        """The number of a macro without parameters. Raises Unreadable."""
        found = self._known.get(name)
        if found is None:
            self._enter(name)
            try:
                found = self.number(self.macros[name].body)
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

    def value(self, body: str, scope: Mapping[str, CNumber] | None = None) -> int:
        """The value of an expression; `scope` holds the arguments of a macro. Raises Unreadable."""
        return self.number(body, scope).value

    def cast(self, number: CNumber, kind: IntKind | None) -> CNumber:
        """The number in another type, where that is known."""
        if kind is None:
            return number
        made = converted(number.value, kind)
        self.by_width = self.by_width or made.value != number.value
        return made

    def number(self, body: str, scope: Mapping[str, CNumber] | None = None) -> CNumber:
        """As `value`, with its type."""
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
        run = _Run(self, tokens, {} if scope is None else scope)
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
        if not self._busy:
            self._work = 0
        self._busy.add(name)

    def call(self, name: str, arguments: list[CNumber]) -> CNumber:
        """A macro with parameters, of the file or one that everybody knows. Raises Unreadable."""
        macro = self.macros.get(name)
        if macro is not None and macro.params is not None:
            if len(macro.params) != len(arguments):
                raise Unreadable(f"{name} takes {len(macro.params)} arguments")
            self._enter(name)
            try:
                return self.number(macro.body, dict(zip(macro.params, arguments, strict=True)))
            finally:
                self._busy.discard(name)
        routine = self._found(self.routines, name)
        if routine is not None:
            self._enter(name)
            try:
                return routine(arguments)
            finally:
                self._busy.discard(name)
        return known_call(name, arguments, self.model)


def tokens_of(body: str) -> list[tuple[str, str]]:
    """(kind, text) of each token; raises Unreadable for what is no part of a whole number."""
    tokens: list[tuple[str, str]] = []
    for match in _TOKEN.finditer(_STATEMENT.sub(r"(\1)", body)):
        number, suffix, name, operator, other = match.groups()
        if other is not None:
            raise Unreadable(f"{other!r} is not part of a whole number")
        if number is not None:
            tokens.append(("number", number + suffix))
        elif name is not None:
            tokens.append(("name", name))
        elif operator is not None:
            tokens.append(("op", operator))
    return tokens


class _Run:
    """One expression by precedence climbing: two calls a bracket, and brackets are counted."""

    def __init__(
        self, outer: Evaluator, tokens: list[tuple[str, str]], scope: Mapping[str, CNumber]
    ) -> None:
        self.outer, self.tokens, self.scope, self.at, self.nested = outer, tokens, scope, 0, 0
        self.model = outer.model
        #: within how many operands that C does not evaluate (ISO C11 6.5.13 to 6.5.15)
        self.idle = 0

    def peek(self) -> tuple[str, str]:
        return self.tokens[self.at] if self.at < len(self.tokens) else ("end", "")

    def take(self, text: str) -> bool:
        if self.peek() == ("op", text):
            self.at += 1
            return True
        return False

    def conditional(self) -> CNumber:
        condition = self.binary(0)
        if not self.take("?"):
            return condition
        yes = self.unless(not condition.value, self.conditional)
        if not self.take(":"):
            raise Unreadable("a ':' is missing")
        no = self.unless(bool(condition.value), self.conditional)
        kind = common(promoted(yes, self.model).kind, promoted(no, self.model).kind)
        return self.outer.cast(yes if condition.value else no, kind)

    def unless(self, idle: bool, operand: Callable[[], CNumber]) -> CNumber:
        """An operand that is read, and not evaluated where `idle` says so."""
        self.idle += idle
        try:
            return operand()
        finally:
            self.idle -= idle

    def binary(self, least: int) -> CNumber:
        left = self.unary()
        while (level := _LEVEL.get(self.peek()[1], -1)) >= least and self.peek()[0] == "op":
            operator = self.peek()[1]
            self.at += 1
            decided = operator in _DECIDED and bool(left.value) is _DECIDED[operator]
            right = self.unless(decided, partial(self.binary, level + 1))
            left = self.apply(operator, left, right)
        return left

    def apply(self, operator: str, a: CNumber, b: CNumber) -> CNumber:
        try:
            made, by_width = binary(operator, a, b, self.model)
        except Unreadable:
            if self.idle:
                x, y = promoted(a, self.model), promoted(b, self.model)
                shifts = operator in ("<<", ">>")
                return converted(x.value, x.kind if shifts else common(x.kind, y.kind))
            # a shift may be within a wider type
            self.outer.by_width = self.outer.unread_by_width = True
            raise
        # an int of 16 bits would not hold it
        narrow = made.kind.bits <= self.model.int_bits and not -(1 << 15) <= made.value < 1 << 16
        self.outer.by_width = self.outer.by_width or by_width or narrow
        return made

    def unary(self) -> CNumber:
        kind, text = self.peek()
        self.at += 1
        self.nested += 1
        if self.nested > MAX_NESTED:
            raise Unreadable(f"nested too deeply: more than {MAX_NESTED} brackets within brackets")
        try:
            if kind == "number":
                digits = text.rstrip("uUlL")
                return literal(digits, text[len(digits) :], self.model)
            if kind == "op" and text in "+-~!":
                value, by_width = unary(text, self.unary(), self.model)
                self.outer.by_width = self.outer.by_width or by_width
                return value
            if kind == "op" and text == "(":
                if (cast := self.cast()) is not None:
                    return self.outer.cast(self.unary(), cast[0])
                value = self.conditional()
                if not self.take(")"):
                    raise Unreadable("a bracket is missing")
                return value
            if kind == "name":
                return self.name(text)
        finally:
            self.nested -= 1
        raise Unreadable(f"{text!r} stands where a number must" if text else "it ends too early")

    def cast(self) -> tuple[IntKind | None] | None:
        """Skips `type)` where the bracket opened a cast: its type, which may not be known; else None."""
        at = self.at
        if self.peek()[1] in _TYPEOF and self.tokens[at + 1 : at + 2] == [("op", "(")]:
            self.at += 1
            like = self.arguments()
            if len(like) == 1 and self.take(")"):
                return (like[0].kind,)
            self.at = at
            return None
        while at < len(self.tokens) and self.tokens[at][0] == "name":
            if not self.outer.is_type(self.tokens[at][1]):
                return None
            at += 1
        if at == self.at or at >= len(self.tokens) or self.tokens[at] != ("op", ")"):
            return None
        words = [text for _, text in self.tokens[self.at : at]]
        self.at = at + 1
        return (type_of(words, self.model, self.outer.types),)

    def name(self, text: str) -> CNumber:
        if text in self.scope:
            return self.scope[text]
        macro = self.outer.macros.get(text)
        if macro is not None and macro.params is None:
            return self.outer.of(text)
        if text == "sizeof":
            raise Unreadable("'sizeof' is not a macro of this file with a number")
        if self.peek() == ("op", "("):
            kind = type_of([text], self.model, self.outer.types)
            arguments = self.arguments()
            if kind is not None and len(arguments) == 1:  # a cast of C++
                return self.outer.cast(arguments[0], kind)
            return self.outer.call(text, arguments)
        value = self.outer._found(self.outer.names, text)
        if value is None:
            value = limit_of(text)
        if value is not None:
            return value
        raise Unreadable(f"{text!r} is not a macro of this file with a number")

    def arguments(self) -> list[CNumber]:
        self.at += 1
        found: list[CNumber] = []
        while not self.take(")"):
            if found and not self.take(","):
                raise Unreadable("a bracket is missing")
            found.append(self.conditional())
        return found
