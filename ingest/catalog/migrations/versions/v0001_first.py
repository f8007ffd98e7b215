"""The first tables, and the triggers that keep evidence as it was written."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")

_KEEP_ON_SQLITE = (
    """
    CREATE TRIGGER look_never_changed BEFORE UPDATE ON look
    BEGIN SELECT RAISE(ABORT, 'evidence is never changed'); END
    """,
    """
    CREATE TRIGGER look_never_deleted BEFORE DELETE ON look
    BEGIN SELECT RAISE(ABORT, 'evidence is never deleted'); END
    """,
    # INSERT OR REPLACE deletes without asking the trigger above.
    """
    CREATE TRIGGER look_never_replaced BEFORE INSERT ON look
    WHEN EXISTS (SELECT 1 FROM look WHERE id = NEW.id)
    BEGIN SELECT RAISE(ABORT, 'evidence is never replaced'); END
    """,
)

_KEEP_ON_POSTGRESQL = (
    """
    CREATE FUNCTION look_kept() RETURNS trigger LANGUAGE plpgsql AS $$
    BEGIN RAISE EXCEPTION 'evidence is never changed or deleted'
        USING ERRCODE = 'integrity_constraint_violation'; END $$
    """,
    """
    CREATE TRIGGER look_never_changed BEFORE UPDATE OR DELETE ON look
    FOR EACH ROW EXECUTE FUNCTION look_kept()
    """,
    """
    CREATE TRIGGER look_never_emptied BEFORE TRUNCATE ON look
    FOR EACH STATEMENT EXECUTE FUNCTION look_kept()
    """,
)


def upgrade() -> None:
    op.create_table(
        "drive",
        sa.Column("id", _ID, nullable=False),
        sa.Column("marker", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("fs_uuid", sa.Text(), nullable=True),
        sa.Column("serial", sa.Text(), nullable=True),
        sa.Column("device", sa.Text(), nullable=False),
        sa.Column("fs_type", sa.Text(), nullable=False),
        sa.Column("root", sa.LargeBinary(), nullable=False),
        sa.Column("first_seen", sa.Text(), nullable=False),
        sa.Column("last_seen", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_drive"),
    )
    op.create_index("ix_drive_marker", "drive", ["marker"], unique=False)
    op.create_table(
        "production",
        sa.Column("id", _ID, nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_production"),
        sa.UniqueConstraint("name", name="uq_production_name"),
    )
    op.create_table(
        "roll",
        sa.Column("id", _ID, nullable=False),
        sa.Column("production_id", _ID, nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("name_folded", sa.Text(), nullable=False),
        sa.Column("day", sa.BigInteger(), nullable=False),
        sa.Column("date", sa.Text(), nullable=False),
        sa.Column("camera", sa.Text(), nullable=True),
        sa.Column("card", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["production_id"], ["production.id"], name="fk_roll_production_id"),
        sa.PrimaryKeyConstraint("id", name="pk_roll"),
        sa.UniqueConstraint(
            "production_id", "name_folded", name="uq_roll_production_id_name_folded"
        ),
    )
    op.create_table(
        "slate_load",
        sa.Column("id", _ID, nullable=False),
        sa.Column("production_id", _ID, nullable=False),
        sa.Column("log", sa.Text(), nullable=False),
        sa.Column("loaded", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["production_id"], ["production.id"], name="fk_slate_load_production_id"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_slate_load"),
    )
    op.create_index("ix_slate_load_production_id", "slate_load", ["production_id"], unique=False)
    op.create_table(
        "clip",
        sa.Column("id", _ID, nullable=False),
        sa.Column("roll_id", _ID, nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("facts", sa.Text(), nullable=False),
        sa.Column("poster", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["roll_id"], ["roll.id"], name="fk_clip_roll_id"),
        sa.PrimaryKeyConstraint("id", name="pk_clip"),
        sa.UniqueConstraint("roll_id", "name", name="uq_clip_roll_id_name"),
    )
    op.create_table(
        "offload",
        sa.Column("id", _ID, nullable=False),
        sa.Column("run", sa.Text(), nullable=False),
        sa.Column("roll_id", _ID, nullable=False),
        sa.Column("day", sa.BigInteger(), nullable=False),
        sa.Column("date", sa.Text(), nullable=False),
        sa.Column("camera", sa.Text(), nullable=True),
        sa.Column("card_label", sa.Text(), nullable=False),
        sa.Column("card_fs_uuid", sa.Text(), nullable=True),
        sa.Column("card_serial", sa.Text(), nullable=True),
        sa.Column("card_device", sa.Text(), nullable=False),
        sa.Column("card_root", sa.LargeBinary(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("machine", sa.Text(), nullable=False),
        sa.Column("boot", sa.Text(), nullable=False),
        sa.Column("started", sa.Text(), nullable=False),
        sa.Column("plan", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["roll_id"], ["roll.id"], name="fk_offload_roll_id"),
        sa.PrimaryKeyConstraint("id", name="pk_offload"),
    )
    op.create_index("ix_offload_roll_id", "offload", ["roll_id"], unique=False)
    op.create_table(
        "slate_row",
        sa.Column("id", _ID, nullable=False),
        sa.Column("load_id", _ID, nullable=False),
        sa.Column("row", sa.BigInteger(), nullable=False),
        sa.Column("scene", sa.Text(), nullable=False),
        sa.Column("take", sa.Text(), nullable=False),
        sa.Column("shot", sa.Text(), nullable=True),
        sa.Column("day", sa.BigInteger(), nullable=True),
        sa.Column("camera", sa.Text(), nullable=True),
        sa.Column("roll", sa.Text(), nullable=True),
        sa.Column("sound_roll", sa.Text(), nullable=True),
        sa.Column("clip", sa.Text(), nullable=True),
        sa.Column("start_timecode", sa.Text(), nullable=True),
        sa.Column("end_timecode", sa.Text(), nullable=True),
        sa.Column("rating", sa.Text(), nullable=True),
        sa.Column("mos", sa.Boolean(), nullable=False),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("extra", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["load_id"], ["slate_load.id"], name="fk_slate_row_load_id"),
        sa.PrimaryKeyConstraint("id", name="pk_slate_row"),
    )
    op.create_index("ix_slate_row_load_id", "slate_row", ["load_id"], unique=False)
    op.create_table(
        "card_note",
        sa.Column("id", _ID, nullable=False),
        sa.Column("offload_id", _ID, nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("path", sa.LargeBinary(), nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["offload_id"], ["offload.id"], name="fk_card_note_offload_id"),
        sa.PrimaryKeyConstraint("id", name="pk_card_note"),
    )
    op.create_index("ix_card_note_offload_id", "card_note", ["offload_id"], unique=False)
    op.create_table(
        "clip_file",
        sa.Column("id", _ID, nullable=False),
        sa.Column("clip_id", _ID, nullable=False),
        sa.Column("path", sa.LargeBinary(), nullable=False),
        sa.Column("role", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["clip_id"], ["clip.id"], name="fk_clip_file_clip_id"),
        sa.PrimaryKeyConstraint("id", name="pk_clip_file"),
    )
    op.create_index("ix_clip_file_clip_id", "clip_file", ["clip_id"], unique=False)
    op.create_table(
        "file",
        sa.Column("id", _ID, nullable=False),
        sa.Column("roll_id", _ID, nullable=False),
        sa.Column("offload_id", _ID, nullable=False),
        sa.Column("path", sa.LargeBinary(), nullable=False),
        sa.Column("path_key", sa.LargeBinary(), nullable=False),
        sa.Column("size", sa.BigInteger(), nullable=False),
        sa.Column("mtime_ns", sa.Text(), nullable=False),
        sa.Column("samples", sa.Text(), nullable=False),
        sa.Column("digests", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["offload_id"], ["offload.id"], name="fk_file_offload_id"),
        sa.ForeignKeyConstraint(["roll_id"], ["roll.id"], name="fk_file_roll_id"),
        sa.PrimaryKeyConstraint("id", name="pk_file"),
    )
    op.create_index("ix_file_path_key_roll_id", "file", ["path_key", "roll_id"], unique=False)
    op.create_index("ix_file_roll_id", "file", ["roll_id"], unique=False)
    op.create_table(
        "offload_end",
        sa.Column("offload_id", _ID, autoincrement=False, nullable=False),
        sa.Column("finished", sa.Text(), nullable=False),
        sa.Column("verdict", sa.Text(), nullable=False),
        sa.Column("card_read", sa.BigInteger(), nullable=False),
        sa.Column("seconds", sa.Double(), nullable=False),
        sa.Column("bytes", sa.BigInteger(), nullable=False),
        sa.Column("files", sa.BigInteger(), nullable=False),
        sa.Column("known", sa.BigInteger(), nullable=False),
        sa.Column("left_out", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["offload_id"], ["offload.id"], name="fk_offload_end_offload_id"),
        sa.PrimaryKeyConstraint("offload_id", name="pk_offload_end"),
    )
    op.create_table(
        "take_link",
        sa.Column("id", _ID, nullable=False),
        sa.Column("clip_id", _ID, nullable=False),
        sa.Column("scene", sa.Text(), nullable=False),
        sa.Column("take", sa.Text(), nullable=False),
        sa.Column("shot", sa.Text(), nullable=True),
        sa.Column("rating", sa.Text(), nullable=True),
        sa.Column("sure", sa.Text(), nullable=False),
        sa.Column("basis", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("by_hand", sa.Boolean(), nullable=False),
        sa.Column("who", sa.Text(), nullable=True),
        sa.Column("machine", sa.Text(), nullable=True),
        sa.Column("boot", sa.Text(), nullable=True),
        sa.Column("set_at", sa.Text(), nullable=False),
        sa.Column("ended", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["clip_id"], ["clip.id"], name="fk_take_link_clip_id"),
        sa.PrimaryKeyConstraint("id", name="pk_take_link"),
    )
    op.create_index("ix_take_link_clip_id", "take_link", ["clip_id"], unique=False)
    op.create_table(
        "copy",
        sa.Column("id", _ID, nullable=False),
        sa.Column("file_id", _ID, nullable=False),
        sa.Column("drive_id", _ID, nullable=False),
        sa.Column("path", sa.LargeBinary(), nullable=False),
        sa.Column("path_key", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["drive_id"], ["drive.id"], name="fk_copy_drive_id"),
        sa.ForeignKeyConstraint(["file_id"], ["file.id"], name="fk_copy_file_id"),
        sa.PrimaryKeyConstraint("id", name="pk_copy"),
        sa.UniqueConstraint(
            "file_id", "drive_id", "path_key", name="uq_copy_file_id_drive_id_path_key"
        ),
    )
    op.create_index("ix_copy_drive_id", "copy", ["drive_id"], unique=False)
    op.create_table(
        "offload_drive",
        sa.Column("id", _ID, nullable=False),
        sa.Column("offload_id", _ID, nullable=False),
        sa.Column("drive_id", _ID, nullable=False),
        sa.Column("folder", sa.LargeBinary(), nullable=False),
        sa.Column("files_matched", sa.BigInteger(), nullable=False),
        sa.Column("bytes", sa.BigInteger(), nullable=False),
        sa.Column("seconds", sa.Double(), nullable=False),
        sa.Column("route", sa.Text(), nullable=False),
        sa.Column("problem", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["drive_id"], ["drive.id"], name="fk_offload_drive_drive_id"),
        sa.ForeignKeyConstraint(
            ["offload_id"], ["offload_end.offload_id"], name="fk_offload_drive_offload_id"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_offload_drive"),
    )
    op.create_index("ix_offload_drive_offload_id", "offload_drive", ["offload_id"], unique=False)
    op.create_table(
        "look",
        sa.Column("id", _ID, nullable=False),
        sa.Column("copy_id", _ID, nullable=False),
        sa.Column("run", sa.Text(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("machine", sa.Text(), nullable=False),
        sa.Column("boot", sa.Text(), nullable=False),
        sa.Column("mount", sa.Text(), nullable=False),
        sa.Column("act", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("route", sa.Text(), nullable=True),
        sa.Column("against", sa.Text(), nullable=False),
        sa.Column("size", sa.BigInteger(), nullable=True),
        sa.Column("kind", sa.Text(), nullable=True),
        sa.Column("digest", sa.Text(), nullable=True),
        sa.Column("at", sa.Text(), nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["copy_id"], ["copy.id"], name="fk_look_copy_id"),
        sa.PrimaryKeyConstraint("id", name="pk_look"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_look_copy_id", "look", ["copy_id"], unique=False)

    keep = _KEEP_ON_POSTGRESQL
    if op.get_context().dialect.name == "sqlite":
        keep = _KEEP_ON_SQLITE
    for statement in keep:
        op.execute(statement)


def downgrade() -> None:
    """Refused: it would drop the evidence."""
    raise NotImplementedError("the catalog is not taken back to before its first version")
