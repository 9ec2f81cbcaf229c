"""Which files a document may name: those of its own folder tree, bundled ones, and what is allowed beside.

Documents come from strangers too (a pull request, a supplier): what they name must not make the
program show or use any other file of the machine. Links are followed before they are judged.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from pathlib import Path

_PACKAGE = Path(__file__).parents[1]
#: Where bundled maps and stages lie: inside the package when installed, beside it in a checkout.
BUNDLED = (_PACKAGE / "devices", _PACKAGE.parent / "devices")
#: What is expected of a file that a document names.
EXPECTED = "a file in its folder tree, or the option --within FOLDER that allows more"
#: further folder trees that documents may name files in, beside their own
_WITHIN: ContextVar[tuple[Path, ...]] = ContextVar("within", default=())
#: who is told of every file before it is read
_HEARS: ContextVar[Callable[[Iterable[Path]], None] | None] = ContextVar("hears", default=None)


@contextmanager
def reading_within(folders: Iterable[Path]) -> Iterator[None]:
    """While this lasts, documents may also name files in these folder trees."""
    token = _WITHIN.set((*_WITHIN.get(), *(f.resolve() for f in folders)))
    try:
        yield
    finally:
        _WITHIN.reset(token)


@contextmanager
def told_of_reads(hear: Callable[[Iterable[Path]], None]) -> Iterator[None]:
    """While this lasts, `hear` is told of every file before it is read as text, whoever names it and whether or not
    anything sound stands in it."""
    token = _HEARS.set(hear)
    try:
        yield
    finally:
        _HEARS.reset(token)


def tell_of_read(path: Path) -> None:
    """Say that this file is read now. What the listener raises goes on to whoever reads."""
    hear = _HEARS.get()
    if hear is not None:
        hear([path])


def may_read(target: Path, document: Path) -> bool:
    """Whether what stands in `document` may name this file.

    Documents come from strangers too: what they name lies in their own folder tree, is bundled, or
    in a tree that `reading_within` opened. Links are followed first.
    """
    place = target.resolve()
    return any(
        place.is_relative_to(root) for root in (document.resolve().parent, *_WITHIN.get(), *BUNDLED)
    )


def named_file(home: Path, name: str) -> Path | None:
    """The path that a document in the folder `home` names; None where no file can be called so."""
    path = home / name
    try:
        path.resolve()
        path.is_file()
    except (OSError, ValueError):  # too long for the system, or a NUL in it
        return None
    return path
