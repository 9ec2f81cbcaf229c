"""`gateword completion`: shell completion for bash, zsh and fish, from the program's own tables."""

from __future__ import annotations

import argparse

from regmap.maps.load import bundled

from .context import Context, Status

NAME = "completion"
HELP = "shell completion for bash, zsh or fish"

_USE = {
    "bash": 'eval "$(gateword completion bash)"',
    "zsh": 'eval "$(gateword completion zsh)"',
    "fish": "gateword completion fish | source",
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("shell", choices=sorted(_USE), help="the shell to write for")
    parser.epilog = "Put this in the shell's start file:\n" + "\n".join(
        f"  {s}: {t}" for s, t in _USE.items()
    )


def run(args: argparse.Namespace, context: Context) -> int:
    from .main import COMMANDS

    documents = list(bundled("devices"))
    context.out(
        {"bash": _bash, "zsh": _zsh, "fish": _fish}[args.shell](
            {name: text for name, (_, text) in COMMANDS.items()},
            options_of(),
            words_of(),
            documents,
        )
    )
    return Status.OK


def options_of() -> dict[str, list[str]]:
    """Every command's long options, read from its own parser."""
    import importlib

    from .main import COMMANDS

    found: dict[str, list[str]] = {}
    for name, (module, _) in COMMANDS.items():
        parser = argparse.ArgumentParser(prog=f"gateword {name}")
        importlib.import_module(f".{module}", __package__).add_arguments(parser)
        found[name] = sorted(parser.format_help().split()) and sorted(
            {o for action in _actions(parser) for o in action.option_strings if o.startswith("--")}
        )
    return found


def words_of() -> dict[str, list[str]]:
    """The words of a fixed list that a command takes as its arguments, as `new map` or `link PORT read`."""
    import importlib

    from .main import COMMANDS

    found: dict[str, list[str]] = {}
    for name, (module, _) in COMMANDS.items():
        parser = argparse.ArgumentParser(prog=f"gateword {name}")
        importlib.import_module(f".{module}", __package__).add_arguments(parser)
        words = {
            str(w): None
            for a in _actions(parser)
            if not a.option_strings and a.choices
            for w in a.choices
        }
        found[name] = list(words)
    return found


def _actions(parser: argparse.ArgumentParser) -> list[argparse.Action]:
    actions: list[argparse.Action] = []
    for action in parser._actions:  # the documented way to list options does not exist
        actions.append(action)
        if isinstance(action, argparse._SubParsersAction):
            for sub in action.choices.values():
                actions += _actions(sub)
    return actions


def _bash(
    commands: dict[str, str],
    options: dict[str, list[str]],
    words: dict[str, list[str]],
    documents: list[str],
) -> str:
    cases = "\n".join(
        f'    {name}) options="{" ".join(options[name])}" words="{" ".join(words[name])}" ;;'
        for name in commands
    )
    # file names may hold blanks: one reply a line, never split at them
    return f"""_gateword() {{
  local word="${{COMP_WORDS[COMP_CWORD]}}" options="" words="" at=1
  while [ "$at" -lt "$COMP_CWORD" ]; do
    case "${{COMP_WORDS[at]}}" in -*) at=$((at + 1)) ;; *) break ;; esac
  done
  COMPREPLY=()
  if [ "$COMP_CWORD" -eq "$at" ]; then
    case "$word" in
      -*) words="--help --no-color --version" ;;
      *) words="{" ".join(commands)}" ;;
    esac
    while IFS= read -r at; do COMPREPLY+=("$at"); done < <(compgen -W "$words" -- "$word")
    return
  fi
  case "${{COMP_WORDS[at]}}" in
{cases}
  esac
  while IFS= read -r at; do COMPREPLY+=("$at"); done < <(
    case "$word" in
      -*) compgen -W "$options" -- "$word" ;;
      *) compgen -W "$words {" ".join(documents)}" -- "$word"; compgen -f -- "$word" ;;
    esac
  )
}}
complete -o filenames -F _gateword gateword"""


def _zsh(
    commands: dict[str, str],
    options: dict[str, list[str]],
    words: dict[str, list[str]],
    documents: list[str],
) -> str:
    listed = " ".join(
        f"'{n}:{t}'"
        for n, t in ((n, t.replace("'", "").replace(":", ";")) for n, t in commands.items())
    )
    cases = "\n".join(
        f"    {name}) opts=({' '.join(options[name])}) docs+=({' '.join(words[name])}) ;;"
        for name in commands
    )
    return f"""_gateword() {{
  local -a cmds opts docs
  cmds=({listed})
  docs=({" ".join(documents)})
  if (( CURRENT == 2 )); then _describe command cmds; return; fi
  case $words[2] in
{cases}
  esac
  if [[ $PREFIX == -* ]]; then compadd -- $opts; else compadd -- $docs; _files; fi
}}
compdef _gateword gateword"""


def _fish(
    commands: dict[str, str],
    options: dict[str, list[str]],
    words: dict[str, list[str]],
    documents: list[str],
) -> str:
    lines = ["complete -c gateword -f"]
    for name, text in commands.items():
        quoted = text.replace("'", "")
        lines.append(f"complete -c gateword -n __fish_use_subcommand -a {name} -d '{quoted}'")
        for option in options[name]:
            lines.append(
                f"complete -c gateword -n '__fish_seen_subcommand_from {name}' -l {option[2:]}"
            )
        if words[name]:
            lines.append(
                f"complete -c gateword -n '__fish_seen_subcommand_from {name}' -a '{' '.join(words[name])}'"
            )
    lines.append(
        f"complete -c gateword -n 'not __fish_use_subcommand' -F -a '{' '.join(documents)}'"
    )
    return "\n".join(lines)
