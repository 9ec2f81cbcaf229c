"""Files and bundled documents that a person may mean, by what they are and not only by their ending."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from pathlib import Path

#: how much of a document is looked at to tell what it is
_HEAD = 65_536
_KEY = re.compile(rb"^gateword_(map|stage|setup|campaign)\s*:", re.MULTILINE)
_LIKE = (
    ("stage", re.compile(rb"^(settings|mosfet)\s*[:.]", re.MULTILINE)),
    ("map", re.compile(rb"^(registers|extends)\s*:", re.MULTILINE)),
)
YAML = (".yaml", ".yml")
CAPTURES = (".vcd", ".csv", ".tsv", ".txt", ".bin", ".raw", ".gz")
#: no more of a folder than a person can look through
_MOST = 2000


def kind_of(path: Path) -> str:
    """ "map", "stage", "setup", "campaign", or "" for a file that is none of them; nothing is parsed."""
    try:
        if not path.is_file():
            return ""
        with path.open("rb") as file:
            head = file.read(_HEAD)
    except OSError:
        return ""
    found = _KEY.search(head)
    if found is not None:
        return found[1].decode()
    return next((kind for kind, pattern in _LIKE if pattern.search(head)), "")


def bundled_documents(kinds: tuple[str, ...]) -> Iterator[str]:
    """Names of bundled maps and stages of these kinds."""
    from regmap.maps.load import bundled

    for name, path in bundled("devices").items():
        if kind_of(path) in kinds:
            yield name


def entries(typed: str, endings: tuple[str, ...], kinds: tuple[str, ...] = ()) -> Iterator[str]:
    """Paths that go on from `typed`: folders with a `/` at the end, and files that fit.

    endings   of the name; () for every file. kinds: of the document, where that matters.
    """
    begin = typed.rpartition("/")[2]
    shown = typed[: len(typed) - len(begin)]
    place = Path(os.path.expanduser(shown or "./"))  # noqa: PTH111 - a `~name` that is nobody stays as it is
    try:
        with os.scandir(place) as found:
            names = [(e.name, e.is_dir()) for _, e in zip(range(_MOST), found, strict=False)]
    except (OSError, ValueError):
        return
    for name, is_folder in sorted(names):
        if not name.startswith(begin) or (name.startswith(".") and not begin):
            continue
        if not name.isprintable():
            continue
        if is_folder:
            yield f"{shown}{name}/"
        elif (not endings or name.lower().endswith(endings)) and (
            not kinds or kind_of(place / name) in kinds
        ):
            yield shown + name
