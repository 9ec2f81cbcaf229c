"""The closed tables: consistent, nestable in YAML, and every default parses."""

from __future__ import annotations

import pytest

from regmap.parameters import CHIP, ROLES, STAGE, TABLES, Parameter
from regmap.quantity import DIMENSIONS, parse_band

EVERY = [(kind, row) for kind, table in TABLES.items() for row in table.values()]


@pytest.mark.parametrize(("kind", "row"), EVERY, ids=[f"{k}:{r.name}" for k, r in EVERY])
def test_row(kind: str, row: Parameter) -> None:
    assert row.doc
    assert row.dimension is None or row.dimension in DIMENSIONS
    assert row.kind in (
        {"quantity", "switch"} if kind == "role" else {"quantity", "count", "choice"}
    )
    if row.instead is not None:
        other = TABLES[kind][row.instead]
        assert other.dimension == row.dimension
        assert row.default is None, "a stand-in and a default would compete"
    if row.default is None:
        return
    assert row.note, "a default says where it comes from"
    if row.kind == "quantity":
        low, _, _ = parse_band(row.default, row.dimension).floats()
        assert row.sign == "any" or low > 0 or (row.sign == "zero or more" and low == 0)
    elif row.kind == "count":
        int(row.default)
    else:
        assert row.default in row.choices


@pytest.mark.parametrize("table", [CHIP, STAGE], ids=["chip", "stage"])
def test_names_nest(table: dict[str, Parameter]) -> None:
    for name in table:
        parts = name.split(".")
        for cut in range(1, len(parts)):
            assert ".".join(parts[:cut]) not in table, f"{name} stands under a value"


def test_fixed_values_share_the_dimension_of_their_role() -> None:
    both = set(CHIP) & set(ROLES)
    assert {"deadtime", "vds.threshold", "sense.gain"} <= both
    for name in both:
        assert CHIP[name].dimension == ROLES[name].dimension
