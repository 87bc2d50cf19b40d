"""Clips that the desk screens, and what a person corrected of a screen."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from asymscreen.record.models import UtcDateTime

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    _jobs()
    _corrections()


def downgrade() -> None:
    for table in ("correction", "untouched", "job"):
        op.drop_table(table)


def _jobs() -> None:
    op.create_table(
        "job",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("lifter_id", sa.Integer(), nullable=False),
        sa.Column("state", sa.String(length=16), nullable=False),
        sa.Column("clip_file", sa.Text(), nullable=False),
        sa.Column("clip_name", sa.Text(), nullable=False),
        sa.Column("capture", sa.JSON(), nullable=False),
        sa.Column("origin", sa.Text(), nullable=False),
        sa.Column("submitted_at", UtcDateTime(timezone=True), nullable=False),
        sa.Column("started_at", UtcDateTime(timezone=True), nullable=True),
        sa.Column("ended_at", UtcDateTime(timezone=True), nullable=True),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("claim", sa.Text(), nullable=False),
        sa.Column("stage", sa.Text(), nullable=False),
        sa.Column("share", sa.Double(), nullable=False),
        sa.Column("message", sa.Text(), nullable=False),
        sa.Column("screen_id", sa.String(length=32), nullable=True),
        sa.ForeignKeyConstraint(
            ["lifter_id"], ["lifter.id"], name=op.f("fk_job_lifter_id_lifter"), ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(
            ["screen_id"], ["screen.id"], name=op.f("fk_job_screen_id_screen"), ondelete="SET NULL"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_job")),
    )
    for column in ("lifter_id", "screen_id", "state"):
        op.create_index(f"ix_job_{column}", "job", [column])


def _corrections() -> None:
    op.create_table(
        "untouched",
        sa.Column("screen_id", sa.String(length=32), nullable=False),
        sa.Column("document", sa.Text(), nullable=False),
        sa.Column("npz", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(
            ["screen_id"], ["screen.id"], name=op.f("fk_untouched_screen_id_screen"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("screen_id", name=op.f("pk_untouched")),
    )
    op.create_table(
        "correction",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("screen_id", sa.String(length=32), nullable=False),
        sa.Column("kind", sa.String(length=32), nullable=False),
        sa.Column("details", sa.JSON(), nullable=False),
        sa.Column("made_at", UtcDateTime(timezone=True), nullable=False),
        sa.Column("made_by", sa.Text(), nullable=False),
        sa.Column("taken_back_at", UtcDateTime(timezone=True), nullable=True),
        sa.Column("taken_back_by", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["screen_id"], ["screen.id"], name=op.f("fk_correction_screen_id_screen"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_correction")),
    )
    op.create_index("ix_correction_screen_id", "correction", ["screen_id"])
