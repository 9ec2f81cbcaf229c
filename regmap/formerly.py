"""The one table of accepted old names: what was renamed, and the word that took its place.

Readers of documents and the program's argument parser look here, and nowhere else, for a name that
an earlier version used. It is accepted, and a note tells the word of today. New text never uses one.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

#: Options by command: old option -> option of today.
OPTIONS: Mapping[str, Mapping[str, str]] = {
    "propose": {"--write": "-o"},
    "capture": {
        "--word-bits": "--frame-bits",
        "--chip": "--position",
        "--chip-address": "--device-address",
    },
    "link": {"--write": "--allow-writes", "--record": "--log"},
    "twin": {"--record": "--vcd", "--inject": "--disturbance", "--trouble": "--disturbance"},
}

#: Values of options by (command, option of today): old value -> value of today.
OPTION_VALUES: Mapping[tuple[str, str], Mapping[str, str]] = {
    ("check", "--only"): {"thin": "low-margin"},
    ("capture", "--order"): {"msb": "msb_first", "lsb": "lsb_first"},
    ("capture", "--select"): {"low": "active_low", "high": "active_high"},
    ("capture", "--format"): {"words": "frames"},
    ("capture", "--kind"): {"not_taken": "refused"},
}


#: Words of the composer.
COMPOSER: Mapping[str, str] = {"faults": "explain", "take": "accept"}

#: Parameters of stages and of a map's `electrical`, by their dotted name.
PARAMETERS: Mapping[str, str] = {
    "watchdog.service": "watchdog.service_period",
    "gate.clamp": "gate.resistor.pulldown",
    "thermal.resistance": "driver.rth",
    "temperature.max": "driver.tj_max",
}

#: Parameters that nothing uses any more: accepted, and the note says what to state instead.
GONE: Mapping[str, str] = {
    "mosfet.cgd": "nothing uses it any more; state mosfet.qgd, and mosfet.crss at the supply",
}

#: Other keys of documents, by what the mapping that holds them is called in messages.
KEYS: Mapping[str, Mapping[str, str]] = {
    "a map": {"procedures": "sequences"},
    "a set-up": {"words": "frames"},
    "SPI of a set-up": {"bit order": "bit_order", "frame clocks": "frame_clocks"},
    "a table's reading": {"time unit": "time_unit"},
    "raw samples": {"sample bytes": "sample_bytes", "byte order": "byte_order"},
}

#: Words of closed lists in documents, by a name of the list.
VALUES: Mapping[str, Mapping[str, str]] = {
    "select": {"active low": "active_low", "active high": "active_high"},
    "bit_order": {"msb": "msb_first", "lsb": "lsb_first"},
    "format": {"words": "frames"},
    "role": {"bus.guard_enable": "spi.check_bits"},
    "raised_by": {"guard": "check_bits"},
    "delimiter": {"\t": "tab", " ": "space"},
}

#: Checks, as `waive`, `check NAME` and `--goal` name them. What stands before a dot counts, too.
CHECKS: Mapping[str, str] = {
    "bus": "spi",
    "bootstrap.pump-full-duty": "charge-pump.full-duty",
    "bootstrap.pump-droop": "charge-pump.droop",
    "gate.voltage-uv": "undervoltage.protects",
    "sense.overcurrent-silent": "overcurrent.no-false-trip",
    "sense.overcurrent-protects": "overcurrent.protects",
    "supply.undervoltage": "undervoltage.no-false-trip",
    "supply.crank": "undervoltage.crank",
    "supply.overvoltage": "overvoltage.no-false-trip",
    "supply.ov-protects": "overvoltage.protects",
}
#: Commands whose arguments name checks.
_NAME_CHECKS = frozenset({"check", "propose"})


def check_name(text: str) -> str:
    """The name of a check, or the beginning of one up to a dot, in the words of today."""
    for end in (len(text), *(i for i in range(len(text) - 1, 0, -1) if text[i] == ".")):
        if text[:end] in CHECKS:
            return CHECKS[text[:end]] + text[end:]
    return text


def said(old: str, now: str) -> str:
    """The note that an old name gets."""
    return f"{old} is now called {now}"


def arguments(command: str, given: Sequence[str]) -> tuple[list[str], list[str]]:
    """The arguments in the words of today, and a note for each old one among them.

    What follows `--` is left alone, as it holds no options.
    """
    renamed = OPTIONS.get(command, {})
    kept: list[str] = []
    notes: list[str] = []
    for index, text in enumerate(given):
        if text == "--":
            kept += given[index:]
            break
        option, equals, value = text.partition("=")
        if option in renamed:
            now = renamed[option]
            notes.append(said(option, now))
            # `-o=FILE` would name a file "=FILE"
            kept += [now, value] if equals and not now.startswith("--") else [now + equals + value]
            continue
        before = kept[-1] if kept else ""
        if equals and text.startswith("--"):
            now = OPTION_VALUES.get((command, option), {}).get(value, value)
            if (
                command in _NAME_CHECKS and option in ("--explain", "--goal")
            ) or option == "--check":
                now = check_name(now)
            kept.append(f"{option}={now}")
        else:
            value = text
            now = OPTION_VALUES.get((command, before), {}).get(text, text)
            if command in _NAME_CHECKS or before == "--check":
                now = check_name(now)
            kept.append(now)
        if now != value:
            notes.append(said(value, now))
    return kept, notes
