"""Coverage-guided fuzzing of everything that reads a capture; run by hand, not part of the suite.

    pip install atheris
    python tests/fuzz/fuzz_captures.py -max_total_time=600 -rss_limit_mb=8000 -timeout=20

Whatever the bytes are, reading ends in data, notes or a CaptureError; anything else is a finding.
"""

from __future__ import annotations

import io
import sys
from fractions import Fraction

import atheris

with atheris.instrument_imports(include=["regmap"]):
    from regmap.capture.formats.opening import OpenOptions, open_capture
    from regmap.capture.lines.channels import find_roles
    from regmap.capture.spi import SpiSetup
    from regmap.capture.transfers.stream import read_transfers
    from regmap.errors import CallError, CaptureError

FORMATS = [None, "vcd", "csv", "raw", "frames"]


def one(data: bytes) -> None:
    if len(data) < 2:
        return
    choice, body = data[0], data[1:]
    raw = {"rate": Fraction(1_000_000), "lines": {"clk": 0, "cs": 1, "sdi": 2, "sdo": 3}}
    options = OpenOptions(**raw, block=1 << (6 + choice % 8)) if choice & 64 else OpenOptions()
    try:
        with open_capture(
            io.BytesIO(body), format=FORMATS[choice % len(FORMATS)], options=options, name="fuzz"
        ) as capture:
            if capture.kind == "frames":
                capture.frame_transfers()
                return
            signals = capture.read()
        finding = find_roles(signals)
        with open_capture(
            io.BytesIO(body), format=FORMATS[choice % len(FORMATS)], options=options, name="fuzz"
        ) as capture:
            read_transfers(capture, SpiSetup(mode=choice % 4), finding.roles)
    except (CaptureError, CallError):
        return


if __name__ == "__main__":
    atheris.Setup(sys.argv, one)
    atheris.Fuzz()
