"""devices/STAGES.md is written from the tables that the loader reads by, and its example is a stage."""

from __future__ import annotations

import re
from pathlib import Path

from regmap.maps.reference import updated
from regmap.parameters import STAGE
from regmap.stages.grammar import stage_keys
from regmap.stages.load import read_stage
from regmap.stages.reference import START, reference, rewrite

PAGE = Path(__file__).parents[2] / "devices" / "STAGES.md"


def test_the_page_is_as_the_tables_say(tmp_path: Path) -> None:
    text = PAGE.read_text(encoding="utf-8")
    assert updated(text, START, reference()) == text
    copy = tmp_path / "STAGES.md"
    copy.write_text(text.replace("| `settings` |", "| `setings` |"), encoding="utf-8")
    assert rewrite(copy)
    assert copy.read_text(encoding="utf-8") == text
    assert not rewrite(copy)


def test_every_key_and_parameter_stands_in_it() -> None:
    text = PAGE.read_text(encoding="utf-8")
    for name in (*STAGE, *stage_keys().keys):
        assert f"| `{name}` |" in text, name


def test_the_example_loads(tmp_path: Path) -> None:
    [example] = re.findall(r"```yaml\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)
    path = tmp_path / "stage.yaml"
    path.write_text(example)
    stage, problems = read_stage(path)
    assert stage is not None, problems
    assert not [p for p in problems if p.severity != "warning"]
