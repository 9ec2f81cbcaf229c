"""Runs of every command that answers in JSON, and what their objects have in common, as a JSON Schema.

The published schemas (`cli/schemas/`) are written from these runs, and read by a person before they are committed.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any

#: shell lines whose JSON the schemas must hold for; {d} is a folder for files, {port} a simulated chip's port
RUNS = [
    "schema --json",
    "vet quoll16 coolant_pump --json",
    "vet {d}/bad.yaml --json",
    "vet --solve bilby32 --json",
    "vet quoll16 --against {d}/hand.h --json",
    "show quoll16 --json",
    "show wombat24 --json",
    "show numbat24 --json",
    "show bilby32 --json",
    "show quoll16 GATE_HS --json",
    "show quoll16 STATUS1 --json",
    "show bilby32 {r} --json",
    "show quoll16 GATE_HS.SOURCE --json",
    "show quoll16 VDS.THRESHOLD --json",
    "show quoll16 VDS_UH --json",
    "show quoll16 UV_PUMP --json",
    "show quoll16 main --json",
    "show {c} --json",
    "encode quoll16 GATE_HS.SOURCE=56mA read:STATUS1 --json",
    "encode coolant_pump bring_up --json",
    "encode conveyor_drum bring_up --json",
    "encode wombat24 SAFETY.CRC=on --json",
    "encode quoll16 TIMING=0x42 --from TIMING=0x10 --json",
    "encode quokka16 GATE_HS.SOURCE=56mA --chain 3 --position 1 --json",
    "decode quoll16 0x2000 0x2291 0x2290 --json",
    "decode quoll16 0x2291:0x0000 --json",
    "decode quoll16 --reply --to STATUS1 0x0109 0x0000 --json",
    "decode quoll16 --reply FFFF FFFF --json",
    "decode quoll16 --wrote 0x148 --read 0x149 --json",
    "explain quoll16 STATUS1=0x109 STATUS2=0x40 --json",
    "explain coolant_pump STATUS1=0 STATUS2=0 STATUS3=0 --json",
    "explain quoll16 STATUS1=0x3FF STATUS2=0x3FF STATUS3=0x3FF --json",
    "check coolant_pump --json",
    "check conveyor_drum --json",
    "check coolant_pump --timeline startup --json",
    "check coolant_pump --timeline sleep --json",
    "check coolant_pump --timeline low --json",
    "check coolant_pump --timeline high --duty 100% --current in --json",
    "check {d}/no_duty.yaml --timeline low --json",
    "check {d}/first.yaml --set startup.supply_rise=1ms --timeline startup --json",
    "check coolant_pump coolant_pump deadtime --json",
    "check {d}/modes.yaml deadtime --json",
    "modes {d}/modes.yaml --json",
    "check coolant_pump --set TIMING.DEAD_TIME=800ns --set pwm.frequency=30kHz deadtime --json",
    "check coolant_pump --explain deadtime.enough.high --json",
    "check {d}/first.yaml --json",
    "check {d}/waived.yaml --json",
    "check coolant_pump --set surge.duration=100ms --json",
    "sweep coolant_pump VDS.THRESHOLD --json",
    "sweep coolant_pump pwm.frequency 10..60kHz --steps 3 --json",
    "sweep coolant_pump TIMING.DEAD_TIME supply.max 14..18V --steps 2 --json",
    "propose coolant_pump --goal watchdog --json",
    "propose coolant_pump --goal sense --goal deadtime --seconds 2 --json",
    "capture {captures}/pump_short.vcd --stage coolant_pump --json",
    "capture {captures}/drum_bring_up.vcd --stage conveyor_drum --json",
    "capture {captures}/wrong_mode.vcd --map quoll16 --json",
    "capture {captures}/pump_brown_out.vcd --stage coolant_pump --at 1ms --json",
    "capture {captures}/pump_locked_write.vcd --stage coolant_pump --json",
    "header coolant_pump -o {d}/pump.h --json",
    "header coolant_pump -o {d}/pump.h --check --json",
    "diff coolant_pump {d}/other.yaml --json",
    "diff coolant_pump VDS=0x12 --json",
    "diff coolant_pump {captures}/pump_short.vcd --json",
    "campaign {d}/plan.yaml --json",
    "link list --json-ports",
    "report coolant_pump -o {d}/pump.html --json",
    "report coolant_pump {captures}/pump_short.vcd -o {d}/pump2.html --json",
    "report {d}/pump.html {d}/pump2.html --json",
    "report coolant_pump --set TIMING.DEAD_TIME=150ns -o {d}/pump3.html --json",
    "report {d}/pump.html {d}/pump3.html --json",
    "link {port} identify quoll16 --json",
    "link {port} identify --json",
    "link {port} read quoll16 --json",
    "link {port} write quoll16 GATE_HS.SOURCE=56mA --allow-writes --json",
    "link {port} apply coolant_pump --allow-writes --json",
    "link {port} verify coolant_pump --json",
    "link {port} mode {d}/modes.yaml fast --despite-findings --allow-writes --json",
    "link {port} mode {d}/other_modes.yaml fast --allow-writes --json",
    "link {port} watch quoll16 --count 2 --period 10ms --json",
    "link {port} script quoll16 {d}/stand.txt --allow-writes --json",
    "link {port} pins --json",
    "link {port} check-adapter --allow-writes --json",
]

_WORD = re.compile(r"[a-z][a-z0-9_]*")
#: mappings whose keys are names of the user's: what their values are is said once for all of them
NAMED = {
    "registers",
    "words",
    "states",
    "known",
    "corner_values",
    "counts",
    "digests",
    "disturbances",
    "exchanges",
    "cells_from",
    "cells_to",
    "documents",
}


class Shape:
    """What objects seen at one place have in common."""

    def __init__(self) -> None:
        self.types: set[str] = set()
        self.keys: dict[str, Shape] = {}
        self.seen: dict[str, int] = {}
        self.objects = 0
        self.named = False
        self.items: Shape | None = None

    def add(self, value: Any, key: str = "") -> None:
        if value is None:
            self.types.add("null")
        elif isinstance(value, bool):
            self.types.add("boolean")
        elif isinstance(value, int):
            self.types.add("integer")
        elif isinstance(value, float):
            self.types.add("number")
        elif isinstance(value, str):
            self.types.add("string")
        elif isinstance(value, list):
            self.types.add("array")
            self.items = self.items or Shape()
            for each in value:
                self.items.add(each)
        else:
            self.types.add("object")
            self.objects += 1
            self.named |= key in NAMED
            for name, each in value.items():
                self.keys.setdefault(name, Shape()).add(each, name)
                self.seen[name] = self.seen.get(name, 0) + 1

    def merged(self, shapes: Iterable[Shape]) -> Shape:
        for other in shapes:
            self.types |= other.types
            self.objects += other.objects
            self.named |= other.named
            for name, each in other.keys.items():
                self.keys.setdefault(name, Shape()).merged([each])
                self.seen[name] = self.seen.get(name, 0) + other.seen[name]
            if other.items is not None:
                self.items = (self.items or Shape()).merged([other.items])
        return self

    def schema(self, told: dict[str, str], key: str = "") -> dict[str, Any]:
        types = set(self.types)
        if "number" in types:
            types.discard("integer")
        found: dict[str, Any] = {}
        if len(types) == 1:
            found["type"] = next(iter(types))
        elif types:
            found["type"] = sorted(types)
        if key in told:
            found["description"] = told[key]
        if "array" in types and self.items is not None:
            found["items"] = self.items.schema(told)
        if "object" in types:
            fixed = {} if self.named else {n: s for n, s in self.keys.items() if _WORD.fullmatch(n)}
            free = [s for n, s in self.keys.items() if n not in fixed]
            found["properties"] = {n: s.schema(told, n) for n, s in fixed.items()}
            found["required"] = [n for n in fixed if self.seen[n] == self.objects]
            found["additionalProperties"] = Shape().merged(free).schema(told) if free else False
        return found
