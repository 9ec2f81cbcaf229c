"""Words that do not fit: the explanations that are tested against both lines, and what is said of them.

An explanation counts where it makes (nearly) all frames of a line fit that do not fit as they are, clearly more
than chance does, and where nothing that fits as it is speaks against it. Where two explain the same, both
are told with what would decide.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from regmap.capture.arrays import Values
from regmap.capture.spi import BitOrder
from regmap.chip.bank import Bank
from regmap.chip.model import Layout
from regmap.frames.words import inspect
from regmap.record import replace

from ..tracer import Trace
from .checkbits import wrong_check_bits
from .replies import Mistake, Shares
from .ways import CLEARLY, ENOUGH, RANDOM_WORDS, Fit, Way, WayReader, of_bits

#: A line of which so many frames fit is the right line, read the right way, and disturbed.
MOSTLY = 0.4
#: Share of words at random that may fit where one word alone is to prove something.
SELDOM = 0.02
#: what tells two explanations apart that fit the words alike
DECIDES = "which it is, the edges of clock and data decide, or a register of known content"
#: no sample of words at random shows less
LEAST_CHANCE = 1 / RANDOM_WORDS


def words_read(
    trace: Trace,
    reader: WayReader,
    command: list[Fit],
    reply: list[Fit],
    found: Shares,
    *,
    quiet: bool = False,
) -> list[Mistake]:
    """What is wrong where commands or replies do not fit as they are; `quiet`: replies died, as told."""
    chances = {role: reader.chance(role) for role in ("command", "reply")}
    now = {"command": _now(reader, command), "reply": _now(reader, reply)}
    fits = {role: now[role].share >= ENOUGH for role in now}
    swapped = _swapped(reader, now, found)
    if swapped is not None:
        return [swapped]
    best = {
        role: _best(reader, ranked, now[role], chances[role], fits)
        for role, ranked in (("command", command), ("reply", reply))
    }
    mistakes: list[Mistake] = []
    if best["command"] is not None:
        mistakes = [_command(reader, best["command"], now, command)]
        rival = _guards(trace, reader, "command", explained=True)
        if rival:
            mistakes = [_rivals(mistakes[0], best["command"], rival[0])]
    elif not fits["command"] or found.command < ENOUGH:
        mistakes += _guards(trace, reader, "command")
    if not mistakes and best["reply"] is not None:
        mistakes = [_reply(reader, best["reply"], now, reply)]
    if not mistakes and found.replies and found.reply < ENOUGH:
        mistakes += _guards(trace, reader, "reply")
    return mistakes or _disturbed(found, chances, quiet=quiet)


def _rivals(way: Mistake, fit: Fit, guards: Mistake) -> Mistake:
    """Another way of reading, and other check bits that explain every frame as it stands: both told, the better first."""
    # what explains every frame without moving a bit stands before what explains most of them
    first, second = (way, guards) if fit.good == fit.of else (guards, way)
    text = f"{first.text}; or {second.text}: {DECIDES}"
    also = (*first.also, *(n for n in (second.name, *second.also) if n != first.name))
    return replace(first, text=text, also=tuple(dict.fromkeys(also)))


def _swapped(reader: WayReader, now: dict[str, Fit], found: Shares) -> Mistake | None:
    """Each line read as the other, where both fit so and they do not as they are."""
    if now["command"].share > 1 - CLEARLY and found.reply >= ENOUGH:
        return None
    there = reader.fit("command", replace(reader.usual["command"], line="reply"))
    back = reader.fit("reply", replace(reader.usual["reply"], line="command"))
    if min(there.share, back.share) < ENOUGH or there.different < 2:
        return None
    as_is = now["command"].share + (min(now["reply"].share, found.reply) if found.replies else 0)
    if there.share + back.share < as_is + CLEARLY:
        return None
    text = f"SDI and SDO are swapped: read the other way round, {there.good} of {there.of} commands and {back.good} of {back.of} replies fit"
    return Mistake(name="data_swapped", text=text)


def _now(reader: WayReader, ranked: list[Fit]) -> Fit:
    usual = reader.usual[ranked[0].role]
    return next(f for f in ranked if f.way.distance(usual) == 0)


def _best(
    reader: WayReader, ranked: list[Fit], now: Fit, chance: float, fits: dict[str, bool]
) -> Fit | None:
    """The way of reading that explains this line, None where as it is is as good, or nothing does."""
    role = now.role
    usual = reader.usual[role]
    other = "reply" if role == "command" else "command"
    for fit in ranked:
        if fit.share < ENOUGH or fit.of < 2:
            return None
        if fit.different < 3:
            # one word or two, however often they come, may fit one of so many ways by chance
            tried = sum(f.way.distance(usual) <= fit.way.distance(usual) for f in ranked)
            if tried * max(chance, LEAST_CHANCE) ** max(fit.different, 1) > SELDOM:
                continue
        if fit.way.distance(usual) == 0:
            return None
        if fit.share < now.share + CLEARLY or fit.share < chance + CLEARLY:
            continue
        # sound words on the other line refute another line and another edge
        if fits[other] and (fit.way.line != usual.line or fit.way.rising != usual.rising):
            continue
        return fit
    return None


def _command(reader: WayReader, best: Fit, now: dict[str, Fit], ranked: Sequence[Fit]) -> Mistake:
    usual = reader.usual["command"]
    way = best.way
    counts = f"{best.good} of {best.of} commands fit"
    same = reader.fit("reply", _same(way, reader))
    if now["reply"].share >= ENOUGH:
        counts += f", and {now['reply'].good} of {now['reply'].of} replies as they are"
    elif same.share >= ENOUGH:
        counts += f" and {same.good} of {same.of} replies"
    if way.line != usual.line:
        back = reader.fit("reply", replace(reader.usual["reply"], line="command"))
        if back.share >= ENOUGH:
            counts += f" and {back.good} of {back.of} replies from the other"
        text = f"SDI and SDO are swapped: read from SDO, {counts}"
        return Mistake(name="data_swapped", text=text)
    who = _whose(now["reply"].share >= ENOUGH, same.share >= ENOUGH)
    also, names = _also(reader, best, ranked)
    if way.bytes_turned:
        what = (
            "wrong bit order within each byte"
            if way.order != usual.order
            else "wrong byte order: the last byte comes first"
        )
        return Mistake(name="bytes", text=f"{what}{who}: read so, {counts}{also}", also=names)
    if way.order != usual.order:
        order = "least" if way.order == "lsb" else "most"
        text = f"wrong bit order{who}: with the {order} significant bit first {counts}{also}"
        return Mistake(name="order", text=text, also=names)
    if way.rising != usual.rising:
        mode = {0: 1, 1: 0, 2: 3, 3: 2}[reader.setup.mode]
        edge = "rising" if way.rising else "falling"
        text = f"wrong SPI mode: sampled at the {edge} clock edge (mode {mode}) {counts}{also}"
        return Mistake(name="mode", text=text, also=names)
    if way.inverted:
        text = f"SDI is inverted: turned round, {counts}{also}"
        return Mistake(name="inverted", text=text, also=names)
    text = f"the command comes {_clocks(way)}: shifted back, {counts}{also}"
    return Mistake(name="shift", text=text, also=names)


def _reply(reader: WayReader, best: Fit, now: dict[str, Fit], ranked: Sequence[Fit]) -> Mistake:
    usual, way = reader.usual["reply"], best.way
    counts = f"{best.good} of {best.of} replies fit"
    if now["command"].share >= ENOUGH:
        counts += f", and {now['command'].good} of {now['command'].of} commands as they are"
    also, names = _also(reader, best, ranked)
    if way.line != usual.line:
        back = reader.fit("command", replace(reader.usual["command"], line="reply"))
        if back.share >= ENOUGH:
            text = f"SDI and SDO are swapped: read the other way round, {back.good} of {back.of} commands and {best.good} of {best.of} replies fit"
            return Mistake(name="data_swapped", text=text)
        text = f"the replies stand on SDI: {counts}"
        return Mistake(name="data_swapped", text=text)
    if way.bytes_turned:
        return Mistake(
            name="bytes", text=f"replies come in another byte order: {counts}{also}", also=names
        )
    if way.inverted and not way.shift:
        text = f"SDO is inverted: turned round, {counts}{also}"
        return Mistake(name="inverted", text=text, also=names)
    if way.order != usual.order:
        return Mistake(
            name="order", text=f"replies fit only {way.text(usual)} ({counts}){also}", also=names
        )
    if way.rising != usual.rising and not way.shift:
        return Mistake(
            name="mode", text=f"replies fit only {way.text(usual)} ({counts}){also}", also=names
        )
    text = (
        f"replies come {way.text(usual)}: shifted back, {counts}; the controller samples on the wrong "
        f"clock edge (SPI mode), or SDO is delayed: the time from the clock edge to the change "
        f"of SDO decides{also}"
    )
    return Mistake(name="shift", text=text, also=names)


def _same(way: Way, reader: WayReader) -> Way:
    """The reply line read with the same change as the command line."""
    usual = reader.usual["reply"]
    own = reader.usual["command"]
    return replace(
        usual,
        rising=usual.rising if way.rising == own.rising else not usual.rising,
        shift=way.shift,
        order=way.order,
        inverted=way.inverted,
        bytes_turned=way.bytes_turned,
    )


def _whose(as_is: bool, same: bool) -> str:
    """Who is wrong, as far as the replies tell."""
    if as_is:
        return " in what the controller sends"
    return " of the whole SPI, or of the set-up of this capture" if same else ""


def _clocks(way: Way) -> str:
    many = "one clock" if abs(way.shift) == 1 else f"{abs(way.shift)} clocks"
    return f"{many} {'late' if way.shift > 0 else 'early'}"


def _also(reader: WayReader, best: Fit, ranked: Sequence[Fit]) -> tuple[str, tuple[str, ...]]:
    """Other readings of the same line that explain as much: told, and by name."""
    usual = reader.usual[best.role]
    found: dict[str, str] = {}
    for fit in ranked:
        name = _name(fit.way, usual)
        alike = fit.share >= ENOUGH and fit.way.line == best.way.line
        if alike and fit.way.distance(usual) <= best.way.distance(usual) + 1 and name:
            found.setdefault(name, fit.way.text(usual))
    found.pop(_name(best.way, usual), None)
    if not found:
        return "", ()
    others = ", or ".join(list(found.values())[:2])
    text = f"; read {others} as many fit: {DECIDES}"
    return text, tuple(found)


def _name(way: Way, usual: Way) -> str:
    """What a way of reading a line is called as a finding."""
    if way.line != usual.line:
        return "data_swapped"
    if way.bytes_turned:
        return "bytes"
    if way.order != usual.order:
        return "order"
    if way.shift:
        return "shift"
    if way.rising != usual.rising:
        return "mode"
    return "inverted" if way.inverted else ""


# --- check bits ---------------------------------------------------------------------------------------
def _guards(
    trace: Trace, reader: WayReader, role: str, *, explained: bool = False
) -> list[Mistake]:
    """Frames that fit but for their check bits; `explained`: only where other check bits explain them all."""
    if reader.chain is not None:
        return []
    rows = _rows(reader, role)
    for chip in trace.chips[:1]:
        for frame in chip.frames.values():
            layouts = [frame.command] if role == "command" else [*frame.replies.values()]
            words = _whole(rows, frame.bursts, reader) or _whole(rows, (frame.length,), reader)
            for layout in layouts:
                found = _only_guards(trace, chip.name, role, layout, words, sure=explained)
                if found is not None:
                    return [found]
    return []


def _whole(rows: Sequence[Values], pattern: Sequence[int], reader: WayReader) -> list[int]:
    """The words of all runs of rows with this pattern of lengths, without unknown bits."""
    words = []
    at = 0
    lsb = reader.setup.bit_order == "lsb"
    while at + len(pattern) <= len(rows):
        some = rows[at : at + len(pattern)]
        if tuple(map(len, some)) != tuple(pattern):
            at += 1
            continue
        at += len(pattern)
        bits = np.concatenate([r[::-1] if lsb else r for r in some])
        if (bits < 2).all():
            words.append(int("".join(map(str, bits.tolist())), 2))
    return words


def _only_guards(
    trace: Trace, name: str, role: str, layout: Layout, words: list[int], *, sure: bool
) -> Mistake | None:
    flat = {0, (1 << layout.length) - 1}
    some = [w for w in words if w not in flat]
    if len(some) < 3 or len(set(some)) < 3:
        return None
    flaws = [inspect(layout, w) for w in some]
    fixed = [p for p in layout.parts if p.kind in ("fixed", "operation", "chip")]
    if any(f.kind != "check_bits" for found in flaws for f in found):
        if sure:
            return None
        clean = sum(all(f.kind == "check_bits" for f in found) for found in flaws)
        if clean < ENOUGH * len(some):
            return None
    if role == "command" and not _known(trace, some):
        return None
    wrong = wrong_check_bits(layout, some)
    if not wrong:
        return None
    what = "commands" if role == "command" else "replies"
    who = (
        "the controller computes them otherwise than the map"
        if role == "command"
        else "the chip, or its revision, computes them otherwise than the map"
    )
    said = "; ".join(w.text for w in wrong)
    bad = sum(bool(f) for f in flaws)
    explained = all(w.readings for w in wrong)
    if sure and not explained:
        return None
    if not explained and (bad < ENOUGH * len(some) or (not fixed and role == "reply")):
        return None
    text = (
        f"{bad} of {len(some)} different {what} fit {name} but for their check bits ({said}): {who}"
    )
    return Mistake(name="check_bits", text=text)


def _known(trace: Trace, words: list[int]) -> bool:
    """Whether nearly all of these words, but for check bits, ask for something that the map has."""
    walker = trace.walkers[0]
    codec = walker.log.judge.codec
    bank = Bank(walker.chip)
    good = 0
    for word in words:
        sent = codec.decode_command(word, bank)
        named = sent.command is not None or any(
            r.address == sent.address for r in walker.chip.registers.values()
        )
        quiet = True
        if sent.kind == "read" and sent.register is not None:
            part = sent.frame.command.of_kind("data")
            quiet = part is None or sent.parts.get(part.name) == part.value
        good += named and quiet and all(f.kind == "check_bits" for f in sent.flaws)
    return good >= ENOUGH * len(words)


# --- frames cut otherwise -----------------------------------------------------------------------------
def reframed(reader: WayReader, clocks: int, wanted: Sequence[int]) -> str:
    """How frames of another number of clocks hold the words of the map, "" where they do not."""
    t = reader.transfers
    if t is None:
        return ""
    rows = [r for r in _rows(reader, "command") if len(r) == clocks]
    replies = [r for r in _rows(reader, "reply") if len(r) == clocks]
    for length in wanted:
        if clocks > length and clocks % length == 0:
            many = clocks // length
            whole = [r[i : i + length] for r in rows for i in range(0, clocks, length)]
            both = _score(reader, whole, "command")
            if both:
                return f"{many} frames in one select: cut apart, {both} commands fit (frames merged, or a chain of {many} chips: then give the map {many} times)"
        if clocks > length:
            for skip in (0, clocks - length, *range(1, clocks - length)):
                counts = _score(reader, [r[skip : skip + length] for r in rows], "command")
                if counts:
                    back = _score(reader, [r[skip : skip + length] for r in replies], "reply")
                    tail = f" and {back} replies" if back else ""
                    where = "first" if skip == 0 else "last" if skip == clocks - length else ""
                    place = f"the {where} {length}" if where else f"{length} from clock {skip}"
                    return f"the word of {length} bits is in {place} of {clocks} clocks: cut so, {counts} commands{tail} fit"
        elif length % clocks == 0:
            many = length // clocks
            for start in range(many):
                joined = [
                    np.concatenate(rows[i : i + many])
                    for i in range(start, len(rows) - many + 1, many)
                ]
                counts = _score(reader, joined, "command")
                if counts:
                    return f"select rises inside the frame: {many} selects joined, {counts} commands fit"
    return ""


def _rows(reader: WayReader, line: str) -> list[Values]:
    t = reader.transfers
    if t is None:
        return []
    values = t.command_values if line == "command" else t.reply_values
    if not len(values):
        return []
    return [values[f : f + c] for f, c in zip(t.first.tolist(), t.clocks.tolist(), strict=True)]


def _score(reader: WayReader, rows: Sequence[Values], role: str) -> str:
    """ "12 of 12" where these rows fit, else ""."""
    if len(rows) < 2 or reader.transfers is None:
        return ""
    order: BitOrder = reader.setup.bit_order
    whole = replace(of_bits(reader.transfers, rows, role), setup=replace(reader.transfers.setup, bit_order=order))  # fmt: skip
    fit = WayReader(whole, reader.setup, reader.chips, None).score(role, whole, reader.usual[role])
    return f"{fit.good} of {fit.of}" if fit.share >= ENOUGH else ""


# --- disturbances ------------------------------------------------------------------
def _disturbed(found: Shares, chances: dict[str, float], *, quiet: bool) -> list[Mistake]:
    """Most frames of a line fit, the others are scattered: disturbances at a rate."""
    out = []
    for role, good, of in (
        ("command", found.commands, found.frames),
        ("reply", found.believed, found.replies),
    ):
        if quiet and role == "reply":
            continue
        share = good / of if of else 1.0
        if share >= ENOUGH or share < max(MOSTLY, chances[role] + CLEARLY / 2):
            continue
        what = "commands" if role == "command" else "replies"
        text = f"{of - good} of {of} {what} do not fit and the others do: about one in {max(1, round(of / max(1, of - good)))} is disturbed (glitches, slow edges, noise on the lines)"
        out.append(Mistake(name="glitch", grave=False, text=text))
    return out
