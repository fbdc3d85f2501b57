"""What routes ask for: the store, who asks, and the record an address names.

The order of refusal is kept by their order: scope (403), existence (404), preconditions (412, 304); the
content of the body (422) is judged by the framework after these.
"""

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Annotated, Any

import sqlalchemy as sa
from fastapi import Depends, Request, Response
from fastapi.dependencies.models import Dependant
from fastapi.params import File, Form
from starlette.types import Scope

from service.db.models import Cohort, CohortMember, Event, ExerciseTest, Site, Subject, Visit
from service.db.transactions import Store
from service.errors import Forbidden, InvalidContent, NotFound, Place, UnsupportedMediaType
from service.http import etags
from service.http.keys import KeyScope, Principal
from service.http.reading import promptly


def _store_of(request: Request) -> Store:
    store: Store = request.app.state.store
    return store


# What waits for nothing is a coroutine: a plain function would be called in another thread.
async def _store(request: Request) -> Store:
    return _store_of(request)


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


def needs(scope: KeyScope, *, whole: bool = False) -> Callable[[Request], Awaitable[Principal]]:
    """A dependency that wants at least this scope; with `whole` a key that is limited to no subjects."""

    async def check(request: Request) -> Principal:
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


async def readable_kind(request: Request) -> None:
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


#: What a reader may see, and what the site has set, change the answer without changing the record.
_OF_SITE = (
    sa.select(sa.func.max(Site.revision)).scalar_subquery().label("site_revision"),
    sa.select(sa.func.max(Site.control_revision)).scalar_subquery().label("control_revision"),
)
_SUBJECT = (Subject.id.label("subject_pk"), Subject.public_id.label("subject_id"), Subject.revision)
_VISIT = (Visit.id.label("visit_pk"), Visit.public_id.label("visit_id"))
_TEST = (ExerciseTest.id.label("test_pk"), ExerciseTest.public_id.label("test_id"))
_NAMED: sa.BindParameter[str] = sa.bindparam("record_id", type_=sa.String())

#: The subject that an address names, and its state.
SUBJECT_STATE = sa.select(*_SUBJECT, *_OF_SITE).where(Subject.public_id == _NAMED)
_VISIT_STATE = (
    sa.select(*_SUBJECT, *_VISIT, *_OF_SITE)
    .join(Visit, Visit.subject_id == Subject.id)
    .where(Visit.public_id == _NAMED)
)
#: The test that an address names, and its state.
TEST_STATE = (
    sa.select(*_SUBJECT, *_VISIT, *_TEST, *_OF_SITE)
    .join(Visit, Visit.subject_id == Subject.id)
    .join(ExerciseTest, ExerciseTest.visit_id == Visit.id)
    .where(ExerciseTest.public_id == _NAMED)
)
_EVENT_STATE = (
    sa.select(*_SUBJECT, Event.id.label("event_pk"), Event.public_id.label("event_id"), *_OF_SITE)
    .select_from(Event)
    .outerjoin(Subject, Subject.id == Event.subject_id)
    .where(Event.public_id == _NAMED)
)
_COHORT = (Cohort.id.label("cohort_pk"), Cohort.public_id.label("cohort_id"), Cohort.revision)
_COHORT_STATE = sa.select(*_COHORT, *_OF_SITE).where(Cohort.public_id == _NAMED)
_COHORT_RESULTS_STATE = (
    sa.select(
        *_COHORT,
        *_OF_SITE,
        sa.func.count(Subject.id).label("members"),
        sa.func.coalesce(sa.func.sum(Subject.revision), 0).label("writes"),
    )
    .outerjoin(CohortMember, CohortMember.cohort_id == Cohort.id)
    .outerjoin(Subject, Subject.id == CohortMember.subject_id)
    .where(Cohort.public_id == _NAMED)
    .group_by(Cohort.id, Cohort.public_id, Cohort.revision)
)
_SITE_STATE = sa.select(*_OF_SITE)

_OF_STATE = {"site_revision", "control_revision", "members", "writes"}


async def state_found(store: Store, statement: sa.Select[*tuple[Any, ...]], record_id: str) -> Any:
    """The one row of `statement`; None where there is none."""
    return await promptly(
        store,
        lambda connection: connection.execute(statement, {"record_id": record_id}).one_or_none(),
    )


def tag_of(
    scope: Scope, principal: Principal, record_id: str, revision: int, state: Any, *parts: object
) -> str:
    """The strong tag of an address for a reader, with the record at `revision` in this state of the site.

    `parts` is what the answer rests on beside them.
    """
    site = (state.site_revision, state.control_revision)
    return etags.etag_of(scope, record_id, revision, principal.sees_identity, *site, *parts)


def _preconditions(
    request: Request, response: Response, record_id: str, revision: int, tag: str
) -> dict[str, Any]:
    """Evaluate them for a record in this state; what a reference keeps of that."""
    known_query_only(request)
    required = _store_of(request).settings.require_if_match
    pinned = etags.check(request, tag, record_id, revision, required=required)
    ref = RecordRef(revision, pinned, tag)
    if request.method in {"GET", "HEAD"}:
        response.headers.update(ref.headers)
    return {"revision": revision, "pinned": pinned, "etag": tag}


async def _under_subject(
    request: Request,
    response: Response,
    what: str,
    statement: sa.Select[*tuple[Any, ...]],
    record_id: str,
) -> dict[str, Any]:
    """The one row of `statement`, and its state, where the key covers its subject."""
    principal = principal_of(request)
    row = await state_found(_store_of(request), statement, record_id)
    if row is None or not principal.covers_subject(row.subject_pk):
        raise NotFound(f"There is no such {what}, or your key does not cover it.")
    tag = tag_of(request.scope, principal, row.subject_id, row.revision, row)
    return {**_record(row), **_preconditions(request, response, row.subject_id, row.revision, tag)}


def _record(row: Any) -> dict[str, Any]:
    """What of a row names the record."""
    return {name: value for name, value in row._asdict().items() if name not in _OF_STATE}


async def _subject(subject_id: str, request: Request, response: Response) -> SubjectRef:
    return SubjectRef(**await _under_subject(request, response, "subject", SUBJECT_STATE, subject_id))


async def _visit(visit_id: str, request: Request, response: Response) -> VisitRef:
    return VisitRef(**await _under_subject(request, response, "visit", _VISIT_STATE, visit_id))


async def _test(test_id: str, request: Request, response: Response) -> TestRef:
    return TestRef(**await _under_subject(request, response, "test", TEST_STATE, test_id))


async def _event(event_id: str, request: Request, response: Response) -> EventRef:
    """An event with the state of its subject; one of the site with that of what the site's controls rest on."""
    principal = principal_of(request)
    row = await state_found(_store_of(request), _EVENT_STATE, event_id)
    if row is None or not principal.covers_subject(row.subject_pk):
        raise NotFound("There is no such event, or your key does not cover it.")
    whose, revision = (
        ("events", row.control_revision or 0) if row.subject_pk is None else (row.subject_id, row.revision)
    )
    tag = tag_of(request.scope, principal, whose, revision, row)
    return EventRef(**{**_record(row), **_preconditions(request, response, whose, revision, tag)})


async def _cohort(cohort_id: str, request: Request, response: Response) -> CohortRef:
    row = await state_found(_store_of(request), _COHORT_STATE, cohort_id)
    if row is None:
        raise NotFound("There is no such cohort.")
    tag = tag_of(request.scope, principal_of(request), row.cohort_id, row.revision, row)
    return CohortRef(
        **{**_record(row), **_preconditions(request, response, row.cohort_id, row.revision, tag)}
    )


async def _of_site(request: Request, response: Response) -> RecordRef:
    row = await promptly(_store_of(request), lambda connection: connection.execute(_SITE_STATE).one())
    revision = row.site_revision or 0
    tag = tag_of(request.scope, principal_of(request), "site", revision, row)
    return RecordRef(**_preconditions(request, response, "site", revision, tag))


def _cohort_results(cohort_id: str, request: Request, response: Response) -> CohortRef:
    """A cohort with the state of all its members; its rows are as many as they, so another thread reads them.

    As long as the cohort keeps its revision its members can only become fewer (an erased subject), and the revision of
    each only rises: so no two states have the same revision, number of members and sum of their revisions.
    """
    with _store_of(request).read() as session:
        row = session.execute(_COHORT_RESULTS_STATE, {"record_id": cohort_id}).one_or_none()
    if row is None:
        raise NotFound("There is no such cohort.")
    tag = tag_of(
        request.scope,
        principal_of(request),
        row.cohort_id,
        row.revision,
        row,
        row.members,
        row.writes,
    )
    return CohortRef(
        **{**_record(row), **_preconditions(request, response, row.cohort_id, row.revision, tag)}
    )


SubjectDependency = Annotated[SubjectRef, Depends(_subject)]
VisitDependency = Annotated[VisitRef, Depends(_visit)]
TestDependency = Annotated[TestRef, Depends(_test)]
CohortDependency = Annotated[CohortRef, Depends(_cohort)]
EventDependency = Annotated[EventRef, Depends(_event)]
SiteDependency = Annotated[RecordRef, Depends(_of_site)]
CohortResultsDependency = Annotated[CohortRef, Depends(_cohort_results)]
