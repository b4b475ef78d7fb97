"""Test sessions of real notes in simulated rooms, with faults of a stated size: for testing alone.

Nothing that trains or calibrates may import this package, and it shares no code with the generator of the training
sessions: figures measured here say something that the training data has not already decided.
"""
