"""Faults over time: what replies and pins show raised and clear, and what cleared it.

In and out: what one frame shows -> intervals of faults, edges of the pins.
May import: behaviour, frames, chip, capture, trace/events.
"""
