"""The command line: each command parses, calls one function of another room, and prints."""
