"""Generated headers against files that were read by eye.

After a wanted change: GATEWORD_WRITE_GOLDEN=1 python -m pytest tests/golden, then read the difference.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from regmap.cheader import Options, generate
from regmap.maps.load import load_map
from regmap.stages.load import load_stage

HERE = Path(__file__).parent
# a fixed version: a release changes the hash, not the text that was read
OPTIONS = Options(prefix="sm", version="golden")


def produced(name: str) -> str:
    if name == "small_map.h":
        return generate(load_map(HERE / "small.yaml"), OPTIONS).header
    stage = load_stage(HERE / "small_stage.yaml")
    if name == "small_stage.h":
        return generate(stage, OPTIONS).header
    made = generate(
        stage,
        Options(prefix="sm", version="golden", split=True, include="small_pair.h", crc="loop"),
    )
    return made.header if name.endswith(".h") else str(made.source)


@pytest.mark.parametrize("name", ["small_map.h", "small_stage.h", "small_pair.h", "small_pair.c"])
def test_golden(name: str) -> None:
    path = HERE / name
    text = produced(name)
    if os.environ.get("GATEWORD_WRITE_GOLDEN") == "1":
        path.write_text(text, "ascii")
    assert text == path.read_text("ascii"), f"{name} changed; see the module's text"
