"""Judge: measurements and embeddings in, expected values, outlier scores, doubt and rank out. No audio."""
