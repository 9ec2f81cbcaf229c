"""What input from outside may cost: each budget ends in one message that says which it is, and its option raises it."""

from __future__ import annotations

import gzip
import io
import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

import regmap
from regmap.budgets import BUDGETS, allowing, limit, over
from regmap.capture.formats.opening import open_capture
from regmap.cli import show
from regmap.cli.context import Context
from regmap.cli.main import main
from regmap.document.source import decode_text
from regmap.errors import CallError, CaptureError, FileError
from regmap.maps.load import read_map
from regmap.maps.new import new_map

HOME = Path(regmap.__file__).parents[1]
PROBE = """
import json, sys, time
from regmap.cli.main import main
status = main(sys.argv[1:])
peak = dict(l.split(":", 1) for l in open("/proc/self/status"))["VmHWM"].split()[0]
print(json.dumps({"status": status, "peak": int(peak) / 1024, "seconds": time.process_time()}), file=sys.stderr)
"""


def run(*words: str) -> tuple[int, str, float, float]:
    """Status, what was said, peak megabytes and seconds of computing of the program in a process of its own."""
    done = subprocess.run(
        [sys.executable, "-c", PROBE, *words], capture_output=True, text=True, timeout=120, check=True,
        env={**os.environ, "PYTHONPATH": str(HOME)},
    )  # fmt: skip
    *said, last = done.stderr.splitlines()
    found = json.loads(last)
    return (
        found["status"],
        done.stdout + "\n".join(said),
        found["peak"],
        found["seconds"],
    )


def table(columns: int, rows: int) -> bytes:
    head = "time [us],ncs,sclk,sdi,sdo," + ",".join(str(n % 10) for n in range(columns - 5))
    row = ",".join(["1", "0"] * ((columns - 5) // 2))
    body = [f"{n},{n // 40 % 2},{n % 2},1,0,{row}" for n in range(rows)]
    return "\n".join([head, *body, ""]).encode()


def names(count: int) -> str:
    marks = [chr(33 + n) for n in range(94)]
    rows = [f"$var wire 1 {marks[n % 94]}{marks[n // 94 % 94]}{marks[n // 8836 % 94]} v{n} $end" for n in range(count)]  # fmt: skip
    return "\n".join(rows)


def macros(count: int, twice: bool = False) -> bytes:
    """Macros that stand for one another, with an argument that doubles in each where asked."""
    rows = [f"#define A{n}(x) (A{n + 1}(x){f' + A{n + 1}(x)' * twice})" for n in range(count)]
    rows += [
        f"#define A{count}(x) ((x) + {'1 + ' * 80 * twice}1)",
        "#define QUOLL16_MODE_RESET A0(1)",
    ]
    return "\n".join([*rows, ""]).encode()


def doubled(count: int) -> bytes:
    """A list that each of so many macros has twice."""
    rows = [f"#define A{n + 1} A{n} A{n}\n" for n in range(count)]
    return f"#define A0 {{1}},\n{''.join(rows)}int a[] = {{ A{count} }};\n".encode()


def words(count: int) -> bytes:
    return gzip.compress(b"0x21DF\n" * count, mtime=0)


#: budget -> a file that exceeds it, the command that reads it, how much is enough
CASES: dict[str, tuple[str, Callable[[], bytes], str, int]] = {
    "bytes": ("m.yaml", lambda: b"a: 1 # " + b"x" * 4_000_000, "vet", 5_000_000),
    "values": ("m.yaml", lambda: b"a: [" + b"1," * 70_000 + b"1]", "vet", 80_000),
    "text": ("m.yaml", lambda: b"a: '" + b"x" * 30_000 + b"'", "vet", 40_000),
    "nesting": ("m.yaml", lambda: b"[" * 35 + b"]" * 35, "vet", 40),
    "macros": ("m.h", lambda: macros(60), "vet", 70),
    "macro_text": ("m.h", lambda: macros(14, twice=True), "vet", 20_000_000),
    "tokens": ("m.h", lambda: doubled(15), "vet", 20_000_000),
    "packed": ("a.txt.gz", lambda: words(450_000), "capture", 1200),
    "columns": ("a.csv", lambda: table(601, 50), "capture", 700),
    "declarations": ("a.vcd", lambda: b"$comment " + b"x" * 17_000_000 + b" $end", "capture", 18_000_000),
    "signals": ("a.vcd", lambda: f"$timescale 1 ns $end\n{names(200_001)}\n$enddefinitions $end\n#0\n".encode(), "capture", 300_000),
}  # fmt: skip


def test_every_budget_has_its_case() -> None:
    assert set(CASES) == set(BUDGETS)


@pytest.mark.parametrize("name", CASES)
@pytest.mark.one_in(10)
def test_a_budget_is_named_with_its_option_which_raises_it(tmp_path: Path, name: str) -> None:
    file, make, command, enough = CASES[name]
    (tmp_path / file).write_bytes(make())
    line = [command, str(tmp_path / file), *(["--map", "quoll16"] if command == "capture" else [])]
    if file.endswith(".h"):
        line = ["vet", "quoll16", "--against", str(tmp_path / file)]
    status, said, peak, seconds = run(*line)
    assert status in (1, 2)
    assert BUDGETS[name].of in said
    assert f"--budget {name}=N" in said
    assert len(said) < (
        10_000 if file.endswith(".h") else 1500
    )  # a line for each macro of a header
    assert peak < 250
    assert seconds < 20  # a hang takes for ever; how quick it is, tests/bench tell
    if name != "signals":  # 200,000 more cost more than a test may
        assert BUDGETS[name].of not in run(*line, "--budget", f"{name}={enough}")[1]


def test_a_budget_that_is_none_and_a_number_that_is_none() -> None:
    for text, told in (
        ("colums=5", "nearest: columns"),
        ("columns=0", "1 to 100000"),
        ("columns=1e3", "NAME=NUMBER"),
        ("columns", "NAME=NUMBER"),
        ("columns=" + "9" * 5000, "1 to 100000"),
        ("columns=\u0663", "NAME=NUMBER"),
    ):
        status, said, _, _ = run("show", "quoll16", "--budget", text)
        assert status == 2
        assert told in said


def test_callers_of_the_library_allow_for_a_while(tmp_path: Path) -> None:
    text = new_map() + "# " + "x" * limit("bytes")
    path = tmp_path / "m.yaml"
    path.write_text(text)
    assert read_map(path)[0] is None
    with allowing({"bytes": 5_000_000}):
        assert read_map(path)[0] is not None
        with allowing({"values": 10}):
            assert limit("bytes") == 5_000_000
            _, problems = read_map(path)
            assert BUDGETS["values"].of in problems[0].found
    assert read_map(path)[0] is None
    with pytest.raises(CallError, match="no budget 'byte'"), allowing({"byte": 1}):
        pass
    with allowing({"bytes": BUDGETS["bytes"].most}):
        assert "--budget" not in over("bytes")[1], "nothing raises it further"


def test_a_budget_holds_in_the_thread_that_reads_ahead(tmp_path: Path) -> None:
    path = tmp_path / "a.csv.gz"
    rows = b"".join(b"%d,%d,%d,1,0\n" % (n, n // 40 % 2, n % 2) for n in range(300_000))
    path.write_bytes(gzip.compress(b"time [us],ncs,sclk,sdi,sdo\n" + rows, mtime=0))
    status, said, _, _ = run(
        "capture", str(path), "--map", "quoll16", "--summary", "--budget", "packed=2"
    )
    assert status == 2
    assert "expected at most 2, or --budget packed=N" in said
    with (
        allowing({"packed": 2}),
        open_capture(path) as capture,
        pytest.raises(CaptureError, match="packed size"),
    ):
        capture.read()


def test_macros_that_double_end_soon(tmp_path: Path) -> None:
    chain = "".join(f"#define A{n}(x) A{n + 1}(x) A{n + 1}(x)\n" for n in range(24))
    text = f"{chain}#define A24(x) ((x) + 1)\n#define STATUS1 A0(1)\n#define LOCK {'(' * 5000}1{')' * 5000}\n"
    (tmp_path / "v.h").write_text(text)
    status, said, peak, seconds = run("vet", "quoll16", "--against", str(tmp_path / "v.h"))
    assert status in (0, 1)
    assert "not understood" in said
    assert peak < 250
    assert seconds < 20  # a hang takes for ever; how quick it is, tests/bench tell


def test_files_of_scripts_and_readbacks_are_bounded_too(tmp_path: Path) -> None:
    path = tmp_path / "long"
    path.write_bytes(b"MODE=0x008\n" * 400_000)
    for line in (
        ["diff", "coolant_pump", str(path)],
        ["link", "/dev/nowhere", "script", "quoll16", str(path)],
    ):
        status, said, peak, _ = run(*line)
        assert status == 2
        assert "--budget bytes=N" in said
        assert peak < 250
    path.write_bytes(b"\xff\xfe\x00")
    assert "UTF-8" in run("link", "/dev/nowhere", "script", "quoll16", str(path))[1].replace("binary", "UTF-8")  # fmt: skip


def test_a_document_too_long_is_an_error_of_a_file() -> None:
    with pytest.raises(FileError, match="--budget bytes=N"):
        decode_text("x", b"x" * (limit("bytes") + 1))


def test_a_set_up_of_gigabytes_is_not_read(tmp_path: Path) -> None:
    (tmp_path / "a.vcd").write_bytes((HOME / "captures" / "pump_dead_reply.vcd").read_bytes())
    with (tmp_path / "a.vcd.setup.yaml").open("wb") as file:
        file.truncate(1_500_000_000)
    status, said, peak, seconds = run("capture", str(tmp_path / "a.vcd"), "--map", "quoll16")
    assert status == 2
    assert "a.vcd.setup.yaml" in said
    assert "--budget bytes=N" in said
    assert peak < 250
    assert seconds < 20  # a hang takes for ever; how quick it is, tests/bench tell


def test_codes_and_bands_at_the_ends_of_what_a_quantity_can_be_are_shown(tmp_path: Path) -> None:
    text = (HOME / "devices" / "quoll16.yaml").read_text(encoding="utf-8")
    at = text.index("typ: [") + len("typ: [")
    rest = text[text.index(",", at) :]
    for number in ("9.9e39", "1e-39"):
        (tmp_path / "m.yaml").write_text(text[:at] + number + rest, encoding="utf-8")
        for line in (["vet"], ["show"], ["show", "--json"], ["header", "-o", "-"]):
            command, *more = line
            status, said, _, _ = run(command, str(tmp_path / "m.yaml"), *more)
            assert status in (0, 1), said
            assert "Traceback" not in said
            assert said


@pytest.mark.parametrize(
    "error",
    [
        RecursionError(),
        MemoryError(),
        OverflowError("x"),
        UnicodeEncodeError("utf-8", "\ud800", 0, 1, "x"),
    ],
)
def test_what_slips_through_every_budget_ends_in_one_message(
    monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    def run_it(*_: object) -> int:
        raise error

    monkeypatch.setattr(show, "run", run_it)
    streams = io.StringIO(), io.StringIO()
    context = Context(stdout=streams[0], stderr=streams[1], environ={})
    assert main(["show", "quoll16"], context) == 2
    assert (
        streams[1].getvalue().startswith("gateword: this input is more than the program can carry")
    )
    with pytest.raises(type(error)):
        main(
            ["show", "quoll16"],
            Context(stdout=streams[0], stderr=streams[1], environ={"GATEWORD_TRACEBACK": "1"}),
        )
