"""Every output of the program goes through here: never over an input, whole or not at all."""

from __future__ import annotations

import argparse
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

from regmap.errors import CallError
from regmap.files import Gate, reason, write_whole

if TYPE_CHECKING:
    from .context import Context

#: Where argparse keeps names of files to be written; every other argument that names a file is read.
OUTPUTS = frozenset(
    {
        "output",
        "source",
        "self_test",
        "depfile",
        "log",
        "vcd",
        "spice",
        "plot",
        "picture",
        "junit",
        "trace",
        "patch",
        "sarif",
        "html",
    }
)
#: Commands whose own argument is what they write.
MAKERS = {"new": "file"}


def open_gate(args: argparse.Namespace) -> Gate:
    """The gate of a command with all that its shell line names. Raises CallError for a clash.

    `main` has it told of every text that is read later, whoever names it; who reads bytes of further files tells it
    himself: `context.gate.reads(files)`.
    """
    gate = Gate()
    written = OUTPUTS | {MAKERS.get(args.command, "")}
    outputs = [v for n, v in vars(args).items() if n in written and isinstance(v, str) and v != "-"]
    # files that a command changes: a stage that its proposal goes into, a map that a newer source goes into
    if outputs and (
        (args.command == "propose" and _same_file(outputs[0], args.stage))
        or (args.command == "new" and args.update)
    ):
        gate.edits(outputs[0])
    for output in outputs:
        if getattr(args, "kind", "") != "project":  # a folder hides nothing
            _refuse_hiding(output)
        gate.writes(output)
    for name, value in vars(args).items():
        if name not in written:
            texts = value if isinstance(value, (list, tuple)) else [value]
            gate.reads(t for t in texts if isinstance(t, str) and 0 < len(t) < 4096 and _is_file(t))
    return gate


def _refuse_hiding(output: str) -> None:
    """A file called as a bundled document is would be read instead of it from then on."""
    if Path(output).suffix or len(Path(output).parts) != 1 or Path(output).exists():
        return
    from regmap.maps.load import bundled

    if output in bundled("devices"):
        raise CallError(
            f"a file {output!r} would hide the bundled document of that name",
            f"a name with an ending, as {output}.yaml",
        )


def _is_file(text: str) -> bool:
    try:
        return Path(text).is_file()
    except (OSError, ValueError):
        return False


def _same_file(one: str, other: str) -> bool:
    return _is_file(one) and _is_file(other) and Path(one).samefile(other)


def write_text(path: Path, text: str, *, only_if_changed: bool = False) -> bool:
    """`regmap.files.write_whole`. True where the file was (re)written.

    Raises CallError with one clear sentence where that cannot be.
    """
    try:
        return write_whole(path, text, only_if_changed=only_if_changed)
    except OSError as error:
        raise CallError(reason(path, error)) from None


def wait_for_reader(path: str | None, context: Context) -> None:
    """Before a pipe is opened: say that this waits until somebody reads from it."""
    if path is not None and Path(path).is_fifo():
        context.err(f"recording into the pipe {path}; waiting for its reader")


def tell_left_behind(paths: Iterable[Path], context: Context) -> None:
    """What killed runs left of a file of this name; it may be all that is known of them."""
    for path in paths:
        size = path.stat().st_size if path.is_file() else 0
        context.err(
            f"note: an earlier run was killed and left {path} ({size} bytes); read or remove it"
        )
