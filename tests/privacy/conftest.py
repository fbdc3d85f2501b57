"""Somebody of whom everything is known, and somebody else."""

import json
from datetime import UTC, date, datetime
from typing import Any

import pytest
import sqlalchemy as sa
from sqlalchemy.orm import Session
from starlette.testclient import TestClient

from service.db.models import (
    ApiKey,
    ApiKeySubject,
    Base,
    Cohort,
    Conclusion,
    Consent,
    ControlMeasurement,
    ExerciseTest,
    Idempotency,
    Interval,
    Protocol,
    Restriction,
    SignedLink,
    Subject,
    Visit,
)
from service.db.transactions import Store
from service.db.types import Instant
from tests.api.conftest import Laboratory
from tests.exports.full_record import DAY, Builder

#: What must be nowhere when the person is gone.
WORDS = "Qvxcanary Ünique"


@pytest.fixture
def laboratory(client: TestClient) -> Laboratory:
    """A laboratory with a tester's key."""
    return Laboratory(client)


@pytest.fixture
def known(store: Store) -> dict[str, Any]:
    """A person with rows in every table, among another; their numbers are found nowhere else."""
    builder = Builder(store)
    others = {"sex": "male", "birth_date": date(1960, 12, 31), "days": [0, 400]}
    builder.cohort([others], "other")
    person = {"sex": "female", "birth_date": date(1990, 2, 3), "age_years": 41.2, "days": [0, 40]}
    cohort_pk, _ = builder.cohort([person], WORDS)
    with store.write("test") as transaction:
        session = transaction.session
        _of_the_site(session, cohort_pk)
        subject = session.scalars(sa.select(Subject).where(Subject.given_name == WORDS)).one()
        numbers = _numbers(session, subject)
        _beside_the_tests(session, subject)
        transaction.changed(
            "subject",
            subject.public_id,
            action="created",
            subject_id=subject.public_id,
            payload={"after": {"given_name": WORDS}},
        )
        return {
            "pk": subject.id,
            "id": subject.public_id,
            "code": subject.code,
            "cohort": session.get_one(Cohort, cohort_pk).public_id,
            "numbers": numbers,
        }


def _of_the_site(session: Session, cohort_pk: int) -> None:
    """The site's own texts are not the person's: they stay, and so must not have the words."""
    protocol = session.scalars(sa.select(Protocol).where(Protocol.key.contains(WORDS))).one()
    tests = sa.update(ExerciseTest).where(ExerciseTest.protocol_key == protocol.key)
    # Void: their analyses are rows without the parts that a bundle would be made of.
    session.execute(tests.values(protocol_key="ours", status="void"))
    protocol.key, protocol.name, protocol.family, protocol.source = "ours", "ours", "ours", "ours"
    cohort = session.get_one(Cohort, cohort_pk)
    cohort.name, cohort.notes, cohort.effort_rules = "study", None, None
    session.flush()
    event = Base.metadata.tables["event"]
    session.execute(sa.delete(event).where(event.c.subject_id.is_(None)))


def _numbers(session: Session, subject: Subject) -> list[float]:
    """Many intervals with numbers of their own: enough that the tree of the table has been rebuilt often."""
    visit = session.scalars(sa.select(Visit).where(Visit.subject_id == subject.id)).first()
    assert visit is not None
    visit.body_mass_kg = 73.123456789
    test_pk = session.scalars(sa.select(ExerciseTest.id).where(ExerciseTest.visit_id == visit.id)).one()
    numbers = [2000.000123 + place * 1.000457 for place in range(3000)]
    session.execute(
        sa.insert(Interval),
        [
            {
                "test_id": test_pk,
                "seq": 2 + place,
                "end_s": 45.0 + place,
                "duration_s": 1.0,
                "vo2_ml_min": value,
            }
            for place, value in enumerate(numbers)
        ],
    )
    return [*numbers, 73.123456789]


def _beside_the_tests(session: Session, subject: Subject) -> None:
    test_pk = session.scalars(
        sa.select(ExerciseTest.id).join(Visit).where(Visit.subject_id == subject.id)
    ).first()
    key = ApiKey(
        name="board", digest="d" * 64, scope="reader", identity=False, all_subjects=False, created_at=DAY
    )
    session.add(key)
    session.flush()
    rows: list[Base] = [
        ApiKeySubject(api_key_id=key.id, subject_id=subject.id),
        Consent(subject_id=subject.id, purpose="research", given_at=DAY, note=WORDS),
        Restriction(subject_id=subject.id, at=DAY, by=WORDS, reason=WORDS),
        Idempotency(
            api_key_id=key.id, key="k", subject_id=subject.id, fingerprint="f", status=201, body=json.dumps([WORDS]),
            created_at=datetime.now(UTC),
        ),
    ]  # fmt: skip
    for model, fields in (
        (Conclusion, {"test_id": test_pk}),
        (SignedLink, {"subject_id": subject.id}),
        (ControlMeasurement, {"subject_id": subject.id}),
    ):
        rows.append(_filled(model, fields))
    session.add_all(rows)
    session.flush()


def _filled(model: type[Base], fields: dict[str, Any]) -> Base:
    """A row with the words in every text, and something in every other column."""
    made: dict[type, Any] = {
        sa.JSON: {"a": WORDS},
        sa.Boolean: True,
        sa.Date: DAY.date(),
        sa.Integer: 1,
        sa.Float: 1.0,
    }
    values = dict(fields)
    for column in sa.inspect(model).columns:
        if column.key not in values and column.key != "id" and not column.foreign_keys:
            is_instant = isinstance(column.type, Instant)
            kinds = (value for kind, value in made.items() if isinstance(column.type, kind))
            values[column.key] = DAY if is_instant else next(kinds, WORDS)
    return model(**values)
