"""The adapter protocol over TCP on this machine: one connection at a time, gone and back, errors told."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from regmap.errors import CallError, LinkError
from regmap.wire.ports import Reopener, serve
from regmap.wire.tcp import LoopbackPort, SocketLine, address_of


class Echo:
    def feed(self, data: bytes) -> bytes:
        return data[::-1]


@contextmanager
def served() -> Iterator[LoopbackPort]:
    done = threading.Event()
    with LoopbackPort() as port:
        thread = threading.Thread(target=serve, args=(port, Echo(), done.is_set))
        thread.start()
        try:
            yield port
        finally:
            done.set()
            thread.join(5)


def ask(line: SocketLine, data: bytes) -> bytes:
    line.write(data)
    got = b""
    end = time.monotonic() + 5
    while len(got) < len(data) and time.monotonic() < end:
        got += line.read(0.1)
    return got


def test_bytes_both_ways_and_a_next_connection_after_the_first() -> None:
    with served() as port:
        for text in (b"abc", b"\x00\xff" * 500):
            line = Reopener(port.url)()
            assert isinstance(line, SocketLine)
            assert ask(line, text) == text[::-1]
            assert line.read(0.01) == b""
            line.close()


def test_a_second_connection_is_closed_at_once() -> None:
    with served() as port:
        first = SocketLine(port.url)
        assert ask(first, b"abc") == b"cba"
        second = SocketLine(port.url)
        with pytest.raises(LinkError, match=r"closed by the other side|failed"):
            ask(second, b"x")
        second.close()
        assert ask(first, b"de") == b"ed", "the first goes on"
        first.close()


def test_only_this_machine_is_listened_to() -> None:
    with LoopbackPort() as port:
        host, number = address_of(port.url)
        assert host == "127.0.0.1"
        addresses = {
            str(info[4][0])
            for info in socket.getaddrinfo(socket.gethostname(), number, socket.AF_INET)
        } - {"127.0.0.1", "127.0.1.1"}
        for address in addresses:
            with pytest.raises(OSError):
                socket.create_connection((address, number), 0.5)


def test_what_is_gone_is_told() -> None:
    with LoopbackPort() as port:
        line = SocketLine(port.url)
        port.read(0.5)
    with pytest.raises(LinkError, match=r"closed by the other side|failed while"):
        line.read(1.0)
    line.close()
    with pytest.raises(LinkError, match=r"cannot open socket://127\.0\.0\.1:"):
        SocketLine(port.url)


@pytest.mark.parametrize("url", ["socket://", "socket://here", "socket://:5", "socket://h:99999"])
def test_a_wrong_address_is_one_clear_message(url: str) -> None:
    with pytest.raises(CallError, match=r"expected socket://HOST:PORT"):
        Reopener(url)()


def test_a_port_in_use_is_told() -> None:
    with LoopbackPort() as port:
        number = address_of(port.url)[1]
        with pytest.raises(LinkError, match=f"cannot listen on 127.0.0.1:{number}"):
            LoopbackPort(number)
