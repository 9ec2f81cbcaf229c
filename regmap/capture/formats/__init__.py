"""Files of every readable kind to blocks of edges or words.

In and out: a path or stream -> a Capture.
May import: capture/lines and below.
"""
