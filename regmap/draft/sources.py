"""What a draft is compared with: reset, a stage file, a readback, a capture of the SPI."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from ..behaviour.effects import Change, compare
from ..behaviour.settings import setting_registers
from ..chip.bank import Bank, unknown
from ..chip.model import Chip
from ..document.jsontext import read_json
from ..document.schema import read_int, read_word
from ..document.source import decode_text
from ..errors import CallError, closest
from ..stages.load import Stage, load_stage, supply_of
from .state import Draft

_WORD = re.compile(r"\s*([A-Za-z_][A-Za-z0-9_]*)\s*[=:\s]\s*(0[xXbB][0-9A-Fa-f_]+|\d+)\s*")
KINDS = ("reset", "saved")


@dataclass(frozen=True, slots=True)
class Comparison:
    """The settings that differ between another configuration (`old`) and the draft (`new`)."""

    what: str
    changes: tuple[Change, ...]
    bank: Bank
    notes: tuple[str, ...] = ()


def compare_with(draft: Draft, texts: Sequence[str]) -> Comparison:
    """Compare with `reset`, `saved`, a file (stage, capture or readback) or `REG=WORD ...`. Raises
    CallError, FileError or CaptureError."""
    if not texts:
        raise CallError(
            "compare with what? reset, saved, REG=WORD, or a file: a stage, a readback or a capture"
        )
    chip = draft.chip
    first = texts[0]
    if first == "reset":
        bank = Bank.at_reset(chip, supply=draft.bank.supply)
        return _against(draft, "reset values", bank)
    if first == "saved":
        return _against(draft, "the stage as saved", draft.saved.bank)
    if "=" in first:
        return _against(draft, "the readback", words_bank(chip, texts))
    path = Path(" ".join(texts))
    if not path.exists():
        near = closest(first, KINDS)
        raise CallError(
            f"{str(path)[:60]!r} is no file", "reset, saved, REG=WORD or a file", nearest=near
        )
    return _file(draft, path)


def _against(draft: Draft, what: str, bank: Bank, notes: Iterable[str] = ()) -> Comparison:
    names = [r.name for r in setting_registers(draft.chip)]
    known = [c for c in compare(draft.chip, bank, draft.bank, names) if c.old is not None]
    unread = [n for n in names if not bank.known.get(n)]
    said = list(notes)
    if unread and len(unread) < len(names):
        said.append("not compared, nothing is known of " + ", ".join(unread))
    elif unread:
        said.append("it says nothing of any register with settings")
    return Comparison(what, tuple(c for c in known if c.field.setting), bank, tuple(said))


def words_bank(chip: Chip, texts: Iterable[str]) -> Bank:
    """What a readback tells: `REG=WORD` each. Raises CallError."""
    bank = Bank(chip)
    for text in texts:
        name, equals, number = text.partition("=")
        word = read_word(number.strip())
        if not equals or word is None or word < 0:
            raise CallError(
                f"{text[:40]!r} is not REG=WORD", f"as in {next(iter(chip.registers))}=0x1A5"
            )
        _learn(chip, bank, name.strip(), word)
    return bank


def _learn(chip: Chip, bank: Bank, name: str, word: int) -> None:
    if name not in chip.registers:
        raise unknown(chip, name)
    register = chip.registers[name]
    if word >> register.width:
        raise CallError(f"{name}=0x{word:X} does not fit the {register.width} bits of {name}")
    bank.learn_read(name, word)


def _file(draft: Draft, path: Path) -> Comparison:
    if path.suffix in (".yaml", ".yml"):
        stage = load_stage(path)
        if stage.chip.name != draft.chip.name:
            raise CallError(
                f"{path} is a stage of {stage.chip.name}, this one of {draft.chip.name}"
            )
        return _against(draft, f"stage {path}", stage.bank)
    with path.open("rb") as handle:
        head = handle.read(200_000)
    if not head.startswith(b"\x1f\x8b") and b"\0" not in head:
        bank = _readback(draft.chip, decode_text(str(path), head))
        if bank is not None:
            return _against(draft, f"readback {path}", bank)
    bank, notes = capture_bank(draft.stage, path)
    bank.supply = supply_of(draft.stage.params)
    return _against(draft, f"capture {path}", bank, notes)


def _readback(chip: Chip, text: str) -> Bank | None:
    """A list of `REG=WORD` lines (also `REG WORD`, with # comments), or an object of names and words."""
    bank = Bank(chip)
    if text.lstrip().startswith("{"):
        try:
            found = read_json(text)
        except ValueError:
            return None
        table = found.get("registers", found.get("words", found)) if isinstance(found, dict) else {}
        pairs = [(str(k), v) for k, v in table.items()] if isinstance(table, dict) else []
    else:
        lines = [line.split("#")[0] for line in text.splitlines()]
        matches = [_WORD.fullmatch(line) for line in lines if line.strip()]
        if not matches or None in matches:
            return None
        pairs = [(m[1], m[2]) for m in matches if m is not None]
    known = [(n, v) for n, v in pairs if n in chip.registers]
    if not known:
        return None
    for name, value in known if len(known) == len(pairs) else pairs:
        if isinstance(value, dict):
            value = value.get("word")
        word = value if isinstance(value, int) else read_int(str(value))
        if word is None or word < 0:
            raise CallError(f"{name}: {str(value)[:30]!r} is not a word")
        _learn(chip, bank, name, word)
    return bank


def capture_bank(stage: Stage, path: Path) -> tuple[Bank, list[str]]:
    """What is known of the chip's registers at the end of a capture: what its frames wrote and read.

    A saved set-up beside the capture is heeded. Registers that no frame touches stay unknown.
    Raises CaptureError or CallError for a capture that cannot be read.
    """
    from ..trace.belief.against import bank_at
    from ..trace.filed import trace_file

    trace = trace_file(path, list(stage.chain) or [stage.chip])
    walker = trace.walkers[stage.position if stage.chain else 0]
    notes = [f"{trace.transfers} transfers, {walker.log.count} frames of {stage.chip.name}"]
    notes += [str(p) for p in trace.problems]
    return bank_at(walker, trace.end), notes
