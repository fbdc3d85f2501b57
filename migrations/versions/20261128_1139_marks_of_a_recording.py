"""Marks of a recording.

Revision ID: 0004
Revises: 0003
"""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "recording_mark",
        sa.Column("test_id", sa.Integer(), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.Column("utc_offset_minutes", sa.Integer(), nullable=False),
        sa.Column("phase", sa.String(), nullable=True),
        sa.Column("stage", sa.Integer(), nullable=True),
        sa.Column("work_rate_w", sa.Double(), nullable=True),
        sa.Column("speed_km_h", sa.Double(), nullable=True),
        sa.Column("grade_percent", sa.Double(), nullable=True),
        sa.Column("stop_reason", sa.String(), nullable=True),
        sa.Column("stop_note", sa.String(), nullable=True),
        sa.Column("counts", sa.Boolean(), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.CheckConstraint(
            "kind in ('clock_started', 'stage_started', 'stage_held', 'stage_resumed', 'exercise_ended')",
            name=op.f("ck_recording_mark_kind"),
        ),
        sa.ForeignKeyConstraint(
            ["test_id"],
            ["exercise_test.id"],
            name=op.f("fk_recording_mark_test_id_exercise_test"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("test_id", "seq", name=op.f("pk_recording_mark")),
    )


def downgrade() -> None:
    op.drop_table("recording_mark")
