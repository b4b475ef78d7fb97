"""Audition: excerpts of recordings for the ear, and pictures of them for the eye."""
