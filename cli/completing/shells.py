"""What each shell reads at its start: a function that asks `gateword` and hands the answers on.

No answer is evaluated: the lines are read as they are, and each shell quotes them itself.
"""

from __future__ import annotations

from .offers import Candidate, answer
from .quoting import Typed, needs_quotes, split, word

USE = {
    "bash": 'eval "$(gateword completion bash)"',
    "zsh": 'eval "$(gateword completion zsh)"',
    "fish": "gateword completion fish | source",
    "powershell": "gateword completion powershell | Out-String | Invoke-Expression",
}

_BASH = """\
_gateword() {
  local line="${COMP_LINE:0:COMP_POINT}" reply first=""
  COMPREPLY=()
  while IFS= read -r reply; do
    if [ -z "$first" ]; then
      first="$reply"
      case "$first" in open*) compopt -o nospace 2>/dev/null ;; esac
      case "$first" in *quote) compopt -o filenames 2>/dev/null ;; esac
    else
      COMPREPLY+=("$reply")
    fi
  done < <(command gateword completion bash -- "$line" "$2" 2>/dev/null)
}
complete -F _gateword gateword"""

# zsh keeps the quotes of the words; what is before the cursor of the last one is in three pieces
_ZSH = """\
_gateword() {
  local -a shut open shuttold opentold
  local kind text told
  while IFS=$'\\t' read -r kind text told; do
    if [[ $kind == open ]]; then open+=("$text") opentold+=("$text${told:+  -- $told}")
    else shut+=("$text") shuttold+=("$text${told:+  -- $told}"); fi
  done < <(command gateword completion zsh -- "${(@)words[2,CURRENT-1]}" "$QIPREFIX$PREFIX" 2>/dev/null)
  (( $#open )) && compadd -U -S '' -l -d opentold -a open
  (( $#shut )) && compadd -U -l -d shuttold -a shut
  return 0
}
compdef _gateword gateword"""

_FISH = """\
function __gateword_candidates
    set -l words (commandline -opc)
    set -l typed (commandline -ct)
    command gateword completion fish -- $words[2..-1] "$typed" 2>/dev/null
end
complete -c gateword -f -a '(__gateword_candidates)'"""

_POWERSHELL = """\
Register-ArgumentCompleter -Native -CommandName gateword -ScriptBlock {
    param($wordToComplete, $commandAst, $cursorPosition)
    $words = @()
    foreach ($element in $commandAst.CommandElements) {
        if ($element.Extent.EndOffset -lt $cursorPosition) { $words += $element.Extent.Text }
    }
    $words = @($words | Select-Object -Skip 1) + @("$wordToComplete")
    & (Get-Command gateword -CommandType Application)[0] completion powershell -- @words 2>$null |
        ForEach-Object {
            $text, $told = $_ -split "`t", 2
            if (-not $told) { $told = $text }
            $quoted = $text
            if ($text -match '[^A-Za-z0-9_./:=+-]') { $quoted = "'" + $text.Replace("'", "''") + "'" }
            [System.Management.Automation.CompletionResult]::new($quoted, $text, 'ParameterValue', $told)
        }
}"""

SCRIPTS = {"bash": _BASH, "zsh": _ZSH, "fish": _FISH, "powershell": _POWERSHELL}


def replies(shell: str, given: list[str]) -> list[str]:
    """The lines that answer a shell's question: `given` is what its function hands over."""
    if shell == "bash":
        line, replaced = (*given, "", "")[:2]
        return _bash(split(line), replaced)
    typed = [word(text) for text in given] or [Typed("", "")]
    found = answer([t.text for t in typed], quoted=bool(typed[-1].quote))
    if shell == "zsh":
        return [f"{'open' if c.open else 'shut'}\t{c.text}\t{_told(c)}" for c in found]
    return [f"{c.text}\t{_told(c)}".rstrip("\t") for c in found]


def _told(candidate: Candidate) -> str:
    """A meaning on one line, short enough for a list."""
    text = " ".join(candidate.meaning.split())
    return text if len(text) <= 72 else text[:69] + "..."


def _bash(typed: list[Typed], replaced: str) -> list[str]:
    """First what bash is to do with them, then each candidate from where readline replaces it.

    "open" is for no blank behind a single one, "quote" for having readline quote them, which it does for
    names of files only, and then rightly for bare words and open quotes alike. readline replaces only what
    follows the last `=` or `:` of a bare word, and ends an open quote behind a single answer: what is open
    in quotes is therefore answered by what may follow it.
    """
    last = typed[-1]
    words = [t.text for t in typed[1:]]
    found = answer(words, quoted=bool(last.quote))
    if last.quote and len(found) == 1 and found[0].open and not found[0].text.endswith("/"):
        found = answer([*words[:-1], found[0].text], quoted=True) or found
    kept = last.raw[: len(last.raw) - len(replaced)] if last.raw.endswith(replaced) else ""
    before = word(kept).text
    texts = [
        c.text[len(before) :]
        for c in found
        if c.text[: len(before)].casefold() == before.casefold()
    ]
    opens = "open" if all(c.open for c in found) else "shut"
    quotes = " quote" if last.quote or any(needs_quotes(t) for t in texts) else ""
    return [opens + quotes, *texts]
