"""Consents and restrictions of a person's data.

Revision ID: 0005
Revises: 0004
"""

import sqlalchemy as sa
from alembic import op

from service.db.types import Instant

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "consent",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("public_id", sa.String(), nullable=False),
        sa.Column("subject_id", sa.Integer(), nullable=False),
        sa.Column("purpose", sa.String(), nullable=False),
        sa.Column("given_at", Instant(), nullable=False),
        sa.Column("withdrawn_at", Instant(), nullable=True),
        sa.Column("note", sa.String(), nullable=True),
        sa.CheckConstraint(
            "purpose in ('testing', 'research', 'sharing', 'contact')", name=op.f("ck_consent_purpose")
        ),
        sa.ForeignKeyConstraint(
            ["subject_id"], ["subject.id"], name=op.f("fk_consent_subject_id_subject"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_consent")),
        sa.UniqueConstraint("public_id", name=op.f("uq_consent_public_id")),
    )
    op.create_index("ix_consent_subject_id", "consent", ["subject_id"])
    op.create_table(
        "restriction",
        sa.Column("subject_id", sa.Integer(), nullable=False),
        sa.Column("at", Instant(), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("reason", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["subject_id"], ["subject.id"], name=op.f("fk_restriction_subject_id_subject"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("subject_id", name=op.f("pk_restriction")),
    )


def downgrade() -> None:
    op.drop_table("restriction")
    op.drop_index("ix_consent_subject_id", table_name="consent")
    op.drop_table("consent")
