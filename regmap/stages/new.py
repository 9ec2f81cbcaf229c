"""A commented starting stage for a map, from the closed table of parameters and the chip's own roles.

Nothing is filled in that a data sheet must say: a number that nobody chose is worse than none, so
every figure is left out with a comment that says what goes there and in which unit.
"""

from __future__ import annotations

from ..chip import values
from ..chip.bank import Bank
from ..chip.model import Chip
from ..maps.load import load_map
from ..parameters import STAGE, Parameter
from ..quantity import DIMENSIONS


def new_stage(map_name: str, *, name: str = "my_stage", written: str | None = None) -> str:
    """The text of a starting stage; it loads as it stands. Raises FileError for a map that does not.

    `written` is what the stage calls the map, where its own folder is not the one `map_name` is seen from.
    """
    chip = load_map(map_name)
    lines = [
        "# A stage: the power stage around one gate driver, and the settings wanted.",
        "# Fill in what the data sheets say; `gateword check` tells what is still missing.",
        "# Values are written with their unit, with tolerances as 40..60 nC, 20 / 25 / 30 mA or 25 mA +- 20 %.",
        "gateword_stage: 1",
        "",
        "stage:",
        f"  name: {name}",
        "  title: what it drives",
        "",
        f"map: {written or map_name}",
        "",
    ]
    lines += _parameters()
    lines += [
        "",
        "# A check that does not apply is waived with its reason, which reports repeat:",
        "# waive:",
        "#   spi.clock: no SPI clock is set here",
        "",
    ]
    lines += _settings(chip)
    lines += [
        "",
        "# Another board of the same product is a stage of its own that says only what differs, and a second source one line:",
        "# extends: this_file.yaml",
        "# mosfet: parts/other.yaml",
    ]
    lines += _modes(chip)
    return "\n".join(lines) + "\n"


def _modes(chip: Chip) -> list[str]:
    """What a mode of the drive may look like, commented out, with the faults that the controller must answer."""
    waiting = [f.name for f in chip.faults.values() if f.handled_by in ("pin", "poll")]
    after = ", ".join([*waiting[:3], "controller"])
    return [
        "",
        "# Other states of the same drive, each with what it changes (devices/STAGES.md, `modes`); `gateword modes` shows the",
        "# frames between them and what follows on every fault:",
        "# modes:",
        "#   limp:",
        "#     title: what it is for",
        f"#     after: [{after}]   # what leads into it: faults, start, controller or low_supply",
        "#     within: 5 ms   # how long the frames into it may take",
        "#     motor.current: {}   # values, settings and waivers that differ",
        "#     settings: {}",
    ]


def _unit(row: Parameter) -> str:
    if row.choices:
        return "one of " + ", ".join(row.choices)
    if row.dimension is None:
        return "a whole number"
    unit = DIMENSIONS[row.dimension][1]
    return f"{row.dimension}, {unit}" if unit else row.dimension


def _parameters() -> list[str]:
    lines: list[str] = []
    section = ""
    for name, row in STAGE.items():
        head, _, rest = name.partition(".")
        if head != section:
            section = head
            lines.append(f"# {section}:")
        tail = f"; {row.default} where not stated" if row.default is not None else ""
        lines.append(f"#   {rest}:   # {row.doc} ({_unit(row)}{tail})")
    return lines


def _settings(chip: Chip) -> list[str]:
    """Every field that holds a setting, commented out at its reset value."""
    bank = Bank.at_reset(chip)
    lines = [
        "# Settings, each shown at its reset value: write only what differs.",
        "settings: {}   # take away the {} when the first setting stands below",
    ]
    for register in chip.registers.values():
        fields = [f for f in register.fields if f.setting and f.role != "lock"]
        if not fields:
            continue
        lines.append(
            f"  # {register.name}:" + (f"   # {register.summary}" if register.summary else "")
        )
        for field in fields:
            reading = values.read(field, field.reset, bank)
            text = reading.name or (
                reading.label if reading.band is not None else f"0x{field.reset:X}"
            )
            names = (
                [r.name or r.label for r in values.options(field, bank, 64)]
                if field.meanings
                else []
            )
            choices = f" ({', '.join(names)})" if 0 < len(names) <= 8 else ""
            about = f"{field.summary}{choices}".strip()
            lines.append(f"  #   {field.name}: {text}" + (f"   # {about}" if about else ""))
    return lines
