"""What `import regmap` offers: listed, typed, light, and not changed unannounced; its page runs."""

from __future__ import annotations

import ast
import dataclasses
import inspect
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
import yaml

import regmap
from regmap.maps.load import find_document

ROOT = Path(__file__).parents[1]
LISTED = Path(__file__).with_name("api.txt")
PAGE = (ROOT / "regmap" / "README.md").read_text(encoding="utf-8")
EXAMPLES = re.findall(r"^## ([^\n]+)\n(?:(?!^## ).)*?^```python\n(.*?)^```$", PAGE, re.S | re.M)
OUTSIDE = re.search(r"^```python outside\n(.*?)^```$", PAGE, re.S | re.M)


def signature(item: object) -> str:
    try:
        return str(inspect.signature(item))  # type: ignore[arg-type]
    except (TypeError, ValueError):
        return ""


def public() -> str:
    """The public names with their signatures, and those of the methods and properties of classes."""
    lines = []
    for name in sorted(regmap.__all__):
        item = getattr(regmap, name)
        if not inspect.isclass(item):
            lines.append(f"{name}{signature(item)}" if callable(item) else name)
            continue
        fields = dataclasses.fields(item) if dataclasses.is_dataclass(item) else ()
        data = [f.name for f in fields if not f.name.startswith("_")]
        # data classes may grow: what counts is that no field goes
        lines.append(f"class {name}" + ("" if data else signature(item)))
        lines += [f"    .{own}" for own in sorted(data)]
        for own in sorted(n for n in dir(item) if not n.startswith("_") and n not in data):
            if issubclass(item, Exception) and hasattr(Exception, own):
                continue
            what = inspect.getattr_static(item, own)
            if callable(getattr(item, own)):
                lines.append(f"    {own}{signature(getattr(item, own))}")
            elif isinstance(what, property):
                lines.append(f"    {own}: property")
    return "\n".join(lines) + "\n"


def test_what_is_public_has_not_changed_unannounced() -> None:
    """Rewrite with GATEWORD_UPDATE_API=1, and say it under "Changes" in DEVELOPERS.md."""
    if os.environ.get("GATEWORD_UPDATE_API"):
        LISTED.write_text(public(), encoding="utf-8")
    assert public() == LISTED.read_text(encoding="utf-8")


def test_every_public_name_is_typed_and_told_of() -> None:
    for name in regmap.__all__:
        item = getattr(regmap, name)
        if name != "__version__":
            assert f"`{name}`" in PAGE or f"`{name}." in PAGE, name
        if callable(item) and not inspect.isclass(item):
            assert "return" in inspect.get_annotations(item), name
            assert item.__doc__, name
    assert sorted(regmap.__all__) == dir(regmap)
    with pytest.raises(AttributeError, match="no attribute 'gone'"):
        regmap.gone  # noqa: B018


def test_asking_for_a_room_later_hides_no_public_name() -> None:
    code = (
        "import regmap, pkgutil, importlib\n"
        "before = {n: getattr(regmap, n) for n in regmap.__all__}\n"
    )
    code += "for m in pkgutil.walk_packages([regmap.__path__[0]], 'regmap.'):\n"
    code += "    if not m.name.startswith('regmap.cli'): importlib.import_module(m.name)\n"
    code += "assert all(getattr(regmap, n) is v for n, v in before.items())"
    subprocess.run([sys.executable, "-c", code], check=True, timeout=120, cwd=ROOT)


@pytest.mark.parametrize(("title", "code"), EXAMPLES, ids=[t for t, _ in EXAMPLES])
def test_the_examples_of_the_page_run(
    title: str, code: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(ROOT)
    exec(compile(code, title, "exec"), {})


def test_there_are_examples() -> None:
    assert len(EXAMPLES) == PAGE.count("```python\n") >= 4


@pytest.fixture
def elsewhere(tmp_path: Path) -> Path:
    """A folder that holds another package: the page's own check, and what an installer would add."""
    assert OUTSIDE
    site = tmp_path / "site"
    info = site / "our_fuses-1.0.dist-info"
    info.mkdir(parents=True)
    (site / "our_fuses.py").write_text(OUTSIDE[1], encoding="utf-8")
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: our-fuses\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text("[gateword.checks]\nfuses = our_fuses\n")
    return site


def program(site: Path, *words: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "regmap.cli.main", *map(str, words)],
        env={**os.environ, "PYTHONPATH": os.pathsep.join([str(site), str(ROOT)]), "NO_COLOR": "1"},
        capture_output=True, text=True, check=False, timeout=60, cwd=site,
    )  # fmt: skip


def test_a_check_from_outside_is_run_with_inputs_of_its_own(
    elsewhere: Path, tmp_path: Path
) -> None:
    stage = find_document("coolant_pump", "stage").read_text(encoding="utf-8")
    rms = float(yaml.safe_load(stage)["motor.current"]["rms"].split()[0])
    path = tmp_path / "fused.yaml"
    for fuse, holds in ((rms / 0.75 * 1.2, True), (rms / 0.75 * 0.9, False)):
        path.write_text(f"{stage}\nfuse: {{rated_current: {fuse:.4f} A}}\n", encoding="utf-8")
        done = program(elsewhere, "check", path, "fuse")
        assert "fuse.carries" in done.stdout, done.stderr
        assert done.returncode == (0 if holds else 1), done.stdout
        explained = program(elsewhere, "check", path, "--explain", "fuse.carries").stdout
        assert "our fuse policy, section 4.2" in explained
    path.write_text(stage, encoding="utf-8")
    done = program(elsewhere, "check", path, "fuse")
    assert "needs fuse.rated_current in the stage" in done.stdout
    assert done.returncode == 0
    record = tmp_path / "record.html"
    assert program(elsewhere, "report", path, "-o", record).returncode in (0, 1)
    assert "fuse carries the phase current" in record.read_text(encoding="utf-8")


def test_without_that_package_its_key_is_a_located_problem(tmp_path: Path) -> None:
    path = tmp_path / "fused.yaml"
    stage = find_document("coolant_pump", "stage").read_text(encoding="utf-8")
    path.write_text(f"{stage}\nfuse: {{rated_current: 40 A}}\n", encoding="utf-8")
    done = program(tmp_path, "vet", path)
    assert done.returncode == 1
    assert f"{path}:{stage.count(chr(10)) + 2}:1" in done.stdout + done.stderr
    assert "the key 'fuse'" in done.stdout + done.stderr


@pytest.mark.parametrize(
    ("code", "told"),
    [
        ("import no_such_module", "no_such_module"),
        ("from regmap.parameters import *\nadd_stage_inputs([Parameter('mosfet.qg', None, 'x')])", "is taken"),
        ("from regmap.parameters import *\nadd_stage_inputs([Parameter('mosfet', None, 'x')])", "is taken"),
        ("from regmap.parameters import *\nadd_stage_inputs([Parameter('mosfet.qg.x', None, 'x')])", "is taken"),
        ("from regmap.calc.registry import check\n@check('a.b', 't', 'f', 'stage:nothing')\ndef f(w): ...", "stage:nothing"),
    ],
)  # fmt: skip
def test_a_package_that_cannot_add_its_checks_is_named(
    elsewhere: Path, code: str, told: str
) -> None:
    (elsewhere / "our_fuses.py").write_text(code, encoding="utf-8")
    done = program(elsewhere, "check", "coolant_pump")
    assert done.returncode == 2
    assert "our-fuses cannot add its checks" in done.stderr
    assert told in done.stderr
    assert "Traceback" not in done.stderr


#: a public signature may say `Any` here, and why
ANY = {
    "regmap/document/schema.py": "what a shape gives depends on the shape; its readers name the type",
    "regmap/maps/shapes.py": "the same, for the shapes that maps alone have",
    "regmap/maps/repeat.py": "a JSON Schema, of any depth",
    "regmap/document/reader.py": "BAD, in place of whatever a shape would have given",
    "regmap/maps/assembly/extras.py": "a request, or None after reporting, as callers tell them apart",
    "regmap/frames/structs.py": "a struct of the construct library, which has no types",
    "regmap/wire/layout.py": "fields of a body as the construct library parses them",
    "regmap/lint/places.py": "a place in a tree of pycparser, which has no types",
    "regmap/lint/initializers.py": "such a tree",
    "regmap/calc/": "formulas take numbers, exact fractions or arrays of one shape alike",
}


def test_any_stands_in_public_signatures_only_where_it_is_listed() -> None:
    root = Path(__file__).parents[1]
    found: dict[str, list[str]] = {}

    def look(body: list[ast.stmt], place: str) -> None:
        for node in body:
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                look(node.body, place)
            if not isinstance(node, ast.FunctionDef) or (
                node.name.startswith("_") and node.name != "__init__"
            ):
                continue
            a = node.args
            given = [*a.posonlyargs, *a.args, *a.kwonlyargs, a.vararg, a.kwarg]
            notes = [x.annotation for x in given if x is not None] + [node.returns]
            if any(
                isinstance(n, ast.Name) and n.id == "Any"
                for note in notes
                if note is not None
                for n in ast.walk(note)
            ):
                found.setdefault(place, []).append(node.name)

    for path in sorted((root / "regmap").rglob("*.py")):
        place = path.relative_to(root).as_posix()
        look(ast.parse(path.read_text(encoding="utf-8")).body, place)
    known = {p: n for p, n in found.items() if any(p.startswith(k) for k in ANY)}
    assert {p: n for p, n in found.items() if p not in known} == {}
    assert all(any(p.startswith(k) for p in known) for k in ANY)  # nothing stands there in vain
