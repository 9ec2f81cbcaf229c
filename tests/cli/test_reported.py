"""Faults that a configuration only reports, as the commands tell of them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from regmap.maps.load import find_document

Run = Callable[..., Any]


def test_the_commands_say_that_the_chip_does_not_act(gateword: Run, tmp_path: Path) -> None:
    path = tmp_path / "pump.yaml"
    path.write_text(
        Path(find_document("coolant_pump")).read_text().replace("VDS_ACT: latch", "VDS_ACT: report")
    )

    def said(*words: str) -> str:
        return " ".join(gateword(*words).out.split())

    text = said("explain", str(path), "STATUS1=0x009")
    assert (
        "reported only in this configuration (MODE.VDS_ACT == report): the chip does not act"
        in text
    )
    assert "reported only in this configuration, the chip does not act: VDS_UH, VDS_UL" in text
    assert '"reported_only_by_configuration": [' in said(
        "explain", str(path), "STATUS1=0x009", "--json"
    )
    assert "only reported while MODE.VDS_ACT == report: the chip does not act" in said(
        "show", "quoll16", "VDS_UH"
    )
    assert "VDS_UH is only reported while MODE.VDS_ACT == report" in said(
        "check", str(path), "--explain", "reaction.masked"
    )
    page = tmp_path / "page.html"
    said("report", str(path), "-o", str(page))
    assert "REPORTED ONLY" in page.read_text()
