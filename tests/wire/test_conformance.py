"""PROTOCOL.md's examples against an independent reading and our server; adapters with planted mistakes are found."""

from __future__ import annotations

import binascii
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import regmap.wire
from regmap.maps.load import load_map
from regmap.twin import Twin
from regmap.twin.adapter import Adapter, DirectLine, identity
from regmap.wire.conformance import check_adapter
from regmap.wire.layout import Burst, Capability, Identity, PinLevels, Setup, SetupDone
from regmap.wire.server import Server

TEXT = (Path(regmap.wire.__file__).parent / "PROTOCOL.md").read_text(encoding="utf-8")


def examples() -> list[tuple[str, bytes, bytes]]:
    """(what, host's bytes, adapter's bytes) of each example."""
    block = TEXT.split("## Examples, byte for byte")[1].split("```")[1]
    found = re.findall(r"^([^<>\n].*)\n> ([0-9a-f ]+)\n<([0-9a-f ]*)$", block, re.MULTILINE)
    return [(what, bytes.fromhex(sent), bytes.fromhex(back)) for what, sent, back in found]


class Example:
    """The adapter that the examples tell of."""

    def __init__(self) -> None:
        self.time, self.enable = 0, False

    def setup(self, setup: Setup) -> SetupDone:
        return SetupDone(setup.clock_hz, setup.idle_ns)

    def burst(self, data: bytes) -> Burst:
        self.time += 1000
        return Burst(self.time, bytes(b ^ 0xFF for b in data))

    def burst_bits(self, data: bytes, last: int) -> Burst:
        read = self.burst(data)
        return Burst(read.time_us, read.data[:-1] + bytes([read.data[-1] & 0xFF00 >> last & 0xFF]))

    def pins(self, enable: bool | None) -> PinLevels:
        self.enable = self.enable if enable is None else enable
        return PinLevels(self.enable, True)


def server() -> Server:
    able = Capability(0x0367)
    who = Identity(
        name="example",
        firmware=0x0102,
        max_bytes=64,
        max_bursts=8,
        min_clock_hz=1000,
        max_clock_hz=4_000_000,
        capabilities=able,
    )
    return Server(Example(), who)


def unstuffed(frame: bytes) -> bytes:
    """Byte stuffing taken off as its paper says, written for this test."""
    data, out, at = frame.strip(b"\0"), b"", 0
    while at < len(data):
        code = data[at]
        out += data[at + 1 : at + code]
        at += code
        if code < 255 and at < len(data):
            out += b"\0"
    return out


def test_the_examples_are_what_an_adapter_does() -> None:
    adapter = server()
    assert len(examples()) >= 16
    for what, sent, back in examples():
        assert adapter.feed(sent) == back, what


def test_the_examples_hold_by_the_text_alone() -> None:
    """CRC-32 by zlib's relative in the standard library (binascii), stuffing as above."""
    for what, sent, back in examples():
        for frame in (sent, back):
            content = unstuffed(frame)
            if len(content) < 8:
                continue
            good = binascii.crc32(content[:-4]) == int.from_bytes(content[-4:], "big")
            assert good or ("damaged" in what and frame == sent), what
            assert content[0] == (2 if what.startswith("version 2") and frame == sent else 1)


# --- the conformance run ----------------------------------------------------------------------------
class Clock:
    """Virtual seconds."""

    def __init__(self) -> None:
        self.ns = 0

    def advance(self, ns: int) -> None:
        self.ns += ns


def found(answering: Any) -> dict[str, bool]:
    clock = Clock()
    line = DirectLine(answering, clock)  # type: ignore[arg-type]
    findings = check_adapter(line, timeout=0.5, clock=lambda: clock.ns / 1e9)
    return {f.title: f.ok for f in findings}


def test_our_own_adapters_keep_the_protocol() -> None:
    twin = Twin(load_map("quoll16"))
    simulated = Server(Adapter(twin.bus, [twin]), identity("quoll16"))
    for answering in (server(), simulated):
        results = found(answering)
        assert len(results) > 25
        assert all(results.values()), [t for t, ok in results.items() if not ok]


class Faulty:
    """Our adapter with one mistake, made on the bytes that go by."""

    def __init__(self, spoil: Callable[[Server, bytes], bytes]) -> None:
        self.server, self.spoil = server(), spoil

    def feed(self, data: bytes) -> bytes:
        return self.spoil(self.server, data)


def forgets(server: Server, data: bytes) -> bytes:
    server._stored = None
    return server.feed(data)


def answers_twice(server: Server, data: bytes) -> bytes:
    server._last = 0
    server._stored = None
    return server.feed(data)


def takes_any_number(server: Server, data: bytes) -> bytes:
    server._last = 0
    return server.feed(data)


def silent_on_damage(server: Server, data: bytes) -> bytes:
    out = server.feed(data)
    return b"" if unstuffed(out)[1:4] == b"\xff\0\0" else out


def keeps_set_up(server: Server, data: bytes) -> bytes:
    server._set_up = server._session
    return server.feed(data)


def echoes(server: Server, data: bytes) -> bytes:
    return data + server.feed(data)


def faster(server: Server, data: bytes) -> bytes:
    server.handler.setup = lambda s: SetupDone(s.clock_hz + 1, s.idle_ns)  # type: ignore[method-assign]
    return server.feed(data)


def backwards(server: Server, data: bytes) -> bytes:
    server.handler.time -= 5000  # type: ignore[attr-defined]
    server.handler.time %= 1 << 32  # type: ignore[attr-defined]
    return server.feed(data)


@pytest.mark.parametrize(
    ("mistake", "title"),
    [
        (forgets, "a repeated request gets the stored answer"),
        (answers_twice, "a repeated request gets the stored answer"),
        (takes_any_number, "a number behind is refused"),
        (silent_on_damage, "a damaged request is answered by BAD_CRC"),
        (keeps_set_up, "a transfer needs a set-up"),
        (echoes, "is ignored"),
        (faster, "no faster and no shorter idle than asked"),
        (backwards, "time stamps never run backwards"),
    ],
    ids=lambda x: getattr(x, "__name__", ""),
)
def test_a_planted_mistake_is_found(mistake: Any, title: str) -> None:
    results = found(Faulty(mistake))
    assert any(title in t and not ok for t, ok in results.items()), results


def test_a_silent_line_ends_at_the_first_question() -> None:
    class Nothing:
        def feed(self, data: bytes) -> bytes:  # noqa: ARG002
            return b""

    assert found(Nothing()) == {"hello is answered by an identity": False}


# --- the command -------------------------------------------------------------------------------------
def gateword(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "regmap.cli.main", *words],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def test_the_kit_is_in_the_package_and_compiles(
    tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    done = gateword("link", "kit", "-o", str(tmp_path / "kit"))
    assert done.returncode == 0, done.stderr
    assert {p.name for p in (tmp_path / "kit").iterdir()} == {"PROTOCOL.md", "bridge.c", "bridge.h"}
    command = [need_tool("gcc"), "-std=c99", "-Wall", "-Wextra", "-Werror", "-c", "bridge.c"]
    assert subprocess.run(command, cwd=tmp_path / "kit", check=False).returncode == 0
    assert gateword("link", "kit", "-o", str(tmp_path / "kit")).returncode == 2, (
        "nothing is overwritten"
    )


def test_an_adapter_is_checked_over_a_port() -> None:
    twin = subprocess.Popen(
        [sys.executable, "-m", "regmap.cli.main", "twin", "quoll16", "--tcp", "0"],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    assert twin.stdout is not None
    port = twin.stdout.readline().strip()
    try:
        assert gateword("link", port, "check-adapter").returncode == 2, (
            "arbitrary bytes need consent"
        )
        done = gateword("link", port, "check-adapter", "--allow-writes")
    finally:
        twin.terminate()
        twin.communicate(timeout=10)
    assert "rules kept" in done.stdout, done.stdout + done.stderr
    assert done.stdout.count("kept") > 25
