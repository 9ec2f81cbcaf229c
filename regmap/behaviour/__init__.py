"""What a chip does and what it tells: how registers change under frames, which faults its words report.

In and out: a chip, a state and frames -> the next state, replies, explained faults, ordered writes.
May import: frames and below.
"""
