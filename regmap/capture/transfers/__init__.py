"""Edges to timed SPI transfers, in bulk.

In and out: blocks of edges and a set-up -> Transfers.
May import: capture/lines and below.
"""
