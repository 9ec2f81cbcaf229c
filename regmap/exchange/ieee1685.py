"""A map as a component of IEEE 1685-2014: one address block for each page, accesses in the standard's own words.

An address counts as many bits as the widest register has, rounded up to bytes.
"""

from __future__ import annotations

import xml.etree.ElementTree as ET

from ..chip.model import Access, Chip, Field, Register
from .plain import option_texts, pieces

NAMESPACE = "http://www.accellera.org/XMLSchema/IPXACT/1685-2014"

#: access, modifiedWriteValue and readAction of the standard (clause on fields)
WORDS: dict[Access, tuple[str, str, str]] = {
    Access.RW: ("read-write", "", ""),
    Access.RO: ("read-only", "", ""),
    Access.WO: ("write-only", "", ""),
    Access.W1C: ("read-write", "oneToClear", ""),
    Access.W0C: ("read-write", "zeroToClear", ""),
    Access.RC: ("read-only", "", "clear"),
    Access.ONCE: ("read-writeOnce", "", ""),
    Access.SC: ("read-write", "modify", ""),
}


def ieee1685_text(chip: Chip) -> str:
    """The component as XML."""
    ET.register_namespace("ipxact", NAMESPACE)
    top = ET.Element(_tag("component"))
    for name, text in (
        ("vendor", "example.org"),
        ("library", "maps"),
        ("name", chip.name),
        ("version", "1"),
    ):
        _add(top, name, text)
    area = _add(_add(top, "memoryMaps"), "memoryMap")
    _add(area, "name", "registers")
    unit = -(-max(r.width for r in chip.registers.values()) // 8) * 8
    pages: dict[int | None, list[Register]] = {}
    for register in chip.registers.values():
        pages.setdefault(register.page, []).append(register)
    for page, registers in pages.items():
        block = _add(area, "addressBlock")
        _add(block, "name", "registers" if page is None else f"page_{page}")
        _add(block, "baseAddress", "0x0")
        _add(block, "range", f"0x{max(r.address for r in registers) + 1:X}")
        _add(block, "width", str(unit))
        for register in registers:
            _register(block, chip, register)
    _add(area, "addressUnitBits", str(unit))
    if chip.title:
        _add(top, "description", chip.title)
    ET.indent(top)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(top, encoding="unicode") + "\n"


def _tag(name: str) -> str:
    return f"{{{NAMESPACE}}}{name}"


def _add(parent: ET.Element, name: str, text: str = "") -> ET.Element:
    found = ET.SubElement(parent, _tag(name))
    if text:
        found.text = text
    return found


def _register(block: ET.Element, chip: Chip, register: Register) -> None:
    found = _add(block, "register")
    _add(found, "name", register.name)
    if register.summary:
        _add(found, "description", register.summary)
    _add(found, "addressOffset", f"0x{register.address:X}")
    _add(found, "size", str(register.width))
    for field in sorted(register.fields, key=lambda f: f.bits[-1]):
        _field(found, chip, field)


def _field(register: ET.Element, chip: Chip, field: Field) -> None:
    access, modified, action = WORDS[field.access]
    parts = pieces(field)
    options = option_texts(chip, field) if len(parts) == 1 else {}
    for name, high, width, reset in parts:
        found = _add(register, "field")
        _add(found, "name", name)
        if field.summary:
            _add(found, "description", field.summary)
        _add(found, "bitOffset", str(high - width + 1))
        _add(_add(_add(found, "resets"), "reset"), "value", f"0x{reset:X}")
        _add(found, "bitWidth", str(width))
        # in the order that the standard's schema gives
        _add(found, "access", access)
        if options:
            table = _add(found, "enumeratedValues")
            for code, text in options.items():
                row = _add(table, "enumeratedValue")
                _add(row, "name", f"code_{code}")
                _add(row, "description", text)
                _add(row, "value", f"0x{code:X}")
        if modified:
            _add(found, "modifiedWriteValue", modified)
        if action:
            _add(found, "readAction", action)
