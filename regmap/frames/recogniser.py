"""The recogniser: from bits, and what is known of the chip, to layout, register or command, or why not.

    seen = Recogniser(chip)
    seen.command(0x2156)                  the likeliest reading of a whole word, its flaws listed
    seen.readings(0x2156, bits=16)        all readings, best first
    seen.begins([(0x30, 8)])              the layouts that these bursts can begin, best first

Whoever asks which frame a word is asks here: `decode`, the simulated chip, captures, the link. A reading
is sound where its target travels in that layout and nothing contradicts it. Of readings that are not, one
whose target belongs to the layout comes before one with fewer flaws: a write whose check bits are wrong is a
bad write of its register, not a good frame of a layout in which that register never travels.

`regmap.frames.bulk` gives the same answers for arrays; tests hold both together.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from regmap.record import dataclass, field

from ..chip.bank import Bank
from ..chip.model import Chip, Command, Frame, Layout, Part, Register
from ..errors import CallError
from ..expr import evaluate
from .words import Flaw, cut, inspect, join_bursts, split

Target = Register | Command


@dataclass(frozen=True, slots=True, kw_only=True)
class Sent:
    """A command frame as built or recognised.

    `kind` is "read", "write" or a command's name; `register` is None for commands and for
    addresses that the map does not have; `data` is the data part, if the frame has one.
    """

    word: int
    frame: Frame
    kind: str
    register: Register | None = None
    address: int | None = None
    page: int | None = None
    data: int | None = None
    parts: Mapping[str, int] = field(default_factory=dict)
    flaws: tuple[Flaw, ...] = ()
    command: Command | None = None
    operation: str = ""
    #: the registers that it can be about, on different pages, where the page is not known
    maybe: tuple[Register, ...] = ()

    @property
    def bits(self) -> int:
        return self.frame.length

    @property
    def shared(self) -> bool:
        """Whether it is addressed to every chip on the select: all take it, none answers."""
        return any(self.parts.get(p.name) in p.shared for p in self.frame.command.parts if p.shared)

    @property
    def elsewhere(self) -> Part | None:
        """The part that names another chip on the same select, where that is all that does not fit."""
        part = self.frame.command.of_kind("chip")
        if part is None or not self.flaws or any(f.part != part.name for f in self.flaws):
            return None
        return part


class Recogniser:
    """Which layout, and whose word; holds no state of the chip. `bank` is always what is known of it:
    reset state where not given."""

    def __init__(self, chip: Chip) -> None:
        self.chip = chip
        self.usual = next(
            (f for f in chip.frames.values() if f.when is None and not f.named_only), None
        )
        self._general = tuple(
            f
            for f in chip.frames.values()
            if (f is self.usual or f.when is not None) and not f.named_only
        )
        # a command that says more of its word is recognised before one that says less
        self.commands: tuple[Command, ...] = tuple(
            sorted(chip.commands.values(), key=lambda c: -len(c.parts))
        )
        #: one target for each set of layouts that targets name
        named: dict[tuple[str, ...], Target] = {c.frames: c for c in chip.commands.values()}
        named |= {r.frames: r for r in chip.registers.values() if r.frames}
        self._named = tuple(named.values())
        #: what registers call the operation codes that read and write them
        self.kinds = {
            "read": "read",
            "write": "write",
            **{o: k for r in chip.registers.values() for k, o in r.operations.items()},
        }
        #: by layout, shared with all recognisers of this chip
        self._tables: dict[str, dict[tuple[str | None, int | None], list[Register]]]
        self._tables = chip.once("recogniser.tables", lambda _: {})

    # --- which layout a request travels in ---------------------------------------------------
    def carriers(self, target: Target | None) -> tuple[Frame, ...]:
        """The layouts that can carry a register or command, in whatever state; None: any register."""
        own = tuple(self.chip.frames[n] for n in target.frames) if target is not None else ()
        if not own or any(f is self.usual for f in own):
            return self._general
        return own

    def carries(self, frame: Frame, target: Target) -> bool:
        """Whether the target can travel in this layout, in whatever state."""
        return any(f is frame for f in self.carriers(target))

    def frame_for(self, target: Target | None, bank: Bank | None = None) -> Frame | None:
        """The layout a request travels in now; None where none that carries it is in force."""
        if len(self.chip.frames) == 1:
            return next(iter(self.chip.frames.values()))
        found = self._in_force(target, bank)
        if found or target is not None:
            return found[0] if found else None
        return next(iter(self.chip.frames.values()))

    def frame_in_force(
        self,
        bank: Bank | None = None,
        register: Register | None = None,
        command: Command | None = None,
    ) -> Frame:
        """As `frame_for`. Raises CallError where no layout that carries the target is in force."""
        target = command if command is not None else register
        if register is not None and register.in_replies:
            raise CallError(f"no command reaches {register.name}: its fields are parts of replies")
        frame = self.frame_for(target, bank)
        if frame is None:
            assert target is not None
            own = " or ".join(f"frame '{f.name}' (while {f.when})" for f in self.carriers(target))
            raise CallError(f"{target.name} travels in {own}, which is not in force")
        return frame

    def _in_force(self, target: Target | None, bank: Bank | None) -> list[Frame]:
        """Those of its layouts whose condition holds; where none does, the one without a condition;
        then those of which nobody knows."""
        bank = bank if bank is not None else Bank.at_reset(self.chip)
        holding, unknown, always = [], [], []
        for frame in self.carriers(target):
            if frame.when is None:
                always.append(frame)
                continue
            holds = evaluate(frame.when, bank)
            if holds:
                holding.append(frame)
            elif holds is None:
                unknown.append(frame)
        return [*(holding[:1] or always[:1]), *unknown]

    def in_force(self, bank: Bank | None = None) -> tuple[str, ...]:
        """The names of the layouts that requests travel in now: of any register, and of each target that
        names its own ("": none that carries it is in force)."""
        lists = (self._in_force(target, bank) for target in (None, *self._named))
        return tuple(frames[0].name if frames else "" for frames in lists)

    def frames_possible(self, bank: Bank | None = None) -> list[Frame]:
        """The layouts that a command may use now: the usual one first, then those that only some
        registers or commands use, then those of which it is not known whether they are in force."""
        if len(self.chip.frames) == 1:
            return [*self.chip.frames.values()]
        lists = [self._in_force(target, bank) for target in (None, *self._named)]
        found = {f.name: f for frames in lists for f in frames[:1]}
        found |= {f.name: f for frames in lists for f in frames[1:] if f.name not in found}
        return [*found.values()] or [next(iter(self.chip.frames.values()))]

    # --- which layout a word is in -----------------------------------------------------------
    def command(
        self,
        word: int,
        bank: Bank | None = None,
        frame: Frame | None = None,
        bits: int | None = None,
    ) -> Sent:
        """The likeliest reading of a command word; its flaws are listed, never raised.

        `bits` are those seen on the SPI, if known; with `frame` the word is read as that one. Raises
        FrameError for a word that is wider than every frame.
        """
        if frame is not None:
            return self._read(word, frame, bank)
        found = self.readings(word, bank, bits)
        return found[0] if found else self._read(word, self.frames_possible(bank)[0], bank)

    def readings(
        self, word: int, bank: Bank | None = None, bits: int | None = None, *, beyond: bool = False
    ) -> list[Sent]:
        """All readings of a command word, best first; none where its length fits no layout.

        With `beyond`, layouts that are believed not to be in force are tried too: for whoever may
        have missed what switched them.
        """
        frames = [(f, 0) for f in self.frames_possible(bank)]
        if beyond:
            near = {f.name for f, _ in frames}
            frames += [(f, 1) for n, f in self.chip.frames.items() if n not in near]
        fitting = [
            (f, tier) for f, tier in frames if not word >> f.length and bits in (None, f.length)
        ]
        found = [(self._read(word, f, bank), tier) for f, tier in fitting]
        if len(found) > 1:
            found.sort(key=lambda s: (bool(s[0].flaws), s[1], *self._doubt(s[0])))
        return [sent for sent, _ in found]

    def begins(self, pieces: Sequence[tuple[int, int]], bank: Bank | None = None) -> list[Frame]:
        """The layouts in force that these bursts, (value, bits) each, are or begin, best first.

        Only what has come in counts: check bits and parts of which bits are still to come do not. Of
        a single burst with more clocks than any of them, what the chip takes of it counts.
        """
        possible = self.frames_possible(bank)
        lengths = tuple(b for _, b in pieces)
        frames = [f for f in possible if f.bursts[: len(pieces)] == lengths]
        if frames or len(pieces) > 1:
            return [f for f, _ in self.begun(pieces, frames, bank)] if len(frames) > 1 else frames
        [(value, came)] = pieces
        found = []
        for frame in possible:
            taken = cut(value, came, frame.bursts[0], self.chip.spi)
            if taken is not None:
                found += self.begun([(taken, frame.bursts[0])], [frame], bank)
        found.sort(key=lambda f: (bool(f[1].flaws), *self._doubt(f[1])))
        return [frame for frame, _ in found]

    def begun(
        self, pieces: Sequence[tuple[int, int]], frames: Sequence[Frame], bank: Bank | None = None
    ) -> list[tuple[Frame, Sent]]:
        """What these bursts say so far when they begin one of `frames`, best first."""
        found = [(f, self.so_far(pieces, f, bank)) for f in frames]
        found.sort(key=lambda f: (bool(f[1].flaws), *self._doubt(f[1])))
        return found

    def so_far(
        self, pieces: Sequence[tuple[int, int]], frame: Frame, bank: Bank | None = None
    ) -> Sent:
        """What the bursts that have come in of a frame of this layout say; `parts` has the whole ones only."""
        came, left = join_bursts(pieces), frame.length - sum(b for _, b in pieces)
        known = ((1 << frame.length) - 1) >> left << left if left else None
        return self._read(came << left, frame, bank, known)

    def _doubt(self, sent: Sent) -> tuple[bool, bool, int]:
        """How little a reading explains: more than one wrong bit where the layout is told from
        others, a target that does not belong, the number of flaws."""
        wrong = 0
        for part in sent.frame.command.parts:
            if part.kind == "fixed" and any(f.part == part.name for f in sent.flaws):
                wrong += (sent.parts[part.name] ^ part.value).bit_count()
        address = sent.frame.command.of_kind("address")
        coming = address is not None and address.name not in sent.parts
        strange = sent.command is None and (
            (sent.register is None and not coming) or any(f.kind == "frame" for f in sent.flaws)
        )
        return wrong > 1, strange, len(sent.flaws)

    # --- how an answer is laid out -------------------------------------------------------------
    def reply_frame(self, sent: Sent, within: Frame | None = None) -> Frame:
        """The frame whose replies answer `sent` in the clocks of `within`.

        Where a layout has come into force in between (a checksum switched on), a reply of the next frame
        is already of that length. Else it is the frame that was sent, and its reply is cut off, or zeros
        follow it, where `within` has another length (`words.passed`).
        """
        if within is None or within.length == sent.frame.length:
            return sent.frame
        target = sent.command or sent.register
        targets = (target,) if target is not None else sent.maybe
        fits = (
            any(self.carries(within, t) for t in targets)
            if targets
            else any(f is within for f in self._general)
        )
        return within if fits else sent.frame

    def carrier(self, sent: Sent, bits: int) -> Frame | None:
        """A frame of so many bits in whose clocks the answer to `sent` passes; None where there is none."""
        found = [f for f in self.chip.frames.values() if f.length == bits]
        fitting = (f for f in found if self.reply_frame(sent, f) is f)
        return next(fitting, found[0] if found else None)

    def reply_layouts(
        self,
        sent: Sent,
        within: Frame | None = None,
        bank: Bank | None = None,
        *,
        beyond: bool = False,
    ) -> list[Layout]:
        """The layouts that the answer to `sent` can have, the likeliest first; none where none comes.

        `within` is the frame whose clocks carry the answer (see `reply_frame`). Cases
        whose condition holds come first, then the rest, then cases of which nobody knows; with
        `beyond` those believed not to hold too.
        """
        if sent.shared:
            return []
        frame = self.reply_frame(sent, within)
        names = ("", *frame.cases)
        if frame.cases:
            bank = bank if bank is not None else Bank.at_reset(self.chip)
            holds = {n: evaluate(when, bank) for n, when in frame.cases.items()}
            names = (
                *[n for n, held in holds.items() if held][:1],
                "",
                *[n for n, held in holds.items() if held is None],
                *[n for n, held in holds.items() if held is not None and beyond],
            )
        found = []
        for name in names:
            # a command has a name of its own beside that of its operation code
            own = (
                (sent.operation, sent.kind) if sent.command is None else (sent.kind, sent.operation)
            )
            for kind in (*own, "any"):
                layout = frame.replies.get(f"{name}.{kind}" if name else kind) if kind else None
                if layout is not None:
                    found.append(layout)
                    break
        return found

    # --- one word in one layout ----------------------------------------------------------------
    def _read(self, word: int, frame: Frame, bank: Bank | None, known: int | None = None) -> Sent:
        """The word as one of this layout. `known` are the bits that have come in (all)."""
        parts = split(frame.command, word)
        flaws = inspect(frame.command, word, known)
        if known is not None:
            parts = {
                p.name: parts[p.name]
                for p in frame.command.parts
                if all(known >> b & 1 for b in p.bits)
            }
        for command in self.commands:
            if self.carries(frame, command) and self._is(command, parts, known is None):
                data = self._data(frame, parts) if command.takes_data else None
                said = [f for f in flaws if f.kind == "check_bits" or f.part not in command.parts]
                return Sent(
                    word=word,
                    frame=frame,
                    kind=command.name,
                    data=data,
                    parts=parts,
                    flaws=tuple(said),
                    command=command,
                    operation=self.code_of(frame, parts),
                )
        operation, kind = self.operation_of(frame, parts)
        if kind not in ("read", "write"):
            if kind != "unknown":
                flaws.append(Flaw("operation", kind, f"no command of the map is this '{kind}'"))
            return Sent(
                word=word,
                frame=frame,
                kind=kind,
                parts=parts,
                flaws=tuple(flaws),
                operation=operation or "",
            )
        address_part, page_part = frame.command.of_kind("address"), frame.command.of_kind("page")
        address = parts.get(address_part.name) if address_part else None
        page = parts.get(page_part.name) if page_part else self.page(bank)
        register = None
        if address_part is None or address is not None:
            register = self.register_at(frame, operation, address, page)
        maybe: tuple[Register, ...] = ()
        if register is None and page is None and self.chip.page_select:
            maybe = tuple(self.registers_at(frame, operation, address))
        data = self._data(frame, parts) if kind == "write" else None
        if register is not None and not self.carries(frame, register):
            flaws.append(
                Flaw(
                    "frame",
                    address_part.name if address_part else "",
                    f"{register.name} travels in frame '{register.frame or self._general[0].name}', "
                    f"and this is '{frame.name}'",
                )
            )
        if register is not None and data is not None and data >> register.width:
            flaws.append(
                Flaw(
                    "fixed",
                    "data",
                    f"0x{data:X} is wider than the {register.width} bits of {register.name}",
                )
            )
        return Sent(
            word=word,
            frame=frame,
            kind=kind,
            register=register,
            address=address,
            page=page,
            data=data,
            parts=parts,
            flaws=tuple(flaws),
            operation=operation or "",
            maybe=maybe,
        )

    @staticmethod
    def _is(command: Command, parts: Mapping[str, int], whole: bool) -> bool:
        """Whether a word with these parts is the command; of one not yet whole, whether it can be."""
        told = [n for n in command.parts if n in parts]
        if not told or (whole and len(told) < len(command.parts)):
            return False
        return all(command.holds(n, parts[n]) for n in told)

    def operation_of(self, frame: Frame, parts: Mapping[str, int]) -> tuple[str | None, str]:
        """The name of the word's operation code (None: the layout has none), and what it does: "read",
        "write", the name of a code that no register has, or "unknown"."""
        operation = frame.command.of_kind("operation")
        if operation is None:
            return None, "write" if frame.command.of_kind("data") else "read"
        for name, code in operation.codes.items():
            if parts.get(operation.name) == code:
                return name, self.kinds.get(name, name)
        return "unknown", "unknown"

    def code_of(self, frame: Frame, parts: Mapping[str, int]) -> str:
        """The name of the word's operation code, "" where it has none."""
        operation = frame.command.of_kind("operation")
        codes = operation.codes.items() if operation is not None else ()
        return next((n for n, c in codes if operation and parts.get(operation.name) == c), "")

    def page(self, bank: Bank | None) -> int | None:
        """The page that a field selects, where one does and it is known."""
        if not self.chip.page_select:
            return None
        return (bank or Bank.at_reset(self.chip)).code(self.chip.page_select)

    def register_at(
        self, frame: Frame, operation: str | None, address: int | None, page: int | None = None
    ) -> Register | None:
        """The register that a word of this layout is about; one without a page is on every page."""
        found = self.registers_at(frame, operation, address)
        for wanted in dict.fromkeys((page, None)):
            for register in found:
                if register.page == wanted:
                    return register
        return None

    def registers_at(
        self, frame: Frame, operation: str | None, address: int | None
    ) -> list[Register]:
        """Those on all pages, ones that travel in this layout first."""
        return self.places(frame).get((operation, address), [])

    def places(self, frame: Frame) -> Mapping[tuple[str | None, int | None], list[Register]]:
        """Registers by operation and address, each None where the layout has no such part."""
        table = self._tables.get(frame.name)
        if table is None:
            table = self._tables[frame.name] = self._table(frame)
        return table

    def _table(self, frame: Frame) -> dict[tuple[str | None, int | None], list[Register]]:
        addressed = frame.command.of_kind("address") is not None
        coded = frame.command.of_kind("operation") is not None
        kind = "write" if frame.command.of_kind("data") else "read"
        ranked: dict[tuple[str | None, int | None], list[tuple[tuple[bool, bool], Register]]] = {}
        for register in self.chip.registers.values():
            if register.in_replies:
                continue
            # one of another layout is told as that, where an address says which it is
            if not self.carries(frame, register) and not (
                addressed and self.chip.addressed(register)
            ):
                continue
            operations = register.operations or {"read": "read", "write": "write"}
            for does, name in operations.items() if coded else [(kind, None)]:
                place = (name, register.address if addressed else None)
                # of two at one place, one reads and the other is written
                able = register.readable if does == "read" else register.takes_writes
                rank = (not self.carries(frame, register), not able)
                ranked.setdefault(place, []).append((rank, register))
        return {
            place: [r for _, r in sorted(rows, key=lambda row: row[0])]
            for place, rows in ranked.items()
        }

    @staticmethod
    def _data(frame: Frame, parts: Mapping[str, int]) -> int | None:
        part = frame.command.of_kind("data")
        return parts.get(part.name) if part else None
