"""History, reason for a test and who read its ECG.

Revision ID: 0003
Revises: 0002
"""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("exercise_test", schema=None) as batch_op:
        batch_op.add_column(sa.Column("reason_for_test", sa.String(), nullable=True))
        batch_op.add_column(sa.Column("ecg_recorded", sa.Boolean(), nullable=True))
        batch_op.add_column(sa.Column("ecg_read_by", sa.String(), nullable=True))
        batch_op.add_column(sa.Column("ecg_reading", sa.String(), nullable=True))

    with op.batch_alter_table("visit", schema=None) as batch_op:
        batch_op.add_column(sa.Column("history", sa.String(), nullable=True))


def downgrade() -> None:
    with op.batch_alter_table("visit", schema=None) as batch_op:
        batch_op.drop_column("history")

    with op.batch_alter_table("exercise_test", schema=None) as batch_op:
        batch_op.drop_column("ecg_reading")
        batch_op.drop_column("ecg_read_by")
        batch_op.drop_column("ecg_recorded")
        batch_op.drop_column("reason_for_test")
