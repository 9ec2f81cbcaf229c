"""devices/README.md: the reference is the grammar's, and its worked example is a sound map."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from regmap.behaviour.plan import plan
from regmap.errors import CallError
from regmap.frames.codec import Codec
from regmap.maps.grammar import map_shape
from regmap.maps.load import read_map
from regmap.maps.new import new_map
from regmap.maps.reference import END, START, reference, rewrite, updated
from regmap.maps.vet import check_map
from regmap.parameters import CHIP, ROLES

README = Path(__file__).parents[2] / "devices" / "README.md"
TEXT = README.read_text(encoding="utf-8")


def worked_example() -> str:
    return "\n".join(re.findall(r"```yaml dunnart\n(.*?)```", TEXT, re.DOTALL))


def test_the_reference_is_up_to_date() -> None:
    assert updated(TEXT) == TEXT, (
        "the grammar has changed; run: python -c "
        "'from pathlib import Path; from regmap.maps.reference import rewrite; rewrite(Path(\"devices/README.md\"))'"
    )


def test_every_key_role_and_parameter_is_in_it() -> None:
    text = reference()
    for key in map_shape().keys:
        assert f"| `{key}` |" in text
    for name in [*ROLES, *(n for n in CHIP if not n.startswith("spi."))]:
        assert f"| `{name}` |" in text


def test_the_worked_example_is_a_sound_map() -> None:
    chip, problems = check_map("dunnart16.yaml", text=worked_example())
    assert [str(p) for p in problems] == []
    assert chip is not None
    assert len(chip.known_frames) == 2
    # the words as the page spells them out, bit by bit
    assert int("0 0011 01010101 10 0".replace(" ", ""), 2) == 0x1AAC
    assert int("0 1 010 00000001 01 1".replace(" ", ""), 2) == 0x500B
    (planned,) = plan(chip, ["TIME.DEAD = 350 ns; TIME.BLANK = 1 us"])
    assert planned.sent.word == 0x1AAC
    read = Codec(chip).read(chip.registers["STAT"])
    answer = Codec(chip).decode_reply(0x500B, read)
    assert (answer.data, answer.status["reset"], answer.flaws) == (1, True, ())


def test_every_shipped_map_is_named() -> None:
    folder = README.parent
    for path in folder.glob("*.yaml"):
        if "gateword_map:" in path.read_text(encoding="utf-8"):
            assert f"| `{path.stem}` |" in TEXT


def test_every_inline_requests_and_conditions_are_understood() -> None:
    """The forms that the text lists are forms that the loader takes."""
    base = new_map()
    for band in ("40..60 mA", "20 / 25 / 30 mA", "25 mA +- 20 %", "{typ: 25 mA, tolerance: 20 %}"):
        assert f"`{band}`" in TEXT or band.startswith("{")
        chip, problems = read_map("x.yaml", text=base + f"electrical: {{supply.current: {band}}}\n")
        assert chip is not None, problems


def test_rewriting(tmp_path: Path) -> None:
    path = tmp_path / "README.md"
    path.write_text(f"before\n{START}\nold\n{END}\nafter\n", encoding="utf-8")
    assert rewrite(path)
    assert not rewrite(path)
    text = path.read_text(encoding="utf-8")
    assert text.startswith("before\n")
    assert text.endswith("after\n")
    assert reference() in text
    with pytest.raises(CallError, match="no marks for the reference"):
        updated("nothing here")


def test_the_starting_map_vets_clean() -> None:
    chip, problems = check_map("new.yaml", text=new_map())
    assert chip is not None
    assert problems == []
    assert chip.known_frames
    assert all(len(line) <= 120 for line in new_map().splitlines())
