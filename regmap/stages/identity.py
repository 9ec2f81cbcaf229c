"""Which map, which stage and which settings: one identity, printed alike wherever it must be matched.

Record, header, capture, check and every exported file show the same three digests. Comments in the
YAML change none of them; the settings' digest is that of the register words and pins alone, so two
stages that set a chip alike share it. What is invented says so, map and stage each for itself.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from regmap.record import dataclass

from ..chip.model import Chip
from ..digest import hashed

if TYPE_CHECKING:
    from .load import Stage  # a map alone has an identity too, and is read without what stages need

DIGITS = 16


@dataclass(frozen=True, slots=True)
class Named:
    """A map or a stage: its name, digest (SHA-256, hex) and whether it is invented."""

    name: str
    digest: str
    invented: bool

    def __str__(self) -> str:
        return f"{self.name} {self.digest[:DIGITS]}{' (invented)' if self.invented else ''}"

    def json(self) -> dict[str, object]:
        """A plain object for `--json`."""
        return {"name": self.name, "digest": self.digest, "invented": self.invented}


@dataclass(frozen=True, slots=True)
class DocumentIdentity:
    """Maps (several in a chain), and the stage with its settings where there is one."""

    maps: tuple[Named, ...]
    stage: Named | None = None
    settings: str = ""

    @property
    def invented(self) -> bool:
        """Whether anything of it is."""
        return any(m.invented for m in (*self.maps, *((self.stage,) if self.stage else ())))

    def __str__(self) -> str:
        parts = [f"map {m}" for m in self.maps]
        if self.stage is not None:
            parts += [f"stage {self.stage}", f"settings {self.settings[:DIGITS]}"]
        return ", ".join(parts)

    def json(self) -> dict[str, object]:
        """A plain object for `--json`."""
        return {
            "maps": [m.json() for m in self.maps],
            "stage": self.stage.json() if self.stage else None,
            "settings": self.settings or None,
        }


def settings_digest(stage: Stage) -> str:
    """SHA-256 of what the chip is to hold: register words in order of name, and what pins set."""
    bank = stage.bank
    lines = [f"{name}={word:X}" for name, word in sorted(bank.words.items())]
    lines += [f"{name}={code:X}" for name, code in sorted(bank.externals.items())]
    return hashed("\n".join(lines))


def identity(source: Stage | Chip, *more: Chip) -> DocumentIdentity:
    """The identity of a stage, or of one or more maps."""
    if isinstance(source, Chip):
        chips: tuple[Chip, ...] = (source, *more)
        return DocumentIdentity(_maps(chips))
    return DocumentIdentity(
        _maps(source.chain or (source.chip,)),
        Named(source.name, source.digest, source.invented),
        settings_digest(source),
    )


def _maps(chips: tuple[Chip, ...]) -> tuple[Named, ...]:
    return tuple(dict.fromkeys(Named(c.name, c.digest, c.invented) for c in chips))
