"""SPI controllers of this machine in front of simulated chips: spidev at the ioctl boundary, MPSSE at its engine's bytes.

The doubles are written from the kernel's header spidev.h and from the engine's published command list (Application
Note 108, "Command Processor for MPSSE and MCU Host Bus Emulation Modes", from memory); neither is hardware.
"""

from __future__ import annotations

import ctypes
import struct
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from regmap.behaviour.machine import as_read
from regmap.errors import LinkError
from regmap.link.look import look
from regmap.link.port import AdapterPort
from regmap.link.session import Link
from regmap.maps.load import bundled, load_map
from regmap.twin import Twin
from regmap.wire import mpsse, spidev
from regmap.wire.conformance import check_adapter
from regmap.wire.local import LocalLine
from regmap.wire.pace import Idle
from regmap.wire.ports import Reopener

pyftdi_spi = pytest.importorskip("pyftdi.spi")


def maps() -> list[str]:
    return [n for n, p in bundled("devices").items() if "gateword_map:" in p.read_text()]


class Wire:
    """The lines between a controller and a simulated chip, bit by bit as they come."""

    def __init__(self, twin: Twin) -> None:
        self.twin = twin

    def burst(self, bits: list[int], mode: int, *, select_high: bool = False) -> list[int]:
        spi = self.twin.chip.spi
        if select_high == spi.select_active_low:
            return [0] * len(bits)
        self.twin.bus.mode = mode
        text = "".join(map(str, bits))
        value = int(text if spi.msb_first else text[::-1], 2)
        _, read = self.twin.bus.burst(value, len(bits))
        back = f"{read:0{len(bits)}b}"
        return [int(b) for b in (back if spi.msb_first else back[::-1])]


# --- spidev ------------------------------------------------------------------------------------------
class Kernel:
    """`ioctl` of a spidev file: requests and structures as spidev.h has them, read here by offsets."""

    def __init__(self, wire: Wire, *, words: bool = True, fails: int = 0) -> None:
        self.wire, self.words, self.fails = wire, words, fails
        self.mode = self.speed = 0
        self.bits = 8
        self.lengths: list[int] = []

    def __call__(self, _file: int, request: int, argument: Any) -> int:
        assert request >> 30 == 1, "a request that writes"
        assert request >> 8 & 0xFF == ord("k")
        assert request >> 16 & 0x3FFF == len(argument)
        number = request & 0xFF
        if number == 5:
            (self.mode,) = struct.unpack("=I", argument)
        elif number == 4:
            (self.speed,) = struct.unpack("=I", argument)
        elif number == 3:
            if argument[0] != 8 and not self.words:
                raise OSError(22, "Invalid argument")
            self.bits = argument[0]
        else:
            assert number == 0
            assert len(argument) == 32
            if self.fails:
                self.fails -= 1
                raise OSError(5, "Input/output error")
            self.message(argument)
        return 0

    def message(self, raw: bytes) -> None:
        tx, rx, length, speed = struct.unpack_from("=QQII", raw)
        bits_per_word = raw[26] or self.bits
        assert 0 < speed <= self.speed
        data = ctypes.string_at(tx, length)
        if bits_per_word == 8:
            bits = [byte >> b & 1 for byte in data for b in range(7, -1, -1)]
        else:
            word = int.from_bytes(data, sys.byteorder)
            assert length == (1 if bits_per_word <= 8 else 2 if bits_per_word <= 16 else 4)
            bits = [word >> b & 1 for b in range(bits_per_word - 1, -1, -1)]
        self.lengths.append(len(bits))
        back = self.wire.burst(bits, self.mode & 3, select_high=bool(self.mode & 4))
        value = int("".join(map(str, back)), 2)
        order = "big" if bits_per_word == 8 else sys.byteorder
        ctypes.memmove(rx, value.to_bytes(length, order), length)  # type: ignore[arg-type]


def with_spidev(folder: Path, twin: Twin, **options: Any) -> tuple[Link, Kernel]:
    path = folder / "spidev0.0"
    path.touch()
    kernel = Kernel(Wire(twin), **options)
    device = f"spidev://{path}"
    port = AdapterPort(
        lambda: LocalLine(device, spidev.Spidev(str(path), ioctl=kernel)),
        twin.chip.spi,
        name=device,
    )
    port.open()
    return Link(twin.chip, port), kernel


def reads_true(link: Link, twin: Twin) -> None:
    readings = look(link)
    assert sum(r.good for r in readings) > len(readings) / 2
    for reading in readings:
        register = twin.chip.registers[reading.register]
        assert not reading.good or reading.word == as_read(
            twin.chip, register, twin.machine.bank.words
        )


@pytest.mark.parametrize("name", maps())
def test_every_chip_is_read_and_written_through_spidev(tmp_path: Path, name: str) -> None:
    twin = Twin(load_map(name))
    link, kernel = with_spidev(tmp_path, twin)
    reads_true(link, twin)
    assert kernel.speed <= 1_000_000
    link.port.close()


def test_spidev_keeps_the_protocol(tmp_path: Path) -> None:
    path = tmp_path / "spidev1.2"
    path.touch()
    kernel = Kernel(Wire(Twin(load_map("quoll16"))))
    line = LocalLine(str(path), spidev.Spidev(str(path), ioctl=kernel))
    wrong = [f.title for f in check_adapter(line, timeout=0.2) if not f.ok]
    assert wrong == []
    line.close()


def test_what_spidev_cannot_is_said(tmp_path: Path) -> None:
    twin = Twin(load_map("quoll16"))
    link, _ = with_spidev(tmp_path, twin, words=False)
    assert not link.port.clocks_bits
    assert not link.port.has_enable_pin
    with pytest.raises(LinkError, match=r"cannot open .*no-such: No such file"):
        spidev.Spidev(str(tmp_path / "no-such"))
    link, _ = with_spidev(tmp_path, twin, fails=1)
    assert link.read("ID").good, "one failed transfer is asked again"


def test_idle_time_is_waited_for() -> None:
    now = iter([0, 10_000, 100_000, 109_000, 115_000, 400_000])
    idle = Idle(clock=lambda: next(now))
    idle.idle_ns = 10_000
    assert idle.wait() == 10
    idle.ended()  # at 100 us
    assert idle.wait() == 115, "109 us is too early for 10 us after 100"


# --- MPSSE -------------------------------------------------------------------------------------------
class Engine(pyftdi_spi.Ftdi):  # type: ignore[misc, name-defined]
    """pyftdi's device without USB: the bytes of its commands act on the lines of a simulated chip."""

    wire: Wire
    divider: int

    def __init__(self) -> None:
        super().__init__()
        self.answer = bytearray()
        self.bits: list[int] = []
        self.reads: list[int] = []
        self.selected = False
        self.three = False
        self.base = 6_000_000
        self.clocks: list[int] = []
        type(self).last = self

    last: Any = None
    fast = True
    is_connected = True  # type: ignore[assignment]
    is_mpsse = True  # type: ignore[assignment]
    has_wide_port = False  # type: ignore[assignment]

    @property
    def is_H_series(self) -> bool:  # noqa: N802 - pyftdi's name
        return self.fast

    @property
    def frequency_max(self) -> float:
        return 30e6 if self.fast else 6e6

    def open_mpsse_from_url(self, url: str, **options: Any) -> float:
        if "nobody" in url:
            raise OSError("no such device")
        return float(self.set_frequency(options["frequency"]))

    def purge_rx_buffer(self) -> None:
        self.answer.clear()

    def purge_tx_buffer(self) -> None:
        pass

    def validate_mpsse(self) -> None:
        assert not self.answer

    def close(self, freeze: bool = False) -> None:
        pass

    def read_data_bytes(self, size: int, attempt: int = 1, request_gen: Any = None) -> bytearray:  # noqa: ARG002
        found, self.answer = self.answer[:size], self.answer[size:]
        return bytearray(found)

    def write_data(self, data: Any) -> int:
        """A list of commands. Clocked bits are known once chip select is given back, so replies come then."""
        stream = iter(bytes(data))
        for command in stream:
            self._do(command, stream)
        return len(data)

    def _do(self, command: int, rest: Iterator[int]) -> None:
        if command == 0x80:  # set the lower pins: value, direction
            value, direction = next(rest), next(rest)
            assert direction & 0b1011 == 0b1011, "clock, out and select are outputs"
            self.selected = not value & 0b1000
        elif command in (0x31, 0x34):  # bytes out and in, most significant bit first
            count = next(rest) + 256 * next(rest) + 1
            self._clock(command, [next(rest) for _ in range(count)], 8)
        elif command in (0x33, 0x36):  # bits out and in
            count = next(rest) + 1
            self._clock(command, [next(rest)], count)
        elif command == 0x86:
            self.divider = next(rest) + 256 * next(rest) + 1
        elif command in (0x8C, 0x8D):
            self.three = command == 0x8C
        elif command in (0x8A, 0x8B):  # without and with the division by five
            self.base = 30_000_000 if command == 0x8A else 6_000_000
        else:
            assert command in (0x87, 0x97), hex(command)

    def _clock(self, command: int, data: list[int], count: int) -> None:
        """Bits go out now; since a simulated burst is whole, one cut into bytes and bits is joined first."""
        assert self.selected
        self.bits += [byte >> b & 1 for byte in data for b in range(7, 7 - count, -1)]
        self.command = command
        self.reads += [count] * len(data)
        self.clocks.append(len(self.bits))

    def finish(self) -> None:
        if not self.bits:
            return
        high = self.command in (0x34, 0x36)
        mode = (2 if high else 0) | self.three
        back = self.wire.burst(self.bits, mode)
        for count in self.reads:
            piece, back = back[:count], back[count:]
            # bits that come in are shifted in from below
            self.answer.append(int("".join(map(str, piece)), 2))
        self.bits, self.reads = [], []


class Turning(Engine):
    """Asked for its answer, it finishes the burst: what USB would have done by then."""

    def read_data_bytes(self, size: int, attempt: int = 1, request_gen: Any = None) -> bytearray:
        self.finish()
        return super().read_data_bytes(size, attempt, request_gen)


def with_mpsse(monkeypatch: pytest.MonkeyPatch, twin: Twin, *, fast: bool = True) -> Link:
    monkeypatch.setattr("pyftdi.spi.Ftdi", Turning)
    monkeypatch.setattr(Turning, "wire", Wire(twin), raising=False)
    monkeypatch.setattr(Turning, "fast", fast)
    device = "mpsse:///1"
    port = AdapterPort(Reopener(device), twin.chip.spi, name=device)
    port.open()
    return Link(twin.chip, port)


@pytest.mark.parametrize("name", [n for n in maps() if load_map(n).spi.select_active_low])
def test_every_chip_is_read_through_a_usb_bridge(
    monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    twin = Twin(load_map(name))
    link = with_mpsse(monkeypatch, twin)
    reads_true(link, twin)
    link.port.close()


def test_the_clock_of_a_usb_bridge_is_never_faster_than_asked(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    link = with_mpsse(monkeypatch, Twin(load_map("quoll16")))
    bridge = mpsse.Mpsse("/1")
    for mode in (0, 1):
        for asked in (458, 1000, 333_333, 999_999, 1_000_000, 7_000_000, 15_000_000):
            clock = bridge._below(asked, three_phases=bool(mode))
            bridge._port = bridge._controller.get_port(cs=0, freq=clock, mode=mode)
            bridge._port.set_frequency(clock)
            bridge._port.set_mode(mode)
            bridge.burst(b"\x80\x00")
            engine = Turning.last.base / Turning.last.divider
            assert clock <= asked
            assert engine * (2 / 3 if mode else 1) <= asked + 1, (mode, asked)
    link.port.close()


def test_what_a_usb_bridge_cannot_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(LinkError, match="refused"):
        with_mpsse(monkeypatch, Twin(load_map("potoroo40")))  # its chip select is active high
    with pytest.raises(LinkError, match="refused"):
        with_mpsse(monkeypatch, Twin(load_map("quoll16")), fast=False)  # mode 1
    with pytest.raises(LinkError, match="cannot open mpsse://nobody"):
        mpsse.Mpsse("nobody/1")


def test_without_pyftdi_the_extra_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pyftdi.spi", None)
    with pytest.raises(LinkError, match=r"pip install 'gateword\[usb\]'"):
        mpsse.Mpsse("/1")


def test_a_usb_bridge_keeps_the_protocol(monkeypatch: pytest.MonkeyPatch) -> None:
    with_mpsse(monkeypatch, Twin(load_map("quoll16"))).port.close()
    line = LocalLine("mpsse:///1", mpsse.Mpsse("/1"))
    wrong = [f.title for f in check_adapter(line, timeout=0.2) if not f.ok]
    assert wrong == []
