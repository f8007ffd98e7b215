"""What the waveforms of two files said, so that they need not be compared again."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None

_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")

_KEEP_ON_SQLITE = (
    """
    CREATE TRIGGER waveform_never_changed BEFORE UPDATE ON waveform
    BEGIN SELECT RAISE(ABORT, 'what was compared is never changed'); END
    """,
    """
    CREATE TRIGGER waveform_never_deleted BEFORE DELETE ON waveform
    BEGIN SELECT RAISE(ABORT, 'what was compared is never deleted'); END
    """,
)

_KEEP_ON_POSTGRESQL = (
    """
    CREATE TRIGGER waveform_never_changed BEFORE UPDATE OR DELETE ON waveform
    FOR EACH ROW EXECUTE FUNCTION look_kept()
    """,
)


def upgrade() -> None:
    op.create_table(
        "waveform",
        sa.Column("id", _ID, nullable=False),
        sa.Column("picture", sa.Text(), nullable=False),
        sa.Column("sound", sa.Text(), nullable=False),
        sa.Column("method", sa.BigInteger(), nullable=False),
        sa.Column("same", sa.Boolean(), nullable=True),
        sa.Column("lag_us", sa.BigInteger(), nullable=True),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("machine", sa.Text(), nullable=False),
        sa.Column("boot", sa.Text(), nullable=False),
        sa.Column("at", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_waveform"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_waveform_picture", "waveform", ["picture"], unique=False)
    keep: tuple[str, ...] = _KEEP_ON_POSTGRESQL
    if op.get_context().dialect.name == "sqlite":
        keep = _KEEP_ON_SQLITE
    for statement in keep:
        op.execute(statement)


def downgrade() -> None:
    """Refused: it would drop what was found."""
    raise NotImplementedError("the catalog is not taken back to an earlier version")
