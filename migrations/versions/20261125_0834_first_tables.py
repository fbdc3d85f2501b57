"""First tables.

Revision ID: 0001
Revises:
"""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "api_key",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("digest", sa.String(), nullable=False),
        sa.Column("scope", sa.String(), nullable=False),
        sa.Column("identity", sa.Boolean(), nullable=False),
        sa.Column("all_subjects", sa.Boolean(), nullable=False),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.Column("expires_at", sa.DateTime(), nullable=True),
        sa.Column("revoked_at", sa.DateTime(), nullable=True),
        sa.Column("last_used_at", sa.DateTime(), nullable=True),
        sa.CheckConstraint("scope in ('reader', 'tester', 'admin')", name=op.f("ck_api_key_scope")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_api_key")),
        sa.UniqueConstraint("digest", name=op.f("uq_api_key_digest")),
        sa.UniqueConstraint("name", name=op.f("uq_api_key_name")),
    )
    op.create_table(
        "change",
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.Column("actor", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("subject_id", sa.String(), nullable=True),
        sa.Column("action", sa.String(), nullable=False),
        sa.Column("payload_digest", sa.String(), nullable=False),
        sa.Column("hash", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("seq", name=op.f("pk_change")),
        sqlite_autoincrement=True,
    )
    with op.batch_alter_table("change", schema=None) as batch_op:
        batch_op.create_index("ix_change_subject_id", ["subject_id"], unique=False)

    op.create_table(
        "cohort",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("public_id", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("notes", sa.String(), nullable=True),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_cohort")),
        sa.UniqueConstraint("name", name=op.f("uq_cohort_name")),
        sa.UniqueConstraint("public_id", name=op.f("uq_cohort_public_id")),
    )
    op.create_table(
        "loaded_norm",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("key", sa.String(), nullable=False),
        sa.Column("document", sa.JSON(), nullable=False),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_loaded_norm")),
        sa.UniqueConstraint("key", name=op.f("uq_loaded_norm_key")),
    )
    op.create_table(
        "protocol",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("key", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("family", sa.String(), nullable=True),
        sa.Column("mode", sa.String(), nullable=False),
        sa.Column("shape", sa.String(), nullable=False),
        sa.Column("purpose", sa.String(), nullable=False),
        sa.Column("source", sa.String(), nullable=False),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_protocol")),
        sa.UniqueConstraint("key", name=op.f("uq_protocol_key")),
    )
    op.create_table(
        "site",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("settings", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_site")),
    )
    op.create_table(
        "subject",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("public_id", sa.String(), nullable=False),
        sa.Column("code", sa.String(), nullable=False),
        sa.Column("given_name", sa.String(), nullable=True),
        sa.Column("family_name", sa.String(), nullable=True),
        sa.Column("birth_date", sa.Date(), nullable=True),
        sa.Column("birth_year", sa.Integer(), nullable=True),
        sa.Column("sex", sa.String(), nullable=True),
        sa.Column("notes", sa.String(), nullable=True),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.CheckConstraint("sex in ('female', 'male')", name=op.f("ck_subject_sex")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_subject")),
        sa.UniqueConstraint("code", name=op.f("uq_subject_code")),
        sa.UniqueConstraint("public_id", name=op.f("uq_subject_public_id")),
    )
    op.create_table(
        "api_key_subject",
        sa.Column("api_key_id", sa.Integer(), nullable=False),
        sa.Column("subject_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["api_key_id"],
            ["api_key.id"],
            name=op.f("fk_api_key_subject_api_key_id_api_key"),
            ondelete="CASCADE",
        ),
        sa.ForeignKeyConstraint(
            ["subject_id"],
            ["subject.id"],
            name=op.f("fk_api_key_subject_subject_id_subject"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("api_key_id", "subject_id", name=op.f("pk_api_key_subject")),
    )
    with op.batch_alter_table("api_key_subject", schema=None) as batch_op:
        batch_op.create_index("ix_api_key_subject_subject_id", ["subject_id"], unique=False)

    op.create_table(
        "change_payload",
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("salt", sa.String(), nullable=False),
        sa.Column("payload", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["seq"], ["change.seq"], name=op.f("fk_change_payload_seq_change"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("seq", name=op.f("pk_change_payload")),
    )
    op.create_table(
        "cohort_member",
        sa.Column("cohort_id", sa.Integer(), nullable=False),
        sa.Column("subject_id", sa.Integer(), nullable=False),
        sa.Column("arm", sa.String(), nullable=True),
        sa.Column("joined_on", sa.Date(), nullable=True),
        sa.Column("left_on", sa.Date(), nullable=True),
        sa.ForeignKeyConstraint(
            ["cohort_id"], ["cohort.id"], name=op.f("fk_cohort_member_cohort_id_cohort"), ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(
            ["subject_id"],
            ["subject.id"],
            name=op.f("fk_cohort_member_subject_id_subject"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("cohort_id", "subject_id", name=op.f("pk_cohort_member")),
    )
    with op.batch_alter_table("cohort_member", schema=None) as batch_op:
        batch_op.create_index("ix_cohort_member_subject_id", ["subject_id"], unique=False)

    op.create_table(
        "idempotency",
        sa.Column("api_key_id", sa.Integer(), nullable=False),
        sa.Column("key", sa.String(), nullable=False),
        sa.Column("subject_id", sa.Integer(), nullable=True),
        sa.Column("fingerprint", sa.String(), nullable=False),
        sa.Column("status", sa.Integer(), nullable=False),
        sa.Column("location", sa.String(), nullable=True),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["api_key_id"], ["api_key.id"], name=op.f("fk_idempotency_api_key_id_api_key"), ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(
            ["subject_id"], ["subject.id"], name=op.f("fk_idempotency_subject_id_subject"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("api_key_id", "key", name=op.f("pk_idempotency")),
    )
    with op.batch_alter_table("idempotency", schema=None) as batch_op:
        batch_op.create_index("ix_idempotency_created_at", ["created_at"], unique=False)

    op.create_table(
        "protocol_stage",
        sa.Column("protocol_id", sa.Integer(), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("phase", sa.String(), nullable=False),
        sa.Column("duration_s", sa.Double(), nullable=False),
        sa.Column("work_rate_w", sa.Double(), nullable=True),
        sa.Column("speed_km_h", sa.Double(), nullable=True),
        sa.Column("grade_percent", sa.Double(), nullable=True),
        sa.Column("cadence_per_min", sa.Double(), nullable=True),
        sa.Column("ramp_w_per_min", sa.Double(), nullable=True),
        sa.ForeignKeyConstraint(
            ["protocol_id"],
            ["protocol.id"],
            name=op.f("fk_protocol_stage_protocol_id_protocol"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("protocol_id", "seq", name=op.f("pk_protocol_stage")),
    )
    op.create_table(
        "visit",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("public_id", sa.String(), nullable=False),
        sa.Column("subject_id", sa.Integer(), nullable=False),
        sa.Column("started_at", sa.DateTime(), nullable=False),
        sa.Column("utc_offset_minutes", sa.Integer(), nullable=False),
        sa.Column("round", sa.String(), nullable=True),
        sa.Column("site", sa.String(), nullable=True),
        sa.Column("tester", sa.String(), nullable=True),
        sa.Column("age_years", sa.Double(), nullable=True),
        sa.Column("body_mass_kg", sa.Double(), nullable=True),
        sa.Column("body_mass_source", sa.String(), nullable=True),
        sa.Column("height_cm", sa.Double(), nullable=True),
        sa.Column("resting_heart_rate_bpm", sa.Double(), nullable=True),
        sa.Column("resting_systolic_mmhg", sa.Double(), nullable=True),
        sa.Column("resting_diastolic_mmhg", sa.Double(), nullable=True),
        sa.Column("resting_spo2_percent", sa.Double(), nullable=True),
        sa.Column("barometric_pressure_mmhg", sa.Double(), nullable=True),
        sa.Column("altitude_m", sa.Double(), nullable=True),
        sa.Column("temperature_c", sa.Double(), nullable=True),
        sa.Column("relative_humidity_percent", sa.Double(), nullable=True),
        sa.Column("medications", sa.JSON(), nullable=False),
        sa.Column("hours_since_meal", sa.Double(), nullable=True),
        sa.Column("hours_since_caffeine", sa.Double(), nullable=True),
        sa.Column("hours_since_exercise", sa.Double(), nullable=True),
        sa.Column("haemoglobin_g_dl", sa.Double(), nullable=True),
        sa.Column("fev1_l", sa.Double(), nullable=True),
        sa.Column("mvv_l_min", sa.Double(), nullable=True),
        sa.Column("notes", sa.String(), nullable=True),
        sa.Column("pre_test_answers", sa.JSON(), nullable=False),
        sa.Column("consent_given_at", sa.DateTime(), nullable=True),
        sa.Column("cleared_by", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(
            ["subject_id"], ["subject.id"], name=op.f("fk_visit_subject_id_subject"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_visit")),
        sa.UniqueConstraint("public_id", name=op.f("uq_visit_public_id")),
    )
    with op.batch_alter_table("visit", schema=None) as batch_op:
        batch_op.create_index("ix_visit_subject_id_started_at", ["subject_id", "started_at"], unique=False)

    op.create_table(
        "exercise_test",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("public_id", sa.String(), nullable=False),
        sa.Column("visit_id", sa.Integer(), nullable=False),
        sa.Column("protocol_key", sa.String(), nullable=True),
        sa.Column("mode", sa.String(), nullable=False),
        sa.Column("shape", sa.String(), nullable=True),
        sa.Column("purpose", sa.String(), nullable=False),
        sa.Column("status", sa.String(), nullable=False),
        sa.Column("started_at", sa.DateTime(), nullable=True),
        sa.Column("exercise_start_s", sa.Double(), nullable=True),
        sa.Column("exercise_end_s", sa.Double(), nullable=True),
        sa.Column("stop_reason", sa.String(), nullable=True),
        sa.Column("stop_note", sa.String(), nullable=True),
        sa.Column("verifies_test_id", sa.Integer(), nullable=True),
        sa.Column("posture", sa.String(), nullable=True),
        sa.Column("ergometer", sa.String(), nullable=True),
        sa.Column("analyser", sa.String(), nullable=True),
        sa.Column("interface", sa.String(), nullable=True),
        sa.Column("handrail_support", sa.Boolean(), nullable=True),
        sa.Column("fio2_fraction", sa.Double(), nullable=True),
        sa.Column("recovery_posture", sa.String(), nullable=True),
        sa.Column("recovery_active", sa.Boolean(), nullable=True),
        sa.Column("field_inputs", sa.JSON(), nullable=True),
        sa.Column("notes", sa.String(), nullable=True),
        sa.Column("source_hash", sa.String(), nullable=True),
        sa.Column("source_name", sa.String(), nullable=True),
        sa.Column("source_options", sa.JSON(), nullable=True),
        sa.Column("source_columns", sa.JSON(), nullable=True),
        sa.Column("source_findings", sa.JSON(), nullable=True),
        sa.CheckConstraint(
            "status in ('planned', 'recording', 'complete', 'void')", name=op.f("ck_exercise_test_status")
        ),
        sa.ForeignKeyConstraint(
            ["verifies_test_id"],
            ["exercise_test.id"],
            name=op.f("fk_exercise_test_verifies_test_id_exercise_test"),
            ondelete="SET NULL",
        ),
        sa.ForeignKeyConstraint(
            ["visit_id"], ["visit.id"], name=op.f("fk_exercise_test_visit_id_visit"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_exercise_test")),
        sa.UniqueConstraint("public_id", name=op.f("uq_exercise_test_public_id")),
    )
    with op.batch_alter_table("exercise_test", schema=None) as batch_op:
        batch_op.create_index("ix_exercise_test_source_hash", ["source_hash"], unique=False)
        batch_op.create_index("ix_exercise_test_verifies_test_id", ["verifies_test_id"], unique=False)
        batch_op.create_index("ix_exercise_test_visit_id", ["visit_id"], unique=False)

    op.create_table(
        "measurement",
        sa.Column("visit_id", sa.Integer(), nullable=False),
        sa.Column("quantity", sa.String(), nullable=False),
        sa.Column("value", sa.Double(), nullable=False),
        sa.Column("note", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(
            ["visit_id"], ["visit.id"], name=op.f("fk_measurement_visit_id_visit"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("visit_id", "quantity", name=op.f("pk_measurement")),
    )
    op.create_table(
        "analysis",
        sa.Column("test_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("analysis_version", sa.String(), nullable=False),
        sa.Column("input_hash", sa.String(), nullable=False),
        sa.Column("site_revision", sa.Integer(), nullable=False),
        sa.Column("settings", sa.JSON(), nullable=False),
        sa.Column("document", sa.Text(), nullable=False),
        sa.Column("computed_at", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["test_id"],
            ["exercise_test.id"],
            name=op.f("fk_analysis_test_id_exercise_test"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("test_id", name=op.f("pk_analysis")),
    )
    op.create_table(
        "calibration",
        sa.Column("test_id", sa.Integer(), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("moment", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("expected", sa.Double(), nullable=False),
        sa.Column("measured", sa.Double(), nullable=False),
        sa.Column("unit", sa.String(), nullable=False),
        sa.Column("device", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(
            ["test_id"],
            ["exercise_test.id"],
            name=op.f("fk_calibration_test_id_exercise_test"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("test_id", "seq", name=op.f("pk_calibration")),
    )
    op.create_table(
        "conclusion",
        sa.Column("test_id", sa.Integer(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("text", sa.String(), nullable=False),
        sa.Column("author", sa.String(), nullable=False),
        sa.Column("credentials", sa.String(), nullable=True),
        sa.Column("signed_at", sa.DateTime(), nullable=True),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["test_id"],
            ["exercise_test.id"],
            name=op.f("fk_conclusion_test_id_exercise_test"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("test_id", "version", name=op.f("pk_conclusion")),
    )
    op.create_table(
        "exclusion",
        sa.Column("test_id", sa.Integer(), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["test_id"],
            ["exercise_test.id"],
            name=op.f("fk_exclusion_test_id_exercise_test"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("test_id", "seq", name=op.f("pk_exclusion")),
    )
    op.create_table(
        "interval",
        sa.Column("test_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("seq", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("end_s", sa.Double(), nullable=False),
        sa.Column("duration_s", sa.Double(), nullable=False),
        sa.Column("phase", sa.SmallInteger(), nullable=True),
        sa.Column("stage", sa.Integer(), nullable=True),
        sa.Column("vo2_ml_min", sa.Double(), nullable=True),
        sa.Column("vco2_ml_min", sa.Double(), nullable=True),
        sa.Column("ve_l_min", sa.Double(), nullable=True),
        sa.Column("heart_rate_bpm", sa.Double(), nullable=True),
        sa.Column("respiratory_rate_per_min", sa.Double(), nullable=True),
        sa.Column("work_rate_w", sa.Double(), nullable=True),
        sa.Column("speed_km_h", sa.Double(), nullable=True),
        sa.Column("grade_percent", sa.Double(), nullable=True),
        sa.Column("feo2_fraction", sa.Double(), nullable=True),
        sa.Column("feco2_fraction", sa.Double(), nullable=True),
        sa.ForeignKeyConstraint(
            ["test_id"],
            ["exercise_test.id"],
            name=op.f("fk_interval_test_id_exercise_test"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("test_id", "seq", name=op.f("pk_interval")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "interval_extra",
        sa.Column("test_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("seq", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("tidal_volume_l", sa.Double(), nullable=True),
        sa.Column("peto2_mmhg", sa.Double(), nullable=True),
        sa.Column("petco2_mmhg", sa.Double(), nullable=True),
        sa.Column("spo2_percent", sa.Double(), nullable=True),
        sa.Column("cadence_per_min", sa.Double(), nullable=True),
        sa.ForeignKeyConstraint(
            ["test_id"],
            ["exercise_test.id"],
            name=op.f("fk_interval_extra_test_id_exercise_test"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("test_id", "seq", name=op.f("pk_interval_extra")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "reported_result",
        sa.Column("test_id", sa.Integer(), nullable=False),
        sa.Column("quantity", sa.String(), nullable=False),
        sa.Column("value", sa.Double(), nullable=False),
        sa.Column("method", sa.String(), nullable=True),
        sa.Column("source", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["test_id"],
            ["exercise_test.id"],
            name=op.f("fk_reported_result_test_id_exercise_test"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("test_id", "quantity", name=op.f("pk_reported_result")),
    )
    op.create_table(
        "result",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("subject_id", sa.Integer(), nullable=False),
        sa.Column("visit_id", sa.Integer(), nullable=False),
        sa.Column("test_id", sa.Integer(), nullable=True),
        sa.Column("quantity", sa.String(), nullable=False),
        sa.Column("value", sa.Double(), nullable=False),
        sa.Column("method", sa.String(), nullable=False),
        sa.Column("method_version", sa.String(), nullable=False),
        sa.Column("occurred_at", sa.DateTime(), nullable=False),
        sa.Column("date", sa.Date(), nullable=False),
        sa.Column("mode", sa.String(), nullable=True),
        sa.Column("basis", sa.String(), nullable=False),
        sa.Column("protocol_family", sa.String(), nullable=True),
        sa.Column("effort", sa.String(), nullable=True),
        sa.Column("convention", sa.String(), nullable=True),
        sa.Column("effective_window_s", sa.Double(), nullable=True),
        sa.Column("rer", sa.Double(), nullable=True),
        sa.Column("has_error", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(
            ["subject_id"], ["subject.id"], name=op.f("fk_result_subject_id_subject"), ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(
            ["test_id"],
            ["exercise_test.id"],
            name=op.f("fk_result_test_id_exercise_test"),
            ondelete="CASCADE",
        ),
        sa.ForeignKeyConstraint(
            ["visit_id"], ["visit.id"], name=op.f("fk_result_visit_id_visit"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_result")),
        sa.UniqueConstraint("test_id", "quantity", name=op.f("uq_result_test_id_quantity")),
    )
    with op.batch_alter_table("result", schema=None) as batch_op:
        batch_op.create_index(
            "ix_result_subject_id_quantity_occurred_at",
            ["subject_id", "quantity", "occurred_at"],
            unique=False,
        )
        batch_op.create_index("ix_result_visit_id", ["visit_id"], unique=False)

    op.create_table(
        "stage_note",
        sa.Column("test_id", sa.Integer(), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("stage", sa.Integer(), nullable=True),
        sa.Column("phase", sa.String(), nullable=True),
        sa.Column("time_s", sa.Double(), nullable=True),
        sa.Column("work_rate_w", sa.Double(), nullable=True),
        sa.Column("speed_km_h", sa.Double(), nullable=True),
        sa.Column("grade_percent", sa.Double(), nullable=True),
        sa.Column("heart_rate_bpm", sa.Double(), nullable=True),
        sa.Column("rpe", sa.Double(), nullable=True),
        sa.Column("rpe_scale", sa.String(), nullable=True),
        sa.Column("rpe_legs", sa.Double(), nullable=True),
        sa.Column("rpe_breathing", sa.Double(), nullable=True),
        sa.Column("systolic_mmhg", sa.Double(), nullable=True),
        sa.Column("diastolic_mmhg", sa.Double(), nullable=True),
        sa.Column("lactate_mmol_l", sa.Double(), nullable=True),
        sa.Column("spo2_percent", sa.Double(), nullable=True),
        sa.Column("symptoms", sa.String(), nullable=True),
        sa.Column("note", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(
            ["test_id"],
            ["exercise_test.id"],
            name=op.f("fk_stage_note_test_id_exercise_test"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("test_id", "seq", name=op.f("pk_stage_note")),
    )
    op.create_table(
        "tester_threshold",
        sa.Column("test_id", sa.Integer(), nullable=False),
        sa.Column("threshold", sa.String(), nullable=False),
        sa.Column("vo2_ml_min", sa.Double(), nullable=True),
        sa.Column("time_s", sa.Double(), nullable=True),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["test_id"],
            ["exercise_test.id"],
            name=op.f("fk_tester_threshold_test_id_exercise_test"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("test_id", "threshold", name=op.f("pk_tester_threshold")),
    )


def downgrade() -> None:
    op.drop_table("tester_threshold")
    op.drop_table("stage_note")
    with op.batch_alter_table("result", schema=None) as batch_op:
        batch_op.drop_index("ix_result_visit_id")
        batch_op.drop_index("ix_result_subject_id_quantity_occurred_at")

    op.drop_table("result")
    op.drop_table("reported_result")
    op.drop_table("interval_extra")
    op.drop_table("interval")
    op.drop_table("exclusion")
    op.drop_table("conclusion")
    op.drop_table("calibration")
    op.drop_table("analysis")
    op.drop_table("measurement")
    with op.batch_alter_table("exercise_test", schema=None) as batch_op:
        batch_op.drop_index("ix_exercise_test_visit_id")
        batch_op.drop_index("ix_exercise_test_verifies_test_id")
        batch_op.drop_index("ix_exercise_test_source_hash")

    op.drop_table("exercise_test")
    with op.batch_alter_table("visit", schema=None) as batch_op:
        batch_op.drop_index("ix_visit_subject_id_started_at")

    op.drop_table("visit")
    op.drop_table("protocol_stage")
    with op.batch_alter_table("idempotency", schema=None) as batch_op:
        batch_op.drop_index("ix_idempotency_created_at")

    op.drop_table("idempotency")
    with op.batch_alter_table("cohort_member", schema=None) as batch_op:
        batch_op.drop_index("ix_cohort_member_subject_id")

    op.drop_table("cohort_member")
    op.drop_table("change_payload")
    with op.batch_alter_table("api_key_subject", schema=None) as batch_op:
        batch_op.drop_index("ix_api_key_subject_subject_id")

    op.drop_table("api_key_subject")
    op.drop_table("subject")
    op.drop_table("site")
    op.drop_table("protocol")
    op.drop_table("loaded_norm")
    op.drop_table("cohort")
    with op.batch_alter_table("change", schema=None) as batch_op:
        batch_op.drop_index("ix_change_subject_id")

    op.drop_table("change")
    op.drop_table("api_key")
