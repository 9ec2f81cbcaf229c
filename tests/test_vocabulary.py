"""One word for one thing: old names live in one table, are accepted with a note, and stand nowhere else."""

from __future__ import annotations

import argparse
import ast
import html
import io
import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from regmap import formerly
from regmap.behaviour.hazards import hazards_of
from regmap.behaviour.settings import bring_up_sequence
from regmap.calc import SUBJECTS, checks
from regmap.capture.setupfile import json_schema as setup_schema
from regmap.cautions import CAUTION
from regmap.cheader import Options, generate
from regmap.cheader.selftest import self_test
from regmap.cli.context import Context
from regmap.cli.main import COMMANDS, build_parser, main
from regmap.draft import sequence_lines
from regmap.maps.grammar import json_schema as map_schema
from regmap.maps.load import find_document, load_map, read_map
from regmap.parameters import CHIP, STAGE
from regmap.stages.grammar import json_schema as stage_schema
from regmap.stages.identity import identity
from regmap.stages.load import load_stage, read_stage
from regmap.twin import Twin
from regmap.twin.adapter import Adapter, Terminal


def parsers(
    parser: argparse.ArgumentParser, name: str
) -> Iterator[tuple[str, argparse.ArgumentParser]]:
    """A command's parser and those of its actions."""
    yield name, parser
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for below, sub in action.choices.items():
                yield from parsers(sub, f"{name} {below}")


def command(name: str) -> argparse.ArgumentParser:
    [action] = [a for a in build_parser(name)._actions if isinstance(a, argparse._SubParsersAction)]
    return action.choices[name]


def run(*arguments: str, stdin: str = "") -> tuple[int, str, str]:
    context = Context(
        stdin=io.StringIO(stdin), stdout=io.StringIO(), stderr=io.StringIO(), environ={}
    )
    status = main(list(arguments), context)
    assert isinstance(context.stdout, io.StringIO)
    assert isinstance(context.stderr, io.StringIO)
    return status, context.stdout.getvalue(), context.stderr.getvalue()


@pytest.mark.parametrize("name", COMMANDS)
def test_no_command_offers_an_old_option(name: str) -> None:
    old = formerly.OPTIONS.get(name, {})
    offered = {
        o for _, p in parsers(command(name), name) for a in p._actions for o in a.option_strings
    }
    assert not offered & set(old)
    assert set(old.values()) <= offered


@pytest.mark.parametrize("name", COMMANDS)
def test_one_output_option(name: str) -> None:
    """What a command writes is named by -o; options that only permit something cannot be taken for it."""
    for where, parser in parsers(command(name), name):
        options = {o: a for a in parser._actions for o in a.option_strings}
        assert not {"--write", "--out", "--record"} & set(options), where
        if "-o" in options:
            assert options["-o"].option_strings == ["-o", "--output"]


@pytest.mark.parametrize(
    ("given", "now", "notes"),
    [
        (["propose", "x", "--write", "y"], ["propose", "x", "-o", "y"], ["--write is now called -o"]),
        (["propose", "x", "--write=y"], ["propose", "x", "-o", "y"], ["--write is now called -o"]),
        (["twin", "m", "--inject=a", "--trouble", "b"], ["twin", "m", "--disturbance=a", "--disturbance", "b"], ["--inject is now called --disturbance", "--trouble is now called --disturbance"]),
        (["link", "p", "apply", "s", "--write", "--record", "f"], ["link", "p", "apply", "s", "--allow-writes", "--log", "f"], ["--write is now called --allow-writes", "--record is now called --log"]),
        (["propose", "--", "--write"], ["propose", "--", "--write"], []),
        (["check", "x", "--write"], ["check", "x", "--write"], []),
        (["check", "x", "--only", "thin"], ["check", "x", "--only", "low-margin"], ["thin is now called low-margin"]),
        (["capture", "x", "--kind", "not_taken"], ["capture", "x", "--kind", "refused"], ["not_taken is now called refused"]),
        (["check", "x", "--only=thin"], ["check", "x", "--only=low-margin"], ["thin is now called low-margin"]),
    ],
)  # fmt: skip
def test_an_old_option_is_read_as_the_new_one(
    given: list[str], now: list[str], notes: list[str]
) -> None:
    assert formerly.arguments(given[0], given) == (now, notes)


def test_old_words_of_the_composer_are_read_and_noted() -> None:
    typed = "paste 0x25D1\ntake\nundo\nfaults STATUS1=0x109\nleave drop\n"
    out = run("compose", "coolant_pump", "--lines", stdin=typed)[1]
    for old, now in formerly.COMPOSER.items():
        assert f"{old} is now called {now}" in out
    assert re.search(r"take is now called accept; \S", out)
    assert "what these words say, first cause first" in out


def test_the_program_says_the_new_name() -> None:
    status, out, err = run("twin", "quoll16", "--list", "--trouble", "echo")
    assert status == 0
    assert "disturbances of the SPI" in out
    assert err == "gateword: --trouble is now called --disturbance\n"


CHECK_NAMES = {c.name for c in checks()}


def test_every_old_name_leads_to_one_of_today() -> None:
    for old, now in formerly.CHECKS.items():
        assert any(f"{name}.".startswith(f"{now}.") for name in CHECK_NAMES), now
        assert not any(f"{name}.".startswith(f"{old}.") for name in CHECK_NAMES), old
    assert formerly.check_name("gate.voltage-uv.high") == "undervoltage.protects.high"
    assert formerly.check_name("gate.voltage.high") == "gate.voltage.high"
    for old, now in formerly.PARAMETERS.items():
        assert now in STAGE or now in CHIP
        assert old not in STAGE
        assert old not in CHIP


@pytest.mark.parametrize("kind", ["vds", "overcurrent", "undervoltage", "overvoltage"])
def test_each_protection_has_the_same_two_checks(kind: str) -> None:
    asked = {name.split(".")[1] for name in CHECK_NAMES if name.startswith(f"{kind}.")}
    assert {"no-false-trip", "protects"} <= asked


def test_check_names_are_subject_and_what_it_asks() -> None:
    for name in CHECK_NAMES:
        subject, _, asks = name.partition(".")
        assert subject in SUBJECTS
        assert re.fullmatch(r"[a-z][a-z-]*(\.(high|low))?", asks), name
    assert not any("pump" in name for name in CHECK_NAMES if name.startswith("bootstrap."))


def test_old_keys_of_a_stage_are_read_and_noted(tmp_path: Path) -> None:
    text = find_document("coolant_pump").read_text()
    assert "watchdog.service_period" in text
    path = tmp_path / "old.yaml"
    old = text.replace("watchdog.service_period", "watchdog.service")
    path.write_text(old + "\nwaive:\n  supply.crank: stands still\n")
    stage, problems = read_stage(path)
    assert stage is not None
    assert (
        stage.params["watchdog.service_period"].value
        == load_stage("coolant_pump").params["watchdog.service_period"].value
    )
    assert stage.waive == {"undervoltage.crank": "stands still"}
    lines = old.splitlines()
    at = next(i for i, line in enumerate(lines, 1) if "watchdog.service:" in line)
    assert [(p.severity, p.place.line, p.found) for p in problems] == [
        ("note", at, "'watchdog.service' is now called 'watchdog.service_period'"),
        ("note", len(lines) + 3, "'supply.crank' is now called 'undervoltage.crank'"),
    ]
    status, out, _ = run("vet", str(path), "--strict")
    assert status == 0
    assert f"{path}:{at}:1: note: 'watchdog.service' is now called 'watchdog.service_period'" in out


def test_old_parameters_of_a_map_are_read_nested_and_dotted(tmp_path: Path) -> None:
    text = find_document("quoll16").read_text()
    path = tmp_path / "old.yaml"
    path.write_text(
        text.replace("driver.rth: 32 K/W", "thermal: {resistance: 32 K/W}").replace(
            "driver.tj_max:", "temperature.max:"
        )
    )
    chip, problems = read_map(path)
    assert chip is not None
    now = load_map("quoll16").electrical
    assert {n: p.value for n, p in chip.electrical.items()} == {n: p.value for n, p in now.items()}
    assert sorted(p.found.split("'")[1] for p in problems) == [
        "temperature.max",
        "thermal.resistance",
    ]


def test_an_old_section_is_read_in_a_map_and_in_one_that_extends_it(tmp_path: Path) -> None:
    """The base says `sequences`, the variant `procedures`: they are one section all the same."""
    (tmp_path / "base.yaml").write_text(find_document("quoll16").read_text())
    over = tmp_path / "over.yaml"
    over.write_text(
        "gateword_map: 1\nextends: base.yaml\nwithout: [procedures.clear_faults]\nchip: {name: over}\n"
        "procedures:\n  lock: []\n"
    )
    chip, problems = read_map(over)
    assert chip is not None, problems
    assert "clear_faults" not in chip.sequences
    assert [s.targets for s in chip.sequences["unlock"]] == [
        s.targets for s in load_map("quoll16").sequences["unlock"]
    ]
    [note] = [p for p in problems if p.severity == "note"]
    assert (note.place.file, note.place.line) == (str(over), 5)
    assert note.found == "'procedures' is now called 'sequences'"


#: what enables outputs, and where it must be said
ENABLES = "CONTROL.ENABLE = on enables the outputs"


def flat(text: str) -> str:
    return " ".join(text.split())


def test_the_caution_stands_wherever_a_word_acts(tmp_path: Path) -> None:
    """One text, in every place: encode (text, bytes, JSON), decode, sequence, header, record, deck, plots."""
    encoded = run("encode", "numbat24", "CONTROL.ENABLE=on")[1]
    word = encoded.split()[0]
    for text in (
        encoded,
        run("encode", "numbat24", "CONTROL.ENABLE=on", "--bytes")[2],
        run("decode", "numbat24", word)[1],
        run("encode", "numbat24", "CONTROL.ENABLE=on", "--json")[1],
        run("decode", "numbat24", word, "--json")[1],
    ):
        assert ENABLES in flat(text)
        assert CAUTION in flat(text)
    assert CAUTION not in flat(run("encode", "numbat24", "read:CONTROL")[1])
    assert CAUTION in flat(run("check", "coolant_pump")[1])
    for command in (
        ["check", "coolant_pump", "vds"],
        ["sweep", "coolant_pump", "TIMING.DEAD_TIME"],
    ):
        assert json.loads(run(*command, "--json")[1])["caution"] == CAUTION
    stage = load_stage("coolant_pump")
    acts = hazards_of(bring_up_sequence(stage.chip, stage.bank))
    header = run("header", "coolant_pump")[1]
    assert CAUTION in flat(header.replace("\n * ", " "))
    page = tmp_path / "x.html"
    assert run("report", "coolant_pump", "-o", str(page))[0] in (0, 1)
    assert CAUTION in page.read_text()
    lines = sequence_lines(stage.chip, bring_up_sequence(stage.chip, stage.bank))
    for act in acts:
        assert act in flat(header.replace("\n * ", " "))
        assert f"# caution: {act}" in lines
        assert act in html.unescape(page.read_text())
    run(
        "check",
        "coolant_pump",
        "--spice",
        str(tmp_path / "x.cir"),
        "--plot",
        str(tmp_path / "plots"),
    )
    assert CAUTION in flat((tmp_path / "x.cir").read_text().replace("\n* ", " "))
    plots = list((tmp_path / "plots").glob("*.svg"))
    assert plots
    for plot in plots:
        assert "do not replace" in plot.read_text()


def test_the_caution_stands_where_the_composer_copies_and_the_link_writes() -> None:
    """The word that goes to the clipboard, and the write before anybody agreed to it."""
    said = " ".join(run("compose", "numbat24", stdin="CONTROL.ENABLE=on\ncopy word\n")[1:])
    assert ENABLES in flat(said)
    assert CAUTION in flat(said)
    with Terminal(Adapter((twin := Twin(load_map("numbat24"))).bus, [twin]), "numbat24") as line:
        status, _, err = run("link", line.path, "write", "numbat24", "CONTROL.ENABLE=on")
        assert status == 2, "nobody agreed"
        assert ENABLES in flat(err)
        assert CAUTION in flat(err)
        done = run(
            "link", line.path, "write", "numbat24", "CONTROL.ENABLE=on", "--allow-writes", "--json"
        )
        assert CAUTION in json.loads(done[1])["caution"]


def test_one_identity_is_printed_alike(tmp_path: Path) -> None:
    """Record, header, capture and check show the same digests; comments in YAML change none of them."""
    shown = str(identity(load_stage("coolant_pump")))
    page = tmp_path / "x.html"
    run("report", "coolant_pump", "-o", str(page))
    header = run("header", "coolant_pump")[1].replace("\n * ", " ")
    check = run("check", "coolant_pump")[1]
    bench = run("capture", "captures/pump_short.vcd", "--stage", "coolant_pump", "--summary")[1]
    for text in (page.read_text(), header, check, bench):
        assert shown in flat(text)
    plan, junit = tmp_path / "plan.yaml", tmp_path / "junit.xml"
    plan.write_text(
        "gateword_campaign: 1\ncampaign: {name: one}\nstage: coolant_pump\nfaults: [OT]\n"
    )
    said = run("campaign", str(plan), "--junit", str(junit), "--repeats", "1")[1]
    assert shown in flat(said)
    assert shown in junit.read_text()
    wanted = identity(load_stage("coolant_pump")).json()
    for line in run("campaign", str(plan), "--json")[1].splitlines():
        assert json.loads(line)["identity"] == wanted
    lines = run(
        "capture", "captures/pump_short.vcd", "--stage", "coolant_pump", "--json", "--summary"
    )[1]
    assert json.loads(lines.splitlines()[-1])["identity"] == wanted
    assert json.loads(run("check", "coolant_pump", "--json")[1])["identity"] == wanted

    for name in ("quoll16.yaml", "coolant_pump.yaml"):
        text = find_document(name.removesuffix(".yaml")).read_text()
        (tmp_path / name).write_text(text.replace("map: quoll16", "map: quoll16.yaml"))
    stage = tmp_path / "coolant_pump.yaml"
    before = identity(load_stage(stage))
    for name in ("quoll16.yaml", "coolant_pump.yaml"):
        path = tmp_path / name
        path.write_text("# a comment\n\n" + path.read_text().replace("\n", "   # another\n", 1))
    assert identity(load_stage(stage)) == before
    stage.write_text(stage.read_text().replace("supply:", "supply: ", 1).replace("45 ms", "44 ms"))
    after = identity(load_stage(stage))
    assert after.maps == before.maps
    assert after.settings == before.settings
    assert after.stage != before.stage


def test_demo_data_say_so_in_every_export(tmp_path: Path) -> None:
    """And stands inside every exported file made from invented data, and in none made from the user's own."""
    own = tmp_path / "own"
    own.mkdir()
    for name in ("quoll16.yaml", "coolant_pump.yaml"):
        text = find_document(name.removesuffix(".yaml")).read_text()
        text = re.sub(r"(, *)?invented: yes", "", text).replace("map: quoll16", "map: quoll16.yaml")
        text = re.sub(r"(?i)invented", "own", text)  # what the demo's texts say of themselves
        (own / name).write_text(
            "\n".join(x for x in text.splitlines() if not x.startswith("#")) + "\n"
        )
    mine = load_stage(own / "coolant_pump.yaml")
    assert not identity(mine).invented
    for stage, chip, said in (
        ("coolant_pump", "quoll16", True),
        (str(mine.file), str(own / "quoll16.yaml"), False),
    ):
        folder = tmp_path / str(said)
        folder.mkdir()
        vcd = folder / "x.vcd"
        Twin(load_map(chip), vcd=vcd).close()
        run("check", stage, "--spice", str(folder / "x.cir"), "--plot", str(folder / "plots"))
        run("report", stage, "-o", str(folder / "x.html"))
        made = load_stage(stage)
        texts = {
            "vcd": vcd.read_text(),
            "deck": (folder / "x.cir").read_text(),
            "plot": next((folder / "plots").glob("*.svg")).read_text(),
            "record": (folder / "x.html").read_text(),
            "check": run("check", stage)[1],
            **{
                words: run(words.split()[0], *words.split()[1:], "--json")[1]
                .replace('"invented": false', "")
                .replace('"invented_documents": []', "")
                for words in (
                    f"check {stage}",
                    f"decode {chip} 0x2291",
                    f"encode {stage} DEAD_TIME=2us",
                    f"explain {chip} STATUS1=0x302",
                    f"show {chip} TIMING",
                    f"sweep {stage} DEAD_TIME",
                    f"diff {stage} 0x4=0x155",
                    f"vet {chip} {stage}",
                )
            },
            "header": run("header", stage)[1],
            "csv": run("capture", "captures/pump_short.vcd", "--map", chip, "--csv")[1],
            "composer": "\n".join(
                sequence_lines(made.chip, bring_up_sequence(made.chip, made.bank))
            ),
        }
        for kind, text in texts.items():
            assert ("invented" in text.lower()) == said, kind
    assert "$scope module invented_bench $end" in (tmp_path / "True" / "x.vcd").read_text()
    assert "$scope module bench $end" in (tmp_path / "False" / "x.vcd").read_text()


def test_a_new_file_is_named_by_the_output_option(tmp_path: Path) -> None:
    path = tmp_path / "mine.yaml"
    assert run("new", "map", "-o", str(path)) == (
        0,
        "",
        f"wrote {path}; next: gateword vet {path}\n",
    )
    old = tmp_path / "old.yaml"
    status, _, err = run("new", "map", str(old))
    assert status == 0
    assert err.startswith("gateword: new map FILE is now called new map -o FILE\n")
    assert old.read_text() == path.read_text().replace("mine", "old")
    assert run("new", "map")[1].startswith("#")


#: what nobody should read any more, in help, documents and messages
OLD_WORDS = re.compile(
    r"\b(thin(?! wall)|not judged|without an answer|command lines?|reply lines?|data lines?|shipped|procedures?|"
    r"bus|seals?|guards?|list of words|injections?|troubles?)\b",
    re.IGNORECASE,
)
ROOT = Path(__file__).parents[1]
#: terms that only look alike: a cause in a map, the trade's own words
FINE = re.compile(
    r"supply line too thin|inject faults by a plan|fault.injection|one thin file|guarded",
    re.IGNORECASE,
)


def old_words(text: str) -> list[str]:
    return [m[0] for m in OLD_WORDS.finditer(FINE.sub("", text))]


@pytest.mark.parametrize("name", COMMANDS)
def test_no_old_word_in_a_help(name: str) -> None:
    for where, parser in parsers(command(name), name):
        assert not old_words(parser.format_help()), where


@pytest.mark.parametrize(
    "page",
    [
        "README.md",
        "devices/README.md",
        "devices/STAGES.md",
        "captures/README.md",
        "regmap/README.md",
        "regmap/wire/PROTOCOL.md",
        "regmap/cheader/README.md",
    ],
)
def test_no_old_word_in_a_document(page: str) -> None:
    found = [
        (n, w)
        for n, line in enumerate((ROOT / page).read_text().splitlines(), 1)
        for w in old_words(line)
    ]
    assert not found


def keys_of(value: object) -> Iterator[str]:
    if isinstance(value, dict):
        for key, below in value.items():
            yield str(key)
            yield from keys_of(below)
    elif isinstance(value, list):
        for item in value:
            yield from keys_of(item)


@pytest.mark.parametrize(
    "arguments",
    [
        ["check", "coolant_pump"],
        ["sweep", "coolant_pump", "TIMING.DEAD_TIME"],
        ["diff", "coolant_pump", "coolant_pump", "--set", "TIMING.DEAD_TIME=2 us"],
        ["encode", "quoll16", "TIMING.DEAD_TIME=2 us"],
        ["show", "quoll16"],
        ["vet", "quoll16"],
        ["propose", "coolant_pump", "--free", "TIMING.DEAD_TIME"],
    ],
    ids=lambda a: a[0],
)
def test_json_keys_are_words_of_today(arguments: list[str]) -> None:
    status, out, err = run(*arguments, "--json")
    assert status in (0, 1), err
    keys = set(keys_of(json.loads(out)))
    assert not keys & {
        "thin",
        "not computed",
        "not_judged",
        "not_judged_by",
        "old",
        "new",
        "was",
        "down",
        "up",
        "a",
        "b",
        "procedure",
    }


def test_grammar_keys_are_words_of_today() -> None:
    for schema in (map_schema(), stage_schema(), setup_schema()):
        text = json.dumps([*keys_of(schema)])
        for kind, table in formerly.KEYS.items():
            for old in table:
                assert f'"{old}"' not in text or kind == "a set-up", old
        for old in formerly.PARAMETERS:
            assert f'"{old}"' not in text, old


def test_what_nothing_uses_any_more_is_accepted_with_a_note(tmp_path: Path) -> None:
    text = find_document("coolant_pump", "stage").read_text(encoding="utf-8")
    for name, says in formerly.GONE.items():
        path = tmp_path / "old.yaml"
        path.write_text(f"{text}\n{name}: 90 pF\n", encoding="utf-8")
        stage, problems = read_stage(path)
        assert stage is not None
        [note] = [p for p in problems if says in p.found]
        assert note.severity == "note"
        assert note.place.line == text.count("\n") + 2


# --- generated C ---------------------------------------------------------------------------------

#: what stands neither in comments nor in texts of generated C, beside OLD_WORDS
OLD_IN_C = re.compile(
    r"\b(flaws?|diagnos[ei]s?|asked|answers?|findings?|denied|ignored|sealed|not accepted)\b",
    re.IGNORECASE,
)
#: pieces of identifiers that have another word today
OLD_PIECES = {
    "bus",
    "guard",
    "seal",
    "flaw",
    "flaws",
    "asked",
    "answer",
    "diagnose",
    "diagnosis",
    "procedure",
}
#: nouns that a table's name ends with
TABLE_NOUNS = {
    "steps",
    "words",
    "table",
    "faults",
    "causes",
    "sums",
    "order",
    "tests",
    "addresses",
    "bursts",
}
DOCUMENTS = sorted(p.stem for p in (ROOT / "devices").glob("*.yaml"))


def generated(name: str) -> dict[str, str]:
    """Header alone, header and source, and self-test of a bundled map or stage."""
    source = load_map(name) if name in MAPS else load_stage(name)
    alone = generate(source, Options(prefix="gd"))
    pair = generate(source, Options(prefix="gd", split=True))
    test = self_test(source, Options(prefix="gd"), "gd.h")
    return {"header": alone.header, "source": pair.source or "", "self-test": test}


MAPS = {n for n in DOCUMENTS if find_document(n).read_text(encoding="utf-8").count("gateword_map:")}


@pytest.mark.parametrize("name", DOCUMENTS)
def test_generated_c_is_written_in_words_of_today(name: str) -> None:
    """Comments and texts, identifiers of ours and those from bundled maps alike."""
    for kind, text in generated(name).items():
        plain = re.sub(r"\bholds: ignored\b|\(ignored\)", "", text)  # a key of the map format
        found = {m[0] for m in OLD_IN_C.finditer(plain)} | set(old_words(plain))
        assert not found, kind
        pieces = {
            p.lower() for i in re.findall(r"\bgd_\w+", text, re.IGNORECASE) for p in i.split("_")
        }
        assert not pieces & OLD_PIECES, kind
        for function in re.findall(
            r"^(?:GD_INLINE |static )?\w+ \**(gd_\w+)\(", text, re.MULTILINE
        ):
            # spi_init prepares a structure; a table of frames is init_steps
            assert "init" not in function or function == "gd_spi_init"


@pytest.mark.parametrize("name", DOCUMENTS)
def test_tables_in_c_are_nouns_and_verbs_do_what_they_say(name: str) -> None:
    header = generated(name)["header"]
    tables = re.findall(r"^static const [\w ]+ \**(gd_\w+)\[\w+\]", header, re.MULTILINE)
    assert name in MAPS or "gd_init_steps" in tables
    for table in tables:
        assert table.rpartition("_")[2] in TABLE_NOUNS, table
    routines = dict(re.findall(r"^GD_INLINE \w+ (gd_\w+)\((.*)\)$", header, re.MULTILINE))
    assert routines
    for routine, parameters in routines.items():
        if re.search(r"_(read|write)$", routine):
            # builds a frame: that is make_read
            assert "spi_t" in parameters or "_make_" in routine, routine
        if "_make_" in routine:
            assert "spi_t" not in parameters, routine


#: what no text of the program or the library says any more, beside OLD_WORDS: (pattern, where it may stand, why)
OLD_PHRASES = [
    (r"\b(does|did|would) not take\b|\bnot taken\b", (), "a write is refused, a frame rejected"),
    (r"\b(not accepted|denied)\b", (), "a write is refused, a frame rejected"),
    (r"\bwithout news\b", (), "nothing new"),
    (r"\bword.gaps?\b|\bcs_high\b|\bt_gap\b", (), "idle"),
    (r"\bdiagnos\w*", ("regmap/cheader/",), "explain"),
    (r"\bverdicts? (that )?(it )?moves?\b|\bmoves (no|a) verdict", (), "depends on"),
    (r"\bhex words?\b", (), "a register holds words, frames travel"),
    (r"\b(frame|word)s? without flaws\b", (), "errors of a frame"),
]


def spoken() -> Iterator[tuple[str, str]]:
    """(place, text) of every text in the source that is no docstring: messages, titles, helps, keys."""
    for path in sorted([*(ROOT / "regmap").rglob("*.py"), *(ROOT / "cli").rglob("*.py")]):
        place = path.relative_to(ROOT).as_posix()
        if place == "regmap/formerly.py":
            continue  # the one table of accepted old names
        tree = ast.parse(path.read_text(encoding="utf-8"))
        docs = {
            id(node.body[0].value)
            for node in ast.walk(tree)
            if isinstance(node, (ast.Module, ast.ClassDef, ast.FunctionDef))
            and node.body
            and isinstance(node.body[0], ast.Expr)
        }
        for node in ast.walk(tree):
            text = node.value if isinstance(node, ast.Constant) else None
            if isinstance(text, str) and id(node) not in docs:
                yield f"{place}:{node.lineno}", text


def test_no_text_says_an_old_word() -> None:
    """Messages, JSON keys, composer, record and options alike: all are texts of the source."""
    texts = list(spoken())
    assert len(texts) > 10_000
    found = []
    #: names of a netlist's node and of a column of several lines, which the trade calls a bus
    lines = ("regmap/capture/", "regmap/cheader/")
    for place, text in texts:
        if not place.startswith(lines) and " " in text.strip():
            found += [(place, w) for w in old_words(text)]
        for pattern, allowed, now in OLD_PHRASES:
            if re.search(pattern, text, re.IGNORECASE) and not place.startswith(allowed or ("-",)):
                found.append((place, f"{text[:60]!r}: {now}"))
    assert found == []


#: keys of earlier versions, and those whose thing has another word now
OLD_KEYS = {
    "thin", "not computed", "not_judged", "not_judged_by", "old", "new", "was", "down", "up", "a", "b",
    "procedure", "procedures", "asked", "stated", "says", "flaws", "findings_of", "taken", "not_taken",
    "guard", "seal", "bus", "word_gap_ns", "chip_address", "map_digest", "stage_digest", "diagnosis",
}  # fmt: skip

EVERY_JSON = [
    ["check", "coolant_pump"],
    ["sweep", "coolant_pump", "TIMING.DEAD_TIME"],
    ["diff", "coolant_pump", "coolant_pump", "--set", "TIMING.DEAD_TIME=2 us"],
    ["encode", "quoll16", "TIMING.DEAD_TIME=2 us", "read:STATUS1"],
    ["encode", "conveyor_drum", "bring_up"],
    ["decode", "quoll16", "0x25D1", "0x25D1:0x0000"],
    ["explain", "coolant_pump", "STATUS1=0x109", "STATUS2=0x40"],
    ["show", "quoll16"],
    ["show", "quoll16", "TIMING"],
    ["show", "quoll16", "TIMING.DEAD_TIME"],
    ["vet", "quoll16", "coolant_pump"],
    ["propose", "coolant_pump", "--free", "TIMING.DEAD_TIME"],
    ["capture", "captures/pump_short.vcd", "--stage", "coolant_pump", "--all", "--at", "5 ms"],
    ["capture", "captures/chain_pair.vcd", "--map", "numbat24", "--chain", "2", "--all"],
    ["campaign", "PLAN"],
]


@pytest.mark.parametrize("arguments", EVERY_JSON, ids=" ".join)
def test_every_json_speaks_with_words_of_today(arguments: list[str], tmp_path: Path) -> None:
    """Real output of every command that has `--json`; `word` is what a register holds, `frame` what travels."""
    plan = tmp_path / "plan.yaml"
    plan.write_text(
        "gateword_campaign: 1\ncampaign: {name: one}\nstage: coolant_pump\nfaults: [OT]\n"
    )
    given = [str(plan) if a == "PLAN" else a for a in arguments]
    status, out, err = run(*given, "--json")
    assert status in (0, 1), err
    text = out if out.startswith("{\n") else f"[{','.join(out.splitlines())}]"
    found = json.loads(text)
    assert not set(keys_of(found)) & OLD_KEYS

    def frames(value: object) -> Iterator[object]:
        for item in (
            value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
        ):
            yield from frames(item)
        if isinstance(value, dict) and {"hex", "parts"} <= set(value):
            yield value

    for one in frames(found):
        assert isinstance(one, dict)
        assert "frame" in one
        assert "word" not in one
