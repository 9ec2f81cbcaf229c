"""The bench as a fixture, since test modules cannot import each other."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from types import ModuleType

import pytest


def _load() -> ModuleType:
    spec = importlib.util.spec_from_file_location(
        "link_bench", Path(__file__).with_name("bench.py")
    )
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def make_bench() -> type:
    """`Bench` of bench.py."""
    return _load().Bench
