"""The headers that a header includes, as far as they lie beside it or below."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path


def beside(path: Path, read: Callable[[Path], str]) -> Callable[[str, str], tuple[str, str] | None]:
    """What gives the name and text of a file that another one includes; None for what is not there, or elsewhere.

    `read` gives a file's text, bounded as documents are.
    """
    top = path.resolve().parent
    known: dict[Path, tuple[str, str]] = {}

    def opened(of: str, name: str) -> tuple[str, str] | None:
        told = os.path.normpath(Path(of).parent / name)
        other = Path(told).resolve()
        if not other.is_relative_to(top) or not other.is_file():
            return None
        if other not in known:
            # one name for one file, by whatever way it is included
            known[other] = (told, read(other))
        return known[other]

    return opened
