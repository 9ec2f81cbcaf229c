"""The rooms of the library as data: what each is for and what it may import.

DEVELOPERS.md's table is written from here (`python tests/house.py`), and test_architecture.py holds both.
Floors run from the top down; a room imports only what is named, all of it on lower floors.
"""

from __future__ import annotations

import ast
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[1]


@dataclass(frozen=True)
class Room:
    """One folder or loose module of regmap/: its sentence and the rooms that it may import."""

    name: str
    sentence: str
    may_import: str
    #: which of the loose modules; all of them as a rule, and only what is named for a loose one
    loose: str = "errors quantity parameters expr files cautions formerly outside closing holding budgets record digest"

    @property
    def allowed(self) -> set[str]:
        own = set() if self.name in LOOSE else set(self.loose.split())
        return set(self.may_import.split()) | own


#: used by all: the loose modules, without further mention below
LOOSE = {
    "errors",
    "quantity",
    "parameters",
    "expr",
    "files",
    "cautions",
    "formerly",
    "outside",
    "closing",
    "holding",
    "budgets",
    "record",
    "digest",
}

ROOMS = [
    Room("testing", "what a firmware team's tests use: a pytest plugin with simulated chips", "twin maps chip wire"),
    Room("report", "the review record as one HTML page", "campaign link trace draft assessment stages maps behaviour chip capture calc"),
    Room("campaign", "fault injection with evidence, on a simulated or real chip", "link twin assessment stages maps behaviour frames chip document wire"),
    Room("draft", "settings in the making, behind the composer", "trace assessment stages behaviour frames chip document capture calc"),
    Room("assessment", "does it hold, what would, and what differs", "stages behaviour frames chip document calc"),
    Room("cheader", "C that we write", "stages behaviour frames chip"),
    Room("lint", "C that somebody else wrote, held against the map", "frames chip"),
    Room("fleet", "many captures and logs of words to tables, and what is new in them", "trace stages maps behaviour frames chip document capture"),
    Room("trace", "what happened on the SPI", "stages behaviour frames chip capture"),
    Room("link", "a chip on a line: read, write, bring up, verify, watch", "behaviour frames chip wire"),
    Room("twin", "a simulated chip", "behaviour frames chip wire"),
    Room("stages", "what must be driven: stage files", "maps behaviour frames chip document"),
    Room("exchange", "maps written in open standards and as tables", "chip document"),
    Room("intake", "what a data sheet says, written down as the beginning of a map", "chip document"),
    Room("maps", "how a chip is written down: map files", "behaviour frames chip document"),
    Room("behaviour", "what a chip does and tells", "frames chip document"),
    Room("frames", "frames on the wire", "chip document"),
    Room("chip", "what a chip is", "document"),
    Room("capture", "files to timed transfers; knows no chip", "document"),
    Room("document", "YAML read safely, problems located", ""),
    Room("calc", "calculations; knows named inputs only", "", "errors quantity parameters cautions outside record"),
    Room("wire", "bytes to an adapter", "record"),
    Room("cautions", "the cautions, once", ""),
    Room("formerly", "the one table of accepted old names", ""),
    Room("outside", "checks that other packages add, by entry point", "errors"),
    Room("budgets", "what input from outside may cost, in one table", "errors record"),
    Room("holding", "one holder at a time of a stage, a recording, a log, a port", "errors closing files"),
    Room("files", "files written whole or not at all, and never over an input", "errors closing"),
    Room("closing", "what is opened and must be closed", ""),
    Room("expr", "conditions in maps: no eval", "quantity errors record"),
    Room("parameters", "the closed tables of what calculations may be told", "quantity errors record"),
    Room("quantity", "engineering quantities: exact, with a dimension, min/typ/max", "errors record"),
    Room("digest", "SHA-256 of texts, by which documents are known", ""),
    Room("errors", "the class tree: bad call, bad file, bad frame, bad capture, bad link", "record"),
    Room("record", "data classes that cost little to define", ""),
]  # fmt: skip

TESTS_BEGIN, TESTS_END = "<!-- files: written by tests/house.py -->", "<!-- end of files -->"
BEGIN, END = "<!-- rooms: written by tests/house.py -->", "<!-- end of rooms -->"


def table() -> str:
    """The table of DEVELOPERS.md."""
    rows = ["| room | sentence | may import |", "| --- | --- | --- |"]
    for room in ROOMS:
        whole = set(room.loose.split()) == LOOSE
        loose = [] if room.name in LOOSE else ["the loose modules"] if whole else room.loose.split()
        named = ", ".join([*room.may_import.split(), *loose])
        rows.append(f"| `{room.name}` | {room.sentence} | {named or 'nothing'} |")
    return "\n".join(rows)


def rewrite(text: str) -> str:
    """DEVELOPERS.md with the table in its place."""
    head, rest = text.split(BEGIN)
    return f"{head}{BEGIN}\n{table()}\n{END}{rest.split(END)[1]}"


TESTS = ROOT / "tests"


def first_line(path: Path) -> str:
    """What a test file says that it holds, in its first line."""
    return (ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or "").partition("\n")[0]


def tests_page(text: str) -> str:
    """tests/README.md with the list of all test files in its place, each with its first line."""
    rows = []
    for folder in sorted({p.parent for p in TESTS.rglob("test_*.py")}):
        rows.append(f"\n**{folder.relative_to(ROOT).as_posix()}/**\n")
        rows += [f"- `{p.name}`: {first_line(p)}" for p in sorted(folder.glob("test_*.py"))]
    head, rest = text.split(TESTS_BEGIN)
    return f"{head}{TESTS_BEGIN}\n" + "\n".join(rows) + f"\n\n{TESTS_END}{rest.split(TESTS_END)[1]}"


if __name__ == "__main__":
    for page, write in ((ROOT / "DEVELOPERS.md", rewrite), (TESTS / "README.md", tests_page)):
        page.write_text(write(page.read_text(encoding="utf-8")), encoding="utf-8")
