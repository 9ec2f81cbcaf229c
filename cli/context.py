"""Streams, terminal traits and exit statuses in one object that every command is handed."""

from __future__ import annotations

import contextlib
import enum
import io
import os
import re
import sys
from collections.abc import Iterable, Mapping
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO, cast

from regmap.chip.bits import hexword as hexword  # for the commands
from regmap.files import Gate
from regmap.record import dataclass, field

from .plaintext import json_safe, visible

if TYPE_CHECKING:
    from regmap.chip.model import Chip
    from regmap.stages.load import Stage

SCHEMA = 1


class Status(enum.IntEnum):
    """Exit statuses; the table in README.md is this one."""

    OK = 0
    FINDINGS = 1
    USAGE = 2
    LINK = 3
    INTERRUPTED = 130


_STYLES = {"bad": "31;1", "good": "32", "warn": "33", "dim": "2", "head": "1", "mark": "36"}


#: Exactly what `style` writes; no other sequence reaches a terminal.
_COLOURS = re.compile("(\x1b\\[(?:" + "|".join(["0", *_STYLES.values()]) + ")m)")


def _stream(stream: TextIO | None, mode: str) -> TextIO:
    """The stream, or nothing's own where whoever started us has closed it (`>&-`).

    What an output's encoding does not have is written as its number, and is no reason to stop.
    """
    if stream is None:
        return cast(TextIO, Path(os.devnull).open(mode))
    if mode == "w" and isinstance(stream, io.TextIOWrapper) and stream.errors == "strict":
        stream.reconfigure(errors="backslashreplace")
    return stream


@dataclass
class Context:
    """What a command may touch. `color` is decided once for a stream; text never relies on colour alone."""

    stdin: TextIO = field(default_factory=lambda: _stream(sys.stdin, "r"))
    stdout: TextIO = field(default_factory=lambda: _stream(sys.stdout, "w"))
    stderr: TextIO = field(default_factory=lambda: _stream(sys.stderr, "w"))
    environ: Mapping[str, str] = field(default_factory=lambda: os.environ)
    no_color: bool = False
    gate: Gate = field(default_factory=Gate)
    #: names of maps and stages read that do not exist outside this project
    invented: set[str] = field(default_factory=set)
    #: for which stream and wish it was decided, and what: every piece of text asks
    _color: tuple[TextIO, bool, bool] | None = field(default=None, repr=False)
    _terminal: tuple[TextIO, bool] | None = field(default=None, repr=False)

    @property
    def color(self) -> bool:
        """Whether text is coloured: on a terminal that can, where nobody said no."""
        known = self._color
        if known is None or known[0] is not self.stdout or known[1] != self.no_color:
            env = self.environ
            no = self.no_color or env.get("NO_COLOR") or env.get("TERM") == "dumb"
            known = self.stdout, self.no_color, not no and self.stdout.isatty()
            self._color = known
        return known[2]

    @property
    def width(self) -> int:
        """Columns to lay tables out for: the terminal's, 80 where there is none."""
        known = self._terminal
        if known is None or known[0] is not self.stdout:
            known = self._terminal = self.stdout, self.stdout.isatty()
        if known[1]:
            import shutil

            return max(40, min(shutil.get_terminal_size((80, 24)).columns, 120))
        return 80

    @property
    def progress(self) -> bool:
        """Whether a progress line may be drawn on stderr."""
        return self.stderr.isatty() and self.environ.get("TERM") != "dumb"

    def shown(self, text: str) -> str:
        """`text` as a terminal may have it: nothing in it acts, but for our own colours."""
        if not self.color:
            return visible(text)
        return "".join(p if i % 2 else visible(p) for i, p in enumerate(_COLOURS.split(text)))

    def out(self, text: str = "") -> None:
        self.stdout.write(self.shown(text) + "\n")

    def lines(self, lines: Iterable[str]) -> None:
        """Many lines on stdout, some hundreds at a time."""
        left = iter(lines)
        while some := list(islice(left, 500)):
            self.out("\n".join(some))

    def err(self, text: str) -> None:
        with contextlib.suppress(OSError):  # nowhere is left to tell it; the status still does
            self.stderr.write(visible(text) + "\n")

    def say(self, text: str) -> None:
        """A message of one sentence on stderr, folded where a person reads it; whole for programs."""
        text = visible(text)
        folded = "\n".join(wrap(line, self.width, hang="  ") for line in text.splitlines())
        self.err(folded if self.stderr.isatty() else text)

    def style(self, text: str, role: str) -> str:
        """`text` in a colour where colour is on; roles: bad, good, warn, dim, head, mark."""
        return f"\x1b[{_STYLES[role]}m{text}\x1b[0m" if self.color else text

    def reads(self, document: Chip | Stage) -> None:
        """A map or stage was read: nothing is written over its files, and what is invented is said."""
        self.gate.reads(document.files)
        stage = cast("Stage", document) if hasattr(document, "chip") else None
        chips = (stage.chip, *stage.chain) if stage is not None else ()
        self.invented |= {d.name for d in (document, *chips) if d.invented}

    def json(self, kind: str, **content: Any) -> None:
        """One JSON object with the schema number, what in it is invented, and the caution; fractions become
        floats, tuples lists."""
        from regmap.cautions import CAUTION

        told = {"invented_documents": sorted(self.invented), "caution": CAUTION}
        self._json({"schema": SCHEMA, "kind": kind, **content, **told}, indent=2)

    def json_line(self, kind: str, **content: Any) -> None:
        """One JSON object on one line, for lists that can be long."""
        self._json({"schema": SCHEMA, "kind": kind, **content})

    def _json(self, content: Mapping[str, Any], indent: int | None = None) -> None:
        import json

        unicode = (getattr(self.stdout, "encoding", None) or "utf-8").lower().startswith("utf")
        text = json.dumps(content, default=plain, ensure_ascii=not unicode, indent=indent)
        self.stdout.write(json_safe(text) + "\n")

    @property
    def binary_stdin(self) -> Any:
        return getattr(self.stdin, "buffer", self.stdin)

    @property
    def binary_stdout(self) -> Any:
        return getattr(self.stdout, "buffer", self.stdout)


def plain(value: Any) -> Any:
    """What json cannot write by itself: bands, fractions, enums, anything with `as_json`."""
    from fractions import Fraction

    from regmap.quantity import Band, Quantity, dimension_name, show

    if isinstance(value, Fraction):
        return float(value)
    if isinstance(value, Band):
        low, typ, high = value.floats()
        return {
            "min": low,
            "typ": typ,
            "max": high,
            "dimension": dimension_name(value.dim),
            "text": str(value),
        }
    if isinstance(value, Quantity):
        return {
            "value": float(value.value),
            "dimension": dimension_name(value.dim),
            "text": show(value.value, value.dim),
        }
    if hasattr(value, "as_json"):
        return value.as_json()
    if isinstance(value, Mapping):
        return dict(value)
    if isinstance(value, (set, frozenset)):
        return sorted(value)
    if isinstance(value, Iterable):
        return list(value)
    return str(value)


def wrap(text: str, width: int, indent: str = "", hang: str | None = None) -> str:
    """Text folded to `width`; following lines start with `hang` (`indent` where not given)."""
    if len(indent) + len(text) <= width and text.isprintable() and text[-1:].strip():
        # one line as it is; long captures have hundreds of thousands of these
        return indent + text
    import textwrap

    return textwrap.fill(
        text,
        width,
        initial_indent=indent,
        subsequent_indent=indent if hang is None else hang,
        break_long_words=False,
        break_on_hyphens=False,
    )


def columns(
    rows: list[list[str]], gap: int = 2, right: Iterable[int] = (), fold: int | None = None
) -> list[str]:
    """Rows as aligned text columns; `right` are the columns aligned to the right.

    With `fold` no line is longer than that: the last column continues on lines of its own.
    """
    if not rows:
        return []
    count = max(len(r) for r in rows)
    padded = [r + [""] * (count - len(r)) for r in rows]
    widths = [max(len(r[i]) for r in padded) for i in range(count)]
    flush = set(right)
    if fold is not None:
        import textwrap

        room = max(fold - sum(widths[:-1]) - gap * (count - 1), 16)
        folded: list[list[str]] = []
        for row in padded:
            pieces = textwrap.wrap(row[-1], room, break_on_hyphens=False) or [""]
            folded.append([*row[:-1], pieces[0]])
            folded += [[""] * (count - 1) + [piece] for piece in pieces[1:]]
        padded = folded
        widths[-1] = max(len(r[-1]) for r in padded)
    return [
        (" " * gap)
        .join(c.rjust(widths[i]) if i in flush else c.ljust(widths[i]) for i, c in enumerate(r))
        .rstrip()
        for r in padded
    ]


def broken_pipe(stream: TextIO) -> None:
    """Nothing more is to be flushed there: whoever read us has gone, which is no error, or nothing more fits."""
    try:
        devnull = os.open(os.devnull, os.O_WRONLY)
        os.dup2(devnull, stream.fileno())
    except (OSError, ValueError, io.UnsupportedOperation):
        pass
