"""Captured transfers and a map to what happened: frames, register words, faults over time.

    from regmap.capture.formats.opening import open_capture
    from regmap.maps.load import load_map
    from regmap.trace.tracer import How, trace_capture
    from regmap.trace.telling.timeline import Filter, timeline

    with open_capture("pump_short.vcd") as capture:
        trace = trace_capture(capture, [load_map("quoll16")])
    for item in timeline(trace):                 # Event and Quiet
        ...

Each folder uses those above it: frames/, faults/, belief/, findings/, telling/.
Importing this package loads nothing; its modules load numpy.
"""
