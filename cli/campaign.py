"""`gateword campaign`: fault injection with expected reactions, measured and judged."""

from __future__ import annotations

import argparse
import contextlib
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from regmap.cautions import FIRST_WRITE
from regmap.errors import CallError
from regmap.files import reason, synced, writing
from regmap.holding import Hold, hold
from regmap.maps.load import find_document, load_map
from regmap.record import replace
from regmap.stages.identity import identity
from regmap.stages.load import load_stage

from .context import Context, Status, columns, wrap
from .files import write_text
from .signals import told_to_stop
from .vet import kind_of

if TYPE_CHECKING:
    from regmap.campaign.bench import Operator
    from regmap.campaign.load import Campaign
    from regmap.campaign.run import Result

NAME = "campaign"
HELP = "inject faults by a plan, on a simulated or real chip, and judge what follows"

EPILOG = """\
gateword campaign new coolant_pump -o pump_faults.yaml     a plan with a case for each fault, to be reviewed
gateword campaign pump_faults.yaml --junit faults.xml      run it; exit status 1 where a case fails
gateword campaign pump_12v.yaml pump_48v.yaml              a matrix: every case on every board, those that fail first
gateword campaign quoll16                                  all faults of a map, on the simulated chip
gateword campaign pump.yaml --drive-mode limp              all faults of a stage in one of its modes
In each mode of a stage it is also judged what the chip makes of the fault by itself, and the mode that follows is entered.
A file that names a program as firmware needs --start-firmware: look at what it would start.
On a port every case brings the chip up anew, which needs --allow-writes, and asks the operator.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = EPILOG
    parser.add_argument(
        "what",
        nargs="+",
        metavar="FILE | new STAGE|MAP",
        help="a campaign, or a stage or map for all of its faults; several: a matrix of cases and variants; "
        "`new` writes the plan instead",
    )
    parser.add_argument(
        "-o",
        "--output",
        metavar="FILE",
        help="results as JSON lines, one as each run ends; of `new` the plan (- or none: standard output)",
    )
    parser.add_argument("--junit", metavar="FILE.xml", help="results as JUnit XML")
    parser.add_argument(
        "--resume",
        metavar="FILE",
        help="go on from results that an interrupted run left, and add to them",
    )
    parser.add_argument(
        "--drive-mode",
        metavar="MODE",
        help="only the cases in this mode of the stage (as_stated: without one)",
    )
    parser.add_argument("--repeats", type=int, metavar="N", help="instead of what the file says")
    parser.add_argument("--seed", type=int, metavar="N", help="instead of what the file says")
    parser.add_argument(
        "--allow-writes", action="store_true", help="yes, write to the chip at the campaign's port"
    )
    parser.add_argument(
        "--start-firmware",
        action="store_true",
        help="yes, start the program that the campaign file names as firmware",
    )
    parser.add_argument(
        "--json", action="store_true", help="one JSON object a run instead of the table"
    )


def run(args: argparse.Namespace, context: Context) -> int:
    if args.what[0] == "new":
        return _new(args, context)
    if args.resume and len(args.what) > 1:
        raise CallError("--resume goes on with one campaign", "one file")
    if args.resume and args.output:
        raise CallError("--resume adds to its own file", "it or -o")
    campaigns = [_campaign(name, args, context) for name in args.what]
    for campaign in campaigns:
        _permitted(campaign, args, context)
    ran = _ran(campaigns, args, context)
    if not args.json:
        if len(ran) > 1:
            _beside(ran, context)
        for campaign, found in ran:
            _summary(campaign, found, context)
    results = [r for _, found in ran for r in found]
    if any(r.verdict == "error" for r in results):
        return Status.LINK
    return Status.OK if all(r.ok for r in results) else Status.FINDINGS


def _ran(
    campaigns: list[Campaign], args: argparse.Namespace, context: Context
) -> list[tuple[Campaign, list[Result]]]:
    """Every campaign with its results; each is kept before it is shown, and none is lost with those that follow."""
    from regmap.campaign.results import junit_of, plain, read_results
    from regmap.campaign.run import run_campaign

    kept = args.resume or args.output
    done = read_results(Path(args.resume), campaigns[0]) if args.resume else {}
    ran: list[tuple[Campaign, list[Result]]] = []
    out: TextIO | None = None
    held = hold(kept, "adds results to it") if kept else Hold()
    try:
        with told_to_stop():
            if kept:
                out = _results_file(args)
            for campaign in campaigns:
                results: list[Result] = []
                ran.append((campaign, results))
                for result in run_campaign(campaign, done=done, operator=_operator(context)):
                    results.append(result)
                    line = plain(campaign, result)
                    if out is not None and (result.case, result.repeat) not in done:
                        out.write(_line(line) + "\n")
                        synced(out, Path(kept))
                    if args.json:
                        shown = {k: v for k, v in line.items() if k not in ("schema", "kind")}
                        context.json_line("campaign_result", **shown)
                    elif len(campaigns) == 1:
                        _show(result, context)
                    elif not result.ok:  # the others stand in the matrix
                        context.out(f"{campaign.name}:")
                        _show(result, context)
                    context.stdout.flush()
    finally:
        if out is not None:
            # a close that fails to write what waits has closed all the same
            with contextlib.suppress(OSError):
                out.close()
        held.close()
        if args.junit and any(results for _, results in ran):
            write_text(Path(args.junit), junit_of(ran))
    return ran


def _beside(ran: list[tuple[Campaign, list[Result]]], context: Context) -> None:
    """The cases of several boards side by side."""
    from regmap.campaign.matrix import campaign_matrix

    found = campaign_matrix(ran)
    rows = [[r.case, *(v or "-" for v in r.verdicts)] for r in found.rows]
    for line in columns([["", *found.names], *rows]):
        context.out(line)


def _summary(campaign: Campaign, results: list[Result], context: Context) -> None:
    """What was not covered, of which documents this is evidence, and how many have which verdict."""
    from regmap.campaign.results import VERDICTS, not_covered

    for text in not_covered(campaign, results):
        context.out(wrap(f"not covered: {text}", context.width, hang="    "))
    counts = {v: sum(r.verdict == v for r in results) for v in VERDICTS}
    told = ", ".join(f"{n} {verdict}" for verdict, n in counts.items() if n)
    where = (
        f"on {campaign.port}"
        if campaign.port
        else "on a simulated chip, which proves nothing of silicon"
    )
    context.out(wrap(str(identity(campaign.stage or campaign.chip)), context.width, hang="  "))
    context.out(wrap(f"{campaign.name}: {told}; {where}", context.width, hang="    "))


def _permitted(campaign: Campaign, args: argparse.Namespace, context: Context) -> None:
    """Raises CallError for what a campaign would do without having been allowed to."""
    if campaign.port:
        context.err(wrap(FIRST_WRITE, context.width))
        if not args.allow_writes:
            raise CallError(
                f"a campaign on {campaign.port} writes to its chip: needs --allow-writes"
            )
    if campaign.firmware and not args.start_firmware:
        raise CallError(
            f"this campaign would start the program {campaign.firmware[:200]!r}: needs --start-firmware"
        )


def _results_file(args: argparse.Namespace) -> TextIO:
    """Where results go as they come; a file that exists is added to only by --resume."""
    path = Path(args.resume or args.output)
    try:
        return writing(path, "a" if args.resume else "x", errors="backslashreplace")
    except FileExistsError:
        raise CallError(f"{path} exists", f"a new name, or --resume {path}") from None
    except OSError as error:
        raise CallError(reason(path, error)) from None


def _line(content: dict[str, object]) -> str:
    import json

    return json.dumps(content, ensure_ascii=False)


def _show(result: Result, context: Context) -> None:
    from regmap.campaign.results import rows

    ((verdict, case, to_pin, to_read, to_reaction, to_mode, why),) = rows([result])
    style = {"pass": "good", "fail": "bad", "error": "bad"}.get(verdict, "dim")
    times = f"pin {to_pin:>11}  read {to_read:>11}"
    if to_reaction != "-":
        times += f"  reaction {to_reaction}"
    if to_mode != "-":
        times += f"  then {to_mode}"
    context.out(f"{context.style(f'{verdict:<7}', style)} {case:<20} {times}")
    if why:
        context.out(wrap(why, context.width, indent="        "))


def _operator(context: Context) -> Operator | None:
    """Asks a person at the terminal; None where there is none."""
    if not context.stdin.isatty():
        return None

    def ask(text: str) -> bool:
        context.stderr.write(f"To do: {text}\nEnter once it is done, anything else to skip: ")
        context.stderr.flush()
        return context.stdin.readline() == "\n"

    return ask


def _campaign(name: str, args: argparse.Namespace, context: Context) -> Campaign:
    """The campaign of a file; of a stage or a map the one over all of its faults."""
    from regmap.campaign.load import load_campaign, read_campaign
    from regmap.document.source import compose_file, has_key
    from regmap.errors import FileError

    path = find_document(name)
    own = has_key(compose_file(path).node, "gateword_campaign")
    text = None if own else _plan(name, written=False)
    if text is None:
        campaign = load_campaign(path)
    else:
        found, problems = read_campaign(Path("all_faults.yaml"), text)
        if found is None:
            raise FileError(problems)
        campaign = found
    context.gate.reads(campaign.chip.files)
    if args.drive_mode:
        campaign = campaign.only_in(args.drive_mode)
    if args.repeats is not None:
        if args.repeats < 1:
            raise CallError("--repeats is at least 1")
        campaign = replace(campaign, repeats=args.repeats)
    return campaign if args.seed is None else replace(campaign, seed=args.seed)


def _plan(document: str, *, written: bool) -> str:
    from regmap.campaign.plan import new_campaign
    from regmap.chip.bank import Bank

    path = find_document(document)
    stage = load_stage(path) if kind_of(path) == "stage" else None
    chip = stage.chip if stage is not None else load_map(path)
    bank = stage.bank if stage is not None else Bank.at_reset(chip)
    name = stage.name if stage is not None else chip.name
    return new_campaign(f"{name}_faults", document, chip, bank, stage, written=written)


def _new(args: argparse.Namespace, context: Context) -> int:
    if len(args.what) != 2:
        raise CallError("expected one stage or map after `new`")
    if args.drive_mode:
        raise CallError("a plan is over all modes", "--drive-mode when it is run")
    text = _plan(args.what[1], written=True)
    if args.output in (None, "-"):
        context.stdout.write(text)
        return Status.OK
    path = Path(args.output)
    if path.exists():
        raise CallError(f"{path} is there already", "a new name")
    write_text(path, text)
    context.err(f"wrote {path}; look through it, then: gateword campaign {path}")
    return Status.OK
