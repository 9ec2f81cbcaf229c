"""A daisy chain in C: the step tables of all positions run in lockstep, over the streams of all chips (`chainstream`).

chain_out, chain_in        the next stream of a table for each position, ready for DMA, then what came in
chain_tick, chain_run      one stream a call, never a wait; until all are done
chain_read_status          every status register of all; chain_read_status_tick: the same without waiting
chain_watch                the readback of all positions in rotation
chain_resync, chain_clear_rejected, chain_restart   as those of a chip alone (`chainagain`)

Every chip has the structure of a chip that is alone (`spi_t`), so each reply is checked as there; a
chip whose table waits, or is done, is sent a read that changes nothing, and its reply is checked too.
"""

from __future__ import annotations

from collections.abc import Mapping

from ..errors import CallError
from .again import filler_of
from .bitcode import take
from .chainagain import Places
from .chainstream import WAY_OUT, ChainStreams, chainable
from .frames import FrameNames, word_bits, word_type
from .names import word
from .replies import byte_orders
from .sheet import Sheet
from .stepwise import kept_twice, status_first, status_members, status_next
from .text import bracket, count, number


class ChainWriter(ChainStreams):
    """Writes the routines of a chain of `chips` chips of one map."""

    # --- all positions in lockstep -----------------------------------------------------------------
    def runner(self, places: Places) -> None:
        sheet, low = self.sheet, self.low
        found = filler_of(sheet.chip, self.item.frame)
        assert found is not None  # write_chain has seen to it
        filler, register = found
        spi, task, step = low("spi_t"), low("task_t"), low("step_t")
        most = sheet.names.macro("BYTES_MOST")
        chain, table = low("chain_t"), low("table_t")
        sheet.lines(
            "",
            "typedef struct {",
            f"    const {step} *steps;  /* NULL: nothing to do at this position */",
            "    uint16_t size;",
            f"}} {table};",
            "",
            "typedef struct {",
            "    bool (*transfer)(void *context, const uint8_t *out, uint8_t *in, uint8_t size);",
            "    void (*pause_us)(void *context, uint32_t us);",
            "    void *context;",
            f"    {spi} chip[{self.size}];    /* by position */",
            f"    {task} task[{self.size}];   /* the table in hand of each */",
            f"    uint8_t result[{self.size}];    /* RUN_... of each: BUSY or OK where nothing is wrong */",
            "    uint32_t wait_us;   /* where the result is WAIT: go on after so long */",
            "    uint8_t position;   /* where the last result came from */",
            "    uint8_t commands;   /* CHAIN_COMMAND bits for the next stream */",
            f"}} {chain};",
        )
        sheet.hidden_function(
            f"bool {low('chain_alone')}(void *context, const uint8_t *out, uint8_t *in, uint8_t size)",
            ["(void)context;", "(void)out;", "(void)in;", "(void)size;", "return false;"],
            "One chip of the chain alone cannot be reached: a run on its structure ends in RUN_SPI.",
        )
        sheet.function(
            f"void {low('chain_init')}({chain} *chain, "
            "bool (*transfer)(void *context, const uint8_t *out, uint8_t *in, uint8_t size), "
            "void (*wait_us)(void *context, uint32_t us), void *context)",
            [
                "uint8_t k;",
                "chain->transfer = transfer;",
                "chain->pause_us = wait_us;",
                "chain->context = context;",
                "chain->wait_us = 0U;",
                "chain->position = 0U;",
                "chain->commands = 0U;",
                f"for (k = 0U; k < {self.size}; k++) {{",
                f"    {low('spi_init')}(&chain->chip[k], {low('chain_alone')}, wait_us, context);",
                f"    {low('task_begin')}(&chain->task[k], NULL, 0U);",
                f"    chain->result[k] = {self.result('OK')};",
                "}",
            ],
            "Before the first stream, and each time the chips have been reset. The transfer is that of a whole stream.",
        )
        sheet.function(
            f"void {low('chain_begin')}({chain} *chain, const {table} tables[{self.size}])",
            [
                "uint8_t k;",
                f"for (k = 0U; k < {self.size}; k++) {{",
                f"    {table} row;",
                f"    {sheet.fetch('row', 'tables[k]')}",
                f"    {low('task_begin')}(&chain->task[k], row.steps, row.size);",
                "}",
            ],
            "A table for each position from its beginning.",
        )
        self._out(chain, filler, register.name, most)
        self._in(chain, most)
        busy = self.result("BUSY")
        stream = [f"uint8_t out[{self.total}];", f"uint8_t in[{self.total}];"]
        sheet.function(
            f"uint8_t {low('chain_tick')}({chain} *chain)",
            [
                *stream,
                f"uint8_t result = {low('chain_out')}(chain, out);",
                f"if (result == {busy}) {{",
                f"    if (chain->transfer(chain->context, out, in, {self.total})) {{",
                f"        result = {low('chain_in')}(chain, in);",
                "    } else {",
                f"        result = {self.result('SPI')};",
                "    }",
                "}",
                "return result;",
            ],
            "One call a tick: at most one stream, no waiting. BUSY and WAIT: call again; OK: all tables are done. RUN_...",
        )
        sheet.hidden_function(
            f"uint8_t {low('chain_finish')}({chain} *chain)",
            [
                f"uint8_t result = {self.result('OK')};",
                *self.until_done(f"{low('chain_tick')}(chain)"),
                "return result;",
            ],
            "Runs the tables in hand to their ends, or to the first failure.",
        )
        sheet.function(
            f"uint8_t {low('chain_run')}({chain} *chain, const {table} tables[{self.size}])",
            [
                f"{low('chain_begin')}(chain, tables);",
                f"return {low('chain_finish')}(chain);",
            ],
            "Runs a table for each position; stops at the first failure: chain->position says where, chain->chip[...] what.",
        )
        sheet.function(
            f"uint8_t {low('chain_watch')}({chain} *chain)",
            [
                *([f"uint8_t result = {self.result('BUSY')};"] if sheet.reset_told else []),
                "uint8_t k;",
                f"for (k = 0U; k < {self.size}; k++) {{",
                f"    {task} *task = &chain->task[k];",
                "    if (task->at >= task->size) {",
                f"        {low('task_begin')}(task, task->steps, task->size);",
                "    }",
                "}",
                *(
                    [
                        f"result = {low('chain_tick')}(chain);",
                        f"for (k = 0U; k < {self.size}; k++) {{",
                        "    if (chain->chip[k].reset && (chain->task[k].size != 0U)) {",
                        f"        result = {self.result('RESET')};",
                        "        chain->position = k;",
                        "    }",
                        "}",
                        "return result;",
                    ]
                    if sheet.reset_told
                    else [f"return {low('chain_tick')}(chain);"]
                ),
            ],
            "One call a period: a frame of each position's table, begun again at its end. First chain_begin with the readback.",
        )
        self._places(places, table)
        if any("status" in tables for tables in places.values()):
            self._status(chain)
        self.again(chain, places)

    def _out(self, chain: str, filler: int, register: str, most: str) -> None:
        low = self.low
        busy, wait, ok = (self.result(n) for n in ("BUSY", "WAIT", "OK"))
        self.sheet.hidden_function(
            f"void {low('chain_fill')}({chain} *chain, uint8_t out[{self.total}])",
            [
                f"{self.frame} frames[{self.size}];",
                "uint8_t k;",
                f"for (k = 0U; k < {self.size}; k++) {{",
                f"    if (chain->result[k] != {busy}) {{",
                f"        uint8_t bytes[{most}];",
                f"        /* a read of {register} changes nothing */",
                f"        (void){low('frame_out')}(&chain->chip[k], {number(filler, self.length)}, bytes);",
                "    }",
                "    frames[k] = chain->chip[k].command;",
                "}",
                f"{low('chain_pack')}(frames, chain->commands, out);",
                "chain->commands = 0U;",
            ],
            "A stream of what each chip is to be sent; of those that are not busy something harmless.",
        )
        lines = [
            f"uint8_t result = {ok};",
            "uint8_t k;",
            "chain->wait_us = 0U;",
            f"for (k = 0U; k < {self.size}; k++) {{",
            f"    chain->result[k] = {low('task_out')}(&chain->chip[k], &chain->task[k]);",
            f"    if (chain->result[k] == {wait}) {{",
            "        if (chain->task[k].wait_us > chain->wait_us) {",
            "            chain->wait_us = chain->task[k].wait_us;",
            "        }",
            f"        result = {wait};",
            f"    }} else if ((chain->result[k] == {busy}) && (result == {ok})) {{",
            f"        result = {busy};",
            "    } else {",
            "        /* done: it is sent something harmless */",
            "    }",
            "}",
            *(
                [
                    f"for (k = 0U; (result == {ok}) && (k < {self.size}); k++) {{",
                    f"    if (chain->result[k] == {self.result('RESET')}) {{",
                    f"        result = {self.result('RESET')};",
                    "        chain->position = k;",
                    "    }",
                    "}",
                ]
                if self.sheet.reset_told
                else []
            ),
            f"if (result == {busy}) {{",
            f"    {low('chain_fill')}(chain, out);",
            "}",
            "return result;",
        ]
        self.sheet.function(
            f"uint8_t {low('chain_out')}({chain} *chain, uint8_t out[{self.total}])",
            lines,
            "The next stream, ready for DMA: send all of it and get as much, then call chain_in. BUSY, or WAIT (nothing is "
            "to be sent yet), or OK: nothing is left"
            + (
                "; RESET: neither, but the last reply of chain->position tells of a reset."
                if self.sheet.reset_told
                else "."
            ),
        )

    def _in(self, chain: str, most: str) -> None:
        low, item = self.low, self.item
        busy, ok = self.result("BUSY"), self.result("OK")
        rows = []
        spi = self.sheet.chip.spi
        for at, (_, _, order, pad) in enumerate(byte_orders(spi, item.frame.bursts, self.length)):
            value = bracket(take("frames[k]", order, self.length, 8)) if order else "0U"
            rows.append(f"bytes[{at}] = (uint8_t){f'({value} << {count(pad)})' if pad else value};")
        lines = [
            f"{self.frame} frames[{self.size}];",
            f"uint8_t result = {busy};",
            "uint8_t k;",
            f"const bool sound = {low('chain_unpack')}(in, frames);",
            f"for (k = 0U; k < {self.size}; k++) {{",
            f"    uint8_t bytes[{most}];",
            *(f"    {row}" for row in rows),
            f"    if (chain->result[k] == {busy}) {{",
            "        uint8_t i;",
            f"        for (i = 0U; i < {most}; i++) {{",
            "            chain->task[k].in[i] = bytes[i];",
            "        }",
            f"        chain->result[k] = {low('task_in')}(&chain->chip[k], &chain->task[k]);",
            "    } else {",
            f"        chain->result[k] = {low('frame_in')}(&chain->chip[k], bytes);",
            *(
                [
                    f"        if ((chain->result[k] == {self.result('REJECTED')}) && (chain->task[k].lenient != 0U)) {{",
                    "            chain->task[k].lenient = 2U;",
                    f"            chain->result[k] = {self._unless_lost()};",
                    "        }",
                ]
                if self.lenient
                else []
            ),
            *(
                [
                    f"        if ((chain->result[k] == {self.result('RESET')}) && (chain->task[k].size != 0U) && "
                    f"(chain->task[k].step.kind == {self.sheet.names.macro('STEP', 'READ')})) {{",
                    "            /* the words of a status read tell of it */",
                    f"            chain->result[k] = {ok};",
                    "        }",
                ]
                if self.sheet.reset_told
                else []
            ),
            "    }",
            f"    if ((chain->result[k] != {busy}) && (chain->result[k] != {ok}) && (result == {busy})) {{",
            "        result = chain->result[k];",
            "        chain->position = k;",
            "    }",
            "}",
            "if (!sound) {",
            f"    result = {self.result('FRAME_ERROR')};",
            "}",
            "return result;",
        ]
        self.sheet.function(
            f"uint8_t {low('chain_in')}({chain} *chain, const uint8_t in[{self.total}])",
            lines,
            "Takes what came in during that stream: every chip's reply is checked. BUSY: go on with chain_out; else the first "
            "failure, its position in chain->position. A header of the stream that is wrong is a FRAME_ERROR. RUN_...",
        )

    def _unless_lost(self) -> str:
        """The result of a chip whose reply counts as good, a flag of a reset but for."""
        ok, chip = self.result("OK"), "chain->chip[k]"
        if not self.sheet.reset_told:
            return ok
        return f"({chip}.reset && {chip}.settled) ? {self.result('RESET')} : {ok}"

    def _status(self, chain: str) -> None:
        sheet, low, data = self.sheet, self.low, word_type(self.sheet)
        wide = "unsigned int" if word_bits(sheet) <= 16 else data
        job, size = low("chain_read_status_t"), sheet.names.macro("STATUS_COUNT")
        read = sheet.names.macro("STEP", "READ")
        words = f"{data} words[{self.size}][{size}]"
        sheet.lines(
            "",
            "typedef struct {",
            f"    uint8_t index[{self.size}];  /* words read so far of each, this time */",
            *status_members(lenient=self.lenient),
            f"}} {job};",
        )
        again = [
            f"{low('chain_begin')}(chain, {low('chain_status_steps')});",
            f"for (k = 0U; k < {self.size}; k++) {{",
            *(["    chain->task[k].lenient = 1U;"] if self.lenient else []),
            "    job->index[k] = 0U;",
            "}",
        ]
        sheet.function(
            f"void {low('chain_read_status_begin')}({chain} *chain, {job} *job)",
            ["uint8_t k;", *again, *status_first(lenient=self.lenient)],
            "Before the first call of `chain_read_status_tick`.",
        )
        found = kept_twice("*place", "chain->chip[k].got", "step->", wide, data)
        trusted = [
            f"for (k = 0U; k < {self.size}; k++) {{",
            "    job->proven = job->proven && (chain->task[k].lenient == 1U);",
            "}",
        ]
        sheet.function(
            f"uint8_t {low('chain_read_status_tick')}({chain} *chain, {job} *job, {words})",
            [
                f"uint16_t at[{self.size}];",
                f"uint8_t result = {self.result('OK')};",
                "uint8_t k;",
                f"for (k = 0U; k < {self.size}; k++) {{",
                "    at[k] = chain->task[k].at;",
                "}",
                f"result = {low('chain_tick')}(chain);",
                f"for (k = 0U; k < {self.size}; k++) {{",
                f"    const {low('task_t')} *task = &chain->task[k];",
                f"    const {low('step_t')} *step = &task->step;",
                f"    if ((task->at != at[k]) && (step->kind == {read})) {{",
                f"        {data} *place = &words[k][job->index[k]];",
                *(f"        {line}" for line in found),
                "        job->index[k]++;",
                "    }",
                "}",
                *status_next(sheet, trusted, again, lenient=self.lenient),
                "return result;",
            ],
            "As `chain_read_status`, one call a tick: at most one stream, no waiting. BUSY, and WAIT (chain->wait_us): call again; "
            "anything else is the result of `chain_read_status`, with the words that it fills. RUN_...",
        )
        sheet.function(
            f"uint8_t {low('chain_read_status')}({chain} *chain, {words})",
            [
                f"{job} job;",
                f"uint8_t result = {self.result('OK')};",
                f"{low('chain_read_status_begin')}(chain, &job);",
                *self.until_done(f"{low('chain_read_status_tick')}(chain, &job, words)"),
                "return result;",
            ],
            "Reads every status register of every position with a table twice, ready for `explain`: only OK is good. What either "
            "read has shown is in the words. RUN_...",
        )

    def _places(self, places: Places, table: str) -> None:
        """For each kind of table the one of every position."""
        for name in dict.fromkeys(n for tables in places.values() for n in tables):
            rows = []
            for position in range(self.chips):
                found = places.get(position, {}).get(name)
                rows.append(f"    {{{found[0]}, {found[1]}}}," if found else "    {NULL, 0U},")
            self.sheet.table(
                table,
                self.low(f"chain_{word(name).lower()}_steps"),
                rows,
                self.size,
                f"The table `{name}` of each position.",
            )


def write_chain(sheet: Sheet, frames: Mapping[str, FrameNames], chips: int, places: Places) -> None:
    """Streams, and with the section `run` what runs tables on them. Raises CallError for what C cannot do here."""
    chip, out = sheet.chip, WAY_OUT
    chainable(chip)
    [item] = frames.values()
    writer = ChainWriter(sheet, item, chips)
    if writer.shape.bytes > 255:
        raise CallError(f"a stream of {writer.bits} bits", f"at most 2040. {out}")
    writer.types()
    writer.streams()
    if sheet.has("run") and sheet.stage is not None and sheet.tables:
        if filler_of(chip, item.frame) is None:
            raise CallError(f"{chip.name} has no register that can be read without effect. {out}")
        writer.runner(places)
