"""What a value may be: everything else is refused with its place, and never an error of the service."""

import json
import shutil
from collections.abc import Iterator
from typing import Any

import pytest
from starlette.testclient import TestClient

from service.db.transactions import Store
from service.settings import Settings

JSON = {"Content-Type": "application/json"}


# What is refused is not stored: one record serves all cases.
@pytest.fixture(scope="module")
def store(migrated_file, tmp_path_factory, usual_settings) -> Iterator[Store]:
    path = tmp_path_factory.mktemp("values") / "upslope.db"
    shutil.copy(migrated_file, path)
    store = Store(Settings(database_url=f"sqlite:///{path}", **usual_settings))
    yield store
    store.close()


@pytest.fixture(scope="module")
def client(store, make_key, open_client) -> TestClient:
    return open_client(store, make_key(store, "tester", "tester"))


@pytest.fixture(scope="module")
def laboratory(client, laboratory_of) -> Any:
    return laboratory_of(client)


@pytest.fixture(scope="module")
def subject(laboratory) -> dict[str, Any]:
    return laboratory.subject()


@pytest.fixture(scope="module")
def visit(laboratory, subject) -> dict[str, Any]:
    return laboratory.visit(subject["id"])


@pytest.fixture(scope="module")
def planned(laboratory, visit) -> dict[str, Any]:
    return laboratory.planned(visit["id"])


@pytest.fixture(scope="module")
def complete(laboratory, visit) -> dict[str, Any]:
    return laboratory.complete(visit["id"])


def post(client: Any, address: str, text: str, method: str = "POST") -> Any:
    return client.request(method, address, content=text.encode("utf-8", "surrogatepass"), headers=JSON)


def refused_at(answer: Any, location: str) -> None:
    assert answer.status_code == 422, (answer.status_code, answer.text)
    places = [place["location"] for place in answer.json()["errors"]]
    assert any(place == location or place.startswith(location + ".") for place in places), places


HUGE = "1" + "0" * 400
NOT_NUMBERS = ["NaN", "Infinity", "-Infinity", "1e400", HUGE, "true", "false", '"75"', "[75]", "{}", '"NaN"']
NOT_TEXTS = [
    "7",
    "true",
    "[]",
    "{}",
    r'"\ud800"',
    r'"a\u0000b"',
    r'"a\u0007b"',
    r'"\u007f"',
]
NOT_DATES = [
    "0",
    "1700000000",
    '"1700000000"',
    '"2026-02-30"',
    '"14.03.2026"',
    '"2026-03-14T00:00:00Z"',
    '"2026-3-4"',
    "true",
    '""',
]
NOT_INSTANTS = [
    "0",
    "1700000000",
    '"1700000000"',
    '"2026-03-14"',
    '"2026-03-14T09:30:00"',
    '"2026-03-14 09:30:00+01:00"',
    '"2026-03-14T25:30:00+01:00"',
    '"2026-03-14T09:30:00+25:00"',
    '"0001-01-01T00:00:00+23:00"',
    '"9999-12-31T23:59:59-23:00"',
    "true",
    "null",
    '"now"',
]


@pytest.mark.parametrize("value", NOT_NUMBERS)
def test_numbers_of_a_visit(value, client, subject):
    address = f"/v1/subjects/{subject['id']}/visits"
    body = f'{{"started_at": "2026-03-14T09:30:00+01:00", "body_mass_kg": {value}}}'
    refused_at(post(client, address, body), "body.body_mass_kg")


@pytest.mark.parametrize("value", NOT_NUMBERS)
def test_numbers_of_intervals(value, client, planned):
    test = planned
    body = f'{{"intervals": [{{"end_s": 15, "vo2_ml_min": {value}}}]}}'
    for method in ("PUT", "POST"):
        refused_at(
            post(client, f"/v1/tests/{test['id']}/intervals", body, method), "body.intervals.0.vo2_ml_min"
        )


@pytest.mark.parametrize("value", [*NOT_NUMBERS, "1.5", "-1"])
def test_whole_numbers(value, client, planned):
    test = planned
    body = f'[{{"stage": {value}, "rpe": 12}}]'
    refused_at(post(client, f"/v1/tests/{test['id']}/stage-notes", body), "body.0.stage")


@pytest.mark.parametrize("value", NOT_TEXTS)
def test_texts(value, client):
    refused_at(post(client, "/v1/subjects", f'{{"code": "a", "notes": {value}}}'), "body.notes")


@pytest.mark.parametrize("value", [*NOT_TEXTS, '""', '"  "', '" a"', '"a "', f'"{"a" * 201}"', "null"])
def test_short_texts(value, client):
    refused_at(post(client, "/v1/subjects", f'{{"code": {value}}}'), "body.code")


def test_a_note_is_no_longer_than_ten_thousand_characters(client):
    assert client.post("/v1/subjects", json={"code": "a", "notes": "é" * 10_000}).status_code == 201
    refused_at(client.post("/v1/subjects", json={"code": "b", "notes": "é" * 10_001}), "body.notes")


@pytest.mark.parametrize("value", NOT_DATES)
def test_dates(value, client):
    refused_at(post(client, "/v1/subjects", f'{{"code": "a", "birth_date": {value}}}'), "body.birth_date")


@pytest.mark.parametrize("value", NOT_INSTANTS)
def test_instants(value, client, subject):
    address = f"/v1/subjects/{subject['id']}/visits"
    refused_at(post(client, address, f'{{"started_at": {value}}}'), "body.started_at")


@pytest.mark.parametrize("value", ['"true"', "1", "0", "null", '"yes"'])
def test_flags(value, client, subject):
    address = f"/v1/subjects/{subject['id']}/visits"
    body = (
        '{"started_at": "2026-03-14T09:30:00Z", "medications": '
        f'[{{"name": "a beta blocker", "limits_heart_rate": {value}}}]}}'
    )
    refused_at(post(client, address, body), "body.medications.0.limits_heart_rate")


@pytest.mark.parametrize(
    ("fields", "location"),
    [
        ({"sex": "x"}, "body.sex"),
        ({"birth_date": "2999-01-01"}, "body.birth_date"),
        ({"birth_date": "1800-01-01"}, "body.birth_date"),
        ({"birth_year": 2999}, "body.birth_year"),
        ({"birth_date": "1990-06-15", "birth_year": 1991}, "body"),
        ({"shoe_size": 43}, "body.shoe_size"),
    ],
)
def test_subjects(fields, location, client):
    refused_at(client.post("/v1/subjects", json={"code": "not stored", **fields}), location)
    assert client.get("/v1/subjects", params={"query": "not stored"}).json()["items"] == []


@pytest.mark.parametrize(
    ("fields", "location"),
    [
        ({"body_mass_kg": 740}, "body.body_mass_kg"),
        ({"body_mass_kg": -70}, "body.body_mass_kg"),
        ({"height_cm": 1.8}, "body.height_cm"),
        ({"barometric_pressure_mmhg": 1013}, "body.barometric_pressure_mmhg"),
        ({"relative_humidity_percent": 101}, "body.relative_humidity_percent"),
        ({"started_at": "1985-01-01T10:00:00Z"}, "body.started_at"),
        ({"age_years": 200}, "body.age_years"),
        ({"medications": [{"name": "a"}]}, "body.medications.0.limits_heart_rate"),
        ({"weight": 70}, "body.weight"),
    ],
)
def test_visits(fields, location, client, laboratory):
    subject = laboratory.subject()
    address = f"/v1/subjects/{subject['id']}/visits"
    body = {"started_at": "2026-03-14T09:30:00+01:00", **fields}
    refused_at(client.post(address, json=body), location)
    visit = laboratory.visit(subject["id"])
    refused_at(client.patch(f"/v1/visits/{visit['id']}", json=fields), location)
    assert client.get(f"/v1/visits/{visit['id']}").json() == visit


@pytest.mark.parametrize(
    ("fields", "location"),
    [
        ({"mode": "swim"}, "body.mode"),
        ({"shape": "pyramid"}, "body.shape"),
        ({"stop_reason": "bored"}, "body.stop_reason"),
        ({"protocol_id": "none"}, "body.protocol_id"),
        ({"verifies_test_id": "none"}, "body.verifies_test_id"),
        ({"exercise_start_s": 300, "exercise_end_s": 300}, "body"),
        ({"exercise_start_s": -1}, "body.exercise_start_s"),
        ({"fio2_fraction": 21}, "body.fio2_fraction"),
        ({"interface": "tube"}, "body.interface"),
        ({"status": "complete"}, "body.status"),
    ],
)
def test_tests(fields, location, client, visit):
    before = client.get(f"/v1/visits/{visit['id']}").json()["tests"]
    answer = client.post(f"/v1/visits/{visit['id']}/tests", json={"mode": "cycle", **fields})
    refused_at(answer, location)
    assert client.get(f"/v1/visits/{visit['id']}").json()["tests"] == before


@pytest.mark.parametrize(
    ("intervals", "location"),
    [
        ([{"end_s": 15}, {"end_s": 15}], "body.intervals.1.end_s"),
        ([{"end_s": 30}, {"end_s": 15}], "body.intervals.1.end_s"),
        ([{"end_s": 0}], "body.intervals.0.end_s"),
        ([{"end_s": -15}], "body.intervals.0.end_s"),
        ([{"end_s": 15, "duration_s": 0}], "body.intervals.0.duration_s"),
        ([{"end_s": 15, "duration_s": 30}], "body.intervals.0.duration_s"),
        ([{"end_s": 15}, {"end_s": 30, "duration_s": 20}], "body.intervals.1.duration_s"),
        ([{"end_s": 15, "vo2_ml_min": -1}], "body.intervals.0.vo2_ml_min"),
        ([{"end_s": 15, "vco2_ml_min": -1}], "body.intervals.0.vco2_ml_min"),
        ([{"end_s": 15, "ve_l_min": -1}], "body.intervals.0.ve_l_min"),
        ([{"end_s": 15, "vo2": 1}], "body.intervals.0.vo2"),
        ([{"vo2_ml_min": 1}], "body.intervals.0.end_s"),
        # More than half of a column beyond its hard limit is another unit, and a question.
        ([{"end_s": 15, "heart_rate_bpm": 3000}, {"end_s": 30, "heart_rate_bpm": 3100}], "body.intervals"),
    ],
)
def test_intervals(intervals, location, client, planned):
    test = planned
    refused_at(client.put(f"/v1/tests/{test['id']}/intervals", json={"intervals": intervals}), location)
    after = client.get(f"/v1/tests/{test['id']}").json()
    assert (after["status"], after["n_intervals"]) == ("planned", 0)


@pytest.mark.parametrize(
    ("part", "body", "location"),
    [
        ("stage-notes", [{"rpe": 15, "rpe_scale": "0-10"}], "body.0"),
        ("stage-notes", [{"rpe": 5, "rpe_scale": "6-20"}], "body.0"),
        ("stage-notes", [{"systolic_mmhg": 9}], "body.0.systolic_mmhg"),
        ("stage-notes", [{"borg": 9}], "body.0.borg"),
        ("exclusions", [{"seq": 9999, "excluded": True, "reason": "cough"}], "body.0.seq"),
        ("exclusions", [{"seq": 0, "excluded": True}], "body.0.reason"),
        ("thresholds", [{"threshold": "vt3", "by": "a", "reason": "b"}], "body.0.threshold"),
        ("calibrations", [{"when": "during"}], "body.0.when"),
        ("reported-results", [], "body"),
        ("reported-results", [{"quantity": "happiness", "value": 1, "source": "a"}], "body.0.quantity"),
        (
            "reported-results",
            [
                {"quantity": "rer_max", "value": 1, "source": "a"},
                {"quantity": "rer_max", "value": 2, "source": "a"},
            ],
            "body.1.quantity",
        ),
    ],
)
def test_parts_of_a_test(part, body, location, client, planned):
    test = planned
    refused_at(client.put(f"/v1/tests/{test['id']}/{part}", json=body), location)


@pytest.mark.parametrize(
    ("body", "location"),
    [
        ([{"quantity": "luck", "value": 7}], "body.0.quantity"),
        ([{"quantity": "grip_strength_kg", "value": 9999}], "body.0.value"),
        ([{"quantity": "waist_cm", "value": 80}, {"quantity": "waist_cm", "value": 81}], "body.1.quantity"),
    ],
)
def test_measurements(body, location, client, visit):
    refused_at(client.put(f"/v1/visits/{visit['id']}/measurements", json=body), location)


@pytest.mark.parametrize(
    "query",
    [
        {"limit": 0},
        {"limit": 501},
        {"limit": "ten"},
        {"cursor": "x"},
        {"cursor": "é"},
        {"colour": "red"},
        {"cohort": "x" * 65},
    ],
    ids=str,
)
def test_queries_of_a_list(query, client):
    refused_at(client.get("/v1/subjects", params=query), f"query.{next(iter(query))}")


@pytest.mark.parametrize(
    "query",
    [
        {"from": "2026-02-30"},
        {"to": "1700000000"},
        {"mode": "swim"},
        {"basis": "guessed"},
        {"include": "some"},
        {"since": "2026-01-01"},
    ],
    ids=str,
)
def test_queries_of_a_trend(query, client, subject):
    address = f"/v1/subjects/{subject['id']}/trends/vo2_peak_ml_min"
    refused_at(client.get(address, params=query), f"query.{next(iter(query))}")


@pytest.mark.parametrize(
    "query",
    [
        {"peak_window_s": "nan"},
        {"peak_window_s": 0},
        {"peak_window_s": 1e9},
        {"peak_convention": "best"},
        {"peak_window_breaths": "1.5"},
        {"peak_convention": "moving_breaths", "peak_window_breaths": 0},
        {"effort_rules": "none"},
        {"plateau_rule": "none"},
        {"heart_rate_max_method": "none"},
    ],
    ids=str,
)
def test_queries_of_an_analysis(query, client, complete):
    test = complete
    answer = client.get(f"/v1/tests/{test['id']}/analysis", params=query)
    assert answer.status_code == 422, answer.text
    body = {"settings": {name: 1e9 if value == 1e9 else value for name, value in query.items()}}
    assert client.post(f"/v1/tests/{test['id']}/analysis", json=body).status_code == 422


@pytest.mark.parametrize(
    "text",
    [
        r'{"speed_km_h": 5, "grade_percent": NaN}',
        r'{"\ud800": 1}',
        r'{"a": "\ud800"}',
        r'{"a": "\u0000"}',
        "[]",
        "7",
    ],
)
def test_free_objects(text, client):
    assert post(client, "/v1/methods/acsm_walking", text).status_code == 422
    assert post(client, "/v1/norms", text).status_code == 422


@pytest.mark.parametrize(
    "text",
    ["", "{", "\x00", "[" * 100_000, '{"a":' * 5000, '{"code": "a"} x', "9" * 5000, "\udcff"],
    ids=lambda t: t[:6],
)
def test_broken_json_is_400(text, client):
    assert post(client, "/v1/subjects", text).status_code in {400, 422} - ({422} if text else {400})


@pytest.mark.parametrize(
    "kind", ["text/plain", "application/x-www-form-urlencoded", "multipart/form-data; boundary=x", ""]
)
def test_other_kinds_of_body_are_415(kind, client, visit):
    answer = client.post("/v1/subjects", content=json.dumps({"code": "a"}), headers={"Content-Type": kind})
    assert answer.status_code == 415
    assert "application/json" in answer.json()["detail"]
    assert client.post(f"/v1/visits/{visit['id']}/imports", json={}).status_code == 415


def test_a_kind_with_its_character_set_is_read(client):
    answer = client.post(
        "/v1/subjects",
        content='{"code": "é"}'.encode(),
        headers={"Content-Type": "application/json; charset=utf-8"},
    )
    assert answer.status_code == 201
    assert answer.json()["code"] == "é"


def test_instants_keep_their_offset(client, laboratory):
    subject = laboratory.subject()
    for given, day in (
        ("2026-03-14T23:30:00-05:00", "2026-03-14"),
        ("2026-03-15T00:30:00+13:45", "2026-03-15"),
        ("2026-03-16T00:00:00Z", "2026-03-16"),
    ):
        visit = laboratory.visit(subject["id"], started_at=given)
        assert visit["started_at"].replace("+00:00", "Z") == given
        laboratory.complete(visit["id"])
        series = laboratory.trend(subject["id"])["series"][0]
        assert day in [point["date"] for point in series["points"]]


def test_every_physical_field_names_its_unit(client):
    """Numbers of the wire carry their unit, but those that have none."""
    without_unit = {
        "rer", "rpe", "rpe_legs", "rpe_breathing", "stage", "seq", "birth_year", "limit", "value", "expected", "threshold", "df",
        "measured", "revision", "n", "n_intervals", "rows", "next_since", "since", "age_low", "peak_window_breaths", "status",
    }  # fmt: skip
    units = (
        "_s", "_kg", "_cm", "_m", "_bpm", "_mmhg", "_percent", "_c", "_l", "_ml_min", "_l_min", "_per_min", "_w", "_km_h",
        "_fraction", "_l_min", "_g_dl", "_mmol_l", "_years", "_w_per_min", "hours_since_meal", "hours_since_caffeine",
        "hours_since_exercise", "overlap_hours",
    )  # fmt: skip
    # Numbers of any one quantity: the answer that holds them says which, and its unit beside it.
    of_a_quantity = {
        "AdjustedOut", "ArmChangeOut", "ComparedOut", "ComparisonRow", "ControlChartOut", "ControlPointOut", "DetectableOut",
        "EstimateOut", "LearningOut", "MemberLineOut", "PairOut", "PlannedSeries", "PointCompared", "ReliabilityOut",
        "ResponseOut", "ResultCompared", "RoundOut", "TrendRow", "WantedOut",
    }  # fmt: skip
    schemas = client.get("/openapi.json").json()["components"]["schemas"]
    assert of_a_quantity <= set(schemas)
    for name, schema in schemas.items():
        if name in of_a_quantity:
            continue
        for field, kind in schema.get("properties", {}).items():
            kinds = {each.get("type") for each in kind.get("anyOf", [kind])}
            if "number" in kinds:
                assert field in without_unit or field.endswith(units), (name, field)
