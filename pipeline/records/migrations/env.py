"""Run by Alembic, on the connection that `pipeline.records.database.migrate` hands over."""

from alembic import context

from pipeline.records.tables import Base

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Base.metadata,
    render_as_batch=True,
)
with context.begin_transaction():
    context.run_migrations()
