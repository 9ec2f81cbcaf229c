"""The house keeps its shape: imports run downwards, start-up is light, every command is told about."""

from __future__ import annotations

import ast
import importlib.util
import re
import subprocess
import sys
import sysconfig
from pathlib import Path
from types import ModuleType

import pytest

from regmap.cli.main import COMMANDS

ROOT = Path(__file__).parent.parent


def _house() -> ModuleType:
    spec = importlib.util.spec_from_file_location("house", Path(__file__).with_name("house.py"))
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    sys.modules["house"] = module
    spec.loader.exec_module(module)
    return module


house = _house()
ROOMS = house.ROOMS

#: nothing below the program may know these
PROGRAM_ONLY = {"prompt_toolkit", "cli", "argparse", "readline", "curses"}
HEAVY = {
    "numpy",
    "serial",
    "construct",
    "prompt_toolkit",
    "scipy",
    "jinja2",
    "ruamel",
    "jsonschema",
    "pytest",
    "hypothesis",
}


def rooms() -> dict[str, list[Path]]:
    found: dict[str, list[Path]] = {}
    for path in sorted((ROOT / "regmap").rglob("*.py")):
        name = path.relative_to(ROOT / "regmap").parts[0].removesuffix(".py")
        if name not in ("__init__", "cli", "devices", "captures"):
            found.setdefault(name, []).append(path)
    return found


def imports(path: Path) -> set[str]:
    """Rooms of the library and foreign top-level packages that a file imports, anywhere in it."""
    package = ["regmap", *path.relative_to(ROOT / "regmap").parts[:-1]]
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            names = [a.name for a in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else []
            module = ".".join([*base, *([node.module] if node.module else [])])
            names = [module] if module != "regmap" else [f"regmap.{a.name}" for a in node.names]
        else:
            continue
        for name in names:
            parts = name.split(".")
            found.add(parts[1] if parts[0] == "regmap" and len(parts) > 1 else parts[0])
    return found


@pytest.mark.parametrize("room", ROOMS, ids=lambda r: r.name)
def test_imports_run_downwards(room: house.Room) -> None:
    """Anywhere in a file, inside functions too: only the rooms that the table names."""
    foreign = PROGRAM_ONLY - ({"pytest"} if room.name == "testing" else set())
    allowed = room.allowed | {room.name}
    for path in rooms()[room.name]:
        used = imports(path)
        assert not used & foreign, path
        assert used & set(rooms()) <= allowed, path


def test_the_table_of_rooms_is_whole_and_runs_downwards() -> None:
    assert [r.name for r in ROOMS] == list(dict.fromkeys(r.name for r in ROOMS))
    assert {r.name for r in ROOMS} == set(rooms())
    seen: set[str] = set()
    for room in reversed(ROOMS):
        assert room.allowed <= seen, room.name
        seen.add(room.name)


def test_calculations_need_nothing_but_python() -> None:
    for path in rooms()["calc"]:
        foreign = imports(path) - set(rooms())
        assert foreign <= sys.stdlib_module_names | {"numpy"}, path  # numpy for random draws


def file_graph() -> dict[str, set[str]]:
    """Every module of the library and the modules that it imports, under TYPE_CHECKING too."""
    paths = {path for found in rooms().values() for path in found}
    name = {
        p: ".".join(["regmap", *p.relative_to(ROOT / "regmap").with_suffix("").parts])
        for p in paths
    }
    modules = {n.removesuffix(".__init__") for n in name.values()}
    graph: dict[str, set[str]] = {}
    for path in paths:
        package = ["regmap", *path.relative_to(ROOT / "regmap").parts[:-1]]
        found: set[str] = set()
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.ImportFrom):
                base = package[: len(package) - node.level + 1] if node.level else []
                module = ".".join([*base, *([node.module] if node.module else [])])
                for alias in node.names:
                    full = f"{module}.{alias.name}"
                    found.add(full if full in modules else module)
        own = name[path].removesuffix(".__init__")
        graph[own] = found & modules - {own}
    return graph


def test_no_circle_of_files() -> None:
    graph = file_graph()
    while graph:
        ready = {module for module, used in graph.items() if not used & set(graph)}
        assert ready, f"a circle among {sorted(graph)}"
        graph = {module: used for module, used in graph.items() if module not in ready}


def test_the_library_never_prints_or_reads_arguments() -> None:
    for paths in rooms().values():
        for path in paths:
            for node in ast.walk(ast.parse(path.read_text())):
                if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
                    if path == ROOT / "regmap" / "record.py" and node.func.id == "exec":
                        continue  # writes `__init__` of our own classes, as the standard library does
                    assert node.func.id not in ("print", "input", "eval", "exec"), (
                        f"{path}:{node.lineno}"
                    )
                if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
                    assert (node.value.id, node.attr) != ("sys", "argv"), f"{path}:{node.lineno}"


def loaded_by(code: str) -> set[str]:
    script = f"{code}\nimport sys\nprint(' '.join({{m.split('.')[0] for m in sys.modules}}), file=sys.stderr)"
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True, timeout=60
    )
    return set(done.stderr.split())


def test_importing_the_library_is_light() -> None:
    assert not loaded_by("import regmap") & (HEAVY | {"yaml", "argparse"})


def test_the_model_and_its_loader_need_nothing_heavy() -> None:
    assert not loaded_by("from regmap.maps.load import load_map; load_map('quoll16')") & HEAVY


@pytest.mark.parametrize(
    "arguments", [["--help"], ["--version"], ["vet", "quoll16"], ["encode", "quoll16", "read:ID"]]
)
def test_the_program_starts_light(arguments: list[str]) -> None:
    code = f"import io, sys\nfrom regmap.cli.main import main\nout, sys.stdout = sys.stdout, io.StringIO()\nmain({arguments!r})"
    assert not loaded_by(code) & HEAVY


def test_every_command_has_its_module_and_is_in_the_readme() -> None:
    readme = (ROOT / "README.md").read_text()
    import importlib

    for name, (module, help_text) in COMMANDS.items():
        loaded = importlib.import_module(f"regmap.cli.{module}")
        assert name == loaded.NAME
        assert help_text == loaded.HELP
        assert f"gateword {name}" in readme, f"README.md says nothing of `gateword {name}`"


def test_only_one_name_is_installed() -> None:
    tomllib = pytest.importorskip("tomllib")  # Python 3.11 and newer

    project = tomllib.loads((ROOT / "pyproject.toml").read_text())
    packages = project["tool"]["setuptools"]["packages"]
    assert {p.split(".")[0] for p in packages} == {"regmap"}
    on_disk = {
        "regmap." + ".".join(p.parent.relative_to(ROOT / "regmap").parts)
        for p in (ROOT / "regmap").rglob("__init__.py")
        if p.parent != ROOT / "regmap"
    }
    on_disk |= {"regmap.cli", "regmap.devices", "regmap.captures"}
    on_disk |= {
        "regmap.cli." + ".".join(p.parent.relative_to(ROOT / "cli").parts)
        for p in (ROOT / "cli").rglob("__init__.py")
        if p.parent != ROOT / "cli"
    }
    assert set(packages) == on_disk | {"regmap"}


def test_developers_md_has_the_table_of_rooms() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert text == house.rewrite(text), "run python tests/house.py"


def test_it_works_from_the_root_of_a_checkout() -> None:
    """Without anything installed: the folders beside regmap/ are found."""
    code = "from regmap.cli.main import main; from regmap.maps.load import load_map; print(load_map('quoll16').name)"
    site = sysconfig.get_paths()["purelib"]
    run = [
        sys.executable,
        "-I",
        "-c",
        f"import sys; sys.path[:0] = [{str(ROOT)!r}, {site!r}]\n{code}",
    ]
    done = subprocess.run(run, capture_output=True, text=True, check=False, timeout=60)
    assert done.stdout.strip() == "quoll16", done.stderr


def test_tests_mirror_the_rooms_and_say_what_they_hold() -> None:
    tests = ROOT / "tests"
    folders = {p.name for p in (ROOT / "regmap").iterdir() if (p / "__init__.py").exists()}
    for room in folders:
        assert list((tests / room).glob("test_*.py")), f"no tests of {room}"
    for path in tests.rglob("test_*.py"):
        assert house.first_line(path), path
    text = (tests / "README.md").read_text(encoding="utf-8")
    assert text == house.tests_page(text), "run python tests/house.py"


def test_a_public_class_has_a_name_of_its_own() -> None:
    """One name, one thing: who reads `Reading` need not ask which of two."""
    homes: dict[str, list[str]] = {}
    for path in sorted((ROOT / "regmap").rglob("*.py")):
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                homes.setdefault(node.name, []).append(path.relative_to(ROOT).as_posix())
    assert len(homes) > 300
    assert {n: h for n, h in homes.items() if len(h) > 1} == {}


@pytest.mark.parametrize(
    ("written", "home"),
    [
        (r"'s' \* \(|\"s\" \* \(|\"s\" if |'s' if ", "quantity.many and plural"),
        (r"0\{(digits|wide|\([\w.]+ \+ 3\) // 4)\}X", "chip.bits.hexword"),
    ],
)
def test_how_a_text_is_made_stands_once(written: str, home: str) -> None:
    """A plural and a word in hex are made in one place; what repeats them calls it instead."""
    own = {"regmap/chip/bits.py"} | {"regmap/lint/judge.py"}  # "differs": a verb
    found = [
        f"{path.relative_to(ROOT)}: {home}"
        for path in sorted([*(ROOT / "regmap").rglob("*.py"), *(ROOT / "cli").rglob("*.py")])
        if path.relative_to(ROOT).as_posix() not in own
        and re.search(written, path.read_text(encoding="utf-8"))
    ]
    assert found == []


#: what may be imported inside a function of the library, and why: a name, or "file: name"
LATE = {
    "numpy": "heavy; numbers one by one need none of it",
    "yaml": "heavy, and only a set-up that is saved needs it here",
    "difflib": "wanted only when something is already wrong",
    "importlib.import_module": "public names are loaded when they are first asked for",
    "importlib.resources.files": "slow, and only for what is bundled",
    "importlib.metadata.entry_points": "slow, and only where calculations are worked",
    "pycparser": "heavy, and only headers written by hand need it",
    "pcpp": "heavy, and only headers written by hand need it",
    "pyftdi": "an optional extra",
    "pywellen": "an optional extra",
    "systemrdl.compiler": "an optional extra",
    "systemrdl.messages": "an optional extra",
    "systemrdl.node": "an optional extra",
    "pdfplumber": "an optional extra",
    "openpyxl.load_workbook": "an optional extra",
    "pyarrow": "an optional extra",
    "serial": "heavy; sockets and pseudo-terminals need none of it",
    "fcntl": "SPI controllers of Linux",
    "regmap.wire.local.open_local": "it imports the lines, and few ports are controllers of this machine",
    "select": "pseudo-terminals of POSIX systems",
    "tty": "pseudo-terminals of POSIX systems",
    "unicodedata": "most texts are ASCII",
    "dataclasses": "it loads what only debugging needs, and what is ours does without",
    ".onstage": "a map alone does without all that plans of frames need",
    "regmap.frames.solve": "wanted only when words do not fit",
    "regmap/testing.py": "a pytest plugin is imported by every run of pytest, also where nothing uses it",
    "regmap/draft/sources.py": "numpy, by way of trace",
    "regmap/report/record.py": "numpy, by way of trace",
}


def test_imports_stand_at_the_top_of_files_where_nothing_speaks_for_a_function() -> None:
    met: set[str] = set()
    found = []
    for path in sorted((ROOT / "regmap").rglob("*.py")):
        place = path.relative_to(ROOT).as_posix()
        for function in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(function, ast.FunctionDef):
                continue
            for node in ast.walk(function):
                if isinstance(node, ast.Import):
                    names = [a.name for a in node.names]
                elif isinstance(node, ast.ImportFrom):
                    names = [f"{'.' * node.level}{node.module}.{a.name}" for a in node.names]
                else:
                    continue
                for name in names:
                    why = [k for k in LATE if k == place or f"{name}.".startswith(f"{k}.")]
                    met.update(why)
                    found += [] if why else [f"{place}:{node.lineno}: {name}"]
    assert found == []
    assert met == set(LATE)  # nothing stands in the list in vain
