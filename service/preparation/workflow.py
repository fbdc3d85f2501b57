"""Preparing a test: the answers and resting values of the visit, and the planned test, in one write."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, TypeVar

from sqlalchemy.orm import Session

from service.analyses.workflow import Edit, Target, record
from service.db.transactions import Store, Transaction
from service.errors import NotFound
from service.exercise_tests import queries as tests
from service.exercise_tests.schemas import TestIn
from service.protocols import queries as protocols
from service.protocols.schemas import ProtocolIn, ProtocolOut
from service.visits import queries as visits
from service.visits.schemas import PreTestIn, VisitPatch

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Preparation:
    """What was asked, measured and chosen before a test.

    Attributes
    ----------
    visit : VisitPatch
        Resting values that are new.
    pre_test : PreTestIn
        Takes the place of what the visit has.
    test : TestIn or None
        None where only the answers are kept.
    protocol : ProtocolIn or None
        A proposed protocol that the test follows; it is stored with the site's own where it is not there yet.
    """

    visit: VisitPatch
    pre_test: PreTestIn
    test: TestIn | None = None
    protocol: ProtocolIn | None = None


def prepare(
    store: Store,
    actor: str,
    target: Target,
    visit_id: str,
    preparation: Preparation,
    *,
    respond: Callable[[str | None], T],
) -> T:
    """Store what was asked and measured before a test and, where there is one, make the planned test.

    Parameters
    ----------
    store, actor
    target : Target
        The visit; with a `revision` it is written in that state or not at all.
    visit_id : str
    preparation : Preparation
    respond : callable
        Takes the id of the new test, or None; makes the answer before the commit.

    Raises
    ------
    StaleRevision
    InvalidContent
        A protocol or a test to verify that there is not.
    """
    given = preparation.test
    written = visits.columns_of(preparation.visit.model_dump(exclude_unset=True))
    written |= visits.pre_test_columns(preparation.pre_test)

    def edit(session: Session) -> Edit:
        if given is None:
            return Edit(visit=written)
        values = given.model_dump(exclude={"protocol_id"})
        if preparation.protocol is not None:
            values["protocol_key"], _ = _place_of(session, preparation.protocol)
        elif given.protocol_id is not None:
            tests.check_protocol(session, given.protocol_id)
            values["protocol_key"] = given.protocol_id
        if given.verifies_test_id is not None:
            values["verifies_test_id"] = tests.linked_test(session, target.subject_pk, given.verifies_test_id)
        return Edit(visit=written, test={**values, "status": "planned"}, new_test=True)

    def answer(transaction: Transaction, test_pk: int | None) -> T:
        if preparation.protocol is not None:
            _keep(transaction, preparation.protocol)
        transaction.changed(
            "visit",
            visit_id,
            action="changed",
            subject_id=target.subject_id,
            payload={
                "pre_test": preparation.pre_test.model_dump(mode="json"),
                "after": preparation.visit.model_dump(mode="json", exclude_unset=True),
            },
        )
        made: str | None = None
        if given is not None and test_pk is not None:
            made = tests.get(transaction.session, test_pk).public_id
            transaction.changed(
                "test",
                made,
                action="created",
                subject_id=target.subject_id,
                payload={"after": given.model_dump(mode="json")},
            )
        return respond(made)

    return record(store, actor, target, edit, answer=answer)


def _place_of(session: Session, protocol: ProtocolIn) -> tuple[str, bool]:
    """The id that a proposed protocol has or gets among the site's own, and whether it is there already.

    An id says mode and rise, not how long the last stage is: two people may be proposed others under the same one.
    """
    number = 1
    while True:
        key = protocol.id if number == 1 else f"{protocol.id}_{number}"
        try:
            stored = protocols.get(session, key)
        except NotFound:
            return key, False
        if _content(stored) == _content(protocol):
            return key, True
        number += 1


def _content(protocol: ProtocolIn | ProtocolOut) -> dict[str, Any]:
    return protocol.model_dump(include={"mode", "shape", "stages"})


def _keep(transaction: Transaction, protocol: ProtocolIn) -> None:
    key, there = _place_of(transaction.session, protocol)
    if there:
        return
    stored = protocols.add(transaction.session, protocol.model_copy(update={"id": key}))
    transaction.changed(
        "protocol", stored.id, action="created", payload={"after": stored.model_dump(mode="json")}
    )
