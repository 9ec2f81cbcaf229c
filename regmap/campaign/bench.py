"""What a campaign runs on: a simulated chip in virtual time, one with a program at its port, or an adapter."""

from __future__ import annotations

import shlex
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Protocol

from ..errors import CallError, LinkError
from ..link.bringup import apply
from ..link.port import AdapterPort
from ..link.session import Link
from ..stages.grammar import AS_STATED
from ..twin import Clock, RealClock, Twin
from ..twin.adapter import Adapter, DirectLine, identity
from ..twin.control import Control
from ..wire.ports import Reopener, serve
from ..wire.server import Server
from ..wire.tcp import LoopbackPort
from .load import Campaign, Case

#: Asked to do something by hand: gets the text, says whether it was done. None: nobody is there.
Operator = Callable[[str], bool]


#: in the arguments of a program: the mode that it must bring the chip into
MODE_GIVEN = "{mode}"


class Bench(Protocol):
    """A chip that is brought up, can be disturbed, and has a clock in seconds."""

    link: Link | None

    def clock(self) -> float: ...

    def sleep(self, seconds: float) -> None: ...

    def disturb(self, case: Case) -> str:
        """Do what the case says; "" or why it was not done."""

    def calm(self, case: Case) -> None:
        """End what the case did."""

    def power_cycle(self) -> None:
        """Take the supply of the logic away and give it back."""


class _OnTwin:
    """What both simulated benches do to their chip."""

    twin: Twin
    control: Control

    def clock(self) -> float:
        return self.twin.clock.ns / 1e9

    def disturb(self, case: Case) -> str:
        self.control.act(f"disturb {case.disturb or case.fault}")
        return ""

    def calm(self, case: Case) -> None:
        self.control.act(f"clear {(case.disturb or case.fault).split()[0]}")

    def power_cycle(self) -> None:
        self.control.act("brown-out 1 ms")


class SimulatedBench(_OnTwin):
    """A new simulated chip, brought up to the campaign's settings; the campaign itself reads it."""

    def __init__(self, campaign: Campaign, seed: int) -> None:
        chip = campaign.chip
        self.twin = Twin(chip, seed=seed, clock=Clock())
        adapter = Adapter(self.twin.bus, [self.twin])
        self.control = Control(self.twin, adapter)
        server = Server(adapter, identity(chip.name))
        port = AdapterPort(
            lambda: DirectLine(server, self.twin.clock),
            chip.spi,
            name="twin",
            clock=self.clock,
            sleep=self.sleep,
        )
        port.open()
        self.link: Link | None = Link(chip, port, move_pages=True)
        done = apply(self.link, campaign.bank)
        if not done.ok:
            raise LinkError(f"the bring-up did not hold: {done.stopped}")

    def sleep(self, seconds: float) -> None:
        self.twin.wait(seconds)

    def power_cycle(self) -> None:
        super().power_cycle()
        wake = self.twin.chip.spi.wake_up
        self.sleep(0.002 + (float(wake.high) if wake is not None else 0.0))


class FirmwareBench(_OnTwin):
    """A simulated chip in real time with a program at its port; the campaign only watches the chip.

    The program is started with `{port}` in its arguments replaced by the port's name and `{mode}` by the mode of the
    drive, and is given `ready_after` to bring the chip up into that; it must go on until it is ended.
    """

    link: Link | None = None

    def __init__(self, campaign: Campaign, seed: int, mode: str) -> None:
        self.twin = Twin(campaign.chip, seed=seed, clock=RealClock())
        self.adapter = Adapter(self.twin.bus, [self.twin])
        self.control = Control(self.twin, self.adapter)
        self.port = LoopbackPort()
        self._done = threading.Event()
        server = Server(self.adapter, identity(campaign.chip.name))
        self._thread = threading.Thread(
            target=serve, args=(self.port, server, self._done.is_set), daemon=True
        )
        self._thread.start()
        try:
            given = {"{port}": self.port.url, MODE_GIVEN: mode or AS_STATED}
            words = shlex.split(campaign.firmware)
            for name, value in given.items():
                words = [w.replace(name, value) for w in words]
            self.process = subprocess.Popen(
                words,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                cwd=Path(campaign.file).parent,
            )
        except (OSError, IndexError, ValueError) as error:
            self._leave()
            raise CallError(
                f"the firmware {campaign.firmware!r} cannot be started: {error}"
            ) from None
        time.sleep(campaign.ready_after)
        if self.process.poll() is not None:
            self._leave()
            raise LinkError(f"the firmware ended by itself with status {self.process.returncode}")

    def sleep(self, seconds: float) -> None:
        time.sleep(seconds)

    def _leave(self) -> None:
        self._done.set()
        self._thread.join(2.0)
        self.port.close()

    def close(self) -> None:
        self.process.terminate()
        try:
            self.process.wait(5.0)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        self._leave()


class PortBench:
    """A real chip behind an adapter, brought up anew for each case; an operator does what is to be done."""

    def __init__(self, campaign: Campaign, operator: Operator | None) -> None:
        chip = campaign.chip
        self.operator = operator
        self._port = AdapterPort(Reopener(campaign.port), chip.spi, name=campaign.port)
        self._port.open()
        try:
            self.link: Link | None = Link(chip, self._port, move_pages=True)
            done = apply(self.link, campaign.bank, any_state=True)
            if not done.ok:
                raise LinkError(f"the bring-up did not hold: {done.stopped}")
        except LinkError:
            self._port.close()
            raise

    def clock(self) -> float:
        return self._port.clock()

    def sleep(self, seconds: float) -> None:
        self._port.sleep(seconds)

    def disturb(self, case: Case) -> str:
        if not case.manual:
            return "the case says nothing that an operator could do (manual:)"
        if self.operator is None:
            return f"needs an operator: {case.manual}"
        return "" if self.operator(case.manual) else "the operator did not do it"

    def calm(self, case: Case) -> None:
        if self.operator is not None:
            self.operator(f"end it: {case.manual}")

    def power_cycle(self) -> None:
        if self.operator is not None:
            self.operator("take the supply of the logic away and give it back")

    def close(self) -> None:
        self._port.close()


@contextmanager
def bench_for(
    campaign: Campaign, seed: int, operator: Operator | None, mode: str = ""
) -> Iterator[Bench]:
    """The campaign's target, made anew; a program is told the mode. Raises LinkError, CallError."""
    if campaign.port:
        at_port = PortBench(campaign, operator)
        try:
            yield at_port
        finally:
            at_port.close()
    elif campaign.firmware:
        with_firmware = FirmwareBench(campaign, seed, mode)
        try:
            yield with_firmware
        finally:
            with_firmware.close()
    else:
        yield SimulatedBench(campaign, seed)
