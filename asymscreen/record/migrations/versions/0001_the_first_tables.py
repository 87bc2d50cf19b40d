"""The first tables: lifters and what they told, screens, visits, blocks, backups, erasures."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from asymscreen.record.models import UtcDateTime

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    _lifters()
    _intakes()
    _screens()
    _screen_parts()
    _visits()
    _blocks()
    _housekeeping()


def downgrade() -> None:
    for table in (
        "erasure",
        "backup_entry",
        "backup",
        "block_day",
        "block_drill",
        "block",
        "visit_step",
        "visit",
        "keyframe",
        "tracks",
        "screen",
        "intake",
        "caution",
        "injury",
        "lifter",
    ):
        op.drop_table(table)


def _lifters() -> None:
    op.create_table(
        "lifter",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(length=64), nullable=False),
        sa.Column("added_at", UtcDateTime(timezone=True), nullable=False),
        sa.Column("consent_film", sa.Boolean(), nullable=True),
        sa.Column("consent_keep", sa.Boolean(), nullable=True),
        sa.Column("consent_at", UtcDateTime(timezone=True), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_lifter")),
        sa.UniqueConstraint("code", name=op.f("uq_lifter_code")),
    )
    op.create_table(
        "injury",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("lifter_id", sa.Integer(), nullable=False),
        sa.Column("side", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("on_date", sa.Text(), nullable=False),
        sa.Column("notes", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["lifter_id"], ["lifter.id"], name=op.f("fk_injury_lifter_id_lifter"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_injury")),
    )
    op.create_index("ix_injury_lifter_id", "injury", ["lifter_id"])
    op.create_table(
        "caution",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("lifter_id", sa.Integer(), nullable=False),
        sa.Column("topic", sa.Text(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("stops", sa.Boolean(), nullable=False),
        sa.Column("raised_at", UtcDateTime(timezone=True), nullable=False),
        sa.Column("raised_by", sa.Text(), nullable=False),
        sa.Column("lifted_at", UtcDateTime(timezone=True), nullable=True),
        sa.Column("lifted_by", sa.Text(), nullable=False),
        sa.Column("lifted_why", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["lifter_id"], ["lifter.id"], name=op.f("fk_caution_lifter_id_lifter"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_caution")),
    )
    op.create_index("ix_caution_lifter_id", "caution", ["lifter_id"])


def _intakes() -> None:
    op.create_table(
        "intake",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("lifter_id", sa.Integer(), nullable=False),
        sa.Column("taken_at", UtcDateTime(timezone=True), nullable=False),
        sa.Column("taken_by", sa.Text(), nullable=False),
        sa.Column("one_rep_max_kg", sa.Double(), nullable=True),
        sa.Column("stalled_weeks", sa.Integer(), nullable=True),
        sa.Column("grip", sa.Text(), nullable=False),
        sa.Column("usual_cues", sa.Text(), nullable=False),
        sa.Column("pain_now", sa.Integer(), nullable=True),
        sa.Column("pain_side", sa.Text(), nullable=False),
        sa.Column("provokes", sa.Text(), nullable=False),
        sa.Column("red_flags", sa.JSON(), nullable=False),
        sa.Column("sudden", sa.Boolean(), nullable=False),
        sa.Column("notes", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["lifter_id"], ["lifter.id"], name=op.f("fk_intake_lifter_id_lifter"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_intake")),
    )
    op.create_index("ix_intake_lifter_id", "intake", ["lifter_id"])


def _screens() -> None:
    op.create_table(
        "screen",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("lifter_id", sa.Integer(), nullable=False),
        sa.Column("filmed_at", UtcDateTime(timezone=True), nullable=False),
        sa.Column("added_at", UtcDateTime(timezone=True), nullable=False),
        sa.Column("document", sa.Text(), nullable=False),
        sa.Column("clip_name", sa.Text(), nullable=False),
        sa.Column("clip_sha256", sa.Text(), nullable=False),
        sa.Column("clip_file", sa.Text(), nullable=False),
        sa.Column("view", sa.Text(), nullable=False),
        sa.Column("usable", sa.Boolean(), nullable=False),
        sa.Column("load_kg", sa.Double(), nullable=True),
        sa.Column("grip", sa.Text(), nullable=False),
        sa.Column("complete_reps", sa.Integer(), nullable=False),
        sa.Column("summary", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["lifter_id"], ["lifter.id"], name=op.f("fk_screen_lifter_id_lifter"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_screen")),
    )
    op.create_index("ix_screen_filmed_at", "screen", ["filmed_at"])
    op.create_index("ix_screen_lifter_id", "screen", ["lifter_id"])


def _screen_parts() -> None:
    op.create_table(
        "tracks",
        sa.Column("screen_id", sa.String(length=32), nullable=False),
        sa.Column("npz", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(
            ["screen_id"], ["screen.id"], name=op.f("fk_tracks_screen_id_screen"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("screen_id", name=op.f("pk_tracks")),
    )
    op.create_table(
        "keyframe",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("screen_id", sa.String(length=32), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("jpeg", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(
            ["screen_id"], ["screen.id"], name=op.f("fk_keyframe_screen_id_screen"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_keyframe")),
        sa.UniqueConstraint("screen_id", "name", name=op.f("uq_keyframe_screen_id")),
    )
    op.create_index("ix_keyframe_screen_id", "keyframe", ["screen_id"])


def _visits() -> None:
    op.create_table(
        "visit",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("lifter_id", sa.Integer(), nullable=False),
        sa.Column("started_at", UtcDateTime(timezone=True), nullable=False),
        sa.Column("ended_at", UtcDateTime(timezone=True), nullable=True),
        sa.Column("stopped_why", sa.Text(), nullable=False),
        sa.Column("one_rep_max_kg", sa.Double(), nullable=False),
        sa.Column("target_kg", sa.Double(), nullable=False),
        sa.Column("reps", sa.Integer(), nullable=False),
        sa.Column("hold_back", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(
            ["lifter_id"], ["lifter.id"], name=op.f("fk_visit_lifter_id_lifter"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_visit")),
    )
    op.create_index("ix_visit_lifter_id", "visit", ["lifter_id"])
    op.create_table(
        "visit_step",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("visit_id", sa.Integer(), nullable=False),
        sa.Column("step", sa.Text(), nullable=False),
        sa.Column("done_at", UtcDateTime(timezone=True), nullable=False),
        sa.Column("screen_id", sa.String(length=32), nullable=True),
        sa.Column("answers", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(
            ["screen_id"], ["screen.id"], name=op.f("fk_visit_step_screen_id_screen"), ondelete="SET NULL"
        ),
        sa.ForeignKeyConstraint(
            ["visit_id"], ["visit.id"], name=op.f("fk_visit_step_visit_id_visit"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_visit_step")),
    )
    op.create_index("ix_visit_step_screen_id", "visit_step", ["screen_id"])
    op.create_index("ix_visit_step_visit_id", "visit_step", ["visit_id"])


def _blocks() -> None:
    op.create_table(
        "block",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("lifter_id", sa.Integer(), nullable=False),
        sa.Column("starts_on", sa.Date(), nullable=False),
        sa.Column("ends_on", sa.Date(), nullable=False),
        sa.Column("weekdays", sa.JSON(), nullable=False),
        sa.Column("rescreen_on", sa.Date(), nullable=False),
        sa.Column("notes", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["lifter_id"], ["lifter.id"], name=op.f("fk_block_lifter_id_lifter"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_block")),
    )
    op.create_index("ix_block_lifter_id", "block", ["lifter_id"])
    op.create_table(
        "block_drill",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("block_id", sa.Integer(), nullable=False),
        sa.Column("drill", sa.Text(), nullable=False),
        sa.Column("side", sa.Text(), nullable=False),
        sa.Column("dose", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["block_id"], ["block.id"], name=op.f("fk_block_drill_block_id_block"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_block_drill")),
    )
    op.create_index("ix_block_drill_block_id", "block_drill", ["block_id"])
    op.create_table(
        "block_day",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("block_id", sa.Integer(), nullable=False),
        sa.Column("on_date", sa.Date(), nullable=False),
        sa.Column("done", sa.Boolean(), nullable=False),
        sa.Column("notes", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["block_id"], ["block.id"], name=op.f("fk_block_day_block_id_block"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_block_day")),
        sa.UniqueConstraint("block_id", "on_date", name=op.f("uq_block_day_block_id")),
    )
    op.create_index("ix_block_day_block_id", "block_day", ["block_id"])


def _housekeeping() -> None:
    op.create_table(
        "backup",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("made_at", UtcDateTime(timezone=True), nullable=False),
        sa.Column("path", sa.Text(), nullable=False),
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_backup")),
    )
    op.create_table(
        "backup_entry",
        sa.Column("backup_id", sa.Integer(), nullable=False),
        sa.Column("lifter_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["backup_id"], ["backup.id"], name=op.f("fk_backup_entry_backup_id_backup"), ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(
            ["lifter_id"], ["lifter.id"], name=op.f("fk_backup_entry_lifter_id_lifter"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("backup_id", "lifter_id", name=op.f("pk_backup_entry")),
    )
    op.create_index("ix_backup_entry_lifter_id", "backup_entry", ["lifter_id"])
    op.create_table(
        "erasure",
        sa.Column("receipt", sa.String(length=40), nullable=False),
        sa.Column("erased_at", UtcDateTime(timezone=True), nullable=False),
        sa.Column("mark", sa.Text(), nullable=False),
        sa.Column("rows", sa.Integer(), nullable=False),
        sa.Column("files", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("receipt", name=op.f("pk_erasure")),
    )
