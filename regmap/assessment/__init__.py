"""Does it hold, what would, and what differs.

In and out: a stage -> verdicts, sweeps, proposals, differences.
May import: stages, calc and below.
"""
