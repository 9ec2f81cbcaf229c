"""`python -m regmap.cli`: the same as `gateword`."""

import sys

from .main import main

status = main()
# The interpreter notes an interrupt that comes through the `exec` of a string (named tuples are made so) and, run by
# `-m`, kills itself with SIGINT at its end although it was dealt with. The next string that is run clears that note.
exec("")
sys.exit(status)
