"""gateword's library: register maps of SPI-configured gate drivers, and what follows from them.

Nothing here prints, reads argv or touches a terminal. Import the room you need, for example
`from regmap.maps.load import load_map`; importing `regmap` itself loads nothing heavy.
"""

import os

__version__ = "0.1.0"

# In a checkout cli/, devices/ and captures/ stand beside this folder, installed inside it: they are
# `regmap.cli`, `regmap.devices` and `regmap.captures` either way.
_checkout = os.path.dirname(__path__[0])  # noqa: PTH120 - pathlib would double the start-up
if os.path.isfile(os.path.join(_checkout, "cli", "main.py")):  # noqa: PTH113, PTH118
    __path__.append(_checkout)
