"""The link over the C bridge: apply, verify and refusals against a simulated chip behind compiled C.

Bytes pass: Link, serial port, pseudo-terminal, bridge.c, a socket for SPI and pins, Twin.
"""

from __future__ import annotations

import os
import socket
import subprocess
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from regmap.behaviour.settings import setting_registers
from regmap.chip import values
from regmap.chip.bank import Bank
from regmap.chip.model import Chip
from regmap.link.bringup import apply, verify
from regmap.link.look import final_bank
from regmap.link.port import AdapterPort
from regmap.link.session import Link
from regmap.maps.load import bundled, load_map
from regmap.stages.load import load_stage
from regmap.twin import Twin
from regmap.twin.adapter import Adapter, StreamLine
from regmap.wire.layout import Setup
from regmap.wire.ports import PseudoTerminal, Reopener
from regmap.wire.server import Refusal

pytestmark = pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs pseudo-terminals")

HERE = Path(__file__).parent / "bridge"
SHIPPED = Path(__file__).parents[2] / "regmap" / "wire" / "bridge"
STRICT = ["-std=c99", "-Wall", "-Wextra", "-Wpedantic", "-Wconversion", "-Wshadow", "-Werror"]
SANITIZE = ["-O1", "-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all"]
ENABLE, FAULT = 1, 2


@pytest.fixture(scope="module")
def program(need_tool: Callable[[str], str], tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("bridge") / "twin"
    sources = [f"-I{SHIPPED}", str(SHIPPED / "bridge.c"), str(HERE / "main_twin.c")]
    command = [need_tool("gcc"), *STRICT, *SANITIZE, *sources, "-o", str(path)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return path


class Hardware(threading.Thread):
    """What main_twin.c finds at its SPI port and pins: a simulated chip."""

    def __init__(self, twin: Twin, end: socket.socket) -> None:
        super().__init__()
        self.adapter = Adapter(twin.bus, [twin])
        self.end = end
        self.setups: list[Setup] = []
        self.bursts = 0

    def run(self) -> None:
        with self.end.makefile("rb") as asked:
            while head := asked.read(3):
                body = asked.read(int.from_bytes(head[1:], "big"))
                self.end.sendall(self.answer(head[:1], body))

    def answer(self, kind: bytes, body: bytes) -> bytes:
        length = {b"S": 8, b"B": 4 + len(body), b"N": 3 + len(body), b"P": 1}[kind]
        try:
            if kind == b"S":
                return b"\0" + self.set_up(body)
            if kind == b"B":
                self.bursts += 1
                burst = self.adapter.burst(body)
                return b"\0" + burst.time_us.to_bytes(4, "big") + burst.data
            if kind == b"N":
                self.bursts += 1
                burst = self.adapter.burst_bits(body[1:], body[0])
                return b"\0" + burst.time_us.to_bytes(4, "big") + burst.data
            drive, levels = body
            pins = self.adapter.pins(bool(levels & ENABLE) if drive & ENABLE else None)
            return bytes([0, ENABLE * bool(pins.enable) | FAULT * bool(pins.fault)])
        except Refusal as refusal:
            return bytes([1 if refusal.busy else 2, *bytes(length)])

    def set_up(self, body: bytes) -> bytes:
        setup = Setup(
            mode=body[0],
            lsb_first=bool(body[1] & 1),
            select_high=bool(body[1] & 2),
            clock_hz=int.from_bytes(body[2:6], "big"),
            idle_ns=int.from_bytes(body[6:], "big"),
        )
        self.setups.append(setup)
        done = self.adapter.setup(setup)
        return done.clock_hz.to_bytes(4, "big") + done.idle_ns.to_bytes(4, "big")


@contextmanager
def bridged(program: Path, twin: Twin) -> Iterator[tuple[Link, Hardware]]:
    """A link to the twin with the compiled bridge between; its last word must not be a complaint."""
    ours, theirs = socket.socketpair()
    hardware = Hardware(twin, ours)
    hardware.start()
    with PseudoTerminal() as terminal:
        end = terminal.fileno()
        os.set_blocking(end, True)
        process = subprocess.Popen(
            [program, str(theirs.fileno())],
            stdin=end,
            stdout=end,
            stderr=subprocess.PIPE,
            pass_fds=[theirs.fileno()],
        )
        theirs.close()
        assert process.stderr is not None
        port = AdapterPort(
            Reopener(terminal.path),
            twin.chip.spi,
            name=terminal.path,
            timeout=5.0,
            sleep=lambda _: None,
        )
        try:
            port.open()
            yield Link(twin.chip, port), hardware
            assert process.poll() is None, "the bridge has died"
        finally:
            port.close()
            process.kill()
            complaint = process.stderr.read()
            process.wait()
            process.stderr.close()
            hardware.join(10)
            ours.close()
    assert complaint == b""


def maps() -> list[str]:
    return [n for n, p in bundled("devices").items() if "gateword_map:" in p.read_text()]


def moved(chip: Chip) -> Bank:
    """A configuration that differs from reset in every setting but the lock and the watchdog."""
    bank = Bank.at_reset(chip)
    for register in setting_registers(chip):
        for field in register.fields:
            if field.access == "rw" and field.role not in ("lock", "watchdog.enable"):
                codes = [r.code for r in values.options(field, bank, limit=64) if r.defined]
                bank.put(field, next(c for c in reversed(codes) if c != field.reset))
    return bank


def test_apply_and_verify_through_the_bridge(program: Path) -> None:
    """Odd parity, the same frame's reply, a lock: every setting of quoll16 through compiled C."""
    chip = load_map("quoll16")
    twin = Twin(chip)
    wanted = moved(chip)
    with bridged(program, twin) as (link, hardware):
        identity = link.port.identity
        assert identity is not None
        assert identity.name == "bridge to a twin"
        done = apply(link, wanted)
        assert done.ok, (done.stopped, done.account.lines())
        checked = verify(link, final_bank(chip, wanted))
        assert len(checked) == len([r for r in setting_registers(chip) if r.readable])
        assert all(c.ok for c in checked)
        assert [s.mode for s in hardware.setups] == [chip.spi.mode]
        assert hardware.bursts > 100
        # past the bus: the chip holds it, and is locked
        for register in setting_registers(chip):
            for field in register.fields:
                if field.access == "rw" and field.role != "lock":
                    assert twin.machine.bank.field_code(field) == wanted.field_code(field), (
                        field.ref
                    )
        refused = link.write("GATE_HS", 0x155)
        assert refused.result == "refused"
        assert "STATUS2.LOCKED reads locked" in refused.why
        assert twin.word("GATE_HS") == wanted.words["GATE_HS"]


def test_the_shipped_stage_through_the_bridge(program: Path) -> None:
    stage = load_stage("coolant_pump")
    twin = Twin(stage.chip)
    with bridged(program, twin) as (link, _):
        done = apply(link, stage.bank)
        assert done.ok, (done.stopped, done.account.lines())
        wrong = verify(link, Bank.at_reset(stage.chip))
        assert any(c.changes for c in wrong), "a comparison that finds no difference proves nothing"
        assert link.port.pins().fault is twin.fault_pin()
        assert link.port.pins(enable=False).enable is False
        assert twin.enable is False


@pytest.mark.parametrize("name", maps())
def test_every_shipped_chip_through_the_bridge(program: Path, name: str) -> None:
    """Other lengths, checksums, counters, pages, replies one frame later, other modes."""
    chip = load_map(name)
    twin = Twin(chip)
    with bridged(program, twin) as (link, hardware):
        done = apply(link, Bank.at_reset(chip))
        assert done.ok, (done.stopped, done.account.lines())
        assert all(c.ok for c in verify(link, final_bank(chip, Bank.at_reset(chip))))
        assert hardware.setups[0].mode == chip.spi.mode


def test_bits_that_turn_over_behind_the_bridge_are_never_taken_for_values(program: Path) -> None:
    chip = load_map("quoll16")
    twin = Twin(chip, seed=3, disturbances=["bit_flips 3 %"])
    with bridged(program, twin) as (link, _):
        readings = [link.read("ID") for _ in range(60)]
        assert {r.word for r in readings if r.good} == {0x161}
        assert link.exchange.damaged > 0


# --- as firmware -----------------------------------------------------------------------------------
CORTEX_M3 = [
    "-mcpu=cortex-m3",
    "-mthumb",
    "-Os",
    "-ffunction-sections",
    "-nostartfiles",
    "-std=c99",
]


@pytest.fixture(scope="module")
def firmware(need_tool: Callable[[str], str], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same program on bare metal: UART0 is the serial line, UART1 what the hardware is asked over."""
    path = tmp_path_factory.mktemp("firmware") / "bridge.elf"
    sources = [SHIPPED / "bridge.c", HERE / "main_twin.c", HERE / "start_cortex_m3.c"]
    linked = ["--specs=nano.specs", "--specs=nosys.specs", "-T", str(HERE / "cortex_m3.ld")]
    done = subprocess.run(
        [
            need_tool("arm-none-eabi-gcc"),
            *CORTEX_M3,
            f"-I{SHIPPED}",
            *map(str, sources),
            *linked,
            "-Wl,--gc-sections",
            "-o",
            str(path),
        ],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return path


@contextmanager
def on_a_board(
    twin: Twin,
    name: str,
    process: subprocess.Popen[bytes],
    near: socket.socket,
    asked: socket.socket,
) -> Iterator[tuple[Link, Hardware]]:
    """A link to the twin with a simulated microcontroller between: `near` is its serial line, `asked` its SPI."""
    hardware = Hardware(twin, asked)
    hardware.start()
    port = AdapterPort(
        lambda: StreamLine(near.fileno(), near.fileno()),
        twin.chip.spi,
        name=name,
        timeout=5.0,
        sleep=lambda _: None,
    )
    assert process.stderr is not None
    try:
        port.open()
        yield Link(twin.chip, port), hardware
        assert process.poll() is None, process.stderr.read()
    finally:
        port.close()
        process.kill()
        process.wait()
        process.stderr.close()
        near.close()
        hardware.join(10)
        asked.close()


@contextmanager
def on_cortex_m3(qemu: str, firmware: Path, twin: Twin) -> Iterator[tuple[Link, Hardware]]:
    """QEMU's Cortex-M3, its two PL011 UARTs on sockets."""
    with (
        socket.create_server(("127.0.0.1", 0)) as line,
        socket.create_server(("127.0.0.1", 0)) as spi,
    ):
        for server in (line, spi):
            server.settimeout(30)
        serials = [f"tcp:127.0.0.1:{server.getsockname()[1]}" for server in (line, spi)]
        process = subprocess.Popen(
            [qemu, "-M", "lm3s6965evb", "-kernel", str(firmware), "-nographic", "-monitor", "none"]
            + [word for serial in serials for word in ("-serial", serial)],
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
        )  # fmt: skip
        near, asked = line.accept()[0], spi.accept()[0]
        with on_a_board(twin, "simulated Cortex-M3", process, near, asked) as both:
            yield both


@contextmanager
def on_avr(board: Path, firmware: Path, twin: Twin) -> Iterator[tuple[Link, Hardware]]:
    """simavr's ATmega1284: bytes take their time on its UARTs, and one not fetched in time is lost."""
    near, serial = socket.socketpair()
    asked, spi = socket.socketpair()
    process = subprocess.Popen(
        [board, firmware, str(spi.fileno())],
        stdin=serial, stdout=serial, stderr=subprocess.PIPE, pass_fds=[spi.fileno()],
    )  # fmt: skip
    serial.close()
    spi.close()
    with on_a_board(twin, "simulated AVR", process, near, asked) as both:
        yield both


def brought_up(link: Link, hardware: Hardware, chip: Chip) -> None:
    identity = link.port.identity
    assert identity is not None
    assert identity.name == "bridge to a twin"
    wanted = moved(chip) if chip.name == "quoll16" else Bank.at_reset(chip)
    done = apply(link, wanted)
    assert done.ok, (done.stopped, done.account.lines())
    assert all(c.ok for c in verify(link, final_bank(chip, wanted)))
    assert hardware.bursts > 100
    assert link.port.damaged == 0


@pytest.mark.parametrize("name", maps() if os.environ.get("GATEWORD_ALL_TARGETS") else ["quoll16"])
def test_a_chip_is_brought_up_through_a_simulated_microcontroller(
    need_tool: Callable[[str], str], firmware: Path, name: str
) -> None:
    """QEMU's Cortex-M3 with its PL011 UARTs: what passes there is polled, byte by byte, by the shipped C."""
    chip = load_map(name)
    with on_cortex_m3(need_tool("qemu-system-arm"), firmware, Twin(chip)) as (link, hardware):
        brought_up(link, hardware, chip)


@pytest.fixture(scope="module")
def avr(
    need_tool: Callable[[str], str], tmp_path_factory: pytest.TempPathFactory
) -> tuple[Path, Path]:
    """The board that simulates an AVR, and the same program as its firmware."""
    folder = tmp_path_factory.mktemp("avr")
    need_tool("simavr")
    strict = ["-Wall", "-Wextra", "-Werror"]
    built = [
        [need_tool("avr-gcc"), "-mmcu=atmega1284", "-Os", "-std=gnu99", *strict, "-include", "avr/system.h",
         f"-I{HERE}", f"-I{SHIPPED}", SHIPPED / "bridge.c", HERE / "main_twin.c", HERE / "start_avr.c",
         "-o", folder / "bridge.elf"],
        [need_tool("gcc"), "-std=c99", "-O2", "-D_POSIX_C_SOURCE=200809L", *strict, HERE / "board_avr.c",
         "-lsimavr", "-lelf", "-o", folder / "board"],
    ]  # fmt: skip
    for command in built:
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr
    return folder / "board", folder / "bridge.elf"


@pytest.mark.parametrize(
    "name", maps() if os.environ.get("GATEWORD_ALL_TARGETS") else ["potoroo40", "quokka16"]
)
def test_a_chip_is_brought_up_through_a_simulated_avr(avr: tuple[Path, Path], name: str) -> None:
    """simavr's ATmega1284: 8 bit, 16 KB of RAM, the serial line received by interrupt."""
    chip = load_map(name)
    with on_avr(*avr, Twin(chip)) as (link, hardware):
        brought_up(link, hardware, chip)
