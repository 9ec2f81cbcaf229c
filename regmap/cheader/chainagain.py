"""A daisy chain that goes on after a stop: counters back in step, flags of rejected frames cleared, all positions brought up again.

chain_resync           harmless reads of every chip
chain_clear_rejected   the table of each position that clears such a flag, then strict reads
chain_restart          from wherever a run has left the chips; chain_restart_tick: the same without waiting
"""

from __future__ import annotations

from collections.abc import Mapping

from .again import rounds_of
from .clearing import AT_POWER_UP, FORGET_RESET, NAME, NOT_RESET
from .frames import FrameNames
from .sheet import Sheet
from .stepwise import restart_next, until_done
from .text import count

#: position -> tables of steps there: name -> (table, macro of its size)
Places = Mapping[int, Mapping[str, tuple[str, str]]]


class ChainAgain:
    """Writes those routines; what a chain's things are called comes from the writer of the chain."""

    sheet: Sheet
    item: FrameNames
    size: str
    total: str

    def low(self, name: str) -> str:
        return self.sheet.names.lower(name)

    def result(self, name: str) -> str:
        return self.sheet.names.macro("RUN", name)

    def trusting(self) -> list[str]:
        """Lines that make every task go on while a flag tells of a rejected frame."""
        return [
            f"for (k = 0U; k < {self.size}; k++) {{",
            "    chain->task[k].lenient = 1U;",
            "}",
        ]

    def again(self, chain: str, places: Places) -> None:
        """What of it the tables allow; every position that has any must have them."""
        has = {
            n
            for n in (NAME, AT_POWER_UP, FORGET_RESET, NOT_RESET, "init", "warm")
            if all(n in t for t in places.values())
        }
        self._resync(chain, places)
        if NAME in has:
            self._clear(chain)
        if {"init", "warm"} <= has:
            self._restart(chain, NAME in has, AT_POWER_UP if AT_POWER_UP in has else NAME)

    def until_done(self, tick: str) -> list[str]:
        """Statements that call `tick` until there is a result, and wait where it wants that."""
        pause = "chain->pause_us(chain->context, chain->wait_us)"
        return until_done(tick, pause, self.result("BUSY"), self.result("WAIT"))

    def _resync(self, chain: str, places: Places) -> None:
        busy, ok = self.result("BUSY"), self.result("OK")
        self.sheet.hidden_function(
            f"uint8_t {self.low('chain_round')}({chain} *chain)",
            [
                f"uint8_t out[{self.total}];",
                f"uint8_t in[{self.total}];",
                f"uint8_t result = {self.result('SPI')};",
                "uint8_t k;",
                f"for (k = 0U; k < {self.size}; k++) {{",
                f"    {self.low('task_begin')}(&chain->task[k], NULL, 0U);",
                f"    chain->result[k] = {ok};",
                "}",
                f"{self.low('chain_fill')}(chain, out);",
                f"if (chain->transfer(chain->context, out, in, {self.total})) {{",
                f"    result = {self.low('chain_in')}(chain, in);",
                "}",
                f"return (result == {busy}) ? {ok} : result;",
            ],
            "A stream of harmless reads, no table in hand.",
        )
        self.sheet.function(
            f"uint8_t {self.low('chain_resync')}({chain} *chain)",
            [
                f"uint8_t result = {ok};",
                "uint8_t i;",
                f"for (i = 0U; i < {count(rounds_of(self.item))}; i++) {{",
                f"    result = {self.low('chain_round')}(chain);",
                "}",
                *self._not_reset(places),
                "return result;",
            ],
            "Counters back in step with chips that have kept their state while the controller restarted: first chain_init, then "
            "this, then chain_warm_steps. Not OK: a chip (chain->position) is not configured, or not there, or (REJECTED) a flag "
            f"of it tells of a rejected frame{', or (RESET) it was reset' * self.sheet.reset_told}. RUN_...",
        )

    def _not_reset(self, places: Places) -> list[str]:
        """Statements after the streams of a resync: a chip that was reset is no chip that has kept its state."""
        ok = self.result("OK")
        if not self.sheet.reset_told:
            if not any(NOT_RESET in tables for tables in places.values()):
                return []
            steps = self.low(f"chain_{NOT_RESET}_steps")
            run = f"result = {self.low('chain_run')}(chain, {steps});"
            return [f"if (result == {ok}) {{", f"    {run}", "}"]
        up = "chip->reset || chip->doubt" if self.sheet.reset_doubted else "chip->reset"
        # of a position without a table nothing is expected
        row, table = self.low("table_t"), self.low("chain_init_steps")
        return [
            f"for (i = 0U; (result == {ok}) && (i < {self.size}); i++) {{",
            f"    {self.low('spi_t')} *chip = &chain->chip[i];",
            f"    {row} row;",
            f"    {self.sheet.fetch('row', f'{table}[i]')}",
            f"    chip->settled = (row.size != 0U) && !({up});",
            "    if ((row.size != 0U) && !chip->settled) {",
            f"        result = {self.result('RESET')};",
            "        chain->position = i;",
            "    }",
            "}",
        ]

    def _clear(self, chain: str) -> None:
        ok = self.result("OK")
        self.sheet.function(
            f"uint8_t {self.low('chain_clear_rejected')}({chain} *chain)",
            [
                f"uint8_t result = {ok};",
                "uint8_t k;",
                f"{self.low('chain_begin')}(chain, {self.low('chain_clear_rejected_steps')});",
                *self.trusting(),
                f"result = {self.low('chain_finish')}(chain);",
                f"if (result == {ok}) {{",
                f"    result = {self.low('chain_resync')}(chain);",
                "}",
                "return result;",
            ],
            "Clears the flag of a rejected frame in every chip with a table, with which every other result is REJECTED, and sees "
            "that it is down. What was under way is not known to have been done: begin it again. RUN_...",
        )

    def _restart(self, chain: str, clears: bool, late: str) -> None:
        sheet, low, first = self.sheet, self.low, self.sheet.after_power_up
        job = low("chain_restart_t")
        forget = f"{low('chain_init')}(chain, chain->transfer, chain->pause_us, chain->context);"
        later = [
            f"for (k = 0U; k < {self.size}; k++) {{",
            "    if (chain->task[k].size != 0U) {",
            f"        chain->task[k].at = {count(first)};",
            "    }",
            "}",
        ]
        sheet.lines(
            "",
            "typedef struct {",
            "    uint8_t phase;      /* how far it has come */",
            "    uint8_t rounds;     /* streams that bring the chips back in step */",
            f"}} {job};",
        )
        sheet.function(
            f"void {low('chain_restart_begin')}({chain} *chain, {job} *job)",
            [forget, "job->phase = 0U;", "job->rounds = 0U;"],
            "Before the first call of `chain_restart_tick`.",
        )
        sheet.function(
            f"uint8_t {low('chain_restart_tick')}({chain} *chain, {job} *job)",
            [
                f"uint8_t result = {self.result('OK')};",
                *(["uint8_t k;"] if clears or first else []),
                "if ((job->phase == 0U) || (job->phase == 2U)) {",
                f"    result = {low('chain_round')}(chain);",
                "    job->rounds++;",
                f"    if (job->rounds < {count(rounds_of(self.item))}) {{",
                f"        result = {self.result('BUSY')};",
                "    }",
                "} else {",
                f"    result = {low('chain_tick')}(chain);",
                "}",
                *restart_next(
                    sheet,
                    lambda name: [f"{low('chain_begin')}(chain, {low(f'chain_{name}_steps')});"],
                    forget,
                    late=late,
                    clears=clears,
                    trusting=self.trusting(),
                    later=later if first else [],
                ),
                "return result;",
            ],
            "As `chain_restart`, one call a tick: at most one stream, no waiting. BUSY, and WAIT (chain->wait_us): call again; OK: "
            "the chips are configured; anything else: begin again. RUN_...",
        )
        sheet.function(
            f"uint8_t {low('chain_restart')}({chain} *chain)",
            [
                f"{job} job;",
                f"uint8_t result = {self.result('OK')};",
                f"{low('chain_restart_begin')}(chain, &job);",
                *self.until_done(f"{low('chain_restart_tick')}(chain, &job)"),
                "return result;",
            ],
            "Configures the chips that a run has left at any step, or that have kept their state while the controller restarted, or "
            "were reset. Call it in the safe state of the bridges. Not OK: call it again, or switch the supply of "
            "chain->position off and on. RUN_...",
        )
