"""What a search may change of a stage, and what hangs on it.

    free = Freedom(stage, free=(), keep=(), loosen=())
    free.variables, free.kept                 the fields with the codes to choose from, and why the others stay
    free.role_scope("deadtime")               the variables that a lookup of this role may see

A protection is not loosened, whether the stage sets it or it stands as after reset: its field offers no code that
trips later, slower or not at all, unless the caller asks for it (`loosen`, or `free`). Where the controller inserts a dead time
of its own, or the chip waits by a handshake, the chip's fixed one is the backstop against errors of those, and such a protection:
none shorter is offered, unless a bridge that fails may need it (`bounds`). Where it is the only one it is a working value, which
`deadtime.enough` bounds.
"""

from __future__ import annotations

from collections.abc import Iterator

from ..behaviour.hazards import hazard
from ..chip import values
from ..chip.bank import find, need
from ..chip.model import Chip, External, Field, Joined
from ..errors import CallError
from ..expr import Expr
from ..parameters import OFF_WORDS, ROLES
from ..quantity import Band
from ..stages.load import Stage
from ..stages.load import atoms_of as atoms
from .search import Choosable, Codes

#: Roles that say what the drive is doing or how it is wired, and no goal may decide.
KEPT_ROLES = frozenset(
    {
        "drive.enable",
        "sleep",
        "lock",
        "clear",
        "watchdog.service",
        "sense.calibrate",
        "pwm.mode",
        "spi.check_bits",
    }
)

Item = Field | Joined | External

_UNASKED = "a protection is not loosened unasked"
_FOR_BRIDGE = "a dead time that stands behind another is shortened for a bridge that fails only"


def name_of(item: Item) -> str:
    """REG.FIELD, or the name of a joined or external value."""
    return item.ref if isinstance(item, Field) else item.name


class Freedom:
    """The variables of a search (`items` and `variables` go together) and the fields that are none, with why (`kept`).

    `guarded` are those that keep to codes no looser than the stage's; with `shorten` a backstop dead time may be shorter
    all the same (see `bounds`). Raises CallError for a name that means nothing, or a field that holds no setting.
    """

    def __init__(
        self,
        stage: Stage,
        free: tuple[str, ...],
        keep: tuple[str, ...],
        loosen: tuple[str, ...],
        *,
        shorten: bool = False,
    ) -> None:
        self.chip, self.base = stage.chip, stage.bank
        own = stage.params.get("pwm.deadtime")
        self.backed = (
            own is not None and isinstance(own.value, Band) and own.value.typ > 0
        ) or self._handshakes()
        self.shorten = shorten
        self.kept: dict[str, str] = {}
        self.guarded: dict[str, str] = {}
        for name in loosen:
            need(self.chip, name)
        self.loosen = {*loosen, *free}
        self.items = self._free(free, keep)
        self.atoms = [atoms(self.chip, name_of(i)) for i in self.items]
        self.conditions = conditions(self.chip)
        self.variables = [self._choosable(i) for i in self.items]
        self._role_scopes: dict[str, tuple[int, ...]] = {}

    def _free(self, free: tuple[str, ...], keep: tuple[str, ...]) -> list[Item]:
        for name in keep:
            need(self.chip, name)
        if free:
            items = [self._settable(name) for name in dict.fromkeys(free) if name not in keep]
            mine = {a for i in items for a in atoms(self.chip, name_of(i))}
            for item in self.with_roles():
                if not mine & atoms(self.chip, name_of(item)):
                    self.kept[name_of(item)] = "kept: not among the fields that are freed"
            self.kept.update(dict.fromkeys(keep, "kept as asked"))
        else:
            items = []
            taken: set[str] = set()
            for item in self.with_roles():
                name = name_of(item)
                if name in keep:
                    self.kept[name] = "kept as asked"
                elif item.role in KEPT_ROLES:
                    self.kept[name] = f"kept: {ROLES[item.role].doc}"
                elif taken & atoms(self.chip, name):
                    self.kept[name] = "part of a joined value"
                else:
                    items.append(item)
                    taken |= atoms(self.chip, name)
            for external in self.chip.externals.values():
                if external.role:
                    self.kept[external.name] = "kept: set outside the frame, by a pin or a resistor"
        order = {name_of(i): n for n, i in enumerate(items)}
        return sorted(items, key=lambda i: order[name_of(i)])

    def _handshakes(self) -> bool:
        """Whether the chip waits until it sees the other switch off; its fixed dead time stands behind that."""
        for item in self.chip.with_role("deadtime.handshake"):
            reading = self.base.reading(name_of(item))
            if reading is not None and reading.is_on("deadtime.handshake"):
                return True
        return False

    def backstops(self) -> list[Item]:
        """The free fields with a dead time that stands behind another, but for those that may be loosened anyway."""
        return [
            i
            for i in self.items
            if self.backed and _stem(i) == "deadtime" and name_of(i) not in self.loosen
        ]

    def with_roles(self) -> Iterator[Field | Joined]:
        """What holds a setting with a role."""
        yield from (j for j in self.chip.joined.values() if j.role)
        for register in self.chip.registers.values():
            yield from (f for f in register.fields if f.role and f.setting)

    def _settable(self, name: str) -> Item:
        item = need(self.chip, name)
        assert isinstance(item, (Field, Joined, External))
        if isinstance(item, Field) and not item.setting:
            raise CallError(f"{name} holds no setting ({item.access})")
        return item

    def _choosable(self, item: Item) -> Choosable:
        """Every code that means something of its own; the present one stands for those equal to it."""
        name = name_of(item)
        now = self.base.code(name)
        current = 0 if now is None else now
        readings = list(values.options(item, self.base))
        if len(item.meanings) > 1:
            seen_codes = {r.code for r in readings}
            for meaning in item.meanings:
                for code in range(min(1 << item.width, 4096)):
                    made = values.in_meaning(meaning, code, item.width)
                    if made.defined and code not in seen_codes:
                        seen_codes.add(code)
                        readings.append(made)
        single = len(item.meanings) <= 1 and not (self.conditions & atoms(self.chip, name))
        bands = {r.code: r.band.typ for r in readings if r.band is not None}
        codes: dict[object, int] = {}
        for reading in readings:
            key: object = (
                (reading.band, reading.name)
                if single and reading.band is not None
                else reading.code
            )
            if key not in codes or reading.code == current:
                codes[key] = reading.code
        kept = tuple(sorted(codes.values())) or (current,)
        if name not in self.loosen:
            tight = self._no_looser(item, current, kept)
            shorten = self.shorten and _stem(item) == "deadtime"
            if len(tight) < len(kept):
                self.guarded[name] = _FOR_BRIDGE if shorten else _UNASKED
            kept = kept if shorten else tight
        # by value where every code has one, so that steps mean something
        order = (
            tuple(sorted(kept, key=lambda c: (bands[c], c))) if set(kept) <= set(bands) else kept
        )
        return Choosable(name, kept, current, order)

    def _no_looser(self, item: Item, current: int, codes: Codes) -> Codes:
        now = values.read(item, current, self.base)
        return tuple(
            c
            for c in codes
            if c == current or not self.looser(item, now, values.read(item, c, self.base))
        )

    def protects(self, item: Item) -> bool:
        """Whether a field may be one that decides how well something protects, in this stage."""
        if _stem(item) == "deadtime":
            return self.backed and not self.shorten
        return _stem(item) in _LOOSER

    def looser(self, item: Item, now: values.Reading, other: values.Reading) -> bool:
        """Whether a protection protects less with the other value: later, slower, only told, or not at all."""
        if self.backed and _stem(item) == "deadtime":
            return _beyond(-1, now, other)
        return _looser(item, now, other)

    def scope(self, wanted: set[str]) -> tuple[int, ...]:
        """The variables that hold any of these atoms."""
        return tuple(n for n, mine in enumerate(self.atoms) if mine & wanted)

    def role_scope(self, role: str) -> tuple[int, ...]:
        """The variables that a lookup of this role may see, through its fallbacks."""
        if role not in self._role_scopes:
            wanted: set[str] = set()
            for name in role_chain(role):
                for item in self.chip.with_role(name):
                    wanted |= closure(self.chip, name_of(item))
            self._role_scopes[role] = self.scope(wanted)
        return self._role_scopes[role]


#: Protections by role (either side): 1 where a larger value trips later or slower, -1 a smaller one.
_LOOSER = {
    "vds.threshold": 1,
    "vds.blanking": 1,
    "vds.filter": 1,
    "overcurrent.threshold": 1,
    "overcurrent.filter": 1,
    "ov.threshold": 1,
    "uv.threshold": -1,
    "temperature.warning": 1,
    "temperature.shutdown": 1,
    "watchdog.window": 1,
    "watchdog.closed_share": -1,
}


def _stem(item: Item) -> str:
    """A role without its side."""
    return item.role.removesuffix(".high").removesuffix(".low")


def _beyond(way: int, now: values.Reading, other: values.Reading) -> bool:
    if now.band is None or other.band is None:
        return now.band is not None
    return way * (other.band.typ - now.band.typ) > 0


def _looser(item: Item, now: values.Reading, other: values.Reading) -> bool:
    way = _LOOSER.get(_stem(item))
    if way is not None:
        return _beyond(way, now, other)
    if not isinstance(item, Field):
        return False
    before, after = hazard(item, now.code), hazard(item, other.code)
    off = other.name.casefold() in OFF_WORDS and now.name.casefold() not in OFF_WORDS
    return bool(after) and (not before or off)


def role_chain(role: str) -> tuple[str, ...]:
    """The roles tried for one, in order."""
    chain = [role]
    while (step := ROLES[chain[-1]].instead) is not None and step not in chain:
        chain.append(step)
    return tuple(chain)


def closure(chip: Chip, name: str) -> set[str]:
    """The atoms of a value and of everything that decides what it means."""
    found: set[str] = set()
    waiting = [name]
    while waiting:
        here = waiting.pop()
        mine = atoms(chip, here)
        if mine <= found:
            continue
        found |= mine
        item = find(chip, here)
        for meaning in item.meanings if item is not None else ():
            if meaning.when is not None:
                waiting += [n for n in mentioned(chip, meaning.when) if n not in found]
    return found


def mentioned(chip: Chip, expr: Expr) -> set[str]:
    """The atoms that an expression hangs on, through states and meanings."""
    found: set[str] = set()
    for name in expr.names():
        state = chip.states.get(name)
        if state is not None:
            if state.when is not None:
                found |= mentioned(chip, state.when)
        elif find(chip, name) is not None:
            found |= closure(chip, name)
    return found


def conditions(chip: Chip) -> set[str]:
    """Every atom whose very code decides something: a rule, a mask, a layout, another meaning."""
    exprs = [r.require for r in chip.rules]
    fates = [e for f in chip.faults.values() for e in (f.masked_when, f.reported_only_when)]
    exprs += [e for e in fates if e is not None]
    exprs += [f.when for f in chip.frames.values() if f.when is not None]
    exprs += [s.when for s in chip.states.values() if s.when is not None]
    items: list[Item] = [*chip.joined.values(), *chip.externals.values()]
    items += [f for r in chip.registers.values() for f in r.fields]
    exprs += [m.when for i in items for m in i.meanings if m.when is not None]
    return {name for e in exprs for name in mentioned(chip, e)}
