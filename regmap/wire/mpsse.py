"""USB-to-SPI bridges of the MPSSE kind, by the package pyftdi (the optional extra `usb`).

`mpsse:///1` is the first such bridge and its interface 1; more is said as in pyftdi's own addresses, without
their scheme: `mpsse://:232h:SERIAL/1`. Wiring as pyftdi documents it: clock, SDI, SDO, chip select on the
lower four pins of the interface. What it keeps:

    chip select    active low only
    clock          at most what is asked, from 458 Hz to 30 MHz; the divider rounds, here downwards
    idle           at least what is asked, by waiting; the USB takes 0.1 ms and more between bursts anyway
    bit counts     any
    modes          0; on high-speed bridges 1 to 3 too, by pyftdi's way around the engine's limits
    pins           none

Tested against a double at the boundary of the engine's bytes; it has not been run on hardware here.
"""

from __future__ import annotations

from typing import Any

from regmap.errors import LinkError
from regmap.wire.layout import Burst, Capability, Identity, PinLevels, Setup, SetupDone
from regmap.wire.pace import Idle
from regmap.wire.server import Refusal

SLOWEST = 458  # Hz: 60 MHz over the largest divider, 2 * 65536
FAST_BASE, BASE = 60_000_000, 12_000_000  # Hz: what the divider divides by two, twice and so on
MOST_BYTES = 4096


class Mpsse:
    """The first chip select of one interface. Raises LinkError where it cannot be opened."""

    def __init__(self, address: str, *, idle: Idle | None = None) -> None:
        try:
            from pyftdi.ftdi import FtdiError
            from pyftdi.spi import SpiController
        except ImportError:
            raise LinkError(
                "a USB bridge of the MPSSE kind needs the package pyftdi: pip install 'gateword[usb]'"
            ) from None
        self._errors: tuple[type[Exception], ...] = (FtdiError, OSError, ValueError)
        self.idle = idle if idle is not None else Idle()
        self._controller: Any = SpiController(cs_count=1)
        try:
            self._controller.configure(f"ftdi://{address or '/1'}", frequency=1_000_000)
            self._fast = bool(self._controller.ftdi.is_H_series)
        except self._errors as error:
            raise LinkError(f"cannot open mpsse://{address}: {error}") from error
        able = Capability.TIMESTAMPS | Capability.IDLE | Capability.BIT_COUNTS | Capability.MODE_0
        if self._fast:
            able |= Capability.MODE_1 | Capability.MODE_2 | Capability.MODE_3
        self._port: Any = None
        self.identity = Identity(
            name="USB bridge, MPSSE",
            max_bytes=MOST_BYTES,
            max_bursts=64,
            min_clock_hz=SLOWEST,
            max_clock_hz=FAST_BASE // 2 if self._fast else BASE // 2,
            capabilities=able,
        )

    def setup(self, setup: Setup) -> SetupDone:
        clock = self._below(setup.clock_hz, three_phases=bool(setup.mode & 1))
        try:
            self._port = self._controller.get_port(cs=0, freq=clock, mode=setup.mode)
            self._port.set_frequency(clock)
            self._port.set_mode(setup.mode)
        except self._errors:
            raise Refusal from None
        self.idle.idle_ns = setup.idle_ns
        return SetupDone(clock, setup.idle_ns)

    def _below(self, asked: int, *, three_phases: bool) -> int:
        """The fastest clock that the divider makes and that is not above what is asked.

        pyftdi takes the nearest, which may be faster; one that the divider has stays as it is. In modes 1
        and 3 the engine runs three phases a bit, at one and a half times the clock.
        """
        base = (FAST_BASE if self._fast else BASE) // 2
        wanted = 3 * asked // 2 if three_phases else asked
        made = base // min(0x10000, max(1, -(-base // wanted)))
        return 2 * made // 3 if three_phases else made

    def burst(self, data: bytes) -> Burst:
        return self.burst_bits(data, 8)

    def burst_bits(self, data: bytes, last: int) -> Burst:
        start = self.idle.wait()
        try:
            read = self._port.exchange(data, duplex=True, droptail=8 - last)
        except self._errors:
            raise Refusal from None
        finally:
            self.idle.ended()
        if len(read) != len(data):
            raise Refusal
        return Burst(start, bytes(read))

    def pins(self, enable: bool | None) -> PinLevels:  # noqa: ARG002 - it has none
        return PinLevels(None, None)

    def close(self) -> None:
        self._controller.close()
