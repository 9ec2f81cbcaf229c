"""Options, tables and scales of a field: from the map's keys to `Meaning`s."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

from ...chip.model import Entry, Meaning, Scale
from ...document.schema import Reader, Rec
from ...document.source import Node
from ...errors import CallError
from ...parameters import ROLES
from ...quantity import (
    DIMENSIONS,
    NONE,
    Band,
    Dim,
    dimension_name,
    many,
    parse,
    unit_of,
    value_name,
)


def tolerance_of(text: str, dim: Dim) -> tuple[Fraction, Fraction]:
    """(relative, absolute) of a tolerance such as `20 %` or `5 ns`; raises CallError."""
    quantity = parse(text)
    if quantity.value < 0:
        raise CallError(f"a negative tolerance {text!r}", part=text)
    if quantity.dim == NONE and ("%" in text or "ppm" in text):
        return quantity.value, Fraction(0)
    if quantity.dim == dim:
        return Fraction(0), quantity.value
    raise CallError(
        f"a tolerance that is a {dimension_name(quantity.dim)}", f"% or a {dimension_name(dim)}"
    )


def build_meanings(rec: Rec, width: int, reader: Reader) -> tuple[Meaning, ...]:
    """The meanings of a field, joined or external value; reports what contradicts itself."""
    keyed = [k for k in ("options", "table", "scale") if k in rec]
    meanings: list[Meaning] = []
    for case in rec.get("cases", ()):
        meanings.append(_meaning(case, width, reader, case.get("when")))
    if keyed:
        meanings.append(_meaning(rec, width, reader, None))
    for early in meanings[:-1]:
        if early.when is None:
            reader.complain(
                rec.key_nodes.get("cases"),
                rec.path,
                "a case without `when` before the last",
                "`when` in every case but the last",
            )
    _check_role(rec, meanings, reader)
    return tuple(meanings)


def _check_role(rec: Rec, meanings: list[Meaning], reader: Reader) -> None:
    role = rec.get("role")
    if role is None:
        return
    want = ROLES[role].dimension
    node = rec.value_nodes["role"]
    if want is None or reader.has_error(rec.path):
        return
    dim = DIMENSIONS[want][0]
    dims = {m.dim for m in meanings if m.dim is not None}
    if not dims:
        reader.complain(
            node,
            rec.path,
            f"the role {role} on a field without values",
            f"options, a table or a scale that give a {want}{_example(want)}",
        )
    for other in dims - {dim}:
        reader.complain(
            node,
            rec.path,
            f"the role {role} on a field that gives a {dimension_name(other)}",
            f"a {want}",
        )


def _example(want: str) -> str:
    """How one value of this dimension is written: people leave the unit out."""
    unit = DIMENSIONS[want][1]
    return f", with its unit, as 5 {unit}" if unit else ""


def _meaning(rec: Rec, width: int, reader: Reader, when: Any) -> Meaning:
    entries: dict[int, Entry] = {}
    dims: dict[Dim, Node] = {}
    if "options" in rec:
        _options(rec, rec["options"], width, entries, dims, reader)
    if "table" in rec:
        _table(rec["table"], width, entries, dims, reader)
    scale = _scale(rec["scale"], width, reader) if "scale" in rec else None
    if scale is not None:
        dims.setdefault(scale.dim, rec.key_nodes["scale"])
    if len(dims) > 1:
        kinds = " and ".join(sorted(dimension_name(d) for d in dims))
        reader.complain(
            list(dims.values())[-1],
            rec.path,
            f"values that mix {kinds}",
            "one kind of value in a field",
        )
    _distinct_names(rec, entries, reader)
    return Meaning(entries=entries, scale=scale, dim=next(iter(dims), None), when=when)


def _distinct_names(rec: Rec, entries: dict[int, Entry], reader: Reader) -> None:
    seen: dict[str, Entry] = {}
    for entry in entries.values():
        first = seen.setdefault(entry.name.casefold(), entry) if entry.name else entry
        if first is not entry and (
            first.name != entry.name or first.band != entry.band or first.text != entry.text
        ):
            reader.complain(
                rec.key_nodes.get("options", rec.node),
                rec.path,
                f"the option '{entry.name}' for codes {first.code} and {entry.code} with different meanings",
                "different names, or one entry for both codes (as `6,7: ...`)",
            )


def _options(
    rec: Rec,
    options: Rec,
    width: int,
    entries: dict[int, Entry],
    dims: dict[Dim, Node],
    reader: Reader,
) -> None:
    spread = rec.get("tolerance")
    for key, option in options.items():
        node = options.key_nodes[key]
        band: Band | None = option.get("value")
        if band is not None:
            dims.setdefault(band.dim, node)
            if spread and band.exact:
                try:
                    relative, absolute = tolerance_of(spread, band.dim)
                    band = Band(*_spread(band.typ, relative, absolute), band.dim)
                except CallError as error:
                    reader.refuse(
                        rec.value_nodes["tolerance"], rec.path, error, "a tolerance such as 20 %"
                    )
                    spread = None
        name = option.get("name", "")
        if not name and band is not None:
            name = value_name(band.typ, band.dim)
        for code in map(int, key.split(",")):
            if code >> width:
                reader.complain(
                    node,
                    options.path,
                    f"the code {code}",
                    f"at most {(1 << width) - 1} in {many(width, 'bit')}",
                )
                break
            if code in entries:
                reader.complain(node, options.path, f"the code {code} again", "each code once")
                break
            entries[code] = Entry(
                code=code,
                name=name,
                text=option.get("text", ""),
                band=band,
                forbidden=option.get("forbidden", ""),
            )


def _spread(
    typ: Fraction, relative: Fraction, absolute: Fraction
) -> tuple[Fraction, Fraction, Fraction]:
    around = abs(typ) * relative + absolute
    return typ - around, typ, typ + around


def _table(
    table: Rec, width: int, entries: dict[int, Entry], dims: dict[Dim, Node], reader: Reader
) -> None:
    columns: dict[str, list[str | None]] = {
        k: table[k] for k in ("min", "typ", "max") if k in table
    }
    if "unit" not in table:
        return
    if not columns:
        reader.complain(table.node, table.path, "a table without columns", "typ, or min and max")
        return
    lengths = {len(c) for c in columns.values()}
    if len(lengths) > 1:
        sizes = ", ".join(f"{k} {len(c)}" for k, c in columns.items())
        common = max(lengths, key=lambda n: [len(c) for c in columns.values()].count(n))
        odd = next(k for k, c in columns.items() if len(c) != common)
        reader.complain(
            table.value_nodes[odd],
            table.path,
            f"columns of different length ({sizes})",
            "as many numbers in each",
        )
        return
    try:
        dim, factor = unit_of(table["unit"])
    except CallError as error:
        reader.refuse(table.value_nodes["unit"], table.path, error, "a unit")
        return
    relative = absolute = Fraction(0)
    if "tolerance" in table:
        try:
            relative, absolute = tolerance_of(table["tolerance"], dim)
        except CallError as error:
            reader.refuse(
                table.value_nodes["tolerance"], table.path, error, "a tolerance such as 20 %"
            )
    dims.setdefault(dim, table.node)
    first = table.get("first", 0)
    for row in range(lengths.pop()):
        code = first + row
        cells = {k: Fraction(c[row]) * factor for k, c in columns.items() if c[row] is not None}  # type: ignore[arg-type]
        if not cells:
            continue
        cell = next(
            table.value_nodes[k].value[row] for k, c in columns.items() if c[row] is not None
        )
        if code >> width:
            reader.complain(
                cell,
                table.path,
                f"row {row + 1} for code {code}",
                f"codes up to {(1 << width) - 1}",
            )
            return
        if code in entries and entries[code].band is not None:
            reader.complain(
                cell,
                table.path,
                f"code {code} in options and in the table",
                "a value in one of them",
            )
            continue
        low = cells.get("min", cells.get("typ", cells.get("max", Fraction(0))))
        high = cells.get("max", cells.get("typ", cells.get("min", Fraction(0))))
        typ = cells.get("typ", (low + high) / 2)
        if set(cells) == {"typ"}:
            low, typ, high = _spread(typ, relative, absolute)
        try:
            band = Band(low, typ, high, dim, "/".join(cells))
        except CallError as error:
            reader.complain(cell, table.path, f"code {code}: {error}", "min <= typ <= max")
            continue
        old = entries.get(code)
        name = old.name if old and old.name else value_name(typ, dim)
        entries[code] = Entry(code=code, name=name, text=old.text if old else "", band=band)


def _bare(rec: Rec, key: str) -> bool:
    """Whether a ratio was written as a number alone."""
    text = getattr(rec.value_nodes.get(key), "value", "")
    return isinstance(text, str) and not any(u in text for u in ("%", "/", "ppm"))


def _scale(rec: Rec, width: int, reader: Reader) -> Scale | None:
    step = rec.get("step")
    if step is None:
        return None
    if not step.exact:
        reader.complain(
            rec.value_nodes["step"],
            rec.path,
            "a step with min and max",
            "one step; give the spread as tolerance",
        )
        return None
    if step.typ == 0:
        reader.complain(
            rec.value_nodes["step"], rec.path, "a step of zero", "a step that changes the value"
        )
        return None
    offset = rec.get("offset")
    if (
        offset is not None
        and offset.dim != step.dim
        and not (offset.typ == 0 and offset.dim == NONE)
    ):
        reader.complain(
            rec.value_nodes["offset"],
            rec.path,
            f"an offset that is a {dimension_name(offset.dim)}",
            f"a {dimension_name(step.dim)} as the step",
        )
        return None
    if (
        offset is not None
        and step.dim == NONE
        and offset.typ
        and _bare(rec, "step") != _bare(rec, "offset")
    ):
        key = "step" if _bare(rec, "step") else "offset"
        value = rec[key].typ
        reader.complain(
            rec.value_nodes[key],
            rec.path,
            f"{key} {value_name(value, NONE)} without a unit beside one with it: it is {float(value * 100):g} %",
            f"{float(value):g} % or {float(value * 100):g} %, whichever is meant",
        )
        return None
    signed = rec.get("signed", False)
    lowest, highest = (-(1 << width - 1), (1 << width - 1) - 1) if signed else (0, (1 << width) - 1)
    first, last = rec.get("first", lowest), rec.get("last", highest)
    for key, code in (("first", first), ("last", last)):
        if not lowest <= code <= highest:
            reader.complain(
                rec.value_nodes.get(key),
                rec.path,
                f"{key} {code}",
                f"a code from {lowest} to {highest}",
                str(lowest if code < lowest else highest),
            )
            return None
    if first > last:
        reader.complain(
            rec.value_nodes.get("first", rec.node),
            rec.path,
            f"first {first} above last {last}",
            "the smaller code first",
        )
        return None
    relative = absolute = Fraction(0)
    if "tolerance" in rec:
        try:
            relative, absolute = tolerance_of(rec["tolerance"], step.dim)
        except CallError as error:
            reader.refuse(rec.value_nodes["tolerance"], rec.path, error, "a tolerance such as 10 %")
    return Scale(
        step=step.typ,
        offset=offset.typ if offset is not None else Fraction(0),
        dim=step.dim,
        first=first,
        last=last,
        signed=signed,
        tolerance=relative,
        absolute=absolute,
    )
