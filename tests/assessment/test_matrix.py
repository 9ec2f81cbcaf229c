"""Variants beside each other: as single runs tell, the worst variant of each check named."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from regmap.assessment.matrix import matrix
from regmap.assessment.stage import assess, signature
from regmap.report.matrix import matrix_page
from regmap.stages.load import Stage, load_stage

BASE = Path(__file__).parents[2] / "devices" / "coolant_pump.yaml"


def variants(folder: Path, count: int) -> list[Stage]:
    """`count` stages that extend one, each with another PWM frequency."""
    (folder / "base.yaml").write_text(BASE.read_text().partition("\nmodes:")[0])
    made = []
    for index in range(count):
        path = folder / f"v{index}.yaml"
        path.write_text(
            f"gateword_stage: 1\nextends: base.yaml\nstage: {{name: v{index}}}\npwm.frequency: {20 + 2 * index} kHz\n"
        )
        made.append(load_stage(path))
    return made


def test_thirty_variants_equal_thirty_single_runs(tmp_path: Path) -> None:
    stages = variants(tmp_path, 30)
    found = matrix(stages)
    assert len(found.rows) > 80
    for index, stage in list(enumerate(stages))[::3]:
        alone = {v.check: v for v in assess(stage).verdicts}
        beside = {r.check: r.verdicts[index] for r in found.rows}
        assert set(alone) == set(beside)
        assert all(signature(alone[n]) == signature(v) for n, v in beside.items())


def test_the_worst_variant_is_the_one_with_the_smallest_margin(tmp_path: Path) -> None:
    """Worked out from the numbers alone: status first, then the share of the limit."""
    found = matrix(variants(tmp_path, 6))
    ranks = {"fails": 0, "low_margin": 1, "not_computed": 2, "holds": 3}
    last = -1
    for row in found.rows:
        keys = [(ranks[v.status], v.relative or 0.0) for v in row.verdicts if v is not None]
        worst = row.verdicts[row.worst]
        assert worst is not None
        assert (ranks[worst.status], worst.relative or 0.0) == min(keys), row.check
        assert ranks[row.status] >= last or row.status == "not_computed"
        last = max(last, ranks[row.status]) if row.status != "not_computed" else last
    # dead time costs more of each period the shorter it is: the fastest is the worst
    duty = next(r for r in found.rows if r.check == "deadtime.voltage-error")
    assert found.names[duty.worst] == "v5"


def test_a_variant_on_another_chip_has_its_own_checks() -> None:
    pump, drum = (replace(load_stage(n), modes={}) for n in ("coolant_pump", "conveyor_drum"))
    found = matrix([pump, drum])
    names = [{v.check for v in assess(s).verdicts} for s in (pump, drum)]
    assert names[0] != names[1]
    for row in found.rows:
        assert [v is not None for v in row.verdicts] == [row.check in n for n in names]


def test_the_page_shows_every_check_of_every_variant(tmp_path: Path) -> None:
    stages = variants(tmp_path, 3)
    found = matrix([*stages, stages[0]])
    text = matrix_page(found, {})
    assert found.names[0] == f"v0 ({stages[0].file})"
    for row in found.rows:
        assert f"<code>{row.check}</code>" in text
    assert text.count("<tr") == 2 + 4 + len(found.rows)
    assert "invented" in text
    assert "local codes" in text
    assert "<script" not in text
