"""What a stage file may say: the shapes of its keys, for the loader, the JSON Schema and the reference."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

from ..document.schema import (
    NAME,
    Bool,
    ByKind,
    Int,
    Many,
    OneOf,
    Qty,
    Reader,
    Record,
    Scalar,
    Shape,
    Table,
    Text,
    Word,
    nothing_required,
)
from ..document.source import MappingNode, Node, ScalarNode
from ..errors import closest
from ..formerly import PARAMETERS, check_name
from ..maps.shapes import Params
from ..outside import load_outside
from ..parameters import STAGE, Parameter
from .courses import courses_shape
from .requirements import requirement_shape

FORMAT = 1

#: what `from` calls the stage without a mode
AS_STATED = "as_stated"

#: What a failure mode states beside its name: key -> (value, default, meaning).
MODE = {
    "rate": (Parameter("rate", "failure rate", "failure rate", sign="more than zero"), None),
    "safe": (
        Parameter(
            "safe", "percent", "share that cannot violate the safety goal", sign="zero or more"
        ),
        "0 %",
    ),
    "coverage": (
        Parameter(
            "coverage",
            "percent",
            "share of the rest that a safety mechanism keeps from violating it",
            sign="zero or more",
        ),
        "0 %",
    ),
    "latent_coverage": (
        Parameter(
            "latent_coverage",
            "percent",
            "share of what is covered that is noticed before a second fault",
            sign="zero or more",
        ),
        "0 %",
    ),
}


class _Setting(Scalar):
    label = "a value: 60 mA, an option's name, 0x1F, min, max"

    def convert(self, node: Node, text: str, reader: Reader, path: str) -> Any:  # noqa: ARG002
        return text

    def json(self) -> dict[str, Any]:
        return {"type": ["string", "number", "boolean"]}


class _CheckName(Word):
    """The name of a check; one that it had before is noted."""

    def __init__(self) -> None:
        super().__init__(r"[a-z][a-z0-9.\-]*", "a check's name")

    def convert(self, node: Node, text: str, reader: Reader, path: str) -> Any:
        now = check_name(text)
        if now != text:
            reader.renamed(node, path, text, now)
        return super().convert(node, now, reader, path)


def _about(what: str, title: str) -> Record:
    """Name, title and summary of a stage or a part."""
    name = Word(r"[A-Za-z][A-Za-z0-9_\-]*", "a name of letters, digits, - and _")
    return Record(
        {
            "name": (name, True, "short name"),
            "title": (Text(), False, title),
            "invented": (Bool(), False, f"the {what} does not exist"),
            "summary": (Text(), False, "a few lines for people"),
        },
        f"the {what}'s name and title",
    )


def part_shape() -> Record:
    """What a part's file says beside the values of its groups."""
    version = Int(FORMAT, FORMAT, f"{FORMAT}, the version of this format")
    return Record(
        {
            "gateword_part": (version, True, "version of this format"),
            "part": (_about("part", "what it is"), True, "name and title"),
        },
        "a part",
    )


class _Beside(Shape):
    """Fixed keys beside the parameters of the closed table."""

    def __init__(self, fixed: Record) -> None:
        self.fixed = fixed
        self.label = fixed.label
        self.params = Params(STAGE)

    def read(self, node: Node, reader: Reader, path: str) -> Any:
        if not isinstance(node, MappingNode):
            return self.fixed.read(node, reader, path)
        ours, theirs = [], []
        tops = {n.partition(".")[0] for n in STAGE}
        tops |= {old.partition(".")[0] for old, now in PARAMETERS.items() if now in STAGE}
        for key, value in node.value:
            name = key.value if isinstance(key, ScalarNode) else ""
            if name in self.fixed.keys:
                ours.append((key, value))
            elif name.partition(".")[0] in tops:
                theirs.append((key, value))
            else:
                known = [*self.fixed.keys, *sorted(tops)]
                near = closest(name, known)
                reader.complain(
                    key,
                    path,
                    f"the key '{name[:40]}'",
                    "one of " + ", ".join(known),
                    near,
                )
        rec = self.fixed.read(
            MappingNode(node.tag, ours, node.start_mark, node.end_mark), reader, path
        )
        rec["params"] = self.params.read(
            MappingNode(node.tag, theirs, node.start_mark, node.end_mark), reader, path
        )
        return rec

    def json(self) -> dict[str, Any]:
        schema = self.fixed.json()
        groups: dict[str, Any] = dict(self.params.json())
        file = {"type": "string", "pattern": r"\.ya?ml$", "description": "a part's file"}
        groups["properties"] = {
            k: {"anyOf": [file, v]} if "." not in k else v for k, v in groups["properties"].items()
        }
        both = [s["properties"] for s in (groups, schema)]
        schema["properties"] = {k: v for p in both if isinstance(p, dict) for k, v in p.items()}
        return schema


def _changeable() -> dict[str, tuple[Shape, bool, str]]:
    """The keys that a stage has and a mode of it may change."""
    value = _Setting()
    return {
        "settings": (
            Table(
                Word(
                    r"[A-Za-z_][A-Za-z0-9_]*(\.[A-Za-z_][A-Za-z0-9_]*)?",
                    "REG, REG.FIELD or a joined value",
                ),
                ByKind(
                    "fields of a register, or a value",
                    scalar=value,
                    mapping=Table(NAME, value, "fields by name"),
                ),
                "settings by register",
            ),
            False,
            "a value for each field that is not at reset",
        ),
        "external": (
            Table(NAME, value, "external values by name"),
            False,
            "what pins and resistors set",
        ),
        "waive": (
            Table(_CheckName(), Text(), "checks by name"),
            False,
            "checks that do not apply, each with the reason",
        ),
        "allow": (
            Table(
                Word(r"[A-Za-z_]\w*(\.[A-Za-z_]\w*)?", "REG.FIELD or a value's name"),
                Text(),
                "reasons by field",
            ),
            False,
            "codes that the map forbids or leaves reserved and that are meant, each with the reason",
        ),
    }


def _mode_shape() -> _Beside:
    return _Beside(
        Record(
            {
                "title": (Text(), False, "what it is for"),
                "after": (
                    Many(Text(), "what leads into it"),
                    False,
                    "what leads into it: a fault of the map, start, controller (its command) or low_supply",
                ),
                "from": (
                    Many(NAME, "modes"),
                    False,
                    f"the modes that it is entered from, {AS_STATED} for the stage without a mode (default: all)",
                ),
                "within": (
                    Qty("time", "more than zero"),
                    False,
                    "how long the frames that lead into it may take",
                ),
                "driving": (
                    Bool(),
                    False,
                    "whether the outputs switch in it (default yes)",
                ),
                "entered": (
                    OneOf(
                        {
                            "driving": "while the outputs switch",
                            "stopped": "with the outputs off, which the controller enables again",
                        },
                        "a way to enter",
                    ),
                    False,
                    "how it is entered (default driving)",
                ),
                "retains": (
                    Bool(),
                    False,
                    "whether the chip keeps its registers in it (default yes); if not, the way out is a bring-up",
                ),
                **_changeable(),
            },
            "a mode",
        )
    )


class _StageShape(_Beside):
    """Everything at the top of a stage file."""

    def __init__(self) -> None:
        super().__init__(
            Record(
                {
                    "gateword_stage": (
                        Int(FORMAT, FORMAT, f"{FORMAT}, the version of this format"),
                        True,
                        "version of this format",
                    ),
                    "stage": (
                        _about("stage", "what it drives"),
                        True,
                        "name and title",
                    ),
                    "extends": (
                        Text(),
                        False,
                        "another stage in the same folder tree, which this one changes",
                    ),
                    "without": (
                        Many(Text(), "names"),
                        False,
                        "what the extended stage states and this one does not: REG.FIELD, an input, or SECTION.NAME",
                    ),
                    "map": (
                        Text(),
                        True,
                        "the chip's map: a bundled name, or a path beside this file",
                    ),
                    **_changeable(),
                    "requirement": (
                        requirement_shape(),
                        False,
                        "requirements of a specification, each with the settings and checks that answer it",
                    ),
                    "failure_modes": (
                        Table(
                            NAME,
                            Record(
                                {
                                    **{
                                        key: (
                                            Qty(row.dimension, row.sign),
                                            default is None,
                                            row.doc,
                                        )
                                        for key, (row, default) in MODE.items()
                                    },
                                    "covered_by": (
                                        Many(NAME, "faults of the map"),
                                        False,
                                        "faults of the chip that stand behind the coverage: while one "
                                        "is masked or only reported to a controller that failed, it counts nothing",
                                    ),
                                },
                                "a failure mode",
                            ),
                            "failure modes by name",
                        ),
                        False,
                        "how parts fail at random, with rates from your analysis, for SPFM, LFM and PMHF",
                    ),
                    "courses": (
                        courses_shape(NAME),
                        False,
                        "how the supply runs over time, from your specification",
                    ),
                    "chain": (
                        Record(
                            {
                                "maps": (
                                    Many(Text(), "maps", single=False),
                                    True,
                                    "maps of all chips, the nearest to the controller's output first",
                                ),
                                "position": (
                                    Int(0, 63),
                                    False,
                                    "which of them this stage sets (0)",
                                ),
                            },
                            "daisy chain",
                        ),
                        False,
                        "several chips on one chip select",
                    ),
                    "modes": (
                        Table(NAME, _mode_shape(), "modes by name"),
                        False,
                        "other states of the same drive (limp home, brake, sleep), each with what it changes",
                    ),
                },
                "a stage",
            )
        )


def stage_keys() -> Record:
    """The fixed keys of a stage, without the parameters of the closed table."""
    return _StageShape().fixed


@lru_cache(maxsize=1)
def stage_shape() -> Shape:
    """The shape of a whole stage file, with the inputs that installed packages add."""
    load_outside()
    return _StageShape()


def json_schema() -> dict[str, object]:
    """The JSON Schema (draft 2020-12) of a stage, from the same tables that the loader reads by.

    What a stage must hold is only asked of one that extends no other.
    """
    whole = stage_shape().json()
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "gateword stage",
        **nothing_required(whole),
        "if": {"not": {"required": ["extends"]}},
        "then": whole,
    }
