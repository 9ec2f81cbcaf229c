"""Items one step ahead: same items, same errors, no thread left behind."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import pytest

from regmap.capture.ahead import ahead


def alive() -> list[str]:
    return [t.name for t in threading.enumerate() if t.name == "capture-ahead"]


def test_same_items_in_order() -> None:
    assert list(ahead(iter(range(1000)))) == list(range(1000))
    assert list(ahead(iter([]))) == []
    assert not alive()


def test_an_error_comes_where_its_item_would_have_come() -> None:
    def items() -> Iterator[int]:
        yield 1
        yield 2
        raise KeyError("third")

    stream = ahead(items())
    assert [next(stream), next(stream)] == [1, 2]
    with pytest.raises(KeyError, match="third"):
        next(stream)
    assert not alive()


def test_stopping_early_ends_the_thread() -> None:
    given = []

    def items() -> Iterator[int]:
        for k in range(10**9):
            given.append(k)
            yield k

    stream = ahead(items(), depth=2)
    assert next(stream) == 0
    stream.close()  # type: ignore[attr-defined]
    assert not alive()
    assert len(given) < 10
