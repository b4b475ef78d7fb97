"""Intake: the session description, the take sheet, file names, headers, integrity, what is missing."""
