"""A routine that runs the step tables over the caller's own SPI transfer, bytes in and bytes out."""

from __future__ import annotations

from ..chip.model import Access
from ..errors import CallError
from ..frames.words import build
from .frames import FrameNames, frame_type, word_bits, word_type
from .sheet import Sheet
from .text import count, defines, number

RESULTS = (
    ("OK", 0, "every step went as it must"),
    ("BUS", 1, "the transfer routine reported a failure"),
    ("FLAW", 2, "a reply contradicts its layout: guard, fixed bits, echo"),
    ("EXPECT", 3, "a word is not what it must be"),
)


def write_runner(sheet: Sheet, frames: dict[str, FrameNames]) -> None:
    """`exchange` one frame, `query` one word, `run` a table of steps."""
    names = sheet.names
    bus, step = names.lower("bus_t"), names.lower("step_t")
    several = len(frames) > 1
    sheet.section(
        "running the steps",
        "Give it a transfer of one chip-select burst: select, clock `size` bytes out of `out` and into `in`, "
        "deselect. It must return false where the bus failed.",
    )
    sheet.lines(*defines([(names.macro("RUN", n), count(c), t) for n, c, t in RESULTS]))
    sheet.lines(
        "",
        "typedef struct {",
        "    bool (*transfer)(void *context, const uint8_t *out, uint8_t *in, uint8_t size);",
        "    void (*wait_us)(void *context, uint32_t us);",
        "    void *context;",
        f"    uint32_t sent[{len(frames)}];  /* frames of each format since the chip's reset; start with 0 */",
        f"}} {bus};",
    )
    frame, data = frame_type(sheet), word_type(sheet)
    formal = ", uint8_t format" if several else ""
    actual = ", format" if several else ""
    exchange = names.lower("exchange")
    lines = ["bool done = false;"]
    per_frame = []
    for item in frames.values():
        per_frame.append(_exchange_lines(sheet, item))
    if several:
        lines += ["switch (format) {"]
        for item, moves in zip(frames.values(), per_frame, strict=True):
            lines += [
                f"case {count(item.index)}: {{",
                *(f"    {x}" for x in moves),
                "    break;",
                "}",
            ]
        lines += ["default:", "    break;", "}"]
    else:
        lines = ["bool done;", *per_frame[0]]
    lines.append("return done;")
    sheet.function(
        f"bool {exchange}({bus} *bus{formal}, {frame} command, {frame} *reply)",
        lines,
        "Sends one frame and gets what came in meanwhile; false where the bus failed.",
    )
    query = names.lower("query")
    lines = [
        "uint8_t result;",
        f"{frame} reply = 0U;",
        f"if (!{exchange}(bus{actual}, command, &reply)) {{",
        f"    result = {names.macro('RUN', 'BUS')};",
        "} else {",
    ]
    cases = [_query_lines(sheet, item, exchange, actual) for item in frames.values()]
    if several:
        body = [f"result = {names.macro('RUN', 'OK')};", "switch (format) {"]
        for item, case in zip(frames.values(), cases, strict=True):
            body += [
                f"case {count(item.index)}: {{",
                *(f"    {x}" for x in case),
                "    break;",
                "}",
            ]
        body += ["default:", f"    result = {names.macro('RUN', 'BUS')};", "    break;", "}"]
    else:
        body = [f"result = {names.macro('RUN', 'OK')};", *cases[0]]
    lines += [f"    {x}" for x in body]
    lines += ["}", "return result;"]
    sheet.function(
        f"uint8_t {query}({bus} *bus{formal}, {frame} command, {data} *word)",
        lines,
        "Sends a read and gets its word, in as many frames as that takes. RUN_...",
    )
    run = names.lower("run")
    formats = ", steps[i].format" if several else ""
    wide = "unsigned int" if word_bits(sheet) <= 16 else data
    lines = [
        f"uint8_t result = {names.macro('RUN', 'OK')};",
        "uint16_t i;",
        f"for (i = 0U; (i < size) && (result == {names.macro('RUN', 'OK')}); i++) {{",
        f"    if (steps[i].kind == {names.macro('STEP', 'WAIT')}) {{",
        "        bus->wait_us(bus->context, steps[i].wait_us);",
        f"    }} else if (steps[i].kind == {names.macro('STEP', 'EXPECT')}) {{",
        f"        {data} word = 0U;",
        f"        result = {query}(bus{formats}, steps[i].frame, &word);",
        f"        if ((result == {names.macro('RUN', 'OK')}) && ((({wide})word & steps[i].mask) != steps[i].expect)) {{",
        f"            result = {names.macro('RUN', 'EXPECT')};",
        "        }",
        "    } else {",
        f"        {frame} reply = 0U;",
        f"        if (!{exchange}(bus{formats}, steps[i].frame, &reply)) {{",
        f"            result = {names.macro('RUN', 'BUS')};",
        "        }",
        "    }",
        f"    if (result != {names.macro('RUN', 'OK')}) {{",
        "        *failed = i;",
        "    }",
        "}",
        "return result;",
    ]
    sheet.function(
        f"uint8_t {run}({bus} *bus, const {step} *steps, uint16_t size, uint16_t *failed)",
        lines,
        "Runs a table of steps; stops at the first that fails and says which. RUN_...",
    )
    if "status_steps" in sheet.tables:
        _status(sheet, exchange, query, formats)


def _status(sheet: Sheet, exchange: str, query: str, formats: str) -> None:
    """Reads the status registers in the order of STATUS_INDEX, selecting pages on the way."""
    names = sheet.names
    bus, data = names.lower("bus_t"), word_type(sheet)
    steps = names.lower("status_steps")
    ok = names.macro("RUN", "OK")
    lines = [
        f"uint8_t result = {ok};",
        "uint16_t i;",
        "uint16_t index = 0U;",
        f"for (i = 0U; (i < {names.macro('STATUS_STEPS', 'COUNT')}) && (result == {ok}); i++) {{",
        f"    if ({steps}[i].kind == {names.macro('STEP', 'EXPECT')}) {{",
        f"        result = {query}(bus{formats.replace('steps[', f'{steps}[')}, {steps}[i].frame, &words[index]);",
        "        index++;",
        "    } else {",
        f"        {frame_type(sheet)} reply = 0U;",
        f"        if (!{exchange}(bus{formats.replace('steps[', f'{steps}[')}, {steps}[i].frame, &reply)) {{",
        f"            result = {names.macro('RUN', 'BUS')};",
        "        }",
        "    }",
        "}",
        "return result;",
    ]
    sheet.function(
        f"uint8_t {names.lower('read_status')}({bus} *bus, {data} words[{names.macro('STATUS_COUNT')}])",
        lines,
        "Reads every status register of a configured chip, ready for `diagnose`. Reading may erase faults. RUN_...",
    )


def _exchange_lines(sheet: Sheet, item: FrameNames) -> list[str]:
    names, frame = sheet.names, item.frame
    size = names.macro(item.stem, "BYTES", of=f"BYTES of frame {frame.name}")
    to = names.lower(item.stem, "to_bytes", of=f"to_bytes of frame {frame.name}")
    back = names.lower(item.stem, "from_bytes", of=f"from_bytes of frame {frame.name}")
    sealed = f"({item.kind})command"
    if item.counters:
        sealed = f"{item.seal}({sealed}, bus->sent[{item.index}])"
    lines = [f"uint8_t out[{size}];", f"uint8_t in[{size}];", f"{to}({sealed}, out);"]
    if len(frame.bursts) > 1:
        table = names.lower(item.stem, "bursts", of=f"bursts of frame {frame.name}")
        bursts = names.macro(item.stem, "BURSTS", of=f"BURSTS of frame {frame.name}")
        lines += [
            "uint8_t at = 0U;",
            "uint8_t k;",
            "done = true;",
            f"for (k = 0U; done && (k < {bursts}); k++) {{",
            f"    done = bus->transfer(bus->context, &out[at], &in[at], {table}[k]);",
            f"    at = (uint8_t)(at + {table}[k]);",
            "}",
        ]
    else:
        lines.append(f"done = bus->transfer(bus->context, out, in, {size});")
    return [
        *lines,
        "if (done) {",
        f"    *reply = {back}(in);",
        f"    bus->sent[{item.index}]++;",
        "}",
    ]


def _query_lines(sheet: Sheet, item: FrameNames, exchange: str, actual: str) -> list[str]:
    """The reply comes `after` frames later: fetch it with reads that change nothing."""
    names, frame = sheet.names, item.frame
    bad = names.macro("RUN", "BUS")
    if not item.reply_data:
        return ["(void)word;", f"result = {bad};"]
    lines = []
    if frame.after:
        filler, what = _filler(sheet, item)
        text = filler or "command"
        lines += [
            "uint8_t k;",
            f"/* {what} */",
            f"for (k = 0U; (result == {names.macro('RUN', 'OK')}) && (k < {count(frame.after)}); k++) {{",
            f"    if (!{exchange}(bus{actual}, {text}, &reply)) {{",
            f"        result = {bad};",
            "    }",
            "}",
        ]
    sent = f"({item.kind})command"
    lines += [
        f"if ((result == {names.macro('RUN', 'OK')}) && ({item.reply_data}({sent}, ({item.kind})reply, word) != 0U)) {{",
        f"    result = {names.macro('RUN', 'FLAW')};",
        "}",
    ]
    return lines


def _filler(sheet: Sheet, item: FrameNames) -> tuple[str, str]:
    """A read that erases nothing, to clock a reply out; "" where only the same read will do."""
    for register in sheet.chip.registers.values():
        harmless = register.readable and all(
            f.access in (Access.RO, Access.RW, Access.ONCE) for f in register.fields
        )
        if not harmless or (register.frames and item.frame.name not in register.frames):
            continue
        parts: dict[str, int] = {}
        for part in item.frame.command.parts:
            if part.kind == "operation":
                code = register.operations.get("read", "read")
                if code in part.codes:
                    parts[part.name] = part.codes[code]
            elif part.kind == "address":
                parts[part.name] = register.address
            elif part.kind == "page":
                parts[part.name] = register.page or 0
        try:
            frame = build(item.frame.command, parts)
        except CallError:
            continue
        return number(
            frame, item.frame.length
        ), f"a read of {register.name} fetches the reply and changes nothing"
    return "", "the same read again fetches the reply"
