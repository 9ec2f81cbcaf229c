"""Transitions between modes: orders against brute force, frames against the twin, planted unprotected states found."""

from __future__ import annotations

import itertools
import os
import random
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from regmap.assessment.stage import assess, with_settings
from regmap.assessment.transition import ModeJudge, Transition, pairs, plan_transition, transitions
from regmap.behaviour.settings import bring_up_sequence, never_written, setting_registers
from regmap.behaviour.transition import (
    brought_up,
    contents,
    differing,
    enabling,
    transition,
    whole,
    with_outputs,
)
from regmap.calc import consequence
from regmap.chip.bank import Bank
from regmap.chip.bits import extract
from regmap.chip.model import Access, Chip
from regmap.errors import CallError
from regmap.expr import evaluate
from regmap.frames.codec import bursts
from regmap.maps.load import bundled, load_map
from regmap.stages.load import Stage, load_stage, read_stage
from regmap.twin import Twin

PUMP = Path(__file__).parents[2] / "devices" / "coolant_pump.yaml"
CHIPS = [n for n, p in bundled("devices").items() if "gateword_map:" in p.read_text()]
#: random transitions over all chips; more: GATEWORD_TRANSITIONS=1000
COUNT = int(os.environ.get("GATEWORD_TRANSITIONS", "60"))


def pump(folder: Path, modes: str, base: str = "") -> Stage:
    (folder / "base.yaml").write_text(PUMP.read_text().partition("\nmodes:")[0])
    stage, problems = read_stage(
        folder / "pump.yaml",
        text=f"gateword_stage: 1\nextends: base.yaml\nstage: {{name: p}}\n{base}\nmodes:\n{modes}",
    )
    assert stage is not None, [str(p) for p in problems]
    return stage


def way(stage: Stage, source: str, target: str) -> Transition:
    return next(t for t in transitions(stage) if (t.source, t.target) == (source, target))


# --- frames ------------------------------------------------------------------------------------------
def random_settings(chip: Chip, draw: random.Random) -> Bank:
    """A configuration of random codes that mean something, of fields that hold settings."""
    bank = Bank.at_reset(chip)
    kept = {c.partition(".")[0] for c in (chip.watchdog,)} | {
        n.partition(".")[0]
        for f in chip.frames.values()
        if f.when is not None
        for n in f.when.names()
    }
    for register in setting_registers(chip):
        for field in register.fields:
            codes = [c for m in field.meanings for c in m.entries] or list(
                range(1 << min(field.width, 6))
            )
            fixed = (
                field.access is Access.ONCE
                or field.ref in enabling(chip)
                or field.role in ("sleep", "lock")
            )
            if (
                field.setting
                and not fixed
                and field.ref != chip.page_select
                and register.name not in kept
            ):
                bank.put(field, draw.choice(codes))
    return bank


@pytest.mark.parametrize("name", CHIPS)
def test_random_transitions_do_on_the_twin_what_was_planned(name: str) -> None:
    """Every write takes, every readback shows what is expected, and in the end the chip holds the mode."""
    chip, draw = load_map(name), random.Random(name)
    done = 0
    for _ in range(max(1, COUNT // len(CHIPS))):
        first, second = random_settings(chip, draw), random_settings(chip, draw)
        driving = draw.random() < 0.5
        try:
            machine, before = brought_up(chip, first, driving=driving)
        except CallError:
            continue  # a configuration that this map's bring-up refuses
        twin = Twin(chip)
        for action in before:
            if action.sent is not None:
                twin.transfer(bursts(action.sent.frame, action.sent.word))
            elif action.wait is not None:
                twin.wait(action.wait.high)
        for register in never_written(chip, first):  # which the controller writes later
            twin.machine.bank.learn(register.name, first.words[register.name], register.settings)
        for item, on, _ in enabling(chip).values():
            if driving:
                twin.machine.bank.put(item, on)
        try:
            wanted = with_outputs(brought_up(chip, second, driving=False)[0].bank, driving)
        except CallError:
            continue
        registers = differing(machine, wanted)
        draw.shuffle(registers)
        guarded = [r for r in registers if r.writable is not None]
        refused = [r for r in guarded if evaluate(r.writable, twin.machine.bank) is False]
        try:
            actions = transition(machine, wanted, [whole(r) for r in registers], before=before)
        except CallError:
            # what no unlock helps against, such as a register that takes nothing while running
            assert refused
            continue
        for action in actions:
            if action.sent is None:
                continue
            twin.transfer(bursts(action.sent.frame, action.sent.word))
            register = action.sent.register
            if action.do == "write" and register is not None:
                held = twin.machine.bank.words[register.name]
                assert (held ^ (action.sent.data or 0)) & register.settings == 0, action.text
            if action.do in ("verify", "expect") and register is not None:
                held = register.shown(twin.machine.bank.words[register.name])
                assert (held ^ (action.expect or 0)) & action.mask == 0, action.text
        for register in setting_registers(chip):
            if register.complement_of:
                continue
            a, b = (x.words.get(register.name, register.reset) for x in (twin.machine.bank, wanted))
            page = chip.field(chip.page_select)
            mask = register.settings & ~(
                page.mask if page and page.register == register.name else 0
            )
            lock = [f.mask for f in register.fields if f.role == "lock"]
            assert (a ^ b) & mask & ~sum(lock) == 0, register.name
        done += 1
    assert done


# --- orders ------------------------------------------------------------------------------------------
def statuses(stage: Stage, words: dict[str, int] | None = None) -> dict[str, str]:
    """The status of every verdict with these words under a mode's own values, by a whole assessment."""
    bank = stage.bank
    for name, word in (words or {}).items():
        bank.learn(name, word)
    return {v.check: v.status for v in assess(stage, bank).verdicts}


def failing(own: dict[str, str], now: dict[str, str]) -> list[int]:
    """The classes of what fails or is lost, and is not so in the mode itself."""
    lost = {
        n
        for n, s in own.items()
        if s != "not_computed" and now.get(n, "not_computed") == "not_computed"
    }
    bad = {n for n, s in now.items() if s == "fails"} | lost
    return [consequence(n) for n in bad if own.get(n) != "fails"]


def brute(source: Stage, target: Stage, *, fields: bool = False) -> tuple[int, int, int]:
    """The least that any order and any moment costs, each state judged anew by whole assessments.

    Registers are written whole, or (`fields`) one field at a time.
    """
    chip = source.chip
    begin, end = (
        {r.name: s.bank.words.get(r.name, r.reset) for r in setting_registers(chip)}
        for s in (source, target)
    )
    units = [
        (n, mask)
        for n in begin
        for mask in ([f.mask for f in chip.registers[n].fields] if fields else [-1])
        if (begin[n] ^ end[n]) & mask
    ]
    own = {False: statuses(source), True: statuses(target)}
    known: dict[tuple[frozenset[tuple[str, int]], bool], tuple[int, int, int]] = {}

    def cost(written: frozenset[tuple[str, int]], changed: bool) -> tuple[int, int, int]:
        if (written, changed) not in known:
            words = dict(begin)
            for n, mask in written:
                words[n] = words[n] & ~mask | end[n] & mask
            classes = failing(own[changed], statuses(target if changed else source, words))
            known[written, changed] = (
                sum(c == 0 for c in classes), sum(c == 1 for c in classes), sum(c > 1 for c in classes)
            )  # fmt: skip
        return known[written, changed]

    best: tuple[int, int, int] | None = None
    for order in itertools.permutations(units):
        states = [frozenset(order[:n]) for n in range(len(order) + 1)]
        for moment in range(len(states)):
            walk = [(s, False) for s in states[: moment + 1]] + [(s, True) for s in states[moment:]]
            costs = [cost(*step) for step in walk]
            total = (sum(c[0] for c in costs), sum(c[1] for c in costs), sum(c[2] for c in costs))
            best = total if best is None or total < best else best
    assert best is not None
    return best


CASES = {
    "a weaker drive": "motor.current: {rms: 10 A, peak: 18 A}\n    settings: {GATE_LS: {SOURCE: 80 mA}, TIMING: {DEAD_TIME: 1.4 us}, SENSE.OC_TH: 18 mV}",
    "faster edges need more dead time": "settings: {GATE_HS: {SINK: 80 mA}, GATE_LS: {SINK: 80 mA}, TIMING: {DEAD_TIME: 2 us, BLANKING: 3 us}}",
    "one monitor for another": "settings: {MODE.VDS_ACT: off, MODE.OC_ACT: latch}\n    waive: {vds: the shunts watch here}",
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
@pytest.mark.one_in(3)
def test_the_order_is_as_good_as_any(tmp_path: Path, name: str) -> None:
    body = f"  other:\n    after: [controller]\n    {CASES[name]}\n"
    stage = pump(tmp_path, body)
    for source, target in pairs(stage):
        found = next(t for t in transitions(stage) if t.target == (target.mode or "as stated"))
        assert found.proven
        troubles = [t for m in found.judged for t in m.troubles]
        cost = tuple(sum(t.weight[n] for t in troubles) for n in range(3))
        assert cost == brute(source, target), (name, found.target)
        assert len(found.findings) == cost[0] + cost[1]


#: a stage for every bundled chip that takes writes while the outputs switch: wombat24 takes none, whatever the order
BARE = {
    "bilby32": "settings:\n  DRIVE: {RANGE: strong, SOURCE: 300 mA, SINK: 500 mA}\n  LIMIT.TRIP: 60 mV\n",
    "potoroo40": "supply.voltage: 12 V\nexternal: {GAIN_PIN: x10}\nsettings:\n  OUTPUT: {SOURCE: 150 mA, FULL_DRIVE: 1.5 us}\n",
    "quokka16": "settings: {}\n",
}  # fmt: skip
STAGES = ("coolant_pump", "conveyor_drum", "radiator_fan", *BARE)


def stage_for(name: str) -> Stage:
    """The stage as stated, its bundled modes left aside."""
    if name not in BARE:
        return replace(load_stage(name), modes={})
    head = f"gateword_stage: 1\nstage: {{name: bare, invented: yes}}\nmap: {name}\n{BARE[name]}"
    stage, problems = read_stage(f"{name}_bare.yaml", text=head)
    assert stage is not None, [str(p) for p in problems]
    return stage


def otherwise(stage: Stage, draw: random.Random) -> Stage:
    """The same drive with one to three of its registers set to something else that means something."""
    chip, bank = stage.chip, stage.bank
    fixed = enabling(chip)
    free = [
        r
        for r in setting_registers(chip)
        if not r.complement_of and r.name != chip.watchdog.partition(".")[0]
    ]
    changes: dict[str, str] = {}
    for register in draw.sample(free, min(len(free), draw.randint(1, 3))):
        fields = [
            f
            for f in register.fields
            if f.setting and f.access is not Access.ONCE and f.ref not in fixed
            and f.role not in ("sleep", "lock") and f.ref != chip.page_select
        ]  # fmt: skip
        for field in draw.sample(fields, min(len(fields), draw.randint(1, 2))):
            codes = [c for m in field.meanings for c in m.entries] or list(range(1 << min(field.width, 6)))  # fmt: skip
            code = draw.choice(codes)
            if code != bank.code(field.ref):
                changes[field.ref] = f"0x{code:X}"
    made = with_settings(stage, changes)
    return replace(made, mode="other")


@pytest.mark.parametrize("name", STAGES)
@pytest.mark.one_in(4)
def test_random_transitions_cost_what_brute_force_says(name: str) -> None:
    """While the drive runs: the least of all orders of at most three registers and of all moments, each mixture
    judged by whole assessments. Of each stage a few; GATEWORD_TRANSITIONS=1000 GATEWORD_ALL=1: a thousand in all."""
    stage, draw = stage_for(name), random.Random(f"orders {name}")
    wanted, done = max(1, -(-COUNT // len(STAGES)) if COUNT >= 100 else 2), 0
    tries = 0
    while done < wanted:
        tries += 1
        assert tries < 20 * wanted + 40, f"{done} of {wanted}"
        try:
            target = otherwise(stage, draw)
        except CallError:
            continue  # out of reach together
        found = plan_transition(stage, target)
        if not 0 < len(set(found.order)) <= 3 or any(t.kind == "refused" for t in found.findings):
            continue
        troubles = [t for m in found.judged for t in m.troubles if t.kind == "check"]
        cost = tuple(sum(t.weight[n] for t in troubles) for n in range(3))
        least = brute(stage, target)
        if len(found.order) == len(set(found.order)):
            rules = any(t.kind == "rule" for m in found.judged for t in m.troubles)
            assert cost == least or (rules and cost >= least), (name, found.order)
        else:
            # a register in two writes: only where whole ones leave something grave
            assert least[:2] > (0, 0)
            assert cost < least
        done += 1
    sys.stdout.write(f"{name}: {done} orders as brute force\n")


def test_a_register_is_written_twice_where_only_that_keeps_the_drive_whole(tmp_path: Path) -> None:
    """Both sides go from a strong drive and a strong hold to weak ones: neither register can go first whole."""
    weak = "{SOURCE: 60 mA, HOLD: 100 mA}"
    modes = (
        f"  calm:\n    after: [controller]\n    settings: {{GATE_HS: {weak}, GATE_LS: {weak}}}\n"
    )
    strong = "{SOURCE: 200 mA, HOLD: 430 mA}"
    stage = pump(tmp_path, modes, f"settings: {{GATE_HS: {strong}, GATE_LS: {strong}}}")
    source, target = stage, stage.modes["calm"]
    assert brute(source, target)[:2] > (0, 0)
    assert brute(source, target, fields=True)[:2] == (0, 0)
    for found in transitions(stage):
        assert found.ok
        assert set(found.order) == {"GATE_HS", "GATE_LS"}
        assert 2 < len(found.order) <= 4
        # drives get weaker before holds do, and holds stronger before drives do
        writes = [
            (s.register.name, s.data)
            for a in found.actions
            if (s := a.sent) is not None and s.kind == "write" and s.register is not None
        ]
        writes = [(n, w) for n, w in writes if n.startswith("GATE")]
        held = {n: (stage if found.target == "calm" else target).bank.words[n] for n, _ in writes}
        field = {n: stage.chip.registers[n].field for n in held}
        for name, word in writes:
            assert word is not None
            held[name] = word
            codes = {
                (n, f): extract(held[n], item.bits)
                for n in held
                for f in ("SOURCE", "HOLD")
                if (item := field[n](f)) is not None
            }
            for one, other in (("GATE_HS", "GATE_LS"), ("GATE_LS", "GATE_HS")):
                strong_codes = {f: stage.bank.code(f"GATE_HS.{f}") for f in ("SOURCE", "HOLD")}
                if codes[one, "SOURCE"] == strong_codes["SOURCE"]:
                    assert codes[other, "HOLD"] == strong_codes["HOLD"]
        end = (target if found.target == "calm" else stage).bank.words
        assert held == {n: end[n] for n in held}


def test_a_planted_unprotected_state_is_found_and_avoided(tmp_path: Path) -> None:
    """Two monitors, of which each mode uses one: the new one must be on before the old one is off."""
    modes = (
        "  shunts:\n    after: [controller]\n    settings: {MODE.VDS_ACT: off}\n"
        "    waive: {vds: the shunts watch here, reaction: the shunts watch here}\n"
        "  bridges:\n    after: [controller]\n    settings: {SENSE.OC_EN: off}\n"
        "    waive: {overcurrent: the bridges watch here, reaction: the bridges watch here}\n"
    )
    stage = pump(tmp_path, modes, "settings: {MODE.VDS_ACT: latch, SENSE.OC_EN: on}")
    there, back = way(stage, "bridges", "shunts"), way(stage, "shunts", "bridges")
    assert there.ok
    assert there.order == ("SENSE", "MODE")
    assert back.ok
    assert back.order == ("MODE", "SENSE")
    # with the order turned round by hand, both are off in between, and every value says so
    judges = [ModeJudge(stage.modes[n]) for n in ("bridges", "shunts")]
    machine, _ = brought_up(stage.chip, stage.modes["bridges"].bank, driving=True)
    off = contents(machine, stage.modes["shunts"].bank, [whole(stage.chip.registers["MODE"])])
    for judge, lost in zip(judges, ("vds.protects.high", "overcurrent.protects"), strict=True):
        troubles = {t.name: t for t in judge.troubles(off)}
        assert lost in troubles
        assert troubles[lost].weight == (0, 1, 0)
    # both switches in one register cannot be parted; a mode whose two protections are both needed tells it
    both = pump(
        tmp_path,
        "  bare:\n    after: [controller]\n    settings: {SENSE.OC_EN: off}\n",
        "settings: {SENSE.OC_EN: on}",
    )
    # what fails in the mode itself is the mode's finding
    assert way(both, "as stated", "bare").ok
    assert any(v.status == "fails" for v in assess(both.modes["bare"]).verdicts)


def test_where_no_order_helps_every_finding_names_its_place(tmp_path: Path) -> None:
    """The joined field of a register that is written whole: strong drive against weak hold on the way."""
    weak, strong = "{SOURCE: 60 mA, HOLD: 100 mA}", "{SOURCE: 200 mA, HOLD: 430 mA}"
    text = bundled("devices")["quoll16"].read_text(encoding="utf-8")
    # both fields in one joined value of another name: the register must not be split
    text += "\njoined:\n  PAIR: {fields: [GATE_HS.HOLD, GATE_LS.HOLD]}\n"
    (tmp_path / "quoll16.yaml").write_text(text)
    modes = (
        f"  calm:\n    after: [controller]\n    settings: {{GATE_HS: {weak}, GATE_LS: {weak}}}\n"
    )
    stage = pump(
        tmp_path, modes, f"map: quoll16.yaml\nsettings: {{GATE_HS: {strong}, GATE_LS: {strong}}}"
    )
    found = way(stage, "as stated", "calm")
    assert found.order in (("GATE_HS", "GATE_LS"), ("GATE_LS", "GATE_HS"))
    assert "gate.hold" in {f.name.rpartition(".")[0] for f in found.findings}
    assert all(
        f.kind == "check" and f.state == 1 and f.of and "margin" in f.text for f in found.findings
    )


# --- what a stage and a map may say ---------------------------------------------------------------
def test_a_transition_may_not_take_longer_than_the_stage_allows(tmp_path: Path) -> None:
    modes = "  limp:\n    after: [OT_WARN]\n    within: {} us\n    settings: {{VDS.THRESHOLD: 300 mV}}\n"
    late, soon = (way(pump(tmp_path, modes.format(us)), "as stated", "limp") for us in (10, 500))
    assert [f.kind for f in late.findings] == ["time"]
    assert late.in_time is not None
    assert late.in_time.status == "fails"
    assert soon.ok
    assert soon.time is not None
    # five frames of 16 bits at 5 MHz (2 % off), with the lead, lag and pause that the map states
    frames = sum(a.sent is not None for a in soon.actions)
    chip = soon.time
    each = float(chip.high) / frames
    spi = load_map("quoll16").spi
    pauses = sum(float(b.high) for b in (spi.lead, spi.lag, spi.idle) if b is not None)
    assert each == pytest.approx(16 / (5e6 * 0.98) + pauses, rel=0.02)


def test_a_field_that_must_not_change_while_driving(tmp_path: Path) -> None:
    text = Path(bundled("devices")["quoll16"]).read_text()
    text = text.replace("DEAD_TIME:  {bits:", "DEAD_TIME: {change_while_driving: no, bits:", 1)
    assert "change_while_driving" in text
    (tmp_path / "quoll16.yaml").write_text(text)
    modes = "  other:\n    after: [controller]\n    {}settings: {{TIMING: {{DEAD_TIME: 1.4 us}}}}\n"
    base = "map: quoll16.yaml"
    driving = way(pump(tmp_path, modes.format(""), base), "as stated", "other")
    assert [(f.kind, f.name) for f in driving.findings] == [("driving", "TIMING.DEAD_TIME")]
    stopped = way(
        pump(tmp_path, modes.format("entered: stopped\n    "), base), "as stated", "other"
    )
    assert stopped.ok
    assert stopped.stopped


def test_outputs_go_off_first_where_a_field_does_that_and_are_never_enabled() -> None:
    drum = load_stage("conveyor_drum")
    chip = drum.chip
    (item, on, off) = next(iter(enabling(chip).values()))
    asleep = replace(
        drum, mode="asleep", entry=replace(drum.entry, after=("controller",), driving=False)
    )
    stage = replace(drum, modes={"asleep": asleep})
    there, back = way(stage, "as stated", "asleep"), way(stage, "asleep", "as stated")
    writes = [a for a in there.actions if a.sent is not None and a.sent.kind == "write"]
    first = next(
        a for a in writes if a.sent is not None and a.sent.register is chip.registers[item.register]
    )
    assert first.sequence == "outputs off"
    assert (first.sent.data >> item.bits[-1]) & 1 == off  # type: ignore[union-attr,operator]
    for action in (*there.actions, *back.actions):
        sent = action.sent
        if (
            sent is not None
            and sent.kind == "write"
            and sent.register is chip.registers[item.register]
        ):
            assert ((sent.data or 0) >> item.bits[-1]) & 1 != on


def test_what_a_bring_up_switches_on_beside_the_settings_stays_on(tmp_path: Path) -> None:
    """wombat24's bring-up ends with its checksum on, which no setting of this stage asks for."""
    stage, problems = read_stage(
        tmp_path / "s.yaml",
        text="gateword_stage: 1\nstage: {name: s}\nmap: wombat24\n"
        "modes: {calm: {after: [controller], driving: no, settings: {GATE.SOURCE: 60 mA}}}\n",
    )
    assert stage is not None, problems
    for found in transitions(stage):
        assert found.ok
        assert found.holds is not None
        assert found.holds.code("SAFETY.CRC") == 1
        assert "SAFETY" not in found.order
        lengths = {a.sent.frame.name for a in found.actions if a.sent is not None}
        assert lengths == {"safe"}


def test_out_of_a_mode_that_keeps_no_registers_leads_a_bring_up(tmp_path: Path) -> None:
    stage = pump(tmp_path, "  sleep:\n    after: [controller]\n    driving: no\n    retains: no\n")
    back = way(stage, "sleep", "as stated")
    assert back.by_bring_up
    assert [a.text for a in back.actions] == [
        a.text for a in bring_up_sequence(stage.chip, stage.bank)
    ]


def test_what_a_chip_would_refuse_is_a_finding(tmp_path: Path) -> None:
    text = Path(bundled("devices")["quoll16"]).read_text()
    cut = text.index("  unlock:\n    - {write: LOCK.KEY = open}\n")
    text = text[:cut] + text[cut:].replace("  unlock:\n    - {write: LOCK.KEY = open}\n", "", 1)
    (tmp_path / "quoll16.yaml").write_text(text)
    stage = pump(
        tmp_path,
        "  other:\n    after: [controller]\n    settings: {VDS.THRESHOLD: 300 mV}\n",
        "map: quoll16.yaml",
    )
    (finding,) = way(stage, "as stated", "other").findings
    assert finding.kind == "refused"
    assert "writable only while" in finding.text
