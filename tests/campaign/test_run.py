"""Campaigns run: all faults of each chip, masked ones, limits missed, a planted defect found, resume."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import pytest

from regmap.campaign.load import Campaign, read_campaign
from regmap.campaign.results import junit, not_covered, plain, read_results
from regmap.campaign.run import order_of, run_campaign
from regmap.errors import FileError
from regmap.maps.load import bundled, load_map

PROGRAM = [sys.executable, "-m", "regmap.cli.main"]


def documents(key: str) -> list[str]:
    return [n for n, p in bundled("devices").items() if f"{key}:" in p.read_text()]


def campaign_of(text: str, path: Path = Path("c.yaml")) -> Campaign:
    campaign, problems = read_campaign(path, f"gateword_campaign: 1\ncampaign: {{name: c}}\n{text}")
    assert campaign is not None, problems
    return campaign


@pytest.mark.parametrize("name", [*documents("gateword_map"), *documents("gateword_stage")])
@pytest.mark.one_in(10)
def test_all_faults_of_each_shipped_document_in_one_command(name: str, tmp_path: Path) -> None:
    done = subprocess.run(
        [
            *PROGRAM,
            "campaign",
            name,
            "--drive-mode",
            "as_stated",
            "--json",
            "--junit",
            str(tmp_path / "j.xml"),
        ],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    results = [json.loads(line) for line in done.stdout.splitlines()]
    assert {r["verdict"] for r in results} == {"pass"}
    suite = ElementTree.parse(tmp_path / "j.xml").getroot()[0]
    assert suite.get("tests") == str(len(results))
    if name in documents("gateword_map"):
        faults = {f.name for f in load_map(name).faults.values() if not f.summary_of}
        assert {r["fault"] for r in results} == faults
    assert all(r["to_read_s"] is not None for r in results if r["to_pin_s"] is not None)


def test_a_fault_that_is_masked_must_not_show() -> None:
    chip = load_map("quoll16")
    masked = next(f for f in chip.faults.values() if f.masked_when is not None)
    campaign = campaign_of(f"map: quoll16\nfaults: [{masked.name}]\n")
    assert [r.verdict for r in run_campaign(campaign)] == ["pass"]
    # the same chip, whose map is told otherwise: a fault that shows although it should not is found
    [name] = [n for n in masked.masked_when.names() if chip.field(n) is not None][:1]
    from regmap.expr import evaluate

    for code in range(1 << chip.field(name).width):
        bank = campaign.bank.copy()
        bank.put(chip.field(name), code)
        if evaluate(masked.masked_when, bank) is True:
            [result] = run_campaign(replace(campaign, bank=bank))
            assert result.verdict == "pass"
            assert result.to_read is None
            return
    raise AssertionError("no code masks it")


def test_wrong_expectations_and_missed_limits_fail() -> None:
    campaign = campaign_of(
        "stage: coolant_pump\ncases:\n"
        "  word: {fault: UV_SUPPLY, expect: {STATUS2.OV_SUPPLY: 1}}\n"
        "  pin: {fault: OT_WARN, pin: low}\n"
        "  slow: {fault: UV_SUPPLY, detected_within: 1 us}\n"
        "  short: {fault: UV_SUPPLY, disturb: uv_supply for 1 us}\n"
        "  left: {fault: UV_SUPPLY, skip: no supply here}\n"
    )
    found = {r.case: r for r in run_campaign(campaign)}
    assert {n: r.verdict for n, r in found.items()} == {
        **dict.fromkeys(("word", "pin", "slow", "short"), "fail"),
        "left": "skipped",
    }
    assert "STATUS2.OV_SUPPLY as expected was not seen" in found["word"].why[0]
    assert "the fault pin low was not seen" in found["pin"].why[0]
    assert "at most 0.001 ms" in found["slow"].why[0]
    assert (
        not_covered(campaign, list(found.values()))[-1] == "no evidence: left [1], no supply here"
    )


def test_order_is_random_with_a_seed() -> None:
    campaign = campaign_of("map: potoroo40\nfaults: all\nrepeats: 5\norder: random\nseed: 3\n")
    first, again = order_of(campaign), order_of(campaign)
    assert first == again
    assert first != order_of(replace(campaign, seed=4))
    assert sorted((c.name, n) for c, n in first) == sorted(
        (c.name, n) for c in campaign.cases for n in range(1, 6)
    )


def test_an_interrupted_campaign_goes_on(tmp_path: Path) -> None:
    campaign = campaign_of("map: potoroo40\nfaults: all\n")
    path = tmp_path / "r.jsonl"
    results = list(run_campaign(campaign))
    lines = [json.dumps(plain(campaign, r)) for r in results]
    path.write_text("\n".join(lines[:3]) + "\n" + lines[3][:40])  # cut off in mid-line
    done = read_results(path, campaign)
    assert list(done) == [(r.case, 1) for r in results[:3]]
    ran: list[str] = []
    again = []
    for result in run_campaign(campaign, done=done, wall=lambda: 0.0):
        again.append(result)
        if result.at == 0.0:
            ran.append(result.case)
    assert ran == [r.case for r in results[3:]]
    assert [r.case for r in again] == [r.case for r in results]
    other = campaign_of("map: potoroo40\nfaults: all\nseed: 9\n")
    with pytest.raises(FileError, match="with the same file, map and stage"):
        read_results(path, other)


def test_the_command_adds_to_what_it_resumes(tmp_path: Path) -> None:
    out = tmp_path / "r.jsonl"

    def campaign(*words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [*PROGRAM, "campaign", "wombat24", *words],
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )

    assert campaign("-o", str(out)).returncode == 0
    whole = out.read_text()
    assert campaign("-o", str(out)).returncode == 2, "results are never overwritten"
    out.write_text("".join(whole.splitlines(keepends=True)[:2]))
    assert campaign("--resume", str(out)).returncode == 0
    names = [json.loads(line)["case"] for line in out.read_text().splitlines()]
    assert names == [json.loads(line)["case"] for line in whole.splitlines()]


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGKILL])
def test_several_boards_keep_their_results_as_one_does(
    tmp_path: Path, number: signal.Signals
) -> None:
    """Ended in the middle, one campaign and two beside each other leave the same: what was shown is kept."""
    for boards in (["wombat24"], ["wombat24", "quoll16"]):
        out, report = tmp_path / f"{len(boards)}.jsonl", tmp_path / f"{len(boards)}.xml"
        words = [*boards, "--repeats", "1000", "--json", "-o", str(out), "--junit", str(report)]
        with subprocess.Popen(
            [*PROGRAM, "campaign", *words], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
        ) as process:  # fmt: skip
            assert process.stdout
            shown = [process.stdout.readline()]
            assert out.read_text().count("\n") >= 1, "kept before it is shown"
            process.send_signal(number)
            shown += [n for n in process.stdout.readlines() if n.endswith("\n")]
        kept = [json.loads(n)["case"] for n in out.read_text().splitlines(keepends=True) if n.endswith("\n")]  # fmt: skip
        cases = [json.loads(n)["case"] for n in shown]
        assert kept[: len(cases)] == cases
        assert report.exists() == (number == signal.SIGTERM)
        if report.exists():
            suite = ElementTree.parse(report).getroot()[0]
            assert int(suite.get("tests", "0")) >= len(cases)


def test_several_boards_tell_what_one_tells(tmp_path: Path) -> None:
    """What is not covered, the documents and the counts of each board stand below the matrix as they do for one."""
    files = []
    for chip, fault in (("wombat24", 0), ("quoll16", 1)):
        name = [f.name for f in load_map(chip).faults.values() if not f.summary_of][fault]
        text = (
            f"gateword_campaign: 1\ncampaign: {{name: of_{chip}}}\nmap: {chip}\nfaults: [{name}]\n"
        )
        files.append(tmp_path / f"{chip}.yaml")
        files[-1].write_text(text)

    def told(*words: str) -> str:
        return subprocess.run(
            [*PROGRAM, "campaign", *words], capture_output=True, text=True, timeout=60, check=True
        ).stdout  # fmt: skip

    both = told(*map(str, files))
    for path in files:
        end = told(str(path)).partition("not covered: ")
        assert end[1]
        assert end[1] + end[2] in both


def test_a_plan_is_written_and_runs_as_it_stands(tmp_path: Path) -> None:
    path = tmp_path / "plan.yaml"
    words = ["campaign", "new", "coolant_pump", "-o", str(path)]
    assert subprocess.run([*PROGRAM, *words], capture_output=True, check=False).returncode == 0
    text = path.read_text()
    assert "local codes and qualified, licensed practice" in " ".join(text.replace("#", "").split())
    assert "current-limited" in text
    done = subprocess.run([*PROGRAM, "campaign", str(path)], capture_output=True, check=False)
    assert done.returncode == 0, done.stdout.decode() + done.stderr.decode()


def test_a_port_needs_consent() -> None:
    text = "gateword_campaign: 1\ncampaign: {name: c}\nmap: quoll16\ntarget: {port: /dev/nowhere}\nfaults: all\n"
    path = Path("c.yaml")
    assert campaign_of(text.partition("}\n")[2], path).port == "/dev/nowhere"


# --- a program under test ------------------------------------------------------------------------------
FIRMWARE = '''
"""Firmware under test: polls its status registers and drives the enable pin low on a fault."""
import sys
from regmap.frames.codec import Codec, bursts, wire_bytes
from regmap.link.port import AdapterPort
from regmap.maps.load import load_map
from regmap.wire.ports import Reopener

chip = load_map("quoll16")
port = AdapterPort(Reopener(sys.argv[1]), chip.spi)
port.open()
codec = Codec(chip)
while True:
    for name in sys.argv[2:]:
        sent = codec.read(chip.registers[name])
        [(value, bits)] = bursts(sent.frame, sent.word)
        [back] = port.transfer([wire_bytes(value, bits, msb_first=chip.spi.msb_first)])
        data = codec.decode_reply(int.from_bytes(back, "big"), sent).data or 0
        if data & 0x3FF and name != "STATUS2" or data & 0x3F:
            port.pins(False)
'''


def test_no_program_that_a_file_names_is_started_unasked(tmp_path: Path) -> None:
    """A campaign may come from a stranger, in a pull request."""
    path = tmp_path / "c.yaml"
    for firmware in ("touch PWN", "'touch"):
        path.write_text(
            "gateword_campaign: 1\ncampaign: {name: c}\nmap: quoll16\n"
            f'target: {{twin: yes, firmware: "{firmware}"}}\nfaults: [OT]\n'
        )
        done = subprocess.run(
            [*PROGRAM, "campaign", str(path)],
            cwd=tmp_path, capture_output=True, text=True, timeout=60, check=False,
        )  # fmt: skip
        assert done.returncode == 2, done.stderr
        assert "needs --start-firmware" in done.stderr
        assert firmware in done.stderr
    assert [p.name for p in tmp_path.iterdir()] == ["c.yaml"]
    asked = subprocess.run(
        [*PROGRAM, "campaign", str(path), "--start-firmware"],
        cwd=tmp_path, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert "Traceback" not in asked.stderr
    assert "No closing quotation" in asked.stdout + asked.stderr


@pytest.mark.parametrize(
    ("polled", "missed"), [("STATUS1 STATUS2 STATUS3", ""), ("STATUS1 STATUS2", "GATE_UH")]
)
def test_firmware_that_does_not_read_one_fault_in_time_is_found(
    tmp_path: Path, polled: str, missed: str
) -> None:
    (tmp_path / "firmware.py").write_text(FIRMWARE)
    campaign = campaign_of(
        f"map: quoll16\ntarget: {{twin: yes, ready_after: 1500 ms, firmware: '{sys.executable} firmware.py {{port}} {polled}'}}\n"
        "cases:\n  VDS_UH: {read_within: 1 s}\n  GATE_UH: {read_within: 1 s}\n",
        tmp_path / "c.yaml",
    )
    results = list(run_campaign(campaign))
    assert [r.case for r in results if r.verdict == "fail"] == ([missed] if missed else [])
    for result in results:
        if result.case == missed:
            assert "a read of STATUS3 was not seen within 1000 ms" in result.why[0]
        else:
            assert result.to_read is not None
            assert result.to_read < 1
    text = junit(campaign, results)
    assert text.count("<failure") == bool(missed)
