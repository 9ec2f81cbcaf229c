"""Frozen data classes that cost little to define.

A program that only asks for one frame defines a hundred classes and makes objects of half of them. The library's
`dataclasses` writes and compiles six functions for each class at once, which takes as long as reading a map. Here
it still says what the fields are (so `fields`, `replace`, `asdict` and `match` work as ever), but nothing is
compiled: comparing, hashing and showing need no text of their own, and `__init__` is written when the first
object is made.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from dataclasses import MISSING, FrozenInstanceError, fields
from operator import attrgetter
from typing import TYPE_CHECKING, Any

__all__ = ["dataclass"]


def _fixed(_: Any, name: str, *__: Any) -> None:
    raise FrozenInstanceError(f"cannot assign to field {name!r}")


def _kept(_: Any, name: str) -> None:
    raise FrozenInstanceError(f"cannot delete field {name!r}")


def _state(self: Any) -> list[Any]:
    return [getattr(self, f.name) for f in fields(self)]


def _set_state(self: Any, state: list[Any]) -> None:
    for entry, value in zip(fields(self), state, strict=True):
        object.__setattr__(self, entry.name, value)


def _shown(self: Any) -> str:
    parts = (f"{f.name}={getattr(self, f.name)!r}" for f in fields(self) if f.repr)
    return f"{type(self).__qualname__}({', '.join(parts)})"


def _comparing(cls: Any) -> tuple[Callable[[Any, Any], Any], Callable[[Any], int]]:
    """`__eq__` and `__hash__` over the fields that count."""
    names = [f.name for f in fields(cls) if f.compare]
    key: Callable[[Any], Any] = attrgetter(*names) if names else lambda _: ()

    def equal(self: Any, other: Any) -> Any:
        # one field alone is the key itself: put into a tuple, an object is equal to itself as in any tuple
        return (
            (key(self),) == (key(other),) if other.__class__ is self.__class__ else NotImplemented
        )

    return equal, lambda self: hash((key(self),))


def _writer(cls: Any) -> Callable[..., None]:
    """`__init__` of a class with slots, compiled: each value goes straight to its slot."""
    names: dict[str, Any] = {"_missing": MISSING}
    plain: list[str] = []
    named: list[str] = []
    body: list[str] = []
    for index, entry in enumerate(fields(cls)):
        name = entry.name
        names[f"_set{index}"] = getattr(cls, name).__set__
        given = name
        if entry.default_factory is not MISSING:
            names[f"_make{index}"] = entry.default_factory
            default = "=_missing"
            given = f"_make{index}() if {name} is _missing else {name}"
            if not entry.init:
                given = f"_make{index}()"
        elif entry.default is not MISSING:
            names[f"_default{index}"] = entry.default
            default = f"=_default{index}"
            given = given if entry.init else f"_default{index}"
        else:
            default = ""
            if not entry.init:
                continue
        if entry.init:
            (named if entry.kw_only else plain).append(name + default)
        body.append(f" _set{index}(self, {given})")
    if hasattr(cls, "__post_init__"):
        body.append(" self.__post_init__()")
    wanted = ", ".join(["self", *plain, *(["*", *named] if named else [])])
    text = f"def __init__({wanted}):\n" + ("\n".join(body) or " pass")
    exec(text, names)
    written: Callable[..., None] = names["__init__"]
    written.__qualname__ = f"{cls.__qualname__}.__init__"
    return written


def _light(cls: Any, kw_only: bool) -> Any:
    made: Any = dataclasses.dataclass(
        init=False, repr=False, eq=False, slots=True, kw_only=kw_only
    )(cls)
    own = vars(made)

    def first(self: Any, *given: Any, **named: Any) -> None:
        written = _writer(made)
        made.__init__ = written
        written(self, *given, **named)

    equal, hashed = _comparing(made)
    for name, method in (
        ("__init__", first),
        ("__repr__", _shown),
        ("__eq__", equal),
        ("__setattr__", _fixed),
        ("__delattr__", _kept),
        ("__getstate__", _state),
        ("__setstate__", _set_state),
    ):
        if name not in own:
            setattr(made, name, method)
    # a class that says how to compare has no hash of its own unless it says that too
    if "__hash__" not in own or own["__hash__"] is None:
        made.__hash__ = hashed
    return made


if TYPE_CHECKING:
    from dataclasses import dataclass
else:

    def dataclass(
        cls: type | None = None,
        /,
        *,
        frozen: bool = False,
        slots: bool = False,
        kw_only: bool = False,
        **others: bool,
    ) -> Any:
        """As `dataclasses.dataclass`; frozen classes with slots are made as told above."""
        if frozen and slots and not others:

            def make(cls: type) -> type:
                return _light(cls, kw_only)

        else:
            make = dataclasses.dataclass(frozen=frozen, slots=slots, kw_only=kw_only, **others)
        return make if cls is None else make(cls)
