"""Analysis: the files of a take in, all that was heard and measured in it out; here or on a cluster."""
