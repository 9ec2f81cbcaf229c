"""`gateword link PORT check-adapter`: whether an adapter keeps the protocol."""

from __future__ import annotations

import argparse

from regmap.errors import CallError
from regmap.wire.conformance import check_adapter
from regmap.wire.ports import Reopener

from .context import Context, Status, wrap
from .linkrun import seconds
from .signals import told_to_stop


def run_check(args: argparse.Namespace, context: Context) -> int:
    """Every rule with its verdict; exit status 1 where one is broken."""
    context.err(
        wrap(
            "check-adapter clocks arbitrary bytes out and drives the enable pin low: nothing that could act on "
            "them may be connected.",
            context.width,
        )
    )
    if not args.allow_writes:
        raise CallError(f"checking the adapter on {args.port} needs --allow-writes")
    line = Reopener(args.port, baud=args.baud)()
    broken = kept = 0
    try:
        with told_to_stop():
            for finding in check_adapter(
                line, timeout=max(0.3, seconds(args.timeout, "--timeout"))
            ):
                broken += not finding.ok
                kept += finding.ok
                if args.json:
                    context.json_line(
                        "adapter_rule", rule=finding.title, ok=finding.ok, detail=finding.detail
                    )
                    continue
                word = (
                    context.style("kept", "good") if finding.ok else context.style("BROKEN", "bad")
                )
                detail = f": {finding.detail}" if finding.detail and not finding.ok else ""
                context.out(
                    wrap(f"{word:<7} {finding.title}{detail}", context.width, hang="        ")
                )
    finally:
        line.close()
    if not args.json:
        context.out(f"{kept} of {kept + broken} rules kept")
    return Status.FINDINGS if broken else Status.OK
