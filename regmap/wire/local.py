"""Adapters of this machine: SPI controllers that need no firmware, behind the same port as a serial bridge.

    spidev:///dev/spidev0.0       the Linux kernel's own (`regmap.wire.spidev`)
    mpsse:///1                    a USB bridge of the MPSSE kind (`regmap.wire.mpsse`; needs pyftdi)

Whoever opens one gets a `ports.Line`: behind it the adapter's half of the protocol runs in this process,
so that the host's half, its checks and its account are the same as with any other adapter.
"""

from __future__ import annotations

import time
from typing import Protocol

from regmap.errors import LinkError
from regmap.holding import Hold
from regmap.wire.layout import Identity
from regmap.wire.mpsse import Mpsse
from regmap.wire.server import Handler, Server
from regmap.wire.spidev import Spidev


class Controller(Handler, Protocol):
    """An SPI controller: a handler of the protocol that says what it can do, and can be closed."""

    identity: Identity

    def close(self) -> None: ...


class LocalLine:
    """A controller of this machine as a line; `failure` of it is told as LinkError, not as a refusal."""

    def __init__(self, device: str, controller: Controller, held: Hold | None = None) -> None:
        self.device = device
        self._hold = held or Hold()
        self.controller = controller
        self.server = Server(controller, controller.identity)
        self._waiting = b""

    def read(self, timeout: float) -> bytes:
        data, self._waiting = self._waiting, b""
        if not data and timeout > 0:
            time.sleep(min(timeout, 0.02))
        return data

    def write(self, data: bytes) -> None:
        try:
            self._waiting += self.server.feed(data)
        except OSError as error:
            raise LinkError(f"{self.device} failed: {error}") from error

    def close(self) -> None:
        try:
            self.controller.close()
        finally:
            self._hold.close()


def open_local(device: str, held: Hold | None = None) -> LocalLine:
    """The adapter that this name means; `held` is let go of with it. Raises LinkError."""
    scheme, _, rest = device.partition("://")
    try:
        return LocalLine(device, Spidev(rest) if scheme == "spidev" else Mpsse(rest), held)
    except LinkError:
        if held is not None:
            held.close()
        raise
