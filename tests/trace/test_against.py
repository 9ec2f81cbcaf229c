"""A capture held against a stage: written, in order, read back, locked, and what is held at any time."""

from __future__ import annotations

from typing import Any

import pytest

from regmap.behaviour.settings import bring_up_sequence
from regmap.errors import CallError
from regmap.stages.load import load_stage
from regmap.trace.belief.against import against, bank_at


@pytest.fixture(scope="module")
def stage() -> Any:
    return load_stage("coolant_pump")


def bring_up(
    talk: Any,
    stage: Any,
    leave: tuple[str, ...] = (),
    *,
    verify: bool = True,
    lock: bool = True,
    order: tuple[str, ...] = (),
) -> Any:
    """The frames of the stage's own plan, answered by a chip that takes everything."""
    lines = (
        talk("quoll16")
        .read("STATUS2", 0x200, "reset")
        .read("ID", 0x161, "reset")
        .write("SERVICE", 0x200, "reset")
    )
    held = {r.name: r.reset for r in stage.chip.registers.values()}
    actions = [
        a for a in bring_up_sequence(stage.chip, stage.bank, ("configure",)) if a.do == "write"
    ]
    if order:
        actions.sort(
            key=lambda a: order.index(a.sent.register.name) if a.sent.register.name in order else -1
        )
    for action in actions:
        name, word = action.sent.register.name, action.sent.data
        if name not in leave:
            lines.write(name, word, shown=held[name])
            held[name] = word
    if verify:
        for action in actions:
            name = action.sent.register.name
            lines.read(name, held[name])
    if lock:
        lines.write("LOCK", 0x4B, shown=0xB4).read("STATUS2", 1)
    return lines


def verdicts(held: Any) -> dict[str, str]:
    return {r.register: r.verdict for r in held.rows}


def test_everything_as_the_stage_says(talk: Any, traced: Any, stage: Any) -> None:
    held = against(traced(bring_up(talk, stage)), stage)
    assert set(verdicts(held).values()) == {"held"}
    assert held.fine
    assert (held.lock, held.locked) == ("locked, as read from STATUS2", True)


def test_a_register_that_was_forgotten(talk: Any, traced: Any, stage: Any) -> None:
    held = against(traced(bring_up(talk, stage, ("VDS",))), stage)
    assert verdicts(held)["VDS"] == "not written"
    [row] = [r for r in held.rows if r.register == "VDS"]
    assert [str(c) for c in row.changes] == ["VDS.THRESHOLD: 520 mV -> 250 mV"]
    assert not held.fine


def test_never_read_back(talk: Any, traced: Any, stage: Any) -> None:
    held = against(traced(bring_up(talk, stage, verify=False)), stage)
    assert set(verdicts(held).values()) == {"written, not read back"}
    # what was only sent is no proof of what is held
    assert not held.fine
    assert not held.wrong
    assert len(held.unseen) == len(held.rows)


def test_not_locked(talk: Any, traced: Any, stage: Any) -> None:
    held = against(traced(bring_up(talk, stage, lock=False)), stage)
    assert held.locked is False
    assert "was not seen" in held.lock or "not locked" in held.lock
    assert not held.fine


def test_the_wrong_order(talk: Any, traced: Any, stage: Any) -> None:
    order = ("WATCHDOG", "MODE", "GATE_HS", "GATE_LS", "TIMING", "VDS", "SENSE", "SUPPLY")
    held = against(traced(bring_up(talk, stage, order=order)), stage)
    assert (
        held.order == "MODE was written after WATCHDOG (frame 4); the map's sequence has it before"
    )


def test_a_write_after_the_lock(talk: Any, traced: Any, stage: Any) -> None:
    lines = bring_up(talk, stage, ("VDS",))
    lines.write("VDS", stage.bank.words["VDS"], shown=0x0A0).read("VDS", 0x0A0)
    held = against(traced(lines), stage)
    assert verdicts(held)["VDS"] == "refused"


def test_another_word(talk: Any, traced: Any, stage: Any) -> None:
    lines = (
        bring_up(talk, stage, ("VDS",), lock=False)
        .write("VDS", 0x030, shown=0x0A0)
        .read("VDS", 0x030)
    )
    held = against(traced(lines), stage)
    assert verdicts(held)["VDS"] == "other word"


def test_at_any_time(talk: Any, traced: Any, stage: Any) -> None:
    trace = traced(bring_up(talk, stage))
    early = against(trace, stage, 35_000_000)
    assert verdicts(early)["VDS"] == "not written"
    assert against(trace, stage, trace.end).fine


def test_lost_in_a_brown_out(captures: Any, traced: Any, stage: Any) -> None:
    trace = traced((captures / "pump_brown_out.vcd").read_bytes())
    assert verdicts(against(trace, stage, 3_000_000))["GATE_HS"] == "held"
    held = against(trace, stage)
    assert verdicts(held)["GATE_HS"] == "lost"
    assert verdicts(held)["SUPPLY"] == "held"


def test_a_stage_of_another_chip(talk: Any, traced: Any) -> None:
    with pytest.raises(CallError, match="conveyor_drum is a stage of numbat24"):
        against(traced(talk("quoll16").read("ID", 0x161)), load_stage("conveyor_drum"))


def test_the_chain_keeps_its_chips_apart(captures: Any, traced: Any) -> None:
    """The two chips of the chain hold what each was sent: 0x07 in the first, 0x09 in the second."""
    trace = traced((captures / "chain_pair.vcd").read_bytes(), ["numbat24", "numbat24"])
    for name in ("SRC_HS", "SNK_HS", "SRC_LS", "SNK_LS"):
        assert [bank_at(w, trace.end).word(name) for w in trace.walkers] == [0x07, 0x09]
    assert [[i.fault for i in w.faults.intervals if not i.normal] for w in trace.walkers] == [
        [],
        ["ANY", "SUM_SUPPLY", "UV_BST_V"],
    ]


def test_the_shipped_short_circuit_is_what_the_simulator_writes(
    captures: Any, verilog: Any
) -> None:
    """Icarus Verilog writes the bundled dumps again, but for the date."""
    for name, chip, params in (
        ("pump_short.v", "quoll16.v", {}), ("chain_pair.v", "numbat24.v", {}), ("wiring.v", "quoll16.v", {"MODE": 0}),
    ):  # fmt: skip
        bundled = captures / {"wiring.v": "wrong_mode.vcd"}.get(name, name.replace(".v", ".vcd"))
        made = verilog(name, chip, **params).text
        assert made.split("$timescale")[1] == bundled.read_text().split("$timescale")[1]
