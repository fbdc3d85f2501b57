"""A browser that signed in, and an invented laboratory to look at."""

import re
from collections.abc import Callable
from typing import Any

import pytest
from httpx import Response
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


@pytest.fixture
def send() -> Callable[..., Response]:
    """Sends a form as the browser does: with what its page holds, and what was typed over it."""

    def send_one(
        one: TestClient, address: str, typed: dict[str, str], *, to: str | None = None, **more: Any
    ) -> Response:
        text = one.get(address).text
        held = dict(re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)"', text.split("<main")[1]))
        return one.post(to or address, data=held | typed, **more)

    return send_one


@pytest.fixture
def at_field() -> Callable[[str, str], str]:
    """The fault that the field of a name is described by."""

    def fault_of(text: str, name: str) -> str:
        marks = re.search(rf'<(?:input|select|textarea) id="{name}"[^>]*>', text)
        assert marks is not None
        assert 'aria-invalid="true"' in marks.group(0)
        place = re.search(r'aria-describedby="([^" ]+)', marks.group(0))
        assert place is not None
        fault = re.search(rf'id="{place.group(1)}">([^<]*)<', text)
        assert fault is not None
        return fault.group(1)

    return fault_of
