"""A map whose check bits are wrong: its known frames say what would be right."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from regmap.chip.guard import Crc
from regmap.maps.checkbits import solve_checks
from regmap.maps.load import load_map, read_map
from regmap.maps.vet import check_map

TEXT = """
gateword_map: 1
chip: {{name: small}}
spi: {{mode: 1}}
frames:
  word:
    length: 24
    command:
      op:      {{bits: 23, holds: operation, codes: {{read: 1, write: 0}}}}
      address: {{bits: 22..20, holds: address}}
      data:    {{bits: 19..8, holds: data}}
      crc:     {{bits: 7..0, holds: crc, polynomial: 0x2F{crc}}}
registers:
  A: {{address: 1, fields: {{ALL: {{bits: 11..0}}}}}}
  B: {{address: 6, fields: {{ALL: {{bits: 11..0}}}}}}
known_frames:
{frames}
"""

#: what the data sheet really does, and how a map says it
FORMS = {
    "another start": (Crc(8, 0x2F, init=0xFF), "", "init: 0xFF"),
    "inverted": (Crc(8, 0x2F, xor_out=0xFF), "", "xor: 0xFF"),
    "another polynomial": (Crc(8, 0x1D), "", "polynomial: 0x1D"),
    "reflected": (Crc(8, 0x2F, init=0xFF, reflect_in=True, reflect_out=True), "", "reflect_in: yes, reflect_out: yes"),
    "not reflected": (Crc(8, 0x2F), ", reflect_in: yes", "polynomial: 0x2F, over: 23..8"),
    "flushed": (Crc(8, 0x2F, init=0xFF, flush=8), ", init: 0xFF", "flush: 8"),
}  # fmt: skip


def frames_of(crc: Crc) -> list[tuple[str, int]]:
    """Examples as a data sheet of such a chip would print them, check bits worked bit by bit."""
    made = []
    for request, payload in (
        ("read:A", 0x9000), ("read:B", 0xE000), ("A=0x5A5", 0x15A5), ("B=0xFFF", 0x6FFF),
        ("B=0x001", 0x6001), ("A=0x800", 0x1800), ("A=0x123", 0x1123), ("B=0x3C0", 0x63C0),
    ):  # fmt: skip
        made.append(
            (request, payload << 8 | crc.over_bits(payload >> b & 1 for b in range(15, -1, -1)))
        )
    return made


def text_of(crc: Crc, keys: str) -> str:
    lines = [
        f'  - {{does: "{does}", command: 0x{word:06X}, source: page 1}}'
        for does, word in frames_of(crc)
    ]
    return TEXT.format(crc=keys, frames="\n".join(lines))


@pytest.mark.parametrize("form", FORMS)
def test_vet_says_what_explains_the_examples(form: str) -> None:
    crc, keys, said = FORMS[form]
    _, problems = check_map("small.yaml", text=text_of(crc, keys))
    errors = [str(p) for p in problems if p.severity == "error"]
    assert errors
    for error in errors:
        assert "(differs in crc); all 8 examples of frames.word.command fit polynomial" in error
        assert said in error


def test_the_map_itself_is_what_explains_its_examples() -> None:
    for name in ("quoll16", "numbat24", "bilby32", "potoroo40", "wombat24"):
        for solved in solve_checks(load_map(name)):
            if solved.solution.examples > 1 or solved.part.width == 1:
                assert solved.right, f"{name} {solved.path}"
                assert solved.solution.readings[0].part is solved.part
                assert "(as the map says)" in next(iter(solved.lines()))


def test_a_misprint_is_explained_by_nothing() -> None:
    text = text_of(Crc(8, 0x2F), "")
    chip, _ = read_map("small.yaml", text=text.replace("0x15A5", "0x15A7"))
    assert chip is not None
    (solved,) = solve_checks(chip)
    assert solved.solution.readings == ()
    assert next(iter(solved.lines())).endswith("one of them may be misprinted")


def test_solve_at_the_shell(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from regmap.cli.main import main

    file = tmp_path / "small.yaml"
    crc, keys, _ = FORMS["reflected"]
    file.write_text(text_of(crc, keys), encoding="utf-8")
    assert main(["vet", "--solve", str(file), "--json"]) == 0
    (row,) = json.loads(capsys.readouterr().out)["files"]
    (check,) = row["checks"]
    assert check["part"] == "frames.word.command.crc"
    assert (check["examples"], check["as_in_map"], check["more_examples"]) == (8, False, 0)
    (reading,) = check["readings"]
    assert "polynomial: 0x2F, init: 0xFF, reflect_in: yes, reflect_out: yes, over: 23..8" in [
        reading["keys"],
        *reading["same"],
    ]
    assert main(["vet", "--solve", str(file)]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert out.startswith("frames.word.command.crc: 8 examples: polynomial: 0x2F, ")
