"""What is wrong with the lines, the replies, the timing or the service of the watchdog.

In and out: a finished Trace -> mistakes, breaches, remarks, each with its counts.
May import: frames, chip, capture, trace/frames, trace/belief, trace/faults.
"""
