"""Shell completion: sixty places, by the function that answers and in real bash, zsh and fish; nothing is evaluated."""

from __future__ import annotations

import argparse
import importlib
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from functools import lru_cache
from pathlib import Path
from typing import Any

import pytest

from regmap.cli.completing import answer
from regmap.cli.completing.offers import KINDS, OWN, kind_of_argument
from regmap.cli.completing.quoting import split
from regmap.cli.completing.shells import SCRIPTS, replies
from regmap.cli.main import COMMANDS
from regmap.maps.load import load_map
from regmap.stages.load import load_stage

NeedTool = Callable[[str], str]

#: a shell line as typed up to the cursor, and all candidates that the cursor's word may become
PLACES: list[tuple[str, str]] = [
    # commands and actions
    ("enc", "encode"),
    ("comp", "compose completion"),
    ("--no", "--no-color"),
    ("--no-color chec", "check"),
    ("new ", "map stage project"),
    ("link /dev/ttyX w", "write watch"),
    ("link /dev/ttyX check", "check-adapter"),
    ("completion z", "zsh"),
    ("help cor", "corner"),
    ("schema che", "check check_matrix"),
    # options, their fixed values, what excludes each other, what counts once
    ("check --pl", "--plot"),
    ("check coolant_pump --only ", "fails low-margin not-computed holds"),
    ("check coolant_pump --only=l", "--only=low-margin"),
    ("check coolant_pump --json --js", ""),
    ("check coolant_pump --set VDS.THRESHOLD=250mV --se", "--set"),
    ("capture x.vcd --json --cs", ""),
    ("capture x.vcd --mode ", "0 1 2 3"),
    ("capture x.vcd --order m", "msb_first"),
    ("header quoll16 --crc ", "table loop"),
    ("twin quoll16 --clock v", "virtual"),
    ("vet --schema st", "stage"),
    ("link /dev/ttyX pins --enable h", "high"),
    # documents and files of the right kind
    ("show q", "quokka16 quoll16"),
    ("show coolant", ""),
    ("check coo", "coolant_pump"),
    ("check quoll", ""),
    ("encode con", "conveyor_drum"),
    ("check my", "my_pump.yaml"),
    ("show my", "my_chip.yaml"),
    ("vet my", "my_chip.yaml my_pump.yaml"),
    ("vet bench", "bench.vcd.setup.yaml"),
    ("vet --against my", "my_head.h"),
    ("capture be", "bench.vcd"),
    ("report coolant_pump be", "bench.vcd"),
    ("diff coolant_pump be", "bench.vcd"),
    ("check sp", "'sp ace.yaml'"),
    ("check sub/", "sub/deep.yaml"),
    ("header my_pump.yaml --source my", "my_code.c"),
    ("campaign my", "my_chip.yaml my_plan.yaml my_pump.yaml"),
    ("campaign new coo", "coolant_pump"),
    # registers and fields
    ("encode quoll16 GATE", "GATE_HS. GATE_LS."),
    ("encode quoll16 GATE_HS.S", "GATE_HS.SOURCE= GATE_HS.SINK="),
    ("encode quoll16 read:STATUS", "read:STATUS1 read:STATUS2 read:STATUS3"),
    ("encode quoll16 vds.thr", "VDS.THRESHOLD="),
    ("encode quoll16 THRESH", "VDS.THRESHOLD="),
    ("encode quoll16 bring", "bring_up"),
    ("show quoll16 VDS.TH", "VDS.THRESHOLD"),
    ("sweep coolant_pump TIMING.DE", "TIMING.DEAD_TIME"),
    ("propose coolant_pump --keep VDS.TH", "VDS.THRESHOLD"),
    ("explain coolant_pump ", "STATUS1= STATUS2= STATUS3="),
    ("decode quoll16 FFFF --reply --to STATUS2", "STATUS2"),
    ("link /dev/ttyX read quoll16 TIM", "TIMING"),
    ("link /dev/ttyX write quoll16 TIMING.DE", "TIMING.DEAD_TIME="),
    # values
    ("encode quoll16 GATE_HS.SOURCE=12", "GATE_HS.SOURCE=12mA GATE_HS.SOURCE=120mA"),
    ('encode quoll16 "GATE_HS.SOURCE=12 ', "'GATE_HS.SOURCE=12 mA'"),
    ("check coolant_pump --set MODE.VDS_ACT=l", "MODE.VDS_ACT=latch"),
    ("encode numbat24 MODE.=", ""),
    # inputs, checks, faults, sections, reasons
    ("check coolant_pump --set pwm.f", "pwm.frequency="),
    ("sweep coolant_pump pwm.f", "pwm.frequency"),
    ("check coolant_pump deadtime.en", "deadtime.enough.high deadtime.enough.low"),
    ("check coolant_pump conv", "conveyor_drum"),
    ("check coolant_pump --explain vds.bl", "vds.blanking.high vds.blanking.low"),
    ("propose coolant_pump --goal watch", "watchdog watchdog.late watchdog.early"),
    ("capture bench.vcd --stage coolant_pump --fault OC", "OC_U OC_V OC_W"),
    ("capture bench.vcd --map quoll16 --register STATUS1", "STATUS1"),
    ("capture bench.vcd --map quoll16 --accept wa", "watchdog"),
    ("twin quoll16 --disturbance vds_u", "vds_uh vds_ul"),
    ("header coolant_pump --only init,v", "init,verify init,values"),
    # where only the person knows, nothing is offered
    ("encode quoll16 GATE_HS=0x", ""),
    ("decode quoll16 2", ""),
    ("capture bench.vcd --at 1", ""),
    ("nonsense quoll16 G", ""),
    # what looks like code stays text
    ("encode quoll16 $(touch PWNED", ""),
    ("encode quoll16 `touch PWNED", ""),
    ("check '$(touch", "'$(touch PWNED).yaml'"),
]  # fmt: skip


_map, _stage = lru_cache(load_map), lru_cache(load_stage)


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with files of every kind, some with names that a shell could take for code."""
    stage = "gateword_stage: 1\nstage: {name: x}\nmap: quoll16\n"
    for name, text in {
        "my_pump.yaml": stage,
        "sp ace.yaml": stage,
        "$(touch PWNED).yaml": stage,
        "my_chip.yaml": "# a map\ngateword_map: 1\n",
        "my_plan.yaml": "gateword_campaign: 1\n",
        "bench.vcd.setup.yaml": "gateword_setup: 1\n",
        "other.yaml": "services: {}\n",
        "bench.vcd": "",
        "my_head.h": "",
        "my_code.c": "",
    }.items():
        (tmp_path / name).write_text(text)
    (tmp_path / "sub").mkdir()
    (tmp_path / "sub" / "deep.yaml").write_text(stage)
    monkeypatch.chdir(tmp_path)
    # what is asked is what a shell would be answered; the bundled maps are read once for all places
    monkeypatch.setattr("regmap.maps.load.load_map", _map)
    monkeypatch.setattr("regmap.stages.load.load_stage", _stage)
    return tmp_path


def words_of(text: str) -> list[str]:
    return [t.text for t in split(text)] if text else []


@pytest.mark.usefixtures("here")
@pytest.mark.parametrize(("line", "wanted"), PLACES, ids=[p[0] for p in PLACES])
def test_every_place_offers_what_may_stand_there_and_nothing_else(line: str, wanted: str) -> None:
    typed = split(line)
    found = answer([t.text for t in typed], quoted=bool(typed[-1].quote))
    assert sorted(c.text for c in found) == sorted(words_of(wanted))


def test_there_are_sixty_places() -> None:
    assert len({line for line, _ in PLACES}) >= 60


def _arguments() -> Iterator[tuple[str, argparse.Action]]:
    def walk(name: str, parser: argparse.ArgumentParser) -> Iterator[tuple[str, argparse.Action]]:
        for action in parser._actions:
            if isinstance(action, argparse._SubParsersAction):
                for sub, each in action.choices.items():
                    yield from walk(f"{name} {sub}", each)
            elif action.nargs != 0 and not action.choices and action.help is not argparse.SUPPRESS:
                yield name, action

    for name, (module, _) in COMMANDS.items():
        parser = argparse.ArgumentParser(prog=name)
        importlib.import_module(f"regmap.cli.{module}").add_arguments(parser)
        yield from walk(name, parser)


def test_every_argument_of_every_command_is_of_a_kind_that_completion_knows() -> None:
    unknown = [
        (name, kind_of_argument(name, action))
        for name, action in _arguments()
        if kind_of_argument(name, action) not in {*KINDS, *OWN}
    ]
    assert not unknown


def test_every_value_that_is_offered_states_what_it_says() -> None:
    """All options of all settings of bundled chips: each text is taken by the reading that `encode` uses."""
    from regmap.chip.bank import Bank, need
    from regmap.chip.values import choose
    from regmap.cli.completing.chips import Sight

    count = 0
    for name in ("quoll16", "wombat24", "numbat24"):
        sight = Sight("encode", {"document": [name]})
        chip = load_map(name)
        bank = Bank.at_reset(chip)
        for setting, _ in sight.settings():
            for spaced in (True, False):
                texts = [t for t, _ in sight.values(setting, spaced=spaced, most=1024)]
                assert len({choose(need(chip, setting), t, bank).code for t in texts}) == len(texts)
                assert spaced or not any(" " in t for t in texts)
                count += len(texts)
    assert count > 600


def test_completion_loads_nothing_heavy() -> None:
    code = """if 1:
        import sys
        from regmap.cli.completing.shells import replies
        for given in (["che"], ["encode", "quoll16", "GATE_HS.SOURCE="], ["check", "coolant_pump", "dead"], ["twin", "quoll16", "--disturbance", ""]):
            assert replies("fish", given), given
        print([m for m in ("numpy", "serial", "construct", "prompt_toolkit") if m in sys.modules])
    """
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
    )
    assert done.stdout.strip() == "[]"


# --- as shells type ---------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("line", "texts", "quote"),
    [
        ("gateword a b", ["gateword", "a", "b"], ""),
        ("gateword ", ["gateword", ""], ""),
        ('gateword "a b', ["gateword", "a b"], '"'),
        ("gateword 'a \"b", ["gateword", 'a "b'], "'"),
        ("gateword a\\ b", ["gateword", "a b"], ""),
        ('gateword "a\\"b" ', ["gateword", 'a"b', ""], ""),
        ("gateword $(touch", ["gateword", "$(touch"], ""),
    ],
)
def test_a_line_is_taken_apart_as_a_shell_would(line: str, texts: list[str], quote: str) -> None:
    typed = split(line)
    assert [t.text for t in typed] == texts
    assert typed[-1].quote == quote


def test_bash_gets_the_part_behind_the_last_sign_that_breaks_words() -> None:
    line = "gateword encode quoll16 GATE_HS.SOURCE=12"
    assert replies("bash", [line, "12"]) == ["shut", "12mA", "120mA"]
    assert replies("bash", ["gateword encode quoll16 GATE_HS.SO", "GATE_HS.SO"]) == [
        "open",
        "GATE_HS.SOURCE=",
    ]
    assert replies(
        "bash", ['gateword encode quoll16 "GATE_HS.SOURCE=12 ', "GATE_HS.SOURCE=12 "]
    ) == [
        "shut quote",
        "GATE_HS.SOURCE=12 mA",
    ]


# --- in real shells ---------------------------------------------------------------------------------
#: with GATEWORD_ALL_PLACES=1 every place is driven in every shell; else these many
FEW = 3


def driven() -> list[tuple[str, str]]:
    if os.environ.get("GATEWORD_ALL_PLACES") == "1":
        return PLACES
    telling = (
        "check '$(",
        "encode quoll16 vds",
        "encode quoll16 GATE_HS.SOURCE=12",
        "encode quoll16 $(",
    )
    few = [p for p in PLACES if p[0].startswith(telling)]
    assert len(few) >= FEW
    return few


class Shell:
    """A shell at a terminal: a line is typed, a key asked, and what the line became is read from a file."""

    def __init__(self, name: str, folder: Path, start: str) -> None:
        import pexpect

        self.out = folder / "line.out"
        env = {
            "PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}",
            "HOME": str(folder),
            "TERM": "xterm",
            "LANG": "C.UTF-8",
            "OUT": str(self.out),
            "PS1": "> ",
        }
        arguments = {
            "bash": ["--norc", "--noprofile", "-i"],
            "zsh": ["-f", "-i"],
            "fish": ["--no-config", "-i"],
        }[name]
        self.run = pexpect.spawn(
            name,
            arguments,
            env=env,
            cwd=str(folder),
            encoding="utf-8",
            dimensions=(60, 200),
            timeout=30,
        )
        self.folder = folder
        script = folder / ".start"
        script.write_text(start)
        self.run.send(f"source {script}\r")
        self.wait(folder / ".started")

    def wait(self, path: Path, *, seconds: float = 30) -> None:
        import time

        end = time.monotonic() + seconds
        while not path.exists():
            assert time.monotonic() < end, (self.run.before, self.run.buffer)
            self.pump()
            time.sleep(0.01)

    def pump(self) -> None:
        """Takes what the shell writes, so that it never waits for a reader."""
        import pexpect

        try:
            while self.run.read_nonblocking(65536, timeout=0):
                pass
        except (pexpect.TIMEOUT, pexpect.EOF):
            pass

    def key(self, line: str, key: str) -> str:
        """Types the line and the key; returns the line as it stands then."""
        import time

        self.out.unlink(missing_ok=True)
        self.run.send(line)
        self.run.send(key)
        self.run.send("\x18d")  # dump the line
        self.wait(self.out)
        time.sleep(0.02)
        text = self.out.read_text()
        self.run.send("\x18k")  # forget it
        return text.rstrip("\n")

    def close(self) -> None:
        self.run.close(force=True)


BASH = r"""
bind 'set enable-bracketed-paste off'; bind 'set bell-style none'
bind 'set completion-query-items -1'; bind 'set page-completions off'
bind -x '"\C-xd": printf "%s\n" "$READLINE_LINE" > "$OUT.part"; mv "$OUT.part" "$OUT"'
bind '"\C-xk": kill-whole-line'
eval "$(gateword completion bash)"
touch .started
"""
# every match at once, as bash's insert-completions does
ZSH = r"""
autoload -Uz compinit && compinit -u -D; unsetopt beep; setopt no_list_beep
dump() { print -r -- "$BUFFER" > "$OUT.part"; mv "$OUT.part" "$OUT" }
zle -N dump; bindkey '^Xd' dump; bindkey '^Xk' kill-whole-line
zle -C all complete-word _generic; zstyle ':completion:all:*' completer _all_matches _complete; zstyle ':completion:all:*' insert yes
bindkey '^X*' all; bindkey '^I' complete-word
eval "$(gateword completion zsh)"
touch .started
"""
FISH = r"""
function fish_prompt; echo '> '; end
bind \cxd 'commandline > $OUT.part; mv $OUT.part $OUT'
bind \cxk 'commandline ""'
bind \cx\* 'set -l found (complete -C (commandline -cp)); set -l texts (string replace -r "\t.*" "" -- $found); commandline -r -- "$texts"'
gateword completion fish | source
touch .started
"""
STARTS = {"bash": BASH, "zsh": ZSH, "fish": FISH}
ALL = {"bash": "\x1b*", "zsh": "\x18*", "fish": "\x18*"}


@pytest.fixture
def shell(request: pytest.FixtureRequest, here: Path, need_tool: NeedTool) -> Iterator[Shell]:
    name = str(request.param)
    need_tool(name)
    opened = Shell(name, here, STARTS[name])
    yield opened
    opened.close()


@pytest.mark.filterwarnings("ignore:.*forkpty")  # newer Pythons, under threads of a parallel run
@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"], indirect=True)
def test_places_in_a_real_shell(shell: Shell, request: pytest.FixtureRequest) -> None:
    name = request.node.callspec.params["shell"]
    wrong = []
    for line, wanted in driven():
        found = shell.key(f"gateword {line}", ALL[name])
        before = [t.text for t in split(f"gateword {line}")[:-1]]
        got = [t.text for t in split(found)]
        if name == "fish" and line.startswith("encode quoll16 $("):
            continue  # fish completes the inner command by itself; that it did not run is seen below
        if name == "fish":
            words = found.split(" ") if not wanted.startswith("'") else [found]
            got = [*before, *words] if found else [*before]
        kept = got[len(before) :]
        last = split(line)[-1].text
        texts = sorted(w for w in kept if w)
        expected = sorted(words_of(wanted)) or ([last] if last and name != "fish" else [])
        if name == "bash" and len(texts) > 1:
            # readline writes what is before the sign that breaks words once, before all of them
            sign = ":" if ":" in last else "="
            head = last.rpartition(sign)[0] + sign
            texts = sorted(t if t in expected else head + t for t in texts)
        if got[: len(before)] != before or texts != expected:
            wrong.append((line, expected, texts, found))
    assert not wrong
    assert not list(shell.folder.rglob("PWNED"))


TABS = {
    "gateword encode quoll16 GATE_HS.SOU\t": "gateword encode quoll16 GATE_HS.SOURCE=",
    "gateword encode quoll16 GATE_HS.SOURCE=56\t": "gateword encode quoll16 GATE_HS.SOURCE=56mA ",
    "gateword check sub\tde\t": "gateword check sub/deep.yaml ",
}


@pytest.mark.filterwarnings("ignore:.*forkpty")  # newer Pythons, under threads of a parallel run
@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"], indirect=True)
def test_tab_writes_the_word_and_a_blank_only_where_it_ends(shell: Shell) -> None:
    assert {typed: shell.key(typed, "") for typed in TABS} == TABS


def test_the_scripts_name_no_word_of_a_map_and_call_no_evaluation() -> None:
    for name, text in SCRIPTS.items():
        assert "compgen" not in text
        assert "eval" not in text.replace("-evaluate", "")
        assert "GATE_HS" not in text, name


def test_powershells_script_is_sound() -> None:
    """PowerShell itself comes from no package list that the tests use: its published grammar is asked instead."""
    import tree_sitter
    import tree_sitter_powershell

    parser = tree_sitter.Parser(tree_sitter.Language(tree_sitter_powershell.language()))
    assert not parser.parse(SCRIPTS["powershell"].encode()).root_node.has_error
    assert parser.parse(
        SCRIPTS["powershell"].replace("param(", "param", 1).encode()
    ).root_node.has_error


def test_powershell_is_answered_with_texts_and_meanings() -> None:
    lines: Any = replies("powershell", ["encode", "quoll16", "GATE_HS.SOURCE=120"])
    assert lines == ["GATE_HS.SOURCE=120mA\t96 mA / 120 mA / 144 mA"]
