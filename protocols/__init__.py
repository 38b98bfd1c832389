"""What the bytes of an alarm signal mean: no socket, clock, file, thread or log.

Start with `frame.decode` (bytes in, a `Frame` out) and `exchange` (both sides of the conversation).
"""
