"""`gateword compose`: settings composed interactively, with the words and the verdicts alive."""

from __future__ import annotations

import argparse
import os
from pathlib import Path
from typing import TYPE_CHECKING

from regmap.quantity import many

from .context import Context, Status

if TYPE_CHECKING:
    from collections.abc import Callable

    from regmap.holding import Hold

    from .composer.session import Session
    from .composer.vocabulary import Outcome, Question

NAME = "compose"
HELP = "compose settings interactively, frames and verdicts alive"
EPILOG = """In the view, just type: part of a name finds it, a value sets what is chosen, a word such as
`sweep` or `save` does it; the line above says what Enter will do. `?` tells where you are.
Piped in, or with --lines, the same words are read line by line:

  printf 'GATE_HS.SOURCE = 56 mA\\nverdicts\\nsave\\n' | gateword compose pump.yaml"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "document",
        metavar="STAGE|MAP",
        help="a stage, or a map to begin a stage on: a path or a bundled name",
    )
    parser.add_argument(
        "--lines",
        action="store_true",
        help="line by line, without the full-screen view (so without a terminal, too)",
    )
    parser.add_argument(
        "--resume", action="store_true", help="take up a draft left behind without asking"
    )
    parser.epilog = EPILOG


def run(args: argparse.Namespace, context: Context) -> int:
    from .composer.lines import Lines, wants_lines

    session, question, take_up = open_session(args.document, context, resume=args.resume)
    held = _held(session, context)
    try:
        if args.lines or wants_lines(context):
            lines = Lines(session, context)
            lines.answer_hook = take_up
            status = lines.run(question)
        else:
            status = _full_screen(session, question, take_up, context)
    finally:
        session.keeper.journal.keep()
        held.close()
        known = session.onchip.close()
    for line in known:
        context.err(line)
    commands = session.farewell()
    if commands:
        context.out("the same without the composer:")
        for command in commands:
            context.out(f"  {command}")
    if session.drafts.dirty:
        count = sum(map(len, session.drafts.changes().values()))
        context.out(
            f"{count} change{'s were' if count != 1 else ' was'} not saved"
            + (f"; {kept}" if (kept := session.keeper.journal.backup) else "")
        )
    return status


def _held(session: Session, context: Context) -> Hold:
    """The stage for this composer; who has it already is told, and saving asks before anything is lost."""
    from regmap.holding import HeldError, Hold, hold

    path = session.keeper.path
    if path is None:
        return Hold()
    try:
        return hold(path, "composes it", context.environ)
    except HeldError as error:
        context.err(f"note: {error}; what both save is asked about before it is merged")
        return Hold()


def _full_screen(
    session: Session,
    question: Question | None,
    take_up: Callable[[str], Outcome | None],
    context: Context,
) -> int:
    from .composer.screen import Screen
    from .composer.view import View

    view = View(session)
    view.question = question
    view.take_up = take_up
    Screen(view, color=context.color).run()
    return Status.OK


def open_session(
    document: str, context: Context, *, resume: bool = False
) -> tuple[Session, Question | None, Callable[[str], Outcome | None]]:
    """The session of a document; the question to ask first, and what answers it. Raises FileError."""
    from regmap.draft import Journal, ModeDrafts, leftovers, state_folder
    from regmap.maps.load import find_document, load_map
    from regmap.stages.load import Stage

    from .composer.keeping import Keeper, live, open_stage
    from .composer.session import Session
    from .composer.vocabulary import Outcome, Question
    from .vet import kind_of

    path = find_document(document)
    is_stage = kind_of(path) == "stage"
    bundled = path != Path(document)
    if is_stage:
        stage, text = open_stage(path)
        map_name = (
            stage.map_name
            if stage.map_name and not Path(stage.map_name).suffix
            else os.path.relpath(path.parent / stage.map_name)
        )
    else:
        chip = load_map(path)
        stage, text = (
            Stage(
                name=chip.name,
                title=chip.title,
                chip=chip,
                settings=(),
                params={},
                map_name=document,
                file=str(path),
            ),
            "",
        )
        map_name = document
    folder = state_folder(context.environ)
    journal = Journal(folder, document if bundled else str(path), text)
    drafts = ModeDrafts(stage, journal)
    keeper = Keeper(
        document,
        path if is_stage and not bundled else None,
        text,
        map_name,
        journal,
        is_stage=is_stage,
    )
    session = Session(drafts, keeper, context.width)
    left, useless = live(leftovers(folder, journal.document), stage)
    for one in useless:
        context.err(
            f"note: a draft left behind in {one.path} cannot be taken up "
            + (
                "(nothing in it can be read); "
                if not one.entries
                else "(none of its steps can be done any more); "
            )
            + "look into it, or remove it"
        )

    def take_up(word: str) -> Outcome | None:
        assert left is not None
        if word == "resume":
            return keeper.take_up(drafts, left)
        if word == "forget":
            left.discard()
            return Outcome("the draft left behind is forgotten")
        return Outcome("the draft left behind stays; it is offered again next time")

    if left is None:
        return session, None, take_up
    if resume:
        context.err("gateword: " + keeper.take_up(drafts, left).message)
        return session, None, take_up
    other = "" if left.same_base(text) else " (the file has changed since)"
    if left.damaged:
        other += f"; {left.damaged} of its lines cannot be read"
    return (
        session,
        Question(
            f"A draft of this was left behind with {many(left.steps, 'step')} not saved{other}.",
            (
                ("r", "@resume", "take it up"),
                ("f", "@forget", "forget it"),
                ("n", "@later", "not now; it is offered again"),
            ),
        ),
        take_up,
    )
