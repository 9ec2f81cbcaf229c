"""The bundled captures of the simulated chip: up to date, and read back as what was on the SPI."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from types import ModuleType

import pytest

FOLDER = Path(__file__).parents[2] / "captures"


def _load() -> ModuleType:
    path = Path(__file__).with_name("make_captures.py")
    spec = importlib.util.spec_from_file_location("make_captures", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


maker = _load()


@pytest.mark.parametrize("name", maker.CAPTURES)
def test_shipped_as_made(name: str) -> None:
    bundled = (FOLDER / name).read_text(encoding="ascii")
    assert bundled == maker.CAPTURES[name](), "run python tests/captures/make_captures.py"


@pytest.mark.parametrize("name", maker.CAPTURES)
def test_origin_is_noted(name: str) -> None:
    assert f"`{name}`" in (FOLDER / "README.md").read_text(encoding="utf-8")
    assert "invented" in (FOLDER / name).read_text(encoding="ascii")[:200]
