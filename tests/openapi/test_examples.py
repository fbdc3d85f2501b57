"""The example requests do what they say, and the committed document describes them."""

import json
import re
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from openapi_spec_validator import validate
from starlette.testclient import TestClient

FOLDER = Path(__file__).parents[2] / "openapi"
EXAMPLES = sorted((FOLDER / "examples").glob("*.http"))


@dataclass
class Request:
    title: str
    method: str
    path: str
    headers: dict[str, str]
    body: str
    expected: int
    keep: dict[str, str] = field(default_factory=dict)


def requests(path: Path) -> list[Request]:
    """The requests of a file: comments, a request line, headers, a blank line, a body."""
    found = []
    for part in re.split(r"^### ", path.read_text(encoding="utf-8"), flags=re.MULTILINE):
        title, _, rest = part.partition("\n")
        lines = rest.splitlines()
        comments = [line for line in lines if line.startswith("# ")]
        lines = [line for line in lines if not line.startswith("# ")]
        head, _, body = "\n".join(lines).strip().partition("\n\n")
        if not head:
            continue
        request_line, *headers = head.splitlines()
        method, target = request_line.split()
        expected = next(
            int(line.removeprefix("# expect ")) for line in comments if line.startswith("# expect ")
        )
        keep = dict(
            line.removeprefix("# keep ").split(" = ") for line in comments if line.startswith("# keep ")
        )
        found.append(
            Request(
                title, method, target, dict(line.split(": ", 1) for line in headers), body, expected, keep
            )
        )
    return found


def sent(client: TestClient, request: Request, kept: dict[str, str]):
    def filled(text: str) -> str:
        return re.sub(r"\{\{(\w+)\}\}", lambda name: kept[name[1]], text)

    headers = dict(request.headers)
    if headers.get("Content-Type") == "multipart/form-data":
        del headers["Content-Type"]  # the client adds the boundary
        parts = dict(line.split("=", 1) for line in request.body.splitlines())
        file = EXAMPLES[0].parent / parts.pop("file").removeprefix("@")
        files = {"file": (file.name, file.read_bytes())}
        return client.request(request.method, filled(request.path), headers=headers, data=parts, files=files)
    return client.request(
        request.method, filled(request.path), headers=headers, content=filled(request.body) or None
    )


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_example_requests_are_answered_as_they_say(admin, path):
    kept: dict[str, str] = {}
    asked = requests(path)
    assert len(asked) > 5
    for request in asked:
        answer = sent(admin, request, kept)
        assert answer.status_code == request.expected, (request.title, answer.text)
        kept |= {name: answer.json()[key] for name, key in request.keep.items()}


@pytest.fixture(scope="module")
def document():
    return json.loads((FOLDER / "openapi.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_example_requests_are_in_the_document(document, path):
    patterns = {
        re.compile(re.sub(r"\{\w+\}", "[^/]+", template) + "$"): operations
        for template, operations in document["paths"].items()
    }
    for request in requests(path):
        address = request.path.partition("?")[0]
        methods = [method for pattern, one in patterns.items() if pattern.match(address) for method in one]
        assert request.method.lower() in methods, request.title


def test_the_document_is_valid(document):
    # OpenAPI Specification 3.1, by its public validator.
    validate(document)


def test_every_operation_has_a_name_of_its_own_and_a_summary(document):
    operations = [one for path in document["paths"].values() for one in path.values()]
    names = [one["operationId"] for one in operations]
    assert len(names) == len(set(names))
    assert [one["operationId"] for one in operations if not one.get("summary")] == []
