"""The one table of accepted old names: what was renamed, and the word that took its place.

Readers of documents and the program's argument parser look here, and nowhere else, for a name that
an earlier version used. It is accepted, and a note tells the word of today. New text never uses one.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

#: Options by command: old option -> option of today.
OPTIONS: Mapping[str, Mapping[str, str]] = {
    "propose": {"--write": "-o"},
    "link": {"--write": "--allow-writes", "--record": "--log"},
    "twin": {"--record": "--vcd", "--inject": "--disturbance", "--trouble": "--disturbance"},
}

#: Values of options by (command, option of today): old value -> value of today.
OPTION_VALUES: Mapping[tuple[str, str], Mapping[str, str]] = {
    ("check", "--only"): {"thin": "low-margin"},
}


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
            notes.append(f"{option} is now called {now}")
            # `-o=FILE` would name a file "=FILE"
            kept += [now, value] if equals and not now.startswith("--") else [now + equals + value]
            continue
        before = kept[-1] if kept else ""
        if equals and (command, option) in OPTION_VALUES:
            now = OPTION_VALUES[command, option].get(value, value)
            kept.append(f"{option}={now}")
        else:
            value = text
            now = OPTION_VALUES.get((command, before), {}).get(text, text)
            kept.append(now)
        if now != value:
            notes.append(f"{value} is now called {now}")
    return kept, notes
