"""The `gateword` command: picks the subcommand, keeps the promises all of them share.

A subcommand is a module with NAME, HELP, `add_arguments(parser)` and `run(args, context)`; it is
imported only when it is the one asked for, so that `--help` and completion stay quick.
"""

from __future__ import annotations

import argparse
import gc
import importlib
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import regmap
from regmap import formerly
from regmap.budgets import allowing
from regmap.cautions import CAUTION
from regmap.document.within import reading_within, told_of_reads
from regmap.errors import CallError, CaptureError, FileError, FrameError, GatewordError, LinkError

from . import examples
from .context import Context, Status, broken_pipe
from .files import open_gate

#: name -> (module, one line of help), in the order of a drive's life
COMMANDS: dict[str, tuple[str, str]] = {
    "new": ("new", "write a commented starting map or stage, or a project's folder"),
    "vet": (
        "vet",
        "check (validate) maps, stages and set-ups of captures; problems as file:line:col",
    ),
    "show": ("show", "what a chip, a register or a field holds, with a picture of its bits"),
    "encode": ("encode", "frames to send for what is asked, check bits included"),
    "decode": ("decode", "any raw frame taken apart and explained"),
    "explain": ("explain", "what tripped, why, and what to look at first"),
    "check": ("check", "all calculations of a stage, with verdicts"),
    "sweep": (
        "sweep",
        "options of a field or values of an input, with the verdicts that depend on it",
    ),
    "propose": ("propose", "settings that meet the stage's goals, with the reasons"),
    "modes": (
        "modes",
        "the ways between the modes of a stage, frame by frame, and what follows on every fault",
    ),
    "compose": ("compose", "compose settings interactively, frames and verdicts alive"),
    "capture": ("capture", "transfers, faults and timing of a logic capture"),
    "survey": (
        "survey",
        "many captures or logs of words to tables, and what is new since another survey",
    ),
    "header": ("header", "C tables for the firmware build"),
    "diff": ("diff", "differences of two stages, or of a stage and a capture or readback"),
    "twin": (
        "twin",
        "a simulated chip (simulator) on a pseudo-terminal, or over TCP on this machine",
    ),
    "campaign": (
        "campaign",
        "inject faults by a plan, on a simulated or real chip, and judge what follows",
    ),
    "link": ("link", "read, write, verify and watch a real or simulated chip"),
    "report": ("report", "a review record of a stage as one HTML file"),
    "schema": ("schema", "JSON Schema of a document (map, stage, ...) or of an output of --json"),
    "help": (
        "help",
        "the ideas, a topic at a time: map, stage, verdict, margin, corner, bring-up, ...",
    ),
    "completion": (
        "completion",
        "shell completion for bash, zsh, fish or PowerShell, from the map at hand",
    ),
}


def _unseen(prog: str) -> argparse.HelpFormatter:
    return argparse.HelpFormatter(prog, width=80)


class _Parser(argparse.ArgumentParser):
    """A parser whose help does not vanish without a word on a full disk.

    `shape` is how its help is laid out. That asks for the terminal's width, so it is made when there is something to
    show: argparse would make one for every argument that is added.
    """

    shape: type[argparse.HelpFormatter] = argparse.HelpFormatter

    def __init__(self, **named: Any) -> None:
        super().__init__(formatter_class=_unseen, **named)

    def format_help(self) -> str:
        self.formatter_class = self.shape
        return super().format_help()

    def format_usage(self) -> str:
        self.formatter_class = self.shape
        return super().format_usage()

    def _print_message(self, message: str, file: Any = None) -> None:
        if message:
            (file or sys.stderr or Context().stderr).write(message)


def build_parser(chosen: str | None = None, *, alone: bool = False) -> argparse.ArgumentParser:
    """The whole parser; only the chosen command's own arguments are filled in.

    `alone`: the others are left out, for nothing can ask for them any more.
    """
    parser = _Parser(
        prog="gateword",
        description="Configure, prove and explain SPI-configured MOSFET gate drivers in three-phase motor drives.",
        epilog="`gateword COMMAND --help` tells more. Every command takes --no-color, and --within FOLDER: what maps and stages name may lie "
        "in that folder tree too, besides their own and the working folder's; and --budget NAME=NUMBER: what input from outside may cost "
        f"(the message of an input that costs more names the budget). {CAUTION}",
    )
    parser.add_argument("--version", action="version", version=f"gateword {regmap.__version__}")
    parser.add_argument(
        "--no-color", action="store_true", help="no colour, also with NO_COLOR set or TERM=dumb"
    )
    # the name said: to find it out, argparse would load what formats a help text
    commands = parser.add_subparsers(
        prog=parser.prog, dest="command", metavar="COMMAND", title="commands"
    )
    for name, (module, text) in COMMANDS.items():
        if chosen is not None and name != chosen:
            if not alone:
                commands.add_parser(name, help=text, add_help=False)
            continue
        sub = commands.add_parser(name, help=text, description=text[0].upper() + text[1:] + ".")
        if name == chosen:
            loaded = importlib.import_module(f".{module}", __package__)
            sub.shape = argparse.RawDescriptionHelpFormatter
            loaded.add_arguments(sub)
            sub.epilog = "\n\n".join(t for t in (examples.text_of(name), sub.epilog) if t)
            for each in _leaves(sub):
                # people write it last; the default must not undo one that stands before the command
                each.add_argument(
                    "--no-color",
                    action="store_true",
                    default=argparse.SUPPRESS,
                    help=argparse.SUPPRESS,
                )
                each.add_argument(
                    "--within",
                    metavar="FOLDER",
                    action="append",
                    type=Path,
                    default=argparse.SUPPRESS,
                    help=argparse.SUPPRESS,
                )
                each.add_argument(
                    "--budget",
                    metavar="NAME=NUMBER",
                    action="append",
                    default=argparse.SUPPRESS,
                    help=argparse.SUPPRESS,
                )
    return parser


def _leaves(parser: argparse.ArgumentParser) -> list[argparse.ArgumentParser]:
    """The parser and those of its own actions, as `link PORT read`."""
    found = [parser]
    for action in parser._actions:  # argparse has no documented way to list them
        if isinstance(action, argparse._SubParsersAction):
            for sub in action.choices.values():
                found += _leaves(sub)
    return found


def _in_any_order(
    parser: argparse.ArgumentParser,
    arguments: list[str],
    args: argparse.Namespace,
    extra: list[str],
) -> tuple[argparse.Namespace, list[str]]:
    """Read again with arguments and options in any order: `check STAGE --set X CHECK`."""
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction) and args.command in action.choices:
            own = arguments[arguments.index(args.command) + 1 :]
            try:
                found, extra = action.choices[args.command].parse_known_intermixed_args(own)
            except TypeError:  # a command with actions of its own, whose order means something
                break
            args = argparse.Namespace(**{**vars(args), **vars(found)})
    return args, extra


def _refuse_unknown(
    parser: argparse.ArgumentParser, arguments: list[str], extra: list[str]
) -> None:
    """Arguments that nobody takes: told by the command that was asked, with its nearest option."""
    from regmap.errors import closest, told

    here = parser
    for text in arguments:
        for action in here._actions:
            if isinstance(action, argparse._SubParsersAction) and text in action.choices:
                here = action.choices[text]
                break
    text = next((e for e in extra if e.startswith("-")), extra[0])
    known = [
        o
        for a in here._actions
        if a.help is not argparse.SUPPRESS
        for o in a.option_strings
        if o.startswith("--")
    ]
    near = closest(text.partition("=")[0], known) if text.startswith("-") else ""
    what = (
        f"no option {text[:40]!r}"
        if text.startswith("-")
        else f"{text[:40]!r} is one argument too many"
    )
    here.error(told(what, nearest=near))


def main(argv: Sequence[str] | None = None, context: Context | None = None) -> int:
    """Run one command; returns its exit status."""
    # a command makes many small objects that all live to its end: looking for dead ones is in vain
    gc.set_threshold(100_000)
    context = context or Context()
    try:
        return _main(argv, context)
    except KeyboardInterrupt:  # also while a module is still being loaded
        context.err("gateword: interrupted")
        return Status.INTERRUPTED


def _main(argv: Sequence[str] | None, context: Context) -> int:
    arguments = list(sys.argv[1:] if argv is None else argv)
    chosen = next((a for a in arguments if not a.startswith("-")), None)
    arguments, notes = formerly.arguments(chosen or "", arguments)
    for note in notes:
        context.err(f"gateword: {note}")
    known = chosen in COMMANDS
    parser = build_parser(chosen if known else None, alone=known and arguments[0] == chosen)
    try:
        args, extra = parser.parse_known_args(_hint_command(parser, arguments, chosen))
        if extra and not any(e.startswith("-") for e in extra):
            args, extra = _in_any_order(parser, arguments, args, extra)
        if extra:
            _refuse_unknown(parser, arguments, extra)
    except (SystemExit, OSError) as stop:
        return _printed(stop, context)
    if args.command is None:
        context.err(parser.format_help().rstrip())
        return Status.USAGE
    context.no_color = args.no_color
    module = importlib.import_module(f".{COMMANDS[args.command][0]}", __package__)
    try:
        context.gate = open_gate(args)
        with (
            reading_within(_trees(getattr(args, "within", []))),
            allowing(_budgets(getattr(args, "budget", []))),
            told_of_reads(context.gate.reads),
        ):
            status = int(module.run(args, context))
        context.stdout.flush()
        return status
    except BrokenPipeError:
        broken_pipe(context.stdout)
        return Status.OK
    except GatewordError as error:
        return _report(error, context)
    except (RecursionError, MemoryError, OverflowError, UnicodeError) as error:
        # every budget ends in a message of its own; what slips through all of them ends in one too
        if context.environ.get("GATEWORD_TRACEBACK"):
            raise
        context.err(
            f"gateword: this input is more than the program can carry ({type(error).__name__}). "
            "Please report it; GATEWORD_TRACEBACK=1 shows where"
        )
        return Status.USAGE
    except OSError as error:
        # every file of ours is named by who writes it; a system names none where a write fails
        name = error.filename or "standard output"
        context.err(f"gateword: {name}: {error.strerror or error}")
        if error.filename is None:
            broken_pipe(context.stdout)  # what is left in its buffer would fail again at the end
        return Status.USAGE


def _trees(allowed: list[Path]) -> list[Path]:
    """The working folder's tree, as that is where its user works, and what an option allows."""
    try:
        here = Path.cwd()
    except OSError:  # it was removed
        return allowed
    return allowed if here == Path(here.anchor) else [here, *allowed]


def _budgets(texts: list[str]) -> dict[str, int]:
    """`--budget NAME=NUMBER`. Raises CallError."""
    found = {}
    for text in texts:
        name, equals, number = text.partition("=")
        if not equals or not number.strip().isascii() or not number.strip().isdigit():
            raise CallError(f"--budget {text[:40]!r}", "NAME=NUMBER, as columns=2000")
        found[name.strip()] = int(number[:20])
    return found


def _printed(stop: BaseException, context: Context) -> int:
    """The status of what argparse has printed, unless it could not be written."""
    try:
        if isinstance(stop, OSError):
            raise stop
        if sys.stdout is not None:
            sys.stdout.flush()
    except BrokenPipeError:
        broken_pipe(sys.stdout)
    except OSError as error:
        context.err(f"gateword: standard output: {error.strerror or error}")
        broken_pipe(sys.stdout)
        return Status.USAGE
    return int(stop.code or 0) if isinstance(stop, SystemExit) else Status.OK


def _hint_command(
    parser: argparse.ArgumentParser, arguments: list[str], chosen: str | None
) -> list[str]:
    """A mistyped command gets the nearest one named."""
    if chosen is not None and chosen not in COMMANDS:
        from regmap.errors import closest, told

        parser.error(told(f"no command {chosen[:40]!r}", nearest=closest(chosen, COMMANDS)))
    return arguments


def _report(error: GatewordError, context: Context) -> int:
    """One clear message on stderr; whose fault it was decides the status."""
    if isinstance(error, (FileError, CaptureError)):
        for problem in error.problems:
            text = problem.render(context.width)
            if "\n" in text:
                context.err(text)  # a place and its line: for editors, as they are
            else:
                context.say(text)
        count = len(error.problems)
        if count > 1:
            context.err(f"gateword: {count} problems")
        return Status.USAGE
    context.say(f"gateword: {error}")
    if isinstance(error, LinkError):
        return Status.LINK
    if isinstance(error, (CallError, FrameError)):
        return Status.USAGE
    return Status.USAGE


if __name__ == "__main__":
    sys.exit(main())
