"""Audition: excerpts of recordings to listen to, and spectrograms of them."""
