"""Store: tables, migrations and every query."""
