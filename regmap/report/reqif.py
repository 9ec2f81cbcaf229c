"""The trace as ReqIF 1.2 (OMG formal/2016-07-01), for the requirement tools that teams have.

One SPEC-OBJECT for each requirement and each answer to it, a SPEC-RELATION from answer to requirement, one
SPECIFICATION in the order of the stage. The same stage gives the same bytes: identifiers come from the content.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from xml.sax.saxutils import escape, quoteattr

from .trace import TraceRow, status_of

#: the time in a header that must have one, where none is given
NO_TIME = "1970-01-01T00:00:00Z"
_ANSWER = ("item", "kind", "wanted", "chosen", "verdict", "margin", "evidence", "waived")
_REQUIREMENT = ("ReqIF.ForeignID", "ReqIF.Text", "status")


def trace_reqif(
    rows: Iterable[TraceRow], *, title: str, comment: str, tool: str, time: str = NO_TIME
) -> str:
    """The document as text. `time` is an xsd:dateTime; every value is a string attribute."""
    return _Document(list(rows), title, comment, tool, time).text()


class _Document:
    def __init__(
        self, rows: list[TraceRow], title: str, comment: str, tool: str, time: str
    ) -> None:
        self.rows, self.title, self.comment, self.tool, self.time = rows, title, comment, tool, time
        self.by_requirement: dict[str, list[TraceRow]] = {}
        for row in rows:
            self.by_requirement.setdefault(row.requirement, []).append(row)

    def text(self) -> str:
        return "".join(
            [
                '<?xml version="1.0" encoding="UTF-8"?>\n',
                '<REQ-IF xmlns="http://www.omg.org/spec/ReqIF/20110401/reqif.xsd">\n',
                self.header(),
                "<CORE-CONTENT><REQ-IF-CONTENT>\n",
                self.datatypes(),
                self.types(),
                self.objects(),
                self.relations(),
                self.specification(),
                "</REQ-IF-CONTENT></CORE-CONTENT>\n</REQ-IF>\n",
            ]
        )

    def header(self) -> str:
        return (
            f"<THE-HEADER><REQ-IF-HEADER IDENTIFIER={self.ident('header')}>\n"
            f"<COMMENT>{_text(self.comment)}</COMMENT>\n"
            f"<CREATION-TIME>{_text(self.time)}</CREATION-TIME>\n"
            f"<REQ-IF-TOOL-ID>{_text(self.tool)}</REQ-IF-TOOL-ID>\n"
            "<REQ-IF-VERSION>1.0</REQ-IF-VERSION>\n"
            f"<SOURCE-TOOL-ID>{_text(self.tool)}</SOURCE-TOOL-ID>\n"
            f"<TITLE>{_text(self.title)}</TITLE>\n</REQ-IF-HEADER></THE-HEADER>\n"
        )

    def datatypes(self) -> str:
        return (
            f"<DATATYPES><DATATYPE-DEFINITION-STRING IDENTIFIER={self.ident('string')} {self.changed()} "
            'LONG-NAME="text" MAX-LENGTH="32000"/></DATATYPES>\n'
        )

    def types(self) -> str:
        return (
            "<SPEC-TYPES>\n"
            + self.object_type("requirement", _REQUIREMENT)
            + self.object_type("answer", _ANSWER)
            + f'<SPEC-RELATION-TYPE IDENTIFIER={self.ident("answers")} {self.changed()} LONG-NAME="answers"/>\n'
            + f'<SPECIFICATION-TYPE IDENTIFIER={self.ident("specification-type")} {self.changed()} LONG-NAME="trace"/>\n'
            + "</SPEC-TYPES>\n"
        )

    def object_type(self, name: str, attributes: tuple[str, ...]) -> str:
        made = "".join(
            f"<ATTRIBUTE-DEFINITION-STRING IDENTIFIER={self.ident(name, each)} {self.changed()} LONG-NAME={quoteattr(each)}>"
            f"<TYPE><DATATYPE-DEFINITION-STRING-REF>{self.ref('string')}</DATATYPE-DEFINITION-STRING-REF></TYPE>"
            "</ATTRIBUTE-DEFINITION-STRING>\n"
            for each in attributes
        )
        return (
            f"<SPEC-OBJECT-TYPE IDENTIFIER={self.ident('type', name)} {self.changed()} LONG-NAME={quoteattr(name)}>"
            f"<SPEC-ATTRIBUTES>{made}</SPEC-ATTRIBUTES></SPEC-OBJECT-TYPE>\n"
        )

    def objects(self) -> str:
        made = []
        for requirement, rows in self.by_requirement.items():
            values = (requirement, rows[0].text, status_of(rows))
            made.append(
                self.object("requirement", (requirement,), zip(_REQUIREMENT, values, strict=True))
            )
            made += [
                self.object(
                    "answer", (requirement, row.item), ((n, getattr(row, n)) for n in _ANSWER)
                )
                for row in rows
            ]
        return "<SPEC-OBJECTS>\n" + "".join(made) + "</SPEC-OBJECTS>\n"

    def object(self, kind: str, key: tuple[str, ...], values: Iterable[tuple[str, str]]) -> str:
        made = "".join(
            f"<ATTRIBUTE-VALUE-STRING THE-VALUE={_attribute(value)}><DEFINITION><ATTRIBUTE-DEFINITION-STRING-REF>"
            f"{self.ref(kind, name)}</ATTRIBUTE-DEFINITION-STRING-REF></DEFINITION></ATTRIBUTE-VALUE-STRING>\n"
            for name, value in values
        )
        return (
            f"<SPEC-OBJECT IDENTIFIER={self.ident('object', *key)} {self.changed()}><VALUES>{made}</VALUES>"
            f"<TYPE><SPEC-OBJECT-TYPE-REF>{self.ref('type', kind)}</SPEC-OBJECT-TYPE-REF></TYPE></SPEC-OBJECT>\n"
        )

    def relations(self) -> str:
        made = "".join(
            f"<SPEC-RELATION IDENTIFIER={self.ident('relation', row.requirement, row.item)} {self.changed()}>"
            f"<TARGET><SPEC-OBJECT-REF>{self.ref('object', row.requirement)}</SPEC-OBJECT-REF></TARGET>"
            f"<SOURCE><SPEC-OBJECT-REF>{self.ref('object', row.requirement, row.item)}</SPEC-OBJECT-REF></SOURCE>"
            f"<TYPE><SPEC-RELATION-TYPE-REF>{self.ref('answers')}</SPEC-RELATION-TYPE-REF></TYPE></SPEC-RELATION>\n"
            for row in self.rows
        )
        return f"<SPEC-RELATIONS>\n{made}</SPEC-RELATIONS>\n"

    def specification(self) -> str:
        def node(key: tuple[str, ...], below: str = "") -> str:
            children = f"<CHILDREN>{below}</CHILDREN>" if below else ""
            return (
                f"<SPEC-HIERARCHY IDENTIFIER={self.ident('place', *key)} {self.changed()}>{children}"
                f"<OBJECT><SPEC-OBJECT-REF>{self.ref('object', *key)}</SPEC-OBJECT-REF></OBJECT></SPEC-HIERARCHY>\n"
            )

        places = "".join(
            node((requirement,), "".join(node((requirement, r.item)) for r in rows))
            for requirement, rows in self.by_requirement.items()
        )
        return (
            f"<SPECIFICATIONS><SPECIFICATION IDENTIFIER={self.ident('specification')} {self.changed()} LONG-NAME={quoteattr(self.title)}>"
            f"<CHILDREN>{places}</CHILDREN><TYPE><SPECIFICATION-TYPE-REF>{self.ref('specification-type')}</SPECIFICATION-TYPE-REF></TYPE>"
            "</SPECIFICATION></SPECIFICATIONS>\n"
        )

    # --- identifiers --------------------------------------------------------------------------
    def changed(self) -> str:
        return f"LAST-CHANGE={quoteattr(self.time)}"

    def ident(self, *key: str) -> str:
        return quoteattr(self.ref(*key))

    def ref(self, *key: str) -> str:
        """An xsd:ID that is the same for the same thing in every export of this stage."""
        return "_" + hashlib.sha256("\x1f".join((self.title, *key)).encode()).hexdigest()[:32]


def _text(text: str) -> str:
    return escape(_allowed(text))


def _attribute(text: str) -> str:
    return quoteattr(_allowed(text))


def _allowed(text: str) -> str:
    """Without what XML 1.0 does not have."""
    return "".join(
        c
        if c in "\t\n\r" or (c >= " " and c not in "\ufffe\uffff" and not "\ud800" <= c <= "\udfff")
        else "?"
        for c in text
    )
