"""The field's words that all rooms share; imports nothing of ours."""
