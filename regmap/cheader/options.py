"""Option constants and physical values: what codes mean, as macros and as comments."""

from __future__ import annotations

from ..chip.model import Entry, Field, Joined, Meaning
from ..quantity import NONE, Band, plural, show
from .names import word
from .sheet import Sheet
from .text import block, count, defines, number

Row = tuple[str, str, str]


def option_word(entry: Entry) -> str:
    """The piece of an identifier that names an option; a value keeps its case: mV is not MV."""
    text = entry.name or (show(entry.band.typ, entry.band.dim) if entry.band is not None else "")
    if not text:
        return f"CODE_{entry.code}"
    measured = entry.band is not None and text.lstrip("+-")[:1].isdigit()
    return word(text.replace(" ", ""), keep_case=measured) or f"CODE_{entry.code}"


def field_options(
    sheet: Sheet, item: Field | Joined, ref: str, stem: tuple[str, ...], width: int
) -> list[Row]:
    rows: list[Row] = []
    if not any(meaning.entries for meaning in item.meanings):
        return rows
    seen: dict[tuple[str, int], int] = {}  # to the place in rows
    for meaning in item.meanings:
        # one macro where name and value are the same; names that only C cannot tell apart are two
        same: dict[tuple[str, str, Band | None], list[Entry]] = {}
        for entry in meaning.entries.values():
            same.setdefault((option_word(entry), entry.name, entry.band), []).append(entry)
        for (piece, _, _), entries in same.items():
            entry = entries[0]
            place = seen.setdefault((piece, entry.code), len(rows))
            if place < len(rows):
                # the same name for the same code in another case of the map: its value may be another
                name, value, note = rows[place]
                other = _entry_note(sheet, entry, meaning)
                other += "" if meaning.when is not None or not other else "; else"
                if other and other not in note:
                    rows[place] = (name, value, f"{note}; {other}" if note else other)
                continue
            name = sheet.names.macro(
                *stem, piece, of=f"option {entry.name or piece} ({entry.code}) of {ref}"
            )
            if entry.name and word(entry.name, keep_case=True) != entry.name.replace(".", "_"):
                sheet.names.note(f"option '{entry.name}' of {ref} is called {name}", spelling=True)
            note = _entry_note(sheet, entry, meaning)
            if len(entries) > 1:
                note = "; ".join(p for p in (note, f"the same: {_ranges(entries[1:])}") if p)
            rows.append((name, count(entry.code), note))
    if rows:
        # all fit if and only if the bits that any of them uses do
        every = " | ".join(name for name, _, _ in rows)
        sheet.check(
            fits(f"({every})" if len(rows) > 1 else every, width),
            f"an option of {ref} is wider than its field",
        )
    return rows


def _ranges(entries: list[Entry]) -> str:
    """Codes as `codes 3..7, 9`."""
    runs: list[list[int]] = []
    for code in sorted(e.code for e in entries):
        if runs and runs[-1][-1] == code - 1:
            runs[-1].append(code)
        else:
            runs.append([code])
    text = ", ".join(f"{r[0]}..{r[-1]}" if len(r) > 1 else str(r[0]) for r in runs)
    return f"{plural('code', len(entries))} {text}"


def fits(name: str, width: int) -> str:
    """A condition that is never trivially true for the compiler, whatever the width of `int`."""
    wide = "uint32_t" if width <= 16 else "uint64_t"
    if width == 64:
        return f"sizeof({name}) <= 8U"
    return f"({wide}){name} <= {number((1 << width) - 1, width)}"


def _entry_note(sheet: Sheet, entry: Entry, meaning: Meaning) -> str:
    parts = []
    if entry.band is not None and sheet.has("values"):
        parts.append(band_text(entry.band))
    if entry.text:
        parts.append(entry.text)
    if meaning.when is not None:
        parts.append(f"while {meaning.when}")
    return "; ".join(parts)


def band_text(band: Band) -> str:
    """`60 mA` or `48 mA / 60 mA / 72 mA (min / typ / max)`."""
    if band.exact:
        return show(band.typ, band.dim)
    low, typ, high = (show(v, band.dim) for v in (band.low, band.typ, band.high))
    return f"{low} / {typ} / {high} (min / typ / max)"


def scales(sheet: Sheet, name: str, meanings: tuple[Meaning, ...]) -> None:
    for meaning in meanings:
        scale = meaning.scale
        if scale is None:
            continue
        text = f"{name} = {show(scale.offset, scale.dim)} + {show(scale.step, scale.dim)} * code"
        text += f", code {scale.first} to {scale.last}"
        if scale.signed:
            text += " (two's complement)"
        if scale.tolerance:
            text += f", tolerance {show(scale.tolerance, NONE, unit='%')}"
        if scale.absolute:
            text += f", and {show(scale.absolute, scale.dim)} either way"
        if meaning.when is not None:
            text += f"; while {meaning.when}"
        sheet.lines(*block(text))


def joined_options(sheet: Sheet) -> None:
    sheet.section(
        "values held by several fields", "Codes of the whole value, first field most significant."
    )
    for item in sheet.chip.joined.values():
        fields = ", ".join(f"{r}.{n}" for r, n in item.fields)
        sheet.lines(*block(f"{item.name}: {fields}. {item.summary}".strip()))
        stem = (word(item.name),)
        width = sheet.names.macro(*stem, "WIDTH", of=f"width of {item.name}")
        sheet.lines(
            *defines(
                [
                    (width, count(item.width), ""),
                    *field_options(sheet, item, item.name, stem, item.width),
                ]
            )
        )
        if sheet.has("values"):
            scales(sheet, item.name, item.meanings)
