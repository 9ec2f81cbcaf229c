"""C headers from a map or a stage: definitions, frames with check bits, configuration, readback, faults.

    made = generate(load_stage("coolant_pump"), Options(prefix="gd"))
    made.header      one self-contained header (or header and `made.source` with Options(split=True))

Pure: no clock, no file system; the same input gives the same bytes.
"""

from .layout import SECTIONS, Generated, content_hash, depfile, generate, select
from .sheet import Options

__all__ = ["SECTIONS", "Generated", "Options", "content_hash", "depfile", "generate", "select"]
