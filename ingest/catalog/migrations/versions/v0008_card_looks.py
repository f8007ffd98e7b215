"""Files of cards that were read again after their offload, and found equal."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None

_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")

_KEEP_ON_SQLITE = (
    """
    CREATE TRIGGER card_look_never_changed BEFORE UPDATE ON card_look
    BEGIN SELECT RAISE(ABORT, 'evidence is never changed'); END
    """,
    """
    CREATE TRIGGER card_look_never_deleted BEFORE DELETE ON card_look
    BEGIN SELECT RAISE(ABORT, 'evidence is never deleted'); END
    """,
)

_KEEP_ON_POSTGRESQL = (
    """
    CREATE TRIGGER card_look_never_changed BEFORE UPDATE OR DELETE ON card_look
    FOR EACH ROW EXECUTE FUNCTION look_kept()
    """,
)


def upgrade() -> None:
    op.create_table(
        "card_look",
        sa.Column("id", _ID, nullable=False),
        sa.Column("file_id", _ID, nullable=False),
        sa.Column("run", sa.Text(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("machine", sa.Text(), nullable=False),
        sa.Column("boot", sa.Text(), nullable=False),
        sa.Column("at", sa.Text(), nullable=False),
        sa.Column("route", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("digest", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["file_id"], ["file.id"], name="fk_card_look_file_id"),
        sa.PrimaryKeyConstraint("id", name="pk_card_look"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_card_look_file_id", "card_look", ["file_id"], unique=False)
    keep: tuple[str, ...] = _KEEP_ON_POSTGRESQL
    if op.get_context().dialect.name == "sqlite":
        keep = _KEEP_ON_SQLITE
    for statement in keep:
        op.execute(statement)


def downgrade() -> None:
    """Refused: it would drop what was found."""
    raise NotImplementedError("the catalog is not taken back to an earlier version")
