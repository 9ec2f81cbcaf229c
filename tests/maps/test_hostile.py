"""Hostile files end in a clear refusal: no traceback, within a second, within 200 MB.

Each case is read in a process of its own, so that its time and its peak memory are really its own.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from regmap.capture.setupfile import read_setup
from regmap.maps.load import find_document, read_map
from regmap.maps.new import new_map
from regmap.stages.load import read_stage

PROBE = """
import json, sys, time
from regmap.maps.vet import check_map
start = time.process_time()  # its own seconds, whatever else the machine does
chip, problems = check_map(sys.argv[1])
seconds = time.process_time() - start
texts = [p.render() for p in problems if p.severity == "error"]
# ru_maxrss would count what the parent had before this process was started
status = dict(line.split(":", 1) for line in open("/proc/self/status"))
peak = int(status["VmHWM"].split()[0]) / 1024
print(json.dumps({"chip": chip is not None, "problems": texts, "seconds": seconds, "peak": peak}))
"""


def probe(path: Path) -> tuple[list[str], bool]:
    """The errors of a file and whether a chip came out; asserts time and memory."""
    done = subprocess.run(
        [sys.executable, "-c", PROBE, str(path)], capture_output=True, text=True, timeout=30
    )
    assert done.returncode == 0, done.stderr[-2000:]
    result = json.loads(done.stdout)
    assert result["seconds"] < 1.0
    assert result["peak"] < 200
    errors: list[str] = result["problems"]
    return errors, result["chip"]


def with_line(old: str, new: str) -> str:
    text = new_map()
    assert old in text
    return text.replace(old, new, 1)


def bomb() -> str:
    lines = ["a0: &a0 [x, x, x, x, x, x, x, x, x, x]"]
    lines += [f"a{i}: &a{i} [{', '.join([f'*a{i - 1}'] * 10)}]" for i in range(1, 12)]
    return "\n".join(lines)


def mapping_bomb() -> str:
    lines = ["registers:", "  R0: &r0 {address: 1, fields: {A: {bits: 0}}}"]
    lines += [f"  R{i}: &r{i} {{x: *r{i - 1}, y: *r{i - 1}}}" for i in range(1, 40)]
    return "\n".join(lines)


def many_slips() -> str:
    names = "\n".join(
        f"  REGISTER_{i}: {{adress: {i}, feilds: {{A: {{bits: 0}}}}}}" for i in range(4000)
    )
    return new_map() + "\nfaults2:\n" + names


def many_references() -> str:
    registers = "".join(
        f"  R{i}: {{address: {i}, fields: {{A: {{bits: 0}}}}}}\n" for i in range(3000)
    )
    rules = "".join(f"  rule{i}: {{require: RR{i}.A == 1, because: b}}\n" for i in range(3000))
    return with_line("registers:\n", "registers:\n" + registers) + "\nrules:\n" + rules


#: name -> (text or bytes of the file, what the first message must hold)
CASES: dict[str, tuple[Callable[[], str | bytes], str]] = {
    "alias bomb of lists": (bomb, "values of one document once aliases are followed"),
    "alias bomb of mappings": (mapping_bomb, "values of one document once aliases are followed"),
    "an alias of itself": (lambda: "a: &a [*a]", "contains itself"),
    "an alias of nothing": (lambda: "a: *b", "undefined alias"),
    "brackets": (lambda: "[" * 200_000, "more than 30 levels of nesting"),
    "braces": (lambda: "{a: " * 100_000, "more than 30 levels of nesting"),
    "indents": (
        lambda: "\n".join(" " * i + "a:" for i in range(2000)),
        "more than 30 levels of nesting",
    ),
    "dashes": (lambda: "- " * 50_000, "more than 30 levels of nesting"),
    "tags": (lambda: "!!python/object/apply:os.system ['true']", "plain values without tags"),
    "own tags": (lambda: "chip: !evil {name: x}", "plain values without tags"),
    "two documents": (lambda: new_map() + "\n---\n" + new_map(), "a second document"),
    "a scalar of 10 MB": (lambda: "chip: " + "x" * 10_000_000, "more than 4000000 bytes"),
    "a scalar of 3 MB": (lambda: "chip: " + "x" * 3_000_000, "3000000 characters of one text"),
    "a name of 900": (lambda: with_line("  STATUS:", "  " + "S" * 900 + ":"), "a name of letters"),
    "a million values": (lambda: "a: [" + "1," * 1_000_000 + "]", "more than 60000 values"),
    "zero bytes": (lambda: b"gateword_map: 1\n\0\0", "a binary file"),
    "no UTF-8": (lambda: b"gateword_map: 1\nchip: {name: \xff\xfe}", "byte 0xFF is not UTF-8"),
    "nothing": (lambda: "", "an empty file"),
    "only comments": (lambda: "# nothing\n" * 10, "an empty file"),
    "no mapping": (lambda: "just text", "expected a map"),
    "a control character": (
        lambda: "gateword_map: 1\nchip: {name: a\x07b}",
        "control character U+0007",
    ),
    "an escaped control character": (
        lambda: with_line(
            "title: Gate driver, 16-bit SPI with parity (replace me)", 'title: "\\e[2J"'
        ),
        "the character U+001B",
    ),
    "text that runs backwards": (
        lambda: with_line("title: Gate driver", "title: \u202eGate driver"),
        "the character U+202E",
    ),
    "a huge reset": (lambda: with_line("reset: 0x041", "reset: " + "9" * 5000), "expected a word"),
    "a huge hex word": (
        lambda: with_line("reset: 0x041", "reset: 0x" + "F" * 60),
        "expected a word",
    ),
    "a huge exponent": (
        lambda: with_line("clock_max: 8 MHz", "clock_max: 1e9999 Hz"),
        "frequency",
    ),
    "a huge frame": (lambda: with_line("length: 16", "length: 1000000000"), "8..64"),
    "a huge bit": (lambda: with_line("{bits: 10..1, ", "{bits: 999999..1, "), "bits such as"),
    "a huge range of codes": (
        lambda: with_line("{0: 33 mA,", "{0..99999999: 33 mA,"),
        "65536 codes at most",
    ),
    "ranges that add up": (
        lambda: with_line(
            "registers:\n",
            "registers:\n"
            + "".join(
                f"  R{i}: {{address: {i}, fields: {{A: {{bits: 0, options: {{0..65535: a}}}}}}}}\n"
                for i in range(500)
            ),
        ),
        "codes",
    ),
    "a huge expression": (
        lambda: new_map() + "rules:\n  a: {require: " + "(" * 5000 + "1, because: b}\n",
        "an expression of",
    ),
    "deep brackets": (
        lambda: (
            new_map()
            + "rules:\n  a: {require: '"
            + "(" * 150
            + "1"
            + ")" * 150
            + "', because: b}\n"
        ),
        "brackets nest deeper",
    ),
    "a look-alike name": (
        lambda: with_line("  STATUS:\n", "  ST\u0410TUS:\n"),
        "with the character U+0410",
    ),
    "a look-alike key": (lambda: with_line("registers:", "r\u0435gisters:"), "nearest: registers"),
    "names that differ by case": (
        lambda: with_line(
            "  GATE:\n", "  status:\n    address: 7\n    fields: {A: {bits: 0}}\n  GATE:\n"
        ),
        "names that differ by more than case",
    ),
    "a full-width digit": (lambda: with_line("reset: 0x041", "reset: \uff11"), "expected a word"),
    "a full-width quantity": (
        lambda: with_line("clock_max: 8 MHz", "clock_max: \uff11\uff10 MHz"),
        "is not a quantity",
    ),
    "thousands of slips": (many_slips, ""),
    "thousands of loose references": (many_references, ""),
}


@pytest.mark.parametrize("name", CASES)
def test_a_hostile_file_is_refused(name: str, tmp_path: Path) -> None:
    make, message = CASES[name]
    content = make()
    path = tmp_path / "hostile.yaml"
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    errors, chip = probe(path)
    assert errors
    assert not chip
    assert message in errors[0] or message in "\n".join(errors)
    assert len(errors) <= 101
    # no message hands the hostile text on: each stays readable on a terminal
    for text in errors:
        assert len(text) < 1500
        assert all(c.isprintable() or c == "\n" for c in text)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda folder: folder / "missing.yaml", "no such file"),
        (lambda folder: folder, "a directory"),
    ],
)
def test_what_is_no_file(make: Callable[[Path], Path], message: str, tmp_path: Path) -> None:
    errors, chip = probe(make(tmp_path))
    assert not chip
    assert len(errors) == 1
    assert message in errors[0]


def test_extends_cannot_leave_the_folder(tmp_path: Path) -> None:
    inside = tmp_path / "maps"
    inside.mkdir()
    (tmp_path / "secret.yaml").write_text(new_map())
    (inside / "link.yaml").symlink_to(tmp_path / "secret.yaml")
    for target in ("../secret.yaml", str(tmp_path / "secret.yaml"), "link.yaml", "/etc/passwd"):
        path = inside / "variant.yaml"
        path.write_text(f"gateword_map: 1\nextends: {target}\n")
        errors, chip = probe(path)
        assert not chip
        assert len(errors) == 1
        assert "outside the folder of the map" in errors[0]
        assert ":2:10: " in errors[0]


@pytest.mark.parametrize(
    "text",
    [
        "a: &x [1]\nb: *x\n",
        "{a: &x 1, b: *x}\n",
        '{"a":&x 1,"b":*x}\n',
        "- &x 1\n- *x\n",
        "a:\t*x\n",
        "*x : 1\n",
        "[&x 1,*x]\n",
        "a: !!python/name:os.system x\n",
        "!t\na: 1\n",
        "---\na: 1\n",
        "a: 1\n---\nb: 1\n",
        "a: 1\n...\n",
        "? a\n: 1\n",
        "a: [[[1]]]\n",
        "a:\n" + " " * 41 + "b: 1\n",
        "a: " + "x" * 3000 + "\n",
        "a: [" + "1," * 40_000 + "1]\n",
    ],
)
def test_whatever_could_explode_is_looked_at_event_by_event(text: str) -> None:
    from regmap.document.source import _tame

    assert not _tame(text)


def test_shipped_documents_are_told_harmless_at_a_glance_and_are() -> None:
    import io

    from regmap.document.source import _bound, _tame
    from regmap.maps.load import bundled

    for path in bundled("devices").values():
        text = path.read_text()
        assert _tame(text), path
        _bound(path.name, text, io.BytesIO(text.encode()))


@pytest.mark.parametrize("number", ["1" + "0" * 315, "0." + "0" * 60 + "1", "1e41"])
def test_numbers_beyond_any_quantity_are_refused_where_they_stand(
    tmp_path: Path, number: str
) -> None:
    """A table value, a scale and a stage input that no float could carry through a calculation."""
    text = find_document("quoll16").read_text(encoding="utf-8")
    at = text.index("typ: [") + len("typ: [")
    end = text.index(",", at)
    path = tmp_path / "m.yaml"
    path.write_text(text[:at] + number + text[end:], encoding="utf-8")
    line = text[:at].count("\n") + 1
    _, problems = read_map(path)
    refused = re.compile("too large or too small to be a quantity|a quantity of 3[0-9]+ characters")
    assert any(p.place.line == line and refused.search(p.found) for p in problems)
    stage = find_document("coolant_pump", "stage").read_text(encoding="utf-8")
    path.write_text(
        stage.replace("frequency: 20 kHz", f"frequency: {number} kHz"), encoding="utf-8"
    )
    _, problems = read_stage(path)
    assert any(refused.search(p.found) for p in problems)


def test_more_problems_than_a_person_reads_are_returned_not_raised() -> None:
    """A stage and a set-up in which one thing is wrong two hundred times."""
    stage = find_document("coolant_pump", "stage")
    text = stage.read_text(encoding="utf-8") + "".join(f"wrong{n}: 1\n" for n in range(200))
    found, problems = read_stage(stage, text=text)
    assert found is None
    assert len(problems) == 101
    assert "more problems from here on" in problems[-1].found
    made, problems = read_setup("x", text="".join(f"wrong{n}: 1\n" for n in range(200)))
    assert made is None
    assert len(problems) == 101


def test_a_message_of_a_long_text_is_cut() -> None:
    text = find_document("coolant_pump", "stage").read_text(encoding="utf-8")
    path = find_document("coolant_pump", "stage")
    _, problems = read_stage(path, text=text.replace("map: quoll16", "map: " + "x" * 9000))
    assert problems
    assert all(len(p.render()) < 1500 for p in problems)
