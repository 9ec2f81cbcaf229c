"""Writing files whole or not at all."""

from __future__ import annotations

import os
from pathlib import Path

from regmap.errors import CallError


def write_text(path: Path, text: str, *, only_if_changed: bool = False) -> bool:
    """Write to a temporary file beside `path`, then rename. True where the file was (re)written.

    A link keeps pointing where it did. What is no regular file (a pipe, a device such as /dev/null)
    is written into: a rename would put a file in the device's place.
    Raises CallError with one clear sentence where that cannot be.
    """
    data = text.encode()
    name = path
    try:
        if path.exists() and not path.is_file() and not path.is_dir():
            with path.open("wb") as stream:
                stream.write(data)
            return True
        if path.is_symlink():
            path = path.resolve()
        if only_if_changed and path.is_file() and path.read_bytes() == data:
            return False
        if path.is_dir():
            raise CallError(f"{name} is a directory; expected a file name")
        import tempfile  # most builds find nothing to write

        handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
        try:
            with os.fdopen(handle, "wb") as stream:
                stream.write(data)
            mode = path.stat().st_mode & 0o777 if path.exists() else 0o666 & ~_umask()
            Path(temporary).chmod(mode)
            Path(temporary).replace(path)
        except BaseException:
            Path(temporary).unlink(missing_ok=True)
            raise
    except OSError as error:
        raise CallError(f"{name} cannot be written ({error.strerror or error})") from None
    return True


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
