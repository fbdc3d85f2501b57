"""Proposing a protocol for a subject: its last peak and its latest visit, then the rules of the pure core."""

from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from service.analyses.workflow import age_on
from service.analysis.proposal import LastPeak, propose
from service.analysis.series import Mode, Person
from service.db.models import Result, Subject, Visit
from service.db.transactions import Store, now
from service.errors import InvalidContent, NotFound, Place
from service.http.keys import Principal


def proposals_for(
    store: Store, principal: Principal, subject_id: str, mode: Mode, *, visit_pk: int | None = None
) -> list[dict[str, Any]]:
    """A ramp and a step protocol that should last 8 to 12 minutes, each with its reason.

    Body mass and height are those of the latest visit, or of the visit of `visit_pk`.

    Raises
    ------
    NotFound
        No such subject, or not for this key.
    InvalidContent
        A mode without a rule, or a subject without the visit, mass, age or sex that the rule needs.
    """
    with store.read() as session:
        subject = session.scalars(sa.select(Subject).where(Subject.public_id == subject_id)).one_or_none()
        if subject is None or not principal.covers_subject(subject.id):
            raise NotFound("There is no such subject, or your key does not cover it.")
        of_subject = sa.select(Visit).where(Visit.subject_id == subject.id)
        if visit_pk is not None:
            of_subject = of_subject.where(Visit.id == visit_pk)
        visit = session.scalars(of_subject.order_by(Visit.started_at.desc()).limit(1)).one_or_none()
        if visit is None:
            message = "has no visit; make one with its body mass first"
            raise InvalidContent(
                f"The subject {message}.", (Place("body.subject_id", message, value=subject_id),)
            )
        rows = {"birth_date": subject.birth_date, "birth_year": subject.birth_year}
        person = Person(
            sex=subject.sex,  # type: ignore[arg-type] # the table's check holds it
            **age_on(rows, {"age_years": visit.age_years}, now().date()),
            body_mass_kg=visit.body_mass_kg,
            height_cm=visit.height_cm,
        )
        last = last_peak(session, subject.id, mode)
    return [one.as_dict() for one in propose(mode, person, last)]


def last_peak(session: Session, subject_pk: int, mode: str) -> LastPeak | None:
    """What the latest test of this mode found; measured before reported, and these before estimated."""
    for basis in ("measured", "reported", "estimated"):
        found = {
            quantity: session.scalar(
                sa.select(Result.value)
                .where(
                    Result.subject_id == subject_pk,
                    Result.quantity == quantity,
                    Result.mode == mode,
                    Result.basis == basis,
                    Result.has_error.is_(False),
                    sa.func.coalesce(Result.effort, "") != "submaximal",
                )
                .order_by(Result.occurred_at.desc())
                .limit(1)
            )
            for quantity in ("vo2_peak_ml_min", "work_rate_peak_w")
        }
        if any(value is not None for value in found.values()):
            return LastPeak(found["vo2_peak_ml_min"], found["work_rate_peak_w"], basis)
    return None
