"""Examples for the end of every command's help: one table, so that a test can run them."""

from __future__ import annotations

#: command -> (shell line, what it does); what needs no file of yours runs as it stands
EXAMPLES: dict[str, tuple[tuple[str, str], ...]] = {
    "new": (
        ("gateword new map -o driver.yaml", "a commented map to fill in"),
        ("gateword new stage -o pump.yaml --map driver.yaml", "a stage around it"),
        ("gateword new project pump_drive", "a folder with all of it, from vet to record"),
    ),
    "vet": (
        ("gateword vet quoll16 coolant_pump", "a map and a stage"),
        ("gateword vet --solve quoll16", "which check bits explain its known frames"),
        ("gateword vet driver.yaml --against driver.h", "a hand-written header against the map"),
        ("gateword vet driver.yaml --against driver.h --patch fix.diff", "and what puts it right"),
    ),
    "show": (
        ("gateword show quoll16", "the whole chip"),
        ("gateword show quoll16 GATE_HS", "a register, with a picture of its bits"),
        ("gateword show quoll16 VDS.THRESHOLD", "a field with all its options"),
    ),
    "encode": (
        ('gateword encode quoll16 "GATE_HS.SOURCE=120 mA"', "one setting"),
        ("gateword encode coolant_pump bring_up --bytes", "all that brings the chip up, as bytes"),
        ("gateword encode quoll16 read:STATUS1", "a read"),
    ),
    "decode": (
        ("gateword decode quoll16 0x2291", "a frame taken apart"),
        ("gateword decode quoll16 --reply --to STATUS1 0xAA13", "a reply"),
        ("gateword decode quoll16 0x8000:0xAA13", "a command and its reply"),
    ),
    "explain": (
        (
            "gateword explain coolant_pump STATUS1=0x109 STATUS2=0x40 STATUS3=0",
            "what tripped first",
        ),
    ),
    "check": (
        ("gateword check coolant_pump", "all verdicts, the worst first"),
        ("gateword check coolant_pump pump_second_source", "variants beside each other"),
        ("gateword check coolant_pump --explain deadtime.enough.high", "the derivation of one"),
        ('gateword check coolant_pump --set "TIMING.DEAD_TIME=800 ns"', "with another setting"),
        ("gateword check coolant_pump --timeline startup", "from power-on to the first PWM"),
        (
            "gateword check coolant_pump --timeline low --duty highest --current out",
            "a PWM period, instant by instant",
        ),
    ),
    "sweep": (
        ("gateword sweep coolant_pump TIMING.DEAD_TIME", "every option of a setting"),
        ("gateword sweep coolant_pump pwm.frequency 10..60kHz", "values of the power stage"),
        (
            "gateword sweep coolant_pump TIMING.DEAD_TIME pwm.frequency 10..60kHz",
            "one against the other",
        ),
        (
            "gateword sweep coolant_pump TIMING.DEAD_TIME pwm.frequency 10..60kHz --check deadtime",
            "the margins of some checks alone",
        ),
    ),
    "propose": (
        ("gateword propose coolant_pump --goal watchdog", "settings for some goals"),
        ("gateword propose pump.yaml -o pump.yaml", "takes all of them over"),
    ),
    "compose": (
        ("gateword compose coolant_pump", "the full-screen view"),
        ("gateword compose pump.yaml --lines", "line by line"),
    ),
    "modes": (
        ("gateword modes pump.yaml", "every transition, and every fault with a mode that follows"),
        ("gateword modes pump.yaml as_stated limp", "the frames of one, and what is judged"),
        ("gateword modes pump.yaml --faults", "what follows on every fault in every mode"),
    ),
    "capture": (
        ("gateword capture bench.vcd --map driver.yaml", "what went over the SPI"),
        ("gateword capture bench.vcd --stage pump.yaml --summary", "held against a stage"),
        (
            "gateword capture bench.csv --map driver.yaml --line clock=CH1 --line select=CH2",
            "which channel is which line",
        ),
    ),
    "survey": (
        (
            "gateword survey night/ --stage pump.yaml -o night.tables",
            "a night's captures as tables",
        ),
        (
            "gateword survey tonight/ --stage pump.yaml -o tonight.tables --against night.tables",
            "what is new",
        ),
        ("gateword survey --log fleet.parquet --map driver.yaml -o fleet.tables", "logged words"),
    ),
    "header": (
        ("gateword header coolant_pump -o pump.h", "the header"),
        ("gateword header coolant_pump -o pump.h --check", "whether it is stale, for CI"),
    ),
    "diff": (
        ("gateword diff coolant_pump conveyor_drum --brief", "two stages"),
        ("gateword diff coolant_pump VDS=0x12", "a stage and what was read back"),
        ("gateword diff pump.yaml bench.vcd", "a stage and a capture"),
    ),
    "twin": (
        ("gateword twin coolant_pump", "prints the port of a simulated chip"),
        ('gateword twin quoll16 --disturbance "vds_uh at 12 ms"', "with a fault"),
        ("gateword twin quoll16 --list", "all disturbances"),
    ),
    "campaign": (
        (
            "gateword campaign new coolant_pump -o pump_faults.yaml",
            "a plan with a case for each fault",
        ),
        ("gateword campaign pump_faults.yaml --junit faults.xml", "run it"),
    ),
    "link": (
        ("gateword link list", "the ports of this machine"),
        ("gateword link PORT identify quoll16", "who answers"),
        ("gateword link PORT apply coolant_pump", "bring the chip up to a stage"),
    ),
    "report": (
        ("gateword report coolant_pump -o pump.html", "the record"),
        (
            "gateword report pump.yaml bench.vcd -o pump.html",
            "with a capture held against the stage",
        ),
        ("gateword report before.html after.html", "what changed between two records"),
    ),
    "schema": (
        ("gateword schema", "all names: documents, then kinds of outputs"),
        ("gateword schema check", "what `gateword check STAGE --json` prints"),
    ),
    "help": (
        ("gateword help corner", "one of the ideas"),
        ("gateword help check", "the same as gateword check --help"),
    ),
    "completion": (("gateword completion bash", "to be read by the shell, as below"),),
}


def text_of(command: str) -> str:
    """The examples of a command as the end of its help."""
    rows = EXAMPLES.get(command, ())
    widest = min(max((len(line) for line, _ in rows), default=0), 62)
    return "examples:\n" + "\n".join(
        f"  {line:<{widest}}  {what}" if len(line) <= widest else f"  {line}\n      {what}"
        for line, what in rows
    )
