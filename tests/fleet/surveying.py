"""A survey of logs in a process of its own, for tests that end it: `python surveying.py LOGS OUT WORKERS TOGETHER`.

TOGETHER are the rows that may stay in memory; every file is read side by side where there are several workers.
"""

from __future__ import annotations

import sys
from pathlib import Path

from regmap.fleet import logfiles, logparts, logstore
from regmap.fleet.captured import Against
from regmap.fleet.sources import find_sources
from regmap.maps.load import load_map

if __name__ == "__main__":
    place, out, workers, together = Path(sys.argv[1]), sys.argv[2], *map(int, sys.argv[3:])
    logstore.TOGETHER, logfiles._ALONE, logparts._BYTES = together, 0, 1 << 14
    sources, against = find_sources([place]), Against((load_map("quoll16"),))
    columns = logfiles.columns_of(sources[0].file, against.chips[0], {}, "ns")
    logfiles.survey_logs(sources, against, columns, out, format="csv", workers=workers)
