"""The twin's time: one reading of the clock a step, and conditions that begin, overlap and end."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from regmap.chip.model import Chip, Fault, Field
from regmap.frames.codec import Codec, bursts, wire_bytes
from regmap.maps.load import bundled, load_map
from regmap.twin import RealClock, Twin, gaps
from regmap.twin.adapter import Adapter
from regmap.wire.layout import Setup


class Ticking(RealClock):
    """A real clock that is later at every look, as it is; without waiting for it."""

    def __init__(self, most: int) -> None:
        super().__init__()
        self.most = most
        self.rng = random.Random(most)
        self._at = 0

    @property
    def ns(self) -> int:
        self._at += self.rng.randint(1, self.most)
        return self._at


def maps() -> list[str]:
    return [n for n, p in bundled("devices").items() if "gateword_map:" in p.read_text()]


@pytest.mark.parametrize("most", [1, 607, 20_000, 200_000])
@pytest.mark.parametrize("hertz", [50_000, 150_000, 1_000_000, 5_000_000])
def test_a_clock_that_runs_while_it_is_looked_at_never_runs_backwards(
    most: int, hertz: int
) -> None:
    chip = load_map("quoll16")
    twin = Twin(chip, clock=Ticking(most))
    adapter = Adapter(twin.bus, [twin])
    spi = chip.spi
    adapter.setup(
        Setup(
            mode=spi.mode,
            clock_hz=hertz,
            lsb_first=not spi.msb_first,
            select_high=not spi.select_active_low,
        )
    )
    sent = Codec(chip).read(chip.registers["ID"])
    [(value, bits)] = bursts(sent.frame, sent.word)
    data = wire_bytes(value, bits, msb_first=spi.msb_first)
    twin.disturb("uv_supply for 100 us")
    starts = [adapter.burst(data).time_us for _ in range(200)]
    adapter.pins(None)
    assert starts == sorted(starts)
    times = [e.ns for e in twin.events]
    assert times == sorted(times)
    assert twin.now >= starts[-1] * 1000


# --- detection is judged with the settings of the moment it strikes -----------------------------
def filtered(chip: Chip) -> tuple[Fault, Field]:
    """A fault that uses a filter time, and the field that sets it."""
    for fault in chip.faults.values():
        for role in fault.uses:
            if role.endswith(".filter"):
                for item in chip.with_role(role):
                    if isinstance(item, Field):
                        return fault, item
    raise AssertionError(f"{chip.name} has no fault with a filter")


def set_option(twin: Twin, field: Field, code: int) -> None:
    twin.machine.bank.put(field, code)


def filter_times(field: Field) -> list[tuple[int, int]]:
    """(nanoseconds, code) of the filter's settings as the map writes them, from the shortest."""
    entries = [entry for meaning in field.meanings for entry in meaning.entries.values()]
    bands = [(entry.band, entry.code) for entry in entries]
    return sorted((int(band.typ * 10**9), code) for band, code in bands if band is not None)


def test_a_filter_set_after_an_injection_was_planned_counts() -> None:
    chip = load_map("quoll16")
    fault, field = filtered(chip)
    (short, low), (long, high) = (filter_times(field)[i] for i in (0, -1))
    between = f"{fault.name.lower()} at 1 ms for {(short + long) // 2} ns"
    for planned, then, detected in ((low, high, False), (high, low, True)):
        twin = Twin(chip)
        set_option(twin, field, planned)
        twin.disturb(between)
        set_option(twin, field, then)
        twin.wait(0.01)
        assert (twin.machine.raised(fault) is True) is detected, (planned, then)


# --- injections that overlap add up ---------------------------------------------------------------
def test_the_end_of_one_does_not_end_the_other() -> None:
    twin = Twin(
        load_map("quoll16"),
        disturbances=["uv_supply at 1 ms for 4 ms", "uv_supply at 2 ms for 1 ms"],
    )
    present = []
    for _ in range(7):
        twin.wait(0.001)
        present.append("UV_SUPPLY" in twin.machine.conditions)
    # looked at just after 1, 2, ... 7 ms; it takes some microseconds to be detected
    assert present == [False, True, True, True, False, False, False]


def test_two_too_short_ones_that_join_are_long_enough() -> None:
    chip = load_map("quoll16")
    fault, field = filtered(chip)
    time, code = filter_times(field)[-1]
    name = fault.name.lower()
    half = time * 3 // 4
    twin = Twin(chip)
    set_option(twin, field, code)
    twin.disturb(f"{name} at 1 ms for {half} ns")
    twin.wait(0.002)
    assert not twin.machine.raised(fault)
    twin.disturb(f"{name} at 3 ms for {half} ns")
    twin.disturb(f"{name} at {3_000_000 + half // 2} ns for {half} ns")
    twin.wait(0.002)
    assert twin.machine.raised(fault)


def test_two_interruptions_of_the_supply_that_overlap_are_one() -> None:
    twin = Twin(
        load_map("quoll16"), disturbances=["no_power at 1 ms for 5 ms", "no_power at 2 ms for 1 ms"]
    )
    twin.wait(0.004)
    assert not twin.fault_pin()
    twin.wait(0.003)
    assert twin.fault_pin()


def test_clearing_ends_all_of_that_name_whenever_they_were_to_come() -> None:
    twin = Twin(
        load_map("quoll16"),
        disturbances=["uv_supply", "uv_supply at 5 ms", "uv_supply at 1 ms for 9 ms"],
    )
    twin.wait(0.002)
    assert "UV_SUPPLY" in twin.machine.conditions
    twin.remove("uv_supply")
    twin.wait(0.02)
    assert "UV_SUPPLY" not in twin.machine.conditions


def test_rates_that_overlap_add_up() -> None:
    twin = Twin(load_map("quoll16"), seed=3, disturbances=["lost_frames 0 %", "lost_frames 100 %"])
    for _ in range(20):
        twin.transfer([0])
    assert twin.accepted == 0


# --- lengths ---------------------------------------------------------------------------------------
def test_an_adapter_clocks_whole_bytes_and_the_chip_counts_them() -> None:
    """A chip with 12-bit frames behind an adapter that sends bytes sees 16 clocks, as on a bench."""
    quoll = load_map("quoll16")
    [frame] = quoll.frames.values()
    short = replace(frame, length=12, bursts=(12,))
    twin = Twin(replace(quoll, frames={frame.name: short}))
    adapter = Adapter(twin.bus, [twin])
    adapter.burst(b"\x12\x30")
    assert any(e.kind == "rejected" and "16 clocks" in e.text for e in twin.events)


# --- what the map says only in prose ------------------------------------------------------------------
@pytest.mark.parametrize("name", maps())
def test_what_is_prose_only_is_listed(name: str) -> None:
    chip = load_map(name)
    told = "\n".join(gaps(chip))
    assert "outputs" in told, "what a fault does to the outputs is prose in every map"
    for fault in chip.faults.values():
        if not fault.cleared_by and fault.latched and not fault.summary_of:
            assert fault.name in told


def test_a_way_to_clear_that_is_prose_only_is_listed() -> None:
    chip = load_map("quoll16")
    faults = {
        n: replace(f, cleared_by=()) if n == "OT" else replace(f, detect=None) if n == "WD" else f
        for n, f in chip.faults.items()
    }
    told = gaps(replace(chip, faults=faults))
    assert any("OT" in text and "once cooled down" in text for text in told)
    assert any("WD" in text and "detection" in text for text in told)
