"""Identifiers from names in maps: legal, recognisable, never two things under one name.

Every identifier is asked for with what it stands for. Where two things would get the same
identifier none of them keeps it: both get a tail computed from their own full name, and a note
says so. The tail does not depend on order, so a register added later can break a build, which is
seen, but cannot quietly take over another one's name.
"""

from __future__ import annotations

import re
from functools import lru_cache

from ..digest import hashed
from ..errors import CallError
from .text import comment, plain

#: C99 promises 63 significant characters of an internal identifier (5.2.4.1).
LONGEST = 63

_C = """auto break case char const continue default do double else enum extern float for goto if inline
int long register restrict return short signed sizeof static struct switch typedef union unsigned void
volatile while _Bool _Complex _Imaginary _Alignas _Alignof _Atomic _Generic _Noreturn _Static_assert
_Thread_local alignas alignof bool constexpr false nullptr static_assert thread_local true typeof
typeof_unqual asm fortran"""
_CPP = """and and_eq bitand bitor catch char16_t char32_t char8_t class co_await co_return co_yield
compl concept consteval constinit const_cast decltype delete dynamic_cast explicit export final friend
import module mutable namespace new noexcept not not_eq operator or or_eq override private protected
public reinterpret_cast requires static_cast template this throw try typeid typename using virtual
wchar_t xor xor_eq"""
_COMMON = """NULL EOF errno assert offsetof linux unix i386 arm avr interrupt near far huge main
stdin stdout stderr min max abs"""

#: Words that cannot, or had better not, stand alone as an identifier: C11, C23, C++, usual macros.
KEYWORDS = frozenset(f"{_C} {_CPP} {_COMMON}".split())

# Prefixes whose macros or functions the C standard keeps for itself (C11 7.31, 7.20, 7.8, 7.5, 7.14).
_RESERVED_PREFIX = re.compile(
    r"(?:u?int(?:8|16|32|64|ptr|max)?|uint|int|e|sig|lc|pri|scn|str|mem|wcs|atomic|memory|cnd|mtx|thrd|tss|fe|math|fp|to|is)"
)
_PLAIN_WORD = re.compile(r"[A-Za-z0-9]+(?:_[A-Za-z0-9]+)*")
_PREFIX = re.compile(r"[A-Za-z][A-Za-z0-9]*(?:_[A-Za-z0-9]+)*")


@lru_cache(maxsize=8192)
def word(text: str, *, keep_case: bool = False) -> str:
    """A piece of an identifier: letters, digits and single underscores; capitals unless `keep_case`.

    A sign before a number becomes `minus` or `plus`, a letter outside ASCII its code point, so that
    no two names meet that were different, and every other stranger an underscore. May be empty, and
    may start with a digit: it is meant to follow a prefix.
    """
    if _PLAIN_WORD.fullmatch(text):
        return text if keep_case else text.upper()
    text = plain(text).replace("%", "percent")
    if text[:1] == "-" and text[1:2].isdigit():
        text = "minus" + text[1:]
    elif text[:1] == "+" and text[1:2].isdigit():
        text = "plus" + text[1:]
    if not text.isascii():
        text = "".join(c if c.isascii() else f"_U{ord(c):04X}_" for c in text)
    text = re.sub(r"[^A-Za-z0-9]+", "_", text).strip("_")
    return text if keep_case else text.upper()


def member(text: str) -> str:
    """A name that stands alone: a structure member or a parameter; lower case, no keyword."""
    name = word(text).lower() or "part"
    if name[0].isdigit():
        name = f"n{name}"
    return f"{name}_" if name in KEYWORDS else name


def check_prefix(prefix: str) -> str:
    """The prefix without trailing underscores. Raises CallError where C could not bear it."""
    bare = prefix.rstrip("_")
    if not _PREFIX.fullmatch(bare) or len(bare) > 24:
        raise CallError(
            f"the prefix {prefix[:40]!r} cannot start a C identifier",
            "1 to 24 letters, digits and single underscores, a letter first",
        )
    if _RESERVED_PREFIX.fullmatch(bare.lower()) or bare.lower() in {k.lower() for k in KEYWORDS}:
        raise CallError(
            f"the prefix {bare!r} belongs to the C language or its library",
            f"another, such as {bare}_drv",
        )
    return bare


def default_prefix(name: str) -> str:
    """A prefix from the name of a chip or stage."""
    text = re.sub(r"_+", "_", word(name)).lower()[:24].strip("_")
    if not text or text[0].isdigit():
        text = f"chip_{text}"[:24].strip("_")
    try:
        return check_prefix(text)
    except CallError:
        return check_prefix(f"{text[:20]}_drv")


class Namer:
    """Hands out identifiers and watches for clashes.

    `clashes` are the identifiers that an earlier pass saw wanted twice; in this pass everything
    that came from a map and wants one of them gets its tail. `notes` tells what was changed, `spellings` those
    of them that tell how something is called in C.
    """

    def __init__(self, prefix: str, clashes: frozenset[str] = frozenset()) -> None:
        self.prefix = prefix
        self.macro_prefix = prefix.upper()
        self.lower_prefix = prefix.lower()
        self.clashes = clashes
        self.notes: list[str] = []
        self.spellings: set[str] = set()
        self._owner: dict[str, str] = {}
        self._wanted_twice: set[str] = set()

    @property
    def wanted_twice(self) -> frozenset[str]:
        return frozenset(self._wanted_twice)

    def macro(self, *pieces: str, of: str = "") -> str:
        """A macro: capitals except where a piece keeps its case (units in values)."""
        # thousands of names are asked for, and nearly all of them are nobody else's: no further call for those
        pieces = (self.macro_prefix, *pieces)
        wanted = "_".join(filter(None, pieces) if "" in pieces else pieces)
        if self._owner.setdefault(wanted, of) == of and not self.clashes and len(wanted) <= LONGEST:
            return wanted
        return self._take(wanted, of)

    def lower(self, *pieces: str, of: str = "") -> str:
        """A function, type or object: lower case."""
        pieces = (self.lower_prefix, *pieces)
        wanted = "_".join(filter(None, pieces) if "" in pieces else pieces).lower()
        if self._owner.setdefault(wanted, of) == of and not self.clashes and len(wanted) <= LONGEST:
            return wanted
        return self._take(wanted, of)

    def member(self, text: str, taken: set[str]) -> str:
        """A structure member or parameter, unique within `taken`, which it joins."""
        name = member(text)
        if name.rstrip("_") != text.lower():
            self.note(f"part '{text}' is called {name}", spelling=True)
        unique, index = name, 2
        while unique in taken:
            unique, index = f"{name}_{index}", index + 1
        if unique != name:
            self.note(
                f"part '{text}' is called {unique}, because {name} is another one", spelling=True
            )
        taken.add(unique)
        return unique

    def note(self, text: str, *, spelling: bool = False) -> None:
        text = comment(text)
        if spelling:
            self.spellings.add(text)
        if text not in self.notes:
            self.notes.append(text)

    def _take(self, wanted: str, of: str) -> str:
        owner = self._owner.setdefault(wanted, of)
        if owner != of:
            self._wanted_twice.add(wanted)
        name = wanted
        if len(name) <= LONGEST and name not in self.clashes:
            return name
        if of and wanted in self.clashes:
            name = f"{wanted[: LONGEST - 9]}_{_tail(of)}"
            self.note(
                f"{of} is called {name}, because {wanted} would be several things", spelling=True
            )
        elif len(name) > LONGEST:
            name = f"{wanted[: LONGEST - 9]}_{_tail(wanted)}"
            self.note(
                f"{of or wanted} is called {name}, because {wanted} is longer than {LONGEST} characters",
                spelling=True,
            )
        return name


def _tail(text: str) -> str:
    return hashed(text)[:8].upper()
