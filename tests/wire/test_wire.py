"""The adapter protocol: layouts, framing, both halves, and both halves over a bad line."""

from __future__ import annotations

import random

import crccheck.crc
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import regmap.wire
from regmap.errors import CallError, LinkError
from regmap.wire.client import Client, Done, Lost, Refused
from regmap.wire.frame import Decoder, Message, encode_frame, encoded_limit, stuff, unstuff
from regmap.wire.layout import (
    KIND_OF,
    REPLY,
    Burst,
    Capability,
    Code,
    ErrorReply,
    Hello,
    Identity,
    Kind,
    PinLevels,
    Pins,
    Request,
    Setup,
    SetupDone,
    Transfer,
    answer_body,
    parse_answer,
    parse_body,
    request_body,
)
from regmap.wire.server import Refusal, Server

SETUP = Setup(mode=1, clock_hz=1_000_000)


def run(first: int, last: int) -> bytes:
    return bytes(range(first, last + 1))


# --- framing ----------------------------------------------------------------------------------

# The method's widely reprinted examples (from memory; they trace the rules of Cheshire and Baker,
# IEEE/ACM Transactions on Networking 7(2), 1999).
STUFFED = [
    (b"\0", b"\1\1"),
    (b"\0\0", b"\1\1\1"),
    (b"\0\x11\0", b"\1\2\x11\1"),
    (b"\x11\x22\0\x33", b"\3\x11\x22\2\x33"),
    (b"\x11\0\0\0", b"\2\x11\1\1\1"),
    (run(1, 254), b"\xff" + run(1, 254)),
    (b"\0" + run(1, 254), b"\1\xff" + run(1, 254)),
    (run(1, 255), b"\xff" + run(1, 254) + b"\2\xff"),
    (run(2, 255) + b"\0", b"\xff" + run(2, 255) + b"\1\1"),
    (run(3, 255) + b"\0\1", b"\xfe" + run(3, 255) + b"\2\1"),
]


@pytest.mark.parametrize(("plain", "stuffed"), STUFFED)
def test_stuffing_examples(plain: bytes, stuffed: bytes) -> None:
    assert stuff(plain) == stuffed
    assert unstuff(stuffed) == plain


@given(
    st.lists(st.binary(max_size=5) | st.integers(250, 520).map(lambda n: b"\x55" * n), max_size=6)
)
def test_stuffing_round_trip(parts: list[bytes]) -> None:
    data = b"\0".join(parts)
    stuffed = stuff(data)
    assert 0 not in stuffed
    assert len(stuffed) <= encoded_limit(len(data))
    assert unstuff(stuffed) == data


@pytest.mark.parametrize("broken", [b"\3\x11", b"\0", b"\2\0", b"\xff" + run(1, 253)])
def test_unstuff_refuses(broken: bytes) -> None:
    assert unstuff(broken) is None


def test_a_frame_to_the_byte() -> None:
    content = bytes([1, 1, 0x12, 0x34])
    check = crccheck.crc.Crc32.calc(content)  # a second implementation of IEEE 802.3's CRC
    expected = b"\0" + stuff(content + check.to_bytes(4, "big")) + b"\0"
    assert encode_frame(Kind.HELLO, 0x1234, b"") == expected


def test_the_documented_examples() -> None:
    assert regmap.wire.__doc__ is not None
    text = regmap.wire.__doc__.split("Examples, byte for byte\n")[1]
    frames = [
        bytes.fromhex(line[-60:].strip().split("  ")[-1]) for line in text.splitlines() if line
    ]
    assert frames == [
        encode_frame(Kind.HELLO, 1, b""),
        encode_frame(Kind.TRANSFER, 3, request_body(Transfer((b"\x12\x34",)))),
        encode_frame(Kind.TRANSFER | REPLY, 3, answer_body((Burst(1000, b"\xed\xcb"),))[1]),
    ]


messages = st.builds(
    Message,
    st.integers(0, 255),
    st.integers(0, 255),
    st.integers(0, 65535),
    st.binary(max_size=600),
)


def frame_of(message: Message) -> bytes:
    return encode_frame(message.kind, message.sequence, message.body, message.version)


def bare(found: list[Message]) -> list[Message]:
    return [Message(m.version, m.kind, m.sequence, m.body) for m in found]


@given(st.lists(messages, max_size=4), st.lists(st.integers(0, 3000), max_size=5))
def test_any_portions_give_the_same_messages(sent: list[Message], cuts: list[int]) -> None:
    line = b"".join(map(frame_of, sent))
    decoder, found, at = Decoder(), [], 0
    for cut in [*sorted(min(c, len(line)) for c in cuts), len(line)]:
        found += decoder.feed(line[at:cut])
        at = cut
    assert bare(found) == sent
    assert decoder.damaged == 0


@given(messages, st.binary(max_size=40), st.binary(max_size=40), st.integers(0, 30), messages)
def test_garbage_and_cut_frames_cost_nothing_else(
    first: Message, before: bytes, between: bytes, cut: int, second: Message
) -> None:
    decoder = Decoder()
    line = before + frame_of(first) + between + frame_of(first)[: -1 - cut] + frame_of(second)
    found = bare(decoder.feed(line))
    assert found[0] == first  # random bytes with a right CRC-32 do not occur here
    assert found[-1] == second


@given(messages, st.data())
def test_a_changed_byte_is_never_a_message(message: Message, data: st.DataObject) -> None:
    frame = bytearray(frame_of(message))
    at = data.draw(st.integers(1, len(frame) - 2))
    frame[at] ^= data.draw(st.integers(1, 255))
    assert Decoder().feed(bytes(frame)) == []


def test_the_decoder_keeps_no_more_than_its_limit() -> None:
    decoder = Decoder(limit=100)
    assert decoder.feed(b"\x55" * 100_000) == []
    assert len(decoder._held) == 101
    [event] = decoder.events(b"\0")
    assert event.too_long  # type: ignore[union-attr]
    frame = encode_frame(Kind.PINS, 5, b"\1\1")
    assert [m.sequence for m in decoder.feed(frame)] == [5]
    assert decoder.damaged == 1


# --- layouts ----------------------------------------------------------------------------------

bursts = st.lists(st.binary(min_size=1, max_size=255), min_size=1, max_size=8).map(tuple)
u32 = st.integers(0, 2**32 - 1)
requests = st.one_of(
    st.just(Hello()),
    st.builds(
        Setup,
        mode=st.integers(0, 3),
        clock_hz=u32,
        lsb_first=st.booleans(),
        select_high=st.booleans(),
        idle_ns=u32,
    ),
    st.builds(Transfer, bursts),
    st.builds(Pins, st.none() | st.booleans()),
)
answers = st.one_of(
    st.builds(
        Identity,
        name=st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=31),
        firmware=st.integers(0, 65535),
        max_bytes=st.integers(1, 65535),
        max_bursts=st.integers(1, 255),
        min_clock_hz=st.just(7),
        max_clock_hz=st.integers(7, 2**32 - 1),
        capabilities=st.integers(0, 0xF3F).map(Capability),
    ),
    st.builds(SetupDone, u32, u32),
    st.lists(st.builds(Burst, u32, st.binary(max_size=255)), max_size=5).map(tuple),
    st.builds(PinLevels, st.none() | st.booleans(), st.none() | st.booleans()),
    st.builds(ErrorReply, st.integers(0, 255), st.integers(0, 65535)),
)


@given(answers)
def test_answers_round_trip(answer: object) -> None:
    kind, body = answer_body(answer)  # type: ignore[arg-type]
    assert parse_answer(kind, body) == answer


@pytest.mark.parametrize(
    ("request_", "body"),
    [
        (Hello(), ""),
        (
            Setup(mode=3, clock_hz=0x01020304, select_high=True, idle_ns=400),
            "03 00 01 01020304 00000190",
        ),
        (Transfer((b"\xab\xcd", b"\x01")), "02 02 abcd 01 01"),
        (Pins(), "00 00"),
        (Pins(enable=True), "01 01"),
        (Pins(enable=False), "01 00"),
    ],
)
def test_request_layouts_to_the_byte(request_: Request, body: str) -> None:
    assert request_body(request_) == bytes.fromhex(body)


@given(requests)
def test_every_request_parses_under_its_kind(request: Request) -> None:
    fields = parse_body(KIND_OF[type(request)], request_body(request))
    if isinstance(request, Transfer):
        assert tuple(fields.bursts) == request.bursts
    if isinstance(request, Setup):
        assert (fields.clock_hz, fields.idle_ns) == (request.clock_hz, request.idle_ns)


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        (Setup(mode=4, clock_hz=1), "SPI mode is 0 to 3, not 4"),
        (Setup(mode=0, clock_hz=1 << 32), "does not fit in 32 bits"),
        (Setup(mode=0, clock_hz=1, idle_ns=-1), "idle time -1 does not fit"),
        (Transfer(()), "1 to 255 bursts, not 0"),
        (Transfer((b"",)), "1 to 255 bytes, not 0"),
        (Transfer((b"x" * 256,)), "1 to 255 bytes, not 256"),
    ],
)
def test_impossible_requests_say_so(wrong: Request, message: str) -> None:
    with pytest.raises(CallError, match=message):
        Client().start(wrong, 0.0)


@pytest.mark.parametrize(
    ("kind", "body"),
    [(0x81, b""), (0x82, b"\0" * 9), (0x83, b"\1\0\0"), (0x84, b"\1"), (0xFF, b"12"), (0x55, b"")],
)
def test_bodies_that_do_not_fit_are_link_errors(kind: int, body: bytes) -> None:
    with pytest.raises(LinkError):
        parse_answer(kind, body)


def test_error_texts() -> None:
    assert all(str(ErrorReply(code, 3)) for code in Code)
    assert str(ErrorReply(Code.SPI_FAILED, 3)) == "the SPI hardware failed (burst 3)"
    assert str(ErrorReply(99, 3)) == "unknown error code 99 (detail 3)"


# --- the adapter's half -----------------------------------------------------------------------


class Chip:
    """Sends each byte back inverted and remembers every burst; refuses as it is told."""

    def __init__(self) -> None:
        self.seen: list[bytes] = []
        self.setups: list[Setup] = []
        self.enable = False
        self.refuse: list[Refusal | None] = []

    def _maybe_refuse(self) -> None:
        refusal = self.refuse.pop(0) if self.refuse else None
        if refusal is not None:
            raise refusal

    def setup(self, setup: Setup) -> SetupDone:
        self._maybe_refuse()
        self.setups.append(setup)
        return SetupDone(setup.clock_hz, setup.idle_ns)

    def burst(self, data: bytes) -> Burst:
        self._maybe_refuse()
        self.seen.append(data)
        return Burst(1000 * len(self.seen), bytes(b ^ 0xFF for b in data))

    def pins(self, enable: bool | None) -> PinLevels:
        if enable is not None:
            self.enable = enable
        return PinLevels(self.enable, not self.enable)


IDENTITY = Identity(name="test adapter", max_bytes=16, max_bursts=3, min_clock_hz=1000)


def ask(server: Server, request: Request, sequence: int) -> object:
    frame = encode_frame(KIND_OF[type(request)], sequence, request_body(request))
    return reply_to(server, frame, sequence)


def reply_to(server: Server, frame: bytes, sequence: int) -> object:
    [message] = Decoder().feed(server.feed(frame))
    assert message.sequence == sequence
    return parse_answer(message.kind, message.body)


@pytest.fixture
def chip() -> Chip:
    return Chip()


@pytest.fixture
def server(chip: Chip) -> Server:
    """A server that has been greeted (1) and set up (2)."""
    server = Server(chip, IDENTITY)
    assert ask(server, Hello(), 1) == IDENTITY
    assert ask(server, SETUP, 2) == SetupDone(1_000_000, 0)
    return server


def test_a_transfer(server: Server, chip: Chip) -> None:
    answer = ask(server, Transfer((b"\x0f", b"\x12\x34")), 3)
    assert answer == (Burst(1000, b"\xf0"), Burst(2000, b"\xed\xcb"))
    assert chip.seen == [b"\x0f", b"\x12\x34"]


def test_nothing_before_hello(chip: Chip) -> None:
    server = Server(chip, IDENTITY)
    for number, request in enumerate((SETUP, Transfer((b"1",)), Pins(enable=True))):
        assert ask(server, request, number) == ErrorReply(Code.NO_SESSION, 0)
    assert (chip.seen, chip.setups, chip.enable) == ([], [], False)


def test_a_repeat_is_answered_from_the_store(server: Server, chip: Chip) -> None:
    frame = encode_frame(Kind.TRANSFER, 3, request_body(Transfer((b"\x55",))))
    first = server.feed(frame)
    assert server.feed(frame + b"garbage that is no frame\0" + frame).count(first) == 2
    assert chip.seen == [b"\x55"]
    # Another request under the same number, and an older number, are refused and not run.
    assert ask(server, Transfer((b"\x56",)), 3) == ErrorReply(Code.SEQUENCE, 3)
    assert ask(server, Transfer((b"\x56",)), 2) == ErrorReply(Code.SEQUENCE, 3)
    assert ask(server, Transfer((b"\x56",)), 0) == ErrorReply(Code.SEQUENCE, 3)
    assert ask(server, Transfer((b"\x56",)), 3 + 0x8000) == ErrorReply(Code.SEQUENCE, 3)
    assert server.feed(frame) == first
    assert chip.seen == [b"\x55"]
    ask(server, Transfer((b"\x56",)), 3 + 0x7FFF)
    assert chip.seen == [b"\x55", b"\x56"]


def test_errors_are_stored_but_busy_is_not(server: Server, chip: Chip) -> None:
    chip.refuse = [None, Refusal()]
    transfer = Transfer((b"1", b"2", b"3"))
    assert ask(server, transfer, 3) == ErrorReply(Code.SPI_FAILED, 1)
    assert ask(server, transfer, 3) == ErrorReply(Code.SPI_FAILED, 1)
    assert chip.seen == [b"1"]
    chip.refuse = [Refusal(busy=True)]
    assert ask(server, transfer, 4) == ErrorReply(Code.BUSY, 0)
    assert ask(server, transfer, 3) == ErrorReply(Code.SEQUENCE, 3)  # its answer was dropped
    assert isinstance(ask(server, transfer, 4), tuple)
    # Busy in the middle is a failure: something has been on the SPI.
    chip.refuse = [None, Refusal(busy=True)]
    assert ask(server, transfer, 5) == ErrorReply(Code.SPI_FAILED, 1)


def test_hello_forgets_the_store_and_the_set_up(server: Server, chip: Chip) -> None:
    frame = encode_frame(Kind.TRANSFER, 3, request_body(Transfer((b"\x55",))))
    server.feed(frame)
    ask(server, Pins(enable=True), 4)
    assert ask(server, Hello(), 2) == IDENTITY
    assert ask(server, Hello(), 2) == IDENTITY
    assert reply_to(server, frame, 3) == ErrorReply(Code.NOT_SET_UP, 0)
    assert chip.seen == [b"\x55"]
    assert chip.enable  # a greeting moves no pin
    assert ask(server, SETUP, 2) == ErrorReply(Code.SEQUENCE, 3)
    assert ask(server, Hello(), 0) == ErrorReply(Code.SEQUENCE, 3)


def test_a_set_up_that_fails_leaves_none(server: Server, chip: Chip) -> None:
    chip.refuse = [Refusal()]
    assert ask(server, SETUP, 3) == ErrorReply(Code.SPI_FAILED, 0)
    assert ask(server, Transfer((b"1",)), 4) == ErrorReply(Code.NOT_SET_UP, 0)


@pytest.mark.parametrize(
    ("body", "error"),
    [
        ("04 00 00 000F4240 00000000", ErrorReply(Code.UNSUPPORTED, 1)),
        ("02 00 00 000F4240 00000000", ErrorReply(Code.UNSUPPORTED, 1)),
        ("00 01 00 000F4240 00000000", ErrorReply(Code.UNSUPPORTED, 2)),
        ("00 00 01 000F4240 00000000", ErrorReply(Code.UNSUPPORTED, 3)),
        ("00 00 00 000003E7 00000000", ErrorReply(Code.UNSUPPORTED, 4)),
        ("00 00 00 000F4240 00000001", ErrorReply(Code.UNSUPPORTED, 5)),
        ("00 02 00 000F4240 00000000", ErrorReply(Code.MALFORMED, 0)),
        ("00 00 02 000F4240 00000000", ErrorReply(Code.MALFORMED, 0)),
        ("00 00 00 000F4240 000000", ErrorReply(Code.MALFORMED, 0)),
        ("00 00 00 FFFFFFFF 00000000", SetupDone(10_000_000, 0)),
    ],
)
def test_set_up_is_checked_item_by_item(chip: Chip, body: str, error: object) -> None:
    able = Capability.MODE_0 | Capability.MODE_1
    server = Server(chip, Identity(name="plain", min_clock_hz=1000, capabilities=able))
    ask(server, Hello(), 1)
    frame = encode_frame(Kind.SETUP, 2, bytes.fromhex(body))
    assert reply_to(server, frame, 2) == error


@pytest.mark.parametrize(
    ("kind", "body", "error"),
    [
        (Kind.TRANSFER, b"", ErrorReply(Code.MALFORMED, 0)),
        (Kind.TRANSFER, b"\0", ErrorReply(Code.MALFORMED, 0)),
        (Kind.TRANSFER, b"\1\0", ErrorReply(Code.MALFORMED, 0)),
        (Kind.TRANSFER, b"\1\3ab", ErrorReply(Code.MALFORMED, 0)),
        (Kind.TRANSFER, b"\1\1ab", ErrorReply(Code.MALFORMED, 0)),
        (Kind.TRANSFER, b"\4" + b"\1a" * 4, ErrorReply(Code.TOO_LONG, 3)),
        (Kind.TRANSFER, b"\1\x11" + b"a" * 17, ErrorReply(Code.TOO_LONG, 16)),
        (Kind.PINS, b"\1", ErrorReply(Code.MALFORMED, 0)),
        (Kind.PINS, b"\0\1", ErrorReply(Code.MALFORMED, 0)),
        (Kind.PINS, b"\2\2", ErrorReply(Code.UNSUPPORTED, 7)),
        (Kind.ERROR, b"", ErrorReply(Code.UNSUPPORTED, 6)),
        (0x33, b"", ErrorReply(Code.UNSUPPORTED, 6)),
        (Kind.HELLO, b"x", ErrorReply(Code.MALFORMED, 0)),
    ],
)
def test_requests_are_checked(
    server: Server, chip: Chip, kind: int, body: bytes, error: ErrorReply
) -> None:
    assert reply_to(server, encode_frame(kind, 3, body), 3) == error
    assert chip.seen == []


def test_damage_noise_echo_and_other_versions(server: Server) -> None:
    frame = encode_frame(Kind.PINS, 3, b"\0\0")
    broken = frame[:3] + bytes([frame[3] ^ 1]) + frame[4:]
    assert reply_to(server, broken, 0) == ErrorReply(Code.BAD_CRC, 0)
    assert reply_to(server, b"\x55" * 500 + b"\0", 0) == ErrorReply(Code.TOO_LONG, 16)
    assert server.feed(b"\0\0short\0\0\x01\0") == b""
    echo = server.feed(frame)
    assert server.feed(echo) == b""
    other = encode_frame(Kind.PINS, 4, b"\0\0", version=2)
    assert reply_to(server, other, 4) == ErrorReply(Code.VERSION, 1)


def test_pins(server: Server) -> None:
    assert ask(server, Pins(), 3) == PinLevels(enable=False, fault=True)
    assert ask(server, Pins(enable=True), 4) == PinLevels(enable=True, fault=False)
    assert ask(server, Pins(), 5) == PinLevels(enable=True, fault=False)
    bare = Server(Chip(), Identity(name="no pins", capabilities=Capability.MODE_0))
    ask(bare, Hello(), 1)
    assert ask(bare, Pins(), 2) == PinLevels(None, None)
    assert ask(bare, Pins(enable=True), 3) == ErrorReply(Code.UNSUPPORTED, 7)


# --- the host's half --------------------------------------------------------------------------


def answered(client: Client, server: Server, request: Request, now: float = 0.0) -> object:
    step = client.feed(server.feed(client.start(request, now)), now)
    assert isinstance(step.outcome, Done), step
    assert client.pending is None
    assert client.deadline is None
    return step.outcome.answer


def test_client_and_server_together(chip: Chip) -> None:
    client, server = Client(), Server(chip, IDENTITY)
    assert answered(client, server, Hello()) == IDENTITY
    assert client.identity == IDENTITY
    assert answered(client, server, SETUP) == SetupDone(1_000_000, 0)
    assert answered(client, server, Transfer((b"\0",))) == (Burst(1000, b"\xff"),)
    assert answered(client, server, Pins(enable=True)) == PinLevels(True, False)
    with pytest.raises(
        CallError, match="4 bursts with 4 bytes; test adapter takes 3 bursts and 16"
    ):
        client.start(Transfer((b"1",) * 4), 0.0)
    assert answered(client, server, Pins(enable=False)) == PinLevels(False, True)


def test_repeats_then_lost() -> None:
    client = Client(timeout=0.5, attempts=3)
    frame = client.start(Hello(), 10.0)
    assert client.deadline == 10.5
    assert client.tick(10.4) == (b"", None)
    assert client.tick(10.5) == (frame, None)
    assert client.tick(10.9) == (b"", None)
    assert client.tick(11.1) == (frame, None)
    outcome = client.tick(11.6).outcome
    assert outcome == Lost(Hello(), "no answer within 0.5 s", 3)
    assert str(outcome) == "hello lost after 3 attempts: no answer within 0.5 s"
    assert outcome.may_have_run
    assert client.tick(20.0) == (b"", None)
    assert client.start(Hello(), 20.0) != frame  # a new number


def test_one_request_at_a_time() -> None:
    client = Client()
    client.start(Hello(), 0.0)
    with pytest.raises(CallError, match="hello is still under way"):
        client.start(Hello(), 0.0)
    assert client.abandon("port gone", port_gone=True) == Lost(Hello(), "port gone", 1, True)
    assert client.abandon("again") is None


def test_damage_hurries_the_repeat_once_per_sending(server: Server) -> None:
    client = Client(attempts=4, sequence=10)
    frame = client.start(Pins(), 0.0)
    complaint = server.feed(b"\x11" * 20 + b"\0")
    assert client.feed(complaint * 3, 0.01) == (frame, None)
    assert client.feed(complaint * 3, 0.02) == (b"", None)
    assert client.tick(0.27) == (frame, None)
    assert client.feed(complaint, 0.28) == (frame, None)
    outcome = client.tick(1.0).outcome
    assert outcome == Lost(Pins(), "a damaged frame arrived", 4)


def test_strays_and_echoes_are_counted_and_ignored(server: Server) -> None:
    client = Client(sequence=20)
    stale = server.feed(encode_frame(Kind.PINS, 19, b"\0\0"))
    assert client.feed(stale, 0.0) == (b"", None)
    frame = client.start(Pins(), 0.0)
    assert client.feed(frame + stale + b"\x22" * 30 + b"\0", 0.0) == (b"", None)
    assert client.feed(server.feed(frame), 0.0).outcome is not None
    assert (client.echoes, client.strays, client.damaged) == (1, 2, 1)


def test_busy_is_asked_again(server: Server, chip: Chip) -> None:
    client = Client(sequence=20, busy_wait=0.01, attempts=3)
    chip.refuse = [Refusal(busy=True)] * 5
    frame = client.start(Transfer((b"1",)), 0.0)
    assert client.feed(server.feed(frame), 0.0) == (b"", None)
    assert client.deadline == 0.01
    assert client.tick(0.01).send == frame
    client.feed(server.feed(frame), 0.02)
    assert client.tick(0.03).send == frame
    outcome = client.feed(server.feed(frame), 0.04).outcome
    assert isinstance(outcome, Refused)
    assert str(outcome) == "transfer refused: the adapter is busy"
    assert not outcome.may_have_run


@pytest.mark.parametrize(
    ("code", "attempts", "may_have_run"),
    [
        (Code.NO_SESSION, 1, False),
        (Code.NO_SESSION, 2, True),
        (Code.SEQUENCE, 1, False),
        (Code.UNSUPPORTED, 2, False),
        (Code.SPI_FAILED, 1, True),
        (77, 1, True),
    ],
)
def test_what_a_refusal_says_of_the_bus(code: int, attempts: int, may_have_run: bool) -> None:
    client = Client()
    client.start(Transfer((b"1",)), 0.0)
    for _ in range(attempts - 1):
        assert client.tick(client.deadline or 0).send
    kind, body = answer_body(ErrorReply(code, 0))
    outcome = client.feed(encode_frame(kind, 1, body), 0.3).outcome
    assert outcome == Refused(Transfer((b"1",)), ErrorReply(code, 0), attempts)
    assert outcome.may_have_run is may_have_run


@pytest.mark.parametrize(
    ("request_", "answer", "reason"),
    [
        (SETUP, SetupDone(1_000_001, 0), "clocks at 1000001 Hz"),
        (Setup(mode=0, clock_hz=9, idle_ns=400), SetupDone(9, 300), "300 ns of idle time"),
        (Transfer((b"12",)), (Burst(0, b"1"),), "bursts do not match"),
        (Transfer((b"12",)), PinLevels(None, None), "wrong kind, 0x84"),
    ],
)
def test_answers_that_contradict_the_request(
    request_: Request, answer: object, reason: str
) -> None:
    client = Client()
    client.start(request_, 0.0)
    kind, body = answer_body(answer)  # type: ignore[arg-type]
    outcome = client.feed(encode_frame(kind, 1, body), 0.0).outcome
    assert isinstance(outcome, Lost)
    assert reason in outcome.reason


def test_another_version_is_named() -> None:
    client = Client()
    client.start(Pins(), 0.0)
    outcome = client.feed(encode_frame(Kind.PINS | REPLY, 1, b"\0\0", version=2), 0.0).outcome
    assert outcome == Lost(Pins(), "the adapter speaks protocol version 2", 1)


def test_numbers_skip_0_and_times_go_on_past_32_bits() -> None:
    client, times, numbers = Client(sequence=65534), [], []
    for time_us in (5, 2**32 - 1, 3, 3, 2):
        [message] = Decoder().feed(client.start(Transfer((b"1",)), 0.0))
        numbers.append(message.sequence)
        kind, body = answer_body((Burst(time_us, b"2"),))
        outcome = client.feed(encode_frame(kind, message.sequence, body), 0.0).outcome
        assert isinstance(outcome, Done)
        assert isinstance(outcome.answer, tuple)
        times.append(outcome.answer[0].time_us)
    assert numbers == [65534, 65535, 1, 2, 3]
    assert times == [5, 2**32 - 1, 2**32 + 3, 2**32 + 3, 2 * 2**32 + 2]


@pytest.mark.parametrize("wrong", [{"timeout": 0}, {"attempts": 0}, {"sequence": 0}])
def test_client_parameters_are_checked(wrong: dict[str, int]) -> None:
    with pytest.raises(CallError):
        Client(**wrong)  # type: ignore[arg-type]


# --- over a bad line --------------------------------------------------------------------------


class BadLine:
    """Loses, repeats and changes bytes, adds noise and echoes, all by one seeded generator."""

    def __init__(self, seed: int, rate: float) -> None:
        self.random = random.Random(seed)
        self.rate = rate

    def carry(self, data: bytes) -> bytes:
        out = bytearray()
        for byte in data:
            dice = self.random.random() / self.rate
            if dice < 1:
                byte ^= 1 << self.random.randrange(8)
            elif dice < 2:
                continue
            elif dice < 3:
                out += self.random.randbytes(self.random.randrange(1, 20))
            elif dice < 3.3:
                out.append(byte)
            out.append(byte)
        if self.random.random() < self.rate:
            return b""
        return bytes(out)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32), st.sampled_from([0.0005, 0.002, 0.008]))
def test_a_bad_line_never_runs_anything_twice_or_lies(seed: int, rate: float) -> None:
    """Every transfer is marked; each mark reaches the chip at most once; good answers are right."""
    line, chip = BadLine(seed, rate), Chip()
    client, server, now = Client(timeout=1.0, attempts=6), Server(chip, IDENTITY), 0.0
    outcomes: list[Done | Refused | Lost] = []
    back = b""

    def exchange(request: Request) -> Done | Refused | Lost:
        nonlocal now, back, server
        send = client.start(request, now)
        while True:
            if send and line.random.random() < 0.5:
                back += send  # the line echoes
            # An answer may come whole, late (after the time-out), or in two parts.
            back += line.carry(server.feed(line.carry(send))) if send else b""
            if line.random.random() < rate / 4:
                server = Server(chip, IDENTITY)  # the adapter restarts
            cut = line.random.choice([0, len(back) // 2, len(back), len(back)])
            arrived, back = back[:cut], back[cut:]
            step = client.feed(arrived, now)
            if step.outcome is None and not step.send:
                now += 0.6
                step = client.tick(now)
            if step.outcome is not None:
                outcomes.append(step.outcome)
                return step.outcome
            send = step.send

    def connect() -> None:
        for _ in range(50):
            if isinstance(exchange(Hello()), Done) and isinstance(exchange(SETUP), Done):
                return
        pytest.fail("no connection in 50 tries")

    connect()
    for mark in range(150):
        outcome = exchange(Transfer((mark.to_bytes(2, "big"), b"\x5a")))
        runs = chip.seen.count(mark.to_bytes(2, "big"))
        assert runs <= 1
        if isinstance(outcome, Done):
            assert runs == 1
            assert isinstance(outcome.answer, tuple)
            expected = (mark ^ 0xFFFF).to_bytes(2, "big")
            assert [b.data for b in outcome.answer] == [expected, b"\xa5"]
        elif not outcome.may_have_run:
            assert runs == 0
        if isinstance(outcome, Refused):
            assert outcome.error.code in (Code.NO_SESSION, Code.NOT_SET_UP)
            connect()
    assert sum(isinstance(o, Done) for o in outcomes) > 75


@pytest.mark.parametrize("code", sorted(set(Code)))
@pytest.mark.parametrize("attempts", [1, 2])
def test_a_half_done_transfer_is_never_told_as_not_run(code: Code, attempts: int) -> None:
    """SPI_FAILED says that bursts before the failing one were on the SPI; after a restart nobody knows of repeats."""
    refused = Refused(Transfer((b"\1", b"\2")), ErrorReply(code, 1), attempts)
    unsure = code in (Code.NO_SESSION, Code.SEQUENCE) and attempts > 1
    assert refused.may_have_run == (code == Code.SPI_FAILED or unsure)


def test_what_an_unknown_error_left_undone_is_unknown() -> None:
    assert Refused(Transfer((b"\1",)), ErrorReply(200, 0), 1).may_have_run
    assert Lost(Transfer((b"\1",)), "no answer", 1).may_have_run
