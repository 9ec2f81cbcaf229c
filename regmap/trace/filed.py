"""A capture from its file, read as the set-up kept beside it (or in its folder) says."""

from __future__ import annotations

import os
from collections.abc import Sequence

from regmap.capture.formats.opening import open_capture
from regmap.capture.setupfile import setup_for
from regmap.chip.model import Chip

from .tracer import How, Trace, trace_capture


def trace_file(path: str | os.PathLike[str], chips: Sequence[Chip]) -> Trace:
    """The trace of a file. Raises CaptureError for what cannot be read, FileError for a set-up with problems."""
    setup, _ = setup_for(path)
    with open_capture(
        path, format=setup.format, options=setup.options, lines=bool(setup.channels)
    ) as capture:
        how = How(roles=setup.channels, spi=setup.spi)
        return trace_capture(capture, chips, how, chain=chips[0].chain)
