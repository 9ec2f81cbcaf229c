"""The `gateword` command: picks the subcommand, keeps the promises all of them share.

A subcommand is a module with NAME, HELP, `add_arguments(parser)` and `run(args, context)`; it is
imported only when it is the one asked for, so that `--help` and completion stay quick.
"""

from __future__ import annotations

import argparse
import importlib
import sys
from collections.abc import Sequence

import regmap
from regmap.errors import CallError, CaptureError, FileError, FrameError, GatewordError, LinkError

from .context import Context, Status, broken_pipe

#: name -> (module, one line of help), in the order of a drive's life
COMMANDS: dict[str, tuple[str, str]] = {
    "new": ("new", "write a commented starting map or stage"),
    "vet": ("vet", "check maps and stages; problems as file:line:col"),
    "show": ("show", "what a chip, a register or a field holds, with a picture of its bits"),
    "encode": ("encode", "words to send for what is asked, guard included"),
    "decode": ("decode", "any raw word taken apart and explained"),
    "explain": ("explain", "what tripped, why, and what to look at first"),
    "check": ("check", "all calculations of a stage, with verdicts"),
    "sweep": ("sweep", "every option of one field with the verdicts that it moves"),
    "propose": ("propose", "settings that meet the stage's goals, with the reasons"),
    "compose": ("compose", "compose settings interactively, words and verdicts alive"),
    "capture": ("capture", "transfers, faults and timing of a logic capture"),
    "header": ("header", "C tables for the firmware build"),
    "diff": ("diff", "differences of two stages, or of a stage and a capture or readback"),
    "twin": ("twin", "a simulated chip on a pseudo-terminal"),
    "link": ("link", "read, write, verify and watch a real or simulated chip"),
    "report": ("report", "a review record of a stage as one HTML file"),
    "completion": ("completion", "shell completion for bash, zsh or fish"),
}

CAUTION = (
    "Figures support, and do not replace, the data sheet, measurement, local codes and qualified review."
)


def build_parser(chosen: str | None = None) -> argparse.ArgumentParser:
    """The whole parser; only the chosen command's own arguments are filled in."""
    parser = argparse.ArgumentParser(
        prog="gateword",
        description="Configure, prove and diagnose SPI-configured MOSFET gate drivers in three-phase motor drives.",
        epilog=f"`gateword COMMAND --help` tells more. {CAUTION}",
    )
    parser.add_argument("--version", action="version", version=f"gateword {regmap.__version__}")
    parser.add_argument("--no-color", action="store_true", help="no colour, also with NO_COLOR set or TERM=dumb")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", title="commands")
    for name, (module, text) in COMMANDS.items():
        if chosen is not None and name != chosen:
            commands.add_parser(name, help=text, add_help=False)
            continue
        sub = commands.add_parser(name, help=text, description=text[0].upper() + text[1:] + ".")
        if name == chosen:
            loaded = importlib.import_module(f".{module}", __package__)
            sub.formatter_class = argparse.RawDescriptionHelpFormatter
            loaded.add_arguments(sub)
    return parser


def main(argv: Sequence[str] | None = None, context: Context | None = None) -> int:
    """Run one command; returns its exit status."""
    context = context or Context()
    arguments = list(sys.argv[1:] if argv is None else argv)
    chosen = next((a for a in arguments if not a.startswith("-")), None)
    parser = build_parser(chosen if chosen in COMMANDS else None)
    try:
        args = parser.parse_args(_hint_command(parser, arguments, chosen))
    except SystemExit as stop:
        return int(stop.code or 0)
    if args.command is None:
        context.err(parser.format_help().rstrip())
        return Status.USAGE
    context.no_color = args.no_color
    module = importlib.import_module(f".{COMMANDS[args.command][0]}", __package__)
    try:
        status = int(module.run(args, context))
        context.stdout.flush()
        return status
    except BrokenPipeError:
        broken_pipe(context.stdout)
        return Status.OK
    except KeyboardInterrupt:
        context.err("gateword: interrupted")
        return Status.INTERRUPTED
    except GatewordError as error:
        return _report(error, context)
    except OSError as error:
        name = f"{error.filename}: " if error.filename else ""
        context.err(f"gateword: {name}{error.strerror or error}")
        return Status.USAGE


def _hint_command(parser: argparse.ArgumentParser, arguments: list[str], chosen: str | None) -> list[str]:
    """A mistyped command gets the nearest one named."""
    if chosen is not None and chosen not in COMMANDS:
        from regmap.errors import nearest

        near = nearest(chosen, COMMANDS)
        tail = f"; nearest: {near[0]}" if near else ""
        parser.error(f"no command {chosen[:40]!r}{tail}")
    return arguments


def _report(error: GatewordError, context: Context) -> int:
    """One clear message on stderr; whose fault it was decides the status."""
    if isinstance(error, (FileError, CaptureError)):
        for problem in error.problems:
            context.err(problem.render(context.width))
        count = len(error.problems)
        if count > 1:
            context.err(f"gateword: {count} problems")
        return Status.USAGE
    context.err(f"gateword: {error}")
    if isinstance(error, LinkError):
        return Status.LINK
    if isinstance(error, (CallError, FrameError)):
        return Status.USAGE
    return Status.USAGE


if __name__ == "__main__":
    sys.exit(main())
