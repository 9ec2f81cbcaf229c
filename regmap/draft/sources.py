"""What a draft is compared with: reset, a stage file, a readback, a capture of the SPI."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

from regmap.record import dataclass

from ..behaviour.effects import Change, compare
from ..behaviour.readback import load_readback, looks_like_readback
from ..behaviour.settings import setting_registers
from ..chip.bank import Bank, register_word
from ..chip.model import Chip
from ..document.source import decode_text
from ..errors import CallError, closest
from ..stages.load import Stage, load_stage, supply_of
from .state import Draft

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
        bank.learn_read(*register_word(chip, text))
    return bank


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
    packed = head.startswith(b"\x1f\x8b") or b"\0" in head
    if not packed and looks_like_readback(decode_text(str(path), head)):
        bank = Bank(draft.chip)
        for name, word in load_readback(path, draft.chip).items():
            bank.learn_read(name, word)
        return _against(draft, f"readback {path}", bank)
    bank, notes = capture_bank(draft.stage, path)
    bank.supply = supply_of(draft.stage.params)
    return _against(draft, f"capture {path}", bank, notes)


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
