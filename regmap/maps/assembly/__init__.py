"""From what the grammar has read to the model: the checks that no single value can answer alone.

In and out: nodes that were read -> parts of a Chip.
May import: chip and below.
"""
