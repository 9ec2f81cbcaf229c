"""Data classes that cost little to define.

A program that only asks for one frame defines a hundred classes and makes objects of half of them. The library's
`dataclasses` writes and compiles six functions for each class at once, which takes as long as reading a map, and
loads much that only debugging needs. Here nothing is compiled when a class is defined: comparing, hashing and
showing need no text of their own, and `__init__` is written when the first object is made. To everybody else they
are data classes: what the standard library's `fields`, `replace`, `asdict` and `is_dataclass` look for is made when
they look.
"""

from __future__ import annotations

from collections.abc import Callable
from operator import attrgetter
from reprlib import recursive_repr
from typing import TYPE_CHECKING, Any

__all__ = ["dataclass", "field", "fields", "replace"]

_MISSING: Any = object()
#: objects of a class that are filled without a function of its own
_FEW = 8


class _Entry:
    """One field: what was said of it, and its name."""

    __slots__ = ("compare", "default", "default_factory", "init", "kw_only", "name", "repr", "type")

    def __init__(
        self,
        *,
        default: Any = _MISSING,
        default_factory: Any = _MISSING,
        init: bool = True,
        repr: bool = True,  # noqa: A002 -- as the standard library has it
        compare: bool = True,
        kw_only: bool | None = None,
    ) -> None:
        self.default = default
        self.default_factory = default_factory
        self.init = init
        self.repr = repr
        self.compare = compare
        self.kw_only = kw_only
        self.name = self.type = ""


class _Told:
    """`__dataclass_fields__` and its like, as the standard library would have made them."""

    def __init__(self, name: str, frozen: bool) -> None:
        self.name, self.frozen = name, frozen

    def __get__(self, _: Any, cls: Any) -> Any:
        import dataclasses

        def told(entry: _Entry) -> Any:
            given = {n: getattr(entry, n) for n in ("init", "repr", "compare", "kw_only")}
            for name in ("default", "default_factory"):
                if getattr(entry, name) is not _MISSING:
                    given[name] = getattr(entry, name)
            return dataclasses.field(**given)

        entries = _entries(cls)
        body = {e.name: told(e) for e in entries}
        body["__annotations__"] = {e.name: e.type for e in entries}
        body["__module__"] = cls.__module__
        make = dataclasses.dataclass(init=False, repr=False, eq=True, frozen=self.frozen)
        return getattr(make(type(cls.__name__, (), body)), self.name)


def _entries(cls: Any) -> tuple[_Entry, ...]:
    found: tuple[_Entry, ...] = cls.__record_entries__
    return found


def _fixed(_: Any, name: str, *__: Any) -> None:
    from dataclasses import FrozenInstanceError

    raise FrozenInstanceError(f"cannot assign to field {name!r}")


def _kept(_: Any, name: str) -> None:
    from dataclasses import FrozenInstanceError

    raise FrozenInstanceError(f"cannot delete field {name!r}")


def _state(self: Any) -> list[Any]:
    return [getattr(self, e.name) for e in _entries(self)]


def _set_state(self: Any, state: list[Any]) -> None:
    for entry, value in zip(_entries(self), state, strict=True):
        object.__setattr__(self, entry.name, value)


@recursive_repr()
def _shown(self: Any) -> str:
    parts = (f"{e.name}={getattr(self, e.name)!r}" for e in _entries(self) if e.repr)
    return f"{type(self).__qualname__}({', '.join(parts)})"


def _comparing(
    entries: tuple[_Entry, ...],
) -> tuple[Callable[[Any, Any], Any], Callable[[Any], int]]:
    """`__eq__` and `__hash__` over the fields that count."""
    names = [e.name for e in entries if e.compare]
    key: Callable[[Any], Any] = attrgetter(*names) if names else lambda _: ()

    def equal(self: Any, other: Any) -> Any:
        # one field alone is the key itself: put into a tuple, an object is equal to itself as in any tuple
        return (
            (key(self),) == (key(other),) if other.__class__ is self.__class__ else NotImplemented
        )

    return equal, lambda self: hash((key(self),))


def _writer(cls: Any) -> Callable[..., None]:
    """`__init__` of a class with slots, compiled: each value goes straight to its slot."""
    names: dict[str, Any] = {"_missing": _MISSING}
    plain: list[str] = []
    named: list[str] = []
    body: list[str] = []
    for index, entry in enumerate(_entries(cls)):
        name = entry.name
        names[f"_set{index}"] = getattr(cls, name).__set__
        given = name
        if entry.default_factory is not _MISSING:
            names[f"_make{index}"] = entry.default_factory
            default = "=_missing"
            given = f"_make{index}() if {name} is _missing else {name}"
            if not entry.init:
                given = f"_make{index}()"
        elif entry.default is not _MISSING:
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


def _filled(
    self: Any, entries: tuple[_Entry, ...], given: tuple[Any, ...], named: dict[str, Any]
) -> bool:
    """`__init__` for a class with few objects; False, and nothing done, where what is given does not fit."""
    values: dict[str, Any] = {}
    plain = [e.name for e in entries if e.init and not e.kw_only]
    if len(given) > len(plain):
        return False
    values.update(zip(plain, given, strict=False))
    left = dict(named)
    for entry in entries:
        name = entry.name
        if entry.init and name in left:
            if name in values:
                return False
            values[name] = left.pop(name)
        elif name not in values:
            if entry.default_factory is not _MISSING:
                values[name] = entry.default_factory()
            elif entry.default is not _MISSING:
                values[name] = entry.default
            elif entry.init:
                return False
    if left:
        return False
    for name, value in values.items():
        object.__setattr__(self, name, value)
    after = getattr(self, "__post_init__", None)
    if after is not None:
        after()
    return True


def _own_entries(cls: Any, kw_only: bool) -> dict[str, _Entry]:
    """The fields that the class itself states, its `ClassVar` left out. Raises TypeError, ValueError."""
    found: dict[str, _Entry] = {}
    for name, kind in cls.__annotations__.items():
        if kind.startswith(("ClassVar", "typing.ClassVar")):
            continue
        default = vars(cls).get(name, _MISSING)
        if type(default).__module__ == "dataclasses":
            raise TypeError(f"field {name!r}: `field` is that of regmap.record")
        entry = default if isinstance(default, _Entry) else _Entry(default=default)
        if entry.default is not _MISSING and type(entry.default).__hash__ is None:
            raise ValueError(
                f"mutable default {type(entry.default)} for field {name} is not allowed: use default_factory"
            )
        entry.name, entry.type = name, kind
        entry.kw_only = kw_only if entry.kw_only is None else entry.kw_only
        found[name] = entry
    return found


def _light(cls: Any, frozen: bool, kw_only: bool, eq: bool) -> Any:
    own = _own_entries(cls, kw_only)
    every: dict[str, _Entry] = {}
    slots: set[str] = set()
    for base in cls.__mro__[:0:-1]:
        every.update({e.name: e for e in vars(base).get("__record_entries__", ())})
        given = vars(base).get("__slots__", ())
        slots.update([given] if isinstance(given, str) else given)
    every.update(own)
    entries = tuple(every.values())
    # slots are laid out when a class is made: so it is made again, with what it says already
    body = {n: v for n, v in vars(cls).items() if n not in own}
    body.pop("__dict__", None)
    body.pop("__weakref__", None)
    stated = {*body}
    equal, hashed = _comparing(entries)

    uses = 0

    def first(self: Any, *given: Any, **named: Any) -> None:
        nonlocal uses
        uses += 1
        # of many classes there is an object or two: compiling takes as long as thirty of them
        if uses > _FEW or not _filled(self, entries, given, named):
            written = made.__init__ = _writer(made)
            written(self, *given, **named)

    methods: dict[str, Any] = {"__init__": first, "__repr__": _shown}
    if eq:
        methods["__eq__"] = equal
    if frozen:
        methods |= {
            "__setattr__": _fixed,
            "__delattr__": _kept,
            "__getstate__": _state,
            "__setstate__": _set_state,
        }
    for name, method in methods.items():
        body.setdefault(name, method)
    # a class that says how to compare has no hash of its own unless it says that too
    if eq and vars(cls).get("__hash__") is None:
        body["__hash__"] = hashed if frozen else None
    if "__match_args__" not in stated:
        body["__match_args__"] = tuple(e.name for e in entries if e.init and not e.kw_only)
    body["__slots__"] = tuple(n for n in own if n not in slots)
    body["__record_entries__"] = entries
    for name in ("__dataclass_fields__", "__dataclass_params__"):
        body[name] = _Told(name, frozen)
    made = type(cls)(cls.__name__, cls.__bases__, body)
    made.__qualname__ = cls.__qualname__
    return made


if TYPE_CHECKING:
    from dataclasses import dataclass, field, fields, replace
else:
    field = _Entry

    def fields(thing: Any) -> tuple[Any, ...]:
        """The fields of a data class or of one of its objects, in order."""
        return _entries(thing)

    def replace(thing: Any, /, **changes: Any) -> Any:
        """A new object with some fields changed. Raises ValueError for one that cannot be given."""
        for entry in _entries(thing):
            if not entry.init:
                if entry.name in changes:
                    raise ValueError(
                        f"field {entry.name} is declared with init=False, it cannot be specified with replace()"
                    )
            elif entry.name not in changes:
                changes[entry.name] = getattr(thing, entry.name)
        return thing.__class__(**changes)

    def dataclass(
        cls: type | None = None,
        /,
        *,
        frozen: bool = False,
        slots: bool = True,
        kw_only: bool = False,
        eq: bool = True,
    ) -> Any:
        """As `dataclasses.dataclass`, always with slots, so nothing but a field can be set."""
        if not slots:
            raise TypeError("a data class of ours has slots")

        def make(cls: type) -> type:
            return _light(cls, frozen, kw_only, eq)

        return make if cls is None else make(cls)
