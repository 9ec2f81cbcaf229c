"""`python -m regmap.cli`: the same as `gateword`."""

import sys

from .main import main

sys.exit(main())
