"""Broken and hostile JSON to every kind of write: refused as the document says, with nothing stored."""

import gzip
import time

import pytest

from tests.api.conftest import everything

_DEEP = b"[" * 100_000 + b"]" * 100_000
BODIES: dict[str, bytes] = {
    "nothing": b"",
    "a blank": b" ",
    "half an object": b'{"intervals": [{"end_s": 1',
    "two objects": b"{}{}",
    "a comma too many": b'{"code": "a",}',
    "single quotes": b"{'code': 'a'}",
    "a comment": b'{"code": "a" /* x */}',
    "not a number": b'{"code": NaN}',
    "infinity": b'{"code": Infinity}',
    "100,000 lists deep": _DEEP,
    "100,000 objects deep": b'{"a":' * 100_000 + b"1" + b"}" * 100_000,
    "a number of 100,000 digits": b'{"code": ' + b"9" * 100_000 + b"}",
    "a huge exponent": b'{"code": 1e999999999}',
    "the same name twice": b'{"code": "a", "code": 1}',
    "half a pair": b'{"code": "\\ud800"}',
    "no UTF-8": b'{"code": "\xff\xfe"}',
    "a byte order mark": b"\xef\xbb\xbf" + b'{"code": 1}',
    "a null character": b'{"code": "a\\u0000b"}',
    "a name that is a prototype": b'{"__proto__": {"scope": "admin"}, "constructor": 1}',
    "an unknown field": b'{"code": "a", "revision": 99}',
    "10 MiB of text": b'{"code": "' + b"x" * (10 * 1024 * 1024) + b'"}',
    "a million names": b"{" + b",".join(b'"%d":1' % place for place in range(300_000)) + b"}",
    "20 MiB": b"[" + b"0," * (10 * 1024 * 1024) + b"0]",
    "packed": gzip.compress(b'{"code": "a"}'),
    "a list": b"[]",
    "a text": b'"code"',
    "null": b"null",
    "true": b"true",
}


@pytest.fixture
def addresses(client, laboratory) -> list[tuple[str, str]]:
    visit = laboratory.visit(laboratory.subject()["id"])
    test = laboratory.complete(visit["id"])["id"]
    cohort = client.post("/v1/cohorts", json={"name": "study"}).json()["id"]
    return [
        ("POST", "/v1/subjects"),
        ("PATCH", f"/v1/visits/{visit['id']}"),
        ("POST", f"/v1/visits/{visit['id']}/tests"),
        ("PUT", f"/v1/tests/{test}/intervals"),
        ("POST", f"/v1/tests/{test}/stage-notes"),
        ("PUT", f"/v1/tests/{test}/exclusions"),
        ("POST", f"/v1/tests/{test}/analysis"),
        ("PUT", f"/v1/cohorts/{cohort}/members"),
        ("POST", "/v1/methods/acsm_running"),
    ]


@pytest.mark.parametrize("what", BODIES)
def test_it_is_refused_and_nothing_is_stored(what, client, store, addresses):
    held = everything(store)
    for method, address in addresses:
        if (what, address.rsplit("/", 1)[1]) in {
            ("nothing", "analysis"), ("null", "analysis"), ("a list", "stage-notes"), ("a list", "exclusions"),
            ("a list", "members"),
        }:  # fmt: skip
            continue  # a body that may be absent, and lists that may be empty
        began = time.process_time()
        answer = client.request(
            method, address, content=BODIES[what], headers={"Content-Type": "application/json"}
        )
        assert time.process_time() - began < 20.0, (what, address)
        assert answer.status_code in {400, 413, 415, 422}, (
            what,
            address,
            answer.status_code,
            answer.text[:300],
        )
        assert answer.headers["content-type"] == "application/problem+json"
        assert len(answer.content) < 100_000
    assert everything(store) == held
