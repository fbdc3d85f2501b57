"""Exertion scale of a test, and the cautions read before it.

Revision ID: 0006
Revises: 0005
"""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("exercise_test") as table:
        table.add_column(sa.Column("rpe_scale", sa.String(), nullable=True))
        table.add_column(sa.Column("cautions_acknowledged", sa.JSON(), nullable=True))
        table.add_column(sa.Column("cautions_acknowledged_by", sa.String(), nullable=True))
        table.add_column(sa.Column("cautions_acknowledged_at", sa.DateTime(), nullable=True))


def downgrade() -> None:
    with op.batch_alter_table("exercise_test") as table:
        table.drop_column("cautions_acknowledged_at")
        table.drop_column("cautions_acknowledged_by")
        table.drop_column("cautions_acknowledged")
        table.drop_column("rpe_scale")
