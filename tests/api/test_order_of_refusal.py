"""In which order a request is refused: key, size, readable body, scope, existence, content."""

import asyncio
import json
from collections.abc import Iterable
from typing import Any

import pytest

MIB = 1024 * 1024


def answer_to(
    app: Any, path: str, *, headers: dict[str, str], body: Iterable[bytes] | None, method: str = "POST"
) -> tuple[int, dict[str, Any], int]:
    """Speak ASGI to the service; status, problem and how many parts of the body were read. No body: reading it fails."""
    parts = None if body is None else list(body)
    read = 0
    sent: list[dict[str, Any]] = []

    async def receive() -> dict[str, Any]:
        nonlocal read
        assert parts is not None, "the body was read"
        read += 1
        if read > len(parts):
            return {"type": "http.disconnect"}
        return {"type": "http.request", "body": parts[read - 1], "more_body": read < len(parts)}

    async def send(message: dict[str, Any]) -> None:
        sent.append(message)

    scope = {
        "type": "http",
        "asgi": {"version": "3.0"},
        "http_version": "1.1",
        "method": method,
        "path": path,
        "raw_path": path.encode(),
        "query_string": b"",
        "root_path": "",
        "scheme": "http",
        "headers": [(name.lower().encode(), value.encode()) for name, value in headers.items()],
        "client": ("192.0.2.7", 1234),
        "server": ("testserver", 80),
    }
    asyncio.run(app(scope, receive, send))
    start = next(message for message in sent if message["type"] == "http.response.start")
    content = b"".join(
        message.get("body", b"") for message in sent if message["type"] == "http.response.body"
    )
    return start["status"], json.loads(content), read


UPLOAD = "/v1/visits/x/imports"


@pytest.mark.parametrize("key", [None, "ups_wrong"])
@pytest.mark.parametrize(
    "headers",
    [
        {"Content-Type": "application/json", "Content-Length": "5"},
        {"Content-Type": "multipart/form-data; boundary=b", "Content-Length": str(60 * MIB)},
        {"Content-Type": "multipart/form-data; boundary=b", "Transfer-Encoding": "chunked"},
        {"Content-Type": "text/plain", "Content-Length": str(10**15)},
    ],
)
def test_without_a_key_the_body_is_not_read(key, headers, anonymous):
    authorization = {} if key is None else {"Authorization": f"Bearer {key}"}
    status, problem, read = answer_to(anonymous.app, UPLOAD, headers=headers | authorization, body=None)
    assert (status, problem["status"], read) == (401, 401, 0)


@pytest.mark.parametrize("kind", ["multipart/form-data; boundary=b", "application/json"])
def test_with_a_key_a_body_that_says_it_is_too_large_is_not_read(kind, client, tester_key):
    headers = {"Authorization": f"Bearer {tester_key}", "Content-Type": kind, "Content-Length": str(60 * MIB)}
    status, problem, read = answer_to(client.app, UPLOAD, headers=headers, body=None)
    assert (status, problem["status"], read) == (413, 413, 0)


@pytest.mark.parametrize(
    ("kind", "path", "limit_mib"),
    [("multipart/form-data; boundary=b", UPLOAD, 51), ("application/json", "/v1/subjects", 16)],
)
def test_a_body_that_does_not_say_how_large_it_is_is_read_up_to_the_limit(
    kind, path, limit_mib, client, tester_key
):
    head = b'--b\r\nContent-Disposition: form-data; name="file"; filename="a.csv"\r\n\r\n'
    body = [head, *[bytes(MIB)] * 60]
    headers = {"Authorization": f"Bearer {tester_key}", "Content-Type": kind, "Transfer-Encoding": "chunked"}
    status, problem, read = answer_to(client.app, path, headers=headers, body=body)
    assert (status, problem["status"]) == (413, 413)
    assert read == limit_mib + 1


def test_the_order(client, reader, anonymous, laboratory):
    """Each request has every later fault as well, and is refused for the first one."""
    subject = laboratory.subject()
    json_kind = {"Content-Type": "application/json"}
    there, nowhere = f"/v1/subjects/{subject['id']}", "/v1/subjects/nobody"
    assert anonymous.patch(nowhere, content="{", headers=json_kind).status_code == 401
    assert reader.patch(nowhere, content=b" " * 17 * MIB, headers=json_kind).status_code == 413
    assert reader.patch(nowhere, content="{", headers=json_kind).status_code == 400
    assert reader.patch(nowhere, content="a", headers={"Content-Type": "text/plain"}).status_code == 415
    assert reader.patch(nowhere, json={"sex": 7}).status_code == 403
    assert client.patch(nowhere, json={"sex": 7}, params={"colour": "red"}).status_code == 404
    assert client.patch(there, json={"sex": 7}, headers={"If-Match": '"x"'}).status_code == 412
    assert client.patch(there, json={"sex": 7}).status_code == 422
    assert client.patch(there, json={}).status_code == 200


def test_an_upload_of_the_largest_size_is_read(make_store, make_key, open_client, laboratory_of):
    """The limit is about the file: the parts around it do not count against it."""
    store = make_store(max_upload_mib=1)
    laboratory = laboratory_of(open_client(store, make_key(store, "tester", "tester")))
    visit = laboratory.visit(laboratory.subject()["id"])
    line = b"no table\r\n"
    largest = (line * (MIB // len(line) + 1))[:MIB]
    assert laboratory.upload(visit["id"], largest).json()["type"].endswith("#refused-file")
    assert laboratory.upload(visit["id"], largest + b"x").status_code == 413


def test_answers_carry_what_keeps_health_data_out_of_caches(client, anonymous):
    for answer in (client.get("/v1/subjects"), anonymous.get("/v1/subjects"), client.get("/v1/quantities")):
        assert answer.headers["cache-control"] == "no-store"
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["referrer-policy"] == "no-referrer"
        assert answer.headers["x-request-id"]
