"""Stories of a Quoll-16 for the judge: a script (see storychip.py) and what must be found out of it.

`first` is the fault to look at first, where the captured intervals or the map's `follows_from` decide; "" where no fault may
be told. `says` must stand in the sentences, `never` in none; `stops` are reasons for which a gate must stop, and no
others but those of `may`.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Story:
    script: str
    first: str = ""
    says: tuple[str, ...] = ()
    never: tuple[str, ...] = ()
    stops: tuple[str, ...] = ()
    may: tuple[str, ...] = ()
    together: tuple[str, ...] = ()  #: further faults told beside the first, as causes of their own


#: what the coolant pump asks for, worked out by hand from the map's tables
SETTINGS = (
    ("3", "0AA"),
    ("4", "298"),
    ("5", "298"),
    ("6", "265"),
    ("7", "060"),
    ("8", "2A6"),
    ("C", "040"),
)
SET = "\n".join(f"W {a} {w}" for a, w in SETTINGS)
READ = "\n".join(f"R {a}" for a, _ in SETTINGS)
START = f"R 1\nR F\nW B 0B4\nW A 200\n{SET}\n{READ}\nR 0\nR 1\nR 2\n"
LOCKED = START + "W B 04B\nR 1\n"
POLL = "D 990\nR 0\nR 1\nR 2\n"
CLEAR = "W A 200\nR 0\nR 1\nR 2\n"


def poll(times: int) -> str:
    return POLL * times


NO_FAULT = "No fault was seen"
STORIES: dict[str, Story] = {
    "quiet": Story(START + poll(5), says=(NO_FAULT,)),
    "quiet and locked": Story(LOCKED + poll(5), says=(NO_FAULT,)),
    "one fault, read and cleared": Story(START + poll(2) + "S 0 6\n" + poll(1) + CLEAR + poll(2), first="VDS_UL"),
    "supply and VDS in one read": Story(START + poll(2) + "S 0 3\nS 0 8\n" + poll(1) + CLEAR + poll(1), first="UV_SUPPLY"),
    "pump behind the register that is read first": Story(
        START + poll(2) + "S 0 3\nS 1 6\n" + poll(1) + CLEAR + poll(1), first="UV_PUMP"
    ),
    "VDS long before the supply": Story(
        START + poll(2) + "S 0 3\n" + poll(2) + "S 0 8\n" + poll(1) + CLEAR + poll(1), first="VDS_UH"
    ),
    "supply long before VDS": Story(
        START + poll(2) + "S 0 8\n" + poll(2) + "S 0 3\n" + poll(1) + CLEAR + poll(1), first="UV_SUPPLY"
    ),
    "pump long before the supply": Story(
        START + poll(2) + "S 1 6\n" + poll(2) + "S 0 8\n" + poll(1) + CLEAR + poll(1), first="UV_PUMP"
    ),
    "gate monitor and VDS at once": Story(
        START + poll(2) + "S 0 3\nS 2 2\n" + poll(1) + CLEAR + poll(1), first="GATE_UH"
    ),
    "another switch's gate explains nothing": Story(
        START + poll(2) + "S 0 3\n" + poll(2) + "S 2 0\n" + poll(1) + CLEAR + poll(1), first="VDS_UH", together=("GATE_WH",)
    ),
    "warm, then too hot": Story(
        START + poll(2) + "S 1 4\n" + poll(2) + "S 0 9\n" + poll(1) + CLEAR + poll(1), first="OT_WARN"
    ),
    "warm and too hot in one poll": Story(
        START + poll(2) + "S 1 4\nS 0 9\n" + poll(1) + CLEAR + poll(1), first="OT_WARN"
    ),
    "two causes of their own": Story(
        START + poll(2) + "S 1 5\n" + poll(2) + "S 1 3\n" + poll(1) + CLEAR + poll(1), first="OV_SUPPLY", together=("OC_W",)
    ),
    "two causes, the other way": Story(
        START + poll(2) + "S 1 3\n" + poll(2) + "S 1 5\n" + poll(1) + CLEAR + poll(1), first="OC_W", together=("OV_SUPPLY",)
    ),
    "six times the same": Story(
        START + (poll(1) + "S 0 5\n" + poll(1) + CLEAR) * 6 + poll(1), first="VDS_VL", says=("6 times",)
    ),
    "twice, with something else between": Story(
        START + poll(1) + ("S 0 5\n" + poll(1) + CLEAR + "S 1 1\n" + poll(1) + CLEAR) * 2 + poll(1), first="VDS_VL", says=("OC_U", "2 times")
    ),
    "a fault that stays": Story(
        START + poll(2) + "H 0 4\n" + poll(1) + CLEAR + poll(1) + CLEAR + poll(1), first="VDS_WL", says=("still raised after frame",)
    ),
    "a fault that stays and then goes": Story(
        START + poll(2) + "H 0 4\n" + poll(1) + CLEAR + "L 0 4\n" + CLEAR + poll(1), first="VDS_WL", says=("cleared by frame",)
    ),
    "never cleared": Story(START + poll(2) + "S 1 2\n" + poll(3), first="OC_V", says=("not cleared in the capture",)),
    "stands from the beginning": Story("S 0 1\n" + "R 0\nR 1\nR 2\n" + poll(3), first="VDS_WH", says=("not cleared in the capture",)),
    "only the sum is read, the rest later": Story(
        START + "D 900\nR 0\nS 2 5\nD 900\nR 0\nR 2\nR 1\n" + CLEAR + poll(1), first="GATE_UL"
    ),
    "cleared before it was read": Story(
        START + poll(2) + "S 2 5\nD 900\nR 0\nW A 200\nR 2\nR 1\n" + poll(2), says=("before it was read",), stops=("unseen",)
    ),
    "cleared on the pin alone": Story(
        START + poll(2) + "S 0 3\nD 500\nW A 200\n" + poll(2), says=("before it was read",), stops=("unseen",), may=("pins",)
    ),
    "pin only": Story(
        START + poll(1) + "D 100\nG 1\n" + poll(2) + "G 0\n" + poll(2), says=("The fault pin was active", "every status read meanwhile is quiet"), stops=("pins",)
    ),
    "pin only, and nobody looked": Story(
        START + poll(2) + "G 1\nD 300\nG 0\n" + poll(2), says=("The fault pin was active", "no status was read meanwhile"), stops=("pins",)
    ),
    "a fault pin that is not connected": Story(
        "N 1\n" + START + poll(2) + "S 0 6\n" + poll(2) + CLEAR + poll(1), first="VDS_UL", says=("The fault pin never moved",), stops=("pins",)
    ),
    "brown-out": Story(
        LOCKED + poll(2) + "S 0 8\n" + poll(1) + "P 0\n" + poll(2) + "P 1\n" + poll(2), first="UV_SUPPLY", says=("The chip was reset", "lost their settings"),
        stops=("reset", "replies"), may=("wiring", "pins")
    ),
    "reset in mid-run": Story(
        START + poll(2) + "P 0\nP 1\n" + poll(2), first="POR", says=("The chip was reset",), stops=("reset",), may=("pins",)
    ),
    "reset, and brought up again": Story(
        START + poll(2) + "P 0\nP 1\n" + poll(1) + START + poll(2), first="POR", says=("The chip was reset", "read back as written"), stops=("reset",), may=("pins",)
    ),
    "a write while locked": Story(
        LOCKED + poll(1) + "W 4 155\nR 4\n" + poll(1), says=("1 write refused (GATE_HS)", "writable only while not locked"), stops=("writes",)
    ),
    "a write while locked, done again": Story(
        LOCKED + poll(1) + "W 4 155\nR 4\nW B 0B4\nW 4 155\nR 4\n" + poll(1), says=("wrote the same later and was accepted",), stops=("writes",)
    ),
    "a wrong key opens nothing": Story(
        LOCKED + poll(1) + "W B 0A5\nW 4 155\nR 4\n" + poll(1), says=("1 write refused (GATE_HS)",), stops=("writes",)
    ),
    "one bit does not take": Story(
        "B 4 3\n" + START + poll(1), says=("Refused in part: GATE_HS: SOURCE",), stops=("writes",)
    ),
    "a reserved bit": Story(START + "W 7 061\nR 7\n" + poll(1), says=("writes VDS as the map forbids",), stops=("writes",)),
    "a frame with wrong parity": Story(
        START + poll(2) + "F 2551\n" + poll(1) + CLEAR + poll(1), first="SPI_ERR", says=("1 of",), stops=("rejected",), may=("wiring",)
    ),
    "a frame one clock short": Story(
        START + poll(2) + "K 15\nR 3\n" + poll(1) + CLEAR + poll(1), first="SPI_ERR", stops=("rejected",), may=("wiring",)
    ),
    "a disturbed reply": Story(START + poll(2) + "X 5\n" + poll(2), says=("1 of", "replies cannot be believed"), never=("SPI_ERR (",), stops=("replies",), may=("wiring",)),
    "a disturbed reply that looks like a fault": Story(
        START + poll(2) + "D 990\nX 7\nR 0\nR 1\nR 2\n" + poll(2), never=("VDS_UL (", "reset before"), stops=("replies",), may=("wiring",)
    ),
    "SDO breaks, pulled high": Story(START + poll(2) + "M 1\n" + poll(3), stops=("wiring", "replies"), may=("unseen",)),
    "SDO breaks, pulled low": Story(START + poll(2) + "M 2\n" + poll(3), stops=("wiring", "replies"), may=("unseen",)),
    "SDO breaks, floating": Story(START + poll(2) + "M 3\n" + poll(3), stops=("wiring", "replies"), may=("unseen",)),
    "SDO breaks while a fault stands": Story(
        START + poll(2) + "S 1 1\n" + poll(1) + "M 1\n" + poll(3), first="OC_U", says=("not cleared in the capture",), stops=("wiring", "replies")
    ),
    "switched off by the enable pin": Story(
        START + poll(2) + "E 0\nD 500\nW 4 298\nR 4\nD 500\nE 1\nD 1500\n" + START + poll(2), first="POR", says=("while the enable pin was inactive, 1 of them to write",),
        stops=("writes", "replies"), may=("wiring", "pins", "reset")
    ),
    "set-up sent too early after enable": Story(
        "E 0\nD 100\nE 1\nD 50\n" + START + poll(2), says=("the chip needs up to 1 ms to wake",), stops=("limits",), may=("pins",)
    ),
    "the watchdog is missed": Story(
        START + "W 9 00D\nR 9\n" + "D 44000\nW A 00B\n" + poll(1) + "D 62000\nS 1 7\n" + poll(2) + "D 3000\nR 1\n", first="WD", says=("not served for",), stops=("watchdog",), may=("pins",)
    ),
    "the watchdog is served too early": Story(
        START + "W 9 00D\nR 9\n" + "D 44000\nW A 00B\nD 9000\nW A 00B\nS 1 7\n" + poll(2), first="WD", says=("served too early",), stops=("watchdog",)
    ),
    "a wrong watchdog key": Story(
        START + "W 9 00D\nR 9\n" + "D 44000\nW A 005\n" + poll(1), says=("wrong key",), stops=("watchdog",)
    ),
}  # fmt: skip
