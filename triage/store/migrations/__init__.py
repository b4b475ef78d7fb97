"""Migrations: how an older store becomes a newer one, one file a version."""
