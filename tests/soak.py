"""Hours of requests under everything that can go wrong, on demand; a short run of it is in the suite.

    python tests/soak.py --requests 100000            counts at the end, exit status 1 where one is wrong
    python tests/soak.py --minutes 120 --seed 7       until the time is up
    python tests/soak.py --results FILE               goes on where a run that was stopped left off; --tell

The simulated chip is the truth: at every burst of an operation its registers are looked at past the
SPI. What the link calls good must have been true at some moment of the operation, what it calls lost
or unknown must say why, and its account must contain what the chip holds.
"""

from __future__ import annotations

import argparse
import contextlib
import importlib.util
import json
import math
import random
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

from regmap.behaviour.machine import as_read
from regmap.behaviour.settings import setting_registers
from regmap.chip.bank import Bank
from regmap.chip.model import Chip
from regmap.link import rules
from regmap.link.bringup import apply
from regmap.link.look import final_bank
from regmap.maps.load import bundled, load_map
from regmap.wire.frame import encode_frame
from regmap.wire.layout import REPLY, Kind

_SPEC = importlib.util.spec_from_file_location(
    "link_bench", Path(__file__).with_name("link") / "bench.py"
)
assert _SPEC is not None
assert _SPEC.loader is not None
_MODULE = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(_MODULE)
Bench = _MODULE.Bench

OPEN = {"numbat24": "unlocked", "bilby32": "open"}
MOST_SECONDS = 40.0  # of virtual time that one operation may take

#: name -> disturbances of the SPI and of the serial line, with what is asked of the bench beside them
KINDS: dict[str, tuple[list[str], dict[str, Any]]] = {
    "quiet": ([], {}),
    **{f"bit flips {p} %": ([f"bit_flips {p} %"], {}) for p in (1, 5, 20)},
    **{f"lost frames {p} %": ([f"lost_frames {p} %"], {}) for p in (1, 10)},
    **{f"lost clocks {p} %": ([f"lost_clocks {p} %"], {}) for p in (1, 10)},
    **{f"busy {p} %": ([f"busy {p} %"], {}) for p in (5, 60)},
    **{
        f"{what} now and then": ([], {"often": (what, 0.8, 10, 1500)})
        for what in (
            *("dead_reply low", "dead_reply high", "dead_reply float", "dead_command low"),
            *("dead_command high", "dead_clock", "echo"),
            *(f"wrong_mode {mode}" for mode in range(4)),
        )
    },
    **{f"{what} stays": ([f"{what} at 2 ms"], {}) for what in ("dead_reply high", "echo", "dead_command low")},
    "brown-outs": ([], {"often": ("no_power", 1, 1, 600)}),
    "long outages": ([], {"often": ("no_power", 6, 2000, 12000)}),
    "resets": ([], {"often": ("reset", 0.8, 0, 0)}),
    "resets between write and verify": ([], {"between": "reset"}),
    "brown-outs between write and verify": ([], {"between": "no_power for 2 us"}),
    **{f"line flips {p} %": ([f"line_flips {p} %"], {}) for p in (1, 10)},
    **{f"line drops {p} %": ([f"line_drops {p} %"], {}) for p in (1, 10)},
    "line delays": (["line_delays 5 % by 80 ms"], {}),
    "line echo": (["line_echo"], {}),
    "unplugged": ([], {"often": ("unplug", 3, 500, 300_000)}),
    "unplugged, adapter restarts": ([], {"often": ("unplug", 3, 500, 300_000), "restarts": True}),
    "adapter restarts": ([], {"hostile": "restart"}),
    "answers twice": ([], {"hostile": "twice"}),
    "stale answers": ([], {"hostile": "stale"}),
    "wrong numbers": ([], {"hostile": "number"}),
    "babble": ([], {"hostile": "babble"}),
    "another layout": ([], {"layout": True}),
    "another layout, flips": (["bit_flips 3 %"], {"layout": True}),
    "rejected answers again": (["bit_flips 5 %", "lost_frames 3 %"], {"rejected": "previous"}),
    "everything": (
        ["bit_flips 1 %", "lost_frames 1 %", "line_flips 1 %", "line_drops 1 %"],
        {"hostile": "stale", "restarts": True, "often": ("reset", 3, 0, 0)},
    ),
}  # fmt: skip
MOST_STRIKES = 120


def strikes(rng: random.Random, what: str, gap: float, least: float, most: float) -> list[str]:
    """Disturbances at random moments: mean gap in ms, each from `least` to `most` us long, as many short as long."""
    found, at = [], 0.0
    for _ in range(MOST_STRIKES):
        at += rng.expovariate(1 / gap)
        length = math.exp(rng.uniform(math.log(least), math.log(most))) if most else 0.0
        found.append(f"{what} at {at:.4f} ms" + (f" for {length:.1f} us" if most else ""))
        at += length / 1e3
    return found


#: what happens at every frame of a bring-up
AT_EACH = (
    *("reset", "no_power for 3 us", "lost_frames 100 % for 1 ns", "bit_flips 100 % for 1 ns"),
    "adapter restarts",
)


class Hostile:
    """A line that repeats, holds back, renumbers or adds what the adapter sends."""

    def __init__(self, line: Any, bench: Any, what: str) -> None:
        self.line, self.bench, self.what = line, bench, what
        self.kept = b""

    def read(self, timeout: float) -> bytes:
        data = self.line.read(timeout)
        rng = self.bench.rng
        if not data or not self.bench.hurting or rng.random() > 0.15:
            return bytes(data)
        if self.what == "twice":
            return bytes(data + data)
        if self.what == "stale":
            out, self.kept = self.kept + (data if rng.random() < 0.5 else b""), data
            return bytes(out)
        if self.what == "number":
            body = bytes([1]) + rng.randbytes(7)
            wrong = encode_frame(Kind.TRANSFER | REPLY, rng.randrange(1, 0x10000), body)
            return bytes(wrong + data)
        if self.what == "babble":
            return bytes(rng.randbytes(rng.randrange(1, 40)) + data + rng.randbytes(5))
        self.bench.restart()
        return bytes(data)

    def write(self, data: bytes) -> None:
        self.line.write(data)

    def close(self) -> None:
        self.line.close()


class Soaked(Bench):  # type: ignore[misc]
    """A bench whose truth is looked at at every burst."""

    def __init__(self, chip: Chip, kind: str, seed: int) -> None:
        texts, options = KINDS[kind]
        options = dict(options)
        self.rng = random.Random(seed)
        self.hostile = options.pop("hostile", "")
        self.between = options.pop("between", "")
        layout = options.pop("layout", False)
        if "often" in options:
            texts = [*texts, *strikes(self.rng, *options.pop("often"))]
        self.watched: dict[str, set[int]] = {}
        self.hurting = False  # the port opens undisturbed
        super().__init__(chip, texts, seed=seed, **options)
        self.hurting = True
        self.link.move_pages = True
        if chip.name in OPEN:
            self.twin.machine.bank.states[OPEN[chip.name]] = True
        if layout:
            self._other_layout()
        receive = self.twin.receive
        self.last_frame = 0

        def looked(value: int, bits: int) -> int | None:
            self.look()
            self.last_frame = self.twin.now
            reply = receive(value, bits)
            self.look()
            return reply  # type: ignore[no-any-return]

        self.twin.receive = looked

    def _other_layout(self) -> None:
        for frame in self.chip.frames.values():
            for name in frame.when.names() if frame.when is not None else ():
                field = self.chip.field(name)
                if field is not None:
                    bank = self.twin.machine.bank
                    bank.put(field, (bank.field_code(field) or 0) ^ 1)

    def open_line(self) -> Any:
        line = super().open_line()
        return Hostile(line, self, self.hostile) if self.hostile else line

    def restart(self) -> None:
        """The adapter loses its session."""
        self.server._session = False

    def truth(self, name: str) -> int:
        return as_read(self.chip, self.chip.registers[name], self.twin.machine.bank.words)

    def look(self) -> None:
        for name, seen in self.watched.items():
            seen.add(self.truth(name))

    def silent_reset(self) -> bool:
        """Whether the chip was reset after the last frame that it saw: no reply can tell of that yet."""
        power = [e.ns for e in self.twin.events if e.kind == "power"]
        return bool(power) and power[-1] >= self.last_frame

    def watch(self, *names: str) -> dict[str, set[int]]:
        """Every word that each register has from now on."""
        self.watched = {name: {self.truth(name)} for name in names}
        return self.watched


def candidates(chip: Chip) -> tuple[list[str], list[str]]:
    """Registers to read, and those whose settings may be written at will."""
    readable = [r.name for r in chip.registers.values() if r.readable and not r.frame]
    layouts = {n.partition(".")[0] for f in chip.frames.values() if f.when for n in f.when.names()}
    writable = [
        r.name
        for r in setting_registers(chip)
        if r.name in readable
        and rules.readback(chip, r, 0, 0) is not None
        and not any(f.access == "once" or f.role == "lock" for f in r.fields)
        and r.name not in layouts
        and r.name != chip.page_select.partition(".")[0]
        and not r.complement_of
        and not any(x.complement_of == r.name for x in chip.registers.values())
    ]
    return readable, writable


def clear_power_up(bench: Any) -> None:
    """The power-up flags cleared past the SPI, so that the link can see a reset."""
    for fault in bench.chip.faults.values():
        if fault.normal_at_power_up:
            bench.twin.machine.set_fault(fault, False)
    bench.twin.machine.settle()


def soak(chip: Chip, kind: str, requests: int, seed: int) -> Iterator[tuple[str, str]]:
    """(what happened, "" or why that is wrong), one a request."""
    bench = Soaked(chip, kind, seed)
    link, rng = bench.link, bench.rng
    readable, writable = candidates(chip)
    clear_power_up(bench)
    what_between, _, length = bench.between.partition(" ")
    for number in range(requests):
        begin = bench.clock.ns
        if bench.between and not number % 3:
            bench.twin.disturb(f"{what_between} between write and verify {length}".strip())
        if rng.random() < 0.2:
            names = rng.sample(readable, min(len(readable), rng.randrange(2, 6)))
            what, wrong = _several(bench, names)
        elif rng.random() < 0.5 or not writable:
            name = rng.choice(readable)
            seen = bench.watch(name)[name]
            reading = link.read(name)
            bench.look()
            what = f"read {reading.grade}"
            wrong = ""
            if reading.good and reading.word not in seen:
                wrong = f"{name} read 0x{reading.word:X}, held {[hex(w) for w in seen]}"
            if reading.grade == "lost" and not reading.why:
                wrong = f"{name} lost without a reason"
        else:
            name = rng.choice(writable)
            register = chip.registers[name]
            seen = bench.watch(name)[name]
            word = rng.getrandbits(register.width) & ~register.reserved
            written = link.write(name, word)
            bench.look()
            what = f"write {written.result}"
            wrong = _wrong_write(bench, name, word, written, seen)
        if (bench.clock.ns - begin) / 1e9 > MOST_SECONDS:
            wrong = wrong or f"{what} took {(bench.clock.ns - begin) / 1e9:.1f} s"
        yield what, wrong or _wrong_account(bench)


def _several(bench: Any, names: list[str]) -> tuple[str, str]:
    """Several registers read as one poll of a watch reads them; graded as the worst of them."""
    seen = bench.watch(*names)
    readings = bench.link.read_all(names)
    bench.look()
    grades = [r.grade for r in readings.values()]
    worst = max(grades, key=("good", "single", "lost").index)
    for name, reading in readings.items():
        if reading.good and reading.word not in seen[name]:
            held = [hex(w) for w in seen[name]]
            return f"read {worst}", f"{name} of {names} read 0x{reading.word:X}, held {held}"
        if reading.grade == "lost" and not reading.why:
            return f"read {worst}", f"{name} of {names} lost without a reason"
    return f"read {worst}", "" if [*readings] == names else f"asked {names}, got {[*readings]}"


def _wrong_write(bench: Any, name: str, word: int, written: Any, seen: set[int]) -> str:
    mask, expected = rules.readback(bench.chip, bench.chip.registers[name], 0, word) or (0, 0)
    if written.result == "verified" and not any(w & mask == expected for w in seen):
        return f"{name} = 0x{word:X} verified, held {[hex(w) for w in seen]}"
    if written.result == "refused" and written.holds is not None and written.holds not in seen:
        return f"{name} refused, said to hold 0x{written.holds:X}, held {[hex(w) for w in seen]}"
    if written.result == "unknown":
        account = bench.link.account()
        if name not in [u.register for u in account.unknown]:
            return f"{name} unknown, and the account does not say so"
        if not any(name in text for text in account.losses):
            return f"{name} unknown, and no loss is told"
    return ""


def _wrong_account(bench: Any) -> str:
    """Whether the account leaves out what a register holds, as of the link's last exchange."""
    account = bench.link.account()
    for item in account.held:
        held = bench.twin.word(item.register) & bench.chip.registers[item.register].read_mask
        if item.word != held and account.watched and not bench.silent_reset():
            return f"account: {item.register} known as 0x{item.word:X}, holds 0x{held:X}"
    for item in account.unknown:
        held = bench.twin.word(item.register) & bench.chip.registers[item.register].read_mask
        if not item.open and held not in item.candidates:
            shown = [hex(w) for w in item.candidates]
            return f"account: {item.register} one of {shown}, holds 0x{held:X}"
    return ""


def bring_ups(
    chip: Chip, whats: tuple[str, ...] = AT_EACH, every: int = 1
) -> Iterator[tuple[str, str]]:
    """A reset, a brown-out, a lost frame and a damaged one at every frame of the bring-up."""
    whole = Bench(chip)
    frames = 0
    begin_burst = whole.twin.begin_burst

    def counted() -> None:
        nonlocal frames
        frames += not whole.twin._pieces
        begin_burst()

    whole.twin.begin_burst = counted
    wanted = Bank.at_reset(chip)
    assert apply(whole.link, wanted).ok
    for what in whats:
        for number in range(1, frames + 1, every):
            name, _, rest = what.partition(" for ")
            text = f"{name} at frame {number}" + (f" for {rest}" if rest else "")
            bench = Bench(chip, [] if what == "adapter restarts" else [text])
            if what == "adapter restarts":
                _restarts_at(bench, number)
            done = apply(bench.link, wanted)
            kind = f"bring-up {'done' if done.ok else 'stopped'}"
            wrong = "" if done.ok or done.stopped else "stopped without a reason"
            if done.ok:
                final = final_bank(chip, wanted)
                for item in done.checked:
                    register = chip.registers[item.register]
                    mask = register.read_mask & ~register.reserved
                    check = rules.readback(chip, register, 0, final.words[item.register])
                    mask = check[0] if check is not None else mask
                    if (bench.twin.word(item.register) ^ final.words[item.register]) & mask:
                        wrong = f"{text}: applied, and {item.register} holds 0x{bench.twin.word(item.register):X}"
            bench.silent_reset = lambda: False
            yield kind, wrong or _wrong_account(bench)


def _restarts_at(bench: Any, number: int) -> None:
    """The adapter loses its session as it sends this frame."""
    begin_burst, seen = bench.twin.begin_burst, 0

    def counted() -> None:
        nonlocal seen
        seen += not bench.twin._pieces
        if seen == number:
            bench.server._session = False
        begin_burst()

    bench.twin.begin_burst = counted


def chips() -> list[Chip]:
    return [load_map(n) for n, p in bundled("devices").items() if "gateword_map:" in p.read_text()]


#: columns of the table: what happened, by its last word
COLUMNS = ("good", "single", "verified", "refused", "lost", "unknown", "done", "stopped")


@dataclass
class Results:
    """What happened, one run of a kind on a chip after the other; a file of them can be gone on with."""

    path: Path | None
    counts: dict[tuple[str, str, int], Counter[str]] = field(default_factory=dict)
    wrong: list[str] = field(default_factory=list)
    spent: float = 0.0

    def __post_init__(self) -> None:
        if self.path is None or not self.path.exists():
            return
        for line in self.path.read_text(encoding="utf-8").splitlines():
            with contextlib.suppress(ValueError):  # the last line of a run that was killed
                self._add(json.loads(line))

    def _add(self, entry: dict[str, Any]) -> None:
        self.counts[entry["chip"], entry["kind"], entry["seed"]] = Counter(entry["counts"])
        self.wrong += entry["wrong"]
        self.spent += entry["spent_s"]

    def take(self, chip: str, kind: str, seed: int, happened: Callable[[], Any]) -> None:
        """Run it, unless its results are there."""
        if (chip, kind, seed) in self.counts:
            return
        begin = time.process_time()
        counts: Counter[str] = Counter()
        wrong = []
        for what, why in happened():
            counts[what.rpartition(" ")[2]] += 1
            if why:
                counts["wrong"] += 1
                wrong.append(f"{chip}, {kind}, seed {seed}: {why}")
        entry = {
            "chip": chip, "kind": kind, "seed": seed, "counts": dict(counts), "wrong": wrong,
            "spent_s": round(time.process_time() - begin, 3),
        }  # fmt: skip
        self._add(entry)
        if self.path is not None:
            with self.path.open("a", encoding="utf-8") as file:
                file.write(json.dumps(entry) + "\n")

    def tell(self) -> None:
        """A row for each kind, and for each chip."""
        for title, at in (("kind", 1), ("chip", 0)):
            rows: dict[str, Counter[str]] = {}
            for key, row in self.counts.items():
                rows.setdefault(str(key[at]), Counter()).update(row)
            rows["all"] = sum(self.counts.values(), Counter())
            heads = "".join(f"{c:>9}" for c in (*COLUMNS, "all", "wrong"))
            sys.stdout.write(f"{title:<40}{heads}\n")
            for name, row in rows.items():
                numbers = [row[c] for c in COLUMNS]
                cells = [*numbers, sum(numbers), row["wrong"]]
                sys.stdout.write(f"{name:<40}{''.join(f'{n:9d}' for n in cells)}\n")
        for text in self.wrong[:40]:
            sys.stdout.write(f"WRONG {text}\n")
        kinds, tried = ({k[at] for k in self.counts} for at in (1, 0))
        sys.stdout.write(
            f"{len(kinds)} kinds of disturbance, {len(tried)} chips, {len(self.wrong)} wrong, "
            f"{self.spent:.0f} s of processor time\n"
        )


def run(
    results: Results, requests: int, seed: int, minutes: float | None, names: list[str], every: int
) -> None:
    """Share the requests among all chips and kinds; the bring-ups of a chip follow its requests."""
    begin = time.monotonic()
    known = [c for c in chips() if not names or c.name in names]
    each = max(1, requests // (len(known) * len(KINDS)))
    at = seed
    while True:
        for chip in known:
            for kind in KINDS:
                results.take(chip.name, kind, at, partial(soak, chip, kind, each, at))
            for what in AT_EACH if every and at == seed else ():
                happened = partial(bring_ups, chip, (what,), every)
                results.take(chip.name, f"bring-up: {what}", seed, happened)
        at += 1
        if minutes is None or time.monotonic() - begin > 60 * minutes:
            return


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--requests", type=int, default=100_000)
    parser.add_argument("--minutes", type=float)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--chip", action="append", default=[])
    parser.add_argument(
        "--every", type=int, default=1, help="of a bring-up each so many frames (0: none)"
    )
    parser.add_argument("--results", type=Path, help="a file to keep results in, and to go on from")
    parser.add_argument("--tell", action="store_true", help="only tell what the file has so far")
    given = parser.parse_args()
    soaked = Results(given.results)
    if not given.tell:
        run(soaked, given.requests, given.seed, given.minutes, given.chip, given.every)
    soaked.tell()
    sys.exit(1 if soaked.wrong else 0)
