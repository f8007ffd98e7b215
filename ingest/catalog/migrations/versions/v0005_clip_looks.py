"""Whether a clip plays: dated looks at it, and the picture of its slate."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")

_KEEP_ON_SQLITE = (
    """
    CREATE TRIGGER clip_look_never_changed BEFORE UPDATE ON clip_look
    BEGIN SELECT RAISE(ABORT, 'evidence is never changed'); END
    """,
    """
    CREATE TRIGGER clip_look_never_deleted BEFORE DELETE ON clip_look
    BEGIN SELECT RAISE(ABORT, 'evidence is never deleted'); END
    """,
)

_KEEP_ON_POSTGRESQL = (
    """
    CREATE TRIGGER clip_look_never_changed BEFORE UPDATE OR DELETE ON clip_look
    FOR EACH ROW EXECUTE FUNCTION look_kept()
    """,
)


def upgrade() -> None:
    op.add_column("clip", sa.Column("slate_picture", sa.Text(), nullable=True))
    op.create_table(
        "clip_look",
        sa.Column("id", _ID, nullable=False),
        sa.Column("clip_id", _ID, nullable=False),
        sa.Column("run", sa.Text(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("machine", sa.Text(), nullable=False),
        sa.Column("boot", sa.Text(), nullable=False),
        sa.Column("at", sa.Text(), nullable=False),
        sa.Column("drive", sa.Text(), nullable=False),
        sa.Column("health", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["clip_id"], ["clip.id"], name="fk_clip_look_clip_id"),
        sa.PrimaryKeyConstraint("id", name="pk_clip_look"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_clip_look_clip_id", "clip_look", ["clip_id"], unique=False)
    keep: tuple[str, ...] = _KEEP_ON_POSTGRESQL
    if op.get_context().dialect.name == "sqlite":
        keep = _KEEP_ON_SQLITE
    for statement in keep:
        op.execute(statement)


def downgrade() -> None:
    """Refused: it would drop what was found."""
    raise NotImplementedError("the catalog is not taken back to an earlier version")
