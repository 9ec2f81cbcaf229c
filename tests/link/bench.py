"""A simulated bench for the tests of the link: chip, adapter, hurt line and link, all in virtual time."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from regmap.chip.model import Chip
from regmap.errors import LinkError
from regmap.link.port import AdapterPort
from regmap.link.session import Link
from regmap.maps.load import load_map
from regmap.twin import Clock, Twin, parse_disturbance
from regmap.twin.adapter import Adapter, DirectLine, DisturbedLine, identity
from regmap.wire.server import Server


class Bench:
    """`trouble` are disturbances of both kinds: on the SPI and on the serial line."""

    def __init__(
        self,
        which: str | Chip,
        trouble: Iterable[str] = (),
        *,
        seed: int = 0,
        restarts: bool = False,
        **options: Any,
    ) -> None:
        self.chip = load_map(which) if isinstance(which, str) else which
        self.twin = Twin(self.chip, seed=seed, **options)
        self.adapter = Adapter(self.twin.bus, [self.twin])
        self.clock = Clock()
        self.restarts = restarts
        self.line_trouble = []
        for text in trouble:
            item = parse_disturbance(text, self.chip)
            if item.name.startswith("line_") or item.name == "unplug":
                self.line_trouble.append(item)
            else:
                self.twin.disturb(item)
        self.server = Server(self.adapter, identity(self.chip.name))
        self.seed = seed
        self.opened = 0
        self.line: DisturbedLine | None = None
        self.record: list[dict[str, Any]] = []
        self.port = AdapterPort(
            self.open_line,
            self.chip.spi,
            name="bench",
            timeout=0.05,
            clock=lambda: self.clock.ns / 1e9,
            sleep=self.sleep,
        )
        self.port.open()
        self.link = Link(self.chip, self.port, log=self.record.append)

    def sleep(self, seconds: float) -> None:
        self.clock.advance(int(seconds * 1e9))
        self.twin.wait(seconds)

    def open_line(self) -> DisturbedLine:
        self.opened += 1
        if self.opened > 1 and self.restarts:
            self.server = Server(self.adapter, identity(self.chip.name))
        line = DisturbedLine(
            DirectLine(self.server, self.clock),
            self.line_trouble,
            seed=self.seed + 1000 * self.opened,
            clock=self.clock,
            sleep=self.sleep,
        )
        if any(
            i.name == "unplug"
            and (i.start or 0) <= self.clock.ns < (i.start or 0) + (i.length or 1 << 62)
            for i in self.line_trouble
        ):
            raise LinkError("no such port")
        self.line = line
        return line
