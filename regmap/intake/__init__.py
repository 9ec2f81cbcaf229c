"""What a data sheet says of registers, found and written down as the beginning of a map.

Comes in: tables and text (CSV, pasted, Markdown, HTML, PDF, IEEE 1685). Goes out: a map with origins and doubts.
May import: chip, document and the loose modules.
"""

from __future__ import annotations

from .found import FoundDoubt, FoundField, FoundRegister, FoundSheet
from .reading import read_sources
from .written import map_text

__all__ = ["FoundDoubt", "FoundField", "FoundRegister", "FoundSheet", "map_text", "read_sources"]
