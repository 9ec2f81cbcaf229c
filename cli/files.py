"""Writing files whole or not at all, with what the library says of it as one clear sentence."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from regmap.errors import CallError
from regmap.files import reason, write_whole

if TYPE_CHECKING:
    from .context import Context


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
