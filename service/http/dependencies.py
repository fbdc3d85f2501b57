"""What routes ask for: the store, who asks, and the record an address names.

The order of refusal is kept by their order: scope (403), existence (404), preconditions (412, 304); the
content of the body (422) is judged by the framework after these.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated

import sqlalchemy as sa
from fastapi import Depends, Request, Response
from fastapi.dependencies.models import Dependant

from service.db.models import Cohort, ExerciseTest, Site, Subject, Visit
from service.db.transactions import Store
from service.errors import Forbidden, InvalidContent, NotFound, Place
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
    return any(name in path for name in ("{subject_id}", "{visit_id}", "{test_id}", "{cohort_id}"))


def needs(scope: KeyScope) -> Callable[[Request], Principal]:
    """A dependency that wants at least this scope."""

    def check(request: Request) -> Principal:
        principal = principal_of(request)
        if not principal.covers(scope):
            raise Forbidden(f"This needs a key with the scope '{scope}'; yours has '{principal.scope}'.")
        if not _names_a_record(request):
            known_query_only(request)
        return principal

    return check


Reader = Annotated[Principal, Depends(needs("reader"))]
Tester = Annotated[Principal, Depends(needs("tester"))]
Admin = Annotated[Principal, Depends(needs("admin"))]


@dataclass(frozen=True, slots=True)
class SubjectRef:
    """The subject that an address is under.

    Attributes
    ----------
    subject_pk, subject_id : int and str
        Internal key and public id.
    revision : int
        As read before anything was done.
    pinned : bool
        Whether If-Match named that state.
    etag : str
        Tag of this address at that revision.
    """

    subject_pk: int
    subject_id: str
    revision: int
    pinned: bool
    etag: str


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


def _may_see(principal: Principal, subject_pk: int) -> bool:
    return principal.subject_ids is None or subject_pk in principal.subject_ids


def _preconditions(
    request: Request, response: Response, principal: Principal, revision: int, site: int
) -> tuple[bool, str]:
    known_query_only(request)
    tag = etags.etag_of(request, revision, principal.sees_identity, site)
    store: Store = request.app.state.store
    pinned = etags.check(request, tag, revision, required=store.settings.require_if_match)
    if request.method in {"GET", "HEAD"}:
        response.headers["ETag"] = tag
        response.headers["Cache-Control"] = "private, no-cache"
    return pinned, tag


_SITE_REVISION = sa.select(sa.func.coalesce(sa.func.max(Site.revision), 0)).scalar_subquery()


def _subject(subject_id: str, request: Request, response: Response) -> SubjectRef:
    principal = principal_of(request)
    with _store(request).read() as session:
        row = session.execute(
            sa.select(Subject.id, Subject.public_id, Subject.revision, _SITE_REVISION.label("site")).where(
                Subject.public_id == subject_id
            )
        ).one_or_none()
    if row is None or not _may_see(principal, row.id):
        raise NotFound("There is no such subject, or your key does not cover it.")
    pinned, tag = _preconditions(request, response, principal, row.revision, row.site)
    return SubjectRef(row.id, row.public_id, row.revision, pinned, tag)


def _visit(visit_id: str, request: Request, response: Response) -> VisitRef:
    principal = principal_of(request)
    with _store(request).read() as session:
        row = session.execute(
            sa.select(
                Subject.id,
                Subject.public_id,
                Subject.revision,
                Visit.id.label("visit_pk"),
                Visit.public_id.label("visit_id"),
                _SITE_REVISION.label("site"),
            )
            .join(Visit, Visit.subject_id == Subject.id)
            .where(Visit.public_id == visit_id)
        ).one_or_none()
    if row is None or not _may_see(principal, row.id):
        raise NotFound("There is no such visit, or your key does not cover it.")
    pinned, tag = _preconditions(request, response, principal, row.revision, row.site)
    return VisitRef(row.id, row.public_id, row.revision, pinned, tag, row.visit_pk, row.visit_id)


def _test(test_id: str, request: Request, response: Response) -> TestRef:
    principal = principal_of(request)
    with _store(request).read() as session:
        row = session.execute(
            sa.select(
                Subject.id,
                Subject.public_id,
                Subject.revision,
                Visit.id.label("visit_pk"),
                Visit.public_id.label("visit_id"),
                ExerciseTest.id.label("test_pk"),
                ExerciseTest.public_id.label("test_id"),
                _SITE_REVISION.label("site"),
            )
            .join(Visit, Visit.subject_id == Subject.id)
            .join(ExerciseTest, ExerciseTest.visit_id == Visit.id)
            .where(ExerciseTest.public_id == test_id)
        ).one_or_none()
    if row is None or not _may_see(principal, row.id):
        raise NotFound("There is no such test, or your key does not cover it.")
    pinned, tag = _preconditions(request, response, principal, row.revision, row.site)
    return TestRef(
        row.id, row.public_id, row.revision, pinned, tag, row.visit_pk, row.visit_id, row.test_pk, row.test_id
    )


SubjectDependency = Annotated[SubjectRef, Depends(_subject)]
VisitDependency = Annotated[VisitRef, Depends(_visit)]
TestDependency = Annotated[TestRef, Depends(_test)]


@dataclass(frozen=True, slots=True)
class CohortRef:
    """The cohort that an address names."""

    cohort_pk: int
    cohort_id: str
    revision: int
    pinned: bool
    etag: str


def _cohort(cohort_id: str, request: Request, response: Response) -> CohortRef:
    principal = principal_of(request)
    with _store(request).read() as session:
        row = session.execute(
            sa.select(Cohort.id, Cohort.public_id, Cohort.revision, _SITE_REVISION.label("site")).where(
                Cohort.public_id == cohort_id
            )
        ).one_or_none()
    if row is None or principal.subject_ids is not None:
        raise NotFound("There is no such cohort, or your key does not cover it.")
    pinned, tag = _preconditions(request, response, principal, row.revision, row.site)
    return CohortRef(row.id, row.public_id, row.revision, pinned, tag)


CohortDependency = Annotated[CohortRef, Depends(_cohort)]
