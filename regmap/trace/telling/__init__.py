"""The trace told: events in order of time, episodes of faults, the sentences that matter.

In and out: a finished Trace -> events and a Story.
May import: behaviour, stages, all of trace.
"""
