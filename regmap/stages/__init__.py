"""What must be driven: stage files, read, edited and saved.

In and out: a stage file -> a Stage; a change of settings -> the same file with nothing else touched.
May import: maps and below.
"""
