"""SPI controllers of a Linux board (`/dev/spidevB.C`), by the kernel's own ioctl interface.

Numbers and the layout of a transfer are those of the kernel's header `include/uapi/linux/spi/spidev.h`; no
library is needed. What it keeps:

    chip select    one per device file, active low, or active high where the driver can
    clock          at most what is asked; the driver rounds down, and does not say to what
    idle           at least what is asked, by waiting between two bursts; a busy machine makes it longer
    bit counts     bursts of up to 32 bits in one word, where the driver takes such words
    pins           none: enable and fault pins are wired to the board in its own way

Tested against a double at the ioctl boundary; it has not been run on hardware here.
"""

from __future__ import annotations

import ctypes
import os
import struct
import sys
from collections.abc import Callable
from typing import Any

from regmap.errors import LinkError
from regmap.wire.layout import Burst, Capability, Identity, PinLevels, Setup, SetupDone
from regmap.wire.pace import Idle
from regmap.wire.server import Refusal

# include/uapi/linux/spi/spidev.h, with the general encoding of _IOW: direction 1 in bits 31..30, size in
# 29..16, type in 15..8, number in 7..0
_WRITE = 1 << 30
_MAGIC = ord("k")
WR_MODE32 = _WRITE | 4 << 16 | _MAGIC << 8 | 5
WR_BITS_PER_WORD = _WRITE | 1 << 16 | _MAGIC << 8 | 3
WR_MAX_SPEED_HZ = _WRITE | 4 << 16 | _MAGIC << 8 | 4
#: struct spi_ioc_transfer: tx_buf, rx_buf, len, speed_hz, delay_usecs, bits_per_word, cs_change, tx_nbits,
#: rx_nbits, word_delay_usecs, pad
TRANSFER = struct.Struct("=QQIIHBBBBBB")
MESSAGE = _WRITE | TRANSFER.size << 16 | _MAGIC << 8  # SPI_IOC_MESSAGE(1)
CS_HIGH = 0x04
MOST_BYTES = 4096  # the driver's usual buffer (its parameter bufsiz)
FASTEST = 50_000_000  # Hz; more than drivers for gate drivers take

Ioctl = Callable[[int, int, Any], int]


def _ioctl() -> Ioctl:
    if sys.platform != "win32":
        import fcntl

        return fcntl.ioctl
    raise LinkError("no spidev on this system: it is Linux's")


class Spidev:
    """One chip select of a controller. Raises LinkError where it cannot be opened."""

    def __init__(self, path: str, *, ioctl: Ioctl | None = None, idle: Idle | None = None) -> None:
        self.path = path or "/dev/spidev0.0"
        self._ioctl = ioctl if ioctl is not None else _ioctl()
        self.idle = idle if idle is not None else Idle()
        try:
            self._file = os.open(self.path, os.O_RDWR | getattr(os, "O_CLOEXEC", 0))
        except OSError as error:
            raise LinkError(f"cannot open {self.path}: {os.strerror(error.errno or 0)}") from error
        self._speed = 0
        able = Capability.TIMESTAMPS | Capability.IDLE | Capability.SELECT_HIGH
        able |= Capability.MODE_0 | Capability.MODE_1 | Capability.MODE_2 | Capability.MODE_3
        if self._takes_words():
            able |= Capability.BIT_COUNTS
        self.identity = Identity(
            name=f"spidev {os.path.basename(self.path)}"[:31],  # noqa: PTH119 - a name, no file
            max_bytes=MOST_BYTES,
            max_bursts=64,
            max_clock_hz=FASTEST,
            capabilities=able,
        )

    def _set(self, request: int, form: str, value: int) -> None:
        self._ioctl(self._file, request, struct.pack(form, value))

    def _takes_words(self) -> bool:
        """Whether the driver takes words of other than 8 bits."""
        try:
            self._set(WR_BITS_PER_WORD, "=B", 9)
        except OSError:
            return False
        self._set(WR_BITS_PER_WORD, "=B", 8)
        return True

    def setup(self, setup: Setup) -> SetupDone:
        try:
            self._set(WR_MODE32, "=I", setup.mode | (CS_HIGH if setup.select_high else 0))
            self._set(WR_MAX_SPEED_HZ, "=I", setup.clock_hz)
        except OSError:
            raise Refusal from None
        self._speed = setup.clock_hz
        self.idle.idle_ns = setup.idle_ns
        return SetupDone(setup.clock_hz, setup.idle_ns)

    def burst(self, data: bytes) -> Burst:
        return self._transfer(data, 8)

    def burst_bits(self, data: bytes, last: int) -> Burst:
        if last == 8:
            return self._transfer(data, 8)
        bits = 8 * (len(data) - 1) + last
        if bits > 32:
            raise Refusal  # more than one word has
        value = int.from_bytes(data, "big") >> (8 - last)
        # the driver takes words of the machine's own byte order, in 1, 2 or 4 bytes
        size = 1 if bits <= 8 else 2 if bits <= 16 else 4
        burst = self._transfer(value.to_bytes(size, sys.byteorder), bits)
        word = int.from_bytes(burst.data, sys.byteorder) & ((1 << bits) - 1)
        return Burst(burst.time_us, (word << (8 - last)).to_bytes(len(data), "big"))

    def _transfer(self, data: bytes, bits_per_word: int) -> Burst:
        out = ctypes.create_string_buffer(data, len(data))
        back = ctypes.create_string_buffer(len(data))
        message = TRANSFER.pack(
            *(ctypes.addressof(out), ctypes.addressof(back), len(data), self._speed),
            *(0, bits_per_word, 0, 0, 0, 0, 0),
        )
        start = self.idle.wait()
        try:
            self._ioctl(self._file, MESSAGE, message)
        except OSError:
            raise Refusal from None
        finally:
            self.idle.ended()
        return Burst(start, back.raw)

    def pins(self, enable: bool | None) -> PinLevels:  # noqa: ARG002 - it has none
        return PinLevels(None, None)

    def close(self) -> None:
        if self._file >= 0:
            os.close(self._file)
            self._file = -1
