"""The simulated chip against the maps, an independent Verilog model, and hand-made expectations."""

from __future__ import annotations

import io
from fractions import Fraction
from pathlib import Path

import pytest

from regmap.behaviour.plan import plan
from regmap.behaviour.settings import BRING_UP, bring_up_sequence
from regmap.capture.formats.opening import open_capture
from regmap.capture.lines.channels import find_roles
from regmap.capture.spi import SpiSetup
from regmap.capture.transfers.stream import read_transfers
from regmap.chip.model import KnownFrame
from regmap.errors import CallError
from regmap.frames.codec import Codec, bursts
from regmap.maps.load import bundled, load_map
from regmap.stages.load import load_stage
from regmap.twin import Twin, gaps, parse_disturbance
from regmap.twin.record import returned, sampled

CAPTURES = Path(__file__).parents[2] / "captures"


def maps() -> list[str]:
    return [n for n, p in bundled("devices").items() if "gateword_map:" in p.read_text()]


def ask(twin: Twin, *requests: str) -> list[int]:
    """Send requests; the words read during each burst."""
    read: list[int] = []
    for planned in plan(twin.chip, requests, twin.machine.bank):
        read += twin.transfer(bursts(planned.sent.frame, planned.sent.word))
    return read


def test_same_replies_as_the_verilog_model() -> None:
    """pump_short.vcd was written by Icarus Verilog from a chip model that knows nothing of this library."""
    with open_capture(str(CAPTURES / "pump_short.vcd")) as capture:
        roles = find_roles(capture.peek()).roles
        transfers, _ = read_transfers(capture, SpiSetup(mode=1), roles)
    twin = Twin(load_map("quoll16"))
    # `chip.vds_low_u` of the bench comes 2.345678 ms after the watchdog service of frame 31
    twin.disturb("vds_ul at 48.28 ms for 100 us")
    for start, command, reply in zip(
        transfers.start, transfers.command, transfers.reply, strict=True
    ):
        twin.wait(max(Fraction(0), Fraction(int(start), 10**9) - twin.clock.seconds))
        assert twin.transfer([int(command)]) == [int(reply)], hex(int(command))
    assert len(transfers.start) == 39


def examples() -> list[tuple[str, KnownFrame]]:
    """Reads that data sheets give as examples of a chip as it is after power-up."""
    found = []
    for name in maps():
        chip = load_map(name)
        for known in chip.known_frames:
            register = chip.registers.get(known.does.removeprefix("read:"))
            if (
                register is not None
                and known.data == register.reset & register.read_mask & register.mask
            ):
                found.append((name, known))
    return found


@pytest.mark.parametrize(("name", "known"), examples(), ids=lambda x: getattr(x, "source", x))
def test_known_frames_are_answered_as_the_data_sheet_says(name: str, known: KnownFrame) -> None:
    chip = load_map(name)
    codec = Codec(chip)
    twin = Twin(chip)
    for text in known.after:
        ask(twin, *(chip.keys[text].steps if text in chip.keys else [text]))
    sent = codec.read(chip.registers[known.does.removeprefix("read:")], twin.machine.bank)
    assert known.command in (None, sent.word)
    for _ in range(1 + sent.frame.after):
        reply = 0
        for value, bits in bursts(sent.frame, sent.word):
            reply = reply << bits | twin.transfer([(value, bits)])[0]
    answer = codec.decode_reply(reply, sent)
    assert not answer.flaws
    assert answer.data == known.data


def test_there_are_examples() -> None:
    assert len({name for name, _ in examples()}) >= 3


@pytest.mark.parametrize("name", maps())
def test_recording_reads_back_as_what_passed(name: str, tmp_path: Path) -> None:
    chip = load_map(name)
    path = tmp_path / "bus.vcd"
    twin = Twin(chip, vcd=path)
    sent: list[tuple[int, int]] = []
    got: list[int] = []
    for action in bring_up_sequence(chip, twin.machine.bank.copy(), BRING_UP):
        if action.wait is not None:
            twin.wait(action.wait.typ)
        if action.sent is not None:
            pieces = bursts(action.sent.frame, action.sent.word)
            sent += pieces
            got += twin.transfer(pieces)
    twin.close()
    setup = SpiSetup(
        mode=chip.spi.mode,
        bit_order="msb" if chip.spi.msb_first else "lsb",
        select_active_low=chip.spi.select_active_low,
    )
    with open_capture(str(path)) as capture:
        transfers, builder = read_transfers(capture, setup, find_roles(capture.peek()).roles)
    assert [int(w) for w in transfers.command] == [value for value, _ in sent]
    assert [int(n) for n in transfers.clocks] == [bits for _, bits in sent]
    assert [int(w) for w in transfers.reply] == got
    assert not builder.notes
    assert not list(tmp_path.glob("*.part"))


def test_repeats_to_the_byte_with_a_seed() -> None:
    def run(seed: int) -> tuple[str, list[int]]:
        out = io.StringIO()
        twin = Twin(
            load_map("numbat24"),
            seed=seed,
            vcd=out,
            disturbances=["bit_flips 20 %", "lost_frames 5 %"],
        )
        replies = [twin.transfer([0x460004])[0] for _ in range(100)]
        twin.close()
        return out.getvalue(), replies

    assert run(7) == run(7)
    assert run(7) != run(8)


# --- faults ------------------------------------------------------------------------------------
def test_a_latched_fault_stays_until_cleared_and_its_sums_with_it() -> None:
    twin = Twin(load_map("quoll16"))
    twin.disturb("vds_uh at 1 ms for 30 us")
    twin.wait(0.0009)
    assert twin.word("STATUS1") == 0
    assert twin.fault_pin()
    twin.wait(0.0002)
    assert twin.word("STATUS1") == 0x009  # VDS_UH and the sum ANY
    assert not twin.fault_pin()
    ask(twin, "SERVICE.CLEAR = clear")
    assert twin.word("STATUS1") == 0
    assert twin.fault_pin()


def test_clearing_does_nothing_while_the_condition_lasts() -> None:
    twin = Twin(load_map("numbat24"))
    twin.disturb("uv_supply")
    twin.wait(0.0001)
    ask(twin, "CLEAR_ALL")
    assert twin.word("SUPPLY_FAULTS") & 0x80
    ask(twin, "SUPPLY_FAULTS = 0x80")
    assert twin.word("SUPPLY_FAULTS") & 0x80
    twin.remove("uv_supply")
    assert twin.word("SUPPLY_FAULTS") & 0x80
    ask(twin, "SUPPLY_FAULTS = 0x80")
    assert twin.word("SUPPLY_FAULTS") & 0x81 == 0


def test_an_unlatched_fault_goes_with_its_condition() -> None:
    twin = Twin(load_map("quoll16"), disturbances=["ot_warn at 1 ms for 5 ms"])
    twin.wait(0.003)
    assert twin.word("STATUS2") & 0x10
    twin.wait(0.004)
    assert not twin.word("STATUS2") & 0x10


def test_too_short_or_masked_is_not_reported() -> None:
    twin = Twin(load_map("quoll16"))
    # at reset the VDS filter is 1 us, typical
    twin.disturb("vds_ul at 1 ms for 300 ns")
    twin.wait(0.01)
    assert twin.word("STATUS1") == 0
    ask(twin, "MODE.VDS_ACT = off")
    twin.disturb("vds_ul")
    twin.wait(0.01)
    assert twin.word("STATUS1") == 0
    ask(twin, "MODE.VDS_ACT = latch")
    assert twin.word("STATUS1") == 0x041


def test_by_what_a_fault_watches() -> None:
    twin = Twin(load_map("quoll16"), disturbances=["undervoltage at 1 ms"])
    twin.wait(0.01)
    assert [f.name for f in twin.raised() if not f.summary_of] == ["UV_SUPPLY", "POR"]


# --- bus -----------------------------------------------------------------------------------------
def test_a_damaged_frame_is_ignored_and_raises_what_the_map_says() -> None:
    twin = Twin(load_map("numbat24"))
    ask(twin, "KEY.CODE = first", "KEY.CODE = second")
    before = twin.word("SRC_HS")
    good = plan(twin.chip, ["SRC_HS.CURRENT = 100 mA"], twin.machine.bank)[0].sent.word
    twin.transfer([good ^ 0x100])
    assert twin.word("SRC_HS") == before
    assert twin.word("SYSTEM_FAULTS") == 0x10
    twin.transfer([(good >> 1, 23)])
    assert twin.word("SYSTEM_FAULTS") == 0x18
    ask(twin, "read:STATUS")
    twin.transfer([Codec(twin.chip).read(twin.chip.registers["ID"]).word])
    twin.transfer([good])
    assert twin.word("SRC_HS") == 4


def test_a_lock_refuses_and_says_so() -> None:
    twin = Twin(load_map("numbat24"))
    ask(twin, "SRC_HS.CURRENT = 200 mA")
    assert twin.word("SRC_HS") == 4
    assert twin.word("SYSTEM_FAULTS") == 0x02
    assert twin.word("STATUS") & 0x40
    ask(twin, "KEY.CODE = first", "read:ID", "KEY.CODE = second", "SRC_HS.CURRENT = 200 mA")
    assert twin.word("SRC_HS") == 4, "a read between the two codes interrupts the key"
    ask(twin, "KEY.CODE = first", "KEY.CODE = second", "SRC_HS.CURRENT = 200 mA")
    assert twin.word("SRC_HS") == 9
    assert not twin.word("STATUS") & 0x40


@pytest.mark.parametrize(("wait", "raised"), [("8 ms", True), ("35 ms", False), ("80 ms", True)])
def test_the_watchdog_window(wait: str, raised: bool) -> None:
    """60 ms in all; the first half is closed (quoll16: watchdog.closed_share 50 %)."""
    twin = Twin(load_map("quoll16"))
    ask(twin, "WATCHDOG = 0x00D")
    twin.wait(Fraction(wait.removesuffix(" ms")) / 1000)
    ask(twin, "SERVICE.WD_KEY = serve")
    assert bool(twin.word("STATUS2") & 0x80) is raised


def test_supply_lost_and_back() -> None:
    twin = Twin(load_map("quoll16"))
    ask(twin, "GATE_HS = 0x123", "SERVICE.CLEAR = clear")
    assert not twin.word("STATUS2") & 0x200
    twin.disturb("no_power at 1 ms for 2 ms")
    twin.wait(0.0015)
    assert twin.transfer([0xF800]) == [0]
    twin.wait(0.002)
    assert twin.transfer([0xF800]) == [0], "not awake yet: 1 ms from the supply to the first frame"
    twin.wait(0.001)
    assert twin.transfer([0xF800]) == [0x6AC2]
    assert twin.word("GATE_HS") == 0x143
    assert twin.word("STATUS2") & 0x200


def test_dead_lines_echo_and_wrong_mode() -> None:
    """What a controller reads of 0x6AC2, the reply to read:ID, worked out by hand."""
    read_id = 0xF800
    for trouble, expected in (
        ("dead_reply low", 0),
        ("dead_reply high", 0xFFFF),
        ("dead_reply float", 0),
        ("echo", read_id),
        ("dead_clock", 0),
        # phase 1 chip, phase 0 controller: each bit is sampled one clock early, so the word moves right
        ("wrong_mode 0", 0x6AC2 >> 1),
    ):
        twin = Twin(load_map("quoll16"), disturbances=[trouble])
        assert twin.transfer([read_id]) == [expected], trouble
    # phases 1 and 0 again, the clock turned round: the chip shifts at the edge after the sampling one
    twin = Twin(load_map("quoll16"), disturbances=["wrong_mode 2"])
    assert twin.transfer([read_id]) == [0x6AC2 >> 1]


def test_edges_of_wrong_modes() -> None:
    bits = list("10110")
    assert sampled(0, 0, bits, "0") == bits
    assert sampled(1, 1, bits, "0") == bits
    assert sampled(1, 0, bits, "0") == ["0", *bits[:-1]], (
        "the line changes at the edge that samples it"
    )
    assert returned(0, 0, bits, "0") == bits
    assert returned(1, 1, bits, "0") == bits
    assert returned(0, 1, bits, "0") == ["0", *bits[:-1]]


def test_a_counter_out_of_step_is_refused_and_taken_up_again() -> None:
    chip = load_map("bilby32")
    twin = Twin(chip)
    codec = Codec(chip)
    register = chip.registers["ID"]

    def send(toggle: int) -> None:
        sent = codec.read(register, twin.machine.bank, {"toggle": toggle})
        twin.transfer(bursts(sent.frame, sent.word))

    start = next(p.start for p in codec.frame_in_force().command.parts if p.kind == "counter")
    send(start)
    assert twin.accepted == 1
    send(start)
    assert twin.accepted == 1
    send(start ^ 1)
    assert twin.accepted == 2


def test_clear_on_read_write_once_and_inverted() -> None:
    twin = Twin(load_map("bilby32"))
    twin.disturb("uv_supply at 1 ms for 100 us")
    twin.wait(0.002)
    assert twin.word("FLAGS")
    # counters are no matter here: the machine is asked past the bus
    machine, chip = twin.machine, twin.chip
    machine.read(chip.registers["FLAGS"])
    machine.settle()
    assert not twin.word("FLAGS") & ~0x1
    machine.bank.states["open"] = True
    once = next(f for f in chip.registers["TRIM"].fields if f.access == "once")
    assert machine.write(chip.registers["TRIM"], (1 << once.bits[-1])).taken
    refused = machine.write(chip.registers["TRIM"], 0)
    assert refused.refused == "once"


@pytest.mark.parametrize("stage", ["coolant_pump", "conveyor_drum"])
def test_a_stage_is_taken_by_its_chip(stage: str) -> None:
    loaded = load_stage(stage)
    twin = Twin(loaded.chip)
    for action in bring_up_sequence(loaded.chip, loaded.bank):
        if action.wait is not None:
            twin.wait(action.wait.typ)
        if action.sent is not None:
            twin.transfer(bursts(action.sent.frame, action.sent.word))
    for register in loaded.chip.registers.values():
        for field in register.fields:
            if field.access == "rw" and field.role != "lock":
                assert twin.machine.bank.field_code(field) == loaded.bank.field_code(field), (
                    field.ref
                )


# --- asking wrongly ----------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            "uv_supplym at 1 ms",
            "'uv_supplym' is no fault of the map and no other disturbance; nearest: UV_SUPPLY",
        ),
        (
            "bit_flip 1 %",
            "'bit_flip' is no fault of the map and no other disturbance; nearest: bit_flips",
        ),
        ("bit_flips", "'bit_flips' has no rate; expected bit_flips 1 %"),
        ("bit_flips 120 %", "'120 %' in 'bit_flips 120 %'; a rate is 0 to 100 %"),
        ("bit_flips often", "'often' in 'bit_flips often' is no rate; expected 1 % or 0.01"),
        ("dead_reply down", "'down' in 'dead_reply down'; expected one of low, high, float"),
        ("vds_uh at 1 ms at 2 ms", "'vds_uh at 1 ms at 2 ms' says `at` twice"),
        (
            "vds_uh soon",
            "'soon' in 'vds_uh soon'; expected at TIME, at the 7th frame, after write REG, or for TIME",
        ),
        ("", "'' names no disturbance"),
    ],
)
def test_one_clear_message(text: str, message: str) -> None:
    with pytest.raises(CallError) as caught:
        parse_disturbance(text, load_map("quoll16"))
    assert str(caught.value) == message


def test_texts_mean_what_they_say() -> None:
    chip = load_map("quoll16")
    item = parse_disturbance("VDS_UH at 12 ms for 30 us", chip)
    assert (item.kind, item.name, item.start, item.length) == (
        "fault",
        "VDS_UH",
        12_000_000,
        30_000,
    )
    item = parse_disturbance("bit_flips 1 % for 2 s", chip)
    assert (item.rate, item.start, item.length) == (0.01, None, 2_000_000_000)
    assert parse_disturbance("line_delays 5 % by 80 ms").delay == 80_000_000
    assert parse_disturbance("overcurrent at 1 ms", chip).name == "OC_U"


@pytest.mark.parametrize("name", maps())
def test_gaps_are_named_not_guessed(name: str) -> None:
    chip = load_map(name)
    found = gaps(chip)
    assert all(isinstance(text, str) and text for text in found)
    causes = {c for f in chip.faults.values() for c in f.raised_by}
    assert any("wrong check bits" in text for text in found) is ("check_bits" not in causes)
