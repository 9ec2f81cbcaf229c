"""Everything that can go wrong, by whose fault it is.

    GatewordError
    +-- CallError      the caller passed something impossible (also a ValueError)
    +-- FileError      a file the user wrote has problems; carries all of them, each with its place
    +-- FrameError     a word on the SPI cannot be what it should be (guard, fixed bits, length)
    +-- CaptureError   a capture cannot be read or understood; carries all problems found
    +-- LinkError      a port, an adapter or a chip did not answer as it must

A `Problem` is one finding about one spot of one file. Its text says what was found, what was
expected and, where one exists, the nearest valid choice; `render` adds the line and underlines
the spot. The library never prints: the program decides where these texts go.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from regmap.record import dataclass, replace

if TYPE_CHECKING:
    from typing_extensions import Self


@dataclass(frozen=True, slots=True)
class Place:
    """A spot in a file: 1-based line and column, and how many columns it spans.

    `text` is the whole line, kept so that the spot can be shown after the file is gone.
    Line 0 means "the file as a whole".
    """

    file: str
    line: int = 0
    column: int = 0
    span: int = 1
    text: str = ""

    def __str__(self) -> str:
        if self.line == 0:
            return self.file
        return f"{self.file}:{self.line}:{self.column}"


def cut(text: str, most: int) -> str:
    """`text` with its middle left out where it is longer than `most`: a message is read by a person.

    >>> cut("a" * 50, 20)
    'aaaaaaaaa ... aaaaaa'
    """
    if len(text) <= most:
        return text
    end = most // 3
    return f"{text[: most - end - 5]} ... {text[-end:]}"


def told(found: str, expected: str = "", nearest: str = "") -> str:
    """What was found, expected and nearest as one line; what is empty is left out, what is long is cut."""
    found, expected, nearest = cut(found, 600), cut(expected, 2000), cut(nearest, 200)
    parts = [
        found,
        f"expected {expected}" if expected else "",
        f"nearest: {nearest}" if nearest else "",
    ]
    return "; ".join(p for p in parts if p)


@dataclass(frozen=True, slots=True)
class Problem:
    """One finding. `severity` is "error" or "warning"; `path` is the key path inside a document."""

    place: Place
    found: str
    expected: str = ""
    nearest: str = ""
    path: str = ""
    severity: str = "error"

    def __str__(self) -> str:
        """One line: `file:line:col: error: found; expected ...; nearest: ...`."""
        line = f"{self.place}: {self.severity}: {told(self.found, self.expected, self.nearest)}"
        return f"{line} [{self.path}]" if self.path else line

    def render(self, width: int = 100) -> str:
        """The one-line text, then the source line with the spot underlined.

        A long line is cut around the spot so that the underline stays inside `width` columns.
        """
        place = self.place
        if place.line == 0 or not place.text:
            return str(self)
        room = max(width - 4, 20)
        start = 0
        if place.column - 1 + place.span > room:
            start = max(0, place.column - 1 - room // 3)
        shown = "".join(c if c.isprintable() else " " for c in place.text[start : start + room])
        column = place.column - 1 - start
        caret = "^" * max(1, min(place.span, len(shown) - column))
        return f"{self}\n    {shown}\n    {' ' * column}{caret}"


class GatewordError(Exception):
    """Base of every error this library raises on purpose.

    Its parts are kept: what was `found`, what was `expected`, the `nearest` valid choice, and `part`,
    the piece of what the caller passed that is at fault. Its text is all of them (`told`).
    """

    def __init__(
        self, found: str, expected: str = "", nearest: str = "", *, part: str = ""
    ) -> None:
        super().__init__(told(found, expected, nearest))
        self.found, self.expected, self.nearest, self.part = found, expected, nearest, part

    def about(self, what: str) -> Self:
        """The same error with what it is about before it: "--supply: 'x' is not a quantity; ..."."""
        return type(self)(f"{what}: {self.found}", self.expected, self.nearest, part=self.part)


class CallError(GatewordError, ValueError):
    """The caller passed something that cannot be: an unknown name, a value that does not fit."""


class _ProblemsError(GatewordError):
    """An error that is a list of problems; its text is all of them, one per line."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems: tuple[Problem, ...] = tuple(problems)
        super().__init__("\n".join(str(p) for p in self.problems))

    def about(self, what: str) -> Self:
        """The same problems, each with what it is about before it."""
        return type(self)(replace(p, found=f"{what}: {p.found}") for p in self.problems)

    @classmethod
    def at(cls, place: Place | str, found: str, expected: str = "", nearest: str = "") -> Self:
        """An error of a single problem; a plain string stands for the file as a whole."""
        where = Place(place) if isinstance(place, str) else place
        return cls([Problem(where, found, expected, nearest)])


class FileError(_ProblemsError):
    """A map or a stage has problems; all that were found in one run."""


class CaptureError(_ProblemsError):
    """A capture cannot be read."""


class FrameError(GatewordError):
    """A frame on the SPI contradicts its layout: check bits, fixed bits, length."""


class LinkError(GatewordError):
    """A port, an adapter or a chip did not answer as it must."""


def closest(word: str, choices: Iterable[str]) -> str:
    """The choice most like `word`, or "" where none is: the `nearest` of an error.

    >>> closest("gate_hs", ["GATE_HS", "GATE_LS"])
    'GATE_HS'
    """
    return next(iter(nearest(word, choices)), "")


_CLOSE_LOOK = 150


def nearest(word: str, choices: Iterable[str], limit: int = 1) -> list[str]:
    """The choices most like `word`, best first; case is ignored before spelling is.

    >>> nearest("gate_hs", ["GATE_HS", "GATE_LS"])
    ['GATE_HS']
    """
    # difflib costs 3 ms to import and is wanted only when something is already wrong.
    import difflib

    known: Sequence[str] = list(dict.fromkeys(choices))
    folded = {c.casefold(): c for c in reversed(known)}
    if word.casefold() in folded and limit == 1:
        return [folded[word.casefold()]]
    wanted = word[:200].casefold()
    candidates: Iterable[str] = folded
    if len(folded) > _CLOSE_LOOK:
        # spelling is compared in full only with names that share pairs of letters: a file with a
        # thousand names and a hundred slips must not take seconds
        pairs = {wanted[i : i + 2] for i in range(len(wanted))}
        shared = {c: len(pairs & {c[i : i + 2] for i in range(len(c))}) for c in folded}
        candidates = sorted(folded, key=lambda c: -shared[c])[:_CLOSE_LOOK]
    hits = difflib.get_close_matches(wanted, candidates, n=limit, cutoff=0.5)
    return [folded[h] for h in hits]
