"""Records of bundled stages as they stand, each worked out once."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import pytest

from regmap.report import ReviewRecord, review
from regmap.stages.load import load_stage


@pytest.fixture(scope="session")
def record_of() -> Callable[[str], ReviewRecord]:
    """The record of a bundled stage by its name, without a capture."""
    return cache(lambda name: review(load_stage(name)))
