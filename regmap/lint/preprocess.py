"""A C header and what it includes, as a preprocessor leaves them: conditions decided, macros known, places kept.

    unit = preprocess(text, "driver_regs.h", opener)
    unit.items       every macro with a body that is still defined at the end, where it was defined
    unit.evaluator   evaluates in them
    unit.lines       the declarations, line by line, each with its file and line; comments apart
    unit.notes       what was not followed, and why

Directives, conditions and the expansion of macros are the work of `pcpp`, a C99 preprocessor. In
declarations it expands what makes declarations or does not live to the end; a name that stands for a
number stays, because the name tells what the number is about.

A header may be hostile: what is expanded is counted, and conditions are evaluated by our own
evaluator, which is bounded too.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from regmap.record import dataclass, replace

from ..budgets import limit, over
from .defines import LONGEST, Define, define_of, logical_lines, stands_for_number
from .expressions import Evaluator, Macro
from .integers import INTMAX, CNumber, Unreadable, plain
from .units import CodeLine, HeaderUnit

if TYPE_CHECKING:
    from collections.abc import Sequence

#: gives the name and text of what a file includes by a name; None where it is not there
Opener = Callable[[str, str], "tuple[str, str] | None"]
MOST_INCLUDED = 64
MOST_DEEP = 20
_UNDEF = re.compile(r"^[ \t]*#[ \t]*(undef|define)[ \t]+([A-Za-z_]\w*)", re.MULTILINE)
_NAME = re.compile(r"[A-Za-z_]\w*")
_OF_CPP = re.compile(r"\.(?:hpp|hh|hxx|h\+\+|cpp|cc|cxx|ipp)$", re.IGNORECASE)
_IS_CPP = re.compile(
    r"^[ \t]*(?:#[ \t]*include[ \t]*<c(?:stdint|stddef)>|(?:inline[ \t]+)?namespace\b|(?:inline[ \t]+|static[ \t]+)?constexpr\b|enum[ \t]+class\b)",
    re.MULTILINE,
)  # fmt: skip
#: what a compiler of that language defines by itself (ISO C11 6.10.8, ISO C++17 19.8)
_OF_LANGUAGE = {
    False: {"__STDC__": "1", "__STDC_VERSION__": "201112L"},
    True: {"__cplusplus": "201703L"},
}


class _TooMuch(Exception):  # noqa: N818 (never leaves this module)
    """More than the budget allows."""


def preprocess(
    text: str, name: str, opener: Opener | None = None, given: Mapping[str, str] | None = None
) -> HeaderUnit:
    """`given` are macros that the build defines (`-D`), in place of what the language defines by itself."""
    run = _preprocessor()(name, text, opener or (lambda _of, _name: None))
    cpp = bool(_OF_CPP.search(name) or _IS_CPP.search(text))
    for macro, body in {**_OF_LANGUAGE[cpp], **(given or {})}.items():
        run.known(macro, body)
    return run.unit()  # type: ignore[no-any-return]


def _preprocessor() -> Any:
    """The class, made when it is first needed: what it is made from is slow to load."""
    from pcpp import Preprocessor
    from pcpp.parser import LexToken

    class Run(Preprocessor):  # type: ignore[misc,unused-ignore]
        macros: Any
        source: Any
        rewrite_paths: Any
        evaluator: Any

        def __init__(self, name: str, text: str, opener: Opener) -> None:
            self.name, self.opener = name, opener
            self.every: dict[str, Any] = {}
            self.making: dict[str, Any] = {}
            self.fickle: set[str] = set()
            self.texts = {name: text}
            self.logical: dict[tuple[str, int], tuple[str, str, str]] = {}
            self.comments: dict[tuple[str, int], str] = {}
            self.items: dict[str, list[Define]] = {}
            self.own_macros: dict[str, Macro] = {}
            self.notes: list[Define] = []
            self.left = limit("tokens")
            self.included = 0
            self.at = (name, 1)
            super().__init__()
            self.rewrite_paths = []
            self.expand_filemacro = self.expand_linemacro = self.expand_countermacro = False
            for table in (self.macros, self.own_macros, self.making):
                table.clear()  # the library's own macros are none of a compiler
            self.every = self.macros
            self.evaluator = self._condition

        # --- what goes in ---------------------------------------------------------------------
        def known(self, name: str, body: str) -> None:
            self.define(f"{name} {body}")
            self.notes.clear()

        def group_lines(self, _input: str, source: str) -> Iterator[list[Any]]:
            """Each logical line without comments; cut into tokens only where macros or directives stand in it."""
            text = self.texts[source]
            seen = Counter((m[1], m[2]) for m in _UNDEF.finditer(text))
            self.fickle |= {n for (what, n), count in seen.items() if what == "undef" or count > 1}
            open_brackets = 0
            for line, whole, code, comment in logical_lines(text):
                self.at = (source, line)
                if comment:
                    self.comments[source, line] = comment
                if code.lstrip().startswith("#"):
                    self.logical[source, line] = (whole, code, comment)
                    yield self._cut(_shortened(code), source, line)
                    continue
                names = _NAME.findall(code) if self.making else ()
                wanted = open_brackets > 0 or any(n in self.making for n in names)
                if wanted and len(code) > LONGEST:
                    self._note(f"a line of {len(code)} characters, expected at most {LONGEST}")
                    code, wanted = "", False
                if not wanted:
                    yield [self._token("CPP_OTHER", code, source, line), self._end(source, line)]
                    continue
                tokens = self._cut(code, source, line)
                for token in tokens:
                    open_brackets += (token.value == "(") - (token.value == ")")
                open_brackets = max(open_brackets, 0)
                last = names[-1] if names else ""
                if open_brackets == 0 and last in self.making and code.rstrip().endswith(last):
                    open_brackets = 1  # its arguments may stand in the next line
                yield tokens

        def _cut(self, code: str, source: str, line: int) -> list[Any]:
            self.lexer.input(code)
            tokens = []
            while (token := self.lexer.token()) is not None:
                token.source, token.lineno = source, line
                tokens.append(token)
            self._count(len(tokens))
            return [*tokens, self._end(source, line)]

        def _token(self, kind: str, value: str, source: str, line: int) -> Any:
            token = LexToken()
            token.type, token.value, token.lineno, token.lexpos = kind, value, line, 0
            token.source = source
            return token

        def _end(self, source: str, line: int) -> Any:
            return self._token(self.t_NEWLINE, "\n", source, line)

        def _count(self, tokens: int) -> None:
            self.left -= tokens
            if self.left < 0:
                raise _TooMuch("{}, expected {}".format(*over("tokens")))

        def _note(self, why: str, what: str = "") -> None:
            file, line = self.at
            rows = self.texts.get(file, "").split("\n", line)
            whole = rows[line - 1].rstrip("\r") if len(rows) >= line else ""
            self.notes.append(
                Define(
                    name=what or "line", body="", value=None, comment="", line=line, file=file,
                    column=whole.find(what) + 1 if what and what in whole else 1, value_column=1, text=whole, why=why,
                )
            )  # fmt: skip

        # --- directives -----------------------------------------------------------------------
        def on_error(self, _file: str, _line: int, _text: str) -> None:
            """What is wrong with a directive concerns its compiler; here it decides nothing."""

        def on_directive_handle(self, directive: Any, toks: list[Any], *_rest: Any) -> bool:
            self.lastdirective = directive
            if directive.value in ("ifdef", "ifndef", "if", "define", "undef", "pragma"):
                # a directive without what belongs behind it: blanks, which are no name and no number
                blanks = [self._token(self.t_SPACE, " ", *self.at) for _ in range(4)]
                toks.extend(blanks[len(toks) :])
            return True

        def on_directive_unknown(self, directive: Any, toks: list[Any], *_rest: Any) -> bool:
            if directive.value == "error":
                told = " ".join("".join(t.value for t in toks).split())
                self._note(f"#error {told[:80]}: a condition of this file leads there", "error")
            return True

        def define(self, tokens: Any) -> None:
            if isinstance(tokens, str):
                tokens = self.tokenize(tokens)
            name = tokens[0]
            if name.type != self.t_ID:
                return
            try:
                super().define(_stripped(self, tokens))
            except (IndexError, AttributeError):
                return  # parameters that are none
            item = None
            if (name.source, name.lineno) in self.logical:
                item = define_of(name.source, name.lineno, *self.logical[name.source, name.lineno])
            if item is not None:
                self.items.setdefault(name.value, []).append(item)
                macro = Macro(item.params, item.body)
            else:
                macro = Macro(None, "".join(t.value for t in tokens[1:]).strip())
            self.own_macros[name.value] = macro
            made = self.every.get(name.value)
            if made is not None and (
                name.value in self.fickle or not stands_for_number(macro, self.making)
            ):
                self.making[name.value] = made
            else:
                self.making.pop(name.value, None)

        def undef(self, tokens: Any) -> None:
            super().undef(tokens)
            for known in (self.items, self.own_macros, self.making):
                known.pop(tokens[0].value, None)

        def include(self, tokens: list[Any], _line: list[Any]) -> Iterator[Any]:
            told = "".join(t.value for t in tokens).strip()
            quoted = re.fullmatch(r'"([^"\n]{1,200})"|<([^<>\n]{1,200})>', told)
            if quoted is None:
                return
            of, at = self.source, self.at
            found = self.opener(of, quoted[1] or quoted[2])
            if found is None:
                if quoted[1]:
                    self._note(f"#include {told} was not found beside the header or below", told)
                return
            name, text = found
            if name in self.include_once:
                return
            self.included += 1
            if self.included > MOST_INCLUDED or self.include_depth > MOST_DEEP:
                self._note(
                    f"more than {MOST_INCLUDED} files, or {MOST_DEEP} within one another", told
                )
                return
            self.texts[name] = text
            yield from self.parsegen(text, name, name)
            self.source, self.at = of, at

        # --- conditions and macros -----------------------------------------------------------
        def _condition(self, tokens: Sequence[Any], **_names: Any) -> Any:
            """Whether an expanded condition holds; a name that is no macro is 0 (ISO C11 6.10.1)."""
            text = "".join(" " if t.type in self.t_WS else t.value for t in tokens)

            class Zero(dict[str, CNumber]):
                def __contains__(self, _name: object) -> bool:
                    return True

                def __missing__(self, _name: str) -> CNumber:
                    return plain(0, INTMAX)

            try:
                value = Evaluator({}, INTMAX).value(text, Zero())
            except Unreadable as error:
                self._note(
                    f"this condition was not evaluated, and counts as not met: {error}", "if"
                )
                value = 0
            return _Result(value)

        def evalexpr(self, tokens: list[Any]) -> Any:
            for at, token in enumerate(tokens):
                if token.value in ("__has_include", "__has_attribute", "__has_builtin"):
                    # what its brackets hold is no expression
                    del tokens[at + 1 :]
                    token.type, token.value = self.t_INTEGER, "0"
                    break
            self.making, kept = self.every, self.making
            try:
                return super().evalexpr(tokens)
            except RecursionError:
                self._note(
                    "this condition was not evaluated, and counts as not met: too deep", "if"
                )
                return (0, None)
            finally:
                self.making = kept

        def expand_macros(self, tokens: list[Any], expanding_from: Sequence[str] = ()) -> list[Any]:
            """In declarations, only what makes declarations; statement by statement, so that the cost stays in proportion."""
            if self.macros is not self.every:
                self._count(len(tokens))
                made: list[Any] = super().expand_macros(tokens, list(expanding_from))
                self._count(len(made))  # the macro around it looks at all of them again
                return made
            self.macros = self.making
            try:
                if self.making is self.every:
                    self.macros = MappingProxyType(self.every)
                out: list[Any] = []
                for part in _statements(tokens):
                    if any(t.value in self.macros for t in part):
                        out += super().expand_macros(part, list(expanding_from))
                    else:
                        out += part
                return out
            finally:
                self.macros = self.every

        def _spelt_out(self, item: Define) -> Define:
            """With macros expanded that paste or make more than numbers: UL(6) is 6UL."""
            wanted = any(n in self.making for n in _NAME.findall(item.body))
            if not wanted or item.params is not None or len(item.body) > LONGEST:
                return item
            tokens = self.expand_macros(
                self._cut(item.body, item.file, item.line)[:-1], [item.name]
            )
            body = "".join(t.value for t in tokens)
            self.own_macros[item.name] = Macro(None, body)
            return replace(item, expanded=body)

        # --- what comes out -------------------------------------------------------------------
        def unit(self) -> HeaderUnit:
            lines: list[CodeLine] = []
            parts: list[str] = []
            at: tuple[str, int] | None = None
            stopped = None
            try:
                for token in self.parsegen(self.texts[self.name], self.name, self.name):
                    if at != (token.source, token.lineno):
                        if at is not None:
                            lines.append(CodeLine(*at, "".join(parts)))
                        at, parts = (token.source, token.lineno), []
                    if token.value != "\n":
                        parts.append(token.value)
            except (_TooMuch, RecursionError) as error:
                why = (
                    str(error) if isinstance(error, _TooMuch) else "macros within macros, too deep"
                )
                self._note(why)
                stopped = self.notes.pop()
            if at is not None:
                lines.append(CodeLine(*at, "".join(parts)))
            items = [i for rows in self.items.values() for i in rows if i.body]
            if stopped is None:
                try:
                    items = [self._spelt_out(i) for i in items]
                except (_TooMuch, RecursionError) as error:
                    self._note(str(error))
                    stopped = self.notes.pop()
            return HeaderUnit(
                items=items,
                evaluator=Evaluator(self.own_macros),
                lines=lines,
                notes=self.notes,
                stopped=stopped,
                texts=self.texts,
                comments=self.comments,
            )

    return Run


@dataclass(frozen=True, slots=True)
class _Result:
    number: int

    def value(self) -> int:
        return self.number


def _shortened(code: str) -> str:
    """A directive of more characters than anybody evaluates is known by its beginning."""
    return code if len(code) <= LONGEST else code[:LONGEST].rpartition(" ")[0]


def _stripped(run: Any, tokens: list[Any]) -> list[Any]:
    while len(tokens) > 1 and tokens[-1].type in run.t_WS:
        tokens = tokens[:-1]
    return tokens


def _statements(tokens: list[Any]) -> Iterator[list[Any]]:
    start = depth = 0
    for at, token in enumerate(tokens):
        depth = max(depth + (token.value == "(") - (token.value == ")"), 0)
        if depth == 0 and (token.type == "CPP_OTHER" or token.value in (";", "{", "}", ",")):
            yield tokens[start : at + 1]
            start = at + 1
    yield tokens[start:]
