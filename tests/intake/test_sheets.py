"""Invented data sheets in thirteen styles, and one that is a picture: how much is read right, held against the truth."""

from __future__ import annotations

import importlib.util
import sys
from collections import Counter
from pathlib import Path
from types import ModuleType

import pytest

from regmap.errors import FileError
from regmap.intake import read_sources

HERE = Path(__file__).parent
SHEETS = HERE / "sheets"
KEYS = sorted(p.stem for p in SHEETS.glob("*.json"))


def _module(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, HERE / f"{name}.py")
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


made, judge = _module("make_sheets"), _module("score")


@pytest.mark.parametrize("kind", ["html", "pdf"])
def test_nearly_all_fields_are_exact_and_hardly_any_is_wrong_unnoticed(
    kind: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """97 % of fields exact over all styles, under 0.5 % of items wrong without a doubt."""
    if kind == "pdf":
        pytest.importorskip("pdfplumber")
    whole: Counter[str] = Counter()
    told = []
    for key in KEYS:
        sheet = read_sources([str(SHEETS / f"{key}.{kind}")])
        counts, lines = judge.score(sheet, judge.truth_of(SHEETS / f"{key}.json"))
        whole += counts
        told += [f"{key}: {line}" for line in lines]
    with capsys.disabled():
        print(f"\n{kind}: {dict(sorted(whole.items()))}")  # noqa: T201
    fields = whole["fields right"] + whole["fields inexact"] + whole["fields missing"]
    assert fields > 400
    assert whole["fields right"] >= 0.97 * fields, told[:20]
    silent = sum(n for what, n in whole.items() if what.endswith("silent"))
    assert silent < 0.005 * fields, told[:20]


def test_the_judge_notices_what_is_wrong() -> None:
    sheet = read_sources([str(SHEETS / "ruled.html")])
    field = next(f for r in sheet.registers for f in r.fields if f.options)
    field.bits = (63,)
    field.access = "sc"
    counts, _ = judge.score(sheet, judge.truth_of(SHEETS / "ruled.json"))
    assert counts["bits wrong"] == counts["access wrong"] == counts["fields inexact"] == 1
    assert counts["bits silent"] == 1


def test_there_are_twelve_styles_and_their_sources_are_what_the_maker_writes() -> None:
    assert len(KEYS) >= 12
    for index, (key, style) in enumerate(made.STYLES.items()):
        registers = made.chip(100 + index, style.width, style.registers)
        assert (SHEETS / f"{key}.html").read_text(encoding="utf-8") == made.page(
            key, style, registers
        )


def test_a_picture_of_a_page_is_told_as_one() -> None:
    pytest.importorskip("pdfplumber")
    with pytest.raises(FileError, match="pictures, as a scanner makes them"):
        read_sources([str(SHEETS / "scanned.pdf")])
