"""Routines for one frame over the caller's own SPI transfer; nothing unproven is believed.

frame_out, frame_in   one frame as bytes to send; what came in, checked in every way the map allows
exchange              a frame and the reply to it
"""

from __future__ import annotations

from .frames import FrameNames, frame_type, word_bits, word_type
from .sheet import Sheet
from .text import count, defines, number, utype

RESULTS = (
    ("OK", 0, "every step went as it must"),
    ("SPI", 1, "the transfer routine reported a failure"),
    ("FRAME_ERROR", 2, "a reply contradicts its layout: check bits, fixed bits, echo"),
    ("EXPECT", 3, "a word is not what it must be"),
    ("REJECTED", 4, "status or counter of a reply say that a frame was rejected"),
    ("CHANGED", 5, "two reads of a status register differ: read again"),
    ("RESET", 6, "the chip has been reset since it was configured"),
    ("BUSY", 7, "go on"),
    ("WAIT", 8, "go on after task->wait_us"),
)
MONITOR = ("MONITOR", 9, "a monitor has not shown the fault that was forced")
NO_WAY = (
    "NO_WAY",
    10,
    "no way leads from the one mode to the other, or there is no such board; nothing was sent",
)


class FrameRoutines:
    """Writes the routines for one frame; what a header calls its things beside them."""

    def __init__(self, sheet: Sheet, frames: dict[str, FrameNames]) -> None:
        self.sheet, self.frames = sheet, list(frames.values())
        names = sheet.names
        self.spi, self.step, self.task = (names.lower(n) for n in ("spi_t", "step_t", "task_t"))
        self.frame, self.data = frame_type(sheet), word_type(sheet)
        self.several = len(self.frames) > 1
        self.after = max(f.frame.after for f in self.frames)
        self.counted = any(f.counter[0] for f in self.frames)
        self.formal = ", uint8_t format" if self.several else ""
        self.actual = ", format" if self.several else ""
        self.wide = "unsigned int" if word_bits(sheet) <= 16 else self.data

    def low(self, name: str) -> str:
        return self.sheet.names.lower(name)

    def result(self, name: str) -> str:
        return self.sheet.names.macro("RUN", name)

    def kind(self, name: str) -> str:
        return self.sheet.names.macro("STEP", name)

    def of(self, item: FrameNames, name: str, *, macro: bool = False) -> str:
        """A name that belongs to one frame."""
        make = self.sheet.names.macro if macro else self.sheet.names.lower
        return make(item.stem, name, of=f"{name} of frame {item.frame.name}")

    def cases(self, bodies: list[list[str]]) -> list[str]:
        """One body for each format; without a switch where there is one."""
        if not self.several:
            return bodies[0]
        lines = ["switch (format) {"]
        for item, body in zip(self.frames, bodies, strict=True):
            lines += [
                f"case {count(item.index)}: {{",
                *(f"    {x}" for x in body),
                "    break;",
                "}",
            ]
        return [*lines, "default:", "    break;", "}"]

    # --- one frame -------------------------------------------------------------------------------
    def types(self) -> None:
        sheet, names = self.sheet, self.sheet.names
        sheet.section(
            "running the steps",
            [
                "Give it a transfer of one chip-select burst: select, clock `size` bytes out of `out` and into `in`, "
                "deselect. It must return false where the SPI failed.",
                "Each reply is checked as far as the map allows: check bits, fixed bits, echo, counter, and status that "
                "says that a frame was rejected. What was found stands in the structure spi_t.",
                "Restart: after any result other than OK, BUSY and WAIT begin the table again, not at the step that "
                "failed: an unlocking key may be half way. A chip that was reset needs init; where only the controller "
                "was, resync and then warm.",
            ],
        )
        results = (*RESULTS, MONITOR) if "monitor_tests" in sheet.tables else RESULTS
        if "modes" in sheet.tables or sheet.variants:
            results = (*results, NO_WAY)
        sheet.lines(*defines([(names.macro("RUN", n), count(c), t) for n, c, t in results]))
        most = names.macro("BYTES_MOST")
        sheet.lines(
            *defines(
                [
                    (
                        most,
                        count(max(sum((b + 7) // 8 for b in f.frame.bursts) for f in self.frames)),
                        "",
                    )
                ]
            )
        )
        counter = utype(max((f.counter[2] for f in self.frames), default=1) or 1)
        sheet.lines(
            "",
            "typedef struct {",
            "    bool (*transfer)(void *context, const uint8_t *out, uint8_t *in, uint8_t size);",
            "    void (*wait_us)(void *context, uint32_t us);",
            "    void *context;",
            f"    uint32_t sent[{len(self.frames)}];   /* frames of each format since the chip's reset */",
            *(
                [
                    f"    {self.frame} pending[{self.after}];  /* commands whose replies are to come, the last one first */"
                ]
                if self.after
                else []
            ),
            f"    {self.frame} command;    /* the last command, as sent */",
            f"    {self.frame} reply;      /* what came in meanwhile */",
            f"    {self.data} got;        /* the last word read */",
            f"    {self.data} differ;     /* its bits that are not as they must be */",
            *(
                [
                    f"    {self.data} kept[{len(sheet.kept)}];    /* bits that must be written as they were read, of "
                    f"{', '.join(sheet.kept)} */",
                    f"    {utype(len(sheet.kept))} kept_known; /* a bit for each that has been read */",
                ]
                if sheet.kept
                else []
            ),
            "    uint16_t step;      /* the step in hand, of its table */",
            *(["    uint16_t frames;    /* so far, modulo 65536 */"] if self.after else []),
            "    uint8_t errors;     /* FRAME_ERROR_... of the last reply */",
            *(
                [
                    "    uint8_t pending_count; /* how many */",
                    "    uint8_t format;     /* and their format */",
                ]
                if self.after
                else []
            ),
            "    bool reset;         /* the status of the last reply told of a reset */",
            *(
                ["    bool doubt;         /* it had the flag of one, which no check bits cover */"]
                if sheet.reset_doubted
                else []
            ),
            *(
                [
                    "    bool settled;       /* the flag of a reset was down when a table ended: up again it tells of one */"
                ]
                if sheet.reset_told
                else []
            ),
            *(
                [
                    "    bool counted;       /* the counter of the last reply is known: */",
                    f"    {counter} counter;",
                ]
                if self.counted
                else []
            ),
            f"}} {self.spi};",
        )
        lines = [
            "uint8_t i;",
            "spi->transfer = transfer;",
            "spi->wait_us = wait_us;",
            "spi->context = context;",
            f"for (i = 0U; i < {count(len(self.frames))}; i++) {{",
            "    spi->sent[i] = 0U;",
            "}",
        ]
        if self.after:
            lines += [
                f"for (i = 0U; i < {count(self.after)}; i++) {{",
                "    spi->pending[i] = 0U;",
                "}",
            ]
        lines += [
            f"spi->{m} = 0U;" for m in ("command", "reply", "got", "differ", "step", "errors")
        ]
        if sheet.kept:
            lines += [
                f"for (i = 0U; i < {count(len(sheet.kept))}; i++) {{",
                "    spi->kept[i] = 0U;",
                "}",
                "spi->kept_known = 0U;",
            ]
        if self.after:
            lines += ["spi->pending_count = 0U;", "spi->format = 0U;", "spi->frames = 0U;"]
        lines += ["spi->reset = false;"]
        lines += ["spi->doubt = false;"] if sheet.reset_doubted else []
        lines += ["spi->settled = false;"] if sheet.reset_told else []
        if self.counted:
            lines += ["spi->counted = false;", "spi->counter = 0U;"]
        sheet.function(
            f"void {self.low('spi_init')}({self.spi} *spi, "
            "bool (*transfer)(void *context, const uint8_t *out, uint8_t *in, uint8_t size), "
            "void (*wait_us)(void *context, uint32_t us), void *context)",
            lines,
            "Before the first frame, and each time the chip has been reset.",
        )

    def frame_out(self) -> None:
        bodies = []
        for item in self.frames:
            complete = f"({item.kind})command"
            if item.counters:
                complete = f"{item.complete}({complete}, spi->sent[{item.index}])"
            body = [
                f"const {item.kind} complete = {complete};",
                f"{self.of(item, 'to_bytes')}(complete, out);",
                "spi->command = complete;",
                f"bytes = {self.of(item, 'BYTES', macro=True)};",
            ]
            bodies.append(body)
        lines = ["uint8_t bytes = 0U;", *self.cases(bodies), "return bytes;"]
        if not self.several:
            lines = [
                bodies[0][0],
                *bodies[0][1:3],
                f"return {self.of(self.frames[0], 'BYTES', macro=True)};",
            ]
        self.sheet.function(
            f"uint8_t {self.low('frame_out')}({self.spi} *spi{self.formal}, {self.frame} command, uint8_t *out)",
            lines,
            "The bytes of a frame, counters and check bits included, as a byte-wide SPI or DMA sends them; how many.",
        )

    def _checked(self, item: FrameNames) -> list[str]:
        """Lines that look at a reply of this format; `errors` is what is wrong."""
        after = item.frame.after
        lines = [
            f"const {item.kind} reply = {self.of(item, 'from_bytes')}(in);",
            "spi->reply = reply;",
            f"spi->sent[{item.index}]++;",
        ]
        if not item.errors:
            return lines
        pending = f"spi->pending[{after - 1}]" if after else "spi->command"
        expression, step, width = item.counter
        body = [f"errors = {item.errors}(({item.kind}){pending}, reply);"]
        if expression:
            kind = utype(width)
            mask = number((1 << width) - 1, width)
            solid = number(15, 8)
            body += [
                f"if ((errors & {solid}) != 0U) {{",
                "    spi->counted = false;",
                "} else {",
                f"    const {kind} now = ({kind}){expression};",
                f"    if (spi->counted && (now != ((spi->counter + {count(step)}) & {mask}))) {{",
                f"        errors |= {self.sheet.names.macro('FRAME_ERROR', 'COUNTER')};",
                "    }",
                "    spi->counter = now;",
                "    spi->counted = true;",
                "}",
            ]
        if after:
            test = f"spi->pending_count >= {count(after)}"
            if self.several:
                test = f"(spi->format == format) && ({test})"
            body = [f"if ({test}) {{", *(f"    {x}" for x in body), "}"]
        return lines + body

    def frame_in(self) -> None:
        names = self.sheet.names
        error = {"RESET": names.macro("FRAME_ERROR", "RESET")}
        lines = ["uint8_t errors = 0U;", f"uint8_t result = {self.result('OK')};"]
        if not self.several:
            # declarations first: no mixing with statements is needed in C99, but it reads better
            lines += ["{", *(f"    {x}" for x in self._checked(self.frames[0])), "}"]
        else:
            if self.after:
                lines += [
                    "if (spi->format != format) {",
                    "    spi->pending_count = 0U;",
                    *(["    spi->counted = false;"] if self.counted else []),
                    "    spi->format = format;",
                    "}",
                ]
            lines += self.cases([self._checked(f) for f in self.frames])
        if self.after:
            lines += ["{", "    uint8_t i;"]
            lines += (
                [
                    f"    for (i = {count(self.after - 1)}; i > 0U; i--) {{",
                    "        spi->pending[i] = spi->pending[i - 1U];",
                    "    }",
                ]
                if self.after > 1
                else []
            )
            if self.after == 1:
                lines.remove("    uint8_t i;")
            lines += [
                "    spi->pending[0] = spi->command;",
                "    spi->frames++;",
                f"    if (spi->pending_count < {count(self.after)}) {{",
                "        spi->pending_count++;",
                "    }",
                "}",
            ]
        # of a reply that is damaged no bit is believed
        told = f"((errors & {error['RESET']}) != 0U) && ((errors & {number(15, 8)}) == 0U)"
        if self.sheet.reset_doubted:
            # one wrong bit may look like it: two in a row do not
            lines += [
                "{",
                f"    const bool up = {told};",
                "    spi->reset = up && spi->doubt;",
                "    spi->doubt = up;",
                "}",
            ]
        else:
            lines.append(f"spi->reset = {told};")
        lines += [
            f"errors = (uint8_t)((unsigned int)errors & {number(0x3F, 8)});",
            f"if ((errors & {number(15, 8)}) != 0U) {{",
            f"    result = {self.result('FRAME_ERROR')};",
            "} else if (errors != 0U) {",
            "    /* a flag that stays up hides the next rejection: nothing is proven while it does */",
            f"    result = {self.result('REJECTED')};",
            *self._lost(),
            "} else {",
            "    /* nothing is wrong */",
            "}",
            "spi->errors = errors;",
            "return result;",
        ]
        self.sheet.function(
            f"uint8_t {self.low('frame_in')}({self.spi} *spi{self.formal}, const uint8_t *in)",
            lines,
            "What came in during that frame, checked as the reply to the command that it belongs to. RUN_...",
        )

    def _lost(self) -> list[str]:
        """Statements of a reply with nothing wrong in it but a flag that was down."""
        if not self.sheet.reset_told:
            return []
        return ["} else if (spi->reset && spi->settled) {", f"    result = {self.result('RESET')};"]

    def exchange(self) -> None:
        """One frame there and back, blocking."""
        transfer = self.low("transfer")
        bodies = []
        for item in self.frames:
            if len(item.frame.bursts) > 1:
                table, bursts = self.of(item, "bursts"), self.of(item, "BURSTS", macro=True)
                bodies.append(
                    [
                        "uint8_t at = 0U;",
                        "uint8_t k;",
                        "done = true;",
                        f"for (k = 0U; done && (k < {bursts}); k++) {{",
                        "    uint8_t size = 0U;",
                        f"    {self.sheet.fetch('size', f'{table}[k]')}",
                        "    done = spi->transfer(spi->context, &out[at], &in[at], size);",
                        "    at = (uint8_t)(at + size);",
                        "}",
                    ]
                )
            else:
                size = self.of(item, "BYTES", macro=True)
                bodies.append([f"done = spi->transfer(spi->context, out, in, {size});"])
        self.sheet.hidden_function(
            f"bool {transfer}({self.spi} *spi{self.formal}, const uint8_t *out, uint8_t *in)",
            [
                f"bool done{' = false' if self.several else ''};",
                *self.cases(bodies),
                "return done;",
            ],
            "The chip-select bursts of one frame.",
        )
        most = self.sheet.names.macro("BYTES_MOST")
        self.sheet.function(
            f"uint8_t {self.low('exchange')}({self.spi} *spi{self.formal}, {self.frame} command, {self.frame} *reply)",
            [
                f"uint8_t out[{most}];",
                f"uint8_t in[{most}];",
                f"uint8_t result = {self.result('SPI')};",
                f"(void){self.low('frame_out')}(spi{self.actual}, command, out);",
                f"if ({transfer}(spi{self.actual}, out, in)) {{",
                f"    result = {self.low('frame_in')}(spi{self.actual}, in);",
                "    *reply = spi->reply;",
                "}",
                "return result;",
            ],
            "Sends one frame and gets what came in meanwhile. RUN_...",
        )
