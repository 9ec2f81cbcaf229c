"""gateword's library: register maps of SPI-configured gate drivers, and what follows from them.

Nothing here prints, reads argv or touches a terminal. Import the room you need, for example
`from regmap.mapfile import load_map`; importing `regmap` itself loads nothing heavy.
"""

__version__ = "0.1.0"
