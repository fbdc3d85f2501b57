"""Norms, methods, quantities, protocols and the feed of changes."""

import copy
from typing import Any

import pytest


def test_norms_say_whom_they_cover(client):
    norms = {norm["id"]: norm for norm in client.get("/v1/norms").json()["items"]}
    assert {
        "friend_2015_treadmill", "friend_2017_cycle", "friend_2022_treadmill", "lowlands_2021_cycle", "wagner_2021_cycle",
    } <= set(norms)  # fmt: skip
    assert all(norm["population"] and norm["source"] for norm in norms.values())
    defaults = {
        norm["default_for_mode"]: norm_id for norm_id, norm in norms.items() if norm["default_for_mode"]
    }
    assert defaults == {"treadmill": "friend_2015_treadmill", "cycle": "friend_2017_cycle"}
    whole = client.get("/v1/norms/friend_2015_treadmill").json()
    assert norms["friend_2015_treadmill"] == whole | {
        "loaded_by_site": False,
        "default_for_mode": "treadmill",
    }
    assert client.get("/v1/norms/none").status_code == 404


def test_rank(client):
    address = "/v1/norms/friend_2015_treadmill/rank"
    # Kaminsky 2015, men of 20-29: the printed median.
    table = client.get("/v1/norms/friend_2015_treadmill").json()["rows"]
    median = next(
        row["value_ml_kg_min"]
        for row in table
        if (row["sex"], row["age_low_years"], row["percentile"]) == ("male", 20, 50)
    )
    rank = client.get(address, params={"sex": "male", "age_years": 25, "value": median}).json()
    assert rank["percentile"] == pytest.approx(50)
    assert rank["reason"] is None
    for query in (
        {"value": 40},
        {"sex": "male", "value": 40},
        {"sex": "male", "age_years": 12, "value": 40},
        {"sex": "male", "age_years": 30, "value": 40, "mode": "cycle"},
        {"sex": "male", "age_years": 30, "value": 40, "rer": 0.9},
    ):
        answer = client.get(address, params=query)
        assert answer.status_code == 200
        assert answer.json()["percentile"] is None
        assert answer.json()["reason"]
    high = client.get(address, params={"sex": "male", "age_years": 30, "value": 90}).json()
    assert (high["percentile"], high["bound"]) == (None, "above")


@pytest.mark.parametrize(
    "query",
    [
        {},
        {"value": "nan"},
        {"value": -1},
        {"value": 40, "sex": "x"},
        {"value": 40, "age_years": "inf"},
        {"value": 1, "a": 1},
    ],
)
def test_rank_of_what_cannot_be(query, client):
    assert client.get("/v1/norms/friend_2015_treadmill/rank", params=query).status_code == 422


def test_a_table_of_the_site_is_one_of_them(client, own_norm):
    made = client.post("/v1/norms", json=own_norm())
    assert (made.status_code, made.headers["location"]) == (201, "/v1/norms/own_treadmill")
    assert client.get(made.headers["location"]).json() == made.json()
    listed = next(norm for norm in client.get("/v1/norms").json()["items"] if norm["id"] == "own_treadmill")
    assert listed["loaded_by_site"] is True
    rank = client.get(
        "/v1/norms/own_treadmill/rank", params={"sex": "male", "age_years": 35, "value": 48}
    ).json()
    assert rank["percentile"] == pytest.approx(70)
    assert client.post("/v1/norms", json=own_norm()).status_code == 409
    assert client.post("/v1/norms", json=own_norm(id="friend_2015_treadmill")).status_code == 409


def changed(norm: dict[str, Any], row: int, **fields: Any) -> dict[str, Any]:
    norm = copy.deepcopy(norm)
    norm["rows"][row] |= fields
    return norm


@pytest.mark.parametrize(
    ("row", "fields", "at"),
    [
        (2, {"value_ml_kg_min": 41.0}, 3),  # a percentile that falls
        (3, {"age_low_years": 35}, 4),  # bands that overlap
        (1, {"percentile": 10}, 2),  # the same percentile twice
        (1, {"percentile": 101}, 2),
        (1, {"value_ml_kg_min": 420.0}, 2),
        (1, {"sex": "x"}, 2),
        (1, {"value_ml_kg_min": "42"}, 2),
        (1, {"value_ml_kg_min": True}, 2),
        (1, {"age_low_years": 30.5}, 2),
        (1, {"colour": "red"}, 2),
    ],
)
def test_a_table_that_cannot_be_is_refused_with_its_row(row, fields, at, client, own_norm):
    answer = client.post("/v1/norms", json=changed(own_norm(), row, **fields))
    assert answer.status_code == 422
    assert at in [place.get("row") for place in answer.json()["errors"]], answer.text
    assert all(place["location"].startswith("body.rows") for place in answer.json()["errors"])
    assert client.get("/v1/norms/own_treadmill").status_code == 404


@pytest.mark.parametrize(
    "fields",
    [
        {"id": "Not an id"},
        {"mode": "swim"},
        {"rows": []},
        {"rows": 7},
        {"source": ""},
        {"extra": 1},
        {"name": None},
    ],
)
def test_a_table_with_a_head_that_cannot_be(fields, client, own_norm):
    answer = client.post("/v1/norms", json=own_norm(**fields))
    assert answer.status_code == 422
    assert any(
        place["location"].startswith(f"body.{next(iter(fields))}") for place in answer.json()["errors"]
    ), answer.text


def test_methods(client):
    methods = {method["id"]: method for method in client.get("/v1/methods").json()["items"]}
    assert all(method["source"] and method["inputs"] for method in methods.values())
    # ACSM walking at 5.6 km/h and 10 %: 0.1 v + 1.8 v g + 3.5 with v in m/min.
    speed = 5600 / 60
    answer = client.post("/v1/methods/acsm_walking", json={"speed_km_h": 5.6, "grade_percent": 10}).json()
    assert answer["value"] == pytest.approx(0.1 * speed + 1.8 * speed * 0.10 + 3.5)
    assert {"value", "unit", "standard_error", "source", "trust", "findings"} <= set(answer)
    outside = client.post("/v1/methods/acsm_walking", json={"speed_km_h": 14, "grade_percent": 0})
    assert outside.status_code == 200
    assert "outside_method_range" in [one["code"] for one in outside.json()["findings"]]


@pytest.mark.parametrize(
    "body",
    [
        {},
        {"speed_km_h": 5.6},
        {"speed_km_h": "5.6", "grade_percent": 0},
        {"speed_km_h": True, "grade_percent": 0},
        {"speed_km_h": -5, "grade_percent": 0},
        {"speed_km_h": 5, "grade_percent": 0, "mass": 7},
        {"speed_km_h": 10**400, "grade_percent": 0},
    ],
    ids=lambda body: str(body)[:40],
)
def test_methods_with_inputs_that_cannot_be(body, client):
    answer = client.post("/v1/methods/acsm_walking", json=body)
    assert answer.status_code == 422
    assert all(place["location"].startswith("body") for place in answer.json()["errors"])
    assert client.post("/v1/methods/none", json=body).status_code == 404


def test_quantities_and_findings(client):
    quantities = {quantity["key"]: quantity for quantity in client.get("/v1/quantities").json()["items"]}
    assert quantities["vo2_peak_ml_kg_min"]["unit"] == "mL/kg/min"
    assert quantities["vo2_peak_ml_kg_min"]["typical_error"]
    findings = client.get("/v1/findings").json()["items"]
    assert all(one["severity"] in {"info", "warning", "error"} and one["what_to_do"] for one in findings)


PROTOCOL = {
    "id": "own_steps",
    "name": "Our steps",
    "family": "own steps",
    "mode": "cycle",
    "shape": "step",
    "purpose": "maximal",
    "source": "the laboratory",
    "stages": [
        {"phase": "warm_up", "duration_s": 180, "work_rate_w": 50},
        {"phase": "exercise", "duration_s": 120, "work_rate_w": 75, "cadence_per_min": 60},
    ],
}


def test_protocols(client, laboratory):
    made = client.post("/v1/protocols", json=PROTOCOL)
    assert (made.status_code, made.headers["location"]) == (201, "/v1/protocols/own_steps")
    shown = client.get("/v1/protocols/own_steps").json()
    assert {name: value for name, value in shown.items() if name != "stages"} == {
        name: value for name, value in PROTOCOL.items() if name != "stages"
    }
    assert [
        {name: value for name, value in stage.items() if value is not None} for stage in shown["stages"]
    ] == PROTOCOL["stages"]
    assert client.post("/v1/protocols", json=PROTOCOL).status_code == 409
    assert client.post("/v1/protocols", json=PROTOCOL | {"id": "bruce"}).status_code == 409
    test = laboratory.planned(
        laboratory.visit(laboratory.subject()["id"])["id"], mode="cycle", protocol_id="own_steps"
    )
    assert test["protocol_id"] == "own_steps"


@pytest.mark.parametrize(
    "fields",
    [
        {"id": "Not an id"},
        {"stages": []},
        {"mode": "swim"},
        {"source": ""},
        {"stages": [{"phase": "exercise", "duration_s": 0}]},
    ],
)
def test_protocols_that_cannot_be(fields, client):
    assert client.post("/v1/protocols", json=PROTOCOL | fields).status_code == 422
    assert client.get("/v1/protocols/own_steps").status_code == 404


def test_the_feed_has_every_change_in_order(client, laboratory):
    subject = laboratory.subject()
    visit = laboratory.visit(subject["id"])
    test = laboratory.planned(visit["id"])
    client.patch(f"/v1/visits/{visit['id']}", json={"round": "first"})
    client.delete(f"/v1/tests/{test['id']}")
    feed = client.get("/v1/changes").json()
    assert [(item["kind"], item["id"], item["action"]) for item in feed["items"]] == [
        ("subject", subject["id"], "created"),
        ("visit", visit["id"], "created"),
        ("test", test["id"], "created"),
        ("visit", visit["id"], "changed"),
        ("test", test["id"], "deleted"),
    ]
    assert [set(item) for item in feed["items"]] == [{"seq", "at", "kind", "id", "subject_id", "action"}] * 5
    assert {item["subject_id"] for item in feed["items"]} == {subject["id"]}
    seen, since = [], 0
    while True:
        part = client.get("/v1/changes", params={"since": since, "limit": 2}).json()
        seen += part["items"]
        since = part["next_since"]
        if not part["more"]:
            break
    assert seen == feed["items"]
    assert client.get("/v1/changes", params={"since": since}).json() == {
        "items": [],
        "next_since": since,
        "more": False,
    }


def test_keys_are_in_the_feed_of_an_admin_alone(client, admin):
    assert "key" in {item["kind"] for item in admin.get("/v1/changes").json()["items"]}
    assert client.get("/v1/changes").json()["items"] == []


def test_questions_before_a_test_can_be_asked_answered_and_read_back(client, laboratory):
    questions = {one["id"]: one for one in client.get("/v1/pre-test-questions").json()["items"]}
    assert {one["group"] for one in questions.values()} == {"screening", "absolute", "relative"}
    for one in questions.values():
        assert one["source"]
        assert "decide" in one["judged"]
        assert {told["answer"] for told in one["cautions"]} == (
            set() if one["group"] == "screening" else {"yes", "unknown"}
        )
        assert all(
            "safe" not in told["text"].lower() and "decide" in told["text"] for told in one["cautions"]
        )
    visit = laboratory.visit(laboratory.subject()["id"])["id"]
    body = {"answers": [{"question": "endocarditis", "answer": "yes"}]}
    stored = client.put(f"/v1/visits/{visit}/pre-test", json=body).json()
    told = next(one for one in questions["endocarditis"]["cautions"] if one["answer"] == "yes")
    assert {key: value for key, value in told.items() if key != "answer"} in stored["cautions"]
