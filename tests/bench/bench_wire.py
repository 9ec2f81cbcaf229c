"""Requests per second over a pseudo-terminal, against the terminal's own limit.

Run: python tests/bench/bench_wire.py [--seconds 2]

The floor is a process that sends back what it gets (`cat`), asked with as many bytes as a request
has, one question at a time: no protocol can be faster than that round trip. Then the library's
client asks the C bridge (compiled here with gcc). All in one run; only the ratios mean anything.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from regmap.wire.client import Client, Done
from regmap.wire.frame import encode_frame
from regmap.wire.layout import Hello, Request, Setup, Transfer
from regmap.wire.ports import PseudoTerminal, SerialLine, exchange

SOURCES = Path(__file__).parents[1] / "c" / "bridge"
SHIPPED = Path(__file__).parents[2] / "regmap" / "wire" / "bridge"


def per_second(seconds: float, once: Callable[[], None]) -> float:
    begin = time.perf_counter()
    count = 0
    while (spent := time.perf_counter() - begin) < seconds:
        once()
        count += 1
    return count / spent


def with_process(command: list[str], work: Callable[[SerialLine], float]) -> float:
    with PseudoTerminal() as terminal:
        os.set_blocking(terminal.fileno(), True)
        process = subprocess.Popen(command, stdin=terminal.fileno(), stdout=terminal.fileno())
        try:
            with SerialLine(terminal.path) as line:
                return work(line)
        finally:
            process.kill()
            process.wait()


def floor(seconds: float, size: int) -> float:
    data = b"\x55" * size

    def work(line: SerialLine) -> float:
        descriptor = os.open(line.device, os.O_RDWR | os.O_NOCTTY)

        def once() -> None:
            os.write(descriptor, data)
            got = 0
            while got < size:
                got += len(os.read(descriptor, 4096))

        try:
            return per_second(seconds, once)
        finally:
            os.close(descriptor)

    return with_process(["cat"], work)


def bridge(seconds: float, host: str, request: Request) -> float:
    def work(line: SerialLine) -> float:
        client = Client(timeout=5.0)

        def ask(what: Request) -> None:
            outcome = exchange(line, client, what)
            if not isinstance(outcome, Done):
                raise SystemExit(str(outcome))

        ask(Hello())
        ask(Setup(mode=1, clock_hz=1_000_000))
        return per_second(seconds, lambda: ask(request))

    return with_process([host], work)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=2.0)
    seconds = parser.parse_args().seconds
    with tempfile.TemporaryDirectory() as folder:
        host = str(Path(folder) / "host")
        sources = [f"-I{SHIPPED}", str(SHIPPED / "bridge.c"), str(SOURCES / "main_host.c")]
        subprocess.run(["gcc", "-std=c99", "-O2", *sources, "-o", host], check=True)
        for words in (1, 32):
            request = Transfer((b"\x12\x34",) * words)
            size = len(encode_frame(3, 1, bytes(1 + 3 * words)))
            limit = floor(seconds, size)
            rate = bridge(seconds, host, request)
            sys.stdout.write(
                f"{words:2} words a request: {rate:7.0f} requests/s ({rate * words:8.0f} words/s); "
                f"terminal alone {limit:7.0f}/s; ratio {rate / limit:.3f}\n"
            )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
