"""Realistic bugs, put into the core one at a time: do the tests that should see them see them?

    .venv/bin/python tests/mutants/run.py [NAME ...]      # all, or those whose name contains a word

Each bug of `bugs.py` is written into a copy of the project and the tests named beside it are run there; a
bug that no test notices has survived. Exit status 1 where more than 5 % survive, or where the text that
a bug replaces does not stand in its file exactly once (then the list is stale). Run on demand, not in
the suite: it takes some minutes.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from bugs import BUGS, Bug

ROOT = Path(__file__).parents[2]
PARTS = (
    "regmap",
    "cli",
    "devices",
    "captures",
    "tests",
    "pyproject.toml",
    "README.md",
    "DEVELOPERS.md",
)
MOST_SURVIVORS = 0.05
SECONDS = 300


def copy_to(folder: Path) -> None:
    skip = shutil.ignore_patterns("__pycache__", ".hypothesis")
    for name in PARTS:
        source = ROOT / name
        if source.is_dir():
            shutil.copytree(source, folder / name, ignore=skip)
        else:
            shutil.copy(source, folder / name)


def stale(bug: Bug) -> str:
    """Why this bug cannot be put in; empty where it can."""
    path = ROOT / bug.file
    if not path.is_file():
        return f"no file {bug.file}"
    count = path.read_text(encoding="utf-8").count(bug.before)
    if count != 1:
        return f"its text stands {count} times in {bug.file}"
    missing = [t for t in bug.tests.split() if not (ROOT / t.partition("::")[0]).exists()]
    return f"no test {missing[0]}" if missing else ""


def noticed(bug: Bug, folder: Path) -> bool:
    """Whether the tests named beside a bug fail with it. The copy is as before afterwards."""
    path = folder / bug.file
    good = path.read_text(encoding="utf-8")
    path.write_text(good.replace(bug.before, bug.after), encoding="utf-8")
    words = [
        sys.executable,
        "-m",
        "pytest",
        "-q",
        "-x",
        "-p",
        "no:cacheprovider",
        *bug.tests.split(),
    ]
    env = {**os.environ, "PYTHONPATH": str(folder), "PYTHONDONTWRITEBYTECODE": "1"}
    try:
        done = subprocess.run(
            words, cwd=folder, env=env, capture_output=True, timeout=SECONDS, check=False
        )
        return done.returncode != 0
    except subprocess.TimeoutExpired:
        return True
    finally:
        path.write_text(good, encoding="utf-8")


def main(wanted: list[str]) -> int:
    bugs = [b for b in BUGS if not wanted or any(w in b.name for w in wanted)]
    wrong = [(b, why) for b in bugs if (why := stale(b))]
    for bug, why in wrong:
        print(f"stale     {bug.name}: {why}")  # noqa: T201
    bugs = [b for b in bugs if not stale(b)]
    workers = os.cpu_count() or 1
    survivors: list[str] = []
    with tempfile.TemporaryDirectory() as where, ThreadPoolExecutor(workers) as pool:
        folders = [Path(where) / str(i) for i in range(workers)]
        for folder in folders:
            folder.mkdir()
            copy_to(folder)
        free = list(folders)

        def one(bug: Bug) -> tuple[Bug, bool]:
            folder = free.pop()
            try:
                return bug, noticed(bug, folder)
            finally:
                free.append(folder)

        for bug, seen in pool.map(one, bugs):
            print(f"{'noticed ' if seen else 'SURVIVED'}  {bug.name}", flush=True)  # noqa: T201
            if not seen:
                survivors.append(bug.name)
    print(f"{len(bugs) - len(survivors)} of {len(bugs)} bugs noticed, {len(wrong)} stale")  # noqa: T201
    return int(bool(wrong) or len(survivors) > MOST_SURVIVORS * len(bugs))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
