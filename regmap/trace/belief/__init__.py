"""What the frames make one believe of the chip: register words, states, writes, held against a stage.

In and out: batches of frames -> words over time, writes with what became of them.
May import: stages, behaviour, frames, chip, trace/frames, trace/faults.
"""
