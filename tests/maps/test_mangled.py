"""Mangled maps: whatever stands in the file, the answer is a chip or located problems, no traceback."""

from __future__ import annotations

import contextlib
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from regmap.behaviour.machine import Machine
from regmap.behaviour.plan import plan
from regmap.behaviour.settings import bring_up_sequence
from regmap.chip import values
from regmap.chip.bank import Bank
from regmap.chip.model import Chip
from regmap.errors import CallError
from regmap.expr import evaluate
from regmap.frames.codec import Codec
from regmap.maps.new import new_map
from regmap.maps.vet import check_map

BASE = (Path(__file__).parent / "base.yaml").read_text(encoding="utf-8")
DEVICES = Path(__file__).parents[2] / "devices"
TEXTS = [
    BASE,
    new_map(),
    *((DEVICES / f"{n}.yaml").read_text("utf-8") for n in ("bilby32", "wombat24")),
]
#: what people and slips of the keyboard leave behind
SCRAPS = [
    "", " ", "-1", "0", "1", "99", "0xFFFFFFFFFFFFFFFF", "1e9", "yes", "[]", "{}", "~", "null", "''", "7..4", "[7, 7]",
    "a", "REG.FIELD", "GATE.HIGH", "supply", "60 mA", "10 %", "1 / 2 / 3 V", "3..1 s", "reset", "any", "all", "read:GATE",
    "GATE.HIGH = 1", "not", "(", "x: y", "- -", "*a", "&a b", "!!int 3", "|", ">", "#", "\t", ":", ",", "\u00b5", "\u202e",
    "{a: [b, {c: d}]}", "0b2", "-", "..", "1..", "0..65535", "A" * 70,
]  # fmt: skip


@st.composite
def mangled(draw: st.DrawFn) -> str:
    text = draw(st.sampled_from(TEXTS))
    lines = text.splitlines()
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(lines) - 1))
        line = lines[at]
        kind = draw(st.sampled_from(["drop", "twice", "swap", "value", "token", "indent", "cut"]))
        if kind == "drop":
            del lines[at]
        elif kind == "twice":
            lines.insert(at, line)
        elif kind == "swap":
            other = draw(st.integers(0, len(lines) - 1))
            lines[at], lines[other] = lines[other], lines[at]
        elif kind == "value" and ":" in line:
            lines[at] = line.partition(":")[0] + ": " + draw(st.sampled_from(SCRAPS))
        elif kind == "token":
            words = line.split(" ")
            words[draw(st.integers(0, len(words) - 1))] = draw(st.sampled_from(SCRAPS))
            lines[at] = " ".join(words)
        elif kind == "indent":
            lines[at] = draw(st.sampled_from(["  ", "    ", ""])) + line.lstrip()
        elif kind == "cut":
            lines[at] = line[: draw(st.integers(0, len(line)))]
        if not lines:
            break
    return "\n".join(lines) + "\n"


@settings(max_examples=250, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(mangled())
def test_a_mangled_map_is_told_about(text: str) -> None:
    chip, problems = check_map("mangled.yaml", text=text)
    errors = [p for p in problems if p.severity == "error"]
    assert chip is not None or errors
    count = text.count("\n") + 1
    for problem in problems:
        assert problem.place.file == "mangled.yaml"
        assert 0 <= problem.place.line <= count
        rendered = problem.render()
        assert all(c.isprintable() or c == "\n" for c in rendered), rendered
        assert "Traceback" not in rendered
    if chip is not None:
        use(chip)


def use(chip: Chip) -> None:
    """A map that loads is one that everything above can run on; what cannot be asked is refused."""
    machine, codec = Machine(chip), Codec(chip)
    for register in chip.registers.values():
        for ask in (lambda r=register: codec.read(r), lambda r=register: codec.write(r, r.reset)):
            with contextlib.suppress(CallError):
                sent = ask()
                machine.apply(codec.decode_command(sent.word, frame=sent.frame))
        for field in register.fields:
            assert values.read(field, field.reset, machine.bank).label
            for reading in values.options(field, machine.bank, limit=16):
                assert reading.label
    for name in [*chip.commands]:
        with contextlib.suppress(CallError):
            plan(chip, [name])
    for rule in chip.rules:
        evaluate(rule.require, machine.bank)
    with contextlib.suppress(CallError):
        bring_up_sequence(chip, Bank.at_reset(chip))


@settings(max_examples=80, deadline=None)
@given(st.text(max_size=300))
def test_any_text_is_told_about(text: str) -> None:
    chip, problems = check_map("any.yaml", text=text)
    assert chip is None
    assert problems
