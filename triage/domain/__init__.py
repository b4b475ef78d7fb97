"""The domain types that all packages share; imports nothing else of this project."""
