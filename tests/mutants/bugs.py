"""The bugs of `run.py`: each one a mistake that a tired person makes, in the place where it would hurt."""

from __future__ import annotations

from typing import NamedTuple


class Bug(NamedTuple):
    """`before` stands once in `file` and becomes `after`; `tests` are those that should notice."""

    name: str
    file: str
    before: str
    after: str
    tests: str


BUGS: list[Bug] = []
