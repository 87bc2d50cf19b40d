"""Runs the migrations on the connection that the store hands over, inside the store's own transaction."""

from alembic import context

from asymscreen.record import desk_models
from asymscreen.record.models import Base

assert desk_models.OF_THIS_DESK  # importing them registers their tables
connection = context.config.attributes["connection"]
context.configure(
    connection=connection,
    target_metadata=Base.metadata,
    transactional_ddl=True,
    render_as_batch=connection.dialect.name == "sqlite",
    compare_type=True,
)
with context.begin_transaction():
    context.run_migrations()
