"""The running bench: account book, desk, journal, lines. From a frame to a kept verdict."""
