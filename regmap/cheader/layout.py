"""The order of the file, what each section needs, and the hash that tells whether it is stale."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from regmap.record import dataclass

from .. import __version__
from ..cautions import CAUTION
from ..chip.model import Chip
from ..digest import hashed
from ..errors import CallError, closest
from ..stages.identity import identity, settings_digest
from .faults import write_faults
from .frames import FrameNames, frame_type, word_type, write_frames
from .names import Namer, check_prefix, default_prefix, word
from .registers import write_registers
from .scales import write_scales
from .shadow import write_shadow
from .sheet import Derived, Options, Sheet
from .text import block, comment, heading, string

if TYPE_CHECKING:
    from ..stages.load import Stage

#: section -> (what it holds, sections it cannot do without)
SECTIONS: dict[str, tuple[str, tuple[str, ...]]] = {
    "addresses": ("addresses and pages of registers", ()),
    "masks": ("masks, shifts and widths of fields, reserved bits", ()),
    "options": ("a constant for each option of a field", ()),
    "resets": ("reset words", ()),
    "helpers": ("get and set of each field", ()),
    "frames": ("pack, unpack and check of frames with their check bits, bytes on the SPI", ()),
    "init": ("steps that configure the chip, as ready frames (stage)", ("frames",)),
    "verify": ("what to read back and compare (stage)", ("frames",)),
    "run": ("a routine that runs the steps over your SPI transfer", ("init", "frames")),
    "tests": ("start-up tests of the monitors, where the map states them (stage)", ("run",)),
    "modes": ("steps from mode to mode, and a routine that enters one (stage)", ("run",)),
    "faults": ("fault table, and a routine that names the first cause", ()),
    "strings": ("names and titles of faults as text in the fault table", ("faults",)),
    "scales": ("values of scales in whole numbers of a unit, to and from their codes", ()),
    "shadow": ("copy of registers that cannot be read back", ()),
    "values": ("physical values: whole numbers of what the stage chose, the rest in comments", ()),
    "asserts": ("compile-time assertions on masks, widths and options", ()),
}

DEVIATIONS = (
    "MISRA C:2012 notes, for review in your own project:",
    "Dir 4.6: 'unsigned int' is used where a value must not be promoted to a signed type; it suits 16-bit and "
    "32-bit targets alike.",
    "Rule 2.3: in C99 an assertion is a type that nobody uses, because the language has none of its own; in C11 it "
    "is _Static_assert.",
    "Rule 20.7: the name of that type cannot stand in brackets.",
    "Rule 2.5, 8.7: macros and routines are offered to the program; what it does not use costs nothing.",
    "Rule 8.9: tables stand at file scope because the program may read them as well.",
    "Rule 5.1, 5.4: identifiers are distinct within 63 characters (C99), not within 31.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Generated:
    """The texts. `notes` is what the user should know; `files` is every file that was read."""

    header: str
    source: str | None
    notes: tuple[str, ...]
    files: tuple[str, ...]
    prefix: str
    hash: str


def select(only: Iterable[str] = (), without: Iterable[str] = ()) -> tuple[str, ...]:
    """The sections to generate: all, or `only` these; less `without`. Raises CallError for unknown names.

    What a wanted section cannot do without comes along; leaving that out is an error.
    """
    only, without = list(only), list(without)
    for name in (*only, *without):
        if name not in SECTIONS:
            near = closest(name, SECTIONS)
            raise CallError(
                f"no section {name[:40]!r}; sections: {', '.join(SECTIONS)}", nearest=near
            )
    wanted = set(only) if only else set(SECTIONS) - set(without)
    if not only:
        # what hangs on a section that was left out goes with it
        for name in without:
            wanted -= {s for s in wanted if name in _needs(s)}
    else:
        wanted = {n for s in wanted for n in (s, *_needs(s))}
        for name in without:
            users = sorted(s for s in wanted - {name} if name in _needs(s))
            if users:
                raise CallError(f"section '{users[0]}' cannot do without '{name}'")
        wanted -= set(without)
    if not wanted:
        raise CallError("no section is left to generate", f"one at least of: {', '.join(SECTIONS)}")
    return tuple(s for s in SECTIONS if s in wanted)


def _needs(section: str) -> set[str]:
    found: set[str] = set()
    for name in SECTIONS[section][1]:
        found |= {name} | _needs(name)
    return found


def content_hash(
    source: Stage | Chip,
    options: Options,
    prefix: str,
    others: Sequence[Stage] = (),
    variants: Sequence[Stage] = (),
) -> str:
    """SHA-256 over map, stages, tool version and options: equal if and only if the output is meant to be, but for the names
    of files that stand in it."""
    chip = source if isinstance(source, Chip) else source.chip
    pieces = [
        options.version or __version__,
        chip.digest or repr(chip),
        "" if isinstance(source, Chip) else source.digest,
        prefix,
        ",".join(options.sections or tuple(SECTIONS)),
        str(options.split),
        options.crc,
        *_derived(options),
        *([str(options.chain)] if options.chain else []),
        *(text for d in options.of_variants for text in _derived(d)),
        *(s.digest for s in others),
        *(f"variant {s.digest}" for s in variants),
    ]
    return hashed("\0".join(pieces))


def _derived(of: Derived) -> list[str]:
    """What is worked out, as far as the output hangs on it."""
    return [
        *(f"{name} {band}" for name, _, band in of.figures),
        *(f"{w.source} {w.target} {w.about}" for w in of.ways),
        *(f"{f.mode} {f.fault} {f.then}" for f in of.follows),
    ]


def generate(
    source: Stage | Chip,
    options: Options | None = None,
    others: Sequence[Stage] = (),
    variants: Sequence[Stage] = (),
) -> Generated:
    """C text for a stage, or for a map alone. Pure: no clock, no file system; the same input gives the same bytes.

    `others` are stages of the same map: those of the other positions of a daisy chain, each with its
    tables; `variants` are other boards on the same map, of which one is chosen when it is compiled or when it
    runs. Raises CallError for options that cannot be, and for what this map has and C here cannot do.
    """
    options = options or Options()
    sheet = drawn(source, options, others, variants)
    prefix, names = sheet.names.prefix, sheet.names
    digest = content_hash(source, options, prefix, others, variants)
    header = _assemble(sheet, digest)
    return Generated(
        header=header,
        source=_source(sheet, digest) if options.split else None,
        notes=tuple(names.notes),
        files=files_of(source, (*others, *variants)),
        prefix=prefix,
        hash=digest,
    )


def files_of(source: Stage | Chip, others: Sequence[Stage] = ()) -> tuple[str, ...]:
    """Every file that was read, each once."""
    return tuple(dict.fromkeys((*source.files, *(f for s in others for f in s.files))))


def drawn(
    source: Stage | Chip,
    options: Options,
    others: Sequence[Stage] = (),
    variants: Sequence[Stage] = (),
) -> Sheet:
    """The sheet with every section written, each identifier one thing. Raises CallError."""
    chip, stage = (source, None) if isinstance(source, Chip) else (source.chip, source)
    prefix = check_prefix(options.prefix) if options.prefix else default_prefix(source.name)
    sections = frozenset(select(options.sections or ()))
    clashes: frozenset[str] = frozenset()
    while True:
        names = Namer(prefix, clashes)
        sheet = Sheet(chip=chip, stage=stage, options=options, names=names, sections=sections)
        _write(sheet, others, variants)
        if names.wanted_twice <= clashes:
            return sheet
        clashes |= names.wanted_twice


def _write(sheet: Sheet, others: Sequence[Stage], variants: Sequence[Stage]) -> None:
    sheet.chips = chips_in_chain(sheet, others)
    frames: dict[str, FrameNames] = {}
    sheet.section("types")
    sheet.lines(
        f"typedef {word_type(sheet)} {sheet.names.lower('word_t')};  /* holds the widest register */",
        f"typedef {frame_type(sheet)} {sheet.names.lower('frame_t')};  /* holds the longest frame */",
    )
    write_registers(sheet)
    if sheet.has("scales"):
        write_scales(sheet)
    if sheet.has("frames"):
        frames = write_frames(sheet)
    if sheet.stage is not None or sheet.chained or variants:
        from .onstage import write_chained, write_routines, write_tables
    if sheet.stage is not None or variants:
        write_tables(sheet, frames, variants)
    else:
        if sheet.has("init") or sheet.has("verify"):
            sheet.names.note(
                "generated from a map alone: without a stage there is nothing to configure or read back"
            )
        if sheet.has("shadow"):
            write_shadow(sheet, None)
    if sheet.has("faults"):
        write_faults(sheet)
    if sheet.has("run") and sheet.stage is not None:
        write_routines(sheet, frames)
    if sheet.chained and sheet.has("frames"):
        write_chained(sheet, frames, others)


def chips_in_chain(sheet: Sheet, others: Sequence[Stage]) -> int:
    """How many chips there are on the chip select; 0 for a chip that is alone. Raises CallError."""
    stage, chain = sheet.stage, ()  # type: Stage | None, tuple[Chip, ...]
    if stage is not None:
        chain = stage.chain
    chips = sheet.options.chain or len(chain)
    if others and chips < 2:
        raise CallError(
            f"stage {others[0].name} beside another needs a daisy chain; state it in both (`chain: {{maps: ..., position: ...}}`)"
        )
    foreign = next((c for c in chain if c.digest != sheet.chip.digest), None)
    if foreign is not None and sheet.has("frames"):
        raise CallError(
            f"stage {stage.name if stage else ''} is a daisy chain of chips of several maps ({sheet.chip.name}, {foreign.name}); "
            "the frames of a chain are written for one map at all positions. Generate the header of each position for itself "
            "without the sections frames, init, verify and run"
        )
    for other in others:
        if other.chip.digest != sheet.chip.digest:
            raise CallError(
                f"stage {other.name} is of the map {other.chip.name}, not of {sheet.chip.name}",
                "a header for each map, each with a prefix of its own",
            )
    return chips if chips > 1 or sheet.options.chain else 0


def _banner(sheet: Sheet, digest: str) -> list[str]:
    chip, stage = sheet.chip, sheet.stage
    version = sheet.options.version or __version__
    text = [
        f"Generated by gateword {version}. Do not edit: change the map or the stage and generate again.",
        "",
    ]
    if stage is not None:
        text.append(f"Stage {stage.name}{' (invented)' if stage.invented else ''}: {stage.title}")
    text.append(f"Chip {chip.name}{' (invented)' if chip.invented else ''}: {chip.title}")
    if chip.source:
        text.append(f"Map after: {chip.source}")
    text += [
        f"Identity: {identity(stage if stage is not None else chip)}",
        f"Content hash of map, stage, options and tool version: {digest[:16]}",
        "",
        "Freestanding C99, C11 and C++11; int may be 16 bits. No heap, no bit-fields, constant tables.",
        CAUTION,
    ]
    if sheet.hazards:
        text += ["", "What its frames do that can hurt:", *(f"- {h}" for h in sheet.hazards)]
    if sheet.names.notes:
        text += ["", "Notes:", *(f"- {n}" for n in sheet.names.notes)]
    text += ["", DEVIATIONS[0], *(f"- {d}" for d in DEVIATIONS[1:])]
    return block(text)


def _assemble(sheet: Sheet, digest: str) -> str:
    macro = sheet.macro
    guard = f"{macro}H"
    short = f"0x{digest[:8].upper()}U"
    lines = [
        *_banner(sheet, digest),
        f"#if defined({guard})",
        f"#if {macro}HASH != {short}",
        f'#error "two different headers with the prefix {sheet.names.macro_prefix}; generate one of them with another prefix"',
        "#endif",
        "#else",
        f"#define {guard}",
        "",
        "#include <stdbool.h>",
        "#include <stddef.h>",
        "#include <stdint.h>",
        "",
        f"#define {macro}HASH {short}",
        f"#define {macro}HASH_TEXT {string(digest[:16])}",
        *_settings(sheet),
        "",
        *_flash(macro),
        "",
        *([*_inline(macro), ""] if any(f"{macro}INLINE" in line for line in sheet.head) else []),
        "#ifdef __cplusplus",
        'extern "C" {',
        "#endif",
        *sheet.head,
    ]
    if sheet.has("asserts") and sheet.asserts:
        lines += _asserts(sheet)
    lines += ["", "#ifdef __cplusplus", "}", "#endif", "", f"#endif /* {guard} */", ""]
    return "\n".join(lines)


def _settings(sheet: Sheet) -> Iterable[str]:
    """What each stage sets, alone: equal as long as the chip holds the same, whatever its documents say beside."""
    for place, stage in settled(sheet):
        found = settings_digest(stage)
        name = sheet.names.macro(
            place, "SETTINGS_HASH", of=f"hash of the settings of {place or stage.name}"
        )
        yield f"#define {name} 0x{found[:8].upper()}U"
        yield f"#define {name}_TEXT {string(found[:16])}"


def settled(sheet: Sheet) -> Iterable[tuple[str, Stage]]:
    """Each stage whose tables stand here, with what stands ahead of its names: nothing for the first."""
    if sheet.stage is not None:
        yield "", sheet.stage
    for stage in sheet.stages:
        if stage is not sheet.stage and stage.name not in {v.stage.name for v in sheet.variants}:
            yield f"P{stage.position}", stage
    for variant in sheet.variants[1:]:
        yield word(variant.stage.name), variant.stage


def _flash(macro: str) -> list[str]:
    """How tables stay in flash, and how one element of them is read wherever they are."""
    return [
        *block(
            "Tables stay in flash. Where code and data have address spaces of their own (classic AVR), "
            f"read an element with {macro}FETCH(&copy, &table[i]); {macro}TABLES_IN_RAM keeps them in RAM there."
        ),
        f"#if defined(__AVR__) && !defined({macro}TABLES_IN_RAM)",
        "#include <avr/pgmspace.h>",
        f"#define {macro}FLASH PROGMEM",
        f"#define {macro}FETCH(to, from) (void)memcpy_P((to), (from), sizeof(*(to)))",
        "#else",
        f"#define {macro}FLASH",
        f"#define {macro}FETCH(to, from) *(to) = *(from)",
        "#endif",
    ]


def _inline(macro: str) -> list[str]:
    """How a routine stands in the header: sdcc puts an inline one wherever it is called, which comes to more than the part holds."""
    return [
        *block(
            "A routine of this header: one copy, or where it is called, as the compiler likes; sdcc would copy each of them into every call."
        ),
        "#if defined(__SDCC) || defined(SDCC)",
        f"#define {macro}INLINE static",
        "#else",
        f"#define {macro}INLINE static inline",
        "#endif",
    ]


def _asserts(sheet: Sheet) -> Iterable[str]:
    """One line each; C99 has no assertion of its own, so an array of impossible size stands in."""
    name = f"{sheet.macro}ASSERT"
    yield from heading("compile-time assertions")
    yield from (
        "#if defined(__cplusplus) && (__cplusplus >= 201103L)",
        f"#define {name}(name, condition, text) static_assert(condition, text)",
        "#elif !defined(__cplusplus) && defined(__STDC_VERSION__) && (__STDC_VERSION__ >= 201112L)",
        f"#define {name}(name, condition, text) _Static_assert(condition, text)",
        "#else",
        f"#define {name}(name, condition, text) typedef char name[(condition) ? 1 : -1]",
        "#endif",
        "",
    )
    start = f"{name}({sheet.prefix}assert_"
    for index, (condition, text) in enumerate(sheet.asserts):
        yield f"{start}{index}, {condition}, {string(text)});"


def _source(sheet: Sheet, digest: str) -> str:
    include = sheet.options.include or f"{sheet.names.lower_prefix}.h"
    if any(c in include for c in '"\\\n\r') or not include.isprintable():
        raise CallError(f"the header's name {include[:40]!r} cannot stand in an #include")
    macro = sheet.macro
    lines = [
        *block(
            f"Generated by gateword {sheet.options.version or __version__}; belongs to {comment(include)}."
        ),
        f'#include "{include}"',
        "",
        f"#if {macro}HASH != 0x{digest[:8].upper()}U",
        '#error "header and source were not generated together"',
        "#endif",
        *sheet.body,
    ]
    return "\n".join(lines) + "\n"


#: What make takes for more than a name (an assignment, a pattern, a recipe, a member of an archive),
#: and what ninja does not read in one.
_NOT_IN_RULES = frozenset(":;=|%*?[]()&<>^`'\"")


def depfile(target: str, files: Iterable[str]) -> str:
    """Make rules that `target` depends on every file read; each file is also an empty rule of its own,

    so that a map that is gone asks for a rebuild instead of stopping it. Make and ninja read both.
    """
    found = list(dict.fromkeys(files))
    lines = [f"{_escaped(target)}: \\"]
    lines += [
        f"  {_escaped(name)}{' ' + chr(92) if i + 1 < len(found) else ''}"
        for i, name in enumerate(found)
    ]
    text = "\n".join(lines) + "\n"
    return text + "".join(f"\n{_escaped(name)}:\n" for name in found)


def _escaped(name: str) -> str:
    """A file name as make and ninja read it back; CallError for one that make would take for more."""
    rest = name[2:] if re.match(r"[A-Za-z]:[\\/]", name) else name  # a drive is no target
    bad = next((repr(c) for c in rest if c in _NOT_IN_RULES or not c.isprintable()), "")
    if not bad and rest.startswith("~"):
        bad = "'~' at its beginning"
    if not bad and re.search(
        r"\\([ #]|$)", rest
    ):  # make and ninja count backslashes differently there
        bad = "a backslash before a blank, a hash or its end"
    if bad:
        raise CallError(
            f"the file name {name[:60]!r} cannot stand in a dependency file: it has {bad}"
        )
    escaped = rest.replace(" ", "\\ ").replace("#", "\\#").replace("$", "$$")
    return name[: len(name) - len(rest)] + escaped
