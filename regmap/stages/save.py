"""Saving settings and stage values back into the user's own stage file: atomic, and never over what changed meanwhile.

    stage, text = save_stage(path, base_text, changes, chip, modes={"limp": changes_of_limp})

Every result of an edit (see `stageedit`) is read back as a stage and compared with what was wanted
before a byte reaches the disk: YAML too odd to be edited safely is refused, and the file stays as
it was.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterator, Mapping
from pathlib import Path

from ..budgets import limit
from ..chip.model import Chip
from ..document.source import decode_text, display_name
from ..errors import CallError, FileError, Problem
from ..files import write_whole
from ..holding import HeldError, hold
from .edit import BOM, edit_stage, new_stage
from .inputedit import apart, edit_document
from .load import Stage, in_mode, read_stage
from .whatif import read_input

__all__ = [
    "StageChangedError",
    "edit_document",
    "edit_stage",
    "edited",
    "new_stage",
    "proven",
    "read_stage_text",
    "save_stage",
    "write_whole",
]


class StageChangedError(CallError):
    """The file is no longer what it was when it was opened; `text` is what it holds now."""

    def __init__(self, path: Path, text: str) -> None:
        self.path, self.text = path, text
        super().__init__(f"{path} changed on disk since it was opened")


def read_stage_text(path: Path) -> str:
    """The file's text with its line ends and mark as they are. Raises FileError."""
    try:
        with path.open("rb") as handle:
            data = handle.read(limit("bytes") + 1)
    except OSError as error:
        raise FileError.at(str(path), f"cannot be read ({error.strerror or error})") from None
    text = decode_text(str(path), data)
    return BOM + text if data.startswith(b"\xef\xbb\xbf") else text


def proven(path: Path, text: str, wanted: Mapping[str, str], mode: str = "") -> Stage:
    """The stage that this text will be, if it (or its mode) states exactly `wanted`. Raises FileError or CallError."""
    stage, problems = read_stage(path, text=text.removeprefix(BOM))
    errors: list[Problem] = [p for p in problems if p.severity == "error"]
    if stage is None:
        raise FileError(errors)
    found = {s.name: s.asked for s in in_mode(stage, mode).settings}
    odd = next((n for n in {*found, *wanted} if found.get(n) != wanted.get(n)), None)
    if odd is not None:
        home = next((s.origin.rpartition(":")[0] for s in stage.settings if s.name == odd), "")
        if odd not in wanted and home != display_name(path):
            raise CallError(
                f"{odd} is stated in {home}, which this stage extends; nothing was written",
                f"`without: [{odd}]` in {path}, or a value of its own",
            )
        raise CallError(
            f"{odd} would read back as {found.get(odd)!r} instead of {wanted.get(odd)!r}; "
            f"nothing was written: {path} is written too oddly there, change it by hand"
        )
    return stage


def save_stage(
    path: Path,
    base: str | None,
    changes: Mapping[str, str | None],
    chip: Chip,
    *,
    merge: bool = False,
    modes: Mapping[str, Mapping[str, str | None]] | None = None,
) -> tuple[Stage, str]:
    """Edit the file and write it whole or not at all; returns the stage as saved and its text. `modes` are the changes
    that stand under a mode: they and the stage's own are one write, so that no mode is left behind.

    `base` is the text as it was opened: where the file holds another one now StageChangedError is
    raised, unless `merge` says to put the changes into what it holds now. With `base` None the
    file must not exist yet. Raises CallError or FileError, and then the file is as it was.
    """
    with _alone(path):
        now = read_stage_text(path)
        if now != base and not merge:
            raise StageChangedError(path, now)
        stage, text = edited(path, now, {"": changes, **(modes or {})}, chip)
        write_whole(path, text)
    return stage, text


@contextlib.contextmanager
def _alone(path: Path) -> Iterator[None]:
    """No other process of ours saves it between reading and writing."""
    end = time.monotonic() + 5
    while True:
        try:
            with hold(f"{path}.saving", "saves it"):
                yield
            return
        except HeldError:
            if time.monotonic() >= end:
                raise
            time.sleep(0.02)


def edited(
    path: Path, text: str, parts: Mapping[str, Mapping[str, str | None]], chip: Chip
) -> tuple[Stage, str]:
    """The stage and the text that come of the changes in `parts`, by mode ("": the stage's own), each part proven by
    reading it back; nothing is written. Raises CallError or FileError."""
    stage, problems = read_stage(path, text=text.removeprefix(BOM))
    if stage is None:
        raise FileError([p for p in problems if p.severity == "error"])
    for mode, changes in parts.items():
        if changes:
            stage, text = _edited(path, stage, text, changes, chip, mode)
    return stage, text


def _edited(
    path: Path,
    before: Stage,
    now: str,
    changes: Mapping[str, str | None],
    chip: Chip,
    mode: str,
) -> tuple[Stage, str]:
    """One part of them over the stage `before`, whose text is `now`."""
    stated = {s.name: s.asked for s in before.settings}
    wanted = {s.name: s.asked for s in in_mode(before, mode).settings}
    for name, value in apart(changes, chip)[0].items():
        wanted.pop(name, None)
        # what a mode no longer states is as the stage states it
        value = stated.get(name) if value is None and mode else value
        if value is not None:
            wanted[name] = value
    text = edit_document(now, changes, chip, mode=mode)
    stage = proven(path, text, wanted, mode)
    values = _plain_params(in_mode(before, mode))
    for name, value in apart(changes, chip)[1].items():
        values.pop(name, None)
        if value is not None:
            values[name] = read_input(name, value)
        elif mode and name in before.params:
            values[name] = before.params[name].value
    kept = not mode or (
        {s.name: s.asked for s in stage.settings} == stated
        and _plain_params(stage) == _plain_params(before)
    )
    if _plain_params(in_mode(stage, mode)) != values or not kept:
        raise CallError(
            f"saving would change more than was asked for; nothing was written to {path}"
        )
    return stage, text


def _plain_params(stage: Stage) -> dict[str, object]:
    """Parameters without their lines, which move when settings are added above them."""
    return {name: param.value for name, param in stage.params.items()}
