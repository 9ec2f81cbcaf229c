"""Runs the program in this process, as a user would at 80 columns without colour."""

from __future__ import annotations

import io
import os
from collections.abc import Callable
from dataclasses import dataclass

import pytest

from regmap.cli.context import Context
from regmap.cli.main import main


@dataclass(frozen=True)
class Result:
    status: int
    out: str
    err: str


@pytest.fixture
def gateword(capsys: pytest.CaptureFixture[str]) -> Callable[..., Result]:
    """`gateword("vet", "quoll16")` -> status, standard output, standard error."""

    def run(*arguments: str, stdin: bytes = b"") -> Result:
        out, err = io.StringIO(), io.StringIO()
        context = Context(
            stdin=io.TextIOWrapper(io.BytesIO(stdin)),
            stdout=out,
            stderr=err,
            environ={**os.environ},
        )
        status = main(list(arguments), context)
        printed = capsys.readouterr()  # argparse writes to the real streams
        return Result(status, out.getvalue() + printed.out, err.getvalue() + printed.err)

    return run
