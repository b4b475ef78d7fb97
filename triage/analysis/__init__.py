"""Analysis: the files of a take in, its notes, measurements and hits out; here or on a cluster."""
