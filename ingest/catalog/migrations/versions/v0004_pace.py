"""How fast each drive took the bytes of an offload, in the course of it."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("offload_drive", sa.Column("pace", sa.Text(), nullable=True))


def downgrade() -> None:
    """What was measured is dropped."""
    op.drop_column("offload_drive", "pace")
