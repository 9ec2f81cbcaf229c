"""Families by `extends`, and sequences: overrides, removals, bounds, cycles, ordered steps."""

from __future__ import annotations

from pathlib import Path

import pytest

from regmap.behaviour.settings import bring_up_sequence
from regmap.chip.bank import Bank
from regmap.maps.load import load_map, read_map
from regmap.maps.new import new_map
from regmap.maps.vet import check_map


def write(folder: Path, name: str, text: str) -> Path:
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    return path


def errors(path: Path) -> list[str]:
    chip, problems = check_map(path)
    assert chip is None
    return [
        f"{Path(p.place.file).name}:{p.place.line}:{p.place.column}: {p.found}" for p in problems
    ]


def test_a_variant_is_a_few_lines() -> None:
    parent, child = load_map("quoll16"), load_map("quokka16")
    assert (parent.name, child.name) == ("quoll16", "quokka16")
    assert [Path(f).name for f in child.files] == ["quokka16.yaml", "quoll16.yaml"]
    assert child.digest != parent.digest
    # left out
    assert set(parent.registers) - set(child.registers) == {"WATCHDOG"}
    assert child.field("SERVICE.WD_KEY") is None
    assert set(parent.faults) - set(child.faults) == {"OT_WARN", "WD"}
    assert (parent.watchdog, child.watchdog) == ("SERVICE.WD_KEY", "")
    # changed
    assert (parent.registers["ID"].reset, child.registers["ID"].reset) == (0x161, 0x171)
    assert parent.spi.clock_max != child.spi.clock_max
    assert child.spi.mode == parent.spi.mode
    source = child.field("GATE_HS.SOURCE")
    assert source is not None
    assert (source.role, len(source.meanings[0].entries)) == ("gate.source.high", 16)
    # inherited
    assert child.registers["VDS"].fields[0].meanings == parent.registers["VDS"].fields[0].meanings
    assert child.frames.keys() == parent.frames.keys()
    assert child.chain is not None
    assert parent.chain is None


def test_a_line_of_three(tmp_path: Path) -> None:
    write(tmp_path, "a.yaml", new_map())
    write(
        tmp_path,
        "b.yaml",
        "gateword_map: 1\nextends: a.yaml\nchip: {name: b}\nregisters: {GATE: {reset: 0x042}}\n",
    )
    path = write(
        tmp_path,
        "c.yaml",
        "gateword_map: 1\nextends: b.yaml\nchip: {name: c}\nwithout: [faults.POR]\n",
    )
    chip = load_map(path)
    assert (chip.name, chip.registers["GATE"].reset, list(chip.faults)) == ("c", 0x042, ["UV"])
    assert [Path(f).name for f in chip.files] == ["c.yaml", "b.yaml", "a.yaml"]


def test_a_list_is_replaced_and_a_mapping_merged(tmp_path: Path) -> None:
    write(tmp_path, "a.yaml", new_map())
    path = write(
        tmp_path, "b.yaml",
        "gateword_map: 1\nextends: a.yaml\nfaults: {UV: {causes: [other], title: Low supply}}\n",
    )  # fmt: skip
    fault = load_map(path).faults["UV"]
    assert (fault.causes, fault.title, fault.severity) == (("other",), "Low supply", "stop")


def test_problems_stand_where_they_were_written(tmp_path: Path) -> None:
    write(tmp_path, "a.yaml", new_map().replace("clock_max: 8 MHz", "clock_max: 10 ns"))
    path = write(tmp_path, "b.yaml", "gateword_map: 1\nextends: a.yaml\nspi: {mode: 7}\n")
    assert errors(path) == ["b.yaml:3:13: '7'", "a.yaml:15:14: '10 ns' is a time"]


def test_maps_that_extend_each_other(tmp_path: Path) -> None:
    write(tmp_path, "a.yaml", "gateword_map: 1\nextends: b.yaml\n")
    path = write(tmp_path, "b.yaml", "gateword_map: 1\nextends: a.yaml\n")
    assert errors(path) == ["a.yaml:2:10: 'b.yaml', which extends this map in turn"]
    path = write(tmp_path, "self.yaml", "gateword_map: 1\nextends: self.yaml\n")
    assert errors(path) == ["self.yaml:2:10: 'self.yaml', which extends this map in turn"]


def test_a_line_too_long(tmp_path: Path) -> None:
    for index in range(12):
        write(tmp_path, f"m{index}.yaml", f"gateword_map: 1\nextends: m{index + 1}.yaml\n")
    assert errors(tmp_path / "m0.yaml") == ["m7.yaml:2:10: more than 8 maps deep"]


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    write(tmp_path, "parent.yaml", new_map())
    path = write(tmp_path, "b.yaml", "gateword_map: 1\nextends: parnet.yaml\n")
    _, problems = read_map(path)
    assert [p.nearest for p in problems] == ["parent.yaml"]


def test_the_folder_cannot_be_left(tmp_path: Path) -> None:
    write(tmp_path, "outside.yaml", new_map())
    write(tmp_path, "in/below/base.yaml", new_map())
    assert load_map(
        write(tmp_path, "in/a.yaml", "gateword_map: 1\nextends: below/base.yaml\n")
    ).name
    for target in ("../outside.yaml", "below/../../outside.yaml", "/etc/hostname"):
        path = write(tmp_path, "in/b.yaml", f"gateword_map: 1\nextends: {target}\n")
        assert errors(path) == [f"b.yaml:2:10: '{target}', outside the folder of the map"]
    # what is below may not reach up either: the first file's folder bounds the whole line
    write(tmp_path, "in/below/c.yaml", "gateword_map: 1\nextends: ../../outside.yaml\n")
    path = write(tmp_path, "in/d.yaml", "gateword_map: 1\nextends: below/c.yaml\n")
    assert errors(path) == ["c.yaml:2:10: '../../outside.yaml', outside the folder of the map"]


@pytest.mark.parametrize("name", ["GATE.SINC", "faults.OV", "NOTHING", "registers.NOTHING"])
def test_without_what_the_parent_does_not_have(name: str, tmp_path: Path) -> None:
    write(tmp_path, "a.yaml", new_map())
    path = write(tmp_path, "b.yaml", f"gateword_map: 1\nextends: a.yaml\nwithout: [{name}]\n")
    assert errors(path) == [f"b.yaml:3:11: '{name}', which the extended map does not have"]


def test_references_to_what_was_left_out_are_found(tmp_path: Path) -> None:
    write(tmp_path, "a.yaml", new_map())
    path = write(tmp_path, "b.yaml", "gateword_map: 1\nextends: a.yaml\nwithout: [faults.UV]\n")
    # the status bit of the reply, and what follows from the fault
    assert errors(path) == ["a.yaml:32:51: the fault 'UV'", "a.yaml:75:20: the fault 'UV'"]


# --- sequences -------------------------------------------------------------------------------------
def test_sequences_become_steps_and_frames() -> None:
    chip = load_map("numbat24")
    assert [s.do for s in chip.sequences["power_up"]] == ["wait", "expect", "expect", "expect"]
    assert [s.do for s in chip.sequences["unlock"]] == ["key", "expect"]
    assert list(chip.sequences) == ["power_up", "unlock", "configure", "lock", "clear_faults"]
    actions = bring_up_sequence(chip, Bank.at_reset(chip))
    done = [(a.sequence, a.do, a.text) for a in actions]
    assert done[0] == ("power_up", "wait", "wait 2.5 ms")
    assert [t for p, _, t in done if p == "unlock"][:2] == ["KEY.CODE = first", "KEY.CODE = second"]
    configured = [
        a.sent.register.name for a in actions if a.do == "write" and a.sent and a.sent.register
    ]
    named = [s.targets for s in chip.sequences["configure"] if s.do == "configure"]
    assert tuple(configured) == named[0]
    assert done[-1][0] == "lock"


def test_every_shipped_map_can_be_brought_up() -> None:
    for name in ("quoll16", "quokka16", "kowari16", "numbat24", "bilby32", "potoroo40", "wombat24"):
        chip = load_map(name)
        actions = bring_up_sequence(chip, Bank.at_reset(chip))
        assert any(a.do == "write" for a in actions), name
        assert any(a.do == "verify" for a in actions), name


def test_frames_grow_in_the_middle_of_a_sequence() -> None:
    chip = load_map("wombat24")
    actions = [a for a in bring_up_sequence(chip, Bank.at_reset(chip)) if a.sent is not None]
    lengths = [a.sent.bits for a in actions if a.sent is not None]
    assert lengths == sorted(lengths)
    assert (lengths[0], lengths[-1]) == (24, 32)
    assert actions[-1].text == "SAFETY.CRC = on"
    assert actions[-1].do == "expect"
