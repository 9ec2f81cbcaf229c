"""What a chip is: frames, registers, fields, meanings and faults as frozen data, and codes <-> values.

In and out: registers as read from a map -> the model; a word and a field -> its value, and back.
May import: document and below.
"""
