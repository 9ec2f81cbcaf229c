"""Transactions per second of the link over a pseudo-terminal, against the terminal's own limit, in one run.

Run: python tests/bench/bench_link.py [--seconds 2] [--chip quoll16]

Three floors, each asked one question at a time: a process that sends back what it gets (`cat`) with
as many bytes as one exchange has; then the adapter protocol with the same exchange against the
simulated chip; then the link's own read and write, with all their evidence. Only ratios mean
anything. A read of the link is an exchange of several frames (see `regmap.link.rules.repeats`).
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import time
from collections.abc import Callable

from regmap.behaviour.faults import status_registers
from regmap.frames.codec import bursts, wire_bytes
from regmap.link.port import AdapterPort
from regmap.link.session import Link
from regmap.link.watch import watch
from regmap.maps.load import load_map
from regmap.wire.frame import encode_frame
from regmap.wire.layout import Kind, Transfer, request_body
from regmap.wire.ports import PseudoTerminal, Reopener

SLICE = 0.1  # s; what is compared takes turns, so that a busy machine slows all of it alike


def per_second(seconds: float, *onces: Callable[[], object]) -> list[float]:
    """How often a second each can be done, in turns of a tenth of a second for so long in all."""
    counts, spent = [0] * len(onces), [0.0] * len(onces)
    while sum(spent) < seconds * len(onces):
        for at, once in enumerate(onces):
            begin = time.perf_counter()
            while (took := time.perf_counter() - begin) < SLICE:
                once()
                counts[at] += 1
            spent[at] += took
    return [count / took for count, took in zip(counts, spent, strict=True)]


def floor(seconds: float, size: int) -> float:
    """Round trips of `size` bytes through a process that sends them back."""
    data = b"\x55" * size
    with PseudoTerminal() as terminal:
        os.set_blocking(terminal.fileno(), True)
        process = subprocess.Popen(["cat"], stdin=terminal.fileno(), stdout=terminal.fileno())
        descriptor = os.open(terminal.path, os.O_RDWR | os.O_NOCTTY)

        def once() -> None:
            os.write(descriptor, data)
            got = 0
            while got < size:
                got += len(os.read(descriptor, 4096))

        try:
            return per_second(seconds, once)[0]
        finally:
            os.close(descriptor)
            process.kill()
            process.wait()


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seconds", type=float, default=2.0)
    parser.add_argument("--chip", default="quoll16")
    args = parser.parse_args()
    chip = load_map(args.chip)
    # a process of its own: in ours it would share the interpreter with what is measured
    process = subprocess.Popen(
        [sys.executable, "-m", "regmap.cli.main", "twin", args.chip],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    assert process.stdout is not None
    path = process.stdout.readline().strip()
    try:
        port = AdapterPort(Reopener(path), chip.spi, name=path)
        port.open()
        link = Link(chip, port)
        name = link.exchange.filler.name if link.exchange.filler else next(iter(chip.registers))
        setting = next(
            r
            for r in chip.registers.values()
            if (r.holds_settings and r.writable is None) or r.name == "VDS"
        )
        exchanges: list[int] = []
        link.exchange._log = lambda e: (
            exchanges.append(len(e["asks"])) if e["event"] == "exchange" else None
        )
        link.read(name)
        frames = exchanges[-1]
        sent = link.exchange.composer.codec.read(chip.registers[name], link.machine.bank)
        pieces = (
            tuple(
                wire_bytes(v, b, msb_first=chip.spi.msb_first)
                for v, b in bursts(sent.frame, sent.word)
            )
            * frames
        )
        size = len(encode_frame(Kind.TRANSFER, 1, request_body(Transfer(pieces))))
        link.exchange._log = lambda _event: None
        raw, reads, writes = per_second(
            args.seconds,
            lambda: port.transfer(pieces),
            lambda: link.read(name),
            lambda: link.write(setting.name, setting.reset),
        )
        polls, begin, asked = 200, time.process_time(), port.transfers
        for _ in watch(link, period=0.0, count=polls, clearing=True):
            pass
        poll = (time.process_time() - begin) / polls
        asked = port.transfers - asked
        begin = time.process_time()
        for _ in range(polls):
            port.transfer(pieces)
        bare = (time.process_time() - begin) / polls
        port.close()
    finally:
        process.terminate()
        process.wait()
    limit = floor(args.seconds, size)
    sys.stdout.write(
        f"{chip.name}: a believed read is {frames} frames in one exchange, {size} bytes on the line"
        "\n"
    )
    for what, rate in (
        ("terminal alone (cat)", limit),
        ("adapter protocol, same exchange", raw),
        ("link, believed read", reads),
        ("link, write with readback", writes),
    ):
        times = limit / rate
        sys.stdout.write(f"{what:<34} {rate:8.0f} /s   {times:5.1f} times the terminal's time\n")
    sys.stdout.write(
        f"a believed read has {reads / raw:.2f} of the throughput of the same bytes without any proof\n"
    )
    sys.stdout.write(
        f"watch takes {poll * 1e3:.2f} ms of processor time a poll of {len(status_registers(chip))} status "
        f"registers in {asked / polls:.1f} exchanges: {poll / bare:.1f} times one exchange without any proof\n"
    )


if __name__ == "__main__":
    main()
