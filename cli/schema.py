"""`gateword schema`: the JSON Schema of a document that one writes, or of an output that a program reads."""

from __future__ import annotations

import argparse
import json
from functools import lru_cache
from importlib.resources import files
from typing import Any

from regmap.errors import CallError, closest

from .context import Context, Status, columns

NAME = "schema"
HELP = "JSON Schema of a document (map, stage, ...) or of an output of --json"

#: documents that people write, and what they are
DOCUMENTS = {
    "map": "a chip, written from its data sheet",
    "stage": "the power stage around it and the settings wanted",
    "setup": "how a capture is read",
    "campaign": "a plan of fault injections",
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "name", nargs="?", metavar="NAME", help="what to print; all names without it"
    )
    parser.add_argument("--json", action="store_true", help="the list of names as one JSON object")
    parser.epilog = """Every output has "schema", the number of the format, and "kind", the name of its schema here."""


def run(args: argparse.Namespace, context: Context) -> int:
    known = outputs()
    if args.name is None:
        if args.json:
            context.json("schemas", documents=DOCUMENTS, outputs=sorted(known))
            return Status.OK
        context.out("documents that you write")
        for line in columns([["", n, t] for n, t in DOCUMENTS.items()]):
            context.out(line)
        context.out("outputs, by their `kind`")
        for name in sorted(known):
            context.out(f"  {name}")
        return Status.OK
    if args.name in DOCUMENTS:
        content = document(args.name)
    elif args.name in known:
        content = known[args.name]
    else:
        raise CallError(
            f"no schema {args.name[:40]!r}",
            "a name that `gateword schema` lists",
            closest(args.name, [*DOCUMENTS, *known]),
        )
    context.out(json.dumps(content, indent=2, ensure_ascii=False))
    return Status.OK


def document(name: str) -> dict[str, Any]:
    """The schema of a document, written from the tables that its loader reads by."""
    if name == "map":
        from regmap.maps.grammar import json_schema
    elif name == "stage":
        from regmap.stages.grammar import json_schema
    elif name == "setup":
        from regmap.capture.setupfile import json_schema
    else:
        from regmap.campaign.load import campaign_shape

        return {
            "$schema": "https://json-schema.org/draft/2020-12/schema",
            "title": "gateword campaign",
            **campaign_shape().json(),
        }
    return json_schema()


@lru_cache(maxsize=1)
def outputs() -> dict[str, dict[str, Any]]:
    """The schemas of all outputs by their kind."""
    folder = files("regmap.cli") / "schemas"
    return {
        entry.name.removesuffix(".json"): json.loads(entry.read_text(encoding="utf-8"))
        for entry in folder.iterdir()
        if entry.name.endswith(".json") and entry.name != "keys.json"
    }
