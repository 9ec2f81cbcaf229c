"""What is surveyed: folders, patterns of names and manifests to files, each with what is known of it."""

from __future__ import annotations

import csv
import glob
import io
import os
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

from regmap.capture.setupfile import FOLDER_SETUP
from regmap.document.source import MappingNode, ScalarNode, SequenceNode, compose_file
from regmap.errors import CallError, FileError, Place, Problem, closest
from regmap.record import dataclass

#: columns of a manifest; the first is needed
MANIFEST = ("file", "unit", "firmware", "test", "variant")


@dataclass(frozen=True, slots=True)
class SurveySource:
    """One file, and what a manifest says of it."""

    file: str
    unit: str = ""
    firmware: str = ""
    test: str = ""
    #: the stage that it is held against, by name, where there are several
    variant: str = ""


def find_sources(
    paths: Sequence[str | os.PathLike[str]],
    manifest: str | os.PathLike[str] | None = None,
    *,
    without: str | os.PathLike[str] | None = None,
) -> tuple[SurveySource, ...]:
    """The files of folders, patterns (`night/*.vcd`) and of a manifest, each once, in order of their names.

    Of a folder all files count, also those of its folders, but for hidden ones, set-ups, the manifest and the
    folder `without`. Raises CallError where a path names nothing, FileError for a manifest with problems.
    """
    found: dict[str, SurveySource] = {}
    for source in load_manifest(manifest) if manifest is not None else ():
        found[os.path.realpath(source.file)] = source
    passed_over = {os.path.realpath(p) for p in (manifest, without) if p is not None}
    for path in paths:
        for file in _files(os.fspath(path), passed_over):
            found.setdefault(os.path.realpath(file), SurveySource(file))
    return tuple(sorted(found.values(), key=lambda s: s.file))


def _files(path: str, without: set[str]) -> Iterator[str]:
    if Path(path).is_dir():
        yield from _inside(path, without)
        return
    if Path(path).exists():
        yield path
        return
    # Path.glob takes no pattern that begins at the root
    matches = sorted(glob.glob(path, recursive=True)) if glob.has_magic(path) else []  # noqa: PTH207
    if not matches:
        raise CallError(f"{path}: no such file or folder", "a capture, a folder or a pattern")
    for match in matches:
        if Path(match).is_dir():
            yield from _inside(match, without)
        else:
            yield match


def _inside(folder: str, without: set[str]) -> Iterator[str]:
    for place, folders, files in os.walk(folder):
        folders[:] = sorted(
            f
            for f in folders
            if not f.startswith(".") and os.path.realpath(Path(place, f)) not in without
        )
        for name in sorted(files):
            path = Path(place, name)
            kept = name.startswith(".") or name == FOLDER_SETUP or name.endswith(".setup.yaml")
            # a link to nothing is told as what it is; a pipe or a device is no file
            file = path.is_file() or not path.exists()
            if not kept and os.path.realpath(path) not in without and file:
                yield os.fspath(path)


def load_manifest(path: str | os.PathLike[str]) -> tuple[SurveySource, ...]:
    """A manifest, CSV with a title row or YAML (a list of mappings): file, unit, firmware, test, variant.

    Names of files are relative to the manifest. Raises FileError with every problem and its place.
    """
    place = Path(path)
    if place.suffix.lower() in (".yaml", ".yml"):
        rows, problems = _yaml_rows(place)
    else:
        rows, problems = _csv_rows(place)
    seen: set[str] = set()
    out = []
    for where, row in rows:
        if not row.get("file"):
            problems.append(Problem(where, "no file is named", "a `file`"))
            continue
        file = os.path.normpath(place.parent / row["file"])
        if not Path(file).is_file():
            problems.append(Problem(where, f"there is no file {file}"))
        elif file in seen:
            problems.append(Problem(where, f"{file} is named a second time"))
        seen.add(file)
        out.append(SurveySource(file, *(row.get(k, "") for k in MANIFEST[1:])))
    if problems:
        raise FileError(problems)
    return tuple(out)


_ManifestRows = tuple[list[tuple[Place, dict[str, str]]], list[Problem]]


def _unknown(where: Place, names: Iterable[str]) -> list[Problem]:
    return [
        Problem(
            where,
            f"a manifest has no {name!r}",
            f"one of {', '.join(MANIFEST)}",
            nearest=closest(name, MANIFEST),
        )
        for name in names
        if name not in MANIFEST
    ]


def _csv_rows(path: Path) -> _ManifestRows:
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise FileError.at(Place(os.fspath(path)), f"cannot be read: {error}") from None
    lines = csv.reader(io.StringIO(text))
    head = [h.strip() for h in next(lines, [])]
    first = Place(os.fspath(path), 1, 1)
    problems = _unknown(first, head)
    if "file" not in head:
        problems.append(Problem(first, "the title row has no `file`", ", ".join(MANIFEST)))
    rows = []
    for row in lines:
        where = Place(os.fspath(path), lines.line_num, 1)
        if not any(cell.strip() for cell in row):
            continue
        if len(row) != len(head):
            problems.append(Problem(where, f"{len(row)} cells", f"{len(head)}, as the title row"))
            continue
        rows.append((where, {h: cell.strip() for h, cell in zip(head, row, strict=True)}))
    return (rows if not problems or "file" in head else []), problems


def _yaml_rows(path: Path) -> _ManifestRows:
    root = compose_file(path).node
    name = os.fspath(path)
    items = root.value if isinstance(root, SequenceNode) else [root]
    rows: list[tuple[Place, dict[str, str]]] = []
    problems: list[Problem] = []
    for item in items:
        where = Place(name, item.start_mark.line + 1, item.start_mark.column + 1)
        if not isinstance(item, MappingNode):
            problems.append(Problem(where, "no mapping", "a list of mappings with `file`"))
            continue
        row = {}
        for key, value in item.value:
            at = Place(name, key.start_mark.line + 1, key.start_mark.column + 1)
            if not isinstance(key, ScalarNode) or not isinstance(value, ScalarNode):
                problems.append(Problem(at, "no plain text", "as in `file: night/a.vcd`"))
                continue
            problems += _unknown(at, [key.value])
            if key.value in row:
                problems.append(Problem(at, f"{key.value} is given a second time"))
            row[key.value] = value.value
        rows.append((where, row))
    return rows, problems
