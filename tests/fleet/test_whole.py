"""A fleet of all chips and a fleet of logs, small in the suite; the whole on demand, told while it runs.

GATEWORD_FLEET=5000,2000,25000 pytest -s tests/fleet/test_whole.py: captures, units, logged rows of each unit.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

pytest.importorskip("pyarrow")

sys.path.insert(0, str(Path(__file__).parent))
try:
    import whole
finally:
    sys.path.pop(0)

CAPTURES, UNITS, ROWS = map(int, os.environ.get("GATEWORD_FLEET", "9,60,120").split(","))
WHOLE = "GATEWORD_FLEET" in os.environ


def quiet(text: str) -> None:
    del text


def test_captures_are_as_made(tmp_path: Path) -> None:
    whole.captures(tmp_path, CAPTURES, whole.tell if WHOLE else quiet, workers=None if WHOLE else 1)


def test_logs_are_as_made(tmp_path: Path) -> None:
    whole.logs(tmp_path, UNITS, ROWS, whole.tell if WHOLE else quiet, workers=None if WHOLE else 1)
