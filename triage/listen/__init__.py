"""Signal analysis: pure functions on arrays, samples in, numbers out. No files, no database."""
