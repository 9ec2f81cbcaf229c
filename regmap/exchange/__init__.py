"""A map written in open standards and as tables, so that nobody is held by our format.

Comes in: a chip. Goes out: IEEE 1685-2014, SystemRDL 2.0, CSV or Markdown as text. May import: chip and the loose modules.
"""

from __future__ import annotations

from collections.abc import Callable

from ..chip.model import Chip
from .ieee1685 import ieee1685_text
from .systemrdl import systemrdl_text
from .tables import csv_text, markdown_text

#: what a map can be written as, by the word that asks for it
FORMS: dict[str, Callable[[Chip], str]] = {
    "ieee1685": ieee1685_text,
    "systemrdl": systemrdl_text,
    "csv": csv_text,
    "markdown": markdown_text,
}

__all__ = ["FORMS"]
