"""Proofs of what the service promises, and where their figures are put down."""

import json
import os
from collections.abc import Callable
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from tests.api.conftest import Laboratory

#: Figures of the last run, a file a promise; `python -m tests.proofs.table` puts them into the guide.
FIGURES = Path(__file__).parents[2] / "build" / "proofs"


@pytest.fixture
def figures(request: pytest.FixtureRequest) -> Callable[[str, str], None]:
    """Put down what a proof has found, under the name of its promise; only the full form counts."""

    def put_down(promise: str, found: str) -> None:
        if request.node.get_closest_marker("proof") is None:
            return
        FIGURES.mkdir(parents=True, exist_ok=True)
        place = FIGURES / f"{promise}.json"
        writing = place.with_suffix(f".{os.getpid()}")
        writing.write_text(json.dumps({"found": found}, ensure_ascii=False), encoding="utf-8")
        writing.replace(place)

    return put_down


@pytest.fixture
def laboratory(client: TestClient) -> Laboratory:
    """A laboratory with a tester's key."""
    return Laboratory(client)
