"""What may stand at the cursor. Pure but for the files that it looks at: words in, candidates out.

An argument's kind is told by its name in the help (MAP, STAGE, REG.FIELD, ...), so that what a command
says it takes is what is offered; a test holds that every name stands in one of the two tables.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import chain

from regmap.record import dataclass, replace

from ..plaintext import visible
from .chips import Sight
from .files import CAPTURES, YAML, bundled_documents, entries
from .place import Place, find_place

#: more options of one value than a person can look through are not offered
MOST = 1024


@dataclass(frozen=True, slots=True)
class Candidate:
    """A word that may stand there; `open` where something goes on behind it without a blank."""

    text: str
    meaning: str = ""
    open: bool = False


def answer(words: Sequence[str], *, quoted: bool = False) -> list[Candidate]:
    """Candidates for the last of `words`, which follow the program's name.

    `quoted` says that the word stands in quotes, so that values may have blanks.
    """
    from ..main import COMMANDS, build_parser

    chosen = next((w for w in words[:-1] if not w.startswith("-")), None)
    if chosen is None:
        return list(_commands(words[-1]))
    if chosen not in COMMANDS:
        return []
    place = find_place(build_parser(chosen), words)
    found = [*_options(place)]
    for action in dict.fromkeys(a for a in (place.action, place.positional) if a is not None):
        found += _of_action(place, action, quoted)
    begun = [replace(c, text=place.before + c.text) for c in _fitting(found, place.typed)]
    return [c for c in begun if c.text.isprintable()]


def _commands(typed: str) -> Iterator[Candidate]:
    from ..main import COMMANDS, build_parser

    if typed.startswith("-"):
        yield from _options(find_place(build_parser("none"), [typed]))
        return
    for name, (_, text) in COMMANDS.items():
        if name.startswith(typed):
            yield Candidate(name, text)


def _options(place: Place) -> Iterator[Candidate]:
    for action in place.options:
        long = [o for o in action.option_strings if o.startswith("--")]
        for name in long or action.option_strings:
            if name.startswith(place.typed):
                yield Candidate(name, visible((action.help or "").replace("%%", "%")))


def _of_action(place: Place, action: argparse.Action, quoted: bool) -> Iterator[Candidate]:
    if isinstance(action, argparse._SubParsersAction):
        told = {a.dest: a.help or "" for a in action._choices_actions}
        yield from (Candidate(name, told.get(name, "")) for name in action.choices)
        return
    if action.choices is not None:
        yield from (Candidate(str(c)) for c in action.choices)
        return
    kind = kind_of_argument(place.command, action)
    if kind in KINDS:
        ask = Ask(place, Sight(place.command, place.known), quoted or " " in place.typed)
        yield from KINDS[kind](ask)


def _fitting(found: Iterable[Candidate], typed: str) -> list[Candidate]:
    """Those that begin with what is typed; in any case where none does; by a field's own name where none does."""
    found = list({c.text: c for c in found}.values())
    low = typed.casefold()
    return (
        [c for c in found if c.text.startswith(typed)]
        or [c for c in found if c.text.casefold().startswith(low)]
        or [c for c in found if c.text.partition(".")[2].casefold().startswith(low)]
    )


# --- kinds of arguments ---------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class Ask:
    """What a kind is asked: the place, the chip and stage named before it, whether blanks are fine."""

    place: Place
    sight: Sight
    spaced: bool

    @property
    def typed(self) -> str:
        return self.place.typed


def levels(pairs: Iterable[tuple[str, str]], typed: str, end: str = "") -> Iterator[Candidate]:
    """Names of REG.FIELD in two steps: registers first, where several fit; `end` follows a whole name."""
    named = list(pairs)
    fits = [n for n, _ in named if n.casefold().startswith(typed.casefold())]
    heads = {n.partition(".")[0] for n in fits if "." in n}
    deep = "." in typed or len(heads) < 2
    seen: set[str] = set()
    for name, meaning in named:
        head, dot, _ = name.partition(".")
        if dot and not deep and head in heads:
            if head not in seen:
                seen.add(head)
                yield Candidate(head + ".", "", open=True)
        else:
            yield Candidate(name + end, meaning, open=bool(end))


def _documents(*kinds: str) -> Callable[[Ask], Iterator[Candidate]]:
    def offered(ask: Ask) -> Iterator[Candidate]:
        yield from (Candidate(name, "bundled") for name in bundled_documents(kinds))
        yield from paths(ask.typed, YAML, kinds)

    return offered


def _files(*endings: str) -> Callable[[Ask], Iterator[Candidate]]:
    return lambda ask: paths(ask.typed, endings)


def paths(typed: str, endings: tuple[str, ...], kinds: tuple[str, ...] = ()) -> Iterator[Candidate]:
    for text in entries(typed, endings, kinds):
        yield Candidate(text, open=text.endswith("/"))


def _groups(_: Ask) -> Iterator[Candidate]:
    yield from (Candidate(name) for name in ("all", "unit", "firmware", "test", "variant"))


def _modes(ask: Ask) -> Iterator[Candidate]:
    """The modes of the stage, and the stage without one where it has any."""
    found = list(_pairs("modes")(ask))
    if found:
        yield Candidate("as_stated", "the stage without a mode")
    yield from found


def _folders(ask: Ask) -> Iterator[Candidate]:
    yield from (c for c in paths(ask.typed, ("/",)) if c.open)


def _settings(ask: Ask) -> Iterator[Candidate]:
    yield from levels(ask.sight.settings(), ask.typed)


def _assigned(ask: Ask, names: Iterable[tuple[str, str]]) -> Iterator[Candidate]:
    """NAME= and, after it, the values that NAME can have."""
    name, equals, value = ask.typed.partition("=")
    if not equals:
        yield from levels(names, ask.typed, "=")
        return
    blank = " " if value.startswith(" ") else ""
    name = ask.sight.full_name(name.rstrip())
    for text, meaning in ask.sight.values(name, spaced=ask.spaced, most=MOST):
        yield Candidate(f"{ask.typed.partition('=')[0]}={blank}{text}", meaning)


def _overrides(ask: Ask) -> Iterator[Candidate]:
    yield from _assigned(ask, [*ask.sight.settings(), *ask.sight.inputs()])


def _requests(ask: Ask) -> Iterator[Candidate]:
    sight = ask.sight
    if ask.typed.casefold().startswith("read:"):
        yield from (Candidate(f"read:{n}", t) for n, t in sight.registers("read"))
        return
    yield from _assigned(ask, sight.settings())
    if "=" not in ask.typed:
        yield Candidate("read:", "reads a register", open=True)
        yield from (Candidate(n, t) for n, t in sight.requests())


def _names(ask: Ask) -> Iterator[Candidate]:
    """A register, a field, or any other name of the map; fields once their register is told."""
    sight = ask.sight
    fits = [n for n, _ in sight.registers() if n.casefold().startswith(ask.typed.casefold())]
    if "." in ask.typed or len(fits) == 1 or not fits:
        yield from (Candidate(n, t) for n, t in sight.fields())
    yield from (Candidate(n, t) for n, t in [*sight.registers(), *sight.others()])


def _registers(what: str = "", end: str = "") -> Callable[[Ask], Iterator[Candidate]]:
    def offered(ask: Ask) -> Iterator[Candidate]:
        if end and end in ask.typed:
            return
        for name, text in ask.sight.registers(what):
            yield Candidate(name + end, text, open=bool(end))

    return offered


def _sections(ask: Ask) -> Iterator[Candidate]:
    from regmap.cheader import SECTIONS

    done, comma, _ = ask.typed.rpartition(",")
    for name, (text, _needs) in SECTIONS.items():
        if name not in done.split(","):
            yield Candidate(done + comma + name, text)


def _disturbances(ask: Ask) -> Iterator[Candidate]:
    from regmap.twin import LINE_DISTURBANCES, SPI_DISTURBANCES

    if " " in ask.typed:
        return
    yield from (Candidate(n.lower(), t) for n, t in ask.sight.faults(causes=True))
    yield from (Candidate(n, t) for n, t in {**SPI_DISTURBANCES, **LINE_DISTURBANCES}.items())


def _reasons(_: Ask) -> Iterator[Candidate]:
    from regmap.trace.telling.gate import STOPS

    yield from (Candidate(n, t) for n, t in STOPS.items())


def _duties(_: Ask) -> Iterator[Candidate]:
    from regmap.calc.duty import DUTIES

    yield from (Candidate(n, f"{n} duty of the high side that the stage states") for n in DUTIES)
    yield from (Candidate(n, "one switch stays on, the other one off") for n in ("0%", "100%"))


def _roles(ask: Ask) -> Iterator[Candidate]:
    from ..capture import ROLES

    if "=" not in ask.typed:
        yield from (Candidate(r + "=", open=True) for r in ROLES)


def _compared(ask: Ask) -> Iterator[Candidate]:
    yield from _documents("stage")(ask)
    yield from paths(ask.typed, (*CAPTURES, ".json", ".jsonl"))
    yield from _registers(end="=")(ask)


def _campaigns(ask: Ask) -> Iterator[Candidate]:
    before = ask.place.known.get("what", [])
    if not before:
        yield Candidate("new", "writes the plan instead")
        yield from _documents("campaign", "stage", "map")(ask)
    elif before == ["new"]:
        yield from _documents("stage", "map")(ask)


def _ports(ask: Ask) -> Iterator[Candidate]:
    yield Candidate("list", "the ports of this machine")
    yield Candidate("kit", "what an adapter of your own needs")
    if ask.typed:
        yield from paths(ask.typed, ())


def _topics(_: Ask) -> Iterator[Candidate]:
    from ..help import TOPICS
    from ..main import COMMANDS

    yield from (Candidate(n, t.title) for n, t in TOPICS.items())
    yield from (Candidate(n, t) for n, (_, t) in COMMANDS.items())


def _schemas(_: Ask) -> Iterator[Candidate]:
    from ..schema import DOCUMENTS, outputs

    yield from (Candidate(n, t) for n, t in DOCUMENTS.items())
    yield from (Candidate(n, "output") for n in outputs())


def _pairs(what: str) -> Callable[[Ask], Iterator[Candidate]]:
    return lambda ask: (Candidate(n, t) for n, t in getattr(ask.sight, what)())


#: what a map can be taken over from
SHEETS = (".pdf", ".xlsx", ".csv", ".tsv", ".txt", ".md", ".html", ".htm", ".xml", ".rdl")

#: what to offer for an argument, by its name in the help
KINDS: dict[str, Callable[[Ask], Iterator[Candidate]]] = {
    "MAP": _documents("map"),
    "STAGE": _documents("stage"),
    "MAP|STAGE": _documents("map", "stage"),
    "STAGE|MAP": _documents("map", "stage"),
    "vet FILE": _documents("map", "stage", "setup"),
    "FILE | new STAGE|MAP": _campaigns,
    "FILE.h": _files(".h"),
    "FILE.c": _files(".c"),
    "FILE.d": _files(".d"),
    "FILE.vcd": _files(".vcd"),
    "FILE.xml": _files(".xml"),
    "capture FILE": _files(*CAPTURES),
    "CAPTURE": _files(*CAPTURES),
    "CAPTURE|FOLDER": _files(*CAPTURES),
    "survey --manifest": _files(".csv", *YAML),
    "new DIR": _folders,
    "new -o": _files(*YAML),
    "SOURCE": _files(*SHEETS),
    "propose -o": _files(*YAML),
    "report -o": _files(".html"),
    "campaign -o": _files(".jsonl", ".json", *YAML),
    "campaign --resume": _files(".jsonl", ".json"),
    "check --html": _files(".html"),
    "survey --html": _files(".html"),
    "GROUP": _groups,
    "vet --patch": _files(".diff", ".patch"),
    "vet --sarif": _files(".sarif"),
    "check --spice": _files(".cir", ".sp", ".spice"),
    "FOLDER": _folders,
    "PORT": _ports,
    "REQUEST": _requests,
    "NAME=VALUE": _overrides,
    "REG.FIELD": _settings,
    "REG.FIELD=REASON": lambda ask: levels(ask.sight.settings(), ask.typed, "="),
    "REG[.FIELD]": _names,
    "REG": _registers("read"),
    "decode --to": _registers("read"),
    "REG=WORD": _registers(end="="),
    "REG=WORD|REG:REPLY|COMMAND:REPLY": _registers("status", "="),
    "COMMAND": _pairs("commands"),
    "CHECK": _pairs("checks"),
    "DUTY": _duties,
    "CHECK|STAGE": lambda ask: chain(_pairs("checks")(ask), _documents("stage")(ask)),
    "sweep NAME": lambda ask: levels([*ask.sight.settings(), *ask.sight.inputs()], ask.typed),
    "capture NAME": lambda ask: (Candidate(n, t) for n, t in ask.sight.faults()),
    "MODE": _modes,
    "KIND": _pairs("kinds"),
    "REASON": _reasons,
    "ROLE=NAME": _roles,
    "SECTION,...": _sections,
    "WHAT": _disturbances,
    "B": _compared,
    "TOPIC": _topics,
    "schema NAME": _schemas,
    "report --trace": _files(".csv", ".reqif", ".xml"),
    "RESULTS": _files(),
    "FILE": _files(),
}

#: arguments whose values only the person knows: numbers, times, words that were read, names of their own
OWN = frozenset(
    (
        *(
            "N",
            "K",
            "T",
            "F",
            "TIME",
            "PERCENT",
            "FREQUENCY",
            "VOLTAGE",
            "SIZE",
            "NAME[=VALUE]",
            "WORD",
            "FRAME",
            "SPAN",
            "PAGES",
        ),
        *("DATE", "PREFIX", "NAME", "NAME=N", "LOW,HIGH", "socket://HOST:PORT"),
        *("twin PORT", "encode NAME=VALUE", "survey --columns"),
    )
)


def kind_of_argument(command: str, action: argparse.Action) -> str:
    """Under what name an argument stands in KINDS or OWN."""
    metavar = str(action.metavar or action.dest.upper())
    first = command.partition(" ")[0]
    options = [f"{first} {o}" for o in action.option_strings]
    for name in (*options, f"{first} {metavar}"):
        if name in KINDS or name in OWN:
            return name
    return metavar
