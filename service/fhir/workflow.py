"""From the record of one subject to its FHIR Bundle."""

from dataclasses import replace
from typing import Any

from service.analyses.workflow import analysis_of
from service.db.transactions import Store
from service.errors import NotFound
from service.fhir import queries
from service.outlets.fhir import bundle, code_system, code_systems


def bundle_of(store: Store, subject_pk: int, *, identity: bool) -> dict[str, Any]:
    """The Bundle of a subject's tests; the analysis of a test that is being recorded is computed from what there is."""
    with store.read() as session:
        told = queries.read(session, subject_pk, identity=identity)
    tests = [
        replace(test, document=analysis_of(store, test_pk, {}, where="query"))
        if test.document is None and test.status in {"recording", "complete"}
        else test
        for test_pk, test in told.tests.items()
    ]
    return bundle(told.person, told.visits, tests, base_url=store.settings.base_url, at=told.at)


def code_system_of(store: Store, name: str, version: str) -> dict[str, Any]:
    """One of our code systems.

    Raises
    ------
    NotFound
        There is none of this name.
    """
    if name not in code_systems():
        raise NotFound(f"There is no code system {name[:80]!r}; there are {', '.join(code_systems())}.")
    return code_system(name, base_url=store.settings.base_url, version=version)
