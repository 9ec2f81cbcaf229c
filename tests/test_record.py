"""Our frozen data classes behave as those of the standard library, and compile nothing before they are used."""

from __future__ import annotations

import copy
import dataclasses
import pickle
from collections.abc import Callable
from dataclasses import field, fields, replace
from typing import Any, ClassVar

import pytest
from hypothesis import given
from hypothesis import strategies as st

from regmap.record import dataclass as ours


def family(make: Callable[..., Any]) -> dict[str, Any]:
    """The same classes, made by one or the other."""

    @make(frozen=True, slots=True)
    class Point:
        """Two numbers."""

        x: int
        y: int = 2
        seen: ClassVar[int] = 7

        @property
        def total(self) -> int:
            return self.x + self.y

    @make(frozen=True, slots=True, kw_only=True)
    class Named(Point):
        name: str
        parts: list[int] = field(default_factory=list)
        note: str = field(default="", compare=False, repr=False)

    @make(frozen=True, slots=True)
    class Checked:
        value: int
        doubled: int = field(init=False, default=0)
        table: dict[str, int] = field(init=False, default_factory=dict, repr=False, compare=False)

        def __post_init__(self) -> None:
            if self.value < 0:
                raise ValueError("below 0")
            object.__setattr__(self, "doubled", 2 * self.value)

    @make(frozen=True, slots=True)
    class One:
        only: Any

    @make(frozen=True, slots=True)
    class Bare:
        pass

    @make(frozen=True, slots=True)
    class Own:
        value: int

        def __eq__(self, other: object) -> bool:
            return True

        def __repr__(self) -> str:
            return "own"

    @make(frozen=True, slots=True)
    class Hashed:
        value: int

        def __hash__(self) -> int:
            return 5

    return {c.__name__: c for c in (Point, Named, Checked, One, Bare, Own, Hashed)}


OURS, THEIRS = family(ours), family(dataclasses.dataclass)
NAN = float("nan")
#: class, what it is called with
CALLS: list[tuple[str, tuple[Any, ...], dict[str, Any]]] = [
    ("Point", (1,), {}),
    ("Point", (1, 3), {}),
    ("Point", (), {"y": 3, "x": 1}),
    ("Point", (), {}),
    ("Point", (1, 2, 3), {}),
    ("Point", (1,), {"x": 2}),
    ("Point", (1,), {"z": 2}),
    ("Named", (1,), {"name": "a"}),
    ("Named", (1, 2), {"name": "a", "parts": [1], "note": "n"}),
    ("Named", (1, 2, "a"), {}),
    ("Named", (1,), {}),
    ("Checked", (4,), {}),
    ("Checked", (-1,), {}),
    ("Checked", (4,), {"doubled": 3}),
    ("One", (NAN,), {}),
    ("One", ((1, 2),), {}),
    ("One", ([1],), {}),
    ("Bare", (), {}),
    ("Own", (1,), {}),
    ("Hashed", (1,), {}),
]


def outcome(work: Callable[[], Any]) -> tuple[Any, ...]:
    """What comes of it: a value, or which error with which text."""
    try:
        return "value", work()
    except Exception as error:
        return type(error).__name__, str(error).replace("dataclasses.", "")


@pytest.mark.parametrize(("name", "plain", "named"), CALLS)
def test_it_behaves_as_the_one_of_the_standard_library(
    name: str, plain: tuple[Any, ...], named: dict[str, Any]
) -> None:
    def facts(classes: dict[str, Any]) -> list[tuple[Any, ...]]:
        cls = classes[name]
        made = outcome(lambda: cls(*plain, **named))
        if made[0] != "value":
            return [made]
        thing = made[1]
        first = fields(cls)[0].name if fields(cls) else "gone"
        return [
            outcome(lambda: repr(thing)),
            outcome(lambda: thing == cls(*plain, **named)),
            outcome(lambda: thing != cls(*plain, **named)),
            outcome(lambda: thing == 3),
            outcome(lambda: hash(thing) == hash(cls(*plain, **named))),
            *([outcome(lambda: setattr(thing, first, 1)), outcome(lambda: delattr(thing, first))] if fields(cls) else []),
            outcome(lambda: repr(replace(thing, **{first: 9}))),
            outcome(lambda: repr(copy.copy(thing))),
            outcome(lambda: repr(copy.deepcopy(thing))),
            outcome(lambda: [(f.name, f.default, f.init, f.compare, f.kw_only) for f in fields(cls)]
                    if name != "Bare" else []),
            outcome(lambda: cls.__match_args__),
            outcome(lambda: hasattr(thing, "__dict__")),
            outcome(lambda: dataclasses.is_dataclass(cls)),
        ]  # fmt: skip

    assert facts(OURS) == facts(THEIRS)


@given(st.integers(), st.integers(), st.integers(), st.integers())
def test_equal_means_equal_in_all_that_counts(a: int, b: int, c: int, d: int) -> None:
    one, two = OURS["Point"](a, b), OURS["Point"](c, d)
    assert (one == two) is ((a, b) == (c, d))
    assert one != two or hash(one) == hash(two)
    assert OURS["Named"](a, b, name="") != one


@ours(frozen=True, slots=True)
class Kept:
    """At the top of a module, where pickle finds it."""

    x: int
    parts: tuple[int, ...] = ()


@pytest.mark.parametrize("protocol", range(pickle.HIGHEST_PROTOCOL + 1))
def test_pickled_objects_come_back(protocol: int) -> None:
    assert pickle.loads(pickle.dumps(Kept(3, (1,)), protocol)) == Kept(3, (1,))


def test_what_is_no_field_cannot_be_set_either() -> None:
    """The standard library's own answer with slots is a TypeError about super()."""
    with pytest.raises(dataclasses.FrozenInstanceError, match="cannot assign to field 'other'"):
        OURS["Point"](1).other = 1


def test_nothing_is_compiled_before_the_first_object() -> None:
    made = family(ours)["Point"]
    before = made.__init__
    assert made(1) == made(1, 2)
    assert made.__init__ is not before
    with pytest.raises(TypeError, match="missing 1 required positional argument: 'x'"):
        made()


def test_all_else_is_left_to_the_standard_library() -> None:
    @ours(slots=True)
    class Loose:
        x: int

    loose = Loose(1)
    loose.x = 2
    assert loose == Loose(2)
    assert type(loose).__init__.__code__.co_varnames[0] == "self"
