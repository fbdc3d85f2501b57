"""Reads and writes of conclusions; nothing is committed here."""

import json
from collections.abc import Sequence
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from service.analyses.queries import read_analysis
from service.conclusions.schemas import ConclusionIn, ConclusionOut, ConclusionsOut
from service.db.models import Conclusion, ExerciseTest
from service.db.transactions import now
from service.errors import Conflict

#: Parts of an analysis that the person's standing rests on; tables may be added without touching the test.
_STANDING = ("ranks",)


def versions(session: Session, test_pk: int) -> Sequence[Conclusion]:
    """Every version, the newest first."""
    return session.scalars(
        sa.select(Conclusion).where(Conclusion.test_id == test_pk).order_by(Conclusion.version.desc())
    ).all()


def is_signed(session: Session, test_pk: int) -> bool:
    """Whether any version is signed."""
    signed = sa.select(Conclusion.version).where(
        Conclusion.test_id == test_pk, Conclusion.signed_at.is_not(None)
    )
    return session.scalars(signed.limit(1)).first() is not None


def out(session: Session, test_pk: int, test_id: str) -> ConclusionsOut:
    """The conclusion of a test as it goes over the wire."""
    rows = versions(session, test_pk)
    answer = []
    for place, row in enumerate(rows):
        earlier = next((one.version for one in rows[place + 1 :] if one.signed_at is not None), None)
        answer.append(
            ConclusionOut(
                version=row.version,
                text=row.text,
                author=row.author,
                credentials=row.credentials,
                signed_at=row.signed_at,
                written_at=row.at,
                amends=earlier,
            )
        )
    return ConclusionsOut(
        test_id=test_id, versions=answer, analysis_changed_since_signature=_changed(session, test_pk, rows)
    )


def _changed(session: Session, test_pk: int, rows: Sequence[Conclusion]) -> bool | None:
    signed = next((row for row in rows if row.signed_at is not None), None)
    if signed is None or signed.document is None:
        return None
    analysis = read_analysis(session, test_pk)
    return analysis is None or _told(signed.document) != _told(analysis.document)


def _told(document: str) -> dict[str, Any]:
    return {name: part for name, part in json.loads(document).items() if name not in _STANDING}


def write(session: Session, test_pk: int, body: ConclusionIn) -> Conclusion:
    """Write a conclusion: over a draft, or as a new version after a signed one.

    Raises
    ------
    Conflict
        A signature under a test that has no stored analysis: it is not complete, or void.
    """
    test = session.get_one(ExerciseTest, test_pk)
    analysis = read_analysis(session, test_pk)
    if test.status == "void":
        raise Conflict("The test is void; nothing can be concluded from it.")
    if body.signed_at is not None and analysis is None:
        raise Conflict(f"The test is {test.status}; only the conclusion of a complete test can be signed.")
    rows = versions(session, test_pk)
    if rows and rows[0].signed_at is None:
        row = rows[0]
    else:
        row = Conclusion(test_id=test_pk, version=rows[0].version + 1 if rows else 1)
        session.add(row)
    row.text, row.author, row.credentials = body.text, body.author, body.credentials
    row.signed_at, row.at = body.signed_at, now()
    row.document = analysis.document if body.signed_at is not None and analysis is not None else None
    session.flush()
    session.refresh(row)  # an instant comes back as it is stored, whatever offset it was given with
    return row
