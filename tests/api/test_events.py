"""What happened to a person or at the site: noted, changed, listed, in the trend and in the feed of changes."""

import pytest

ILLNESS = {"kind": "illness", "started_on": "2025-01-10", "ended_on": "2025-01-20", "title": "influenza"}
ANALYSER = {"kind": "device_new", "started_on": "2025-06-01", "title": "new analyser", "device": "Analyser B"}


@pytest.fixture
def person(laboratory, rows):
    """A man tested in two years, the second time with another analyser."""
    subject = laboratory.subject()
    for started_at, analyser in (
        ("2024-03-14T09:30:00+01:00", "A"),
        ("2026-03-14T09:30:00+01:00", "Analyser B"),
    ):
        visit = laboratory.visit(subject["id"], started_at=started_at)
        laboratory.complete(visit["id"], rows(3300.0), analyser=analyser, ergometer="T")
    return subject


@pytest.fixture
def address(person):
    return f"/v1/subjects/{person['id']}"


def test_an_event_of_a_person_from_first_note_to_deletion(client, reader, address, person):
    revision = client.get(address).json()["revision"]
    made = client.post(f"{address}/events", json=ILLNESS)
    assert made.status_code == 201
    event = made.json()
    assert made.headers["location"] == f"/v1/events/{event['id']}"
    assert event | ILLNESS == event
    assert (event["subject_id"], event["device"], event["notes"]) == (person["id"], None, None)
    assert client.get(address).json()["revision"] == revision + 1
    got = reader.get(f"/v1/events/{event['id']}")
    assert got.json() == event
    changed = client.patch(
        f"/v1/events/{event['id']}",
        json={"title": "pneumonia", "ended_on": None},
        headers={"If-Match": got.headers["etag"]},
    )
    assert changed.json() == event | {"title": "pneumonia", "ended_on": None}
    stale = client.patch(
        f"/v1/events/{event['id']}", json={"title": "x"}, headers={"If-Match": got.headers["etag"]}
    )
    assert stale.status_code == 412
    assert client.delete(f"/v1/events/{event['id']}").status_code == 204
    assert client.get(f"/v1/events/{event['id']}").status_code == 404
    assert client.get(f"{address}/events").json() == {"items": [], "next": None}
    feed = [
        row
        for row in client.get("/v1/changes", params={"limit": 500}).json()["items"]
        if row["kind"] == "event"
    ]
    assert [(row["action"], row["id"], row["subject_id"]) for row in feed] == [
        (action, event["id"], person["id"]) for action in ("created", "changed", "deleted")
    ]


def test_an_event_of_the_site(client, reader, store, make_key, open_client, person):
    made = client.post("/v1/events", json=ANALYSER | {"notes": "with a new sample line"})
    assert made.status_code == 201
    event = made.json()
    assert event["subject_id"] is None
    assert reader.get("/v1/events").json()["items"] == [event]
    got = client.get(f"/v1/events/{event['id']}")
    changed = client.patch(
        f"/v1/events/{event['id']}",
        json={"kind": "device_service"},
        headers={"If-Match": got.headers["etag"]},
    )
    assert changed.json()["kind"] == "device_service"
    stale = client.delete(f"/v1/events/{event['id']}", headers={"If-Match": got.headers["etag"]})
    assert stale.status_code == 412
    limited = open_client(store, make_key(store, "coach", "tester", subject_codes=[person["code"]]))
    assert limited.get(f"/v1/events/{event['id']}").status_code == 404
    assert limited.delete(f"/v1/events/{event['id']}").status_code == 404
    assert limited.post("/v1/events", json=ANALYSER).status_code == 403


def test_a_limited_key_has_the_events_of_its_subject(
    client, laboratory, store, make_key, open_client, person
):
    other = laboratory.subject()
    mine, theirs = (
        client.post(f"/v1/subjects/{one['id']}/events", json=ILLNESS).json() for one in (person, other)
    )
    limited = open_client(store, make_key(store, "coach", "tester", subject_codes=[person["code"]]))
    assert limited.get(f"/v1/events/{mine['id']}").status_code == 200
    assert limited.get(f"/v1/events/{theirs['id']}").status_code == 404
    assert limited.patch(f"/v1/events/{theirs['id']}", json={"title": "x"}).status_code == 404


@pytest.mark.parametrize(
    ("change", "place"),
    [
        ({"kind": "device_new"}, "body.kind"),
        ({"kind": "bad luck"}, "body.kind"),
        ({"started_on": "2025-13-01"}, "body.started_on"),
        ({"started_on": "0001-01-01", "ended_on": None}, "body.started_on"),
        ({"started_on": "1989-01-01"}, "body.started_on"),  # born in 1990
        ({"ended_on": "2025-01-09"}, "body"),
        ({"title": " "}, "body.title"),
        ({"title": None}, "body.title"),
        ({"device": "Analyser B"}, "body.device"),
        ({"where": "here"}, "body.where"),
    ],
)
def test_a_wrong_event_of_a_person_is_refused_and_leaves_nothing(client, address, change, place):
    revision = client.get(address).json()["revision"]
    answer = client.post(f"{address}/events", json=ILLNESS | change)
    assert answer.status_code == 422
    assert any(one["location"].startswith(place) for one in answer.json()["errors"])
    assert client.get(f"{address}/events").json()["items"] == []
    assert client.get(address).json()["revision"] == revision


@pytest.mark.parametrize(
    "change",
    [
        {"kind": "illness"},
        {"device": None},
        {"kind": "device_service", "device": None},
        {"ended_on": "2025-05-31"},
    ],
)
def test_a_wrong_event_of_the_site_is_refused(client, change):
    assert client.post("/v1/events", json=ANALYSER | change).status_code == 422
    assert client.get("/v1/events").json()["items"] == []


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"kind": "room"}, "kind"),
        ({"kind": None}, "kind"),
        ({"title": None}, "title"),
        ({"started_on": None}, "started_on"),
        ({"started_on": "2025-01-21"}, "ended_on"),
        ({"started_on": "1980-01-01"}, "birth"),
        ({"device": "Analyser B"}, "device"),
    ],
)
def test_a_wrong_change_is_refused_and_changes_nothing(client, address, change, word):
    event = client.post(f"{address}/events", json=ILLNESS).json()
    answer = client.patch(f"/v1/events/{event['id']}", json=change)
    assert answer.status_code == 422
    assert word in answer.text.lower()
    assert client.get(f"/v1/events/{event['id']}").json() == event


def test_a_device_cannot_be_taken_from_what_is_about_one(client):
    event = client.post("/v1/events", json=ANALYSER).json()
    assert client.patch(f"/v1/events/{event['id']}", json={"device": None}).status_code == 422
    answer = client.patch(f"/v1/events/{event['id']}", json={"device": None, "kind": "procedure"})
    assert (answer.status_code, answer.json()["device"]) == (200, None)


def test_events_are_listed_by_their_begin_in_parts(client, address):
    for day in ("2025-03-01", "2025-01-01", "2025-02-01", "2025-02-01"):
        client.post(f"{address}/events", json=ILLNESS | {"started_on": day, "ended_on": None})
    days, cursor = [], None
    while True:
        query = {"limit": 1} | ({"cursor": cursor} if cursor else {})
        part = client.get(f"{address}/events", params=query).json()
        days += [item["started_on"] for item in part["items"]]
        cursor = part["next"]
        if cursor is None:
            break
    assert days == ["2025-01-01", "2025-02-01", "2025-02-01", "2025-03-01"]


def test_the_same_note_sent_twice_is_one(client, address):
    headers = {"Idempotency-Key": "one"}
    first = client.post(f"{address}/events", json=ILLNESS, headers=headers)
    second = client.post(f"{address}/events", json=ILLNESS, headers=headers)
    assert first.json() == second.json()
    assert len(client.get(f"{address}/events").json()["items"]) == 1


def test_a_subject_with_events_is_not_deleted(client, laboratory):
    subject = laboratory.subject()
    client.post(f"/v1/subjects/{subject['id']}/events", json=ILLNESS)
    answer = client.delete(f"/v1/subjects/{subject['id']}")
    assert (answer.status_code, answer.json()["holds"]["events"]) == (409, 1)


def test_the_trend_has_the_events_of_its_time_and_devices(client, laboratory, person, address):
    quantity = f"{address}/trends/vo2_peak_ml_kg_min"
    before = client.get(quantity)
    assert before.json()["events"] == []
    client.post(f"{address}/events", json=ILLNESS)
    client.post(
        f"{address}/events",
        json=ILLNESS | {"started_on": "2020-01-01", "ended_on": "2024-03-13", "title": "before"},
    )
    client.post(
        f"{address}/events",
        json=ILLNESS | {"started_on": "2020-01-01", "ended_on": "2024-03-14", "title": "until"},
    )
    client.post("/v1/events", json=ANALYSER)
    client.post("/v1/events", json=ANALYSER | {"device": "Analyser C", "title": "another room's"})
    client.post("/v1/events", json={"kind": "room", "started_on": "2025-09-01", "title": "moved"})
    other = laboratory.subject()
    client.post(f"/v1/subjects/{other['id']}/events", json=ILLNESS | {"title": "of another"})
    answer = client.get(quantity)
    assert answer.headers["etag"] != before.headers["etag"]
    found = answer.json()["events"]
    assert [(one["title"], one["of"]) for one in found] == [
        ("until", "person"),
        ("influenza", "person"),
        ("new analyser", "site"),
        ("moved", "site"),
    ]
    assert "notes" not in found[0]
    until = client.get(quantity, params={"to": "2025-05-31"}).json()["events"]
    assert [one["title"] for one in until] == ["until", "influenza"]
    svg = client.get(quantity, params={"format": "svg"}).text
    assert "illness: influenza" in svg
    assert "device new: new analyser (Analyser B)" in svg


def test_where_a_test_names_no_device_any_device_may_be_meant(client, laboratory, rows):
    subject = laboratory.subject()
    visit = laboratory.visit(subject["id"], started_at="2025-03-14T09:30:00+01:00")
    laboratory.complete(visit["id"], rows(3300.0))
    client.post("/v1/events", json=ANALYSER)
    assert [one["title"] for one in laboratory.trend(subject["id"])["events"]] == ["new analyser"]


def test_an_event_of_the_site_moves_the_tag_of_a_trend(client, address):
    quantity = f"{address}/trends/vo2_peak_ml_kg_min"
    tag = client.get(quantity).headers["etag"]
    assert client.get(quantity, headers={"If-None-Match": tag}).status_code == 304
    client.post("/v1/events", json=ANALYSER)
    assert client.get(quantity, headers={"If-None-Match": tag}).status_code == 200
