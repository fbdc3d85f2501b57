"""A browser that signed in, and an invented laboratory to look at."""

import re
from collections.abc import Callable
from html.parser import HTMLParser
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


class _Fields(HTMLParser):
    """What a browser would send of the forms of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.held: dict[str, str] = {}
        self._select = self._text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        name = given.get("name") or ""
        if tag == "select":
            self._select = name
            self.held[name] = ""
        elif tag == "option" and self._select and "selected" in given:
            self.held[self._select] = given.get("value") or ""
        elif tag == "textarea":
            self._text = name
            self.held[name] = ""
        elif tag == "input" and name and given.get("type") in {"radio", "checkbox"}:
            if "checked" in given:
                self.held[name] = given.get("value") or ""
        elif tag == "input" and name and given.get("type") != "file":
            self.held[name] = given.get("value") or ""

    def handle_endtag(self, tag: str) -> None:
        if tag == "select":
            self._select = ""
        elif tag == "textarea":
            self.held[self._text] = self.held[self._text].removeprefix("\n")
            self._text = ""

    def handle_data(self, data: str) -> None:
        if self._text:
            self.held[self._text] += data


@pytest.fixture
def typed_in() -> Callable[[str], dict[str, str]]:
    """Everything that stands in the fields of a page."""

    def fields_of(text: str) -> dict[str, str]:
        fields = _Fields()
        fields.feed(text.split("<main")[1])
        return fields.held

    return fields_of


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
