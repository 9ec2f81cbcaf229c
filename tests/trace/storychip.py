"""A Quoll-16, its controller and the wires, as a script tells: edges by hand, without anything of `regmap`.

Written from the chip's data sheet prose (16 bits, odd parity, address in bits 14 to 11, data in bits 10 to 1, launch on the
rising clock edge, taken on the falling one). The VHDL bench in tests/vhdl reads the same scripts. One line a step:

    W ADDR DATA    write                        R ADDR        read
    F WORD         16 bits as they are          K N           the next frame has N clocks
    D US           wait                         E 0|1         enable pin; 0 switches the chip off
    S REG BIT      a latched fault happens      H REG BIT     its condition stays (L REG BIT: is over)
    P 0|1          supply off or on (reset)     M N           SDO: 0 whole, 1 pulled high, 2 low, 3 floating
    N 0|1          fault pin broken: rests      G 0|1         something else pulls the fault pin
    X BIT          this bit of the next reply is turned over on the wire
    B REG BIT      this bit of a register is stuck at 0

Numbers are hexadecimal but for BIT, N and US.
"""

from __future__ import annotations

from dataclasses import dataclass, field

HALF = 100  #: ns of half a clock
LINES = ("sclk", "ncs", "mosi", "miso", "nfault", "enable")
RESET = {
    3: 0x02A,
    4: 0x143,
    5: 0x143,
    6: 0x297,
    7: 0x0A0,
    8: 0x0E4,
    9: 0,
    11: 0x0B4,
    12: 0x040,
    15: 0x161,
}


def odd(word: int) -> int:
    """15 bits with the parity bit behind them that makes the ones odd."""
    return word << 1 | (1 - bin(word).count("1") % 2)


@dataclass
class Chip:
    """The registers and what frames do to them."""

    regs: dict[int, int] = field(default_factory=lambda: dict(RESET))
    status: dict[int, int] = field(default_factory=lambda: {0: 0, 1: 0x200, 2: 0})
    held: set[tuple[int, int]] = field(default_factory=set)
    stuck: dict[int, int] = field(default_factory=dict)
    locked: bool = False
    awake: bool = True

    def power_up(self) -> None:
        self.regs, self.status, self.locked = dict(RESET), {0: 0, 1: 0x200, 2: 0}, False
        self.latch()

    def latch(self) -> None:
        for register, bit in self.held:
            self.status[register] |= 1 << bit

    @property
    def any(self) -> bool:
        own = self.status[0] & 0x37E | self.status[1] & 0x1EE | self.status[2] & 0x3F
        return bool(own)

    def contents(self, at: int) -> int:
        if at == 0:
            return self.status[0] & ~0x81 | bool(self.status[2]) << 7 | self.any
        if at == 1:
            return self.status[1] & ~1 | self.locked
        if at == 2:
            return self.status[2]
        return self.regs.get(at, 0)

    def reply(self, word: int) -> int:
        head = self.any << 4 | bool(self.status[1] & 0x200) << 3 | 0b101
        return odd(head << 10 | self.contents(word >> 11 & 15))

    def take(self, word: int, clocks: int) -> None:
        at, data = word >> 11 & 15, word >> 1 & 0x3FF
        if clocks != 16 or bin(word).count("1") % 2 == 0:
            self.status[1] |= 0x100
        elif word >> 15 == 0:
            if at in (3, 4, 5, 6, 7, 8, 9, 12) and not self.locked:
                self.regs[at] = data & ~self.stuck.get(at, 0)
            elif at == 10 and data & 0x200:
                self.status = {0: 0, 1: 0, 2: 0}
                self.latch()
            elif at == 11:
                self.locked = {0x4B: True, 0xB4: False}.get(data & 0xFF, self.locked)
                self.regs[11] = data


class Bench:
    """Runs a script; `vcd` is what an analyser on all six lines has seen."""

    def __init__(self) -> None:
        self.chip = Chip()
        self.now = 10_000
        self.level = {
            "sclk": "0",
            "ncs": "1",
            "mosi": "0",
            "miso": "z",
            "nfault": "1",
            "enable": "1",
        }
        self.moves: list[tuple[int, str, str]] = []
        self.clocks, self.flip = 16, -1
        self.broken, self.pulled, self.sdo = False, False, 0
        self.powered = True

    def set(self, name: str, level: str, time: int | None = None) -> None:
        if self.level[name] != level:
            self.level[name] = level
            self.moves.append((self.now if time is None else time, name, level))

    def pin(self) -> None:
        active = self.chip.any or bool(self.chip.status[1] & 0x10 and not self.chip.regs[8] & 0x10)
        active = (active and not self.broken) or self.pulled
        awake = self.powered and self.level["enable"] == "1"
        self.set("nfault", "0" if active or not awake else "1")

    def frame(self, word: int) -> None:
        chip, clocks = self.chip, self.clocks
        awake = self.powered and self.level["enable"] == "1"
        reply = chip.reply(word)
        if self.flip >= 0:
            reply ^= 1 << self.flip
        self.set("ncs", "0")
        rest = {0: "z", 1: "1", 2: "0", 3: "z"}[self.sdo]
        self.set("miso", rest)
        self.now += 150
        taken = 0
        for place in range(clocks):
            bit = word >> (15 - place) & 1 if place < 16 else 0
            out = reply >> (15 - place) & 1 if place < 16 else 0
            self.set("sclk", "1")
            self.set("mosi", str(bit), self.now + 5)
            self.set("miso", str(out) if awake and self.sdo == 0 else rest, self.now + 25)
            self.now += HALF
            self.set("sclk", "0")
            taken = taken << 1 | bit
            self.now += HALF
        self.now += 100
        self.set("ncs", "1")
        self.set("miso", rest if self.sdo in (1, 2) else "z")
        if awake:
            chip.take(taken & 0xFFFF, clocks)
        self.now += 20
        self.set("mosi", "0")
        self.pin()
        self.now += 780
        self.clocks, self.flip = 16, -1

    def step(self, line: str) -> None:
        word, *rest = line.split()
        chip = self.chip
        if word == "W":
            self.frame(odd(int(rest[0], 16) << 10 | int(rest[1], 16)))
        elif word == "R":
            self.frame(odd(1 << 14 | int(rest[0], 16) << 10))
        elif word == "F":
            self.frame(int(rest[0], 16))
        elif word == "D":
            self.now += int(rest[0]) * 1000
        elif word in ("S", "H"):
            register, bit = int(rest[0]), int(rest[1])
            if word == "H":
                chip.held.add((register, bit))
            chip.status[register] |= 1 << bit
        elif word == "L":
            chip.held.discard((int(rest[0]), int(rest[1])))
        elif word == "P":
            self.powered = rest[0] == "1"
            if self.powered:
                chip.power_up()
        elif word == "E":
            self.set("enable", rest[0])
            if rest[0] == "1":
                chip.power_up()
        elif word == "B":
            register = int(rest[0], 16)
            chip.stuck[register] = chip.stuck.get(register, 0) | 1 << int(rest[1])
        else:
            self.set_state(word, int(rest[0]))
        self.pin()

    def set_state(self, word: str, number: int) -> None:
        if word == "K":
            self.clocks = number
        elif word == "X":
            self.flip = number
        elif word == "M":
            self.sdo = number
        elif word == "N":
            self.broken = bool(number)
        elif word == "G":
            self.pulled = bool(number)
        else:
            raise ValueError(word)

    def run(self, script: str) -> str:
        """The dump of a whole script."""
        first = dict(self.level)
        for line in script.split("\n"):
            if line.strip():
                self.step(line)
        codes = dict(zip(LINES, "!#$%&'", strict=True))
        out = ["$timescale 1ns $end\n$scope module bench $end\n"]
        out += [f"$var wire 1 {c} {n} $end\n" for n, c in codes.items()]
        out.append("$upscope $end\n$enddefinitions $end\n#0\n$dumpvars\n")
        out += [f"{first[n]}{codes[n]}\n" for n in LINES]
        out.append("$end\n")
        last = 0
        for time, name, level in sorted(self.moves, key=lambda m: m[0]):
            if time != last:
                out.append(f"#{time}\n")
                last = time
            out.append(f"{level}{codes[name]}\n")
        out.append(f"#{self.now + 1000}\n")
        return "".join(out)
