"""The review record: everything about a stage on one HTML page, for people to check and to sign.

    record = review(load_stage("motor.yaml"), capture="bring_up.vcd", date="2031-05-04")
    record.html, record.findings

One file without links to the outside, without script, without the clock: the same stage gives the
same bytes, so two records can be compared. A date stands in it only where it is given.
"""

from __future__ import annotations

from .compare import RecordComparison, compare_records, is_record
from .record import ReviewRecord, review
from .reqif import trace_reqif
from .trace import TraceRow, trace_csv

__all__ = [
    "RecordComparison",
    "ReviewRecord",
    "TraceRow",
    "compare_records",
    "is_record",
    "review",
    "trace_csv",
    "trace_reqif",
]
