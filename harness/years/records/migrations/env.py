"""Run by alembic: the steps to a layout, on the connection and in the transaction of `records.migrate`."""

from __future__ import annotations

from alembic import context

from harness.years.records.schema import METADATA, VERSION_TABLE

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=METADATA,
    version_table=VERSION_TABLE,
    transactional_ddl=True,
)
context.run_migrations()
