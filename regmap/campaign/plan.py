"""A fault-injection plan before there is hardware: a campaign file with a case for each fault of a map, in every
mode of the stage, with what the chip makes of it there and the mode that follows.

What to do on a bench follows from what a fault watches and from the stage's numbers; where nothing
does, the map's own causes stand there. Every act is a proposal to be judged by those who know the bench.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from ..assessment.fallback import FallbackRow, fallback
from ..assessment.transition import name_of, states_of
from ..cautions import FIRST_WRITE
from ..chip.bank import Bank
from ..chip.model import Chip, Fault
from ..errors import CallError
from ..stages.load import Stage
from .expected import expected
from .follow import in_files
from .load import NOTHING, case_name

_ACTS = {
    "uv.threshold": "lower the supply, from a current-limited source, slowly below {value}",
    "ov.threshold": "raise the supply, from a current-limited source, slowly above {value}, and no further than the ratings allow",
    "vds.threshold": "with the DC link fed by a current-limited source and a fuse, bring more than {value} across the MOSFET that is on",
    "overcurrent.threshold": "bring more than {value} across the shunt, by a current-limited source at the shunt rather than by motor current",
    "watchdog.window": "stop serving the watchdog",
}
_RAISED = {
    "check_bits": "send one frame with a wrong check bit",
    "clocks": "send one frame with one clock too few",
    "address": "read an address that has no register",
    "operation": "send one frame with an operation that the map does not name",
    "counter": "send one frame with a counter out of step",
    "watchdog": "stop serving the watchdog",
    "locked_write": "write a register that is locked",
    "read_only_write": "write a read-only register",
}


def new_campaign(
    name: str,
    document: str,
    chip: Chip,
    bank: Bank,
    stage: Stage | None,
    *,
    written: bool = True,
) -> str:
    """The text of a campaign over all faults of a chip in every mode of the stage; `document` is how the file
    names stage or map, `written` whether it states the fall-back table or leaves it to the stage."""
    rows = (
        {(r.mode, r.fault): r for r in fallback(stage)}
        if stage is not None and stage.modes and written
        else {}
    )
    lines = [
        "# A fault-injection plan, written from the map and the stage; a proposal, to be reviewed before use.",
        *(f"# {line}" for line in _folded(FIRST_WRITE)),
        "",
        "gateword_campaign: 1",
        f"campaign: {{name: {name}}}",
        f"{'stage' if stage is not None else 'map'}: {document}",
        "target: {twin: yes}              # or {port: PORT}: then `manual` is asked of the operator",
        "repeats: 1",
        "order: as_written                # or random, with a seed",
        "seed: 1",
        "",
        "cases:",
    ]
    for mode in states_of(stage) if stage is not None else [None]:
        held = mode.bank if mode is not None and mode.mode else bank
        for fault in chip.faults.values():
            if not fault.summary_of:
                lines += _case(chip, held, fault, mode, rows)
    return "\n".join(lines) + "\n"


def _case(
    chip: Chip,
    bank: Bank,
    fault: Fault,
    mode: Stage | None,
    rows: Mapping[tuple[str, str], FallbackRow],
) -> Iterator[str]:
    """The lines of one case."""
    want = expected(chip, bank, fault, mode.params if mode is not None else {})
    name = mode.mode if mode is not None else ""
    yield f"  {case_name(name, fault.name)}:{'':<12}# {fault.title}"
    if name:
        yield f"    fault: {fault.name}"
        yield f"    mode: {name}"
    row = rows.get((name_of(mode), fault.name)) if mode is not None else None
    if row is not None:
        for gap in row.gaps:
            yield f"    # open: {gap}"
        yield f"    chip: {row.seen}"
        yield f"    then: {in_files(row.then) or NOTHING}"
    if not want.shown:
        yield "    # masked by these settings: nothing may show"
    yield f"    disturb: {_disturb(fault)}"
    yield f"    manual: {_quoted(act(chip, bank, fault))}"
    shown = ", ".join(f"{ref}: 0x{code:X}" for ref, code in want.codes.items())
    yield f"    {'expect' if want.shown else '# not expected'}: {{{shown}}}"
    if want.pin_low is not None:
        yield f"    pin: {'low' if want.pin_low else 'high'}"
    for key, limit in want.limits.items():
        yield f"    # {key} within {limit * 1e3:.6g} ms: {want.origins[key]}"


def act(chip: Chip, bank: Bank, fault: Fault) -> str:
    """What an operator does on a bench so that this fault comes, as far as map and stage tell."""
    for cause in fault.raised_by:
        if cause in _RAISED:
            return _RAISED[cause]
    for role, text in _ACTS.items():
        if role in fault.uses:
            return text.format(value=_value(chip, bank, role))
    if fault.normal_at_power_up:
        return "take the supply of the logic away and give it back"
    causes = "; or ".join(fault.causes[:2]) or fault.title
    return f"bring about what the map names as a cause: {causes}"


def _disturb(fault: Fault) -> str:
    if fault.normal_at_power_up:
        return "no_power for 1 ms"
    return fault.name.lower()


def _value(chip: Chip, bank: Bank, role: str) -> str:
    for item in chip.with_role(role):
        try:
            reading = bank.reading(getattr(item, "ref", item.name))
        except CallError:
            continue
        if reading is not None and reading.band is not None:
            return f"{reading.band}"
    return "its threshold"


def _quoted(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"


def _folded(text: str, width: int = 98) -> Iterator[str]:
    line = ""
    for word in text.split():
        if line and len(line) + 1 + len(word) > width:
            yield line
            line = word
        else:
            line = f"{line} {word}".strip()
    yield line
