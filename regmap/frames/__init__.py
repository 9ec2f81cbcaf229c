"""Frames on the wire: from register words to frames with check bits, and back.

In and out: a chip and words or bits -> frames, parts, registers, check bits; one at a time, in bulk, in chains.
May import: chip and below.
"""
