"""Small functions of a header, worked: assignments, conditions and a result; no loops.

    routine = Routine.of("static inline uint16_t f(uint16_t w) { w &= 3; return w; }", evaluator, ())
    routine([evaluator.plain(0xFFFF)])       3, with its type

A parameter that is a pointer or reference stands for what it points to; a function without a result
gives what it leaves there.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from .expressions import Evaluator
from .integers import CNumber, IntKind, Unreadable, type_of

MOST_TEXT = 4000
_HEAD = re.compile(
    r"(?P<type>[^(){};=]{1,300}?[\s*&])(?P<name>[A-Za-z_]\w*)\s*\((?P<params>[^(){};]{0,400})\)[^{]{0,60}(?P<body>\{.*\})\s*\Z",
    re.S,
)
_SKIPPED = re.compile(
    r"\[\[[^]]*\]\]|__attribute__\s*\(\([^()]*\)\)|\b(?:constexpr|noexcept|inline|static|extern)\b"
)
_NO_TYPE = {"const", "volatile", "register", "std", "restrict", "__inline", "__inline__"}
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
        self._kinds = {n: self._kind_of(t) for t, n in found}
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

    def __call__(self, arguments: list[CNumber]) -> CNumber:
        """The result. Raises Unreadable."""
        if len(arguments) != len(self.params):
            raise Unreadable(f"{self.name} takes {len(self.params)} arguments")
        if self._steps is None:
            self._steps = self._parsed()
        evaluator = self._evaluator
        held = dict(zip(self.params, arguments, strict=True))
        for name, value in held.items():
            held[name] = evaluator.cast(value, self._kinds[name])
        around, evaluator.scope = evaluator.scope, self._scope
        try:
            result: CNumber | None = self._run(self._steps, held, dict(self._kinds))
        except RecursionError:
            raise Unreadable("nested too deeply: blocks within blocks") from None
        finally:
            evaluator.scope = around
        if result is None:
            left = [n for n in self.params if n in self._pointed]
            if len(left) != 1 or not re.search(r"\bvoid\b", self._kind):
                raise Unreadable(f"{self.name} has no result")
            left_there: CNumber = held[left[0]]
            return left_there
        return evaluator.cast(result, self._kind_of(self._kind))

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

    def _run(
        self, steps: list[Any], held: dict[str, CNumber], kinds: dict[str, IntKind | None]
    ) -> CNumber | None:
        from pycparser import c_ast

        for step in steps:
            if isinstance(step, c_ast.Return) and step.expr is not None:
                return self._value(step.expr, held)
            if isinstance(step, c_ast.Decl):
                kind = getattr(getattr(step.type, "type", None), "names", None)
                if kind is None:
                    raise Unreadable("it declares more than numbers")
                kinds[step.name] = self._kind_of(" ".join(kind))
                if step.init is not None:
                    held[step.name] = self._evaluator.cast(
                        self._value(step.init, held), kinds[step.name]
                    )
            elif isinstance(step, c_ast.Assignment):
                if not isinstance(step.lvalue, c_ast.ID) or step.lvalue.name not in kinds:
                    raise Unreadable("it writes to more than its own variables")
                name, value = step.lvalue.name, self._value(step.rvalue, held)
                if step.op != "=":
                    both = {"a": held.get(name, self._evaluator.plain(0)), "b": value}
                    value = self._evaluator.number(f"(a) {step.op[:-1]} (b)", both)
                held[name] = self._evaluator.cast(value, kinds[name])
            elif isinstance(step, c_ast.If):
                taken = step.iftrue if self._value(step.cond, held).value else step.iffalse
                result = self._run([taken], held, kinds) if taken is not None else None
                if result is not None:
                    return result
            elif isinstance(step, c_ast.Compound):
                result = self._run(step.block_items or [], held, kinds)
                if result is not None:
                    return result
            elif isinstance(step, (c_ast.EmptyStatement, c_ast.Cast, c_ast.Return)):
                continue
            else:
                raise Unreadable(f"it has what is not worked here ({type(step).__name__})")
        return None

    def _value(self, node: Any, held: Mapping[str, CNumber]) -> CNumber:
        from pycparser import c_generator

        return self._evaluator.number(c_generator.CGenerator().visit(node), held)

    def _kind_of(self, told: str) -> IntKind | None:
        """The type of whole numbers among words of a declaration; None where it is none that is known."""
        words = [w for w in re.findall(r"\w+", told) if w not in _NO_TYPE]
        return type_of(words, self._evaluator.model, self._evaluator.types)
