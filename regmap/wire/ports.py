"""Serial ports and pseudo-terminals: the only place where bytes leave the program.

Both kinds of line have the same three calls (`Line`), raise LinkError and nothing else, and wait
no longer than they are told. pyserial is imported when a port is listed or opened; a
pseudo-terminal needs a POSIX system and no library.
"""

from __future__ import annotations

import contextlib
import errno
import os
import sys
import time
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Protocol

from regmap.closing import Closing
from regmap.errors import CallError, LinkError, closest
from regmap.holding import HeldError, Hold, hold
from regmap.record import dataclass
from regmap.wire.tcp import SocketLine, address_of

if TYPE_CHECKING:
    import serial

    from regmap.wire.client import Client, Outcome
    from regmap.wire.layout import Request

LOCAL = ("spidev", "mpsse")  # schemes of SPI controllers of this machine
_SLICE = 0.02  # s; how long one read may block, so that an interrupt is never far away


class Line(Protocol):
    """Bytes both ways. Both calls raise LinkError when the line is gone.

    `read` gives what has arrived, waiting up to `timeout` seconds for the first byte; empty when
    none came. `write` returns when all bytes are on their way.
    """

    def read(self, timeout: float) -> bytes: ...

    def write(self, data: bytes) -> None: ...

    def close(self) -> None: ...


@dataclass(frozen=True, slots=True)
class Port:
    """A serial port of this machine, as the system describes it."""

    device: str
    description: str = ""
    hardware_id: str = ""


def list_ports() -> list[Port]:
    """The serial ports present now, sorted by name. Pseudo-terminals are not among them."""
    from serial.tools.list_ports import comports

    found = [
        Port(
            p.device,
            "" if p.description in (None, "n/a") else p.description,
            "" if p.hwid in (None, "n/a") else p.hwid,
        )
        for p in comports()
    ]
    return sorted(found, key=lambda port: port.device)


class SerialLine(Closing):
    """An open serial port: 8 data bits, no parity, one stop bit, no flow control.

    `device` is a port's name or a pseudo-terminal's path. The port is locked against other programs
    where the system can. What was received before opening is thrown away. Opening a port raises
    DTR and RTS on most systems, which resets some adapters: allow them time to start.
    """

    def __init__(self, device: str, *, baud: int = 115200, write_timeout: float = 2.0) -> None:
        import serial

        if baud <= 0:
            raise CallError(f"baud rate must be positive, not {baud}")
        self.device = device
        self._hold = _held(device)
        try:
            self._port: serial.Serial = serial.serial_for_url(
                device, do_not_open=True, baudrate=baud, timeout=_SLICE, write_timeout=write_timeout
            )
            if "://" not in device:
                self._port.exclusive = True
            self._port.open()
            self._port.reset_input_buffer()
        except (serial.SerialException, OSError, ValueError) as error:
            self._hold.close()
            raise _no_port(device, error) from error

    def read(self, timeout: float) -> bytes:
        end = time.monotonic() + timeout
        with self._failures("reading"):
            while True:
                head = bytes(self._port.read(1))
                if head:
                    return head + bytes(self._port.read(self._port.in_waiting))
                if time.monotonic() >= end:
                    return b""

    def write(self, data: bytes) -> None:
        with self._failures("writing"):
            view = memoryview(data)
            while view:
                sent = self._port.write(view)
                view = view[sent or 0 :]

    def close(self) -> None:
        # Closing a port whose adapter was pulled out fails on some systems; it is closed anyway.
        with contextlib.suppress(OSError):
            self._port.close()
        self._hold.close()

    @contextlib.contextmanager
    def _failures(self, doing: str) -> Iterator[None]:
        # SerialException is an OSError; termios.error is not, and exists on POSIX only. pyserial
        # raises TypeError when a port is closed by another thread while it reads.
        try:
            yield
        except Exception as error:
            if not isinstance(error, (OSError, TypeError)) and type(error).__name__ != "error":
                raise
            raise LinkError(f"{self.device} failed while {doing}: {error}") from error


class Reopener:
    """Opens one port, again and again where it was lost, but never a stranger's terminal.

    The system gives a pseudo-terminal's number to the next one that is made. Whoever opens
    /dev/pts/7 again after the far end has closed it may find somebody's screen there, which must
    neither be set up as a port nor written to: that raises LinkError. Called, it gives a SerialLine,
    a SocketLine for `socket://HOST:PORT`, or a controller of this machine (`regmap.wire.local`).
    """

    def __init__(self, device: str, *, baud: int = 115200) -> None:
        self.device = device
        self.baud = baud
        self._met: dict[str, int] = {}

    def __call__(self) -> Line:
        if self.device.startswith("socket://"):
            address_of(self.device)
            return SocketLine(self.device, hold=_held(self.device))
        if self.device.partition("://")[0] in LOCAL:
            from regmap.wire.local import open_local

            return open_local(self.device, _held(self.device))
        self._same()
        line = SerialLine(self.device, baud=self.baud)
        try:
            self._same()
        except LinkError:
            line.close()
            raise
        return line

    def _same(self) -> None:
        """Raises LinkError where the terminal of this name is not the one met before."""
        real = os.path.realpath(self.device)
        if "://" in self.device or not real.startswith("/dev/pts/"):
            return
        with contextlib.suppress(FileNotFoundError):
            # made anew with the terminal; reading and writing leave it as it is
            made = os.stat(real).st_ctime_ns  # noqa: PTH116
            if self._met.setdefault(real, made) != made:
                raise LinkError(f"{self.device} is gone; another terminal has its name now")


def _held(device: str) -> Hold:
    """The port for this process alone. Raises LinkError that says who has it."""
    if "://" in device and device.partition("://")[0] not in ("socket", *LOCAL):
        return Hold()
    try:
        return hold(device, "uses this port")
    except HeldError as error:
        raise LinkError(f"cannot open {device}: {error.by}") from None


def _no_port(device: str, error: Exception) -> LinkError:
    number = getattr(error, "errno", None)
    if number in (errno.EAGAIN, errno.EBUSY):
        text = f"cannot open {device}: another program uses it"
    elif number == errno.EACCES:
        text = f"cannot open {device}: this user may not (often a matter of group membership)"
    else:
        text = f"cannot open {device}: {os.strerror(number) if number else error}"
    if "://" in device:
        return LinkError(text)
    names = [port.device for port in list_ports()]
    if device in names:
        return LinkError(text)
    if not names:
        return LinkError(f"{text}; this machine has no serial port")
    likely = closest(device, names)
    if likely:
        return LinkError(text, nearest=likely)
    return LinkError(f"{text}; present: {', '.join(names)}")


class PseudoTerminal(Closing):
    """A pair of connected terminals: others open `path` as a port, this side reads and writes.

    Raw and without echo. The far end is kept open here too, so that a program may open it, leave,
    and come back. LinkError where the system has no pseudo-terminals.
    """

    path: str
    write_timeout: float
    _near: int
    _far: int

    def __init__(self, *, write_timeout: float = 2.0) -> None:
        if sys.platform == "win32":
            raise LinkError("no pseudo-terminal on this system: they exist on POSIX systems only")
        else:  # noqa: RET506 - read by the type checker, which leaves it out for Windows
            try:
                import tty

                self._near, self._far = os.openpty()
            except (ImportError, AttributeError, OSError) as error:
                raise LinkError(f"no pseudo-terminal on this system: {error}") from error
            tty.setraw(self._far)
            self.path = os.ttyname(self._far)
            self.write_timeout = write_timeout
            os.set_blocking(self._near, False)

    def fileno(self) -> int:
        """The near end's file descriptor."""
        return self._near

    def read(self, timeout: float) -> bytes:
        import select

        try:
            ready, _, _ = select.select([self._near], [], [], max(timeout, 0.0))
            return os.read(self._near, 65536) if ready else b""
        except BlockingIOError:
            return b""
        except (OSError, ValueError) as error:
            raise LinkError(f"{self.path} is gone: {error}") from error

    def write(self, data: bytes) -> None:
        import select

        view = memoryview(data)
        try:
            while view:
                _, ready, _ = select.select([], [self._near], [], self.write_timeout)
                if not ready:
                    raise LinkError(f"{self.path}: nobody takes what is sent")
                with contextlib.suppress(BlockingIOError):
                    view = view[os.write(self._near, view) :]
        except (OSError, ValueError) as error:
            raise LinkError(f"{self.path} is gone: {error}") from error

    def close(self) -> None:
        """Take the line away, also from whoever has it open: as when an adapter is pulled out."""
        ends, self._near, self._far = (self._near, self._far), -1, -1
        for end in ends:
            if end >= 0:
                with contextlib.suppress(OSError):
                    os.close(end)


class Answers(Protocol):
    """Whatever turns received bytes into bytes to send, such as `regmap.wire.Server`."""

    def feed(self, data: bytes) -> bytes: ...


def serve(line: Line, server: Answers, stop: Callable[[], bool], *, poll: float = 0.05) -> None:
    """Let `server` answer what arrives until `stop()` is true, asked at least each `poll` s."""
    while not stop():
        data = line.read(poll)
        if data:
            answer = server.feed(data)
            if answer:
                line.write(answer)


def exchange(
    line: Line,
    client: Client,
    request: Request,
    *,
    clock: Callable[[], float] = time.monotonic,
    until: float | None = None,
) -> Outcome:
    """One request and its outcome; a line that fails gives `Lost` with `port_gone`.

    `until` is a moment of `clock` after which no answer is waited for, whatever attempts are left.
    An interrupt (or any error that is not the line's) abandons the request and goes on up.
    """
    send = client.start(request, clock())
    try:
        while True:
            if send:
                line.write(send)
            now = clock()
            assert client.deadline is not None
            if until is not None and now >= until:
                lost = client.abandon("no answer in time")
                assert lost is not None
                return lost
            end = client.deadline if until is None else min(client.deadline, until)
            data = line.read(max(end - now, 0.0))
            step = client.feed(data, clock()) if data else client.tick(clock())
            if step.outcome is not None:
                return step.outcome
            send = step.send
            if data and not send:
                # A line full of noise must not keep the time-out from being noticed.
                step = client.tick(clock())
                if step.outcome is not None:
                    return step.outcome
                send = step.send
    except LinkError as error:
        lost = client.abandon(str(error), port_gone=True)
        if lost is None:
            raise
        return lost
    except BaseException:
        client.abandon("interrupted")
        raise
