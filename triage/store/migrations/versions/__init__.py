"""The versions of the schema, the first first."""
