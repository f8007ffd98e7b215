"""How an offload ended, in whole and on each drive, is kept as it was written; and what is found
out otherwise can't be replaced or emptied in ways that pass by an UPDATE or DELETE."""

from __future__ import annotations

from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None

_KEPT = (("offload_end", "offload_id"), ("offload_drive", "id"))
"""Tables, each with the column that tells its rows apart."""

_KEPT_SO_FAR = ("added_digest", "card_look", "clip_look", "waveform")
"""Those that refuse an UPDATE and a DELETE already."""

_KEEP_ON_SQLITE = (
    """
    CREATE TRIGGER {table}_never_changed BEFORE UPDATE ON {table}
    BEGIN SELECT RAISE(ABORT, 'evidence is never changed'); END
    """,
    """
    CREATE TRIGGER {table}_never_deleted BEFORE DELETE ON {table}
    BEGIN SELECT RAISE(ABORT, 'evidence is never deleted'); END
    """,
)

# INSERT OR REPLACE deletes without asking the trigger above, and TRUNCATE asks no row.
_WHOLE_ON_SQLITE = (
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
)

_WHOLE_ON_POSTGRESQL = (
    """
    CREATE TRIGGER {table}_never_emptied BEFORE TRUNCATE ON {table}
    FOR EACH STATEMENT EXECUTE FUNCTION look_kept()
    """,
)


def upgrade() -> None:
    keep: tuple[str, ...] = _KEEP_ON_POSTGRESQL
    whole: tuple[str, ...] = _WHOLE_ON_POSTGRESQL
    if op.get_context().dialect.name == "sqlite":
        keep, whole = _KEEP_ON_SQLITE, _WHOLE_ON_SQLITE
    for table, key in _KEPT:
        for statement in (*keep, *whole):
            op.execute(statement.format(table=table, key=key))
    for table in _KEPT_SO_FAR:
        for statement in whole:
            op.execute(statement.format(table=table, key="id"))


def downgrade() -> None:
    """Refused: what was found could be changed then."""
    raise NotImplementedError("the catalog is not taken back to an earlier version")
