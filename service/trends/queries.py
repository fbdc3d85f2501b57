"""Reads of results over time; a trend is one range scan of the results index."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from types import SimpleNamespace
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from service.db.models import Calibration, ExerciseTest, Result, Subject, Visit
from service.visits.queries import in_own_offset


def quantities_of(session: Session, subject_pk: int) -> list[dict[str, Any]]:
    """Which quantities a subject has results of, with their number, dates and modes."""
    rows = session.execute(
        sa.select(
            Result.quantity,
            Result.mode,
            sa.func.count(),
            sa.func.min(Result.date),
            sa.func.max(Result.date),
        )
        .where(Result.subject_id == subject_pk)
        .group_by(Result.quantity, Result.mode)
        .order_by(Result.quantity, Result.mode)
    )
    answer: dict[str, dict[str, Any]] = {}
    for quantity, mode, count, first, last in rows:
        entry = answer.setdefault(
            quantity, {"quantity": quantity, "n": 0, "first_date": first, "last_date": last, "modes": []}
        )
        entry["n"] += count
        entry["first_date"] = min(entry["first_date"], first)
        entry["last_date"] = max(entry["last_date"], last)
        if mode is not None:
            entry["modes"].append(mode)
    return list(answer.values())


def points(
    session: Session,
    subject_pk: int,
    quantity: str,
    *,
    mode: str | None,
    basis: str | None,
    since: date | None,
    until: date | None,
) -> Sequence[Any]:
    """Results of one quantity by time, each with its visit and test."""
    statement = (
        sa.select(Result, Visit, ExerciseTest)
        .join(Visit, Visit.id == Result.visit_id)
        .outerjoin(ExerciseTest, ExerciseTest.id == Result.test_id)
        .where(Result.subject_id == subject_pk, Result.quantity == quantity)
        .order_by(Result.occurred_at, Result.id)
    )
    if mode is not None:
        statement = statement.where(Result.mode == mode)
    if basis is not None:
        statement = statement.where(Result.basis == basis)
    if since is not None:
        statement = statement.where(Result.date >= since)
    if until is not None:
        statement = statement.where(Result.date <= until)
    return session.execute(statement).all()


def results_of(session: Session, test_pks: Iterable[int]) -> Sequence[Any]:
    """Every result of these tests, each with its visit and test, as of `points`."""
    wanted = list(test_pks)
    # Visit and test are read once each: they are wide, and the same for all results of a test.
    tests = {
        test.id: (visit, test)
        for test, visit in session.execute(
            sa.select(ExerciseTest, Visit)
            .join(Visit, Visit.id == ExerciseTest.visit_id)
            .where(ExerciseTest.id.in_(wanted))
        )
    }
    results = session.scalars(
        sa.select(Result).where(Result.test_id.in_(wanted)).order_by(Result.quantity, Result.id)
    )
    return [
        SimpleNamespace(Result=result, Visit=visit, ExerciseTest=test)
        for result in results
        if result.test_id is not None
        for visit, test in [tests[result.test_id]]
    ]


def absolute_uptake(session: Session, subject_pk: int) -> dict[int, float]:
    """Peak uptake in mL/min by test, to stand beside a value per body mass."""
    rows = session.execute(
        sa.select(Result.test_id, Result.value).where(
            Result.subject_id == subject_pk, Result.quantity == "vo2_peak_ml_min", Result.test_id.is_not(None)
        )
    )
    return {test_pk: value for test_pk, value in rows if test_pk is not None}


def subject(session: Session, subject_pk: int) -> Subject:
    """The subject, for its age and sex."""
    found = session.get(Subject, subject_pk)
    assert found is not None  # noqa: S101 the address named it
    return found


def circumstances(visit: Visit, test: ExerciseTest | None) -> dict[str, Any]:
    """Facts about a visit and a test that a reader needs beside a comparison of its results."""
    local = in_own_offset(visit)
    return {
        "body_mass_source": visit.body_mass_source,
        "medication_limits_heart_rate": any(one.get("limits_heart_rate") for one in visit.medications or ()),
        "medications": frozenset(str(one.get("name")).casefold() for one in visit.medications or ()),
        "hour_of_day": local.hour + local.minute / 60,
        "hours_since_meal": visit.hours_since_meal,
        "hours_since_caffeine": visit.hours_since_caffeine,
        "hours_since_exercise": visit.hours_since_exercise,
        "ergometer": None if test is None else test.ergometer,
        "analyser": None if test is None else test.analyser,
        "interface": None if test is None else test.interface,
        "handrail_support": None if test is None else test.handrail_support,
        "posture": None if test is None else test.posture,
        "site": visit.site,
        "altitude_m": visit.altitude_m,
        "temperature_c": visit.temperature_c,
        "fio2_fraction": None if test is None else test.fio2_fraction,
        "lactate_sample_site": None if test is None else test.lactate_sample_site,
        "lactate_analyser": None if test is None else test.lactate_analyser,
    }


def calibrations(session: Session, tests: Iterable[int]) -> Mapping[int, list[dict[str, Any]]]:
    """Calibration readings by test, in the order they were given; a test without any is not in it."""
    answer: dict[int, list[dict[str, Any]]] = {}
    rows = session.scalars(
        sa.select(Calibration)
        .where(Calibration.test_id.in_(list(tests)))
        .order_by(Calibration.test_id, Calibration.seq)
    )
    for row in rows:
        reading = {name: getattr(row, name) for name in ("kind", "expected", "measured", "unit")}
        answer.setdefault(row.test_id, []).append({"when": row.moment, **reading})
    return answer
