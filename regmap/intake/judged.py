"""What is in doubt about what was found, which roles its fields may have, and which bits are faults."""

from __future__ import annotations

import re

from regmap.record import dataclass

from ..chip.bits import spans
from ..errors import CallError
from ..parameters import ROLES
from ..quantity import DIMENSIONS, parse
from .cells import is_quantity
from .found import FoundField, FoundRegister, FoundSheet

#: words that lead to a role, in the name and the description (common practice, no source); all of one row must be there
_ROLE_WORDS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("gate.soft_off", (r"soft", r"off|shut ?down")),
    ("gate.hold", (r"hold",)),
    ("gate.drive_time", (r"t_?drive|drive time|full.drive",)),
    ("gate.source", (r"sourc|i_?drivep|turn.?on current|pull.?up",)),
    ("gate.sink", (r"sink|i_?driven|turn.?off current|pull.?down",)),
    ("vds.blanking", (r"vds|drain|short", r"blank|t_?bl")),
    ("vds.filter", (r"vds|drain|short", r"filter|deglitch|t_?flt")),
    ("vds.threshold", (r"vds|drain", r"thr|level|trip|lvl")),
    ("vds.threshold", (r"vds_?(th|lvl)",)),
    ("deadtime", (r"dead|\bdt\b|\btdt\b",)),
    ("sense.reference", (r"(csa|sense|amp)", r"ref")),
    ("sense.gain", (r"gain",)),
    ("overcurrent.filter", (r"overcurrent|over.current|\boc|ocp", r"filter|deglitch")),
    ("overcurrent.threshold", (r"overcurrent|over.current|\boc|ocp|shunt", r"thr|level|trip|lvl")),
    ("uv.threshold", (r"undervoltage|under.voltage|uv", r"thr|level")),
    ("ov.threshold", (r"overvoltage|over.voltage|ov", r"thr|level")),
    ("temperature.warning", (r"temp|\bot", r"warn")),
    ("temperature.shutdown", (r"temp|\bot", r"shut|off")),
    ("retry.time", (r"retry",)),
    ("watchdog.window", (r"watchdog|wd", r"window|time|period")),
    ("vds.mode", (r"vds", r"mode|action|react|_act")),
    ("overcurrent.mode", (r"overcurrent|over.current|\boc|ocp", r"mode|action|react|_act")),
    ("watchdog.enable", (r"watchdog|wd", r"enable|_en\b")),
    ("pwm.mode", (r"pwm", r"mode")),
    ("lock", (r"\block\b",)),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class FaultDraft:
    """Starting texts for one class of faults; common practice, no source."""

    pattern: str
    title: str
    severity: str
    meaning: str
    causes: tuple[str, ...]
    check_first: tuple[str, ...]


#: classes of faults of the trade, the first that fits decides (common practice, no source)
DRAFTS: tuple[FaultDraft, ...] = (
    FaultDraft(r"pump|vcp|boot|uv_?(gls|ghs|drv)|gate supply", "Gate supply undervoltage", "stop", "The supply of the gates fell below its threshold.", ("pump or bootstrap capacitor too small or missing", "gate charge times frequency beyond the pump"), ("pump voltage under load",)),
    FaultDraft(r"under.?voltage|\buv|_uv|uvlo", "Supply undervoltage", "stop", "A supply fell below its threshold.", ("supply line too thin", "load step"), ("supply at the chip's pin under load",)),
    FaultDraft(r"over.?voltage|\bov|_ov", "Supply overvoltage", "stop", "A supply rose above its threshold.", ("energy fed back while braking", "surge on the supply"), ("DC link voltage while braking",)),
    FaultDraft(r"vds|drain|desat|short", "VDS fault", "stop", "The drain-source voltage of a switch that is on stayed above its threshold.", ("short of a phase", "blanking shorter than the turn-on"), ("phase outputs for a short, power off", "VDS and gate of this switch with a scope")),
    FaultDraft(r"vgs|gate", "Gate fault", "stop", "A gate did not follow its command.", ("gate shorted or not connected", "gate current too small for the charge"), ("gate resistor and MOSFET, power off",)),
    FaultDraft(r"over.?current|\bocp?|_ocp?\b|_oc_|sense.*(trip|limit)", "Overcurrent", "stop", "The shunt current rose above its threshold.", ("motor stalled or shorted", "threshold below the wanted peak current"), ("phase currents", "shunt and its connection")),
    FaultDraft(r"warn.*temp|temp.*warn|otw|ot_warn", "Temperature warning", "warn", "The junction is above the warning temperature.", ("load or ambient too hot",), ("temperature of the board near the chip",)),
    FaultDraft(r"over.?temp|\botp?|_otp?\b|otsd|tsd|thermal", "Overtemperature", "stop", "The junction is above the shutdown temperature.", ("load or ambient too hot", "thermal pad not soldered"), ("temperature of the board near the chip",)),
    FaultDraft(r"watchdog|\bwd|_wd", "Watchdog", "stop", "The watchdog was not served in its window.", ("firmware hangs or is held in a debugger",), ("period of the service frames",)),
    FaultDraft(r"spi|crc|parity|frame|sclk|clock", "SPI error", "warn", "A frame with wrong check bits or clock count arrived.", ("wrong SPI mode or length", "noise on the clock"), ("chip select, clock and SDI with a scope",)),
    FaultDraft(r"\bpor\b|reset|power.?up|npor", "Power-on reset", "warn", "The configuration is at reset.", ("normal after power-up", "supply dip"), ("whether the drive was just switched on",)),
)  # fmt: skip


def draft_of(found: FoundField, register: FoundRegister) -> FaultDraft | None:
    """The class of faults that a status bit seems to show, or None."""
    access = found.access or register.access
    status = re.search(
        r"stat|fault|diag|flag|err|warn", f"{register.name} {register.summary}", re.I
    )
    if (
        len(found.bits) != 1
        or found.reserved
        or access not in ("ro", "rc", "w1c", "w0c")
        or not status
    ):
        return None
    for text in (found.name, found.summary):
        said = text.lower()
        for draft in DRAFTS:
            if re.search(draft.pattern, said):
                return draft
    return None


def sheet_fault(sheet: FoundSheet, name: str) -> str:
    """The name of the fault that a status bit of a reply is called after, or ""."""
    for register in sheet.registers:
        for found in register.fields:
            if found.name.lower() == name.lower() and draft_of(found, register):
                return found.name
    return ""


def propose_roles(sheet: FoundSheet) -> None:
    """A role for each setting whose words and unit lead to one; `role_words` says which."""
    for register in sheet.registers:
        for found in register.fields:
            access = found.access or register.access
            if found.reserved or access not in ("rw", "wo", "once", ""):
                continue
            said = f"{found.name} {found.name.replace('_', ' ')} {found.summary}".lower()
            for role, patterns in _ROLE_WORDS:
                hits = [re.search(rf"\w*(?:{p})\w*", said) for p in patterns]
                if all(hits) and _fits(role, found):
                    words = [h[0] for h in hits if h]
                    unit = _unit(found)
                    side = re.search(
                        r"\b(high|hs|low|ls)[ -]?(side)?s?\b",
                        f"{said} {register.name.lower().replace('_', ' ')} {register.summary.lower()}",
                    )
                    if side:
                        sided = f"{role}.{'high' if side[1] in ('high', 'hs') else 'low'}"
                        if sided in ROLES:
                            role = sided
                            words.append(side[0])
                    found.role = role
                    found.role_words = ", ".join([*dict.fromkeys(words), *([unit] if unit else [])])
                    break


def _unit(found: FoundField) -> str:
    if found.values:
        return found.values.unit
    if found.scale:
        return found.scale[0].split()[-1]
    return next((v.split()[-1] for v in found.options.values() if is_quantity(v)), "")


def _fits(role: str, found: FoundField) -> bool:
    """Whether the unit is one of the role's dimension; a switch or a mode has none."""
    want = ROLES[role].dimension
    unit = _unit(found)
    if want is None or not unit:
        return want is None and not unit
    try:
        return parse(f"1 {unit}").dim == DIMENSIONS[want][0]
    except CallError:
        return False


def find_doubts(sheet: FoundSheet) -> None:
    """Overlaps, holes, resets that disagree, and what was not found."""
    addresses: dict[tuple[int | None, int], str] = {}
    for register in sheet.registers:
        of = [register.name]
        if register.address is None:
            sheet.doubt("open", "no address was found", of=of)
        else:
            other = addresses.setdefault((register.page, register.address), register.name)
            if other != register.name:
                sheet.doubt(
                    "serious", f"address 0x{register.address:X} is also that of {other}", of=of
                )
        if not register.fields:
            sheet.doubt("open", "no fields were found", of=of)
            continue
        _bits(sheet, register)
        _resets(sheet, register)
        names = [f.name for f in register.fields if f.name]
        for name in dict.fromkeys(n for n in names if names.count(n) > 1):
            sheet.doubt("serious", f"two fields are called {name}", of=[register.name, name])
        for found in register.fields:
            if not found.reserved and not found.access and not register.access:
                sheet.doubt("open", "no access was found", of=[register.name, found.name])
    if not sheet.registers:
        return
    if not sheet.parts:
        sheet.doubt(
            "open",
            "no frame layout was found: which bits hold operation, address, data and check bits?",
        )
    if sheet.parts and not sheet.reply:
        sheet.doubt(
            "open", "no layout of the reply was found: where do its data and status bits stand?"
        )
    if "mode" not in sheet.limits:
        sheet.doubt("open", "no SPI mode was found: which level and edge has the clock?")
    if sheet.parts and "after" not in sheet.limits:
        sheet.doubt("open", "does the reply come in the same frame or in the next?")


def _bits(sheet: FoundSheet, register: FoundRegister) -> None:
    owner: dict[int, str] = {}
    for found in register.fields:
        for bit in found.bits:
            other = owner.setdefault(bit, found.name or "reserved bits")
            if other != (found.name or "reserved bits"):
                sheet.doubt(
                    "serious",
                    f"bit {bit} belongs to {other} and to {found.name or 'reserved bits'}",
                    of=[register.name, found.name],
                )
                break
    widths = [
        r.width or max((b for f in r.fields for b in f.bits), default=-1) + 1
        for r in sheet.registers
    ]
    width = register.width or max(widths)
    holes = [b for b in range(width - 1, -1, -1) if b not in owner]
    if holes and owner:
        sheet.doubt(
            "open", f"nothing was found about bits {spans(tuple(holes))}", of=[register.name]
        )


def _resets(sheet: FoundSheet, register: FoundRegister) -> None:
    for found in register.fields:
        if found.reset is None:
            if register.reset is None and not found.reserved:
                sheet.doubt("open", "no reset was found", of=[register.name, found.name])
            continue
        if register.reset is not None:
            code = sum((register.reset >> b & 1) << i for i, b in enumerate(reversed(found.bits)))
            if code != found.reset:
                sheet.doubt(
                    "serious",
                    f"reset {found.reset} of the field, and {code} in the reset word 0x{register.reset:X}",
                    of=[register.name, found.name],
                )
