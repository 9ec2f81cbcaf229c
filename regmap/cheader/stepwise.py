"""What routines that go a call a tick have in common, whether a chip is alone or one of a chain.

kept_twice     a status word, of the first and of the second time
status_next    what follows when one time is over
restart_next   what follows when a table of a restart is over
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from .clearing import FORGET_RESET, NAME
from .sheet import Sheet
from .text import count

#: where the beginning of a bring-up alone takes the flag of a reset down
STANDS = "the flag of a reset may stand since power-up: it is taken down, and all read back"


def status_members(*, lenient: bool) -> list[str]:
    """Of the structure of a status read, beside what is read and where it stands."""
    return [
        "    uint8_t pass;       /* 0: the first time, 1: again */",
        "    bool same;          /* both times said the same */",
        *(["    bool proven;        /* no flag told of a rejected frame */"] if lenient else []),
    ]


def status_first(*, lenient: bool) -> list[str]:
    """Statements that begin it."""
    return [
        "job->pass = 0U;",
        "job->same = true;",
        *(["job->proven = true;"] if lenient else []),
    ]


def kept_twice(place: str, got: str, step: str, wide: str, data: str) -> list[str]:
    """Statements that keep a status word at `place`, of the first and the second time that it was read.

    What both say is kept; `same` falls where they differ in bits that reading does not erase, or where
    one that reading erases came anew. `step` leads to the step's members.
    """
    return [
        "if (job->pass == 0U) {",
        f"    {place} = {got};",
        "} else {",
        f"    const {wide} first = ({wide}){place} & {step}mask;",
        f"    const {wide} again = ({wide}){got} & {step}mask;",
        f"    const {wide} erased = {step}expect;",
        f"    if ((((first ^ again) & ({step}mask ^ erased)) != 0U) || ((again & erased & (first ^ again)) != 0U)) {{",
        "        job->same = false;",
        "    }",
        f"    {place} = ({data})(({wide}){place} | again);",
        "}",
    ]


def status_next(
    sheet: Sheet, trusted: Sequence[str], again: Sequence[str], *, lenient: bool
) -> list[str]:
    """Statements after a tick: where one time is over, the second begins, or the result is that of both.

    `trusted` are those that let `proven` fall where a flag told of a rejected frame, `again` those that begin the table.
    """
    ok, busy, rejected, changed = (
        sheet.names.macro("RUN", n) for n in ("OK", "BUSY", "REJECTED", "CHANGED")
    )
    over, lost = f"result == {ok}", []
    if sheet.reset_told:
        # read twice all the same
        reset = sheet.names.macro("RUN", "RESET")
        over = f"({over}) || (result == {reset})"
        lost = [
            f"    }} else if (result == {reset}) {{",
            "        /* the chip was reset: its words are kept */",
        ]
    return [
        f"if ({over}) {{",
        *(f"    {line}" for line in trusted if lenient),
        "    if (job->pass == 0U) {",
        *(f"        {line}" for line in again),
        "        job->pass = 1U;",
        f"        result = {busy};",
        *lost,
        *(["    } else if (!job->proven) {", f"        result = {rejected};"] if lenient else []),
        "    } else if (!job->same) {",
        f"        result = {changed};",
        "    } else {",
        "        /* both times the same */",
        "    }",
        "}",
    ]


def restart_next(
    sheet: Sheet,
    begin: Callable[[str], list[str]],
    again: str,
    *,
    late: str,
    clears: bool,
    trusting: Sequence[str],
    later: Sequence[str],
) -> list[str]:
    """Statements after a tick of a restart.

    Phases: 0 in step, 1 clear, 2 in step again, 3 warm, 4 clear as after power-up, 5 init but for its beginning, 6 all of init,
    7 the flag of a reset taken down.
    `begin` gives the statements that begin a table by its name, `again` is the one that forgets what is known of the chip,
    `late` the table that clears as after power-up, `trusting` make it go on while a flag tells of a rejected frame, `later`
    pass over the beginning of init.
    """
    macro = sheet.names.macro
    ok, busy, wait, rejected = (macro("RUN", n) for n in ("OK", "BUSY", "WAIT", "REJECTED"))

    def table(name: str, phase: int, more: Sequence[str] = ()) -> list[str]:
        return [*begin(name), *more, f"job->phase = {count(phase)};", f"result = {busy};"]

    next_: list[tuple[str, Sequence[str]]] = []
    if clears:
        next_ += [
            (
                f"(job->phase == 0U) && ((result == {ok}) || (result == {rejected}))",
                table(NAME, 1, trusting),
            ),
            (
                f"(job->phase == 1U) && (result == {ok})",
                ["job->rounds = 0U;", "job->phase = 2U;", f"result = {busy};"],
            ),
        ]
    next_.append((f"(job->phase < 3U) && (result == {ok})", table("warm", 3)))
    # whatever clearing came to, what follows sees whether the flag is down
    done = f"(job->phase != 4U) && (result == {ok})" if clears else f"result == {ok}"
    next_.append((done, ["/* done */"]))
    never = (
        "/* never brought as far; what only a chip after power-up shows is not looked for again */"
    )
    if clears:
        next_ += [
            ("job->phase < 4U", [never, again, *table(late, 4, trusting)]),
            ("job->phase == 4U", table("init", 5, later)),
        ]
    else:
        next_.append(("job->phase < 4U", [never, again, *table("init", 5, later)]))
    if sheet.after_power_up:
        reset = ["/* or it was reset meanwhile */", again, *table("init", 6)]
        next_.append(("job->phase == 5U", reset))
    chain: list[str] = []
    if FORGET_RESET in sheet.tables:
        lost = macro("RUN", "RESET")
        stands = f"((job->phase == 3U) || (job->phase == 5U)) && (result == {lost})"
        next_.insert(0, (stands, [f"/* {STANDS} */", *table(FORGET_RESET, 7)]))
    for condition, lines in next_:
        chain += [f"{'} else ' if chain else ''}if ({condition}) {{", *(f"    {x}" for x in lines)]
    chain += ["} else {", "    /* it has failed */", "}"]
    return [
        f"if ((result != {busy}) && (result != {wait})) {{",
        *(f"    {line}" for line in chain),
        "}",
    ]


def until_done(tick: str, pause: str, busy: str, wait: str) -> list[str]:
    """Statements that call `tick` until there is a result, and `pause` where it is WAIT."""
    return [
        f"result = {busy};",
        f"while ((result == {busy}) || (result == {wait})) {{",
        f"    result = {tick};",
        f"    if (result == {wait}) {{",
        f"        {pause};",
        "    }",
        "}",
    ]
