"""Requirements of a specification, tied to settings and checks of a stage by their identifiers.

requirement:
  SYS-12:
    text: No shoot-through at any temperature
    by: [TIMING.DEAD_TIME, deadtime.enough]
"""

from __future__ import annotations

from collections.abc import Mapping

from regmap.record import dataclass

from ..chip.bank import find, unknown
from ..chip.model import Chip, Field
from ..document.reader import Reader
from ..document.schema import Many, Rec, Record, Table, Text, Word
from ..document.source import Sources
from ..formerly import check_name


@dataclass(frozen=True, slots=True)
class Requirement:
    """One requirement: its identifier, its words, and what of the stage answers it."""

    ident: str
    text: str
    settings: tuple[str, ...]
    checks: tuple[str, ...]
    origin: str


def requirement_shape() -> Table:
    """How the key `requirement` is written."""
    return Table(
        Word(r"[A-Za-z0-9][A-Za-z0-9_.:/\-]{0,79}", "an identifier, as SYS-12"),
        Record(
            {
                "text": (Text(), False, "the requirement in words"),
                "by": (
                    Many(Text(), "settings and checks"),
                    True,
                    "settings (REG.FIELD) and checks (a name, or its beginning up to a dot) that answer it",
                ),
            },
            "a requirement",
        ),
        "requirements by identifier",
    )


def requirements_of(read: Mapping[str, Rec], chip: Chip, reader: Reader) -> tuple[Requirement, ...]:
    """The requirements of a stage; a name that is neither a setting nor like a check is a problem at its line."""
    found = []
    nodes = getattr(read, "value_nodes", {})
    for ident, entry in read.items():
        settings, checks = [], []
        for name in entry.get("by", ()):
            item = find(chip, name)
            if item is not None and not (isinstance(item, Field) and not item.setting):
                settings.append(name)
            elif item is None and _looks_like_check(name):
                checks.append(check_name(name))
            else:
                wrong = unknown(chip, name)
                reader.complain(
                    entry.value_nodes.get("by"),
                    f"requirement.{ident}.by",
                    wrong.found if item is None else f"{name!r}, which holds no setting",
                    "a setting or a check",
                    wrong.nearest if item is None else "",
                )
        node = nodes.get(ident)
        origin = Sources.origin(node) if node is not None else ""
        found.append(
            Requirement(ident, entry.get("text", ""), tuple(settings), tuple(checks), origin)
        )
    return tuple(found)


def _looks_like_check(name: str) -> bool:
    return (
        bool(name) and name[0].islower() and name.replace("-", "").replace(".", "").isidentifier()
    )
