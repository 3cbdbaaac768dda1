"""Runs the migrations on the connection that `service.store.migrate` hands over."""

from alembic import context

from service.store.tables import Base

# No transaction of its own: the caller's holds every migration, so none is left half done.
context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Base.metadata,
    transactional_ddl=True,
)
context.run_migrations()
