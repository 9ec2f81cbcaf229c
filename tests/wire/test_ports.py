"""Serial lines and pseudo-terminals, with pyserial's own loop-back as a second opinion."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from regmap.errors import CallError, LinkError
from regmap.wire import ports
from regmap.wire.client import Client, Done, Lost
from regmap.wire.layout import Burst, Hello, Identity, PinLevels, Pins, Setup, SetupDone, Transfer
from regmap.wire.ports import (
    Port,
    PseudoTerminal,
    Reopener,
    SerialLine,
    exchange,
    list_ports,
    serve,
)
from regmap.wire.server import Server

pytestmark = pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs pseudo-terminals")


class Echo:
    def setup(self, setup: Setup) -> SetupDone:
        return SetupDone(setup.clock_hz, setup.idle_ns)

    def burst(self, data: bytes) -> Burst:
        return Burst(7, data)

    def pins(self, enable: bool | None) -> PinLevels:
        return PinLevels(bool(enable), True)


def test_bytes_pass_both_ways_unchanged() -> None:
    every = bytes(range(256))
    with PseudoTerminal() as terminal, SerialLine(terminal.path) as line:
        line.write(every)
        assert collect(terminal, 256) == every
        terminal.write(every[::-1])
        assert collect(line, 256) == every[::-1]
        for idle in (line, terminal):
            begin = time.monotonic()
            assert idle.read(0.05) == b""
            assert time.monotonic() - begin >= 0.04


def collect(line: ports.Line, count: int) -> bytes:
    data = b""
    while len(data) < count:
        part = line.read(2.0)
        assert part, f"only {len(data)} bytes came"
        data += part
    return data


def test_a_port_may_be_left_and_opened_again() -> None:
    with PseudoTerminal() as terminal:
        for round_ in (b"1", b"2"):
            with SerialLine(terminal.path) as line:
                line.write(round_)
                assert terminal.read(2.0) == round_
        assert terminal.read(0.0) == b""


def test_what_came_before_opening_is_thrown_away() -> None:
    with PseudoTerminal() as terminal:
        terminal.write(b"old")
        with SerialLine(terminal.path) as line:
            assert line.read(0.05) == b""


def test_a_port_in_use_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """By this program: who it is; by another one, which says nothing of itself: that it is in use."""
    with PseudoTerminal() as terminal, SerialLine(terminal.path):
        with pytest.raises(LinkError, match=f"process {os.getpid()} uses this port, since 20"):
            SerialLine(terminal.path)
        monkeypatch.setenv("GATEWORD_STATE", str(tmp_path))
        said = f"^cannot open {terminal.path}: another program uses it"
        with pytest.raises(LinkError, match=said):
            SerialLine(terminal.path)


def test_served_and_asked_over_a_terminal() -> None:
    stop = threading.Event()
    with PseudoTerminal() as terminal:
        server = Server(Echo(), Identity(name="served"))
        thread = threading.Thread(target=serve, args=(terminal, server, stop.is_set))
        thread.start()
        try:
            with SerialLine(terminal.path) as line:
                client = Client(timeout=5.0)
                outcomes = [
                    exchange(line, client, request)
                    for request in (
                        Hello(),
                        Setup(mode=0, clock_hz=1000),
                        Transfer((b"\0\1\2",)),
                        Pins(enable=True),
                    )
                ]
        finally:
            stop.set()
            thread.join()
    assert [o.answer for o in outcomes if isinstance(o, Done)] == [
        Identity(name="served"),
        SetupDone(1000, 0),
        (Burst(7, b"\0\1\2"),),
        PinLevels(True, True),
    ]


def test_a_line_that_only_echoes_is_told_from_a_dead_one() -> None:
    with SerialLine("loop://") as line:
        client = Client(timeout=0.05, attempts=2)
        assert exchange(line, client, Hello()) == Lost(Hello(), "no answer within 0.05 s", 2)
        assert client.echoes == 2


def test_a_strangers_terminal_is_not_opened_in_place_of_a_lost_one() -> None:
    """The system gives the number to the next terminal, which may be somebody's screen."""
    import termios

    for _ in range(20):
        mine = PseudoTerminal()
        opener = Reopener(mine.path)
        with opener() as line:
            line.write(b"1")
            assert mine.read(2.0) == b"1"
        with opener() as line:  # the same terminal is opened again as often as one likes
            line.write(b"2")
            assert mine.read(2.0) == b"2"
        time.sleep(0.05)  # the system dates terminals by its clock tick, 1 to 10 ms
        mine.close()
        with PseudoTerminal() as other:
            if other.path != mine.path:
                continue  # another program was quicker
            before = termios.tcgetattr(other.fileno())
            with pytest.raises(
                LinkError, match=f"{mine.path} is gone; another terminal has its name"
            ):
                opener()
            assert termios.tcgetattr(other.fileno()) == before
            assert other.read(0.05) == b"", "not a byte came through"
            return
    pytest.skip("no terminal got the number of the one before")


def test_a_name_that_leads_to_another_terminal_may_be_followed(tmp_path: Path) -> None:
    link = tmp_path / "port"
    opener = Reopener(str(link))
    with PseudoTerminal() as first, PseudoTerminal() as second:
        for terminal in (first, second, first):
            link.unlink(missing_ok=True)
            link.symlink_to(terminal.path)
            with opener() as line:
                line.write(b"x")
                assert terminal.read(2.0) == b"x"


def test_nobody_reads() -> None:
    with (
        PseudoTerminal(write_timeout=0.05) as terminal,
        pytest.raises(LinkError, match="nobody takes what is sent"),
    ):
        terminal.write(b"x" * 1_000_000)


def test_a_closed_line_says_so() -> None:
    terminal = PseudoTerminal()
    line = SerialLine(terminal.path)
    terminal.close()
    terminal.close()
    for gone in (terminal, line):
        with pytest.raises(LinkError, match=terminal.path):
            gone.read(0.0)
        with pytest.raises(LinkError, match=terminal.path):
            gone.write(b"x")
    line.close()
    with pytest.raises(LinkError):
        line.read(0.0)


def test_an_interrupt_abandons_the_request() -> None:
    class Interrupted:
        def read(self, timeout: float) -> bytes:  # noqa: ARG002
            raise KeyboardInterrupt

        def write(self, data: bytes) -> None:
            pass

        def close(self) -> None:
            pass

    client = Client()
    with pytest.raises(KeyboardInterrupt):
        exchange(Interrupted(), client, Pins())
    assert client.pending is None


def test_noise_without_end_does_not_stop_the_time_out() -> None:
    class Noisy:
        sent = 0

        def read(self, timeout: float) -> bytes:  # noqa: ARG002
            time.sleep(0.01)
            return b"\x55" * 10

        def write(self, data: bytes) -> None:  # noqa: ARG002
            self.sent += 1

        def close(self) -> None:
            pass

    line = Noisy()
    outcome = exchange(line, Client(timeout=0.05, attempts=3), Pins())
    assert isinstance(outcome, Lost)
    assert line.sent == 3


def test_the_list_is_what_the_system_says(monkeypatch: pytest.MonkeyPatch) -> None:
    import serial.tools.list_ports
    from serial.tools.list_ports_common import ListPortInfo

    def fake() -> list[ListPortInfo]:
        second, first = ListPortInfo("/dev/ttyX1"), ListPortInfo("/dev/ttyX0")
        first.description, first.hwid = "Bench adapter", "USB VID:PID=0000:0001"
        return [second, first]

    monkeypatch.setattr(serial.tools.list_ports, "comports", fake)
    assert list_ports() == [
        Port("/dev/ttyX0", "Bench adapter", "USB VID:PID=0000:0001"),
        Port("/dev/ttyX1"),
    ]
    with pytest.raises(
        LinkError, match=r"^cannot open /dev/ttyX9: No such file or directory; nearest: /dev/ttyX"
    ):
        SerialLine("/dev/ttyX9")
    with pytest.raises(LinkError, match="present: /dev/ttyX0, /dev/ttyX1"):
        SerialLine("quite.something.else")
    monkeypatch.setattr(serial.tools.list_ports, "comports", list)
    with pytest.raises(LinkError, match="this machine has no serial port"):
        SerialLine("/dev/ttyX9")


def test_wrong_calls() -> None:
    with pytest.raises(CallError, match="baud rate must be positive"):
        SerialLine("loop://", baud=0)
    with pytest.raises(LinkError, match="cannot open nonsense://x"):
        SerialLine("nonsense://x")


def test_importing_ports_loads_neither_pyserial_nor_construct() -> None:
    code = (
        "import sys, regmap.wire.ports; print({'serial', 'construct', 'numpy'} & set(sys.modules))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "set()"
