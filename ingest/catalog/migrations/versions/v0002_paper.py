"""More of a log's row (dates, wall clock, marks, lens and exposure), and shot lists."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
_OF_ROW = (
    "date",
    "start_clock",
    "end_clock",
    "marks",
    "frame_rate",
    "lens",
    "stop",
    "filter",
    "iso",
    "white_balance",
    "shutter",
)
_OF_LOAD = ("who", "machine", "boot")


def upgrade() -> None:
    for name in _OF_ROW:
        op.add_column("slate_row", sa.Column(name, sa.Text(), nullable=True))
    for name in _OF_LOAD:
        op.add_column("slate_load", sa.Column(name, sa.Text(), nullable=True))
    op.create_table(
        "shot_list_load",
        sa.Column("id", _ID, nullable=False),
        sa.Column("production_id", _ID, nullable=False),
        sa.Column("list", sa.Text(), nullable=False),
        sa.Column("loaded", sa.Text(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("machine", sa.Text(), nullable=False),
        sa.Column("boot", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["production_id"], ["production.id"], name="fk_shot_list_load_production_id"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_shot_list_load"),
    )
    op.create_index("ix_shot_list_load_production_id", "shot_list_load", ["production_id"])
    op.create_table(
        "shot_list_row",
        sa.Column("id", _ID, nullable=False),
        sa.Column("load_id", _ID, nullable=False),
        sa.Column("row", sa.BigInteger(), nullable=False),
        sa.Column("scene", sa.Text(), nullable=False),
        sa.Column("shot", sa.Text(), nullable=True),
        sa.Column("setup", sa.Text(), nullable=True),
        sa.Column("day", sa.BigInteger(), nullable=True),
        sa.Column("date", sa.Text(), nullable=True),
        sa.Column("size", sa.Text(), nullable=True),
        sa.Column("location", sa.Text(), nullable=True),
        sa.Column("cameras", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("extra", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["load_id"], ["shot_list_load.id"], name="fk_shot_list_row_load_id"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_shot_list_row"),
    )
    op.create_index("ix_shot_list_row_load_id", "shot_list_row", ["load_id"])


def downgrade() -> None:
    """Shot lists and the added columns are dropped."""
    op.drop_table("shot_list_row")
    op.drop_table("shot_list_load")
    for name in _OF_LOAD:
        op.drop_column("slate_load", name)
    for name in _OF_ROW:
        op.drop_column("slate_row", name)
