"""The house keeps its shape: imports run downwards, start-up is light, every command is told about."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

from regmap.cli.main import COMMANDS

ROOT = Path(__file__).parent.parent

#: room -> rooms that it may import (besides itself), lowest first; "cli" may import everything
ALLOWED = {
    "errors": set(),
    "bits": {"errors"},
    "files": set(),
    "quantity": {"errors"},
    "parameters": {"errors", "quantity"},
    "guard": {"errors"},
    "expr": {"errors", "quantity"},
    "model": {"errors", "quantity", "expr", "guard"},
    "source": {"errors"},
    "calc": {"errors", "quantity", "parameters"},
    "capture": {"errors", "quantity", "source", "schema", "guard", "bits", "files"},
    "wire": {"errors"},
    "ports": {"errors", "wire"},
}
_FORMAT = {"errors", "bits", "quantity", "parameters", "guard", "expr", "model", "source"}
ALLOWED["reader"] = {"errors", "source"}
ALLOWED["schema"] = _FORMAT - {"model", "parameters"} | {"reader"}
ALLOWED["mapshapes"] = _FORMAT - {"model"} | {"schema"}
ALLOWED["mapgrammar"] = _FORMAT | {"schema", "mapshapes"}
ALLOWED["words"] = _FORMAT
ALLOWED["values"] = _FORMAT | {"schema"}
ALLOWED["bank"] = _FORMAT | {"values"}
ALLOWED["requests"] = _FORMAT | {"schema"}
ALLOWED["codec"] = _FORMAT | {"bank", "values", "words"}
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


@pytest.mark.parametrize("room", sorted(rooms()))
def test_imports_run_downwards(room: str) -> None:
    library = set(rooms())
    for path in rooms()[room]:
        used = imports(path)
        assert not used & PROGRAM_ONLY - ({"pytest"} if room == "fixture" else set()), path
        if room in ALLOWED:
            assert used & library - {room} <= ALLOWED[room], path


def test_no_import_cycles_between_rooms_at_load_time() -> None:
    graph: dict[str, set[str]] = {}
    for room, paths in rooms().items():
        graph[room] = set()
        for path in paths:
            tree = ast.parse(path.read_text())
            # imports inside functions and under TYPE_CHECKING do not run at load time
            top = ast.Module(
                body=[n for n in tree.body if isinstance(n, (ast.Import, ast.ImportFrom))],
                type_ignores=[],
            )
            package = ["regmap", *path.relative_to(ROOT / "regmap").parts[:-1]]
            for node in top.body:
                if isinstance(node, ast.ImportFrom):
                    base = package[: len(package) - node.level + 1] if node.level else []
                    module = ".".join([*base, *([node.module] if node.module else [])])
                    names = (
                        [module] if module != "regmap" else [f"regmap.{a.name}" for a in node.names]
                    )
                    graph[room] |= {n.split(".")[1] for n in names if n.startswith("regmap.")}
        graph[room] &= set(rooms())
        graph[room].discard(room)
    done: set[str] = set()
    while len(done) < len(graph):
        ready = [r for r in graph if r not in done and graph[r] <= done]
        assert ready, f"a cycle among {sorted(set(graph) - done)}"
        done.update(ready)


def test_the_library_never_prints_or_reads_arguments() -> None:
    for paths in rooms().values():
        for path in paths:
            for node in ast.walk(ast.parse(path.read_text())):
                if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
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
    assert not loaded_by("from regmap.mapfile import load_map; load_map('quoll16')") & HEAVY


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


def test_every_room_is_told_of_in_developers_md() -> None:
    import re

    text = (ROOT / "DEVELOPERS.md").read_text()
    untold = [room for room in rooms() if not re.search(rf"\b{room}\b", text)]
    assert not untold
