"""`gateword completion`: shell completion for bash, zsh, fish and PowerShell, from the map at hand."""

from __future__ import annotations

import argparse

from .context import Context, Status

NAME = "completion"
HELP = "shell completion for bash, zsh, fish or PowerShell, from the map at hand"
SHELLS = ("bash", "zsh", "fish", "powershell")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    from .completing.shells import USE

    parser.add_argument("shell", choices=SHELLS, help="the shell to write for")
    # what the shells' own functions ask with: `completion SHELL -- WORD ...`
    parser.add_argument("words", nargs="*", help=argparse.SUPPRESS)
    parser.epilog = "Put this in the shell's start file:\n" + "\n".join(
        f"  {s}: {t}" for s, t in USE.items()
    )


def run(args: argparse.Namespace, context: Context) -> int:
    from .completing.shells import SCRIPTS, replies

    if not args.words:
        context.out(SCRIPTS[args.shell])
        return Status.OK
    for line in replies(args.shell, args.words):
        context.out(line)
    return Status.OK
