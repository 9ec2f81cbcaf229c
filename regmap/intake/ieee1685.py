"""Components of IEEE 1685 (2009, 2014, 2022) as what they say of registers. No entity is expanded, nothing is loaded."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from xml.parsers import expat

from ..errors import FileError, Place, Problem
from .found import FoundField, FoundRegister, FoundSheet

#: levels of elements; a component needs about a dozen
DEPTH = 60

_ACCESS = {
    "read-write": "rw",
    "read-only": "ro",
    "write-only": "wo",
    "writeOnce": "once",
    "read-writeOnce": "once",
}
_MODIFIED = {"oneToClear": "w1c", "zeroToClear": "w0c", "modify": "sc"}


def read_component(data: bytes, name: str, sheet: FoundSheet) -> None:
    """Take the registers of a component into `sheet`. Raises FileError for XML that is not sound, or not safe."""
    _checked(data, name)
    top = ET.fromstring(data)
    if _local(top) != "component":
        raise FileError(
            [
                Problem(
                    Place(name, 1, 1), f"XML with <{_local(top)[:40]}>", "a component of IEEE 1685"
                )
            ]
        )
    for area in _all(top, "memoryMap"):
        for block in _all(area, "addressBlock"):
            page = re.fullmatch(r"page_(\d+)", _text(block, "name"))
            base = _number(block, "baseAddress", sheet, name) or 0
            for register in _all(block, "register"):
                _register(register, base, int(page[1]) if page else None, name, sheet)


def _checked(data: bytes, name: str) -> None:
    """Refuse a document type (entities are told there), too many levels, and what is not well formed."""
    parser = expat.ParserCreate()
    depth = 0

    def refuse(found: str, expected: str) -> None:
        raise FileError(
            [
                Problem(
                    Place(name, parser.CurrentLineNumber, parser.CurrentColumnNumber + 1),
                    found,
                    expected,
                )
            ]
        )

    def start(*_: object) -> None:
        nonlocal depth
        depth += 1
        if depth > DEPTH:
            refuse(f"elements nested deeper than {DEPTH} levels", "a component of IEEE 1685")

    def end(*_: object) -> None:
        nonlocal depth
        depth -= 1

    parser.StartElementHandler, parser.EndElementHandler = start, end
    parser.StartDoctypeDeclHandler = lambda *_: refuse(
        "a document type", "XML without one: entities are not read"
    )
    try:
        parser.Parse(data, True)
    except expat.ExpatError as error:
        raise FileError([
            Problem(Place(name, error.lineno, error.offset + 1), f"no sound XML: {expat.ErrorString(error.code)}", "a component of IEEE 1685")
        ]) from error  # fmt: skip


def _local(element: ET.Element) -> str:
    return element.tag.rpartition("}")[2]


def _all(element: ET.Element, name: str) -> Iterator[ET.Element]:
    """Elements of this name below, whatever edition's namespace they have."""
    return (e for e in element.iter() if _local(e) == name)


def _child(element: ET.Element, name: str) -> ET.Element | None:
    return next((e for e in element if _local(e) == name), None)


def _text(element: ET.Element, name: str) -> str:
    found = _child(element, name)
    return " ".join((found.text or "").split()) if found is not None else ""


def _number(element: ET.Element, name: str, sheet: FoundSheet, origin: str) -> int | None:
    """A number of the standard: 0x1F, 'h1F, 5; an expression is a doubt."""
    text = _text(element, name).replace("_", "")
    if not text:
        return None
    match = (
        re.fullmatch(r"(?:\d*'?(0x|h|b|d)|#)?([0-9A-Fa-f]+)", text, re.I)
        if "'" in text or text[:2].lower() in ("0x",) or text.isdigit()
        else None
    )
    if match is None:
        sheet.doubt(
            "open", f"{name} {text[:40]!r} is an expression and was not worked out", origin=origin
        )
        return None
    base = {"0x": 16, "h": 16, "b": 2}.get((match[1] or "").lower(), 10)
    try:
        return int(match[2], base)
    except ValueError:
        sheet.doubt("open", f"{name} {text[:40]!r} is no number", origin=origin)
        return None


def _policy(element: ET.Element, name: str) -> str:
    """A text of the element itself, or of its access policy (2022)."""
    direct = _text(element, name)
    if direct:
        return direct
    for holder in ("fieldAccessPolicies", "accessPolicies"):
        policies = _child(element, holder)
        for policy in policies if policies is not None else ():
            if found := _text(policy, name):
                return found
    return ""


def _access(element: ET.Element) -> str:
    modified = _MODIFIED.get(_policy(element, "modifiedWriteValue"))
    if modified:
        return modified
    if _policy(element, "readAction") == "clear":
        return "rc"
    return _ACCESS.get(_policy(element, "access"), "")


def _register(
    element: ET.Element, base: int, page: int | None, origin: str, sheet: FoundSheet
) -> None:
    name = _text(element, "name")
    offset = _number(element, "addressOffset", sheet, origin)
    found = FoundRegister(
        re.sub(r"\W", "_", name), f"{origin}, register {name}", None if offset is None else base + offset, page,
        _access(element), None, _number(element, "size", sheet, origin), _text(element, "description"),
    )  # fmt: skip
    whole = _child(element, "reset")
    if whole is not None:  # 2009: one word for the register
        found.reset = _number(whole, "value", sheet, origin)
    if any(_child(element, n) is not None for n in ("dim", "array")):
        sheet.doubt("open", "an array: only its first register was taken", of=[found.name])
    for field in _all(element, "field"):
        _field(field, found, sheet)
    sheet.registers.append(found)


def _field(element: ET.Element, register: FoundRegister, sheet: FoundSheet) -> None:
    name = re.sub(r"\W", "_", _text(element, "name"))
    low = _number(element, "bitOffset", sheet, register.origin)
    width = _number(element, "bitWidth", sheet, register.origin)
    if low is None or not width or width > 64:
        sheet.doubt("serious", f"field {name} has no bits that can be read", of=[register.name])
        return
    resets = _child(element, "resets")
    reset = next(iter(_all(resets, "reset")), None) if resets is not None else None
    found = FoundField(
        name, tuple(range(low + width - 1, low - 1, -1)), f"{register.origin}, field {name}", _access(element),
        _number(reset, "value", sheet, register.origin) if reset is not None else None, _text(element, "description"),
        reserved=_text(element, "reserved") == "true" or name.lower().startswith("reserved"),
    )  # fmt: skip
    for row in _all(element, "enumeratedValue"):
        code = _number(row, "value", sheet, register.origin)
        if code is not None and not code >> width:
            called = _text(row, "name")
            found.options[code] = _text(row, "description") or called
    register.fields.append(found)
