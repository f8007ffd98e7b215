"""Where drives, cards and rolls are and what people decided, with triggers that keep it as it was
written; and what corrected rolls' folders are to be called."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")

_KEEP_ON_SQLITE = (
    """
    CREATE TRIGGER custody_never_changed BEFORE UPDATE ON custody
    BEGIN SELECT RAISE(ABORT, 'what was written down is never changed'); END
    """,
    """
    CREATE TRIGGER custody_never_deleted BEFORE DELETE ON custody
    BEGIN SELECT RAISE(ABORT, 'what was written down is never deleted'); END
    """,
    # INSERT OR REPLACE deletes without asking the trigger above.
    """
    CREATE TRIGGER custody_never_replaced BEFORE INSERT ON custody
    WHEN EXISTS (SELECT 1 FROM custody WHERE id = NEW.id)
    BEGIN SELECT RAISE(ABORT, 'what was written down is never replaced'); END
    """,
)

_KEEP_ON_POSTGRESQL = (
    """
    CREATE FUNCTION custody_kept() RETURNS trigger LANGUAGE plpgsql AS $$
    BEGIN RAISE EXCEPTION 'what was written down is never changed or deleted'
        USING ERRCODE = 'integrity_constraint_violation'; END $$
    """,
    """
    CREATE TRIGGER custody_never_changed BEFORE UPDATE OR DELETE ON custody
    FOR EACH ROW EXECUTE FUNCTION custody_kept()
    """,
    """
    CREATE TRIGGER custody_never_emptied BEFORE TRUNCATE ON custody
    FOR EACH STATEMENT EXECUTE FUNCTION custody_kept()
    """,
)


def upgrade() -> None:
    op.create_table(
        "custody",
        sa.Column("id", _ID, nullable=False),
        sa.Column("about", sa.Text(), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("machine", sa.Text(), nullable=False),
        sa.Column("boot", sa.Text(), nullable=False),
        sa.Column("at", sa.Text(), nullable=False),
        sa.Column("looks", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_custody"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_custody_about", "custody", ["about"], unique=False)
    op.create_table(
        "roll_move",
        sa.Column("id", _ID, nullable=False),
        sa.Column("custody_id", _ID, nullable=False),
        sa.Column("roll_id", _ID, nullable=False),
        sa.Column("drive_id", _ID, nullable=False),
        sa.Column("origin", sa.LargeBinary(), nullable=False),
        sa.Column("wanted", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["custody_id"], ["custody.id"], name="fk_roll_move_custody_id"),
        sa.ForeignKeyConstraint(["drive_id"], ["drive.id"], name="fk_roll_move_drive_id"),
        sa.ForeignKeyConstraint(["roll_id"], ["roll.id"], name="fk_roll_move_roll_id"),
        sa.PrimaryKeyConstraint("id", name="pk_roll_move"),
    )
    op.create_index("ix_roll_move_roll_id", "roll_move", ["roll_id"], unique=False)
    postgresql = op.get_bind().dialect.name == "postgresql"
    for statement in _KEEP_ON_POSTGRESQL if postgresql else _KEEP_ON_SQLITE:
        op.execute(statement)


def downgrade() -> None:
    """What was written down is dropped with its table."""
    op.drop_table("roll_move")
    op.drop_table("custody")
    if op.get_bind().dialect.name == "postgresql":
        op.execute("DROP FUNCTION custody_kept()")
