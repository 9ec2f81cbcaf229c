"""Small functions of a header, worked: assignments, conditions and a result; no loops.

    routine = Routine.of("static inline uint16_t f(uint16_t w) { w &= 3; return w; }", evaluator, ())
    routine([0xFFFF])       3

A parameter that is a pointer or reference stands for what it points to; a function without a result
gives what it leaves there.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from .defines import Evaluator, Unreadable

MOST_TEXT = 4000
_HEAD = re.compile(
    r"(?P<type>[^(){};=]{1,300}?[\s*&])(?P<name>[A-Za-z_]\w*)\s*\((?P<params>[^(){};]{0,400})\)[^{]{0,60}(?P<body>\{.*\})\s*\Z",
    re.S,
)
_WIDTH = {"char": 8, "short": 16}
_SKIPPED = re.compile(
    r"\[\[[^]]*\]\]|__attribute__\s*\(\([^()]*\)\)|\b(?:constexpr|noexcept|inline|static|extern)\b"
)
_ENDED = re.compile(r"\breturn\s*\{([^{}]*)\}")


class Routine:
    """A function of whole numbers; its text is parsed when it is first called."""

    def __init__(
        self,
        name: str,
        kind: str,
        params: str,
        body: str,
        evaluator: Evaluator,
        scope: tuple[str, ...],
    ) -> None:
        self.name, self.body, self._kind = name, body, kind
        self._evaluator, self._scope = evaluator, scope
        found = re.findall(r"([^,]*?)(\w+)\s*(?:,|$)", params) if params.strip() != "void" else []
        self.params = tuple(n for _, n in found)
        self._widths = {n: _bits(t) for t, n in found}
        self._pointed = {n for t, n in found if "*" in t or "&" in t}
        self._steps: list[Any] | None = None

    @classmethod
    def of(cls, text: str, evaluator: Evaluator, scope: tuple[str, ...]) -> Routine | None:
        """None where it is none that could be worked."""
        if len(text) > MOST_TEXT:
            return None
        match = _HEAD.match(_SKIPPED.sub(" ", text).lstrip())
        if match is None or "operator" in match["type"] or not match["type"].strip():
            return None
        return cls(match["name"], match["type"], match["params"], match["body"], evaluator, scope)

    def __call__(self, arguments: list[int]) -> int:
        """The result. Raises Unreadable."""
        if len(arguments) != len(self.params):
            raise Unreadable(f"{self.name} takes {len(self.params)} arguments")
        if self._steps is None:
            self._steps = self._parsed()
        held = dict(zip(self.params, arguments, strict=True))
        for name, value in held.items():
            held[name] = _cut(value, self._widths[name])
        around, self._evaluator.scope = self._evaluator.scope, self._scope
        try:
            result: int | None = self._run(self._steps, held, dict(self._widths))
        except RecursionError:
            raise Unreadable("nested too deeply: blocks within blocks") from None
        finally:
            self._evaluator.scope = around
        if result is None:
            left = [n for n in self.params if n in self._pointed]
            if len(left) != 1 or not re.search(r"\bvoid\b", self._kind):
                raise Unreadable(f"{self.name} has no result")
            return int(held[left[0]])
        return _cut(result, _bits(self._kind))

    def _parsed(self) -> list[Any]:
        from pycparser import c_parser

        body = _ENDED.sub(r"return (\1)", self.body)
        for name in self._pointed:
            body = re.sub(rf"(?<![\w)\]\s])\s*\*\s*{name}\b", f" {name}", body)
        names = sorted(set(re.findall(r"\b[A-Za-z_]\w*_t\b|\bu(?:8|16|32|64)\b|\bbool\b", body)))
        types = "".join(f"typedef int {n};" for n in names)
        try:
            tree = c_parser.CParser().parse(f"{types}\nvoid f(void)\n{body}", "")
        except (c_parser.ParseError, RecursionError, AssertionError) as error:
            raise Unreadable(f"its body was not parsed as C99 ({str(error)[:40]})") from None
        return list(tree.ext[-1].body.block_items or ())

    def _run(self, steps: list[Any], held: dict[str, int], widths: dict[str, int]) -> int | None:
        from pycparser import c_ast

        for step in steps:
            if isinstance(step, c_ast.Return) and step.expr is not None:
                return self._value(step.expr, held)
            if isinstance(step, c_ast.Decl):
                kind = getattr(getattr(step.type, "type", None), "names", None)
                if kind is None:
                    raise Unreadable("it declares more than numbers")
                widths[step.name] = _bits(" ".join(kind))
                if step.init is not None:
                    held[step.name] = _cut(self._value(step.init, held), widths[step.name])
            elif isinstance(step, c_ast.Assignment):
                if not isinstance(step.lvalue, c_ast.ID) or step.lvalue.name not in widths:
                    raise Unreadable("it writes to more than its own variables")
                name, value = step.lvalue.name, self._value(step.rvalue, held)
                if step.op != "=":
                    both = {"a": held.get(name, 0), "b": value}
                    value = self._evaluator.value(f"(a) {step.op[:-1]} (b)", both)
                held[name] = _cut(value, widths[name])
            elif isinstance(step, c_ast.If):
                taken = step.iftrue if self._value(step.cond, held) else step.iffalse
                result = self._run([taken], held, widths) if taken is not None else None
                if result is not None:
                    return result
            elif isinstance(step, c_ast.Compound):
                result = self._run(step.block_items or [], held, widths)
                if result is not None:
                    return result
            elif isinstance(step, (c_ast.EmptyStatement, c_ast.Cast, c_ast.Return)):
                continue
            else:
                raise Unreadable(f"it has what is not worked here ({type(step).__name__})")
        return None

    def _value(self, node: Any, held: Mapping[str, int]) -> int:
        from pycparser import c_generator

        return self._evaluator.value(c_generator.CGenerator().visit(node), held)


def _bits(kind: str) -> int:
    """Bits of an unsigned type; 0 where they do not matter."""
    exact = re.search(r"\b(?:uint|u)(8|16|32|64)(?:_t)?\b", kind)
    if exact is not None:
        return int(exact[1])
    return next((b for word, b in _WIDTH.items() if "unsigned" in kind and word in kind), 0)


def _cut(value: int, bits: int) -> int:
    return value & ((1 << bits) - 1) if bits else value
