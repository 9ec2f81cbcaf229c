"""Which column of a log is the time, the unit and which register: by name, as told, never by a guess between two."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence

from regmap.chip.model import Chip
from regmap.errors import CallError, closest
from regmap.record import dataclass, field, replace

#: unit of a time column's numbers -> ns in one
TIME_UNITS = {"s": 1_000_000_000, "ms": 1_000_000, "us": 1_000, "ns": 1}

#: what a log's columns may be, and by what names they are found without being told
NAMES: dict[str, tuple[str, ...]] = {
    "time": ("time", "timestamp", "ts", "t", "instant", "datetime", "utc"),
    "unit": ("unit", "unitid", "device", "deviceid", "serial", "serialnumber", "node"),
    "reset": ("reset", "powerup", "boot", "restart"),
    "sent": ("sent", "sdi", "mosi", "command"),
    "reply": ("reply", "sdo", "miso"),
}
_AROUND = re.compile(r"^(reg|register|raw|word)|(reg|register|raw|word|hex|value)$")


@dataclass(frozen=True, slots=True)
class LogColumns:
    """Columns of a log by their roles. `registers` is by register of the map; "" stands for none.

    `time_unit` is that of numbers; timestamps say it themselves. A log of frames has no `registers` but `sent`
    and `reply`, the frame to the chip and the one that came back in its clocks.
    """

    time: str
    registers: Mapping[str, str] = field(default_factory=dict)
    unit: str = ""
    reset: str = ""
    time_unit: str = "s"
    sent: str = ""
    reply: str = ""

    @property
    def words(self) -> dict[str, str]:
        """The columns of words by what they hold: registers, or `sent` and `reply`."""
        return dict(self.registers) or {"sent": self.sent, "reply": self.reply}

    def text(self) -> str:
        """One line to be shown: `time=t (s) unit=serial STATUS1=s1`."""
        parts = [f"time={self.time} ({self.time_unit})"]
        parts += [f"{role}={name}" for role in ("unit", "reset", "sent", "reply") if (name := getattr(self, role))]  # fmt: skip
        return " ".join([*parts, *(f"{r}={c}" for r, c in self.registers.items())])


def together(files: Iterable[LogColumns]) -> LogColumns:
    """The columns of logs that have not all the same: as the first, with the registers of all."""
    first, *others = files
    registers = dict(first.registers)
    for other in others:
        registers = {**other.registers, **registers}
    return replace(first, registers=registers)


def find_columns(
    names: Sequence[str], chip: Chip, given: Mapping[str, str] | None = None, time_unit: str = ""
) -> LogColumns:
    """The columns of a log by role. `given` maps time, unit, reset, sent, reply or a register to a column ("-": none).

    Raises CallError with all candidates where two columns would do, where none would that is needed, and for
    names that neither the log nor the map has.
    """
    told = dict(given or {})
    roles = [*NAMES, *chip.registers]
    for role, name in told.items():
        if role not in roles:
            raise CallError(f"no role {role[:40]!r}", f"{', '.join(NAMES)} or a register", nearest=closest(role, roles))  # fmt: skip
        if name not in names and name != "-":
            raise CallError(f"the log has no column {name[:40]!r} for {role}", ", ".join(names[:40]), nearest=closest(name, names))  # fmt: skip
    if time_unit and time_unit not in TIME_UNITS:
        raise CallError(f"no unit of time {time_unit[:20]!r}", f"one of {', '.join(TIME_UNITS)}")
    left = [n for n in names if n not in told.values()]
    found = {role: told[role] if role in told else _one(role, _alike(role, left)) for role in NAMES}
    registers = {}
    for register in chip.registers:
        name = told.get(register) or _one(register, [n for n in left if _bare(n) in (_plain(register), _plain(register) + "reg")])  # fmt: skip
        if name and name != "-":
            registers[register] = name
    if not found["time"] or found["time"] == "-":
        raise CallError(f"no column is the time: {', '.join(names[:40])}", "time=COLUMN")
    frames = {role: found[role].removeprefix("-") for role in ("sent", "reply")}
    if registers and any(role in told for role in frames if frames[role]):
        raise CallError(f"the log has registers ({', '.join(registers)}) and frames", "one of them; NAME=- for none")  # fmt: skip
    if registers:
        frames = {}  # words say more than frames that may stand beside them
    elif not all(frames.values()):
        raise CallError(
            f"no column is a register of {chip.name}: {', '.join(names[:40])}",
            f"REGISTER=COLUMN, as {next(iter(chip.registers), 'STATUS')}=word; of frames sent=COLUMN and reply=COLUMN",
        )
    own = re.search(r"[_( \[](s|ms|us|ns)[)\]]?$", found["time"])
    return LogColumns(
        time=found["time"],
        registers=registers,
        unit=found["unit"].removeprefix("-"),
        reset=found["reset"].removeprefix("-"),
        time_unit=time_unit or (own[1] if own else "s"),
        **frames,
    )


def _plain(name: str) -> str:
    return re.sub(r"[^a-z0-9]", "", name.lower())


def _bare(name: str) -> str:
    plain = _plain(name)
    return _AROUND.sub("", plain) or plain


def _alike(role: str, names: Iterable[str]) -> list[str]:
    """Columns called as the role is, a unit of time behind it left out."""
    found = []
    for name in names:
        short = re.sub(r"[_( \[](s|ms|us|ns)[)\]]?$", "", name) if role == "time" else name
        if _plain(short) in NAMES[role]:
            found.append(name)
    return found


def _one(role: str, names: Sequence[str]) -> str:
    if len(names) > 1:
        raise CallError(
            f"{role} may be any of the columns {', '.join(names)}", f"{role}=COLUMN, or {role}=-"
        )
    return names[0] if names else ""
