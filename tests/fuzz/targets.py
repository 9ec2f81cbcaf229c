"""What is fuzzed: each target takes bytes as a stranger could send them, and lets nothing out but what is promised.

A target calls the program or the library as a user would. Our own errors, told as located problems,
are the right answer to bad input and end here; anything else that comes out is a finding. What is
shown on the way must be harmless on a terminal.
"""

from __future__ import annotations

import contextlib
import functools
import io
import os
import tempfile
import unicodedata
import zlib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

from regmap.assessment.stage import assess
from regmap.behaviour.readback import looks_like_readback, parse_readback
from regmap.campaign import load as campaigns
from regmap.campaign import results
from regmap.capture.formats.opening import OpenOptions, open_capture
from regmap.capture.lines.channels import find_roles
from regmap.capture.setupfile import dump_setup, read_setup
from regmap.capture.spi import SpiSetup
from regmap.capture.transfers.stream import read_transfers
from regmap.chip.bank import Bank
from regmap.cli import main as program_main
from regmap.cli.composer import keeping
from regmap.cli.composer.keeping import Keeper, live
from regmap.cli.composer.lines import Lines
from regmap.cli.composer.session import Session
from regmap.cli.context import Context
from regmap.document.source import decode_text
from regmap.draft import Draft, Journal, leftovers
from regmap.draft.modes import ModeDrafts
from regmap.errors import CallError, CaptureError, FileError, GatewordError
from regmap.expr import check_expr, evaluate, parse_expr
from regmap.link.script import read_script
from regmap.lint.header import lint
from regmap.maps.load import find_document, load_map
from regmap.maps.vet import check_map
from regmap.quantity import parse, parse_band, show
from regmap.stages.load import load_stage, read_stage
from regmap.twin import Twin
from regmap.twin import control as twin_control
from regmap.twin.adapter import Adapter, identity
from regmap.wire.client import Client
from regmap.wire.frame import encode_frame
from regmap.wire.layout import Hello, Pins, Setup, Transfer
from regmap.wire.server import Server

DEVICES = Path(str(find_document("quoll16"))).parent
HARMFUL = {"Cc", "Zl", "Zp", "Cs"}
LETTERS = 4096


class Wrong(AssertionError):  # noqa: N818 - a finding, not an error of ours
    """What a target found besides a traceback."""


def told(problems: Iterable[Any]) -> None:
    """Every problem as it is shown: with a place, short, harmless once filtered."""
    context = Context(stdout=io.StringIO(), stderr=io.StringIO(), environ={})
    for problem in problems:
        text = context.shown(problem.render(80))
        if len(text) > LETTERS:
            raise Wrong(f"a message of {len(text)} characters")


def harmless(text: str) -> None:
    odd = [c for c in text if unicodedata.category(c) in HARMFUL and c not in "\n\t"]
    if odd:
        raise Wrong(f"{odd[:5]} reach the terminal")


def program(words: Sequence[str], stdin: bytes = b"", **environ: str) -> tuple[int, str, str]:
    """The program in this process: status, output, messages."""
    streams = [
        io.TextIOWrapper(io.BytesIO(data), "utf-8", errors="backslashreplace" if at else "surrogateescape")
        for at, data in enumerate((stdin, b"", b""))
    ]  # fmt: skip
    context = Context(
        stdin=streams[0],
        stdout=streams[1],
        stderr=streams[2],
        environ={"TERM": "dumb", "GATEWORD_TRACEBACK": "1", **environ},
    )
    usual = os.sys.stdout, os.sys.stderr, os.sys.stdin  # type: ignore[attr-defined]
    os.sys.stdout, os.sys.stderr, os.sys.stdin = streams[1], streams[2], streams[0]  # type: ignore[attr-defined]
    try:
        status = program_main.main(list(words), context)
    except SystemExit as stop:  # argparse
        status = int(stop.code or 0)
    finally:
        os.sys.stdout, os.sys.stderr, os.sys.stdin = usual  # type: ignore[attr-defined]
    said = []
    for stream in streams[1:]:
        stream.flush()
        said.append(stream.buffer.getvalue().decode("utf-8"))  # type: ignore[attr-defined]
    if status not in (0, 1, 2, 3):
        raise Wrong(f"exit status {status}")
    if status and not "".join(said).strip():
        raise Wrong(f"exit status {status} and not a word")
    harmless("".join(said))
    return status, said[0], said[1]


@functools.cache
def chip(name: str = "quoll16") -> Any:
    return load_map(name)


@functools.cache
def stage(name: str = "coolant_pump") -> Any:
    return load_stage(name)


def dice(data: bytes) -> int:
    """A number that belongs to these bytes: which of several ways they go."""
    return zlib.crc32(data)


def document(data: bytes) -> str | None:
    """Bytes as the text of a document, or None where they are refused as such."""
    try:
        return decode_text("fuzz.yaml", data)
    except FileError as error:
        told(error.problems)
        return None


# --- documents -----------------------------------------------------------------------------------------
def maps(data: bytes) -> None:
    text = document(data)
    if text is None:
        return
    found, problems = check_map(DEVICES / "fuzz.yaml", text=text)
    told(problems)
    if found is None:
        if not any(p.severity == "error" for p in problems):
            raise Wrong("no chip, and no error says why")
        return
    way = dice(data) % 4
    if way == 0:
        program(["show", "-"], data)
    elif way == 1:
        program(["header", "-", "-o", "-"], data)
    elif way == 2:
        names = list(found.registers)[:2]
        program(["encode", "-", *(f"read:{n}" for n in names), *(f"{n}=0x0" for n in names)], data)
    else:
        program(["decode", "-", "0x1234", "0xFFFFFFFF"], data)


def stages(data: bytes) -> None:
    text = document(data)
    if text is None:
        return
    found, problems = read_stage(DEVICES / "fuzz.yaml", text=text)
    told(problems)
    if found is None:
        if not any(p.severity == "error" for p in problems):
            raise Wrong("no stage, and no error says why")
        return
    if dice(data) % 4:
        assess(found)
    else:
        program(["check", "-"], data)


def setups(data: bytes) -> None:
    text = document(data)
    if text is None:
        return
    found, problems = read_setup("fuzz.setup.yaml", text=text)
    told(problems)
    if found is not None:
        again, more = read_setup("again.setup.yaml", text=dump_setup(found))
        if again is None or dump_setup(again) != dump_setup(found):
            raise Wrong(f"written, it reads as something else: {[str(p) for p in more]}")


def campaign_files(data: bytes) -> None:
    text = document(data)
    if text is None:
        return
    found, problems = campaigns.read_campaign(DEVICES / "fuzz.yaml", text)
    told(problems)
    if found is None and not problems:
        raise Wrong("no campaign, and nothing says why")


# --- captures ------------------------------------------------------------------------------------------
RAW: dict[str, Any] = {
    "rate": Fraction(1_000_000),
    "lines": {"clk": 0, "cs": 1, "sdi": 2, "sdo": 3},
}


def captured(data: bytes, kind: str | None) -> None:
    way = dice(data)
    if way % 8 == 0:
        words = ["capture", "-", "--map", "quoll16"]
        words += ["--format", kind] if kind else []
        if kind == "raw":
            words += ["--rate", "1 MHz", *(w for n, b in RAW["lines"].items() for w in ("--bit", f"{n}={b}"))]  # fmt: skip
        program([*words, *(["--json"] if way & 8 else [])], data)
        return
    more = RAW if kind == "raw" else {}
    options = (
        OpenOptions(**more, block=1 << (6 + way // 16 % 8)) if way & 8 else OpenOptions(**more)
    )

    def opened() -> Any:
        return open_capture(io.BytesIO(data), format=kind, options=options, name="fuzz")

    try:
        with opened() as capture:
            if capture.kind == "frames":
                capture.frame_transfers()
                return
            signals = capture.read()
        finding = find_roles(signals)
        with opened() as capture:
            read_transfers(capture, SpiSetup(mode=way // 4 % 4), finding.roles)
    except CaptureError as error:
        told(error.problems)
    except CallError:
        pass


#: ways of telling a capture, and of reading it
TOLD = (["--summary"], ["--json"], ["--csv"], ["--faults", "csv"], ["--times", "csv"], ["--all"], ["--at", "1us"], ["--follow", "--idle", "1ms"], ["--explain-setup"], [])  # fmt: skip
READ = ([], ["--mode", "1"], ["--select", "active_high"], ["--order", "lsb_first"], ["--cut", "gap"], ["--join", "pause"], ["--chain", "2"])  # fmt: skip
KINDS = ("quoll16", "numbat24", "wombat24", "bilby32", "potoroo40", "quokka16")


def judged(data: bytes) -> None:
    """The layers above the readers: frames, belief, causes, tables and pictures, as the program tells them."""
    way = dice(data)
    words = ["capture", "-", "--map", KINDS[way % 6], *TOLD[way // 6 % 10], *READ[way // 60 % 7]]
    if way // 420 % 4 == 0:
        words += ["--stage", "coolant_pump"]
    program(words, data)


def pairs(data: bytes) -> None:
    """Words, pairs of a command and its reply, and values written and read."""
    way, text = dice(data), text_of(data).split()[:40]
    words = ["decode", KINDS[way % 6], *(["--reply"] if way // 6 % 4 == 0 else [])]
    for place, word in enumerate(text):
        words += [("--wrote", "--read")[place % 2], word] if way // 24 % 3 == 0 else [word]
    program(words)


# --- one line of text ----------------------------------------------------------------------------------
def text_of(data: bytes) -> str:
    """As the system hands the words of a shell line: any byte but zero."""
    return os.fsdecode(data.replace(b"\0", b""))


def expressions(data: bytes) -> None:
    text = text_of(data)
    bank = Bank(chip("numbat24"))
    known = {*chip("numbat24").registers}
    try:
        found = parse_expr(text)
        check_expr(found, bank, lambda n: None if n in known else f"no {n}")  # type: ignore[arg-type]
        evaluate(found, bank)  # type: ignore[arg-type]
    except GatewordError:
        return
    if str(parse_expr(str(found))) != str(found):
        raise Wrong("as it is shown it reads as something else")


WANTS = (None, "current", "voltage", "time", "frequency", "temperature", "percent", "ratio")


def quantities(data: bytes) -> None:
    text = text_of(data)
    want = WANTS[dice(data) % len(WANTS)]
    for read in (parse, parse_band):
        try:
            found: Any = read(text, want)
        except GatewordError:
            continue
        value = found.value if read is parse else found.typ
        shown = str(found) if read is parse_band else show(value, found.dim)
        float(value if value is not None else 0)
        harmless(shown)


COMMANDS = ("encode", "decode", "explain", "show", "check", "sweep")
OPTIONS = (
    "--json",
    "--reply",
    "--bytes",
    "--explain",
    "--set",
    "--from",
    "--wrote",
    "--read",
    "--to",
)


def requests(data: bytes) -> None:
    first, *words = text_of(data).split("\n")
    command = first if first in COMMANDS else "encode"
    own = "radiator_fan" if command in ("check", "sweep") else "quoll16"
    words = [w for w in words[:8] if not w.startswith("-") or w in OPTIONS]
    program([command, own, *words])


# --- what firmware and sessions leave ------------------------------------------------------------------
def headers(data: bytes) -> None:
    text = document(data)
    if text is None:
        return
    half = text[: len(text) // 2]
    result = lint(
        chip(), text, "fuzz.h", lambda _of, name: (name, half) if dice(data) % 4 == 0 else None
    )
    told([*result.problems, *result.skipped])


def readbacks(data: bytes) -> None:
    text = document(data)
    if text is None:
        return
    looks_like_readback(text)
    try:
        parse_readback(text, chip(), "fuzz.json")
    except FileError as error:
        told(error.problems)


def journals(data: bytes) -> None:
    with tempfile.TemporaryDirectory(dir=folder()) as place:
        path = Path(place)
        journal = Journal(path, "coolant_pump", "")
        journal.step({})
        assert journal.path
        journal.keep()
        if dice(data) % 4:
            head = journal.path.read_bytes().split(b"\n")[0]
            data = head + b"\n" + data
        journal.path.write_bytes(data)
        if dice(data) % 16 == 0:
            program(["compose", "coolant_pump", "--lines"], b"r\nchanges\nleave drop\n", GATEWORD_STATE=place)  # fmt: skip
            return
        found = leftovers(path, "coolant_pump")
        if dice(data) % 2:
            live([f for f in found if f.path.exists()], stage())
        for left in found:
            again = Journal(path / "new", "other", "")
            left.replay(Draft(stage(), again).restate)
            again.discard()


@functools.cache
def campaign() -> Any:
    text = "gateword_campaign: 1\ncampaign: {name: fuzz}\nmap: quoll16\nfaults: all\n"
    found, problems = campaigns.read_campaign(DEVICES / "fuzz.yaml", text)
    if found is None:
        raise Wrong([str(p) for p in problems])
    return found


def campaign_results(data: bytes) -> None:
    path = folder() / "results.jsonl"
    path.write_bytes(data.replace(b"DIGEST", campaign().digest.encode()))
    try:
        found = results.read_results(path, campaign())
    except FileError as error:
        told(error.problems)
        return
    results.rows(list(found.values()))
    results.junit(campaign(), found.values())


# --- things typed and sent -----------------------------------------------------------------------------
@functools.cache
def folder() -> Path:
    """A folder of this process, in memory where the system has such a place."""
    memory = Path("/dev/shm")
    place = tempfile.mkdtemp(prefix="fuzz-", dir=memory if memory.is_dir() else None)
    return Path(place)


def nothing_written(*_: object, **__: object) -> bool:
    return True


def composer(data: bytes) -> None:
    context = Context(stdin=io.StringIO(), stdout=io.StringIO(), stderr=io.StringIO(), environ={})
    journal = Journal(folder() / "drafts", "coolant_pump", "")
    # without its modes: a search or a sweep over all of them is slow by itself
    drafts = ModeDrafts(replace(stage(), modes={}), journal)
    session = Session(drafts, Keeper("coolant_pump", None, "", "quoll16", journal, is_stage=True))
    lines = Lines(session, context)
    try:
        with unwritten():
            for line in data.decode("utf-8", "replace").splitlines()[:12]:
                session.meaning.mean(line)
                session.meaning.offers(line)
                if lines.enter(line):
                    break
            session.farewell()
    finally:
        journal.discard()
    harmless(context.stdout.getvalue())  # type: ignore[attr-defined]


@contextlib.contextmanager
def unwritten() -> Any:
    """While this lasts the composer's own outputs go nowhere, and no search takes long."""
    from regmap.cli.composer import proposing, session
    from regmap.stages import save

    kept = [
        (keeping, "write_whole", nothing_written),
        (save, "write_whole", nothing_written),
        (session, "write_text", nothing_written),
        (proposing, "SECONDS", 0.05),
        (proposing, "BUDGET", 500),
    ]
    usual = [(place, name, getattr(place, name)) for place, name, _ in kept]
    for place, name, instead in kept:
        setattr(place, name, instead)
    try:
        yield
    finally:
        for place, name, before in usual:
            setattr(place, name, before)


def scripts(data: bytes) -> None:
    text = document(data)
    if text is None:
        return
    try:
        read_script(text, chip(), control=twin_control.check_step)
    except FileError as error:
        told(error.problems)


def adapter(twin: Twin | None = None) -> Adapter:
    twin = twin or Twin(chip(), seed=1)
    return Adapter(twin.bus, [twin])


@functools.cache
def kept_adapter() -> Adapter:
    return adapter()


def pieces(data: bytes) -> list[bytes]:
    """Bytes in unequal pieces; every other one as the body of a sound frame of the adapter protocol."""
    found, at, number = [], 0, 0
    while at < len(data):
        size = data[at] % 48 + 1
        piece = data[at + 1 : at + 1 + size]
        at += 1 + size
        if data[at - 1 - size] & 1:
            found.append(piece)
        elif piece:
            number = (number + 1) % 65536
            kind, body = piece[0] & 0x87, piece[1:]
            found.append(encode_frame(kind, number if piece[0] & 8 else piece[0], body))
    return found


def wire_server(data: bytes) -> None:
    server = Server(kept_adapter(), identity("fuzz"))
    for piece in (encode_frame(1, 1, b""), *pieces(data)):
        server.feed(piece)


ASKED = (
    Hello(),
    Setup(mode=1, clock_hz=1_000_000),
    Transfer((b"\x21\xdf", b"\0\0")),
    Pins(None),
)


def wire_client(data: bytes) -> None:
    client = Client(attempts=3)
    now = 0.0
    for at, piece in enumerate(pieces(data)):
        if client.pending is None:
            try:
                client.start(ASKED[(at + dice(data)) % len(ASKED)], now)
            except CallError:
                continue
        step = client.feed(piece, now)
        now += 0.1
        str((step.outcome or client.tick(now).outcome) or "")


@functools.cache
def twin_lines() -> Any:
    twin = Twin(chip(), seed=1)
    return twin_control.Lines(twin_control.Control(twin, adapter(twin)))


def controls(data: bytes) -> None:
    for piece in (data[: len(data) // 2], data[len(data) // 2 :], b"\n"):
        answer = twin_lines().feed(piece)
        answer.decode("utf-8")


@dataclass(frozen=True)
class Target:
    """`run` takes any bytes; `seeds` are files to begin with, besides corpus/NAME/."""

    name: str
    run: Callable[[bytes], None]
    seeds: tuple[str, ...] = ()
    words: Callable[[], Iterable[str]] = tuple
    most: int = 20_000


def keys(shape: Any) -> Iterable[str]:
    """Every key of a document's schema."""
    import json
    import re

    return sorted(set(re.findall(r'"([a-z][a-z_]+)": ?\{', json.dumps(shape))))


def map_words() -> Iterable[str]:
    from regmap.maps.grammar import json_schema

    return keys(json_schema())


def stage_words() -> Iterable[str]:
    from regmap.stages.grammar import json_schema

    return keys(json_schema())


def setup_words() -> Iterable[str]:
    from regmap.capture.setupfile import json_schema

    return keys(json_schema())


def names() -> Iterable[str]:
    found = chip()
    fields = [f.ref for r in found.registers.values() for f in r.fields]
    return [*found.registers, *fields, *found.commands, *found.faults, "60 mA", "0x1F", "on"]


def line_words() -> Iterable[str]:
    from regmap.cli.composer.vocabulary import WORDS

    return [*WORDS, *names()]


UNITS = ("mA", "V", "us", "kHz", "mOhm", "degC", "K/W", "nC", "%", "..", "+-", "min", "typ", "max", "µ", "Ω", "1e-9", ">=", "V/V")  # fmt: skip
OPERATORS = ("==", "!=", "<=", ">=", "and", "or", "not", "in", "(", ")", "CONTROL.ENABLE", "100 us", "0x3", "reset")  # fmt: skip
CODES = ("#define", "enum {", "typedef struct", "GENMASK(", "FIELD_PREP(", "BIT(", "static const", "#include", "sizeof", "<<", "0x3FFul", "};", ":", "uint16_t")  # fmt: skip
DUMP = ("$var", "$end", "$scope", "$timescale", "$dumpvars", "$enddefinitions", "#100", "b1010 ", "r1.5 ", "x", "wire", "reg", "$upscope")  # fmt: skip


FRAMES = ("0x21DF", "0x8000:0xAA13", ":", ",", "us", "0b1010", "FFFFFF", "-", "0x1_0")


def captures_of(name: str, kind: str | None, *seeds: str, words: Iterable[str] = ()) -> Target:
    return Target(name, functools.partial(captured, kind=kind), seeds, lambda: words, 20_000)


TARGETS = {
    t.name: t
    for t in (
        Target("maps", maps, ("devices/quoll16.yaml", "devices/numbat24.yaml"), map_words),
        Target(
            "stages",
            stages,
            ("devices/coolant_pump.yaml", "tests/fuzz/seeds/variant.yaml"),
            stage_words,
        ),
        Target("setups", setups, (), setup_words),
        Target(
            "campaigns",
            campaign_files,
            (),
            lambda: ("faults", "cases", "disturb", "expect", *names()),
        ),
        Target("results", campaign_results),
        captures_of("vcd", "vcd", "captures/pump_dead_reply.vcd", words=DUMP),
        captures_of("table", "csv", words=("Time [s],", ";", "0x1F", "1.5e-3", "ms")),
        captures_of("raw", "raw"),
        captures_of("frames", "frames", words=("0x21DF", "us", ",", "write", "reply")),
        captures_of("anything", None),
        Target(
            "judged",
            judged,
            ("captures/wrong_mode.vcd", "captures/pump_locked_write.vcd"),
            lambda: (*DUMP, *FRAMES),
            20_000,
        ),
        Target("pairs", pairs, (), lambda: FRAMES, 2000),
        Target("expressions", expressions, (), lambda: OPERATORS, 2000),
        Target("quantities", quantities, (), lambda: UNITS, 500),
        Target("requests", requests, (), lambda: [*COMMANDS, *OPTIONS, *names()], 2000),
        Target("headers", headers, (), lambda: [*CODES, *names()]),
        Target("readbacks", readbacks, (), names, 5000),
        Target("composer", composer, (), line_words, 2000),
        Target("journals", journals, (), lambda: ('{"set": {', '": "', "null", *names()), 5000),
        Target("scripts", scripts, (), lambda: ("until", "within", "loop", "end", *names()), 5000),
        Target("controls", controls, (), lambda: ("disturb", "between", "for", *names()), 2000),
        Target("wire-server", wire_server, (), tuple, 2000),
        Target("wire-client", wire_client, (), tuple, 2000),
    )
}
