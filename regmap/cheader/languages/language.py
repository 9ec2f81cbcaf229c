"""What C++ and Rust say alike: registers, frames and tables, walked once over the same model.

A language is the syntax alone: how a constant, a function, a table is written. Expressions are common to
both, on the type `Wide` (32 bits, 64 where a frame or a register needs them):

    (take(frame, 9, 1) << 3) | take(frame, 1, 3)      bits 9, 3..1, of any order and place
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from types import ModuleType
from typing import TYPE_CHECKING

from ...chip.model import Part
from ..bitcode import runs
from ..clearing import AT_POWER_UP, FORGET_RESET, NAME, NOT_RESET
from ..names import KEYWORDS, word
from ..text import comment, fold

if TYPE_CHECKING:
    from ..chainstream import Stream
    from ..sheet import Sheet
    from .module import FrameModule

RUST_WORDS = frozenset(
    [
        "as",
        "async",
        "await",
        "become",
        "box",
        "crate",
        "dyn",
        "extern",
        "final",
        "fn",
        "gen",
        "impl",
        "in",
        "let",
        "loop",
        "macro",
        "match",
        "mod",
        "move",
        "mut",
        "override",
        "priv",
        "pub",
        "ref",
        "self",
        "super",
        "trait",
        "type",
        "unsized",
        "use",
        "where",
        "yield",
        "abstract",
        "do",
        "try",
        "typeof",
        "virtual",
    ]
)

Field = tuple[str, str, str]  # name, type, remark


class Language:
    """The syntax of one language; `wide` is 32 or 64."""

    name = ""
    suffix = ""  # of unsigned numbers
    driver_words: ModuleType  # its text of the driver, of what explains faults, ...
    chain_words: ModuleType  # ... of a daisy chain, ...
    asked_words: ModuleType  # ... of what a chip alone is asked beside tables, ...
    job_words: ModuleType  # ... and of what goes a call a tick, with places between @

    def __init__(self, wide: int) -> None:
        self.wide_bits = wide

    # --- expressions -----------------------------------------------------------------------------
    def number(self, value: int, bits: int = 0) -> str:
        return f"0x{value:0{max((bits + 3) // 4, 1)}X}{self.suffix}"

    def count(self, value: int) -> str:
        return f"{value}{self.suffix}"

    def uint(self, bits: int) -> str:
        raise NotImplementedError

    def constant(self, name: str) -> str:
        """The name of a constant."""
        raise NotImplementedError

    def widen(self, expr: str) -> str:
        raise NotImplementedError

    def narrow(self, expr: str, bits: int) -> str:
        raise NotImplementedError

    def helper(self, name: str) -> str:
        """The full name of a helper function."""
        raise NotImplementedError

    def take(self, source: str, bits: Sequence[int]) -> str:
        """The value of `bits`, first most significant, of a wide variable."""
        pieces = []
        for low, at, width in runs(tuple(bits)):
            piece = f"{self.helper('take')}({source}, {self.count(low)}, {self.count(width)})"
            pieces.append(f"({piece} << {self.count(at)})" if at else piece)
        return " | ".join(pieces)

    def put(self, value: str, bits: Sequence[int]) -> str:
        """The wide word that holds the low end of a wide variable in `bits`."""
        pieces = []
        for low, at, width in runs(tuple(bits)):
            piece = f"{self.helper('take')}({value}, {self.count(at)}, {self.count(width)})"
            pieces.append(f"({piece} << {self.count(low)})" if low else piece)
        return " | ".join(pieces)

    def remark(self, text: str | Sequence[str], indent: str = "") -> list[str]:
        lines = []
        for paragraph in [text] if isinstance(text, str) else text:
            for line in fold(comment(paragraph), 96 - len(indent)):
                lines.append(f"{indent}// {line}".rstrip())
        return lines

    # --- what runs the tables: the same pieces, in the text of each language -----------------------
    def driver(
        self, sheet: Sheet, modules: Sequence[FrameModule], rounds: tuple[int, int] | None
    ) -> list[str]:
        """The driver with what the map and the stage allow; `rounds` as `restart` takes them, None where no read is harmless."""
        words, asked = self.driver_words, self.asked_words
        alone = not sheet.chained
        resync = ""
        if rounds is not None and alone:
            resync = asked.RESYNC.replace("@ROUNDS@", str(rounds[0]))
            resync = resync.replace("@FORMAT@", str(rounds[1]))
        watch = asked.WATCH.replace("@RESET@", asked.WATCH_RESET if sheet.reset_told else "")
        status, restart = self.status(whole=False, there=alone and "status" in sheet.plans), {}
        if alone and rounds is not None and {"init", "warm"} <= set(sheet.plans):
            restart = self.restart(sheet, set(sheet.plans), rounds, whole=False)
        text = words.DRIVER
        forget = self.job_words.FORGET if sheet.chained or restart else ""
        for key, piece in (
            # one chip of a chain is not reached alone: what would try is not there
            ("@EXCHANGE@", words.EXCHANGE if alone else ""),
            ("@TICKS@", words.TICKS if alone else ""),
            ("@STATUS@", status.get("text", "")),
            ("@STATUS_AGAIN@", status.get("own", "")),
            ("@RESYNC@", resync),
            (
                "@CLEAR@",
                asked.CLEAR if alone and rounds is not None and NAME in sheet.plans else "",
            ),
            ("@RESTART@", restart.get("text", "") + forget),
            ("@RESTART_WITH@", restart.get("own", "")),
            (
                "@JOB_TYPES@",
                (asked.RESYNC_TYPE if resync else "")
                + status.get("type", "")
                + restart.get("type", ""),
            ),
            ("@WATCH@", watch if alone and "readback" in sheet.plans else ""),
            ("@FORMATS@", str(len(modules))),
            ("@DEPTH@", str(max(1, *(m.frame.after for m in modules)))),
            *self.reset_words(sheet, words, asked, NOT_RESET in sheet.plans).items(),
        ):
            text = text.replace(key, piece)
        return _lines(text)

    def status(self, *, whole: bool, there: bool = True) -> dict[str, str]:
        """A status read that goes a call a tick, of a chip alone or of the `whole` chain: its type, routines, and what is private."""
        if not there:
            return {}
        words = self.job_words
        pieces = words.WORDS_ALL if whole else words.WORDS_ALONE
        own = words.STATUS_AGAIN_ALL if whole else words.STATUS_AGAIN
        return {
            "type": _filled(words.STATUS_TYPE, pieces),
            "text": _filled(words.STATUS, pieces),
            "own": own,
        }

    def restart(
        self, sheet: Sheet, tables: set[str], rounds: tuple[int, int], *, whole: bool
    ) -> dict[str, str]:
        """The way back from any step, as `status`; `tables` are those that there are.

        `rounds` are the harmless reads that bring counters in step, and their layout.
        """
        words, first, clears = self.job_words, sheet.after_power_up, NAME in tables
        called = table_names(sheet.plans)
        pieces = dict(words.BACK_ALL if whole else words.BACK_ALONE)
        if not first:
            pieces["LATER"] = ""
        pieces |= {
            "STANDS": words.RESTART_STANDS if FORGET_RESET in tables else "",
            "CLEARS": words.RESTART_CLEARS if clears else "",
            "CLEARS_FIRST": words.RESTART_CLEARS_FIRST if clears else "",
            "AGAIN": words.RESTART_AGAIN if first else "",
            "FIRST": str(first),
            "ROUNDS": str(rounds[0]),
            "FORMAT": str(rounds[1]),
        }
        late = AT_POWER_UP if AT_POWER_UP in tables else NAME
        for piece, name in (
            ("warm", "warm"),
            ("init", "init"),
            ("clear", NAME),
            ("late", late),
            (FORGET_RESET, FORGET_RESET),
        ):
            pieces[piece] = self.constant(called[name]) if name in tables else ""
        forget = words.FORGET_ALL if whole else ""
        own = words.RESTART_WITH_ALL if whole else words.RESTART_WITH
        return {
            "type": _filled(words.RESTART_TYPE, pieces),
            "text": _filled(words.RESTART, pieces) + forget,
            "own": own,
        }

    def reset_words(
        self, sheet: Sheet, words: ModuleType, asked: ModuleType, steps: bool
    ) -> dict[str, str]:
        """What stands for the places that have to do with a reset of the chip, in the text of the driver or the chain (`words`).

        `asked` has what ends a resync; `steps` where a table shows that a chip was not reset, which replies do not tell.
        """
        told, twice = sheet.reset_told, sheet.reset_doubted
        doubtful = words.DOUBTFUL_TWICE if twice else words.DOUBTFUL
        found = asked.NOT_RESET if told else asked.NOT_RESET_STEPS if steps else ""
        table = self.constant(table_names(sheet.plans).get(NOT_RESET, ""))
        jobs = self.job_words
        pieces = {
            "@ENDED@": words.ENDED_RESET if told else "",
            "@TELLING@": words.TELLING if told else "",
            "@NOT_RESET@": found,
            "@NOT_RESET_TABLE@": table,
            "@DOUBTFUL@": doubtful,
            "@FORGET_SETTLED@": jobs.FORGET_SETTLED * told + jobs.FORGET_DOUBT * twice,
        }
        for name, without in (("UNLESS_LOST", ""), ("LENIENT_OK", "Outcome::Ok")):
            pieces[f"@{name}@"] = getattr(words, name, "") if told else without
        if hasattr(words, "WATCHED"):
            pieces["@WATCHED@"] = words.WATCHED_RESET if told else words.WATCHED
            return pieces
        pieces["@UP@"] = words.UP_TWICE if twice else words.UP
        for name, there in (("DOUBT_FIELD", twice), ("SETTLED_FIELD", told), ("DOUBT_NEW", twice), ("SETTLED_NEW", told)):  # fmt: skip
            pieces[f"@{name}@"] = getattr(words, name, "") if there else ""
        return pieces

    def explain(self) -> list[str]:
        return _lines(self.driver_words.EXPLAIN)

    def monitors(self, kind: str, steps: str) -> list[str]:
        """What runs the tests of monitors in the table `steps`; a bit for each in a `kind`."""
        text = self.asked_words.MONITORS
        return _lines(text.replace("@KIND@", kind).replace("@STEPS@", steps))

    def streams(self, shape: Stream) -> list[str]:
        """The functions that make a stream of a daisy chain and take one apart."""
        return stream_text(self, shape, self.chain_words)

    def chain(
        self, sheet: Sheet, rounds: tuple[int, int] | None, *, status: bool, every: set[str]
    ) -> list[str]:
        """What runs the tables of all positions.

        `status` where one of them has reads of its status; `every` are the tables that each position with a stage has.
        """
        words = self.chain_words
        text = words.RUNNER.replace("@CHIPS@", ", ".join([words.ALONE] * sheet.chips))
        for key, piece in self.reset_words(sheet, words, words, NOT_RESET in every).items():
            text = text.replace(key, piece)
        there = rounds is not None and {"init", "warm"} <= every
        restart = self.restart(sheet, every, rounds, whole=True) if there and rounds else {}
        read = self.status(whole=True, there=status)
        for key, piece in (
            ("@STATUS@", read.get("text", "")),
            ("@STATUS_AGAIN@", read.get("own", "")),
            ("@CLEAR@", words.CLEAR if NAME in every else ""),
            ("@RESTART@", restart.get("text", "")),
            ("@RESTART_WITH@", restart.get("own", "")),
            ("@JOB_TYPES@", read.get("type", "") + restart.get("type", "")),
            ("@ROUNDS@", str(rounds[0] if rounds is not None else 1)),
        ):
            text = text.replace(key, piece)
        return _lines(text)

    # --- the test for the target -----------------------------------------------------------------
    def blocks(self, group: Sequence[tuple[str, list[str]]]) -> list[str]:
        """Checks, each with what it is about; those of several statements in brackets."""
        lines: list[str] = []
        for about, statements in group:
            lines += self.remark(about, "    ") if about else []
            if len(statements) == 1:
                lines.append(f"    {statements[0]}")
            else:
                lines += ["    {", *(f"        {s}" for s in statements), "    }"]
        return lines


def _filled(text: str, pieces: Mapping[str, str]) -> str:
    """The text with what stands between @ put in, until none of it is left."""
    before = ""
    while text != before:
        before = text
        for name, piece in pieces.items():
            text = text.replace(f"@{name}@", piece)
    return text


def _lines(text: str) -> list[str]:
    return text.split("\n")


def local(text: str, taken: set[str]) -> str:
    """A name in lower case that is a keyword of no language, unique within `taken`, which it joins."""
    name = word(text).lower() or "part"
    if name[0].isdigit():
        name = f"n{name}"
    if name in KEYWORDS or name in RUST_WORDS:
        name = f"{name}_"
    unique, index = name, 2
    while unique in taken:
        unique, index = f"{name}_{index}", index + 1
    taken.add(unique)
    return unique


def named(sheet: Sheet, of: str, text: str, taken: set[str]) -> str:
    """As `local`; a note says so where it is not the map's own word. `of` is what the name is of."""
    name = local(text, taken)
    if name != text.lower():
        sheet.names.note(f"{of} is called {name}")
    return name


def table_names(plans: Iterable[str]) -> dict[str, str]:
    """What each table of steps is called, in lower case."""
    taken: set[str] = set()
    return {n: f"{local(n.removesuffix('_steps'), taken)}_steps" for n in plans}


# --- a daisy chain --------------------------------------------------------------------------------
def stream_text(lang: Language, shape: Stream, words: ModuleType) -> list[str]:
    """The functions that make a stream and take one apart; `words` holds the language's text of each piece."""
    at, out = shape.lead, []
    for (value, bits), header in zip(shape.headers, shape.chain.headers, strict=True):
        terms = [lang.number(value, bits)]
        for index, name in enumerate(shape.commands):
            if name in header.commands:
                mask = lang.number(1 << header.commands[name], bits)
                terms.append(words.OUT_COMMAND.format(bit=1 << index, mask=mask))
        out.append(words.OUT_HEADER.format(at=at, value=" | ".join(terms), bits=bits))
        at += bits
    if not shape.commands:
        out.append(words.NO_COMMANDS)
    pieces = [
        words.OUT_PIECE.format(first=first + shape.lead, size=size, left=left)
        for first, size, left in shape.command_rounds
    ]
    heads = [
        words.IN_HEADER.format(
            at=first, bits=bits, mask=lang.number(mask, bits), value=lang.number(value, bits)
        )
        for first, bits, mask, value in shape.reply_headers()
    ]
    back = [
        words.IN_PIECE.format(first=first, size=size, left=left)
        for first, size, left in shape.reply_rounds
    ]
    text: str = words.STREAM
    for key, lines in (
        ("@OUT_HEADERS@", out),
        ("@OUT@", pieces),
        ("@IN_HEADERS@", [*words.SOUND, *heads]),
        ("@IN@", back),
    ):
        text = text.replace(key, "".join(f"{line}\n" for line in lines))
    return text.split("\n")


# --- what frames are made of ----------------------------------------------------------------------
Bits = tuple[tuple[str, int], ...]  # (word they are of, bit), first fed first


def fed_groups(part: Part) -> list[tuple[int, int, Bits]]:
    """What a checksum is fed with, in groups of at most eight bits, in the order of feeding.

    Each is (constant, its bits, then bits of `sent` and `frame`), where the constant comes of the prefix;
    as `regmap.chip.guard` defines it: over one stream of prefix, answered command and frame.
    """
    prefix, prefix_bits = part.prefix
    stream: list[int | tuple[str, int]] = [prefix >> n & 1 for n in range(prefix_bits - 1, -1, -1)]
    stream += [("sent", b) for b in part.over_command]
    stream += [("frame", b) for b in part.over]
    groups = []
    for at in range(0, len(stream), 8):
        group = stream[at : at + 8]
        constant, fixed, bits = 0, 0, []
        for item in group:
            if isinstance(item, int):
                constant, fixed = constant << 1 | item, fixed + 1
            else:
                bits.append(item)
        groups.append((constant, fixed, tuple(bits)))
    return groups
