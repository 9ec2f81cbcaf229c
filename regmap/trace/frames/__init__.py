"""Transfers cut into frames of each chip, and every different pair of words judged once.

In and out: Transfers of capture -> batches of idents, each pair of command and reply taken apart.
May import: frames, chip, capture.
"""
