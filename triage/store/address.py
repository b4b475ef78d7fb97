"""The address of the store: the only setting that comes from the environment (``TRIAGE_STORE``)."""

import os

DEFAULT_STORE = "sqlite:///triage.db"


def store_url(option: str | None = None, default: str = DEFAULT_STORE) -> str:
    """Return the database address: the option, else ``TRIAGE_STORE``, else a SQLite file, in this folder or named."""
    return option or os.environ.get("TRIAGE_STORE") or default
