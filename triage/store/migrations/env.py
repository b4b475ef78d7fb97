"""Runs the migrations on the database session that ``triage.store.schema`` hands over, in its transaction."""

from alembic import context

from triage.store.tables import metadata

context.configure(
    connection=context.config.attributes["db"],
    target_metadata=metadata,
    render_as_batch=True,  # SQLite changes a column only by making the table anew
)
context.run_migrations()
