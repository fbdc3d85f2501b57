"""All tables.

Canonical units, always in the name. Internal keys are integers; what callers see is `public_id`.
Every constraint is named. Raw interval values never change: what is taken out by hand stands in `exclusion`.
"""

import secrets
from datetime import date, datetime
from typing import Any, ClassVar

import sqlalchemy as sa
from sqlalchemy import ForeignKey
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

from service.db.types import Instant

#: Without look-alikes, so that an id can be read aloud.
_ALPHABET = "abcdefghjkmnpqrstuvwxyz23456789"


def new_public_id() -> str:
    """An opaque id of 16 characters (79 bits)."""
    return "".join(secrets.choice(_ALPHABET) for _ in range(16))


class Base(DeclarativeBase):
    """Root of the models; names every constraint."""

    metadata = sa.MetaData(
        naming_convention={
            "ix": "ix_%(table_name)s_%(column_0_N_name)s",
            "uq": "uq_%(table_name)s_%(column_0_N_name)s",
            "ck": "ck_%(table_name)s_%(constraint_name)s",
            "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
            "pk": "pk_%(table_name)s",
        }
    )
    type_annotation_map: ClassVar[dict[Any, Any]] = {
        datetime: Instant(),
        dict[str, Any]: sa.JSON(),
        list[Any]: sa.JSON(),
    }


class Site(Base):
    """The one row of what the site has set: its defaults, and a revision that every such change bumps."""

    __tablename__ = "site"

    id: Mapped[int] = mapped_column(primary_key=True)
    revision: Mapped[int] = mapped_column(default=1)
    settings: Mapped[dict[str, Any]] = mapped_column(default=dict)
    # Counts what control charts rest on: warnings of a shifted device change by it, but no rank does.
    control_revision: Mapped[int] = mapped_column(default=0, server_default=sa.text("0"))


class Subject(Base):
    """A person. `revision` is bumped by every write below it."""

    __tablename__ = "subject"
    __table_args__ = (sa.CheckConstraint("sex in ('female', 'male')", name="sex"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    public_id: Mapped[str] = mapped_column(unique=True, default=new_public_id)
    code: Mapped[str] = mapped_column(unique=True)
    given_name: Mapped[str | None]
    family_name: Mapped[str | None]
    birth_date: Mapped[date | None]
    birth_year: Mapped[int | None]
    sex: Mapped[str | None]
    notes: Mapped[str | None]
    # Set by a tester; where it is null the interval of the site decides when the next test is due.
    next_test_due_on: Mapped[date | None]
    revision: Mapped[int] = mapped_column(default=1)
    created_at: Mapped[datetime]


class Visit(Base):
    """A day at the laboratory: conditions, mass, resting values, preparation."""

    __tablename__ = "visit"
    __table_args__ = (sa.Index("ix_visit_subject_id_started_at", "subject_id", "started_at"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    public_id: Mapped[str] = mapped_column(unique=True, default=new_public_id)
    subject_id: Mapped[int] = mapped_column(ForeignKey("subject.id", ondelete="CASCADE"))
    started_at: Mapped[datetime]
    utc_offset_minutes: Mapped[int]
    round: Mapped[str | None]
    site: Mapped[str | None]
    tester: Mapped[str | None]
    age_years: Mapped[float | None]
    body_mass_kg: Mapped[float | None]
    body_mass_source: Mapped[str | None]
    height_cm: Mapped[float | None]
    resting_heart_rate_bpm: Mapped[float | None]
    resting_systolic_mmhg: Mapped[float | None]
    resting_diastolic_mmhg: Mapped[float | None]
    resting_spo2_percent: Mapped[float | None]
    barometric_pressure_mmhg: Mapped[float | None]
    altitude_m: Mapped[float | None]
    temperature_c: Mapped[float | None]
    relative_humidity_percent: Mapped[float | None]
    medications: Mapped[list[Any]] = mapped_column(default=list)
    hours_since_meal: Mapped[float | None]
    hours_since_caffeine: Mapped[float | None]
    hours_since_exercise: Mapped[float | None]
    haemoglobin_g_dl: Mapped[float | None]
    fev1_l: Mapped[float | None]
    mvv_l_min: Mapped[float | None]
    vital_capacity_l: Mapped[float | None]
    # What is known of the person's health on that day, as the person told it.
    history: Mapped[str | None]
    notes: Mapped[str | None]
    pre_test_answers: Mapped[list[Any]] = mapped_column(default=list)
    consent_given_at: Mapped[datetime | None]
    cleared_by: Mapped[str | None]


class Measurement(Base):
    """Another fitness measurement of a visit (grip strength, waist)."""

    __tablename__ = "measurement"

    visit_id: Mapped[int] = mapped_column(ForeignKey("visit.id", ondelete="CASCADE"), primary_key=True)
    quantity: Mapped[str] = mapped_column(primary_key=True)
    value: Mapped[float]
    note: Mapped[str | None]


class Protocol(Base):
    """An exercise protocol of the site; the standard ones are shipped as data."""

    __tablename__ = "protocol"

    id: Mapped[int] = mapped_column(primary_key=True)
    key: Mapped[str] = mapped_column(unique=True)
    name: Mapped[str]
    family: Mapped[str | None]
    mode: Mapped[str]
    shape: Mapped[str]
    purpose: Mapped[str]
    source: Mapped[str]
    created_at: Mapped[datetime]


class ProtocolStage(Base):
    """One stage of a protocol."""

    __tablename__ = "protocol_stage"

    protocol_id: Mapped[int] = mapped_column(ForeignKey("protocol.id", ondelete="CASCADE"), primary_key=True)
    seq: Mapped[int] = mapped_column(primary_key=True)
    phase: Mapped[str]
    duration_s: Mapped[float]
    work_rate_w: Mapped[float | None]
    speed_km_h: Mapped[float | None]
    grade_percent: Mapped[float | None]
    cadence_per_min: Mapped[float | None]
    ramp_w_per_min: Mapped[float | None]


class ExerciseTest(Base):
    """One test of a visit, and the file it came from."""

    __tablename__ = "exercise_test"
    __table_args__ = (
        sa.CheckConstraint("status in ('planned', 'recording', 'complete', 'void')", name="status"),
        sa.Index("ix_exercise_test_visit_id", "visit_id"),
        sa.Index("ix_exercise_test_verifies_test_id", "verifies_test_id"),
        sa.Index("ix_exercise_test_source_hash", "source_hash"),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    public_id: Mapped[str] = mapped_column(unique=True, default=new_public_id)
    visit_id: Mapped[int] = mapped_column(ForeignKey("visit.id", ondelete="CASCADE"))
    # A standard protocol's id, or the key of a row of `protocol`: text, so that both are named alike.
    protocol_key: Mapped[str | None]
    mode: Mapped[str]
    shape: Mapped[str | None]
    purpose: Mapped[str]
    # Why the test was asked for; `purpose` is how far it was meant to go.
    reason_for_test: Mapped[str | None]
    status: Mapped[str]
    started_at: Mapped[datetime | None]
    exercise_start_s: Mapped[float | None]
    exercise_end_s: Mapped[float | None]
    stop_reason: Mapped[str | None]
    stop_note: Mapped[str | None]
    verifies_test_id: Mapped[int | None] = mapped_column(ForeignKey("exercise_test.id", ondelete="SET NULL"))
    posture: Mapped[str | None]
    ergometer: Mapped[str | None]
    analyser: Mapped[str | None]
    interface: Mapped[str | None]
    lactate_sample_site: Mapped[str | None]
    lactate_analyser: Mapped[str | None]
    handrail_support: Mapped[bool | None]
    fio2_fraction: Mapped[float | None]
    recovery_posture: Mapped[str | None]
    recovery_active: Mapped[bool | None]
    field_inputs: Mapped[dict[str, Any] | None]
    # An ECG is read by a person; what that person wrote stands as it is.
    # The scale of perceived exertion that the person is shown.
    rpe_scale: Mapped[str | None]
    # Who had read which cautions before the test was made, and when.
    cautions_acknowledged: Mapped[list[Any] | None]
    cautions_acknowledged_by: Mapped[str | None]
    cautions_acknowledged_at: Mapped[datetime | None]
    ecg_recorded: Mapped[bool | None]
    ecg_read_by: Mapped[str | None]
    ecg_reading: Mapped[str | None]
    notes: Mapped[str | None]
    source_hash: Mapped[str | None]
    source_name: Mapped[str | None]
    source_options: Mapped[dict[str, Any] | None]
    source_columns: Mapped[list[Any] | None]
    source_findings: Mapped[list[Any] | None]


class Interval(Base):
    """What was measured in one interval or breath. Raw: never changed after it is stored."""

    __tablename__ = "interval"
    __table_args__ = ({"sqlite_with_rowid": False},)

    test_id: Mapped[int] = mapped_column(
        ForeignKey("exercise_test.id", ondelete="CASCADE"), primary_key=True, autoincrement=False
    )
    seq: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    end_s: Mapped[float]
    duration_s: Mapped[float]
    phase: Mapped[int | None] = mapped_column(sa.SmallInteger)
    stage: Mapped[int | None]
    vo2_ml_min: Mapped[float | None]
    vco2_ml_min: Mapped[float | None]
    ve_l_min: Mapped[float | None]
    heart_rate_bpm: Mapped[float | None]
    respiratory_rate_per_min: Mapped[float | None]
    work_rate_w: Mapped[float | None]
    speed_km_h: Mapped[float | None]
    grade_percent: Mapped[float | None]
    feo2_fraction: Mapped[float | None]
    feco2_fraction: Mapped[float | None]


class IntervalExtra(Base):
    """The rarer channels of an interval."""

    __tablename__ = "interval_extra"
    __table_args__ = ({"sqlite_with_rowid": False},)

    test_id: Mapped[int] = mapped_column(
        ForeignKey("exercise_test.id", ondelete="CASCADE"), primary_key=True, autoincrement=False
    )
    seq: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    tidal_volume_l: Mapped[float | None]
    peto2_mmhg: Mapped[float | None]
    petco2_mmhg: Mapped[float | None]
    spo2_percent: Mapped[float | None]
    cadence_per_min: Mapped[float | None]


class Exclusion(Base):
    """A decision by hand about an interval: taken out, or kept although a rule would leave it out; who and why."""

    __tablename__ = "exclusion"

    test_id: Mapped[int] = mapped_column(ForeignKey("exercise_test.id", ondelete="CASCADE"), primary_key=True)
    seq: Mapped[int] = mapped_column(primary_key=True)
    excluded: Mapped[bool] = mapped_column(default=True, server_default=sa.true())
    by: Mapped[str]
    reason: Mapped[str]
    at: Mapped[datetime]


class StageNote(Base):
    """What was written down at a stage: RPE, blood pressure, lactate."""

    __tablename__ = "stage_note"

    test_id: Mapped[int] = mapped_column(ForeignKey("exercise_test.id", ondelete="CASCADE"), primary_key=True)
    seq: Mapped[int] = mapped_column(primary_key=True)
    stage: Mapped[int | None]
    phase: Mapped[str | None]
    time_s: Mapped[float | None]
    work_rate_w: Mapped[float | None]
    speed_km_h: Mapped[float | None]
    grade_percent: Mapped[float | None]
    heart_rate_bpm: Mapped[float | None]
    rpe: Mapped[float | None]
    rpe_scale: Mapped[str | None]
    rpe_legs: Mapped[float | None]
    rpe_breathing: Mapped[float | None]
    systolic_mmhg: Mapped[float | None]
    diastolic_mmhg: Mapped[float | None]
    lactate_mmol_l: Mapped[float | None]
    spo2_percent: Mapped[float | None]
    symptoms: Mapped[str | None]
    note: Mapped[str | None]


class RecordingMark(Base):
    """A moment of a recording: the clock was started, a stage began, exercise ended.

    `counts` is false once a mark was taken back: it stays, so that what was done can be followed.
    """

    __tablename__ = "recording_mark"
    __table_args__ = (
        sa.CheckConstraint(
            "kind in ('clock_started', 'stage_started', 'stage_held', 'stage_resumed', 'exercise_ended')",
            name="kind",
        ),
    )

    test_id: Mapped[int] = mapped_column(ForeignKey("exercise_test.id", ondelete="CASCADE"), primary_key=True)
    seq: Mapped[int] = mapped_column(primary_key=True)
    kind: Mapped[str]
    at: Mapped[datetime]
    utc_offset_minutes: Mapped[int]
    phase: Mapped[str | None]
    stage: Mapped[int | None]
    work_rate_w: Mapped[float | None]
    speed_km_h: Mapped[float | None]
    grade_percent: Mapped[float | None]
    stop_reason: Mapped[str | None]
    stop_note: Mapped[str | None]
    counts: Mapped[bool]
    by: Mapped[str]


class ReportedResult(Base):
    """A result that came without intervals."""

    __tablename__ = "reported_result"

    test_id: Mapped[int] = mapped_column(ForeignKey("exercise_test.id", ondelete="CASCADE"), primary_key=True)
    quantity: Mapped[str] = mapped_column(primary_key=True)
    value: Mapped[float]
    method: Mapped[str | None]
    source: Mapped[str]


class Calibration(Base):
    """A calibration or its check, before or after a test."""

    __tablename__ = "calibration"

    test_id: Mapped[int] = mapped_column(ForeignKey("exercise_test.id", ondelete="CASCADE"), primary_key=True)
    seq: Mapped[int] = mapped_column(primary_key=True)
    moment: Mapped[str]
    kind: Mapped[str]
    expected: Mapped[float]
    measured: Mapped[float]
    unit: Mapped[str]
    device: Mapped[str | None]


class TesterThreshold(Base):
    """A threshold set by a tester, beside the computed ones."""

    __tablename__ = "tester_threshold"

    test_id: Mapped[int] = mapped_column(ForeignKey("exercise_test.id", ondelete="CASCADE"), primary_key=True)
    threshold: Mapped[str] = mapped_column(primary_key=True)
    vo2_ml_min: Mapped[float | None]
    time_s: Mapped[float | None]
    by: Mapped[str]
    reason: Mapped[str]
    at: Mapped[datetime]


class Conclusion(Base):
    """The tester's conclusion; each version stays, so that a later change is an amendment."""

    __tablename__ = "conclusion"

    test_id: Mapped[int] = mapped_column(ForeignKey("exercise_test.id", ondelete="CASCADE"), primary_key=True)
    version: Mapped[int] = mapped_column(primary_key=True)
    text: Mapped[str]
    author: Mapped[str]
    credentials: Mapped[str | None]
    signed_at: Mapped[datetime | None]
    # The analysis as it was when this version was signed: what the signature is under.
    document: Mapped[str | None] = mapped_column(sa.Text)
    at: Mapped[datetime]


class Analysis(Base):
    """The one current analysis of a test, as it is served."""

    __tablename__ = "analysis"

    test_id: Mapped[int] = mapped_column(
        ForeignKey("exercise_test.id", ondelete="CASCADE"), primary_key=True, autoincrement=False
    )
    analysis_version: Mapped[str]
    input_hash: Mapped[str]
    site_revision: Mapped[int]
    settings: Mapped[dict[str, Any]]
    document: Mapped[str] = mapped_column(sa.Text)
    computed_at: Mapped[datetime]


class Result(Base):
    """The index of results: a trend is one range scan.

    `test_id` is null for what a visit alone gives (body mass, resting heart rate, other measurements).
    """

    __tablename__ = "result"
    __table_args__ = (
        sa.UniqueConstraint("test_id", "quantity"),
        sa.Index("ix_result_subject_id_quantity_occurred_at", "subject_id", "quantity", "occurred_at"),
        sa.Index("ix_result_visit_id", "visit_id"),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    subject_id: Mapped[int] = mapped_column(ForeignKey("subject.id", ondelete="CASCADE"))
    visit_id: Mapped[int] = mapped_column(ForeignKey("visit.id", ondelete="CASCADE"))
    test_id: Mapped[int | None] = mapped_column(ForeignKey("exercise_test.id", ondelete="CASCADE"))
    quantity: Mapped[str]
    value: Mapped[float]
    method: Mapped[str]
    method_version: Mapped[str]
    occurred_at: Mapped[datetime]
    date: Mapped[date]
    mode: Mapped[str | None]
    basis: Mapped[str]
    protocol_family: Mapped[str | None]
    effort: Mapped[str | None]
    convention: Mapped[str | None]
    effective_window_s: Mapped[float | None]
    rer: Mapped[float | None]
    has_error: Mapped[bool] = mapped_column(default=False)


class Cohort(Base):
    """A group of subjects."""

    __tablename__ = "cohort"

    id: Mapped[int] = mapped_column(primary_key=True)
    public_id: Mapped[str] = mapped_column(unique=True, default=new_public_id)
    name: Mapped[str] = mapped_column(unique=True)
    notes: Mapped[str | None]
    # The rule set of effort for its members' tests; null leaves it to the site.
    effort_rules: Mapped[str | None]
    revision: Mapped[int] = mapped_column(default=1)
    created_at: Mapped[datetime]


class CohortMember(Base):
    """A subject in a cohort, with its arm."""

    __tablename__ = "cohort_member"
    __table_args__ = (sa.Index("ix_cohort_member_subject_id", "subject_id"),)

    cohort_id: Mapped[int] = mapped_column(ForeignKey("cohort.id", ondelete="CASCADE"), primary_key=True)
    subject_id: Mapped[int] = mapped_column(ForeignKey("subject.id", ondelete="CASCADE"), primary_key=True)
    arm: Mapped[str | None]
    joined_on: Mapped[date | None]
    left_on: Mapped[date | None]


class LoadedNorm(Base):
    """A reference table that the site loaded."""

    __tablename__ = "loaded_norm"

    id: Mapped[int] = mapped_column(primary_key=True)
    key: Mapped[str] = mapped_column(unique=True)
    document: Mapped[dict[str, Any]]
    created_at: Mapped[datetime]


class EffortRuleSet(Base):
    """A set of effort criteria that the site made its own."""

    __tablename__ = "effort_rule_set"

    id: Mapped[int] = mapped_column(primary_key=True)
    key: Mapped[str] = mapped_column(unique=True)
    document: Mapped[dict[str, Any]]
    created_at: Mapped[datetime]


class Event(Base):
    """What happened to a person, or (without a subject) to the site, on the time line of the tests."""

    __tablename__ = "event"
    __table_args__ = (sa.Index("ix_event_subject_id_started_on", "subject_id", "started_on"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    public_id: Mapped[str] = mapped_column(unique=True, default=new_public_id)
    subject_id: Mapped[int | None] = mapped_column(ForeignKey("subject.id", ondelete="CASCADE"))
    kind: Mapped[str]
    started_on: Mapped[date]
    ended_on: Mapped[date | None]
    title: Mapped[str]
    # The analyser, ergometer or other device that an event of the site is about.
    device: Mapped[str | None]
    notes: Mapped[str | None]
    created_at: Mapped[datetime]


class Consent(Base):
    """What a person allowed their data to be used for, and when that was taken back."""

    __tablename__ = "consent"
    __table_args__ = (
        sa.Index("ix_consent_subject_id", "subject_id"),
        sa.CheckConstraint("purpose in ('testing', 'research', 'sharing', 'contact')", name="purpose"),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    public_id: Mapped[str] = mapped_column(unique=True, default=new_public_id)
    subject_id: Mapped[int] = mapped_column(ForeignKey("subject.id", ondelete="CASCADE"))
    purpose: Mapped[str]
    given_at: Mapped[datetime]
    withdrawn_at: Mapped[datetime | None]
    note: Mapped[str | None]


class Restriction(Base):
    """The data of a person are kept and not used for research: in force while the row is there."""

    __tablename__ = "restriction"

    subject_id: Mapped[int] = mapped_column(ForeignKey("subject.id", ondelete="CASCADE"), primary_key=True)
    at: Mapped[datetime]
    by: Mapped[str]
    reason: Mapped[str]


class ControlMeasurement(Base):
    """One quantity of a biological control: a known person at a set load on one device."""

    __tablename__ = "control_measurement"
    __table_args__ = (sa.Index("ix_control_measurement_subject_id_taken_at", "subject_id", "taken_at"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    public_id: Mapped[str] = mapped_column(unique=True, default=new_public_id)
    subject_id: Mapped[int] = mapped_column(ForeignKey("subject.id", ondelete="CASCADE"))
    taken_at: Mapped[datetime]
    utc_offset_minutes: Mapped[int]
    device: Mapped[str]
    mode: Mapped[str]
    work_rate_w: Mapped[float | None]
    speed_km_h: Mapped[float | None]
    grade_percent: Mapped[float | None]
    quantity: Mapped[str]
    value: Mapped[float]
    tester: Mapped[str | None]
    notes: Mapped[str | None]


class SignedLink(Base):
    """An address of one chart that needs no key: it expires and can be revoked; only the token's SHA-256 is kept."""

    __tablename__ = "signed_link"
    __table_args__ = (sa.Index("ix_signed_link_subject_id", "subject_id"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    public_id: Mapped[str] = mapped_column(unique=True, default=new_public_id)
    digest: Mapped[str] = mapped_column(unique=True)
    subject_id: Mapped[int] = mapped_column(ForeignKey("subject.id", ondelete="CASCADE"))
    address: Mapped[str]
    created_by: Mapped[str]
    created_at: Mapped[datetime]
    expires_at: Mapped[datetime]
    revoked_at: Mapped[datetime | None]


class ApiKey(Base):
    """A key: only its SHA-256 is kept."""

    __tablename__ = "api_key"
    __table_args__ = (sa.CheckConstraint("scope in ('reader', 'tester', 'admin')", name="scope"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(unique=True)
    digest: Mapped[str] = mapped_column(unique=True)
    scope: Mapped[str]
    identity: Mapped[bool] = mapped_column(default=False)
    all_subjects: Mapped[bool] = mapped_column(default=True)
    created_at: Mapped[datetime]
    expires_at: Mapped[datetime | None]
    revoked_at: Mapped[datetime | None]
    last_used_at: Mapped[datetime | None]
    # After a rotation the key before works on until an instant, so that a program can change over without a gap.
    previous_digest: Mapped[str | None] = mapped_column(unique=True)
    previous_until: Mapped[datetime | None]


class ApiKeySubject(Base):
    """A subject that a limited key may see."""

    __tablename__ = "api_key_subject"
    __table_args__ = (sa.Index("ix_api_key_subject_subject_id", "subject_id"),)

    api_key_id: Mapped[int] = mapped_column(ForeignKey("api_key.id", ondelete="CASCADE"), primary_key=True)
    subject_id: Mapped[int] = mapped_column(ForeignKey("subject.id", ondelete="CASCADE"), primary_key=True)


class WebSession(Base):
    """A browser that signed in with a key; only the token's SHA-256 is kept, and the key decides what it may do."""

    __tablename__ = "web_session"
    __table_args__ = (sa.Index("ix_web_session_api_key_id", "api_key_id"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    digest: Mapped[str] = mapped_column(unique=True)
    api_key_id: Mapped[int] = mapped_column(ForeignKey("api_key.id", ondelete="CASCADE"))
    created_at: Mapped[datetime]
    expires_at: Mapped[datetime]


class Idempotency(Base):
    """The first answer to an Idempotency-Key."""

    __tablename__ = "idempotency"
    __table_args__ = (sa.Index("ix_idempotency_created_at", "created_at"),)

    api_key_id: Mapped[int] = mapped_column(ForeignKey("api_key.id", ondelete="CASCADE"), primary_key=True)
    key: Mapped[str] = mapped_column(primary_key=True)
    subject_id: Mapped[int | None] = mapped_column(ForeignKey("subject.id", ondelete="CASCADE"))
    fingerprint: Mapped[str]
    status: Mapped[int]
    location: Mapped[str | None]
    body: Mapped[str] = mapped_column(sa.Text)
    created_at: Mapped[datetime]


class Change(Base):
    """The feed of changes and the audit, in one order: `seq` is the order of commits.

    `hash` chains (previous hash, this row, digest of salt and payload), so that an altered row shows and
    the payload can still be emptied by an erasure.
    """

    __tablename__ = "change"
    __table_args__ = (sa.Index("ix_change_subject_id", "subject_id"), {"sqlite_autoincrement": True})

    seq: Mapped[int] = mapped_column(primary_key=True)
    at: Mapped[datetime]
    actor: Mapped[str]
    kind: Mapped[str]
    id: Mapped[str]
    subject_id: Mapped[str | None]
    action: Mapped[str]
    payload_digest: Mapped[str]
    hash: Mapped[str]


class ChangePayload(Base):
    """Before and after of a change; emptied by an erasure."""

    __tablename__ = "change_payload"

    seq: Mapped[int] = mapped_column(ForeignKey("change.seq", ondelete="CASCADE"), primary_key=True)
    salt: Mapped[str]
    payload: Mapped[str] = mapped_column(sa.Text)
