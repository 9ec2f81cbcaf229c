"""Settings in the making: everything behind the composer that needs no terminal.

statements   settings as text, and the register contents they settle to
state        Draft: consider, set, undo, redo, changes, verdicts, plan
search       Index: find by part of a name, a meaning, a fault or a unit
sources      compare_with: reset, saved, a stage, a readback, a capture
apart        take_apart a raw word; write_of a register; the write sequence as text; faults
modes        ModeDrafts: the drafts of a drive with modes
journal      the backup that survives a crash
"""

from __future__ import annotations

from .apart import (
    Apart,
    explain_words,
    parse_raw,
    registers_of,
    sequence_lines,
    take_apart,
    write_of,
)
from .journal import Journal, Leftover, leftovers, state_folder
from .modes import ModeDrafts
from .search import Hit, Index
from .sources import Comparison, compare_with
from .state import Draft
from .statements import label_of, ref, text_of
from .steps import Changed, Edit, Effect, InputPreview, Preview

__all__ = [
    "Apart",
    "Changed",
    "Comparison",
    "Draft",
    "Edit",
    "Effect",
    "Hit",
    "Index",
    "InputPreview",
    "Journal",
    "Leftover",
    "ModeDrafts",
    "Preview",
    "compare_with",
    "explain_words",
    "label_of",
    "leftovers",
    "parse_raw",
    "ref",
    "registers_of",
    "sequence_lines",
    "state_folder",
    "take_apart",
    "text_of",
    "write_of",
]
