"""A person's hands: one file a command; each parses options, calls one thing, prints."""
