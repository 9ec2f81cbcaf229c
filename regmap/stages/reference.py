"""The reference of the stage format as Markdown, written from the tables that the loader reads by.

devices/STAGES.md holds it between two marks; a test fails when the two differ. After a change of the
tables `rewrite(Path("devices/STAGES.md"))` brings the file up to date.
"""

from __future__ import annotations

from itertools import groupby
from pathlib import Path

from ..files import write_whole
from ..maps.reference import END, mapping_lines, parameter_lines, updated
from ..parameters import STAGE
from .grammar import stage_keys

START = "<!-- reference: written by regmap.stages.reference; change the tables, not this part -->"
__all__ = ["END", "START", "reference", "rewrite"]


def reference() -> str:
    """Every key of a stage with its value and meaning, then every parameter by what it is about."""
    lines = mapping_lines(stage_keys(), "A stage")
    lines += ["### Parameters", ""]
    lines += [
        "They stand at the top of the file, nested or with dots: `pwm: {frequency: 20 kHz}` or"
    ]
    lines += ["`pwm.frequency: 20 kHz`.", ""]
    for subject, rows in groupby(STAGE.items(), key=lambda item: item[0].partition(".")[0]):
        lines += [f"#### `{subject}`", "", *parameter_lines(dict(rows)), ""]
    return "\n".join(lines).rstrip() + "\n"


def rewrite(path: Path) -> bool:
    """Bring the file up to date, whole or not at all; whether anything changed."""
    old = path.read_text(encoding="utf-8")
    new = updated(old, START, reference())
    if new != old:
        write_whole(path, new)
    return new != old
