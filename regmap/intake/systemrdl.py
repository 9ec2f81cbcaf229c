"""SystemRDL 2.0 (Accellera) as what it says of registers, by a parser library of the standard (an optional extra)."""

from __future__ import annotations

import re
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from ..errors import FileError, Place, Problem
from .found import FoundField, FoundRegister, FoundSheet

if TYPE_CHECKING:
    from systemrdl.node import FieldNode, RegNode

_ON_WRITE = {"woclr": "w1c", "wzc": "w0c"}
_SOFTWARE = {"rw": "rw", "r": "ro", "w": "wo", "rw1": "once", "w1": "once"}


def read_rdl(text: str, name: str, sheet: FoundSheet) -> None:
    """Take the registers of the last address map into `sheet`. Raises FileError with the compiler's own words."""
    for mark, what in (("<%", "embedded Perl, which would be run"), ("`include", "an include")):
        if mark in text:
            line = text[: text.index(mark)].count("\n") + 1
            raise FileError([Problem(Place(name, line, 1), what, "plain SystemRDL in one file")])
    try:
        from systemrdl.compiler import RDLCompiler
        from systemrdl.messages import MessagePrinter, RDLCompileError, Severity
        from systemrdl.node import RegNode
    except ImportError:
        raise FileError([
            Problem(Place(name), "SystemRDL, and the library that reads it is not installed", 'pip install "gateword[import]"')
        ]) from None  # fmt: skip
    told: list[Problem] = []

    class Listener(MessagePrinter):
        def print_message(self, severity: object, text: str, src_ref: object) -> None:
            if severity in (Severity.ERROR, Severity.FATAL):
                selection = getattr(src_ref, "line", None)
                told.append(Problem(Place(name, selection or 0, 1), text, "SystemRDL 2.0"))

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "map.rdl"
        path.write_text(text, encoding="utf-8")
        compiler = RDLCompiler(message_printer=Listener())
        try:
            compiler.compile_file(str(path))
            top = compiler.elaborate().top
        except (RDLCompileError, ValueError, RecursionError) as error:
            raise FileError(
                told or [Problem(Place(name), str(error)[:300], "SystemRDL 2.0")]
            ) from None
        nodes = [n for n in top.descendants(unroll=True) if isinstance(n, RegNode)]
        size = max((n.get_property("regwidth") for n in nodes), default=8) // 8
        for node in nodes:
            sheet.registers.append(_register(node, size, name))
    if size > 1 and sheet.registers:
        sheet.doubt(
            "open", f"addresses of {name} count bytes; here they count registers of {size} bytes"
        )


def _register(node: RegNode, size: int, origin: str) -> FoundRegister:
    page = re.fullmatch(r"page_(\d+)", node.parent.inst_name or "")
    offset = node.address_offset if page else node.absolute_address
    called = (
        node.inst_name if not node.is_array else node.get_path_segment(array_suffix="_{index:d}")
    )
    found = FoundRegister(
        called, f"{origin}, register {called}", offset // size, int(page[1]) if page else None,
        summary=" ".join((node.get_property("desc") or "").split()),
    )  # fmt: skip
    found.fields = [_field(f, found) for f in node.fields()]
    return found


def _field(node: FieldNode, register: FoundRegister) -> FoundField:
    written, read = node.get_property("onwrite"), node.get_property("onread")
    access = _ON_WRITE.get(written.name if written else "")
    if access is None and read is not None and read.name == "rclr":
        access = "rc"
    pulse = "clears_itself" in node.list_properties() and node.get_property("clears_itself")
    if pulse or node.get_property("singlepulse"):
        access = "sc"
    reset = node.get_property("reset")
    table = node.get_property("encode")
    options = {}
    for row in table or ():
        options[row.value] = " ".join((row.rdl_desc or row.rdl_name or row.name).split())
    return FoundField(
        node.inst_name, tuple(range(node.high, node.low - 1, -1)), f"{register.origin}, field {node.inst_name}",
        access or _SOFTWARE.get(node.get_property("sw").name, ""), reset if isinstance(reset, int) else None,
        " ".join((node.get_property("desc") or "").split()), options=options,
    )  # fmt: skip
