"""What tables and the driver know of a frame's module."""

from __future__ import annotations

from regmap.record import dataclass

from ...chip.model import Frame


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameModule:
    """What tables and the driver call of a frame's module."""

    frame: Frame
    index: int
    path: str
    counters: bool
    checked: bool
    reply_data: bool
    reply_errors: bool
    counter: tuple[str, int, int]
