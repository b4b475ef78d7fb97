"""Ranking: the analysed takes of a session in, doubts, spots and the ranked queue out."""
