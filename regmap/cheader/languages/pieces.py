"""What all functions of a frame share: check bits computed anew, and what is wrong with a word."""

from __future__ import annotations

from ...chip.bits import deposit, mask_of
from ...chip.model import Frame, Layout, Part
from ...frames.words import guards_of
from ..framebase import FREE, known_codes
from ..sheet import Sheet
from .either import Either
from .language import fed_groups, named

#: what can be wrong with a frame; the numbers are those of the C header
ERRORS = (
    ("check_bits", 1, "a parity bit or checksum is wrong"),
    ("fixed", 2, "a bit that is always the same is not"),
    ("operation", 4, "the operation code means nothing"),
    ("echo", 8, "the reply does not repeat what was sent"),
    ("counter", 16, "the reply's counter does not follow the one before: a frame was rejected"),
    ("rejected", 32, "the reply's status says that a frame was rejected"),
    ("reset", 64, "the reply's status says that the chip has been reset"),
)
#: names of a frame's module that no part may have
OWN = {"bits", "bytes", "bursts", "burst_bytes", "reply_after", "pack", "check", "to_bytes", "from_bytes",
       "read_data", "with_check_bits", "with_counter", "reply_errors", "make_read", "make_write"}  # fmt: skip


class Pieces:
    """One frame of the map in one language."""

    def __init__(self, sheet: Sheet, lang: Either, frame: Frame, index: int, name: str) -> None:
        self.sheet, self.lang, self.frame, self.index = sheet, lang, frame, index
        self.kind = lang.type_name("frame")
        self.bits = max(f.length for f in sheet.chip.frames.values())
        self.free = [p for p in frame.command.parts if p.kind in FREE]
        taken = set(OWN)
        self.names = {
            p.name: named(sheet, f"part {p.name} of {frame.name}", p.name, taken) for p in self.free
        }
        self.counters = [p for p in frame.command.parts if p.kind == "counter"]
        self.path = name

    # --- pieces ----------------------------------------------------------------------------------
    def frame_of(self, expr: str) -> str:
        return self.lang.narrow(expr, self.bits)

    def guard(self, part: Part, of_sent: str, of_frame: str) -> tuple[list[str], str]:
        """Lines that compute a check, and the variable that holds it; the frame's own check bits are 0."""
        lang, name = self.lang, f"check_{'_'.join(str(b) for b in part.bits[:1])}"
        source = {"sent": of_sent, "frame": of_frame}
        if part.kind == "parity":
            terms = []
            for key, over in (("sent", part.over_command), ("frame", part.over)):
                mask = 0
                for bit in over:
                    mask ^= 1 << bit
                if mask:
                    parity = lang.helper("parity")
                    terms.append(f"{parity}({source[key]} & {lang.number(mask, self.bits)})")
            terms += [] if part.even else [lang.count(1)]
            return [lang.let(name, " ^ ".join(terms) or lang.count(0))], name
        assert part.crc is not None
        crc = part.crc
        width, poly = lang.count(crc.width), lang.number(crc.poly, crc.width)
        lines = [lang.let(name, lang.number(crc.init, crc.width), mutable=True)]
        feed = lang.helper("feed")
        for constant, fixed, bits in fed_groups(part):
            terms, size = [], fixed + len(bits)
            if fixed and constant:
                terms.append(lang.number(constant << len(bits), 8))
            left = len(bits)
            for key in ("sent", "frame"):
                own = tuple(b for k, b in bits if k == key)
                left -= len(own) if key == "sent" else left
                if own:
                    piece = lang.take(source[key], own)
                    terms.append(f"(({piece}) << {lang.count(left)})" if left else piece)
            group = " | ".join(terms) or lang.count(0)
            if crc.reflect_in and size > 1:
                group = f"{lang.helper('reverse')}({group}, {lang.count(size)})"
            lines.append(f"{name} = {feed}({name}, {group}, {lang.count(size)}, {width}, {poly});")
        for n in [8] * (crc.flush // 8) + [crc.flush % 8]:
            if n:
                filling = lang.number((1 << n) - 1 if crc.flush_value else 0, 8)
                lines.append(
                    f"{name} = {feed}({name}, {filling}, {lang.count(n)}, {width}, {poly});"
                )
        if crc.reflect_out:
            lines.append(f"{name} = {lang.helper('reverse')}({name}, {width});")
        if crc.xor_out:
            lines.append(f"{name} ^= {lang.number(crc.xor_out, crc.width)};")
        return lines, name

    def completed(self, layout: Layout, *, mutable: bool = True) -> list[str]:
        """Lines that put the check bits into the variable `complete`, whose own are cleared here."""
        lang, lines = self.lang, []
        guards = guards_of(layout)
        mask = mask_of(tuple(b for g in guards for b in g.bits))
        full = (1 << layout.length) - 1
        lines.append(lang.let("complete", f"whole & {lang.number(full & ~mask, self.bits)}", mutable=mutable))  # fmt: skip
        for guard in guards:
            more, name = self.guard(guard, "command", "complete")
            lines += [*more, f"complete |= {lang.put(name, guard.bits)};"]
        return lines

    def sound(self, layout: Layout, *, sent: bool) -> list[str]:
        """Lines that collect in `errors` what is wrong with `frame` (wide as `whole`)."""
        lang = self.lang
        lines = []
        guards = guards_of(layout)
        if guards:
            call = "reply" if sent else "command"
            over = f"complete_{call}_{self.layout_index(layout)}" if sent else "with_check_bits"
            argument = "sent, frame" if sent else "frame"
            lines += lang.when(f"{over}({argument}) != frame", [f"errors |= {lang.error('check_bits')};"])  # fmt: skip
        tests: list[str] = []
        plain = [p for p in layout.parts if p.kind in ("fixed", "chip") and not p.shared]
        if plain:
            mask = mask_of(tuple(b for p in plain for b in p.bits))
            value = sum(deposit(p.value, p.bits) for p in plain)
            tests.append(f"(whole & {lang.number(mask, self.bits)}) != {lang.number(value, self.bits)}")  # fmt: skip
        for part in layout.parts:
            if part.shared:
                code = f"({lang.take('whole', part.bits)})"
                known = dict.fromkeys((part.value, *part.shared))
                tests.append(" && ".join(f"({code} != {lang.count(c)})" for c in known))
        if layout.length not in (8, 16, 32, 64) or layout.length < self.bits:
            tests.append(f"whole > {lang.number((1 << layout.length) - 1, self.bits)}")
        for test in tests:
            lines += lang.when(test, [f"errors |= {lang.error('fixed')};"])
        for part in layout.parts:
            if part.kind != "operation" or sent:
                continue
            given = known_codes(self.sheet.chip, self.sheet.recogniser, self.frame, part)
            if len(given) < 1 << part.width:
                code = f"({lang.take('whole', part.bits)})"
                wrong = " && ".join(f"({code} != {lang.count(c)})" for c in given)
                lines += lang.when(wrong, [f"errors |= {lang.error('operation')};"])
        return lines

    def layout_index(self, layout: Layout) -> int:
        return next(i for i, x in enumerate(self.frame.replies.values()) if x is layout)
