"""What routes ask for: the store, who asks, and the record an address names.

The order of refusal is kept by their order: scope (403), existence (404), preconditions (412, 304); the
content of the body (422) is judged by the framework after these.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Any

import sqlalchemy as sa
from fastapi import Depends, Request, Response
from fastapi.dependencies.models import Dependant
from fastapi.params import File, Form

from service.db.models import Cohort, CohortMember, Event, ExerciseTest, Site, Subject, Visit
from service.db.transactions import Store
from service.errors import Forbidden, InvalidContent, NotFound, Place, UnsupportedMediaType
from service.http import etags
from service.http.keys import KeyScope, Principal


def _store(request: Request) -> Store:
    store: Store = request.app.state.store
    return store


StoreDependency = Annotated[Store, Depends(_store)]


def principal_of(request: Request) -> Principal:
    """Who asks; set by the key middleware."""
    principal: Principal = request.scope["state"]["principal"]
    return principal


def _query_names(dependant: Dependant) -> set[str]:
    names = {field.alias for field in dependant.query_params}
    return names.union(*(_query_names(inner) for inner in dependant.dependencies))


def known_query_only(request: Request) -> None:
    """Refuse a query parameter that the address does not know."""
    dependant = getattr(request.scope.get("route"), "dependant", None)
    if dependant is None:
        return
    known = _query_names(dependant)
    unknown = [name for name in request.query_params if name not in known]
    if unknown:
        places = tuple(
            Place(
                f"query.{name[:100]}",
                f"is not a parameter of this address; it knows {', '.join(sorted(known)) or 'none'}",
            )
            for name in unknown[:20]
        )
        raise InvalidContent(f"Unknown query parameter: {unknown[0][:100]}", places)


def _names_a_record(request: Request) -> bool:
    """Whether a dependency below will look for the record first, and judge the query after it."""
    path = getattr(request.scope.get("route"), "path", "")
    return any(f"{{{name}_id}}" in path for name in ("subject", "visit", "test", "cohort", "event"))


def needs(scope: KeyScope, *, whole: bool = False) -> Callable[[Request], Principal]:
    """A dependency that wants at least this scope; with `whole` a key that is limited to no subjects."""

    def check(request: Request) -> Principal:
        principal = principal_of(request)
        if not principal.covers(scope):
            raise Forbidden(f"This needs a key with the scope '{scope}'; yours has '{principal.scope}'.")
        if whole and principal.subject_ids is not None:
            raise Forbidden("This concerns the whole record; your key is limited to subjects.")
        if not _names_a_record(request):
            known_query_only(request)
        return principal

    return check


Reader = Annotated[Principal, Depends(needs("reader"))]
SiteReader = Annotated[Principal, Depends(needs("reader", whole=True))]
Tester = Annotated[Principal, Depends(needs("tester"))]
SiteTester = Annotated[Principal, Depends(needs("tester", whole=True))]
Admin = Annotated[Principal, Depends(needs("admin", whole=True))]


def readable_kind(request: Request) -> None:
    """Refuse (415) a body of a kind that the address does not read."""
    dependant = getattr(request.scope.get("route"), "dependant", None)
    sent = request.headers.get("content-length", "0") != "0" or "transfer-encoding" in request.headers
    if dependant is None or not dependant.body_params or not sent:
        return
    infos = [field.field_info for field in dependant.body_params]
    wanted = "application/json"
    if any(isinstance(info, File) for info in infos):
        wanted = "multipart/form-data"
    elif any(isinstance(info, Form) for info in infos):
        wanted = "application/x-www-form-urlencoded"
    given = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if given != wanted:
        raise UnsupportedMediaType(
            f"This address reads {wanted}, not {given[:100] or 'a body of no stated kind'}; set Content-Type."
        )


@dataclass(frozen=True, slots=True)
class RecordRef:
    """A record that an address names, and its state.

    Attributes
    ----------
    revision : int
        As read before anything was done.
    pinned : bool
        Whether If-Match named that state.
    etag : str
        Tag of this address at that revision.
    """

    revision: int
    pinned: bool
    etag: str

    @property
    def expected(self) -> int | None:
        """The revision that a write is made on or not at all; None where the request named none."""
        return self.revision if self.pinned else None

    @property
    def headers(self) -> dict[str, str]:
        """Headers of an answer that shows the record in this state."""
        return {"ETag": self.etag, "Cache-Control": "private, no-cache"}


@dataclass(frozen=True, slots=True)
class SubjectRef(RecordRef):
    """The subject that an address is under."""

    subject_pk: int
    subject_id: str


@dataclass(frozen=True, slots=True)
class VisitRef(SubjectRef):
    """The visit that an address names."""

    visit_pk: int
    visit_id: str


@dataclass(frozen=True, slots=True)
class TestRef(VisitRef):
    """The test that an address names."""

    __test__ = False

    test_pk: int
    test_id: str


@dataclass(frozen=True, slots=True)
class CohortRef(RecordRef):
    """The cohort that an address names."""

    cohort_pk: int
    cohort_id: str


@dataclass(frozen=True, slots=True)
class EventRef(RecordRef):
    """The event that an address names; without a subject it is the site's."""

    event_pk: int
    event_id: str
    subject_pk: int | None
    subject_id: str | None


def _preconditions(
    request: Request, response: Response, record_id: str, revision: int, *parts: object
) -> dict[str, Any]:
    """Evaluate them for a record in this state; what a reference keeps of that.

    `parts` is what the answer rests on beside the record itself.
    """
    known_query_only(request)
    store = _store(request)
    # What a reader may see, and what the site has set, change the answer without changing the record.
    with store.read() as session:
        site = session.execute(
            sa.select(sa.func.max(Site.revision), sa.func.max(Site.control_revision))
        ).one()
    tag = etags.etag_of(request, record_id, revision, principal_of(request).sees_identity, *site, *parts)
    pinned = etags.check(request, tag, record_id, revision, required=store.settings.require_if_match)
    ref = RecordRef(revision, pinned, tag)
    if request.method in {"GET", "HEAD"}:
        response.headers.update(ref.headers)
    return {"revision": revision, "pinned": pinned, "etag": tag}


_SUBJECT = (Subject.id.label("subject_pk"), Subject.public_id.label("subject_id"), Subject.revision)
_VISIT = (Visit.id.label("visit_pk"), Visit.public_id.label("visit_id"))
_TEST = (ExerciseTest.id.label("test_pk"), ExerciseTest.public_id.label("test_id"))


def _under_subject(
    request: Request, response: Response, what: str, statement: sa.Select[*tuple[Any, ...]]
) -> dict[str, Any]:
    """The one row of `statement`, and its state, where the key covers its subject."""
    principal = principal_of(request)
    with _store(request).read() as session:
        row = session.execute(statement).one_or_none()
    hidden = (
        row is not None and principal.subject_ids is not None and row.subject_pk not in principal.subject_ids
    )
    if row is None or hidden:
        raise NotFound(f"There is no such {what}, or your key does not cover it.")
    found = row._asdict()
    return {**found, **_preconditions(request, response, found["subject_id"], found["revision"])}


def _subject(subject_id: str, request: Request, response: Response) -> SubjectRef:
    statement = sa.select(*_SUBJECT).where(Subject.public_id == subject_id)
    return SubjectRef(**_under_subject(request, response, "subject", statement))


def _visit(visit_id: str, request: Request, response: Response) -> VisitRef:
    statement = (
        sa.select(*_SUBJECT, *_VISIT)
        .join(Visit, Visit.subject_id == Subject.id)
        .where(Visit.public_id == visit_id)
    )
    return VisitRef(**_under_subject(request, response, "visit", statement))


def _test(test_id: str, request: Request, response: Response) -> TestRef:
    statement = (
        sa.select(*_SUBJECT, *_VISIT, *_TEST)
        .join(Visit, Visit.subject_id == Subject.id)
        .join(ExerciseTest, ExerciseTest.visit_id == Visit.id)
        .where(ExerciseTest.public_id == test_id)
    )
    return TestRef(**_under_subject(request, response, "test", statement))


def _event(event_id: str, request: Request, response: Response) -> EventRef:
    """An event with the state of its subject; one of the site with that of what the site's controls rest on."""
    statement = (
        sa.select(*_SUBJECT, Event.id.label("event_pk"), Event.public_id.label("event_id"))
        .select_from(Event)
        .outerjoin(Subject, Subject.id == Event.subject_id)
        .where(Event.public_id == event_id)
    )
    principal = principal_of(request)
    with _store(request).read() as session:
        row = session.execute(statement).one_or_none()
        controls = session.scalar(sa.select(sa.func.max(Site.control_revision)))
    covered = principal.subject_ids is None or (row is not None and row.subject_pk in principal.subject_ids)
    if row is None or not covered:
        raise NotFound("There is no such event, or your key does not cover it.")
    found = row._asdict()
    whose, revision = ("events", controls or 0) if row.subject_pk is None else (row.subject_id, row.revision)
    return EventRef(**{**found, **_preconditions(request, response, whose, revision)})


def _cohort(cohort_id: str, request: Request, response: Response) -> CohortRef:
    with _store(request).read() as session:
        row = session.execute(
            sa.select(Cohort.id, Cohort.public_id, Cohort.revision).where(Cohort.public_id == cohort_id)
        ).one_or_none()
    if row is None:
        raise NotFound("There is no such cohort.")
    state = _preconditions(request, response, row.public_id, row.revision)
    return CohortRef(**state, cohort_pk=row.id, cohort_id=row.public_id)


def _of_site(request: Request, response: Response) -> RecordRef:
    with _store(request).read() as session:
        revision = session.scalar(sa.select(sa.func.max(Site.revision)))
    return RecordRef(**_preconditions(request, response, "site", revision or 0))


def _cohort_results(cohort_id: str, request: Request, response: Response) -> CohortRef:
    """A cohort with the state of all its members.

    As long as the cohort keeps its revision its members can only become fewer (an erased subject), and the revision of
    each only rises: so no two states have the same revision, number of members and sum of their revisions.
    """
    statement = (
        sa.select(
            Cohort.id,
            Cohort.public_id,
            Cohort.revision,
            sa.func.count(Subject.id).label("members"),
            sa.func.coalesce(sa.func.sum(Subject.revision), 0).label("writes"),
        )
        .outerjoin(CohortMember, CohortMember.cohort_id == Cohort.id)
        .outerjoin(Subject, Subject.id == CohortMember.subject_id)
        .where(Cohort.public_id == cohort_id)
        .group_by(Cohort.id, Cohort.public_id, Cohort.revision)
    )
    with _store(request).read() as session:
        row = session.execute(statement).one_or_none()
    if row is None:
        raise NotFound("There is no such cohort.")
    state = _preconditions(request, response, row.public_id, row.revision, row.members, row.writes)
    return CohortRef(**state, cohort_pk=row.id, cohort_id=row.public_id)


SubjectDependency = Annotated[SubjectRef, Depends(_subject)]
VisitDependency = Annotated[VisitRef, Depends(_visit)]
TestDependency = Annotated[TestRef, Depends(_test)]
CohortDependency = Annotated[CohortRef, Depends(_cohort)]
EventDependency = Annotated[EventRef, Depends(_event)]
SiteDependency = Annotated[RecordRef, Depends(_of_site)]
CohortResultsDependency = Annotated[CohortRef, Depends(_cohort_results)]
