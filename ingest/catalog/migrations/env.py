"""Run by Alembic: on the connection that the catalog hands over, inside its transaction.

Without a connection (`alembic upgrade --sql` and the tests) it writes the statements out for
the dialect named in the `dialect` attribute.
"""

from __future__ import annotations

from alembic import context

from ingest.catalog.tables import METADATA, VERSION_TABLE


def _run() -> None:
    given = context.config.attributes
    if context.is_offline_mode():
        context.configure(
            dialect_name=given["dialect"],
            target_metadata=METADATA,
            version_table=VERSION_TABLE,
            literal_binds=True,
        )
    else:
        context.configure(
            connection=given["connection"],
            target_metadata=METADATA,
            version_table=VERSION_TABLE,
            transactional_ddl=True,
        )
    with context.begin_transaction():
        context.run_migrations()


_run()
