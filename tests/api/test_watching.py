"""Server-sent events of a test that is being recorded, read from a served record as a second screen reads them."""

import asyncio
import json
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from typing import Any, Self

import httpx
import pytest
import sqlalchemy as sa
import uvicorn
from starlette.requests import ClientDisconnect

from service.app import create_app
from service.db.models import ApiKey, ExerciseTest
from service.watching.workflow import Listens, Watch

BEGUN = [
    {"kind": "clock_started"},
    {"kind": "stage_started", "phase": "exercise", "stage": 1, "work_rate_w": 60.0},
]
SOON_S = 10.0


class Served:
    """The service on a port of its own, over the store of one test."""

    def __init__(self, store: Any) -> None:
        self.app = create_app(store.settings, store)
        self.app.state.watch = self.watch = Watch(lambda: store, every_s=0.05, silence_s=0.2)
        self.server = uvicorn.Server(
            uvicorn.Config(self.app, port=0, log_level="error", lifespan="off", timeout_graceful_shutdown=1)
        )
        self.thread = threading.Thread(target=self.server.run, daemon=True)

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.server.servers[0].sockets[0].getsockname()[1]}"

    def __enter__(self) -> Self:
        self.thread.start()
        wait_until(lambda: self.server.started)
        return self

    def __exit__(self, *_: object) -> None:
        self.server.should_exit = True
        self.thread.join(SOON_S)
        assert not self.thread.is_alive()


def wait_until(holds) -> None:
    until = time.monotonic() + SOON_S
    while not holds():
        assert time.monotonic() < until, "it did not come to it"
        time.sleep(0.01)


@pytest.fixture
def served(store) -> Iterator[Served]:
    with Served(store) as one:
        yield one


@pytest.fixture
def test(laboratory) -> dict[str, Any]:
    return laboratory.planned(laboratory.visit(laboratory.subject()["id"])["id"], stop_reason=None)


class Screen:
    """One that listens: the events one after the other, as they come."""

    def __init__(self, answer: httpx.Response) -> None:
        self.answer = answer
        self.lines = answer.iter_lines()
        self.comments = 0

    def event(self) -> dict[str, Any] | None:
        """The next event; None where the stream ended."""
        found: dict[str, Any] = {}
        for line in self.lines:
            if not line:
                if "event" in found:
                    return found | {"data": json.loads(found["data"])}
                found = {}
            elif line.startswith(":"):
                self.comments += 1
            else:
                name, _, value = line.partition(": ")
                found[name] = value
        return None

    def rest(self) -> list[dict[str, Any]]:
        """All events to the end of the stream."""
        found = []
        while (one := self.event()) is not None:
            found.append(one)
        return found


@pytest.fixture
def screen(served, test, tester_key):
    @contextmanager
    def open_one(key: str | None = tester_key, *, test_id: str = "", **headers: str):
        sent = {"Authorization": f"Bearer {key}"} if key else {}
        with (
            httpx.Client(base_url=served.address, timeout=SOON_S) as web,
            web.stream("GET", f"/v1/tests/{test_id or test['id']}/events", headers=sent | headers) as answer,
        ):
            yield Screen(answer)

    return open_one


def post_note(client, test, **note):
    answer = client.post(f"/v1/tests/{test['id']}/stage-notes", json=[note])
    assert answer.status_code == 200, answer.text


def test_a_screen_is_told_what_is_recorded_and_its_end(client, test, screen, rows):
    with screen() as one:
        assert one.answer.headers["content-type"].startswith("text/event-stream")
        assert one.answer.headers["cache-control"] == "no-store"
        first = one.event()
        assert first["data"]["recording"]["status"] == "planned"
        client.post(f"/v1/tests/{test['id']}/marks", json=BEGUN)
        told = one.event()["data"]
        assert told["changed"] == ["marks"]
        assert [mark["kind"] for mark in told["marks"]] == ["clock_started", "stage_started"]
        assert told["recording"]["status"] == "recording"
        assert len(told["recording"]["marks"]) == 2
        post_note(client, test, stage=1, time_s=50.0, rpe=11, rpe_scale="6-20")
        told = one.event()["data"]
        assert (told["changed"], told["stage_notes"][0]["rpe"]) == (["stage_notes"], 11)
        assert told["recording"]["stage_notes"][0]["time_s"] == 50.0
        client.post(f"/v1/tests/{test['id']}/intervals", json={"intervals": rows()[:3]})
        told = one.event()["data"]
        assert (told["changed"], told["recording"]["n_intervals"]) == (["intervals"], 3)
        assert told["recording"]["last_interval"]["end_s"] == 45.0
        client.patch(f"/v1/tests/{test['id']}", json={"status": "complete", "stop_reason": "legs"})
        told = one.event()["data"]
        assert (told["recording"]["status"], told["recording"]["stop_reason"]) == ("complete", "legs")
        assert one.rest() == [{"event": "end", "data": {"reason": "complete"}}]


def test_what_was_missed_is_told_first(client, test, screen):
    with screen() as one:
        last = one.event()["id"]
    for rating in (9, 11, 13):
        post_note(client, test, time_s=10.0 * rating, rpe=rating)
    with screen(**{"Last-Event-ID": last}) as one:
        missed = [one.event() for _ in range(3)]
        assert [event["data"]["stage_notes"][0]["rpe"] for event in missed] == [9, 11, 13]
        # The recording as it stands goes with the last alone.
        assert [event["data"]["recording"] is None for event in missed] == [True, True, False]
        assert [note["rpe"] for note in missed[-1]["data"]["recording"]["stage_notes"]] == [9, 11, 13]
        ids = [int(event["id"]) for event in missed]
        assert ids == sorted(ids)
        post_note(client, test, time_s=200.0, rpe=15)
        assert one.event()["data"]["stage_notes"][0]["rpe"] == 15
    with screen(**{"Last-Event-ID": str(ids[1])}) as one:
        assert one.event()["data"]["stage_notes"][0]["rpe"] == 13


def test_changes_of_other_tests_are_not_told(client, laboratory, test, screen):
    other = laboratory.planned(test["visit_id"])
    with screen() as one:
        one.event()
        post_note(client, other, time_s=1.0, rpe=7)
        client.patch(f"/v1/visits/{test['visit_id']}", json={"body_mass_kg": 76.0})
        post_note(client, test, time_s=2.0, rpe=8)
        assert one.event()["data"]["stage_notes"][0]["rpe"] == 8


def test_a_line_of_comment_shows_that_the_connection_is_there(client, test, screen):
    with screen() as one:
        one.event()
        threading.Timer(0.7, post_note, (client, test), {"time_s": 1.0, "rpe": 8}).start()
        one.event()
        assert one.comments >= 2


def test_a_place_that_the_feed_does_not_know_gives_the_present_state(screen):
    """As after a restore of an older copy, where the numbers come a second time."""
    with screen(**{"Last-Event-ID": "999999"}) as one:
        assert one.event()["data"]["recording"]["status"] == "planned"


@pytest.mark.parametrize("last", ["one", "-1", "1.5", "9" * 40, "²"])
def test_an_id_that_is_none_is_refused(client, test, last):
    answer = client.get(f"/v1/tests/{test['id']}/events", headers={"Last-Event-ID": last.encode()})
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["location"] == "header.Last-Event-ID"


def test_a_recording_that_is_over_is_told_once(client, laboratory, test):
    done = laboratory.complete(test["visit_id"])
    address = f"/v1/tests/{done['id']}/events"
    answer = client.get(address)
    assert "event: end" in answer.text
    last = max(int(line[4:]) for line in answer.text.splitlines() if line.startswith("id: "))
    # The answer that tells a browser not to come again (HTML standard, server-sent events: 204 stops reconnecting).
    assert client.get(address, headers={"Last-Event-ID": str(last)}).status_code == 204


def test_a_void_test_ends_the_stream(client, test, screen):
    with screen() as one:
        one.event()
        client.patch(f"/v1/tests/{test['id']}", json={"status": "void"})
        assert [event["data"].get("reason") for event in one.rest()] == [None, "void"]


def test_a_deleted_test_ends_the_stream(client, test, screen):
    with screen() as one:
        one.event()
        assert client.delete(f"/v1/tests/{test['id']}").status_code == 204
        assert one.rest()[-1]["data"] == {"reason": "deleted"}


def test_a_key_that_is_revoked_hears_no_more(admin, client, test, screen, store, make_key):
    with screen(make_key(store, "second screen", "reader")) as one:
        one.event()
        assert admin.delete("/v1/keys/second screen").status_code == 204
        post_note(client, test, time_s=2.0, rpe=8, note="not for revoked eyes")
        assert [event["data"] for event in one.rest()] == [{"reason": "access_ended"}]


def test_a_secret_that_was_replaced_hears_no_more(admin, client, test, screen, store, make_key):
    with screen(make_key(store, "second screen", "reader")) as one:
        one.event()
        assert admin.post("/v1/keys/second screen/rotation", json={}).status_code == 200
        post_note(client, test, time_s=2.0, rpe=8, note="not for whoever found the old secret")
        assert [event["data"] for event in one.rest()] == [{"reason": "access_ended"}]


def test_a_secret_that_still_works_hears_on(admin, client, test, screen, store, make_key):
    with screen(make_key(store, "second screen", "reader")) as one:
        one.event()
        rotated = admin.post("/v1/keys/second screen/rotation", json={"overlap_hours": 1})
        post_note(client, test, time_s=2.0, rpe=8)
        assert one.event()["data"]["changed"] == ["stage_notes"]
        with screen(rotated.json()["key"]) as other:
            assert other.event()["data"]["recording"]["test_id"] == test["id"]
        with store.write("test") as transaction:
            transaction.session.connection().exec_driver_sql(
                "update api_key set previous_until = '2020-01-01 00:00:00.000000'"
            )
        assert [event["data"] for event in one.rest()] == [{"reason": "access_ended"}]


@pytest.mark.parametrize(
    "ended",
    [
        "delete from web_session",
        "update web_session set expires_at = '2020-01-01 00:00:00.000000'",
        "update api_key set expires_at = '2020-01-01 00:00:00.000000'",
    ],
)
def test_a_session_that_ends_hears_no_more(served, test, screen, store, reader_key, ended):
    with httpx.Client(base_url=served.address) as web:
        cookie = web.post("/sign-in", data={"key": reader_key}).headers["set-cookie"].split(";")[0]
    with screen(None, Cookie=cookie) as one:
        assert one.event()["data"]["recording"]["test_id"] == test["id"]
        with store.write("test") as transaction:
            transaction.session.connection().exec_driver_sql(ended)
        assert [event["data"] for event in one.rest()] == [{"reason": "access_ended"}]


def test_who_may_not_see_the_person_gets_nothing(
    client, laboratory, test, store, make_key, open_client, anonymous
):
    other = laboratory.subject()
    address = f"/v1/tests/{test['id']}/events"
    limited = open_client(store, make_key(store, "limited", "reader", subject_codes=[other["code"]]))
    assert limited.get(address).status_code == 404
    assert anonymous.get(address).status_code == 401
    assert client.get("/v1/tests/none/events").status_code == 404


def test_a_limited_key_watches_its_own(served, laboratory, test, screen, store, make_key, client):
    code = client.get(f"/v1/subjects/{test['subject_id']}").json()["code"]
    with screen(make_key(store, "own", "reader", subject_codes=[code])) as one:
        assert one.event()["data"]["recording"]["test_id"] == test["id"]


def test_places_are_bounded_and_given_back(served, test, screen):
    served.watch.most_listeners = 2
    with screen() as one, screen() as two:
        assert (one.event() is not None, two.event() is not None) == (True, True)
        with screen() as three:
            assert three.answer.status_code == 429
            assert "retry-after" in three.answer.headers
    wait_until(lambda: not served.watch._listeners)
    with screen() as one:
        assert one.event() is not None
    # Nobody listens: nobody reads the feed.
    wait_until(lambda: not served.watch._listeners and served.watch._task.done())


def test_a_connection_that_is_gone_before_the_first_word_gives_its_place_back(store, test, tester_key):
    app = create_app(store.settings, store)

    async def gone_at_once() -> None:
        async def receive() -> dict[str, Any]:
            return {"type": "http.request", "body": b"", "more_body": False}

        async def send(message: dict[str, Any]) -> None:
            raise OSError(message["type"])

        scope = {
            "type": "http",
            "asgi": {"version": "3.0", "spec_version": "2.4"},
            "http_version": "1.1",
            "method": "GET",
            "scheme": "http",
            "path": f"/v1/tests/{test['id']}/events",
            "query_string": b"",
            "headers": [(b"authorization", f"Bearer {tester_key}".encode())],
            "client": ("127.0.0.1", 1),
            "server": ("testserver", 80),
            "root_path": "",
            "raw_path": b"",
        }
        with suppress(OSError, ClientDisconnect):
            await app(scope, receive, send)
        assert not app.state.watch._listeners
        await app.state.watch.stop()

    asyncio.run(asyncio.wait_for(gone_at_once(), SOON_S))


def test_who_falls_behind_is_let_go(store, client, test):
    """What waits for one listener is bounded; it comes again with the last id it was told."""
    watch = Watch(lambda: store, most_waiting=2, every_s=0.02)
    with store.read() as session:
        test_pk = session.scalar(sa.select(ExerciseTest.id).where(ExerciseTest.public_id == test["id"]))
        key_id = session.scalar(sa.select(ApiKey.id))

    async def listen() -> list[str]:
        listener = watch.join(Listens(test_pk, test["id"], key_id))
        first, _ = await watch.begin(listener, None)
        for rating in range(6, 11):
            await asyncio.to_thread(post_note, client, test, time_s=float(rating), rpe=rating)
        await asyncio.to_thread(wait_until, lambda: listener.fell_behind)
        return [text async for text in watch.stream(listener, first)]

    told = asyncio.run(asyncio.wait_for(listen(), SOON_S))
    assert [text.count("event: change") for text in told] == [0, 1, 1, 1]
    assert "event: end" not in "".join(told)


def test_who_watches_does_not_keep_the_service_from_ending(store, test, tester_key):
    with ExitStack() as opened:
        with Served(store) as served:
            address = f"{served.address}/v1/tests/{test['id']}/events"
            headers = {"Authorization": f"Bearer {tester_key}"}
            answer = opened.enter_context(httpx.stream("GET", address, headers=headers, timeout=SOON_S))
            one = Screen(answer)
            assert one.event() is not None
        # The service has ended here; who watched sees the stream break off.
        with pytest.raises(httpx.TransportError):
            one.rest()


def test_a_listener_holds_no_connection(client, served, store, test, screen):
    with screen() as one, screen() as two:
        one.event()
        two.event()
        time.sleep(0.2)
        held = [store.read_engine.pool.checkedout() for _ in range(20) if not time.sleep(0.005)]
        assert min(held) == 0
