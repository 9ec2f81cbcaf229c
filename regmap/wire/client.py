"""The host's half of the adapter protocol, without a port or a clock of its own."""

from __future__ import annotations

from typing import NamedTuple

from regmap.errors import CallError, LinkError
from regmap.quantity import many
from regmap.record import dataclass
from regmap.wire.frame import Decoder, Message, encode_frame
from regmap.wire.layout import (
    KIND_OF,
    REPLY,
    TIME_WRAP_US,
    VERSION,
    Answer,
    Burst,
    Code,
    ErrorReply,
    Hello,
    Identity,
    Kind,
    Request,
    Setup,
    SetupDone,
    Transfer,
    parse_answer,
    request_body,
)

_LAST_SEQUENCE = 0xFFFF


@dataclass(frozen=True, slots=True)
class Done:
    """A request and its answer; `attempts` counts how often the request was sent."""

    request: Request
    answer: Answer
    attempts: int

    may_have_run = True


@dataclass(frozen=True, slots=True)
class Refused:
    """The adapter answered with an error. `may_have_run` False: nothing reached the SPI."""

    request: Request
    error: ErrorReply
    attempts: int

    @property
    def may_have_run(self) -> bool:
        # A repeat that meets a restarted adapter says nothing about the attempts before it.
        if self.error.code in (Code.NO_SESSION, Code.SEQUENCE):
            return self.attempts > 1
        return self.error.code == Code.SPI_FAILED or self.error.code not in set(Code)

    def __str__(self) -> str:
        return f"{_name(self.request)} refused: {self.error}"


@dataclass(frozen=True, slots=True)
class Lost:
    """No usable answer came; whether the request was carried out is unknown.

    `port_gone`: the port itself failed, so that a next request needs it opened anew.
    """

    request: Request
    reason: str
    attempts: int
    port_gone: bool = False

    may_have_run = True

    def __str__(self) -> str:
        count = many(self.attempts, "attempt")
        return f"{_name(self.request)} lost after {count}: {self.reason}"


Outcome = Done | Refused | Lost


class NextAction(NamedTuple):
    """What the caller does next: put `send` on the line (may be empty), take the outcome."""

    send: bytes = b""
    outcome: Outcome | None = None


def _name(request: Request) -> str:
    return KIND_OF[type(request)].name.lower()


class Client:
    """The host's half: one request under way at a time, repeated until answered or given up.

    `start` gives the bytes to send; `feed` takes what arrives; `tick` is to be called no later
    than `deadline`. Times are seconds of any clock of the caller's that never runs backwards.
    `timeout` must exceed the time a whole request and its answer take on the line.

    `identity` is what the adapter said at the last hello, `damaged`, `echoes` and `strays` count
    broken pieces, own requests heard again, and answers to no pending request.
    """

    def __init__(
        self,
        *,
        timeout: float = 0.25,
        attempts: int = 4,
        busy_wait: float = 0.01,
        sequence: int = 1,
    ) -> None:
        if timeout <= 0 or attempts < 1 or not 1 <= sequence <= _LAST_SEQUENCE:
            raise CallError("timeout > 0 s, attempts >= 1 and sequence 1 to 65535 are needed")
        self.timeout = timeout
        self.attempts = attempts
        self.busy_wait = busy_wait
        self.identity: Identity | None = None
        self.echoes = 0
        self.strays = 0
        self.deadline: float | None = None
        self._decoder = Decoder()
        self._next = sequence
        self._request: Request | None = None
        self._sequence = 0
        self._frame = b""
        self._sent = 0
        self._hurried = False
        self._reason = ""
        self._time_us = 0

    @property
    def damaged(self) -> int:
        return self._decoder.damaged

    @property
    def pending(self) -> Request | None:
        """The request under way."""
        return self._request

    def start(self, request: Request, now: float) -> bytes:
        """Begin a request; the bytes to send. CallError if one is pending or it cannot be sent."""
        if self._request is not None:
            raise CallError(f"{_name(self._request)} is still under way")
        body = request_body(request)
        if isinstance(request, Transfer) and self.identity is not None:
            total, limit = sum(map(len, request.bursts)), self.identity
            if total > limit.max_bytes or len(request.bursts) > limit.max_bursts:
                raise CallError(
                    f"transfer of {len(request.bursts)} bursts with {total} bytes; {limit.name} "
                    f"takes {limit.max_bursts} bursts and {limit.max_bytes} bytes"
                )
        self._request, self._sequence = request, self._next
        self._next = self._next % _LAST_SEQUENCE + 1
        self._frame = encode_frame(KIND_OF[type(request)], self._sequence, body)
        self._sent, self._reason = 0, ""
        return self._send(now)

    def feed(self, data: bytes, now: float) -> NextAction:
        """Take bytes from the line; the outcome if they complete the answer."""
        send, outcome = b"", None
        for message in self._decoder.feed(data):
            if not message.kind & REPLY:
                self.echoes += 1
            elif self._request is None:
                self.strays += 1
            else:
                step = self._take(self._request, message, now)
                send, outcome = send + step.send, outcome or step.outcome
        return NextAction(send, outcome)

    def tick(self, now: float) -> NextAction:
        """Repeat the request when its time is up; `Lost` after the last attempt."""
        if self._request is None or self.deadline is None or now < self.deadline:
            return NextAction()
        if self._sent >= self.attempts:
            reason = self._reason or f"no answer within {self.timeout:g} s"
            return NextAction(b"", self._end(Lost(self._request, reason, self._sent)))
        return NextAction(self._send(now))

    def abandon(self, reason: str, *, port_gone: bool = False) -> Lost | None:
        """Give up the pending request, because the port is gone or the user interrupts."""
        if self._request is None:
            return None
        lost = Lost(self._request, reason, self._sent, port_gone)
        self._end(lost)
        return lost

    def _send(self, now: float) -> bytes:
        self._sent += 1
        self._hurried = False
        self.deadline = now + self.timeout
        return self._frame

    def _end(self, outcome: Outcome) -> Outcome:
        self._request, self.deadline = None, None
        return outcome

    def _take(self, request: Request, message: Message, now: float) -> NextAction:
        if message.kind == Kind.ERROR | REPLY and message.sequence in (0, self._sequence):
            return self._refused(request, message, now)
        if message.sequence != self._sequence:
            self.strays += 1
            return NextAction()
        try:
            if message.version != VERSION:
                raise LinkError(f"the adapter speaks protocol version {message.version}")
            if message.kind != KIND_OF[type(request)] | REPLY:
                raise LinkError(f"answer of the wrong kind, {message.kind:#04x}")
            answer = self._checked(request, parse_answer(message.kind, message.body))
        except LinkError as error:
            return NextAction(b"", self._end(Lost(request, str(error), self._sent)))
        return NextAction(b"", self._end(Done(request, answer, self._sent)))

    def _refused(self, request: Request, message: Message, now: float) -> NextAction:
        try:
            error = parse_answer(message.kind, message.body)
        except LinkError as broken:
            return NextAction(b"", self._end(Lost(request, str(broken), self._sent)))
        assert isinstance(error, ErrorReply)
        if message.sequence == 0:
            # Some frame was damaged, most likely ours. One hurried repeat for each sending, so
            # that a burst of noise does not use up all attempts.
            self._reason = str(error)
            if self._hurried or self._sent >= self.attempts:
                return NextAction()
            send = self._send(now)
            self._hurried = True
            return NextAction(send)
        if error.code == Code.BUSY and self._sent < self.attempts:
            self.deadline = now + self.busy_wait
            return NextAction()
        return NextAction(b"", self._end(Refused(request, error, self._sent)))

    def _checked(self, request: Request, answer: Answer | ErrorReply) -> Answer:
        """The answer, if it fits the request; times continued past the 32-bit turnover."""
        if isinstance(request, Hello) and isinstance(answer, Identity):
            self.identity, self._time_us = answer, 0
        if (
            isinstance(request, Setup)
            and isinstance(answer, SetupDone)
            and (answer.clock_hz > request.clock_hz or answer.idle_ns < request.idle_ns)
        ):
            raise LinkError(
                f"the adapter clocks at {answer.clock_hz} Hz with {answer.idle_ns} ns "
                f"of idle time; wanted {request.clock_hz} Hz, {request.idle_ns} ns"
            )
        if isinstance(request, Transfer) and isinstance(answer, tuple):
            if [len(b.data) for b in answer] != [len(b) for b in request.bursts]:
                raise LinkError("the answer's bursts do not match those sent")
            continued = []
            for burst in answer:
                self._time_us += (burst.time_us - self._time_us) % TIME_WRAP_US
                continued.append(Burst(self._time_us, burst.data))
            return tuple(continued)
        assert not isinstance(answer, ErrorReply)
        return answer
