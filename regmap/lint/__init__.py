"""C that somebody else wrote, held against the map.

In and out: the text of a header -> findings at its lines.
May import: chip and below.
"""
