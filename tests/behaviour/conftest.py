"""A chip with one register for each way in which a field can behave under frames."""

from __future__ import annotations

from pathlib import Path

import pytest

from regmap.chip.model import Chip
from regmap.maps.load import load_map


@pytest.fixture(scope="package")
def access() -> Chip:
    return load_map(Path(__file__).with_name("access.yaml"))
