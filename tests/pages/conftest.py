"""A browser that signed in, and an invented laboratory to look at."""

from collections.abc import Callable
from typing import Any

import pytest
from starlette.testclient import TestClient

from service.db.transactions import Store
from tests.api.conftest import Laboratory, step_test


@pytest.fixture
def browser(store: Store, open_client: Callable[..., TestClient]) -> Callable[..., TestClient]:
    """Opens a browser, signed in with a key where one is given. It follows no redirect by itself."""

    def open_one(key: str | None = None) -> TestClient:
        one = open_client(store, follow_redirects=False)
        if key is not None:
            answer = one.post("/sign-in", data={"key": key})
            assert answer.status_code == 303, answer.text
        return one

    return open_one


@pytest.fixture
def laboratory(client: TestClient) -> Laboratory:
    """A laboratory with a tester's key."""
    return Laboratory(client)


@pytest.fixture
def rows() -> Callable[..., list[dict[str, Any]]]:
    """Intervals of an invented treadmill test."""
    return step_test
