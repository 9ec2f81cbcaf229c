"""What `header` makes in each language, written where its compiler looks, and the programs of this folder beside it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from regmap.cheader import Generated, Options, generate
from regmap.cheader.languages import generate_in
from regmap.chip.model import Chip
from regmap.stages.load import Stage

HERE = Path(__file__).parent
#: a compiler of each language
TOOLS = {"c": "gcc", "cpp": "g++", "rust": "rustc"}
#: what the programs here include; all of them call the prefix gd
NAMES = {"c": "gd.h", "cpp": "gd.hpp", "rust": "gd.rs"}
#: the end of a program's name
ENDS = {"c": "c", "cpp": "cpp", "rust": "rs"}
GD = Options(prefix="gd")


def put(
    source: Stage | Chip,
    language: str,
    folder: Path,
    options: Options = GD,
    others: Sequence[Stage] = (),
) -> Generated:
    """Generates for a language, and writes it into a folder."""
    made = (
        generate(source, options, others)
        if language == "c"
        else generate_in(language, source, options, others)
    )
    (folder / NAMES[language]).write_text(made.header, "utf-8")
    return made


def put_program(name: str, language: str, folder: Path) -> Path:
    """A program of languages/ with its streams in a folder, where a module in Rust is looked for."""
    for each in ("streams.hpp" if language == "cpp" else "streams.rs", f"{name}.{ENDS[language]}"):
        text = (HERE / "languages" / each).read_text("utf-8")
        (folder / each).write_text(text, "utf-8")
    return folder / f"{name}.{ENDS[language]}"
