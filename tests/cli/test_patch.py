"""`vet --patch` and `--sarif`: a patch that `git apply` takes, and findings as code review takes them."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Run = Callable[..., Any]

HEADER = """#pragma once
/* invented */
#define QL_MODE_ADDR 0x3
#define QL_GATE_HS_ADDR (0x05u)
#define QL_GATE_HS_HOLD_SHIFT 7
#define QL_GATE_HS_HOLD_MASK (3ul << QL_GATE_HS_HOLD_SHIFT)
#define QL_WATCHDOG_ENABLE BIT(1)
#define QL_WATCHDOG_WINDOW GENMASK(3, 2)
#define QL_TIMING_RESET 0b1010010110
#define QL_TIMING_FILTER_MASK 0x300 /* bits 9..8 */
"""
#: by hand, from the map: GATE_HS stands at 4, HOLD in 9..8, ENABLE in 0, WINDOW in 2..1, TIMING rests at 0x297
RIGHT = """#pragma once
/* invented */
#define QL_MODE_ADDR 0x3
#define QL_GATE_HS_ADDR (0x04u)
#define QL_GATE_HS_HOLD_SHIFT 8
#define QL_GATE_HS_HOLD_MASK (3ul << QL_GATE_HS_HOLD_SHIFT)
#define QL_WATCHDOG_ENABLE BIT(0)
#define QL_WATCHDOG_WINDOW GENMASK(2, 1)
#define QL_TIMING_RESET 0b1010010111
#define QL_TIMING_FILTER_MASK 0x300 /* bits 9..8 */
"""


@pytest.mark.parametrize("end", ["\n", "\r\n", ""], ids=["lf", "crlf", "no end"])
def test_git_applies_the_patch(
    tmp_path: Path, gateword: Run, need_tool: Callable[[str], str], end: str
) -> None:
    def as_file(text: str) -> bytes:
        between = end or "\n"
        return (between.join(text.rstrip("\n").split("\n")) + end).encode()

    header = tmp_path / "ql.h"
    header.write_bytes(as_file(HEADER))
    done = gateword(
        "vet", "quoll16", "--against", str(header), "--patch", str(tmp_path / "fix.diff")
    )
    assert done.status == 1
    assert "6 of 6 findings put right by the patch" in done.err
    assert header.read_bytes() == as_file(HEADER)
    strip = len(header.parts) - 1
    subprocess.run([need_tool("git"), "apply", f"-p{strip}", "fix.diff"], cwd=tmp_path, check=True)
    assert header.read_bytes() == as_file(RIGHT)
    assert gateword("vet", "quoll16", "--against", str(header)).status == 0


def test_findings_as_sarif(tmp_path: Path, gateword: Run) -> None:
    """What OASIS SARIF 2.1.0 requires: version, runs, tool.driver.name, message.text; places and fixes."""
    header = tmp_path / "my header.h"
    header.write_text(HEADER)
    done = gateword("vet", "quoll16", "--against", str(header), "--sarif", "-")
    told = json.loads(done.out)
    assert told["version"] == "2.1.0"
    [run] = told["runs"]
    driver = run["tool"]["driver"]
    assert (driver["name"], [r["id"] for r in driver["rules"]]) == ("gateword", ["gateword/header"])
    first = run["results"][0]
    assert (first["ruleId"], first["level"]) == ("gateword/header", "error")
    assert "0x4, the address of GATE_HS" in first["message"]["text"]
    place = first["locations"][0]["physicalLocation"]
    assert place["artifactLocation"]["uri"].endswith("/my%20header.h")
    assert HEADER.splitlines()[3][24:31] == "(0x05u)"
    assert place["region"] == {"startLine": 4, "startColumn": 25, "endColumn": 32}
    change = first["fixes"][0]["artifactChanges"][0]["replacements"][0]
    assert change["deletedRegion"] == place["region"]
    assert change["insertedContent"]["text"] == "(0x04u)"
    assert len(run["results"]) == 6


def test_problems_of_documents_as_sarif(tmp_path: Path, gateword: Run) -> None:
    stage, out = tmp_path / "pump.yaml", tmp_path / "out.sarif"
    stage.write_text(
        "gateword_stage: 1\nstage: {name: a}\nmap: quoll16\nsettings: {TIMING.DEAD_TIM: 1 us}\n"
    )
    assert gateword("vet", str(stage), "--sarif", str(out)).status == 1
    [run] = json.loads(out.read_text())["runs"]
    [result] = [r for r in run["results"] if r["level"] == "error"]
    assert result["locations"][0]["physicalLocation"]["region"]["startLine"] == 4
    assert "nearest: TIMING.DEAD_TIME" in result["message"]["text"]


def test_a_patch_is_of_a_header_and_never_over_one(tmp_path: Path, gateword: Run) -> None:
    header = tmp_path / "ql.h"
    header.write_text(HEADER)
    assert "--against FILE.h beside it" in gateword("vet", "quoll16", "--patch", "x").err
    for option in ("--patch", "--sarif"):
        done = gateword("vet", "quoll16", "--against", str(header), option, str(header))
        assert done.status == 2
        assert header.read_text() == HEADER


def test_included_headers_are_judged_and_patched_too(tmp_path: Path, gateword: Run) -> None:
    (tmp_path / "inc").mkdir()
    (tmp_path / "inc/inner.h").write_text("#define DRV_STATUS1_ADDR 0x3\n")
    header, patch = tmp_path / "h.h", tmp_path / "p.diff"
    header.write_text(
        '#include "inc/inner.h"\n#include "gone.h"\n#define DRV_VDS_ADDR 0x7\n#define DRV_LOCK_ADDR 0xB\n'
    )
    told = gateword("vet", "quoll16", "--against", str(header))
    assert told.status == 1
    assert f"{tmp_path}/inc/inner.h:1:26: error: address 0x3" in told.out
    assert '"gone.h" was not found' in told.out
    gateword("vet", "quoll16", "--against", str(header), "--patch", str(patch))
    subprocess.run(["git", "apply", "-p" + str(len(tmp_path.parts)), str(patch)], check=True, cwd=tmp_path)  # fmt: skip
    assert (tmp_path / "inc/inner.h").read_text() == "#define DRV_STATUS1_ADDR 0x0\n"
    assert gateword("vet", "quoll16", "--against", str(header)).status == 0


def test_the_build_tells_which_conditions_hold(tmp_path: Path, gateword: Run) -> None:
    header = tmp_path / "b.h"
    header.write_text("#if REV == 2\n#define DRV_VDS_ADDR 0x9\n#endif\n#define DRV_LOCK_ADDR 0xB\n")
    line = ("vet", "quoll16", "--against", str(header))
    assert gateword(*line).status == 0
    assert gateword(*line, "--define", "REV=2").status == 1
    wrong = gateword(*line, "-D", "2REV")
    assert wrong.status == 2
    assert "NAME or NAME=VALUE" in wrong.err


@pytest.mark.parametrize(
    "outputs", [("--patch", "-", "--sarif", "-"), ("--patch", "-", "--json"), ("--sarif", "-", "--json")]
)  # fmt: skip
def test_two_documents_do_not_share_standard_output(
    gateword: Run, tmp_path: Path, outputs: tuple[str, ...]
) -> None:
    header = tmp_path / "q.h"
    header.write_text("#define Q_MODE_ADDR 0x4\n#define Q_LOCK_ADDR 0xB\n")
    done = gateword("vet", "quoll16", "--against", str(header), *outputs)
    assert (done.status, done.out) == (2, "")
    assert "both on standard output" in done.err


def applied(told: dict[str, Any], files: dict[str, Path]) -> dict[str, str]:
    """What a reviewer's tool makes of the first fix of every result: each replacement once, from the end of a file to its beginning."""
    changes: dict[str, set[tuple[int, int, int, str]]] = {name: set() for name in files}
    for result in told["runs"][0]["results"]:
        for change in [c for f in result.get("fixes", [])[:1] for c in f["artifactChanges"]]:
            for one in change["replacements"]:
                region = one["deletedRegion"]
                where = region["startLine"], region["startColumn"], region["endColumn"]
                changes[change["artifactLocation"]["uri"]].add((*where, one["insertedContent"]["text"]))  # fmt: skip
    texts = {}
    for name, path in files.items():
        lines = path.read_text().split("\n")
        for line, start, end, new in sorted(changes[name], reverse=True):
            lines[line - 1] = lines[line - 1][: start - 1] + new + lines[line - 1][end - 1 :]
        texts[name] = "\n".join(lines)
    return texts


#: a mask that follows from a wrong shift; a number that two names share; two numbers of other lengths in one line
SHARED = """#define QL_BOTH 3
#define QL_GATE_HS_SINK_SHIFT QL_BOTH
#define QL_GATE_HS_SINK_MASK (0xF << QL_GATE_HS_SINK_SHIFT)
#define QL_GATE_LS_SINK_MASK (0xE << 4)
enum { QL_MODE_ADDR = 13, QL_VDS_ADDR, QL_LOCK_ADDR = 0x0AU };
#define QL_TIMING_FILTER_MASK 0x300 /* 0x301 */
"""


@pytest.mark.parametrize("text", [HEADER, SHARED])
def test_what_the_patch_puts_right_has_its_fix_in_sarif(
    tmp_path: Path, gateword: Run, text: str
) -> None:
    """Every finding that is gone after the patch has a fix, all of them together make the file that the patch makes."""
    (tmp_path / "inner.h").write_text("#define QL_STATUS1_ADDR 0x3\n")
    header = tmp_path / "ql.h"
    header.write_text(text + '#include "inner.h"\n')
    files = {f"file://{tmp_path}/{n}": tmp_path / n for n in ("ql.h", "inner.h")}
    patch, sarif = tmp_path / "p.diff", tmp_path / "s.json"
    gateword("vet", "quoll16", "--against", str(header), "--patch", str(patch), "--sarif", str(sarif))  # fmt: skip
    told = json.loads(sarif.read_text())
    made = applied(told, files)
    subprocess.run(["git", "apply", "-p" + str(len(tmp_path.parts)), str(patch)], check=True, cwd=tmp_path)  # fmt: skip
    assert made == {name: path.read_text() for name, path in files.items()}
    after = gateword("vet", "quoll16", "--against", str(header), "--json")
    left = {(p["line"], p["expected"]) for p in json.loads(after.out)["problems"]}
    results = told["runs"][0]["results"]
    assert len(results) > len(left)
    for result in results:
        line = result["locations"][0]["physicalLocation"]["region"]["startLine"]
        gone = not any(line == at and what in result["message"]["text"] for at, what in left)
        assert gone is ("fixes" in result), result["message"]


def test_the_data_model_is_told_where_findings_depend_on_it(tmp_path: Path, gateword: Run) -> None:
    """By ISO C11 6.3.1.1 and 6.5.3.3: with an int of 16 bits ~0u >> 15 is 1, of 32 bits 0x1FFFF."""
    header = tmp_path / "ql.h"
    anchor = "#define QL_LOCK_ADDR 0xB\n#define QL_SUPPLY_ADDR 0xC\n"
    header.write_text(f"{anchor}#define QL_WATCHDOG_ENABLE_MASK (~0u >> 15)\n")

    def vet(*more: str) -> tuple[int, str, dict[str, Any]]:
        done = gateword("vet", "quoll16", "--against", str(header), *more)
        told = gateword("vet", "quoll16", "--against", str(header), "--json", *more)
        return done.status, done.out, json.loads(told.out)

    status, out, told = vet()
    assert status == 0
    assert "read with an int of 16 and a long of 32 bits (IP16)" in " ".join(out.split())
    assert (told["data_model"], told["by_data_model"]) == ("IP16", True)
    status, out, told = vet("--data-model", "IP16")
    assert (status, told["by_data_model"]) == (0, False)
    status, out, told = vet("--data-model", "ILP32")
    assert (status, told["data_model"]) == (1, "ILP32")
    assert "mask 0x1FFFF of 17 bits" in out
    header.write_text(f"{anchor}#define QL_WATCHDOG_ENABLE_MASK 3\n")
    status, out, told = vet()
    assert (status, told["by_data_model"], "read with" in out) == (1, False, False)


def test_a_stage_stands_for_its_map(tmp_path: Path, gateword: Run) -> None:
    header = tmp_path / "ql.h"
    header.write_text(HEADER)
    ours = gateword("vet", "coolant_pump", "--against", str(header))
    assert (ours.status, ours.out) == (1, gateword("vet", "quoll16", "--against", str(header)).out)
