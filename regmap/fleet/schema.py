"""The tables that a survey writes: their columns, kinds and units, with a version of their own.

A column is never renamed nor given another meaning within a version; new ones stand last.
"""

from __future__ import annotations

from regmap.record import dataclass

#: of the tables; it changes where a column goes, or means something else
VERSION = 1

#: kinds of columns: how they stand in Parquet; CSV and JSON lines have the same values
KINDS = {
    "text": "UTF-8",
    "whole": "int64",
    "word": "uint64",
    "real": "float64",
    "flag": "bool",
}

FORMATS = ("csv", "jsonl", "parquet")


@dataclass(frozen=True, slots=True)
class SurveyColumn:
    """One column; every one but text may be empty (null, an empty cell): not seen, not known."""

    name: str
    kind: str
    meaning: str


def _columns(*rows: tuple[str, str, str]) -> tuple[SurveyColumn, ...]:
    return tuple(SurveyColumn(*row) for row in rows)


#: what every row says of where it comes from
_WHERE = (
    ("file", "text", "the capture or log, as it was named"),
    ("unit", "text", "which unit: from the manifest or the log"),
    ("firmware", "text", "from the manifest"),
    ("test", "text", "from the manifest"),
)
_VARIANT = (
    "variant",
    "text",
    "which variant of the board: from the manifest, the stage that it is held against",
)
_CHIP = (
    ("position", "whole", "of the chip in a daisy chain, 0 nearest to the controller's output"),
    ("map", "text", "name of the chip's map"),
)

TABLES: dict[str, tuple[SurveyColumn, ...]] = {
    "faults": _columns(
        *_WHERE,
        *_CHIP,
        ("fault", "text", "name of the fault in the map"),
        ("severity", "text", "stop, warn or note"),
        ("role", "text", "first cause, follow-on, sum (of others) or normal (after power-up)"),
        ("cause", "text", "the fault that it follows from; its own name for a first cause"),
        ("masked", "flag", "the configuration known by then hides it"),
        ("reported_only", "flag", "under that configuration the chip does not act on it"),
        ("episode", "whole", "faults of one chip raised without a pause between, from 0"),
        ("clear_s", "real", "last seen clear before it, s: raised after this"),
        ("pin_s", "real", "edge of the fault pin between, s"),
        ("raised_s", "real", "first seen raised, s: raised by then"),
        ("cleared_s", "real", "the frame that cleared it, s"),
        ("gone_s", "real", "first seen clear again, s; empty: raised to the end"),
        ("duration_s", "real", "from first seen raised to seen clear, s"),
        ("at_most_s", "real", "from last seen clear before to seen clear after, s"),
        ("seen", "whole", "rows of a log that show it raised; empty for captures"),
        ("how", "text", "what ended it"),
        ("registers", "text", "words known when it was seen: NAME=0x.. by blanks"),
        _VARIANT,
    ),
    "registers": _columns(
        *_WHERE,
        *_CHIP,
        ("time_s", "real", "from this time on, s"),
        ("register", "text", "name in the map"),
        ("before", "word", "the word known before"),
        ("word", "word", "the word known from then on; empty: not known any more"),
        ("known", "word", "mask of the bits that are known"),
        _VARIANT,
    ),
    "captures": _columns(
        *_WHERE,
        ("sha256", "text", "of the file"),
        ("bytes", "whole", "of the file"),
        ("state", "text", "read, damaged, empty, unreadable or duplicate"),
        ("same_as", "text", "the file of which this is a duplicate"),
        ("message", "text", "what is wrong with the file"),
        ("format", "text", "how it was read"),
        ("maps", "text", "names of the maps, by blanks"),
        ("map_digest", "text", "SHA-256 of the maps, by blanks"),
        ("stage", "text", "name of the stage"),
        ("stage_digest", "text", "SHA-256 of the stage"),
        ("settings_digest", "text", "SHA-256 of the stage's settings"),
        ("invented", "flag", "a map or the stage is invented"),
        ("start_s", "real", "first instant, s"),
        ("end_s", "real", "last instant, s"),
        ("exposure_s", "real", "time in which faults could be seen, s"),
        ("frames", "whole", "frames of all chips, or rows of a log"),
        ("rejected", "whole", "frames that a chip must reject"),
        ("bad_replies", "whole", "replies that cannot be believed"),
        ("resets", "whole", "resets of chips"),
        ("faults", "whole", "intervals of faults that are not normal after power-up"),
        ("verdict", "text", "sound, or the reasons to stop by blanks"),
        ("wiring", "text", "wiring findings, by blanks"),
        ("told", "text", "the sentence that matters most"),
        _VARIANT,
    ),
    "timing": _columns(
        *_WHERE,
        *_CHIP,
        ("what", "text", "readback, poll, service, reaction or early"),
        ("name", "text", "register, fault, field or what the frame came before"),
        ("count", "whole", "how often"),
        ("longest_s", "real", "longest pause, or time to the reaction, s"),
        ("longest_from_s", "real", "when it began, s"),
        ("shortest_s", "real", "shortest pause, s"),
        ("rest_s", "real", "from the last to the end; of a reaction, from told to cleared, s"),
        ("missed", "text", "what the stage wants otherwise"),
        _VARIANT,
    ),
}

#: one row as written: values in the order of the columns, None where there is none
Row = list[object]
Rows = dict[str, list[Row]]


def names_of(table: str) -> tuple[str, ...]:
    """The columns of a table, in order."""
    return tuple(c.name for c in TABLES[table])


def reference() -> str:
    """The tables as Markdown, as README.md has them."""
    lines = [f"Version {VERSION}."]
    for table, columns in TABLES.items():
        lines += ["", f"**{table}**", "", "| column | kind | meaning |", "| --- | --- | --- |"]
        lines += [f"| `{c.name}` | {KINDS[c.kind]} | {c.meaning} |" for c in columns]
    return "\n".join(lines)
