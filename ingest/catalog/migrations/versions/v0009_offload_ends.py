"""How an offload ended, in whole and on each drive, is kept as it was written."""

from __future__ import annotations

from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None

_KEPT = (("offload_end", "offload_id"), ("offload_drive", "id"))
"""Tables, each with the column that tells its rows apart."""

_KEEP_ON_SQLITE = (
    """
    CREATE TRIGGER {table}_never_changed BEFORE UPDATE ON {table}
    BEGIN SELECT RAISE(ABORT, 'evidence is never changed'); END
    """,
    """
    CREATE TRIGGER {table}_never_deleted BEFORE DELETE ON {table}
    BEGIN SELECT RAISE(ABORT, 'evidence is never deleted'); END
    """,
    # INSERT OR REPLACE deletes without asking the trigger above.
    """
    CREATE TRIGGER {table}_never_replaced BEFORE INSERT ON {table}
    WHEN EXISTS (SELECT 1 FROM {table} WHERE {key} = NEW.{key})
    BEGIN SELECT RAISE(ABORT, 'evidence is never replaced'); END
    """,
)

_KEEP_ON_POSTGRESQL = (
    """
    CREATE TRIGGER {table}_never_changed BEFORE UPDATE OR DELETE ON {table}
    FOR EACH ROW EXECUTE FUNCTION look_kept()
    """,
    """
    CREATE TRIGGER {table}_never_emptied BEFORE TRUNCATE ON {table}
    FOR EACH STATEMENT EXECUTE FUNCTION look_kept()
    """,
)


def upgrade() -> None:
    keep: tuple[str, ...] = _KEEP_ON_POSTGRESQL
    if op.get_context().dialect.name == "sqlite":
        keep = _KEEP_ON_SQLITE
    for table, key in _KEPT:
        for statement in keep:
            op.execute(statement.format(table=table, key=key))


def downgrade() -> None:
    """Refused: what was found could be changed then."""
    raise NotImplementedError("the catalog is not taken back to an earlier version")
