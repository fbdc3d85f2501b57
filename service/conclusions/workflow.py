"""Writing a conclusion: the same from a program and from a page."""

from service.conclusions import queries
from service.conclusions.schemas import ConclusionIn, ConclusionsOut
from service.db.transactions import Store
from service.subjects.queries import bump


def conclude(
    store: Store,
    actor: str,
    body: ConclusionIn,
    *,
    subject_pk: int,
    subject_id: str,
    test_pk: int,
    test_id: str,
    revision: int | None,
) -> ConclusionsOut:
    """Write the conclusion of a test, on the state of the record that `revision` names, where it names one.

    Raises
    ------
    StaleRevision
        The record has changed since.
    Conflict
        A signature under a test that is not complete; a test that is void.
    """
    with store.write(actor) as transaction:
        session = transaction.session
        bump(session, subject_pk, expected=revision)
        row = queries.write(session, test_pk, body)
        transaction.changed(
            "conclusion",
            test_id,
            action="created" if row.version == 1 else "changed",
            subject_id=subject_id,
            payload={"version": row.version, "after": body.model_dump(mode="json")},
        )
        return queries.out(session, test_pk, test_id)
