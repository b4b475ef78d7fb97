"""The command line: each command reads its arguments, calls one function of another package, and prints.

Imports that are slow (numpy with scipy, torch, the desk) stand inside the commands that need them, so that the others
answer at once.
"""
