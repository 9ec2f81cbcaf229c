"""Watching for hours: losses told in time, plugs pulled and put back, pins that do not answer, a bounded table."""

from __future__ import annotations

import io
import os
import re
import time
from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest

from regmap.behaviour.faults import status_registers
from regmap.chip.model import Chip, Layout
from regmap.cli.context import Context
from regmap.cli.watchview import View
from regmap.errors import LinkError
from regmap.link import rules
from regmap.link.port import AdapterPort
from regmap.link.session import Link
from regmap.link.watch import Sample, Tally, watch
from regmap.maps.load import bundled, load_map
from regmap.twin import Twin
from regmap.twin.adapter import Adapter, Terminal
from regmap.wire.client import Client
from regmap.wire.layout import Pins
from regmap.wire.ports import Reopener


def maps() -> list[str]:
    return [n for n, p in bundled("devices").items() if "gateword_map:" in p.read_text()]


needs_terminals = pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs pseudo-terminals")


@pytest.mark.parametrize("period", [0.1, 0.5, 2.0])
def test_a_loss_is_told_within_one_period_and_watching_goes_on(
    make_bench: Any, period: float
) -> None:
    pulled, back = 3.2, 9.7
    bench = make_bench("quoll16", [f"unplug at {pulled} s for {back - pulled} s"])
    times: list[tuple[float, bool]] = []
    for sample in watch(bench.link, period=period):
        times.append((sample.time, sample.complete))
        if sample.time > back + 3 * period + 1:
            break
    gone = [t for t, complete in times if not complete]
    fine = [t for t, complete in times if complete]
    patience = max(period, 0.25)
    assert gone
    assert gone[0] - pulled <= 2 * patience  # it was pulled between two polls
    assert all(b - a <= 2 * patience for (a, _), (b, _) in pairwise(times))
    assert fine[-1] > back
    assert min(t for t in fine if t > pulled) - back <= 2 * patience
    assert not any(pulled + 2 * patience < t < back for t in fine)


def test_a_lost_pin_request_is_no_end(make_bench: Any) -> None:
    bench = make_bench("quoll16")
    pins = bench.port.pins
    calls = 0

    def sometimes(enable: bool | None = None) -> Any:
        nonlocal calls
        calls += 1
        if calls % 2:
            raise LinkError("bench: pins lost after 4 attempts: no answer within 0.05 s")
        return pins(enable)

    bench.port.pins = sometimes
    samples = list(watch(bench.link, period=0.1, count=4))
    assert [s.fault_pin for s in samples] == [None, True, None, True]
    assert ["pins lost" in s.pin_lost for s in samples] == [True, False, True, False]
    assert "pins lost" in samples[0].plain()["fault_pin_lost"]


def test_samples_have_both_clocks(make_bench: Any) -> None:
    bench = make_bench("quoll16")
    samples = list(watch(bench.link, period=0.5, count=3, wall=lambda: 482196050.52))
    assert {s.plain()["at"] for s in samples} == {"1985-04-12T23:20:50.520Z"}
    times = [s.plain()["time_s"] for s in samples]
    assert [round(b - a, 1) for a, b in pairwise(times)] == [0.5, 0.5]


@needs_terminals
def test_the_plug_is_pulled_and_put_back() -> None:
    """The terminal goes away under the link; a link in the file system leads to the one that comes next."""
    chip = load_map("quoll16")
    twin = Twin(chip)
    first = Terminal(Adapter(twin.bus, [twin]), chip.name)
    path = [first.path]
    port = AdapterPort(lambda: Reopener(path[0])(), chip.spi, name="plug", timeout=0.2)
    port.open()
    link = Link(chip, port)
    seen: list[tuple[bool, float]] = []
    second: Terminal | None = None
    begin = time.monotonic()
    try:
        for sample in watch(link, period=0.6):
            seen.append((sample.complete, time.monotonic()))
            if len(seen) == 2:
                first.close()
                # another terminal of this machine may get its name at once
                path[0] = "/dev/pts/pulled"
                pulled = time.monotonic()
            if len(seen) == 5:
                second = Terminal(Adapter(twin.bus, [twin]), chip.name)
                path[0] = second.path
            if len(seen) > 5 and sample.complete:
                break
            assert time.monotonic() - begin < 20
    finally:
        port.close()
        first.close()
        if second is not None:
            second.close()
    assert [complete for complete, _ in seen[:5]] == [True, True, False, False, False]
    assert seen[2][1] - pulled < 2.0
    assert seen[-1][0]


# --- what is told -------------------------------------------------------------------------------------
def test_events_and_counts(make_bench: Any) -> None:
    bench = make_bench("quoll16", ["unplug at 1.05 s for 700 ms"])
    bench.link.write("SERVICE", 0x200)
    tally = Tally()
    texts: list[str] = []
    for sample in watch(bench.link, period=0.25, count=12):
        texts += [text for _, text in tally.take(sample)]
        if sample.number in (2, 9):
            bench.twin.disturb("vds_vh for 1 ms")
            bench.twin.wait(0.01)
        if sample.number == 3:
            bench.link.write("SERVICE", 0x200)
    assert tally.counts["VDS_VH"] == 2
    assert tally.lost == 1
    assert [t for t in texts if "VDS_VH" in t] == ["VDS_VH raised", "VDS_VH gone", "VDS_VH raised"]
    assert sum(t.startswith("lost: ") for t in texts) == 1
    assert texts.count("answers again") == 1


class Screen(io.StringIO):
    """A terminal that remembers what it shows, of a given height."""

    def isatty(self) -> bool:
        return True


def shown(text: str, height: int) -> list[str]:
    """The lines that stand on a terminal after these bytes: cursor up and erase below are all it uses."""
    lines: list[str] = [""]
    for piece in re.split(r"(\x1b\[\d+A\x1b\[J|\n)", text):
        up = re.fullmatch(r"\x1b\[(\d+)A\x1b\[J", piece)
        if up:
            assert int(up[1]) < height, "moves above the screen"
            lines = [*lines[: len(lines) - 1 - int(up[1])], ""]
        elif piece == "\n":
            lines.append("")
        else:
            lines[-1] += re.sub(r"\x1b\[[\d;]*m", "", piece)
    return lines


@pytest.mark.parametrize("height", [12, 24, 50])
def test_the_table_stays_within_the_screen(
    make_bench: Any, monkeypatch: pytest.MonkeyPatch, height: int
) -> None:
    monkeypatch.setattr(
        "shutil.get_terminal_size", lambda _fallback: os.terminal_size((80, height))
    )
    bench = make_bench("quoll16", ["unplug at 4 s for 2 s"])
    faults = [f.name for f in bench.chip.faults.values() if not f.summary_of]
    screen = Screen()
    view = View(Context(stdout=screen, environ={"TERM": "xterm"}), bench.chip, as_json=False)
    last: Sample | None = None
    for sample in watch(bench.link, period=0.25, count=40, wall=bench.port.clock):
        view.show(sample)
        last = sample
        name = faults[sample.number % len(faults)]
        bench.twin.disturb(f"{name} for 2 ms")
        bench.twin.wait(0.01)
        if not sample.number % 3:
            bench.link.write("SERVICE", 0x200)
    view.close()
    assert last is not None
    lines = shown(screen.getvalue(), height)
    table = lines[:-1]
    assert len(table) <= height - 1
    assert f"poll {last.number}" in table[0]
    assert "more lines" in screen.getvalue() or height > 12
    newest = [t for t in table if re.match(r"\d\d:\d\d:\d\d ", t)]
    assert newest, "the newest events stand below"
    assert [t[:8] for t in newest] == sorted(t[:8] for t in newest)
    assert table[-1] == newest[-1]


def test_what_could_not_be_asked_is_no_loss_of_a_value(make_bench: Any) -> None:
    """Nothing was sent to a port that is not there, so nothing that reading clears was lost."""
    bench = make_bench("bilby32", ["unplug at 1 s"])
    for sample in watch(bench.link, period=0.25, count=10, clearing=True):
        assert sample.complete or sample.time > 1
    losses = bench.link.account().losses
    assert len(losses) <= 2, losses


def test_the_client_gives_up_at_the_time_it_is_given(make_bench: Any) -> None:
    bench = make_bench("quoll16", ["line_drops 100 % at 1 s"])
    bench.clock.advance(2 * 10**9)
    before = bench.port.clock()
    bench.port.until = before + 0.07
    with pytest.raises(LinkError, match="no answer in time"):
        bench.port.pins()
    assert bench.port.clock() - before < 0.1
    assert isinstance(bench.port._client, Client)
    assert bench.port._client.pending is None
    assert Pins() == Pins(None)


def test_without_a_map_no_mode_is_asked_for(make_bench: Any) -> None:
    """An adapter that can do one mode only is greeted all the same."""
    bench = make_bench("quoll16")
    asked: list[Any] = []
    setup = bench.adapter.setup
    bench.adapter.setup = lambda wanted: asked.append(wanted) or setup(wanted)
    port = AdapterPort(bench.open_line, None, name="bench", clock=bench.port.clock)
    assert port.open().name.startswith("twin of")
    assert port.pins().fault is True
    assert not asked


@pytest.mark.parametrize("name", maps())
def test_a_poll_is_one_exchange_of_the_adapter(make_bench: Any, name: str) -> None:
    """What may be read again at any time is read together, and what it holds is told as from reads alone."""
    bench = make_bench(name)
    wanted = [
        n
        for n in status_registers(bench.chip)
        if not rules.read_hazards(bench.chip, bench.chip.registers[n])
    ]
    counted = [(bench.port.transfers, sample) for sample in watch(bench.link, period=0.1, count=2)]
    sample = counted[1][1]
    together = counted[1][0] - counted[0][0]  # the first may also ask which page the chip is on
    assert [*sample.readings] == wanted
    assert {n: r.grade for n, r in sample.readings.items()} == dict.fromkeys(wanted, "good")
    for register, reading in sample.readings.items():
        assert reading.word == bench.twin.word(register)
    assert together == (1 if wanted else 0)
    mine = [f for f in bench.chip.faults.values() if f.register in wanted and not f.summary_of]
    for fault in mine[:1]:
        bench.twin.machine.set_fault(fault, True)
        again = next(watch(bench.link, period=0.1, count=1))
        assert again.readings[fault.register].word == bench.twin.word(fault.register)
        assert fault.name in {f.name for f in again.explanation.raised}


def unguarded(chip: Chip) -> Chip:
    """The same chip with replies of which every word is in good form, and no register that is always the same."""

    def bare(layout: Layout) -> Layout:
        return replace(
            layout,
            parts=tuple(
                replace(p, kind="ignored") if p.kind in ("parity", "crc", "fixed") else p
                for p in layout.parts
            ),
        )

    frames = {
        n: replace(f, replies={k: bare(v) for k, v in f.replies.items()})
        for n, f in chip.frames.items()
    }
    return replace(chip, frames=frames, identity={})


@pytest.mark.parametrize("level", ["dead_reply low", "dead_reply high", "echo"])
@pytest.mark.parametrize("guarded", [True, False])
@pytest.mark.one_in(3)
def test_registers_read_together_are_believed_as_if_alone(
    make_bench: Any, guarded: bool, level: str
) -> None:
    """A line that is dead over any part of the exchange: no proof of one register serves another."""
    chip = load_map("quoll16")
    if not guarded:
        chip = unguarded(chip)

    def bench_of(*strikes: str) -> Any:
        bench = make_bench(chip, strikes)
        if not guarded:
            bench.link.witness = None
        return bench

    names = ["GATE_HS", "TIMING", "GATE_LS", "VDS"]
    quiet = bench_of()
    begin = quiet.twin.now
    assert all(r.good for r in quiet.link.read_all(names).values())
    whole = quiet.twin.now - begin
    lost = 0
    for at in range(-1, 8):
        for length in (1, 3, 6):
            start = max(0, begin + whole * at // 8)
            bench = bench_of(f"{level} at {start} ns for {whole * length // 8} ns")
            for register, reading in bench.link.read_all(names).items():
                if reading.good:
                    assert reading.word == bench.twin.word(register), (at, length, reading)
            lost += sum(e["event"] == "exchange" for e in bench.record) > 1
    assert lost, "some strikes were noticed"


def test_a_reset_among_registers_read_together_is_seen(make_bench: Any) -> None:
    """Whatever frame it strikes at: what was read before it is not told as held after it."""
    for frame in range(1, 20):
        bench = make_bench("quoll16")
        for fault in bench.chip.faults.values():
            if fault.normal_at_power_up:
                bench.twin.machine.set_fault(fault, False)
        bench.twin.machine.settle()
        names = ["GATE_HS", "GATE_LS", "VDS", "STATUS1"]
        assert bench.link.write("GATE_HS", 0x2AD).holds == 0x2AD
        sent = sum(len(e["asks"]) for e in bench.record if e["event"] == "exchange")
        bench.twin.disturb(f"reset at frame {sent + frame}")
        bench.link.read_all(names)
        for item in bench.link.account().held:
            assert item.word == bench.twin.word(item.register), (frame, item)


@pytest.mark.parametrize("name", maps())
def test_several_registers_of_every_chip_are_read_as_one_by_one(make_bench: Any, name: str) -> None:
    """Pages in the frame, a page that a field selects, registers in replies only: all together, in any order."""
    chip = load_map(name)
    names = [n for n, r in chip.registers.items() if r.readable and not rules.read_hazards(chip, r)]
    alone, together = make_bench(name), make_bench(name)
    found = together.link.read_all(names)
    assert list(found) == names
    for register in names:
        reading = alone.link.read(register)
        assert (found[register].word, found[register].grade) == (reading.word, reading.grade), (
            register
        )
