"""The adapter protocol over TCP, for systems without pseudo-terminals and for programs that cannot open one.

The listening side takes connections from this machine only (loopback): there is no password, and
whoever connects may do what a cable could. One connection at a time; a second is closed at once.
"""

from __future__ import annotations

import contextlib
import select
import socket
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from regmap.closing import Closing
from regmap.errors import CallError, LinkError
from regmap.holding import Hold

if TYPE_CHECKING:
    pass

LOOPBACK = "127.0.0.1"
CONNECT_TIMEOUT = 2.0  # s


def address_of(url: str) -> tuple[str, int]:
    """Host and port of `socket://HOST:PORT`. Raises CallError."""
    try:
        parts = urlsplit(url)
        host, port = parts.hostname, parts.port
    except ValueError:
        host, port = None, None
    if not url.startswith("socket://") or not host or not port:
        raise CallError(f"{url!r} is no address", "socket://HOST:PORT")
    return host, port


class SocketLine:
    """A connection as a line (`ports.Line`). `device` is `socket://HOST:PORT`; raises LinkError.

    What is held for it (`regmap.holding`) is let go of with it.
    """

    def __init__(
        self, device: str, *, write_timeout: float = 2.0, hold: Hold | None = None
    ) -> None:
        self.device = device
        self._hold = hold or Hold()
        try:
            self._socket = socket.create_connection(address_of(device), CONNECT_TIMEOUT)
        except OSError as error:
            self._hold.close()
            raise LinkError(f"cannot open {device}: {error.strerror or error}") from error
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._socket.settimeout(write_timeout)

    def read(self, timeout: float) -> bytes:
        try:
            ready, _, _ = select.select([self._socket], [], [], max(timeout, 0.0))
            if not ready:
                return b""
            data = self._socket.recv(65536)
        except (OSError, ValueError) as error:
            raise LinkError(f"{self.device} failed while reading: {error}") from error
        if not data:
            raise LinkError(f"{self.device} was closed by the other side")
        return data

    def write(self, data: bytes) -> None:
        try:
            self._socket.sendall(data)
        except OSError as error:
            raise LinkError(f"{self.device} failed while writing: {error}") from error

    def close(self) -> None:
        with contextlib.suppress(OSError):
            self._socket.close()
        self._hold.close()


class Asking:
    """One line of text to `socket://HOST:PORT`, one back. Raises LinkError."""

    def __init__(self, device: str, *, timeout: float = 5.0) -> None:
        self.timeout = timeout
        self._line = SocketLine(device)

    def __call__(self, text: str) -> str:
        self._line.write(text.encode() + b"\n")
        got = b""
        while not got.endswith(b"\n"):
            piece = self._line.read(self.timeout)
            if not piece:
                raise LinkError(f"{self._line.device} gave no answer within {self.timeout:g} s")
            got += piece
        return got.decode("utf-8", errors="replace").strip()

    def close(self) -> None:
        self._line.close()


class LoopbackPort(Closing):
    """The far end of such lines: listens on this machine and serves one connection after the other.

    `port` 0 takes any that is free; `url` tells which. A line as any other, that nobody is connected
    to at times: nothing comes then, and what is written is lost.
    """

    def __init__(self, port: int = 0, *, write_timeout: float = 2.0) -> None:
        self._near: socket.socket | None = None
        self.write_timeout = write_timeout
        self._listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        try:
            self._listening.bind((LOOPBACK, port))
            self._listening.listen(4)
        except (OSError, OverflowError) as error:
            self._listening.close()
            reason = getattr(error, "strerror", None) or error
            raise LinkError(f"cannot listen on {LOOPBACK}:{port}: {reason}") from error
        self.url = f"socket://{LOOPBACK}:{self._listening.getsockname()[1]}"

    @property
    def connected(self) -> bool:
        return self._near is not None

    def read(self, timeout: float) -> bytes:
        """What has arrived; a connection that has ended makes room for the next."""
        try:
            watched = [s for s in (self._listening, self._near) if s is not None]
            ready, _, _ = select.select(watched, [], [], max(timeout, 0.0))
            # whoever is connected first: one that has left must not keep the next one out
            if self._near is not None and self._near in ready:
                data = self._near.recv(65536)
                if data:
                    return data
                self._leave()
            if self._listening in ready:
                self._take()
        except (ConnectionError, TimeoutError):
            self._leave()
        except (OSError, ValueError) as error:
            raise LinkError(f"{self.url} is gone: {error}") from error
        return b""

    def _take(self) -> None:
        """Let the one in front in, or close it where somebody is connected already."""
        near, _ = self._listening.accept()
        if self._near is not None:
            near.close()
            return
        near.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        near.settimeout(self.write_timeout)
        self._near = near

    def write(self, data: bytes) -> None:
        if self._near is None:
            return
        try:
            self._near.sendall(data)
        except OSError:
            self._leave()

    def _leave(self) -> None:
        near, self._near = self._near, None
        if near is not None:
            near.close()

    def close(self) -> None:
        """Take the line away, also from whoever is connected."""
        self._leave()
        self._listening.close()
