"""The simulated chip behind the adapter protocol: set-ups, terminals, streams, chains, pytest fixtures."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from regmap.errors import CallError, LinkError
from regmap.frames import chain as chains
from regmap.frames.codec import Codec, bursts, from_wire, wire_bytes
from regmap.maps.load import load_map
from regmap.testing import gateword_port, gateword_twin  # noqa: F401
from regmap.twin import Clock, Twin
from regmap.twin.adapter import Adapter, DirectLine, StreamLine, identity
from regmap.twin.chain import TwinChain
from regmap.wire.client import Client, Done, Refused
from regmap.wire.layout import Burst, Hello, PinLevels, Pins, Setup, Transfer
from regmap.wire.ports import PseudoTerminal, SerialLine, exchange
from regmap.wire.server import Server

pytestmark = pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs pseudo-terminals")


def setup_of(name: str, **change: object) -> Setup:
    spi = load_map(name).spi
    wanted: dict[str, object] = {
        "mode": spi.mode,
        "clock_hz": 1_000_000,
        "lsb_first": False,
        "select_high": not spi.select_active_low,
    }
    return Setup(**{**wanted, **change})  # type: ignore[arg-type]


def read_id(name: str, setup: Setup, *inject: str) -> list[bytes]:
    """The bytes that come back for a read of the register at the highest address, sent as the map says."""
    chip = load_map(name)
    twin = Twin(chip, disturbances=inject)
    clock = Clock()
    line = DirectLine(Server(Adapter(twin.bus, [twin]), identity(name)), clock)
    client = Client(timeout=1.0)
    sent = Codec(chip).read(max(chip.registers.values(), key=lambda r: (r.page is None, r.address)))
    pieces = [
        wire_bytes(v, b, msb_first=chip.spi.msb_first) for v, b in bursts(sent.frame, sent.word)
    ]
    outcome = None
    for request in (Hello(), setup, Transfer(tuple(pieces * 3))):
        outcome = exchange(line, client, request, clock=lambda: clock.ns / 1e9)
    assert isinstance(outcome, Done)
    answer = outcome.answer
    assert isinstance(answer, tuple)
    return [b.data for b in answer if isinstance(b, Burst)]


@pytest.mark.parametrize("name", ["quoll16", "potoroo40"])
def test_a_wrong_set_up_shows(name: str) -> None:
    right = read_id(name, setup_of(name))
    spi = load_map(name).spi
    assert read_id(name, setup_of(name, mode=spi.mode ^ 3)) != right
    assert read_id(name, setup_of(name, select_high=spi.select_active_low)) == [
        bytes(len(b)) for b in right
    ]
    turned = read_id(name, setup_of(name, lsb_first=True))
    assert turned != right


def test_the_adapter_may_be_busy() -> None:
    twin = Twin(load_map("quoll16"), disturbances=["busy 100 %"])
    clock = Clock()
    line = DirectLine(Server(Adapter(twin.bus, [twin]), identity("q")), clock)
    client = Client(timeout=1.0)
    outcomes = [
        exchange(line, client, r, clock=lambda: clock.ns / 1e9)
        for r in (Hello(), setup_of("quoll16"), Transfer((b"\x80\x00",)))
    ]
    assert isinstance(outcomes[-1], Refused)
    assert not outcomes[-1].may_have_run


def test_fixture_makes_twins(gateword_twin: Callable[..., Twin], tmp_path: Path) -> None:  # noqa: F811
    twin = gateword_twin("quoll16", seed=1, vcd=tmp_path / "x.vcd")
    assert twin.exchange(0xF800) == 0x6AC2


def test_fixture_serves_ports(gateword_port: Callable[..., str]) -> None:  # noqa: F811
    path = gateword_port("quoll16")
    client = Client(timeout=5.0)
    with SerialLine(path) as line:
        outcomes = [
            exchange(line, client, r)
            for r in (Hello(), setup_of("quoll16"), Transfer((b"\xf8\x00",)), Pins())
        ]
    assert isinstance(outcomes[2], Done)
    assert outcomes[2].answer[0].data == b"\x6a\xc2"  # type: ignore[index, union-attr]
    assert isinstance(outcomes[3], Done)
    assert outcomes[3].answer == PinLevels(True, True)


def test_a_chain_answers_by_position() -> None:
    chip = load_map("quokka16")
    chain = TwinChain([chip, chip, chip])
    codec = Codec(chip)
    idle = codec.read(chip.registers["ID"]).word
    write = codec.write(chip.registers["GATE_HS"], 0x123).word
    chain.transfer([chains.pack(chain.chain, [(idle, 16), (write, 16), (idle, 16)])])
    assert [core.machine.bank.words["GATE_HS"] for core in chain.cores] == [0x143, 0x123, 0x143]
    read = codec.read(chip.registers["GATE_HS"]).word
    stream = chains.pack(chain.chain, [(read, 16)] * 3)
    [back] = chain.transfer([stream])
    sent = codec.decode_command(read)
    words = chains.unpack_reply(chain.chain, (back, stream[1]), [16] * 3)
    assert [codec.decode_reply(w, sent).data for w in words] == [0x143, 0x123, 0x143]
    chain.disturb("2: vds_wh at 1 ms for 1 ms")
    chain.wait(0.01)
    assert [core.machine.bank.words["STATUS1"] for core in chain.cores] == [0, 0, 0x003]
    assert not chain.fault_pin()
    # a stream for two chips does not fit three: every chip sees a wrong count of clocks
    chain.transfer([chains.pack(chain.chain, [(read, 16)] * 2)])
    assert all(core.machine.bank.words["STATUS2"] & 0x100 for core in chain.cores)
    with pytest.raises(CallError, match="position 3 in a chain of 3 chips"):
        chain.disturb("3: vds_wh")


# --- the command -------------------------------------------------------------------------------
def gateword(*words: str, **options: object) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run(
        [sys.executable, "-m", "regmap.cli.main", *words],
        capture_output=True,
        timeout=60,
        check=False,
        **options,  # type: ignore[call-overload]
    )


def test_over_standard_input_and_output(tmp_path: Path) -> None:
    client = Client(timeout=5.0, attempts=1)
    requests = [Hello(), setup_of("quoll16"), Transfer((wire_bytes(0xF800, 16),))]
    data = b""
    for request in requests:
        data += client.start(request, 0.0)
        client.abandon("sent all at once")
    path = tmp_path / "x.vcd"
    done = gateword("twin", "quoll16", "--stdio", "--vcd", str(path), input=data)
    assert done.returncode == 0, done.stderr
    # the transfer's answer holds the reply of read:ID as two bytes
    assert b"\x02\x6a\xc2" in done.stdout
    assert from_wire(b"\x6a\xc2", 16) == 0x6AC2
    assert path.read_text().startswith("$comment simulated quoll16, an invented chip")


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["nosuch"], "no such file"),
        (["quoll16", "--disturbance", "vdsuh"], "nearest: VDS_UH"),
        (["quoll16", "--disturbance", "bit_flips 200 %"], "a rate is 0 to 100 %"),
        (["quoll16", "quoll16"], "`chain` section"),
        (["quoll16", "--vcd", "/"], "is a directory"),
    ],
)
def test_wrong_use_is_one_clear_message(words: list[str], message: str) -> None:
    done = gateword("twin", *words)
    assert done.returncode == 2
    assert message in done.stderr.decode()
    assert "Traceback" not in done.stderr.decode()


def test_all_disturbances_are_listed() -> None:
    text = gateword("twin", "quoll16", "--list").stdout.decode()
    assert "vds_uh" in text
    assert "dead_reply" in text
    assert "line_drops" in text


@pytest.mark.parametrize("what", ["burst", "pins", "setup"])
def test_nothing_comes_between_who_holds_the_adapter(what: str) -> None:
    """Another thread's burst (or pins, or set-up) waits: a frame of several bursts stays whole."""
    twin = Twin(load_map("quoll16"), clock=Clock())
    adapter = Adapter(twin.bus, [twin])
    calls: dict[str, Callable[[], object]] = {
        "burst": lambda: adapter.burst(bytes(2)),
        "pins": lambda: adapter.pins(None),
        "setup": lambda: adapter.setup(setup_of("quoll16")),
    }
    done = threading.Event()

    def other() -> None:
        calls[what]()
        done.set()

    thread = threading.Thread(target=other, daemon=True)
    with adapter.lock:
        thread.start()
        assert not done.wait(0.2)
    assert done.wait(5)
    thread.join()


def test_what_posix_systems_alone_can_is_told_in_one_sentence(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Windows waits for sockets only (the Python documentation of `select.select`)."""
    monkeypatch.setattr("sys.platform", "win32")
    for make in (lambda: StreamLine(0, 1), PseudoTerminal):
        with pytest.raises(LinkError, match="POSIX systems only"):
            make()
