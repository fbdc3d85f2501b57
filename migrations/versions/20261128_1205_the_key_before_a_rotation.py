"""The key before a rotation, and until when it works.

Revision ID: 0007
Revises: 0006
"""

import sqlalchemy as sa
from alembic import op

from service.db.types import Instant

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("api_key") as batch:
        batch.add_column(sa.Column("previous_digest", sa.String(), nullable=True))
        batch.add_column(sa.Column("previous_until", Instant(), nullable=True))
        batch.create_unique_constraint(op.f("uq_api_key_previous_digest"), ["previous_digest"])


def downgrade() -> None:
    with op.batch_alter_table("api_key") as batch:
        batch.drop_constraint(op.f("uq_api_key_previous_digest"), type_="unique")
        batch.drop_column("previous_until")
        batch.drop_column("previous_digest")
