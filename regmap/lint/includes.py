"""The headers that a header includes, as far as they lie beside it or below."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

MOST = 32
_INCLUDE = re.compile(r'^[ \t]*#[ \t]*include[ \t]*"([^"\n]{1,200})"', re.MULTILINE)


def included(path: Path, text: str, read: Callable[[Path], str]) -> str:
    """Their text, one after the other, each once; what is not there, or elsewhere, is left out.

    `read` gives a file's text, bounded as documents are.
    """
    top = path.resolve().parent
    waiting = [(path.resolve(), text)]
    seen = {path.resolve()}
    found: list[str] = []
    while waiting and len(found) < MOST:
        at, content = waiting.pop(0)
        for name in _INCLUDE.findall(content):
            other = (at.parent / name).resolve()
            if other in seen or not other.is_relative_to(top) or not other.is_file():
                continue
            seen.add(other)
            found.append(read(other))
            waiting.append((other, found[-1]))
    return "\n".join(found[:MOST])
