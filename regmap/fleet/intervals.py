"""Logged register words to intervals of faults, vectorised: runs of equal words, edges, episodes, causes.

Nothing goes row by row: words are compressed to runs, faults are looked for in the runs, and of episodes that are
alike (the same faults in the same order under the same settings) one is explained, by `behaviour.faults.explain`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
import numpy.typing as npt

from regmap.behaviour.faults import dead_words, status_registers
from regmap.chip.bank import Bank, registers_of
from regmap.chip.bits import deposit, mask_of
from regmap.chip.model import Chip, Fault
from regmap.frames.bulk import extract
from regmap.record import dataclass
from regmap.trace.telling.story import explained

from .captured import roles_of, words_text

Places = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]
Numbers = npt.NDArray[np.uint64]

NEVER = np.int64(-(1 << 62))
#: episodes that are compared with each other at once
_AT_ONCE = 1 << 16
ROLES = ("first cause", "follow-on", "sum", "normal")


@dataclass(slots=True)
class LoggedWords:
    """Rows of a log as arrays: number of the unit, instant in ns, words of registers and where there are any.

    `reset` marks rows before which the chip was reset, `file` is a number that says where a row comes from.
    """

    unit: Places
    time: Places
    words: dict[str, Numbers]
    valid: dict[str, Flags]
    reset: Flags
    file: Places

    def __len__(self) -> int:
        return len(self.time)

    def take(self, places: Places) -> LoggedWords:
        """These rows, in this order."""
        return LoggedWords(
            self.unit[places],
            self.time[places],
            {n: w[places] for n, w in self.words.items()},
            {n: v[places] for n, v in self.valid.items()},
            self.reset[places],
            self.file[places],
        )


def ordered(log: LoggedWords) -> LoggedWords:
    """The rows by unit and time; of one instant by what they say, so that no order of arrival counts."""
    unit, time = log.unit, log.time
    later = (unit[1:] > unit[:-1]) | ((unit[1:] == unit[:-1]) & (time[1:] > time[:-1]))
    if later.all():
        return log
    order = np.lexsort((time, unit))
    sorted_unit, sorted_time = unit[order], time[order]
    if ((sorted_unit[1:] == sorted_unit[:-1]) & (sorted_time[1:] == sorted_time[:-1])).any():
        keys: list[npt.NDArray[np.generic]] = [log.file]
        for name in log.words:
            keys += [log.words[name], log.valid[name]]
        order = np.lexsort((*keys, ~log.reset, time, unit))
    return log.take(order)


def doubt(chip: Chip, log: LoggedWords) -> Flags:
    """Rows whose status words come from no living chip (`dead_words`): all ones, or zeros that cannot be."""
    status = [n for n in status_registers(chip) if n in log.words]
    bad = np.zeros(len(log), np.bool_)
    if not status:
        return bad
    there = np.zeros(len(log), np.int64)
    ones, zeros = np.ones(len(log), np.bool_), np.ones(len(log), np.bool_)
    for place, name in enumerate(status):
        valid, words = log.valid[name], log.words[name]
        there |= valid.astype(np.int64) << place
        ones &= ~valid | (words == np.uint64(chip.registers[name].mask))
        zeros &= ~valid | (words == 0)
    for pattern in np.unique(there[ones | zeros]).tolist():
        names = [n for i, n in enumerate(status) if pattern >> i & 1]
        here = there == pattern
        if dead_words(chip, {n: chip.registers[n].mask for n in names}):
            bad |= here & ones
        if dead_words(chip, dict.fromkeys(names, 0)):
            bad |= here & zeros
    return bad


@dataclass(slots=True)
class Runs:
    """Equal words of one register of one unit, read one after the other: first and last row, how many."""

    first: Places
    last: Places
    count: Places
    word: Numbers
    #: no run of the same unit since its last reset stands before
    begins: Flags
    unit: Places


def runs_of(log: LoggedWords, register: str, resets: Places) -> Runs:
    """The runs of a register. `resets` counts the resets up to each row."""
    rows = np.flatnonzero(log.valid[register])
    words, unit, count = log.words[register][rows], log.unit[rows], resets[rows]
    begins = np.ones(len(rows), np.bool_)
    begins[1:] = (unit[1:] != unit[:-1]) | (count[1:] != count[:-1])
    starts = begins.copy()
    starts[1:] |= words[1:] != words[:-1]
    first = np.flatnonzero(starts)
    last = np.append(first, len(rows))[1:] - 1
    return Runs(rows[first], rows[last], last - first + 1, words[first], begins[first], unit[first])


@dataclass(slots=True)
class FaultIntervals:
    """Intervals as arrays of one length, by unit, time and fault; times in ns, NEVER is "not seen".

    `fault` and `cause` number the faults in the order of the map (-1: none), `role` is of ROLES.
    """

    unit: Places
    fault: Places
    row: Places
    clear: Places
    raised: Places
    gone: Places
    by_reset: Flags
    seen: Places
    normal: Flags
    episode: Places
    role: Places
    cause: Places
    masked: Flags
    reported_only: Flags

    def __len__(self) -> int:
        return len(self.fault)


class LogExplainer:
    """Explains logs of one chip. `bank` is the configuration where a log has no word of a register."""

    def __init__(self, chip: Chip, bank: Bank | None = None) -> None:
        self.chip = chip
        self.bank = bank
        self.faults: tuple[Fault, ...] = tuple(chip.faults.values())
        self._index = {f.name: i for i, f in enumerate(self.faults)}
        used = [
            name
            for f in self.faults
            for expr in (f.masked_when, f.reported_only_when)
            if expr is not None
            for name in expr.names()
        ]
        status = set(status_registers(chip))
        #: registers that decide whether faults are masked
        self.settings = tuple(
            dict.fromkeys(r for n in used for r in _registers(chip, n) if r not in status)
        )

    def intervals(self, log: LoggedWords) -> FaultIntervals:
        """All intervals of ordered rows."""
        resets = np.cumsum(log.reset).astype(np.int64)
        runs = {n: runs_of(log, n, resets) for n in log.words}
        found = _joined([
            _edges(log, self.faults[i], i, self.chip, runs[self.faults[i].register])
            for i in range(len(self.faults))
            if self.faults[i].register in runs
        ])  # fmt: skip
        order = np.lexsort((found.fault, found.raised, found.unit))
        found = _taken(found, order)
        self._explain(log, found, resets)
        return found

    # --- causes -----------------------------------------------------------------------------------
    def _explain(self, log: LoggedWords, found: FaultIntervals, resets: Places) -> None:
        found.role[found.normal] = ROLES.index("normal")
        some = np.flatnonzero(~found.normal)
        if not len(some):
            return
        number = _episodes(found, some)
        found.episode[some] = _within_unit(found.unit[some], number)
        # of a fault that comes again in an episode the first interval tells, as for a capture
        pairs = number * np.int64(len(self.faults)) + found.fault[some]
        unique, first, back = np.unique(pairs, return_index=True, return_inverse=True)
        episode, fault = unique // len(self.faults), unique % len(self.faults)
        late = _ranks(episode, found.raised[some][first], found.clear[some][first])
        begins = np.flatnonzero(np.diff(episode, prepend=-1))
        counts = np.diff(np.append(begins, len(episode)))
        # intervals of an episode stand by time: its first one is the first of its number
        opening = some[np.unique(number, return_index=True)[1]]
        settings = self._settings_at(log, found.row[opening], resets)
        told = np.zeros((len(unique), 4), np.int64)
        width = int(counts.max())
        for low in range(0, len(begins), _AT_ONCE):
            mine = slice(low, low + _AT_ONCE)
            self._patterns(begins[mine], counts[mine], fault, late, settings[mine], width, told)
        role, cause, masked, reported = told[back.reshape(-1)].T
        found.role[some], found.cause[some] = role, cause
        found.masked[some], found.reported_only[some] = masked > 0, reported > 0

    def _settings_at(self, log: LoggedWords, rows: Places, resets: Places) -> Places:
        """For each row: word and 1 of each register of `settings` as last logged, 0 and 0 where it was not."""
        out = np.zeros((len(rows), 2 * len(self.settings)), np.int64)
        for place, name in enumerate(self.settings):
            if name in log.words:
                words, known = last_words(log, name, rows, resets)
                out[:, 2 * place] = np.where(known, words, 0).astype(np.int64)
                out[:, 2 * place + 1] = known
        return out

    def _patterns(
        self,
        begins: Places,
        counts: Places,
        fault: Places,
        late: Places,
        settings: Places,
        width: int,
        told: Places,
    ) -> None:
        """Explain one of each kind of episode, and tell all of its kind."""
        key = np.full((len(begins), 1 + 3 * width + settings.shape[1]), -1, np.int64)
        key[:, 0] = counts
        for place in range(width):
            here = counts > place
            at = begins[here] + place
            key[here, 1 + 3 * place] = fault[at]
            key[here, 2 + 3 * place : 4 + 3 * place] = late[at]
        key[:, 1 + 3 * width :] = settings
        whole = np.ascontiguousarray(key).view(
            np.dtype((np.void, key.dtype.itemsize * key.shape[1]))
        )
        _, one, back = np.unique(whole.reshape(-1), return_index=True, return_inverse=True)
        back = back.reshape(-1)
        for kind, place in enumerate(one.tolist()):
            answer = np.array(self._answer(key[place], width), np.int64)
            mine = begins[back == kind] if len(one) < 64 else begins[_where(back, kind)]
            for offset in range(len(answer)):
                told[mine + offset] = answer[offset]

    def _answer(self, key: Places, width: int) -> list[tuple[int, int, bool, bool]]:
        """(role, cause, masked, reported only) of each fault of an episode, in the order of the map."""
        count = int(key[0])
        rows = key[1 : 1 + 3 * count].reshape(-1, 3).tolist()
        bank = self.bank.copy() if self.bank is not None else Bank(self.chip)
        for place, name in enumerate(self.settings):
            word, known = key[1 + 3 * width + 2 * place :][:2].tolist()
            if known:
                bank.learn_read(name, int(np.uint64(np.int64(word))))
        words: dict[str, int] = {}
        seen = {}
        for number, raised, clear in rows:
            fault = self.faults[number]
            item = self.chip.field(fault.ref)
            assert item is not None
            words[fault.register] = words.get(fault.register, 0) | deposit(fault.code, item.bits)
            seen[fault.name] = (clear, raised)
        roles = roles_of(explained(self.chip, words, bank, seen))
        out: list[tuple[int, int, bool, bool]] = []
        for number, _, _ in rows:
            fault = self.faults[number]
            role = "sum" if fault.summary_of else "first cause"
            cause, finding = ("" if fault.summary_of else fault.name), None
            if fault.name in roles:
                role, cause, finding = roles[fault.name]
            own = finding if role != "sum" else None
            out.append((
                ROLES.index(role), self._index.get(cause, -1),
                own is not None and own.masked, own is not None and own.reported_only,
            ))  # fmt: skip
        return out

    # --- words ------------------------------------------------------------------------------------
    def words_at(self, log: LoggedWords, rows: Places) -> list[str]:
        """The words last logged before each row, and in it, as text."""
        resets = np.cumsum(log.reset).astype(np.int64)
        columns = [last_words(log, name, rows, resets) for name in log.words]
        names = tuple(log.words)
        known: dict[tuple[int | None, ...], str] = {}
        texts = []
        lists = [
            [w if k else None for w, k in zip(words.tolist(), there.tolist(), strict=True)]
            for words, there in columns
        ]
        for values in zip(*lists, strict=True):
            if values not in known:
                there = {n: v for n, v in zip(names, values, strict=True) if v is not None}
                known[values] = words_text(self.chip, there)
            texts.append(known[values])
        return texts


def last_words(
    log: LoggedWords, register: str, rows: Places, resets: Places
) -> tuple[Numbers, Flags]:
    """The word of a register that was last read up to each row, since the unit's last reset, and whether."""
    valid = np.flatnonzero(log.valid[register])
    if not len(valid):
        return np.zeros(len(rows), np.uint64), np.zeros(len(rows), np.bool_)
    place = np.searchsorted(valid, rows, side="right") - 1
    at = valid[np.maximum(place, 0)]
    known = (place >= 0) & (log.unit[at] == log.unit[rows]) & (resets[at] == resets[rows])
    return log.words[register][at], known


def changes(log: LoggedWords) -> Iterator[tuple[str, Runs, Places]]:
    """(register, its runs, place of the run before of the same unit or -1), for each register."""
    nothing = np.zeros(len(log), np.int64)
    for name in log.words:
        runs = runs_of(log, name, nothing)
        before = np.arange(len(runs.first), dtype=np.int64) - 1
        before[runs.begins] = -1
        yield name, runs, before


def _registers(chip: Chip, name: str) -> tuple[str, ...]:
    return tuple(r for r in registers_of(chip, name) if r in chip.registers)


def _where(back: Places, kind: int) -> Places:
    return np.flatnonzero(back == kind)


def _edges(
    log: LoggedWords, fault: Fault, number: int, chip: Chip, runs: Runs
) -> Mapping[str, npt.NDArray[np.generic]]:
    """The intervals of one fault."""
    item = chip.field(fault.ref)
    assert item is not None
    if not mask_of(item.bits) & chip.registers[fault.register].read_mask:
        up = np.zeros(len(runs.first), np.bool_)
    else:
        up = extract(runs.word, item.bits) == np.uint64(fault.code)
    fresh = runs.begins
    start = up.copy()
    start[1:] &= fresh[1:] | ~up[:-1]
    stop = up.copy()
    stop[:-1] &= fresh[1:] | ~up[1:]
    first, last = np.flatnonzero(start), np.flatnonzero(stop)
    time = log.time
    clear = np.full(len(first), NEVER, np.int64)
    had = ~fresh[first]
    clear[had] = time[runs.last[first[had] - 1]]
    gone = np.full(len(first), NEVER, np.int64)
    after = np.minimum(last + 1, max(len(runs.first) - 1, 0))
    more = (last + 1 < len(runs.first)) & (runs.unit[after] == runs.unit[last])
    by_reset = more & fresh[after]
    shown = more & ~by_reset
    gone[shown] = time[runs.first[after[shown]]]
    # a reset that no read of this register follows ends it too
    marks = np.flatnonzero(log.reset)
    if len(marks):
        next_mark = np.searchsorted(marks, runs.last[last], side="right")
        inside = next_mark < len(marks)
        mark = marks[np.minimum(next_mark, len(marks) - 1)]
        inside &= (log.unit[mark] == runs.unit[last]) & ~shown
        by_reset = inside
        gone[inside] = time[mark[inside]]
    total = np.concatenate(([0], np.cumsum(runs.count)))
    normal = np.full(len(first), fault.normal_at_power_up) & fresh[first]
    return {
        "unit": runs.unit[first], "fault": np.full(len(first), number, np.int64), "row": runs.first[first],
        "clear": clear, "raised": time[runs.first[first]], "gone": gone, "by_reset": by_reset,
        "seen": total[last + 1] - total[first], "normal": normal,
    }  # fmt: skip


_NUMBERS = ("unit", "fault", "row", "clear", "raised", "gone", "seen")


def _joined(parts: list[Mapping[str, npt.NDArray[np.generic]]]) -> FaultIntervals:
    def column(name: str, kind: type[np.generic]) -> npt.NDArray[np.generic]:
        return np.concatenate([np.zeros(0, kind), *(p[name] for p in parts)]).astype(kind)

    told = {n: column(n, np.int64) for n in _NUMBERS}
    flags = {n: column(n, np.bool_) for n in ("by_reset", "normal")}
    count = len(told["unit"])
    return FaultIntervals(
        **told,  # type: ignore[arg-type]
        **flags,  # type: ignore[arg-type]
        episode=np.full(count, -1, np.int64),
        role=np.zeros(count, np.int64),
        cause=np.full(count, -1, np.int64),
        masked=np.zeros(count, np.bool_),
        reported_only=np.zeros(count, np.bool_),
    )


def _taken(found: FaultIntervals, order: Places) -> FaultIntervals:
    return FaultIntervals(*(getattr(found, n)[order] for n in FaultIntervals.__slots__))


def _episodes(found: FaultIntervals, some: Places) -> Places:
    """The number of the episode of each interval: those of a unit that overlap, or follow without a pause."""
    unit, raised = found.unit[some], found.raised[some]
    last = np.int64(1 << 62)
    end = np.where(found.gone[some] == NEVER, last, found.gone[some])
    instants, rank = np.unique(np.concatenate((raised, end)), return_inverse=True)
    rank = rank.reshape(-1)
    # a running maximum that begins anew with each unit: units are ranked above all instants
    base = unit * np.int64(len(instants) + 1)
    until = np.maximum.accumulate(base + rank[len(some) :])
    begins = np.ones(len(some), np.bool_)
    begins[1:] = (base + rank[: len(some)])[1:] > until[:-1]
    return np.cumsum(begins) - 1


def _within_unit(unit: Places, number: Places) -> Places:
    """Numbers of episodes counted from 0 in each unit."""
    fresh = np.flatnonzero(np.diff(unit, prepend=-1))
    counts = np.diff(np.append(fresh, len(unit)))
    return number - np.repeat(number[fresh], counts)


def _ranks(episode: Places, raised: Places, clear: Places) -> Places:
    """(rank of raised, rank of clear) of each among all instants of its episode; -1 for "never seen clear"."""
    value, whose = np.concatenate((raised, clear)), np.concatenate((episode, episode))
    order = np.lexsort((value, whose))
    value, whose = value[order], whose[order]
    fresh = np.ones(len(value), np.bool_)
    fresh[1:] = whose[1:] != whose[:-1]
    step = np.zeros(len(value), np.int64)
    step[1:] = value[1:] != value[:-1]
    step[fresh] = 0
    count = np.cumsum(step)
    begins = np.flatnonzero(fresh)
    dense = count - np.repeat(count[begins], np.diff(np.append(begins, len(value))))
    back = np.empty(len(value), np.int64)
    back[order] = dense
    out = np.stack((back[: len(raised)], back[len(raised) :]), axis=1)
    out[clear == NEVER, 1] = -1
    return out
