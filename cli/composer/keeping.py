"""The files of a session: the stage that is edited, the backup of the draft, and the questions before either is lost."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from regmap.draft import Draft, Journal, Leftover, ModeDrafts
from regmap.errors import CallError, FileError
from regmap.quantity import many
from regmap.stages.load import Stage, load_stage, read_stage
from regmap.stages.save import (
    StageChangedError,
    edit_document,
    edited,
    new_stage,
    proven,
    read_stage_text,
    save_stage,
    write_whole,
)

from .vocabulary import Outcome, Question


class Keeper:
    """Where a draft comes from and goes to.

    `path` is the user's own stage file; None for a map alone or a stage bundled with the program,
    which is never written to: saving then needs a name.
    """

    def __init__(
        self,
        document: str,
        path: Path | None,
        text: str,
        map_name: str,
        journal: Journal,
        *,
        is_stage: bool,
    ) -> None:
        self.document = document
        self.path = path
        self.text = text
        self.map_name = map_name
        self.journal = journal
        self.is_stage = is_stage

    # --- saving ---------------------------------------------------------------------------------
    def save(self, drafts: ModeDrafts, rest: str) -> Outcome:
        """Save the stage and its modes; `rest` is a file, `merge`, or nothing."""
        draft, parts = drafts.base, drafts.changes()
        changes = parts.get("", {})
        broken = [
            r
            for m in dict.fromkeys(("", *parts))
            for r in drafts.of(m).broken_rules()
            if r.severity == "error"
        ]
        if broken:
            return Outcome(
                f"not saved: rule {broken[0].name} is broken ({broken[0].because}); a stage that breaks it would not load",
                "bad",
            )
        if rest and rest != "merge":
            return self._save_as(drafts, Path(rest).expanduser())
        if self.path is None:
            what = (
                "this stage is bundled with the program"
                if self.is_stage
                else "there is no stage file yet"
            )
            return Outcome(
                f"{what}: `save FILE` writes one of your own, as in `save my_{draft.stage.name}.yaml`",
                "bad",
            )
        if not parts:
            return Outcome("nothing to save: the file states the same")
        modes = {mode: part for mode, part in parts.items() if mode}
        try:
            stage, text = save_stage(
                self.path, self.text, changes, draft.chip, merge=rest == "merge", modes=modes
            )
        except StageChangedError as error:
            both = self._also_theirs(draft, error.text, changes)
            count = sum(map(len, parts.values()))
            return Outcome(
                question=Question(
                    f"{self.path} changed on disk since it was opened{both}.",
                    (
                        (
                            "m",
                            "save merge",
                            f"put the {count} changes made here into it as it is now",
                        ),
                        ("n", "", "not now; nothing is written"),
                    ),
                )
            )
        self._saved(drafts, stage, text)
        told = " and ".join(
            _counted(draft, part) + (f" of mode {mode}" if mode else "")
            for mode, part in parts.items()
        )
        return Outcome(
            f"saved {told} to {self.path}; all else in it is as it was",
            "good",
        )

    def _also_theirs(self, draft: Draft, text: str, changes: Mapping[str, str | None]) -> str:
        """Settings that were changed here and on disk, in words: putting ours in replaces those."""
        theirs, _ = read_stage(draft.stage.file or self.document, text=text.removeprefix("\ufeff"))
        if theirs is None:
            return " and does not load as it is now"
        was = {s.name: s.asked for s in draft.saved.settings}
        now = {s.name: s.asked for s in theirs.settings}
        both = [
            f"{n} ({now.get(n, 'not stated')} there)"
            for n in changes
            if now.get(n) not in (was.get(n), changes[n])
        ]
        return f"; changed on both sides: {', '.join(both)}" if both else ""

    def _save_as(self, drafts: ModeDrafts, path: Path) -> Outcome:
        draft = drafts.base
        if path.exists():
            same = self.path is not None and path.resolve() == self.path.resolve()
            return (
                self.save(drafts, "")
                if same
                else Outcome(
                    f"{path} exists and was not opened here; nothing is written over it. Name another file",
                    "bad",
                )
            )
        if path.suffix not in (".yaml", ".yml"):
            raise CallError(f"{path} does not end in .yaml; as in `save {path}.yaml`")
        statements = draft.statements
        if self.is_stage:
            _, text = edited(path, self.text, drafts.changes(), draft.chip)
        else:
            text = new_stage(_name(path), self.map_name, statements, draft.chip)
            text = edit_document(text, draft.inputs, draft.chip)
        stage = proven(path, text, statements)
        write_whole(path, text)
        self.path, self.document, self.is_stage = path, str(path), True
        self._saved(drafts, stage, text)
        self.journal.document = str(path)
        return Outcome(f"saved to {path}", "good")

    def _saved(self, drafts: ModeDrafts, stage: Stage, text: str) -> None:
        self.text = text
        drafts.saved_as(stage)
        self.journal.rebase(text)

    # --- leaving --------------------------------------------------------------------------------
    def leave(self, drafts: ModeDrafts, rest: str) -> Outcome:
        """End: at once where nothing is lost, after a question where something would be."""
        if rest == "drop" or not drafts.dirty:
            self.journal.discard()
            return Outcome(leave=True)
        if rest == "keep":
            self.journal.keep()
            kept = self.journal.backup or "the draft is not kept"
            trouble = self.journal.trouble if not self.journal.backup else ""
            told = f"{kept}: {trouble}" if trouble else f"{kept} and offered next time"
            return Outcome(told, "bad" if self.journal.trouble else "", leave=True)
        if rest:
            raise CallError(f"leave {rest[:20]}? expected `leave`, `leave keep` or `leave drop`")
        count = sum(map(len, drafts.changes().values()))
        return Outcome(
            question=Question(
                f"{count} change{'s are' if count != 1 else ' is'} not saved.",
                (
                    ("s", "save;;leave", "save and leave"),
                    ("k", "leave keep", "leave; the draft is offered next time"),
                    ("d", "leave drop", "leave and forget the changes"),
                    ("n", "", "stay here"),
                ),
            )
        )

    # --- a draft left behind ----------------------------------------------------------------------
    def take_up(self, drafts: ModeDrafts, left: Leftover) -> Outcome:
        """Do the steps of a draft left behind again; its file goes once they are in the new journal.

        What could not be read or done of it stays in the file, which is put aside.
        """
        trouble = left.replay(drafts.restate)
        whole = not trouble and not left.damaged
        if self.journal.trouble:
            stays = f"; {self.journal.trouble}; the draft left behind stays in {left.path}"
        elif whole:
            left.discard()
            stays = ""
        else:
            stays = f"; it stays as it was in {left.put_aside()}"
        count = sum(map(len, drafts.changes().values()))
        note = f"; {len(trouble)} steps could not be done any more: {trouble[0]}" if trouble else ""
        if left.damaged:
            note += f"; {left.damaged} of its lines cannot be read"
        other = "" if left.same_base(self.text) else "; the stage file has changed since"
        return Outcome(
            f"took up the draft: {many(count, 'change')} not saved{other}{note}{stays}",
            "good" if whole else "bad",
        )


def live(found: list[Leftover], stage: Stage) -> tuple[Leftover | None, list[Leftover]]:
    """The newest leftover that would change something, and those before it that are of no use any more.

    Those that would change nothing are cleared away; of no use is one that is damaged, or whose steps
    can no longer be done: it is told of, and stays.
    """
    useless: list[Leftover] = []
    for left in found:
        trial = ModeDrafts(stage)
        trouble = left.replay(trial.restate)
        if trial.dirty:
            return left, useless
        if trouble or left.damaged:
            useless.append(left)
        else:
            left.discard()
    return None, useless


def _counted(draft: Draft, changes: Mapping[str, str | None]) -> str:
    values = sum(draft.is_input(n) for n in changes)
    told = [many(len(changes) - values, "setting")] if len(changes) > values else []
    return " and ".join([*told, *([many(values, "stage value")] if values else [])])


def _name(path: Path) -> str:
    kept = "".join(c if c.isalnum() or c in "-_" else "_" for c in path.stem) or "stage"
    return kept if kept[0].isalpha() else f"stage_{kept}"


def open_stage(path: Path) -> tuple[Stage, str]:
    """A stage with the very text it was read from. Raises FileError."""
    text = read_stage_text(path)
    stage = load_stage(path)
    if read_stage_text(path) != text:
        raise FileError.at(str(path), "it changed while it was read", "a file at rest")
    return stage, text
