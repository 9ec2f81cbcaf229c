"""Shared helpers of the tests."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable

import pytest


def require_tool(name: str) -> str:
    """Path of an external program; skips without it, fails when GATEWORD_NEED_TOOLS=1."""
    path = shutil.which(name)
    if path is None:
        text = f"{name} is not installed"
        if os.environ.get("GATEWORD_NEED_TOOLS") == "1":
            pytest.fail(text)
        pytest.skip(text)
    return path


@pytest.fixture(scope="session")
def need_tool() -> Callable[[str], str]:
    """`require_tool` for test modules, which cannot import this file."""
    return require_tool
