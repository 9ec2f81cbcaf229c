"""gateword's library: register maps of SPI-configured gate drivers, and what follows from them.

    import regmap

    chip = regmap.load_map("quoll16")           # a map: a path, or the name of a bundled one
    stage = regmap.load_stage("coolant_pump")   # the power stage around a chip and its settings
    regmap.assess(stage).counts                 # every check with its verdict

Nothing here prints, reads argv or touches a terminal. What is public is what `__all__` names; it is
imported when it is first asked for, so that `import regmap` loads nothing. The rooms below hold more
(regmap/README.md shows them), without the promise that they stay as they are.
"""

from __future__ import annotations

import os

TYPE_CHECKING = False  # a checker takes it for typing's, whose import would double the start-up
if TYPE_CHECKING:
    from .assessment.stage import Assessment, assess
    from .behaviour.faults import Explanation, explain
    from .behaviour.plan import plan
    from .capture.formats.opening import open_capture
    from .cheader import Options as HeaderOptions
    from .cheader import generate as generate_header
    from .chip.bank import Bank
    from .chip.model import Chip
    from .errors import (
        CallError,
        CaptureError,
        FileError,
        FrameError,
        GatewordError,
        LinkError,
        Place,
        Problem,
    )
    from .frames.bulk import BulkCodec
    from .frames.codec import Codec
    from .link.port import AdapterPort
    from .link.session import Link
    from .maps.load import load_map
    from .stages.load import Stage, load_stage
    from .trace.tracer import trace_capture
    from .twin import Twin

__version__ = "0.1.0"

#: public name -> (module, name in it)
_PUBLIC = {
    "AdapterPort": ("link.port", "AdapterPort"),
    "Assessment": ("assessment.stage", "Assessment"),
    "Bank": ("chip.bank", "Bank"),
    "BulkCodec": ("frames.bulk", "BulkCodec"),
    "CallError": ("errors", "CallError"),
    "CaptureError": ("errors", "CaptureError"),
    "Chip": ("chip.model", "Chip"),
    "Codec": ("frames.codec", "Codec"),
    "Explanation": ("behaviour.faults", "Explanation"),
    "FileError": ("errors", "FileError"),
    "FrameError": ("errors", "FrameError"),
    "GatewordError": ("errors", "GatewordError"),
    "HeaderOptions": ("cheader", "Options"),
    "Link": ("link.session", "Link"),
    "LinkError": ("errors", "LinkError"),
    "Place": ("errors", "Place"),
    "Problem": ("errors", "Problem"),
    "Stage": ("stages.load", "Stage"),
    "Twin": ("twin", "Twin"),
    "assess": ("assessment.stage", "assess"),
    "explain": ("behaviour.faults", "explain"),
    "generate_header": ("cheader", "generate"),
    "load_map": ("maps.load", "load_map"),
    "load_stage": ("stages.load", "load_stage"),
    "open_capture": ("capture.formats.opening", "open_capture"),
    "plan": ("behaviour.plan", "plan"),
    "trace_capture": ("trace.tracer", "trace_capture"),
}

__all__ = [
    "AdapterPort",
    "Assessment",
    "Bank",
    "BulkCodec",
    "CallError",
    "CaptureError",
    "Chip",
    "Codec",
    "Explanation",
    "FileError",
    "FrameError",
    "GatewordError",
    "HeaderOptions",
    "Link",
    "LinkError",
    "Place",
    "Problem",
    "Stage",
    "Twin",
    "__version__",
    "assess",
    "explain",
    "generate_header",
    "load_map",
    "load_stage",
    "open_capture",
    "plan",
    "trace_capture",
]

# In a checkout cli/, devices/ and captures/ stand beside this folder, installed inside it: they are
# `regmap.cli`, `regmap.devices` and `regmap.captures` either way.
_checkout = os.path.dirname(__path__[0])  # noqa: PTH120 - pathlib would double the start-up
if os.path.isfile(os.path.join(_checkout, "cli", "main.py")):  # noqa: PTH113, PTH118
    __path__.append(_checkout)


def __getattr__(name: str) -> object:
    """A public name, imported now (PEP 562)."""
    if name not in _PUBLIC:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    module, own = _PUBLIC[name]
    value: object = getattr(import_module(f".{module}", __name__), own)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted(__all__)
