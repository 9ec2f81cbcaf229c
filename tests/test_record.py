"""Our frozen data classes behave as those of the standard library, and compile nothing before they are used."""

from __future__ import annotations

import copy
import dataclasses
import pickle
import subprocess
import sys
from collections.abc import Callable
from dataclasses import asdict, fields, replace
from typing import Any, ClassVar

import pytest
from hypothesis import given
from hypothesis import strategies as st

from regmap.record import dataclass as ours
from regmap.record import field as our_field
from regmap.record import fields as our_fields
from regmap.record import replace as our_replace


def family(make: Callable[..., Any], field: Any) -> dict[str, Any]:
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


OURS, THEIRS = family(ours, our_field), family(dataclasses.dataclass, dataclasses.field)
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
    def facts(classes: dict[str, Any]) -> list[Any]:
        again, names = (our_replace, our_fields) if classes is OURS else (replace, fields)
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
            outcome(lambda: repr(again(thing, **{first: 9}))),
            outcome(lambda: repr(again(thing, doubled=9))) if name == "Checked" else (),
            outcome(lambda: asdict(thing)),
            outcome(lambda: repr(copy.copy(thing))),
            outcome(lambda: repr(copy.deepcopy(thing))),
            [(f.name, f.default, f.init, f.repr, f.compare, f.kw_only, f.type) for f in fields(cls)],
            [f.name for f in names(cls)],
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


def test_a_function_is_written_for_a_class_with_many_objects_or_for_a_wrong_call() -> None:
    made = family(ours, our_field)["Point"]
    before = made.__init__
    assert made(1) == made(1, 2)
    assert made.__init__ is before
    with pytest.raises(TypeError, match="missing 1 required positional argument: 'x'"):
        made()
    assert made.__init__ is not before
    made = family(ours, our_field)["Point"]
    before = made.__init__
    assert len({made(1, y=n % 3) for n in range(20)}) == 3
    assert made.__init__ is not before


@pytest.mark.parametrize(("name", "plain", "named"), CALLS)
def test_the_first_object_and_the_last_are_made_alike(
    name: str, plain: tuple[Any, ...], named: dict[str, Any]
) -> None:
    cls = family(ours, our_field)[name]
    made = [outcome(lambda: cls(*plain, **named)) for _ in range(12)]
    assert len({repr(m) for m in made}) == 1


def loose(make: Callable[..., Any], field: Any) -> list[Any]:
    """What can be done with a class whose objects change, and with one that compares by identity."""

    @make(slots=True)
    class Loose:
        x: int
        others: list[Any] = field(default_factory=list, repr=True)

    @make(slots=True, eq=False)
    class Same:
        x: int

    one = Loose(1)
    one.x = 2
    shown = repr(one).split("<locals>.")[-1]
    one.others.append(one)
    return [
        one == Loose(2),
        one == Loose(2, [one]),
        outcome(lambda: hash(one)),
        shown,
        "..." in repr(one),
        outcome(lambda: setattr(one, "other", 1)),
        copy.copy(one).x,
        Same(1) == Same(1),
        len({Same(1), Same(1)}),
        Same(3).x,
    ]


def test_objects_that_change_do_as_those_of_the_standard_library() -> None:
    assert loose(ours, our_field) == loose(dataclasses.dataclass, dataclasses.field)


def test_what_cannot_be_said_of_a_field_is_refused() -> None:
    with pytest.raises(ValueError, match="mutable default <class 'list'> for field x"):

        @ours(frozen=True, slots=True)
        class Shared:
            x: list[int] = []  # noqa: RUF012

    with pytest.raises(TypeError, match="field 'x': `field` is that of regmap"):

        @ours(frozen=True, slots=True)
        class Mixed:
            x: list[int] = dataclasses.field(default_factory=list)

    with pytest.raises(TypeError, match="has slots"):
        ours(slots=False)


def test_the_class_it_is_keeps_what_was_said_of_it() -> None:
    made = OURS["Named"]
    assert OURS["Point"].__doc__ == "Two numbers."
    assert made.__qualname__ == THEIRS["Named"].__qualname__
    assert made.__module__ == __name__
    assert made.seen == 7
    assert made(name="n", x=1).total == 3


def test_the_data_classes_of_the_standard_library_are_not_loaded() -> None:
    """They load `inspect`, `ast`, `dis` and more, which takes a tenth of a second on a small machine."""
    said = subprocess.run(
        [sys.executable, "-c", "import sys, regmap.maps.load, regmap.cheader; print('dataclasses' in sys.modules)"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert said.stdout.strip() == "False", said.stderr
