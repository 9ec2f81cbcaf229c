"""Calculations: every setting held against the power stage.

    from regmap.calc import Facts, Input, Inputs, run, worst_first

    for verdict in worst_first(run(Inputs([...], Facts(...)))):
        ...

The room knows nothing of maps, stages or settings; named inputs are the only way in.
"""

from ..cautions import CAUTION
from .consequences import CONSEQUENCES, consequence
from .inputs import Course, Facts, FailureMode, FaultTiming, FrameRun, Input, Inputs, describe
from .registry import SUBJECTS, Check, checks, run, select, work
from .verdict import WORDS, Verdict, fold_sides, tally, worst_first

__all__ = [
    "CAUTION",
    "CONSEQUENCES",
    "SUBJECTS",
    "WORDS",
    "Check",
    "Course",
    "Facts",
    "FailureMode",
    "FaultTiming",
    "FrameRun",
    "Input",
    "Inputs",
    "Verdict",
    "checks",
    "consequence",
    "describe",
    "fold_sides",
    "run",
    "select",
    "tally",
    "work",
    "worst_first",
]
