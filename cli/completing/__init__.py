"""Shell completion: what may stand at the cursor, computed from the map at hand; no shell evaluates any of it.

quoting   what a person typed so far, taken apart as a shell would, and written back
place     which argument of which command the cursor is at, from the program's own parsers
files     files and bundled documents of the right kind
offers    what may stand there: registers, fields, values, checks, faults, sections
shells    the few lines that each shell reads at its start
"""

from __future__ import annotations

from .offers import Candidate, answer

__all__ = ["Candidate", "answer"]
