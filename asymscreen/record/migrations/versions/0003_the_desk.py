"""Accounts and sessions of the desk, links and hand-ins of remote clients, and the audit log."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from asymscreen.record.models import UtcDateTime

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    _accounts()
    _links()
    _hand_ins()
    _audit()


def downgrade() -> None:
    for table in ("audit_line", "hand_in", "hand_in_link", "login", "account"):
        op.drop_table(table)


def _accounts() -> None:
    op.create_table(
        "account",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=64), nullable=False),
        sa.Column("password_hash", sa.Text(), nullable=False),
        sa.Column("made_at", UtcDateTime(timezone=True), nullable=False),
        sa.Column("changed_at", UtcDateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_account")),
        sa.UniqueConstraint("name", name=op.f("uq_account_name")),
    )
    op.create_table(
        "login",
        sa.Column("key", sa.String(length=64), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=False),
        sa.Column("made_at", UtcDateTime(timezone=True), nullable=False),
        sa.Column("seen_at", UtcDateTime(timezone=True), nullable=False),
        sa.Column("ends_at", UtcDateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["account_id"], ["account.id"], name=op.f("fk_login_account_id_account"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_login")),
    )
    op.create_index("ix_login_account_id", "login", ["account_id"])


def _links() -> None:
    op.create_table(
        "hand_in_link",
        sa.Column("id", sa.String(length=24), nullable=False),
        sa.Column("lifter_id", sa.Integer(), nullable=False),
        sa.Column("made_at", UtcDateTime(timezone=True), nullable=False),
        sa.Column("made_by", sa.Text(), nullable=False),
        sa.Column("ends_at", UtcDateTime(timezone=True), nullable=False),
        sa.Column("revoked_at", UtcDateTime(timezone=True), nullable=True),
        sa.Column("most_clips", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["lifter_id"], ["lifter.id"], name=op.f("fk_hand_in_link_lifter_id_lifter"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_hand_in_link")),
    )
    op.create_index("ix_hand_in_link_lifter_id", "hand_in_link", ["lifter_id"])


def _hand_ins() -> None:
    op.create_table(
        "hand_in",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=32), nullable=False),
        sa.Column("lifter_id", sa.Integer(), nullable=False),
        sa.Column("link_id", sa.String(length=24), nullable=False),
        sa.Column("begun_at", UtcDateTime(timezone=True), nullable=False),
        sa.Column("sent_at", UtcDateTime(timezone=True), nullable=True),
        sa.Column("state", sa.String(length=16), nullable=False),
        *[sa.Column(name, sa.JSON(), nullable=False) for name in ("told", "sheet", "felt")],
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("job", sa.String(length=32), nullable=False),
        *[sa.Column(name, sa.JSON(), nullable=False) for name in ("reasons", "advice")],
        sa.Column("screen_id", sa.String(length=32), nullable=True),
        sa.ForeignKeyConstraint(
            ["lifter_id"], ["lifter.id"], name=op.f("fk_hand_in_lifter_id_lifter"), ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(
            ["screen_id"], ["screen.id"], name=op.f("fk_hand_in_screen_id_screen"), ondelete="SET NULL"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_hand_in")),
        sa.UniqueConstraint("name", name=op.f("uq_hand_in_name")),
    )
    for column in ("lifter_id", "link_id", "screen_id", "sha256"):
        op.create_index(f"ix_hand_in_{column}", "hand_in", [column])


def _audit() -> None:
    op.create_table(
        "audit_line",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("at", UtcDateTime(timezone=True), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("address", sa.Text(), nullable=False),
        sa.Column("did", sa.Text(), nullable=False),
        sa.Column("lifter", sa.String(length=64), nullable=False),
        sa.Column("about", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_audit_line")),
    )
    for column in ("at", "lifter"):
        op.create_index(f"ix_audit_line_{column}", "audit_line", [column])
