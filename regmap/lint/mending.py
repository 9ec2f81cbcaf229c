"""What `--patch` and SARIF put right in a header: those fixes that make something better and nothing worse.

done = put_right(chip, text, "driver_regs.h", opener)
done.texts             each file's text with what is known to be wrong put right
done.after             what is found in them then
done.fixes             what was changed, by the places of the texts as they were
done.fixes_of(problem) those of them that put this finding right
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Mapping

from regmap.record import dataclass, replace

from ..chip.model import Chip
from ..errors import Problem
from .account import Lint
from .fixes import Fix, patched
from .header import lint
from .preprocess import Opener

MOST_TRIED = 40  # fixes that are tried one by one


@dataclass(frozen=True, slots=True, kw_only=True)
class PutRight:
    """The texts put right and what is found in them then; `fixes` stand for places of the texts as they were."""

    texts: Mapping[str, str]
    before: Lint
    after: Lint
    fixes: tuple[Fix, ...]

    def fixes_of(self, problem: Problem) -> tuple[Fix, ...]:
        """What puts a finding of `before` right; nothing where it is left.

        That is the fix at its place; or else those of the definitions that its line names, or all: what follows from
        another number is right when that is.
        """
        if _key(problem) in {_key(p) for p in self.after.problems}:
            return ()
        place = problem.place
        own = [f for f in self.fixes if (f.file, f.line, f.column) == (place.file, place.line, place.column)]  # fmt: skip
        if own:
            return tuple(own)
        named = set(re.findall(r"\w+", place.text)) - {problem.path}
        return tuple(f for f in self.fixes if f.name in named) or self.fixes


def _key(problem: Problem) -> tuple[str, int, str, str]:
    return problem.place.file, problem.place.line, problem.path, problem.expected


def put_right(
    chip: Chip,
    text: str,
    name: str,
    opener: Opener | None = None,
    given: Mapping[str, str] | None = None,
    model: str = "",
) -> PutRight:
    """What is known to be wrong put right, with the arguments of `lint`.

    Numbers that stand in the files first: what is worked out from one of them is then right by itself.
    """
    originals = {name: text}
    accepted: tuple[Fix, ...] = ()

    def checked(fixes: tuple[Fix, ...]) -> Lint:
        def opened(of: str, told: str) -> tuple[str, str] | None:
            found = opener(of, told) if opener is not None else None
            if found is None:
                return None
            return found[0], _patched(found[0], originals.setdefault(*found), fixes)

        return lint(chip, _patched(name, text, fixes), name, opened, given, model)

    before = result = checked(())
    for literal in (True, False):
        told = (_before(f, accepted) for f in result.fixes if f.literal or not literal)
        fixes = [f for f in told if f is not None]
        if not fixes:
            continue
        every = _joined(accepted, fixes)
        after = checked(every)
        if not _worse(result, after):
            accepted, result = every, after
            continue
        # some of them are not what they seem: one by one, and only what makes something better
        for fix in fixes[:MOST_TRIED]:
            more = _joined(accepted, [fix])
            tried = checked(more)
            if not _worse(result, tried) and len(tried.problems) < len(result.problems):
                accepted, result = more, tried
    texts = {file: _patched(file, old, accepted) for file, old in originals.items()}
    return PutRight(texts=texts, before=before, after=result, fixes=accepted)


def _patched(file: str, text: str, fixes: Iterable[Fix]) -> str:
    return patched(text, [f for f in fixes if f.file == file])


def _where(fix: Fix) -> tuple[str, int, int]:
    return fix.file, fix.line, fix.column


def _joined(accepted: Iterable[Fix], more: Iterable[Fix]) -> tuple[Fix, ...]:
    """Both, one for each place: of those accepted and one more the one more, of several more the first."""
    new: dict[tuple[str, int, int], Fix] = {}
    for fix in more:
        new.setdefault(_where(fix), fix)
    found = {_where(f): f for f in accepted} | new
    return tuple(f for f in found.values() if f.old != f.new)


def _before(fix: Fix, accepted: Iterable[Fix]) -> Fix | None:
    """A fix of a text with those accepted, by its place in the text as it was; None where it cuts into one of them."""
    shift = 0
    same_line = [f for f in accepted if (f.file, f.line) == (fix.file, fix.line)]
    for other in sorted(same_line, key=lambda f: f.column):
        at = other.column + shift
        if fix.column + len(fix.old) <= at:
            break
        if (at, other.new) == (fix.column, fix.old):
            return replace(fix, column=other.column, old=other.old)
        if fix.column < at + len(other.new):
            return None
        shift += len(other.new) - len(other.old)
    return replace(fix, column=fix.column - shift)


def _worse(before: Lint, after: Lint) -> bool:
    """Whether something is found that was not, or less is compared."""
    known = Counter(p.path for p in before.problems)
    new = Counter(p.path for p in after.problems) - known
    return bool(new) or after.read < before.read
