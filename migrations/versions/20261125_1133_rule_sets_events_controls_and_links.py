"""Rule sets, events, controls and links.

Revision ID: 0002
Revises: 0001
"""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "effort_rule_set",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("key", sa.String(), nullable=False),
        sa.Column("document", sa.JSON(), nullable=False),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_effort_rule_set")),
        sa.UniqueConstraint("key", name=op.f("uq_effort_rule_set_key")),
    )
    op.create_table(
        "control_measurement",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("public_id", sa.String(), nullable=False),
        sa.Column("subject_id", sa.Integer(), nullable=False),
        sa.Column("taken_at", sa.DateTime(), nullable=False),
        sa.Column("utc_offset_minutes", sa.Integer(), nullable=False),
        sa.Column("device", sa.String(), nullable=False),
        sa.Column("mode", sa.String(), nullable=False),
        sa.Column("work_rate_w", sa.Double(), nullable=True),
        sa.Column("speed_km_h", sa.Double(), nullable=True),
        sa.Column("grade_percent", sa.Double(), nullable=True),
        sa.Column("quantity", sa.String(), nullable=False),
        sa.Column("value", sa.Double(), nullable=False),
        sa.Column("tester", sa.String(), nullable=True),
        sa.Column("notes", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(
            ["subject_id"],
            ["subject.id"],
            name=op.f("fk_control_measurement_subject_id_subject"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_control_measurement")),
        sa.UniqueConstraint("public_id", name=op.f("uq_control_measurement_public_id")),
    )
    with op.batch_alter_table("control_measurement", schema=None) as batch_op:
        batch_op.create_index(
            "ix_control_measurement_subject_id_taken_at", ["subject_id", "taken_at"], unique=False
        )

    op.create_table(
        "event",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("public_id", sa.String(), nullable=False),
        sa.Column("subject_id", sa.Integer(), nullable=True),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("started_on", sa.Date(), nullable=False),
        sa.Column("ended_on", sa.Date(), nullable=True),
        sa.Column("title", sa.String(), nullable=False),
        sa.Column("device", sa.String(), nullable=True),
        sa.Column("notes", sa.String(), nullable=True),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["subject_id"], ["subject.id"], name=op.f("fk_event_subject_id_subject"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_event")),
        sa.UniqueConstraint("public_id", name=op.f("uq_event_public_id")),
    )
    with op.batch_alter_table("event", schema=None) as batch_op:
        batch_op.create_index("ix_event_subject_id_started_on", ["subject_id", "started_on"], unique=False)

    op.create_table(
        "signed_link",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("public_id", sa.String(), nullable=False),
        sa.Column("digest", sa.String(), nullable=False),
        sa.Column("subject_id", sa.Integer(), nullable=False),
        sa.Column("address", sa.String(), nullable=False),
        sa.Column("created_by", sa.String(), nullable=False),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.Column("expires_at", sa.DateTime(), nullable=False),
        sa.Column("revoked_at", sa.DateTime(), nullable=True),
        sa.ForeignKeyConstraint(
            ["subject_id"], ["subject.id"], name=op.f("fk_signed_link_subject_id_subject"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_signed_link")),
        sa.UniqueConstraint("digest", name=op.f("uq_signed_link_digest")),
        sa.UniqueConstraint("public_id", name=op.f("uq_signed_link_public_id")),
    )
    with op.batch_alter_table("signed_link", schema=None) as batch_op:
        batch_op.create_index("ix_signed_link_subject_id", ["subject_id"], unique=False)

    op.create_table(
        "web_session",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("digest", sa.String(), nullable=False),
        sa.Column("api_key_id", sa.Integer(), nullable=False),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.Column("expires_at", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["api_key_id"], ["api_key.id"], name=op.f("fk_web_session_api_key_id_api_key"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_web_session")),
        sa.UniqueConstraint("digest", name=op.f("uq_web_session_digest")),
    )
    with op.batch_alter_table("web_session", schema=None) as batch_op:
        batch_op.create_index("ix_web_session_api_key_id", ["api_key_id"], unique=False)

    with op.batch_alter_table("cohort", schema=None) as batch_op:
        batch_op.add_column(sa.Column("effort_rules", sa.String(), nullable=True))

    with op.batch_alter_table("conclusion", schema=None) as batch_op:
        batch_op.add_column(sa.Column("document", sa.Text(), nullable=True))

    with op.batch_alter_table("exclusion", schema=None) as batch_op:
        batch_op.add_column(sa.Column("excluded", sa.Boolean(), server_default=sa.true(), nullable=False))

    with op.batch_alter_table("exercise_test", schema=None) as batch_op:
        batch_op.add_column(sa.Column("lactate_sample_site", sa.String(), nullable=True))
        batch_op.add_column(sa.Column("lactate_analyser", sa.String(), nullable=True))

    with op.batch_alter_table("site", schema=None) as batch_op:
        batch_op.add_column(
            sa.Column("control_revision", sa.Integer(), server_default=sa.text("0"), nullable=False)
        )

    with op.batch_alter_table("subject", schema=None) as batch_op:
        batch_op.add_column(sa.Column("next_test_due_on", sa.Date(), nullable=True))

    with op.batch_alter_table("visit", schema=None) as batch_op:
        batch_op.add_column(sa.Column("vital_capacity_l", sa.Double(), nullable=True))


def downgrade() -> None:
    with op.batch_alter_table("visit", schema=None) as batch_op:
        batch_op.drop_column("vital_capacity_l")

    with op.batch_alter_table("subject", schema=None) as batch_op:
        batch_op.drop_column("next_test_due_on")

    with op.batch_alter_table("site", schema=None) as batch_op:
        batch_op.drop_column("control_revision")

    with op.batch_alter_table("exercise_test", schema=None) as batch_op:
        batch_op.drop_column("lactate_analyser")
        batch_op.drop_column("lactate_sample_site")

    # Without the column every row means "taken out": decisions to keep a breath would turn into their opposite.
    exclusion = sa.table("exclusion", sa.column("excluded", sa.Boolean()))
    op.execute(sa.delete(exclusion).where(exclusion.c.excluded.is_(sa.false())))
    with op.batch_alter_table("exclusion", schema=None) as batch_op:
        batch_op.drop_column("excluded")

    with op.batch_alter_table("conclusion", schema=None) as batch_op:
        batch_op.drop_column("document")

    with op.batch_alter_table("cohort", schema=None) as batch_op:
        batch_op.drop_column("effort_rules")

    with op.batch_alter_table("web_session", schema=None) as batch_op:
        batch_op.drop_index("ix_web_session_api_key_id")

    op.drop_table("web_session")
    with op.batch_alter_table("signed_link", schema=None) as batch_op:
        batch_op.drop_index("ix_signed_link_subject_id")

    op.drop_table("signed_link")
    with op.batch_alter_table("event", schema=None) as batch_op:
        batch_op.drop_index("ix_event_subject_id_started_on")

    op.drop_table("event")
    with op.batch_alter_table("control_measurement", schema=None) as batch_op:
        batch_op.drop_index("ix_control_measurement_subject_id_taken_at")

    op.drop_table("control_measurement")
    op.drop_table("effort_rule_set")
