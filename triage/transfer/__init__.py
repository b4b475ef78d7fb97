"""Transfer: what leaves for the editors and what arrives there, checked; cue markers; whether a store is sound."""
