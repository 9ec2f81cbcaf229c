"""How a chip is written down: the grammar of map files, their loader, their reference and their proof.

In and out: a map file -> a Chip, or every problem at its line.
May import: behaviour and below.
"""
