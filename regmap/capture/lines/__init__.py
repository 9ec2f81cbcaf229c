"""Lines: edges, levels, roles and measurements.

In and out: blocks of edges -> tracks, roles, timing.
May import: capture/spi, capture/arrays.
"""
