"""Which pages of other sites may read in a browser: none, unless the setting names them (Fetch standard, CORS protocol)."""

import pytest

BOARD = "https://board.example"


@pytest.fixture
def board_client(make_store, make_key, open_client):
    """A client of a service that lets two other sites read."""
    store = make_store(cors_origins=f"{BOARD}, https://second.example")
    return open_client(store, make_key(store, "board", "reader"))


def preflight(client, origin=BOARD, method="GET", headers="authorization,if-none-match"):
    asked = {
        "Origin": origin,
        "Access-Control-Request-Method": method,
        "Access-Control-Request-Headers": headers,
    }
    return client.options("/v1/changes", headers=asked)


@pytest.mark.parametrize("origin", [BOARD, "https://second.example"])
def test_a_named_site_may_ask_with_its_key(board_client, origin):
    answer = preflight(board_client, origin)
    assert answer.status_code == 200
    assert answer.headers["access-control-allow-origin"] == origin
    assert "GET" in answer.headers["access-control-allow-methods"]
    allowed = answer.headers["access-control-allow-headers"].lower()
    assert "authorization" in allowed
    assert "if-none-match" in allowed
    # No cookies: a signed-in browser is not lent to another site.
    assert "access-control-allow-credentials" not in answer.headers


@pytest.mark.parametrize(
    "asked",
    [
        {"origin": "https://other.example"},
        {"origin": "null"},
        {"origin": f"{BOARD}.other.example"},
        {"method": "POST"},
        {"method": "DELETE"},
        {"headers": "x-form-token"},
    ],
)
def test_others_and_other_wishes_are_not_allowed(board_client, asked):
    answer = preflight(board_client, **asked)
    assert answer.status_code == 400
    if "origin" in asked:
        assert "access-control-allow-origin" not in answer.headers


def test_a_page_can_read_what_it_needs_to_go_on(board_client):
    answer = board_client.get("/v1/subjects", headers={"Origin": BOARD})
    assert answer.headers["access-control-allow-origin"] == BOARD
    assert answer.headers["vary"] == "Origin"
    shown = {name.strip() for name in answer.headers["access-control-expose-headers"].split(",")}
    assert shown == {"ETag", "Link", "Location", "Retry-After"}
    assert "access-control-allow-credentials" not in answer.headers
    # A refusal can be read too, or the page could not tell it from a broken connection.
    refused = board_client.get("/v1/subjects", headers={"Origin": BOARD, "Authorization": "Bearer no"})
    assert (refused.status_code, refused.headers["access-control-allow-origin"]) == (401, BOARD)
    other = board_client.get("/v1/subjects", headers={"Origin": "https://other.example"})
    assert "access-control-allow-origin" not in other.headers


def test_without_the_setting_no_other_site_may_read(client):
    answer = client.get("/v1/subjects", headers={"Origin": BOARD})
    assert answer.status_code == 200
    assert not [name for name in answer.headers if name.startswith("access-control")]
    refused = preflight(client)
    assert refused.status_code in {401, 404, 405}
    assert not [name for name in refused.headers if name.startswith("access-control")]
