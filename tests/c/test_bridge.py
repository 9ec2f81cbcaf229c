"""The C bridge: compiled strictly, answering like the Python half, and used over a terminal."""

from __future__ import annotations

import random
import subprocess
import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from regmap.errors import LinkError
from regmap.wire.client import Client, Done, Lost, Refused
from regmap.wire.frame import Decoder, encode_frame
from regmap.wire.layout import (
    KIND_OF,
    Burst,
    Capability,
    Code,
    ErrorReply,
    Hello,
    Identity,
    Kind,
    PinLevels,
    Pins,
    Request,
    Setup,
    SetupDone,
    Transfer,
    parse_answer,
    request_body,
)
from regmap.wire.ports import PseudoTerminal, SerialLine, exchange
from regmap.wire.server import Refusal, Server

HERE = Path(__file__).parent / "bridge"
SHIPPED = Path(__file__).parents[2] / "regmap" / "wire" / "bridge"
STRICT = ["-std=c99", "-Wall", "-Wextra", "-Wpedantic", "-Wconversion", "-Wshadow", "-Werror"]
SANITIZE = ["-O1", "-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all"]

# As main_host.c says.
IDENTITY = Identity(
    name="bridge on a host",
    firmware=0x0102,
    min_clock_hz=500,
    max_clock_hz=8_000_000,
    capabilities=Capability.ENABLE_PIN
    | Capability.FAULT_PIN
    | Capability.TIMESTAMPS
    | Capability.SELECT_HIGH
    | Capability.IDLE
    | Capability.BIT_COUNTS
    | Capability.MODE_0
    | Capability.MODE_1
    | Capability.MODE_3,
)


class HostChip:
    """The chip of main_host.c once more."""

    def __init__(self) -> None:
        self.now_us = 0xFFFFF000
        self.enable = False
        self.ready = False

    def setup(self, setup: Setup) -> SetupDone:
        if setup.clock_hz == 666:
            raise Refusal
        return SetupDone(setup.clock_hz - setup.clock_hz % 1000, (setup.idle_ns + 99) // 100 * 100)

    def burst(self, data: bytes) -> Burst:
        if data[0] == 0xEE:
            raise Refusal
        if data[0] == 0xBB:
            self.ready = not self.ready
            if self.ready:
                raise Refusal(busy=True)
        time_us, self.now_us = self.now_us, (self.now_us + 1000) % 2**32
        return Burst(time_us, bytes(b ^ 0xFF for b in data))

    def burst_bits(self, data: bytes, last: int) -> Burst:
        burst = self.burst(data)
        return Burst(
            burst.time_us, burst.data[:-1] + bytes([burst.data[-1] & 0xFF00 >> last & 0xFF])
        )

    def pins(self, enable: bool | None) -> PinLevels:
        if enable is not None:
            self.enable = enable
        return PinLevels(self.enable, self.enable)


@pytest.fixture(scope="session")
def compiler(need_tool: Callable[[str], str]) -> str:
    return need_tool("gcc")


def build(compiler: str, folder: Path, name: str, *flags: str) -> Path:
    program = folder / name
    sources = [f"-I{SHIPPED}", str(SHIPPED / "bridge.c"), str(HERE / "main_host.c")]
    command = [compiler, *STRICT, *flags, *sources, "-o", str(program)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    return program


@pytest.fixture(scope="session")
def host(compiler: str, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return build(compiler, tmp_path_factory.mktemp("bridge"), "host", "-O2")


@pytest.fixture(scope="session")
def checked_host(compiler: str, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same with run-time checks of memory and arithmetic."""
    return build(compiler, tmp_path_factory.mktemp("checked"), "host", *SANITIZE)


# --- the same bytes from both -----------------------------------------------------------------

transfers = st.builds(
    lambda items: bytes([len(items)]) + b"".join(bytes([len(i)]) + i for i in items),
    st.lists(
        st.binary(max_size=6) | st.sampled_from([b"\xee\1", b"\xbb\2", b"\0" * 250, b"\x77" * 255]),
        max_size=4,
    ),
)
bit_transfers = st.builds(
    lambda items: bytes([len(items)]) + b"".join(bytes([n, len(i)]) + i for n, i in items),
    st.lists(
        st.tuples(
            st.sampled_from([1, 5, 8, 8, 8, 9, 0]),
            st.binary(min_size=1, max_size=6) | st.sampled_from([b"", b"\xee\1", b"\0" * 250]),
        ),
        max_size=4,
    ),
)
set_ups = st.builds(
    lambda mode, order, select, clock, gap: (
        bytes([mode, order, select]) + clock.to_bytes(4, "big") + gap.to_bytes(4, "big")
    ),
    st.sampled_from([0, 1, 1, 2, 3, 4]),
    st.sampled_from([0, 0, 0, 1, 2]),
    st.sampled_from([0, 0, 1, 2]),
    st.sampled_from([499, 500, 666, 1234, 8_000_001, 2**32 - 1]),
    st.sampled_from([0, 1, 400, 2**31]),
)
pin_bodies = st.tuples(st.integers(0, 3), st.integers(0, 3)).map(bytes)
anything = st.binary(max_size=3) | st.just(bytes([40]) + b"\1x" * 40)
good_setup = request_body(Setup(mode=1, clock_hz=1_000_000))
fitting = st.one_of(
    st.tuples(st.just(1), st.sampled_from([b"", b"", b"x"])),
    st.tuples(st.just(2), set_ups),
    st.tuples(st.just(2), st.just(good_setup)),
    st.tuples(st.just(3), transfers),
    st.tuples(st.just(5), bit_transfers),
    st.tuples(st.just(4), pin_bodies),
    st.tuples(st.sampled_from([1, 2, 3, 4, 5, 0x7F, 0x83]), anything | transfers),
)
Command = tuple[str, tuple[int, bytes], int, int]

# A command is: what to do, kind and body, step of the number, place to damage.
commands = st.lists(
    st.tuples(
        st.sampled_from(
            ["send"] * 6 + ["again"] * 2 + ["damage", "cut", "noise", "version", "long"]
        ),
        fitting,
        st.sampled_from([1] * 12 + [0, 2, -1, 0x7FFF, 0x8000]),
        st.integers(0, 10_000),
    ),
    min_size=3,
    max_size=60,
)


def stream(start: int, listed: list[Command]) -> bytes:
    """Frames and rubbish, most often after a proper beginning."""
    number = start
    out = bytearray()
    last = b""
    if start:
        out += encode_frame(Kind.HELLO, number, b"")
        number = (number + 1) % 65536
        out += encode_frame(Kind.SETUP, number, good_setup)
    for what, (kind, body), step, place in listed:
        if what == "again":
            out += last
            continue
        if what == "noise":
            out += body * (place % 3)
            continue
        if what == "long":
            out += b"\x33" * (280 + place % 40)
            continue
        number = (number + step) % 65536
        frame = bytearray(
            encode_frame(
                kind,
                number,
                b"" if kind == 1 and place % 4 else body,
                2 if what == "version" else 1,
            )
        )
        last = bytes(frame)
        if what == "damage":
            frame[place % len(frame)] ^= 1 + place % 255
        if what == "cut":
            del frame[place % len(frame) :]
        out += frame
    return bytes(out + b"\0")


@settings(max_examples=60, deadline=None)
@given(st.sampled_from([1, 1, 1, 0xFFF8, 0]), commands)
def test_both_implementations_answer_the_same_bytes(
    checked_host: Path, start: int, listed: list[Command]
) -> None:
    line = stream(start, listed)
    done = subprocess.run([checked_host], input=line, capture_output=True, check=False)
    assert done.stderr.decode() == ""
    assert done.returncode == 0
    assert done.stdout == Server(HostChip(), IDENTITY).feed(line)


def test_both_answer_a_long_session_alike(checked_host: Path) -> None:
    """Thousands of requests of every kind in one stream; every error code but one occurs."""
    dice = random.Random(8)
    listed: list[Command] = []
    for _ in range(4000):
        kind = dice.choice([2, 2, 3, 3, 3, 4, 4, 4, 0x33]) if dice.random() < 0.98 else 1
        body = {
            1: lambda: b"",
            2: lambda: (
                bytes([dice.choice([0, 1, 1, 2, 9]), dice.choice([0, 0, 0, 1, 2])])
                + dice.choice([b"\0", b"\1", b"\2"])
                + dice.choice([499, 666, 5000, 9_000_000]).to_bytes(4, "big")
                + dice.choice([0, 1, 1000]).to_bytes(4, "big")
            ),
            3: lambda: (
                b"\3"
                + b"".join(
                    b"\2"
                    + dice.choice([b"\xbb", b"\xee", b"\1", b"\0", b"\2", b"\3"])
                    + dice.randbytes(1)
                    for _ in range(3)
                )
            ),
            4: lambda: bytes([dice.randrange(4), dice.randrange(4) & dice.randrange(4)]),
            0x33: lambda: dice.randbytes(dice.randrange(5)),
        }[kind]()
        what = dice.choice(["send"] * 12 + ["again", "damage", "cut", "noise", "version", "long"])
        listed.append((what, (kind, body), dice.choice([1] * 9 + [0, -1]), dice.randrange(10_000)))
    line = stream(1, listed)
    done = subprocess.run([checked_host], input=line, capture_output=True, check=True)
    expected = Server(HostChip(), IDENTITY).feed(line)
    assert done.stdout == expected
    replies = Decoder().feed(expected)
    codes = {reply.body[0] for reply in replies if reply.kind == 0xFF}
    assert codes == set(Code) - {Code.NO_SESSION}  # greeted from the start
    assert {reply.kind for reply in replies} == {0x81, 0x82, 0x83, 0x84, 0xFF}


@settings(max_examples=40, deadline=None)
@given(st.binary(max_size=2000), st.integers(0, 700))
def test_pure_garbage_is_answered_alike(checked_host: Path, noise: bytes, run: int) -> None:
    line = noise + b"\x44" * run + b"\0" + encode_frame(Kind.HELLO, 9, b"") + noise
    done = subprocess.run([checked_host], input=line, capture_output=True, check=False)
    assert (done.returncode, done.stderr) == (0, b"")
    assert done.stdout == Server(HostChip(), IDENTITY).feed(line)


def test_the_longest_transfer_fits_both(checked_host: Path) -> None:
    """All 32 bursts and all 256 bytes at once, and one byte or burst more."""
    line = encode_frame(Kind.HELLO, 1, b"") + encode_frame(Kind.SETUP, 2, good_setup)
    for number, bursts in enumerate([(8,) * 32, (8,) * 31 + (9,), (1,) * 33, (255, 2)], start=3):
        body = request_body(Transfer(tuple(bytes([number]) * n for n in bursts)))
        line += encode_frame(Kind.TRANSFER, number, body)
    done = subprocess.run([checked_host], input=line, capture_output=True, check=True)
    assert done.stdout == Server(HostChip(), IDENTITY).feed(line)


def test_runs_around_the_longest_stuffing_block(checked_host: Path) -> None:
    """Answers with runs of 245 to 261 bytes other than zero, ended by a zero or by the frame."""
    line = encode_frame(Kind.HELLO, 1, b"") + encode_frame(Kind.SETUP, 2, good_setup)
    number = 3
    for length in range(240, 256):
        for last in (b"", b"\xff"):  # read as 00
            body = request_body(Transfer((b"\1" * (length - len(last)) + last,)))
            line += encode_frame(Kind.TRANSFER, number, body)
            number += 1
    done = subprocess.run([checked_host], input=line, capture_output=True, check=True)
    assert done.stdout == Server(HostChip(), IDENTITY).feed(line)
    assert len(Decoder().feed(done.stdout)) == number - 1


def test_a_small_bridge_with_no_pins(compiler: str, tmp_path: Path) -> None:
    """Other limits and abilities: mode 0 only, 3 bursts, 16 bytes."""
    small = [
        "-DHOST_CAPABILITIES=BRIDGE_MODE_0",
        "-DBRIDGE_MAX_BYTES=16u",
        "-DBRIDGE_MAX_BURSTS=3u",
    ]
    program = build(compiler, tmp_path, "small", *SANITIZE, *small)
    identity = replace(IDENTITY, capabilities=Capability.MODE_0, max_bytes=16, max_bursts=3)
    sent: list[Request] = [
        Setup(mode=1, clock_hz=1000),
        Setup(mode=0, clock_hz=1000, lsb_first=True),
        Setup(mode=0, clock_hz=1000, select_high=True),
        Setup(mode=0, clock_hz=499),
        Setup(mode=0, clock_hz=1000, idle_ns=1),
        Transfer((b"1",)),
        Setup(mode=0, clock_hz=10_000_000),
        Transfer((b"123456", b"12345", b"12345")),
        Transfer((b"123456", b"123456", b"12345")),
        Transfer((b"123456789", b"12345678")),
        Transfer((b"1", b"2", b"3", b"4")),
        Pins(),
        Pins(enable=True),
    ]
    line = encode_frame(Kind.HELLO, 1, b"")
    for number, request in enumerate(sent, start=2):
        line += encode_frame(KIND_OF[type(request)], number, request_body(request))
    done = subprocess.run([program], input=line, capture_output=True, check=True)
    assert done.stdout == Server(HostChip(), identity).feed(line)
    answers = [parse_answer(m.kind, m.body) for m in Decoder().feed(done.stdout)]
    unsupported = [ErrorReply(Code.UNSUPPORTED, item) for item in range(1, 6)]
    assert answers[:8] == [
        identity,
        *unsupported,
        ErrorReply(Code.NOT_SET_UP, 0),
        SetupDone(8_000_000, 0),
    ]
    assert isinstance(answers[8], tuple)
    assert answers[9:] == [
        ErrorReply(Code.TOO_LONG, 16),  # beyond the buffer: the frame's number is not even known
        ErrorReply(Code.TOO_LONG, 16),
        ErrorReply(Code.TOO_LONG, 3),
        PinLevels(None, None),
        ErrorReply(Code.UNSUPPORTED, 7),
    ]


# --- over a pseudo-terminal -------------------------------------------------------------------


@pytest.fixture
def bridge(host: Path) -> Iterator[tuple[SerialLine, subprocess.Popen[bytes]]]:
    """A port opened by pyserial with the C program at the other end of the terminal."""
    with PseudoTerminal() as terminal:
        end = terminal.fileno()
        import os

        os.set_blocking(end, True)
        process = subprocess.Popen([host], stdin=end, stdout=end)
        with SerialLine(terminal.path) as line:
            yield line, process
        process.kill()
        process.wait()


def test_the_library_talks_to_the_bridge(
    bridge: tuple[SerialLine, subprocess.Popen[bytes]],
) -> None:
    line, _ = bridge
    client = Client(timeout=5.0)

    def answer(request: Request) -> object:
        outcome = exchange(line, client, request)
        assert isinstance(outcome, Done), outcome
        return outcome.answer

    assert answer(Hello()) == IDENTITY
    assert answer(Setup(mode=1, clock_hz=2_000_999, idle_ns=350)) == SetupDone(2_000_000, 400)
    for number in range(300):
        burst = number.to_bytes(2, "big")
        read = answer(Transfer((burst, b"\0\x11\xff")))
        assert isinstance(read, tuple)
        assert [b.data for b in read] == [bytes(255 - b for b in burst), b"\xff\xee\0"]
        # Past the turnover of the adapter's 32-bit clock.
        assert [b.time_us for b in read] == [0xFFFFF000 + 1000 * (2 * number + i) for i in (0, 1)]
    assert answer(Pins()) == PinLevels(enable=False, fault=False)
    assert answer(Pins(enable=True)) == PinLevels(enable=True, fault=True)
    assert answer(Transfer((b"\xbb\1",)))  # busy at first, asked again
    assert exchange(line, client, Transfer((b"\1", b"\xee"))) == Refused(
        Transfer((b"\1", b"\xee")), ErrorReply(Code.SPI_FAILED, 1), 1
    )
    assert client.damaged == client.strays == client.echoes == 0


def test_noise_before_a_request_does_no_harm(
    bridge: tuple[SerialLine, subprocess.Popen[bytes]],
) -> None:
    line, _ = bridge
    line.write(b"\x91\x92\0\x01noise without end")
    client = Client(timeout=5.0)
    outcome = exchange(line, client, Hello())
    assert isinstance(outcome, Done)
    assert outcome.answer == IDENTITY


def test_a_bridge_that_dies_is_a_lost_request(
    bridge: tuple[SerialLine, subprocess.Popen[bytes]],
) -> None:
    line, process = bridge
    client = Client(timeout=0.05, attempts=2)
    assert isinstance(exchange(line, client, Hello()), Done)
    process.kill()
    process.wait()
    outcome = exchange(line, client, Pins())
    assert outcome == Lost(Pins(), "no answer within 0.05 s", 2)


def test_a_bridge_that_opens_the_terminal_itself(host: Path) -> None:
    with PseudoTerminal() as terminal:
        process = subprocess.Popen([host, terminal.path])
        try:
            outcome = exchange(terminal, Client(timeout=5.0), Hello())
            assert isinstance(outcome, Done)
        except BaseException:
            process.kill()  # while the name is still ours: it must not open somebody else's terminal
            process.wait()
            raise
    # With the terminal gone the program ends by itself.
    assert process.wait(timeout=5) == 0


def test_unplugged_in_mid_request() -> None:
    terminal = PseudoTerminal()
    line = SerialLine(terminal.path)
    client = Client(timeout=5.0)
    timer = threading.Timer(0.1, terminal.close)
    timer.start()
    outcome = exchange(line, client, Pins())
    timer.join()
    assert isinstance(outcome, Lost)
    assert outcome.port_gone
    assert "failed while reading" in outcome.reason
    with pytest.raises(LinkError):
        line.write(b"x" * 10)
    line.close()
