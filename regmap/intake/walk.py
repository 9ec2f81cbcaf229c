"""Where the reading of a sheet stands, and what its lines of text say: captions, addresses, sentences."""

from __future__ import annotations

import re

from regmap.record import dataclass

from .cells import access_of, is_quantity, number_of, plain
from .found import FoundField, FoundRegister, FoundSheet

ADDRESS = r"(?:0x[0-9A-Fa-f]+|[0-9A-Fa-f]+h\b|0b[01]+|\d+(?![\w.]))"
#: captions that name a register, its address and perhaps its reset word
_CAPTIONS = tuple(
    re.compile(p)
    for p in (
        rf"(?P<name>[A-Z][A-Z0-9_]*)\s*(?:[Rr]egister)?\s*[,(\[]\s*(?:[Aa]ddr(?:ess)?|[Oo]ffset|[Aa]ddress [Oo]ffset)?\.?\s*[=:]?\s*(?P<address>{ADDRESS})",
        rf"(?P<name>[A-Z][A-Z0-9_]*)\s+[\w ]*?[(\[]\s*(?:[Aa]ddr(?:ess)?|[Oo]ffset)\s*[=:]?\s*(?P<address>{ADDRESS})",
        rf"[Rr]egister\s+(?P<address>{ADDRESS})\s*[:,-]\s*(?P<name>[A-Z][A-Z0-9_]*)",
        rf"^(?P<address>{ADDRESS})\s*[:,-]?\s+(?P<name>[A-Z][A-Z0-9_]*)\b",
        rf"(?P<name>[A-Z][A-Z0-9_]*)\s+(?:[Rr]egister\s+)?(?:at|@)\s+(?:[Aa]ddress\s+)?(?P<address>{ADDRESS})",
        rf"(?P<name>[A-Z][A-Z0-9_]*)\s*[:,-]\s*[Aa]ddr(?:ess)?\s*[=:]?\s*(?P<address>{ADDRESS})",
        r"(?:^|\s)(?P<name>[A-Z][A-Z0-9_]+)\s+(?:[Rr]egister|[Ff]ields|[Bb]its)\b",
        r"[Rr]egister\s+(?P<name>[A-Z][A-Z0-9_]+)\b",
    )
)
#: access and reset in one cell, as R/W-0h
PAIR = re.compile(r"(.+?)[-,\s]+(0x[0-9A-Fa-f]+|[0-9A-Fa-f]+h|[01]+b|\d+)")
_RESET = re.compile(
    rf"(?:[Rr]eset|[Dd]efault|POR)(?: (?:value|word))?\s*(?:is|[=:])?\s*({ADDRESS})"
)
_PAGE = re.compile(
    r"\b[Pp]age\s*[=:]?\s*(\d+)\b.*(?:0x|[Aa]ddr)|(?:0x|[Aa]ddr).*\b(?:[Pp]age|[Bb]ank)\s*[=:]?\s*(\d+)\b"
)
_FRAME = re.compile(r"\b(frame|command word|SDI|SDO|write word|SPI word)\b", re.I)
_REPLY = re.compile(r"\b(reply|response|answer|SDO|read data)\b", re.I)


@dataclass(slots=True)
class Walk:
    """Where the reading of a sheet stands: the register and the field that were named last."""

    sheet: FoundSheet
    register: FoundRegister | None = None
    field: FoundField | None = None
    caption: str = ""
    framing: str = ""  # command or reply, while a frame is told of


def register_of(sheet: FoundSheet, name: str, origin: str) -> FoundRegister:
    """The register of this name; it is made at its first mention."""
    found = sheet.named(name)
    if found is None:
        found = FoundRegister(name, origin)
        sheet.registers.append(found)
    return found


def set_address(
    sheet: FoundSheet, register: FoundRegister, text: str, origin: str, radix: int | None = None
) -> None:
    read = number_of(text, radix=radix)
    if read is None:
        return
    value, sure = read
    if register.address is not None and register.address != value:
        sheet.doubt(
            "serious",
            f"address 0x{register.address:X} and 0x{value:X} ({origin})",
            of=[register.name],
            origin=origin,
        )
        return
    register.address = value
    if not sure:
        sheet.doubt(
            "open",
            f"address {plain(text)!r} is taken as {value}; hex would be {int(plain(text), 16)}",
            of=[register.name],
            origin=origin,
        )


def take_line(text: str, origin: str, walk: Walk) -> None:
    said = plain(text)
    _sentences(said, origin, walk)
    if len(said) < 80 and _FRAME.search(said) and not re.search(r"register", said, re.I):
        walk.framing = "reply" if _REPLY.search(said) else "command"
        walk.caption = said
        return
    for pattern in _CAPTIONS:
        match = pattern.search(said)
        if match and not re.fullmatch(
            r"(?:SPI|TABLE|REGISTER|PAGE|NOTE|BIT|THE|RESET|DATA|W?R?)S?", match["name"], re.I
        ):
            if "address" not in match.groupdict() and walk.sheet.registers and len(said) > 80:
                continue  # a sentence that only mentions a register
            if is_quantity(match["name"]):
                continue
            field_name = walk.register.named(match["name"]) if walk.register else None
            if field_name is not None:
                break
            walk.register = register_of(walk.sheet, match["name"], origin)
            walk.framing, walk.field, walk.caption = "", None, said
            if match.groupdict().get("address"):
                set_address(walk.sheet, walk.register, match["address"], origin)
            reset = _RESET.search(said)
            if reset:
                register_reset(walk, walk.register, reset[1], origin)
            page = _PAGE.search(said)
            if page:
                walk.register.page = int(page[1] or page[2])
            access = re.search(
                r"\b(read[- ]only|write[- ]only|read/write|R/W|RW|RO|WO|W1C|RC)\b", said, re.I
            )
            if access and not walk.register.access:
                walk.register.access = access_of(access[1]) or ""
            return
    reset = _RESET.match(said)
    if reset and walk.register is not None:
        register_reset(walk, walk.register, reset[1], origin)
        return
    named = field_named(said, walk)
    if named is not None:
        walk.register, walk.field = named
    walk.caption = said


def field_named(text: str, walk: Walk) -> tuple[FoundRegister, FoundField] | None:
    """The field that a caption names, as REG.FIELD or by its own name."""
    words = re.findall(r"[A-Z][A-Z0-9_]+(?:\.[A-Z][A-Z0-9_]+)?", text)
    for word in words:
        register, dot, name = word.partition(".")
        if dot:
            found = walk.sheet.named(register)
            if found is not None and (item := found.named(name)) is not None:
                return found, item
    holders = [walk.register] if walk.register else []
    for word in words:
        for found in [*holders, *(walk.sheet.registers)]:
            if (item := found.named(word)) is not None:
                return found, item
    return None


def _sentences(said: str, origin: str, walk: Walk) -> None:
    """SPI facts and examples in running text."""
    sheet = walk.sheet
    mode = re.search(r"SPI mode\s*[:=]?\s*([0-3])\b|mode ([0-3]) of the SPI", said, re.I)
    if mode:
        sheet.limits.setdefault("mode", (mode[1] or mode[2], origin))
    length = re.search(
        r"\b(\d{1,2})[- ]bit (?:SPI )?(?:frames?|words?|command)\b|frames? (?:of|has|have|with) (\d{1,2}) bits",
        said,
        re.I,
    )
    if length:
        sheet.limits.setdefault("length", (length[1] or length[2], origin))
    parity = re.search(r"\b(odd|even) parity\b", said, re.I)
    if parity:
        sheet.limits.setdefault("parity", (parity[1].lower(), origin))
    if re.search(r"(reply|response|answer)[^.]*\b(in|with) the same frame", said, re.I):
        sheet.limits.setdefault("after", ("0", origin))
    elif re.search(
        r"(reply|response|answer)[^.]*\b(in|with) the (next|following) frame", said, re.I
    ):
        sheet.limits.setdefault("after", ("1", origin))
    write = re.search(
        r"\b(?:R/W|RW|W/R)\b[^.]*?\b(0|1)\s*(?:=|:|for|means|is)\s*(?:a )?(write|read)", said, re.I
    )
    if write:
        sheet.limits.setdefault("codes", (f"{write[2].lower()} {write[1]}", origin))
    for match in re.finditer(
        r"[Ee]xample[^.:]*[:.]?\s*(?:[^.]*?)\b(0x[0-9A-Fa-f]{3,16}|[0-9A-Fa-f]{4}h)\b", said
    ):
        sheet.examples.append((match[1], said, origin))


def register_reset(walk: Walk, register: FoundRegister, text: str, origin: str) -> None:
    read = number_of(text)
    if read is None:
        return
    if register.reset is not None and register.reset != read[0]:
        walk.sheet.doubt(
            "serious",
            f"reset 0x{register.reset:X} and 0x{read[0]:X} ({origin})",
            of=[register.name],
            origin=origin,
        )
    else:
        register.reset = read[0]
        if not read[1]:
            walk.sheet.doubt(
                "open",
                f"reset {plain(text)!r} is taken as decimal {read[0]}",
                of=[register.name],
                origin=origin,
            )
