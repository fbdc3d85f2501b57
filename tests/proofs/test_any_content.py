"""Every operation of the OpenAPI document, asked with content that fits it and content that does not, by another library.

Schemathesis makes the requests and holds each answer against the document: no answer of 5xx, no status, media type or
shape that the document does not name.
"""

import random
from collections import Counter
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, seed, settings
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from service.app import create_app

CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
]
#: They would take away what the other operations are asked about; each has tests of its own.
ENDS_IT = {
    ("DELETE", "/v1/subjects/{subject_id}"),
    ("DELETE", "/v1/keys/{name}"),
    ("POST", "/v1/keys/{name}/rotation"),
}


@pytest.fixture
def known(laboratory) -> dict[str, str]:
    """Ids of one record of each kind, so that most requests come further than 404."""
    return laboratory.one_of_each() | {"quantity": "vo2_peak_ml_kg_min", "method_id": "acsm_running"}


@pytest.mark.parametrize("examples", [1, pytest.param(40, marks=pytest.mark.proof)], ids=["quick", "full"])
def test_every_answer_is_in_the_document(examples, store, known, admin_key, figures):
    schema = schemathesis.openapi.from_asgi("/openapi.json", create_app(store.settings, store))
    told: Counter[int] = Counter()
    operations = 0
    faults: list[str] = []
    for result in schema.get_all_operations():
        operation = result.ok()
        if (operation.method.upper(), operation.path) in ENDS_IT:
            continue
        operations += 1
        try:
            ask(operation, examples, known, admin_key, told)
        except (Exception, BaseExceptionGroup) as error:  # noqa: BLE001 all faults of one run are told together
            faults.append(f"{operation.label}: {error!r}")
    assert not faults, "\n".join(faults)
    assert operations > 90
    assert told[200] > operations / 3, "most requests must come further than a refusal"
    figures(
        "any-request",
        f"{operations} operations, {sum(told.values())} requests: no 5xx, no answer outside the document "
        f"({', '.join(f'{count} x {status}' for status, count in sorted(told.items()))})",
    )


def ask(operation: Any, examples: int, known: dict[str, str], key: str, told: Counter[int]) -> None:
    chance = random.Random(operation.label)

    @seed(1)
    @settings(
        max_examples=examples,
        deadline=None,
        database=None,
        suppress_health_check=list(HealthCheck),
        phases=[Phase.explicit, Phase.generate],
    )
    @given(case=operation.as_strategy())
    def each(case: Any) -> None:
        for name in case.path_parameters or {}:
            if name in known and chance.random() < 0.9:
                case.path_parameters[name] = known[name]
        answer = case.call(headers={"Authorization": f"Bearer {key}"})
        told[answer.status_code] += 1
        case.validate_response(answer, checks=CHECKS)

    each()
