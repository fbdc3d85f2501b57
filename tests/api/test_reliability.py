"""Pairs of repeated tests over HTTP, and the site's own typical error."""

import math
from datetime import date, timedelta

import numpy as np
import pytest

QUANTITY = "vo2_peak_ml_min"


class Repeats:
    """Makes people with repeated tests whose results are reported."""

    def __init__(self, client, laboratory):
        self.client, self.laboratory = client, laboratory

    def person(self, *tests, **fields):
        """Tests as (day, value, fields of the test)."""
        subject = self.laboratory.subject(**fields)
        made = [self.test(subject["id"], *one) for one in tests]
        return subject["id"], made

    def test(self, subject_id, day, value, fields=None):
        started = date(2026, 1, 5) + timedelta(days=day)
        visit = self.laboratory.visit(subject_id, started_at=f"{started}T09:30:00+01:00")
        test = self.laboratory.planned(visit["id"], **{"mode": "cycle", **(fields or {})})
        answer = self.client.put(
            f"/v1/tests/{test['id']}/reported-results",
            json=[{"quantity": QUANTITY, "value": value, "source": "an older sheet"}],
        )
        assert answer.status_code == 200, answer.text
        return test["id"]

    def many(self, n, spread=0.04):
        rng = np.random.default_rng(7)
        pairs = []
        for i in range(n):
            true = 2500.0 + 80 * i
            values = [round(float(true * math.exp(one)), 1) for one in rng.normal(0, spread, 2)]
            pairs.append((*self.person((0, values[0]), (7, values[1])), values))
        return pairs


@pytest.fixture
def repeats(client, laboratory):
    return Repeats(client, laboratory)


@pytest.fixture
def found(client):
    def ask(status=200, address="/v1/reliability", **query):
        answer = client.get(address, params={"quantity": QUANTITY, **query})
        assert answer.status_code == status, answer.text
        return answer.json()

    return ask


def test_numbers_of_pairs_are_those_of_their_values(repeats, found):
    made = repeats.many(6)
    answer = found()
    first, second = np.array([values for *_, values in made]).T
    difference = second - first
    assert (answer["n_pairs"], answer["df"], answer["n_subjects"]) == (6, 5, 6)
    assert answer["mean_difference"] == pytest.approx(difference.mean())
    assert answer["typical_error"] == pytest.approx(difference.std(ddof=1) / math.sqrt(2))
    assert answer["cv_percent"] == pytest.approx(
        100 * math.expm1(np.log(second / first).std(ddof=1) / math.sqrt(2))
    )
    assert answer["minimal_detectable_change_95"] == pytest.approx(
        1.959964 * math.sqrt(2) * answer["typical_error"]
    )
    assert answer["icc_3_1_ci_low"] < answer["icc_3_1"] < answer["icc_3_1_ci_high"]
    assert (answer["mode"], answer["basis"], answer["unit"]) == ("cycle", "reported", "mL/min")
    pair = answer["pairs"][0]
    subject, tests, values = made[0]
    assert pair["subject_id"] == subject
    assert [pair["first_test_id"], pair["second_test_id"]] == tests
    assert [pair["first_value"], pair["second_value"]] == values
    assert (pair["first_date"], pair["second_date"], pair["days"]) == ("2026-01-05", "2026-01-12", 7)
    assert pair["flags"]["first_ever"] is True
    assert answer["adoptable"] is False


def test_which_tests_make_a_pair(repeats, found):
    _, tests = repeats.person(
        (0, 3000.0),
        (7, 3100.0),
        (10, 3050.0),
        (60, 3300.0),
        (74, 3350.0),
        (80, 2000.0, {"protocol_id": "bruce", "mode": "cycle"}),
    )
    pairs = found()["pairs"]
    assert [(pair["first_test_id"], pair["second_test_id"]) for pair in pairs] == [
        (tests[0], tests[1]),
        (tests[1], tests[2]),
        (tests[3], tests[4]),
    ]
    assert [pair["order"] for pair in pairs] == [1, 2, 4]
    assert [pair["flags"]["shares_test"] for pair in pairs] == [False, True, False]
    assert [pair["flags"]["first_ever"] for pair in pairs] == [True, False, False]
    assert len(found(within_days=13)["pairs"]) == 2
    assert len(found(within_days=50)["pairs"]) == 4
    assert found(within_days=50)["pairs"][-1]["flags"]["shares_test"] is True


def test_rounds_do_not_matter_and_what_differs_is_told(repeats, client, found):
    _, tests = repeats.person(
        (0, 3000.0, {"analyser": "A", "interface": "mask"}),
        (5, 3080.0, {"analyser": "B", "interface": "mask"}),
    )
    assert found()["pairs"][0]["flags"]["differences"] == ["Another analyser was used."]
    assert any("was not the same" in note for note in found()["notes"])
    # A void test is no test.
    assert client.patch(f"/v1/tests/{tests[1]}", json={"status": "void"}).status_code == 200
    assert found()["pairs"] == []


def test_several_modes_and_none_named(repeats, found):
    repeats.person((0, 3000.0), (5, 3080.0))
    repeats.person((0, 3300.0, {"mode": "treadmill"}), (5, 3280.0, {"mode": "treadmill"}))
    problem = found(422)
    assert problem["errors"] == [
        {
            "location": "query.mode",
            "message": "has to be named, since there are results of cycle and treadmill",
        }
    ]
    assert found(mode="cycle")["n_pairs"] == 1
    assert found(mode="row")["n_pairs"] == 0


def test_several_bases_and_none_named(repeats, laboratory, found):
    subject, _ = repeats.person((0, 3000.0), (5, 3080.0))
    laboratory.complete(laboratory.visit(subject, started_at="2026-01-09T09:30:00+01:00")["id"], mode="cycle")
    assert found(422)["errors"][0]["message"] == (
        "has to be named, since there are results of measured and reported"
    )
    assert found(basis="reported")["n_pairs"] == 1


def test_what_cannot_be_trusted_is_shown_and_not_counted(repeats, found):
    repeats.person((0, 3000.0), (5, 9500.0))
    answer = found()
    assert answer["n_pairs"] == 0
    (pair,) = answer["pairs"]
    assert pair["counted"] is False
    assert pair["reason"] == "An error finding stands on the result of 2026-01-10."
    assert any("1 of 1 pairs are not counted" in note for note in answer["notes"])
    assert found(include="all")["n_pairs"] == 1


@pytest.mark.parametrize(
    ("query", "location"),
    [
        ({"quantity": "nothing"}, "query.quantity"),
        ({"quantity": "body_mass_kg"}, "query.quantity"),
        ({"within_days": -1}, "query.within_days"),
        ({"within_days": 1000}, "query.within_days"),
        ({"basis": "guessed"}, "query.basis"),
        ({"days": 3}, "query.days"),
    ],
)
def test_what_cannot_be_asked(query, location, found):
    assert found(422, **query)["errors"][0]["location"] == location


def test_an_empty_record_answers_with_reasons(found):
    answer = found()
    assert (answer["n_pairs"], answer["typical_error"], answer["pairs"]) == (0, None, [])
    assert answer["reasons"]["typical_error"] == "It needs at least 2 repeat pairs; there are 0."


def test_a_cohort_has_the_pairs_of_its_members_while_they_are_members(repeats, client, found):
    inside, tests = repeats.person((0, 3000.0), (5, 3080.0), (12, 3010.0))
    repeats.person((0, 3300.0), (5, 3280.0))
    cohort = client.post("/v1/cohorts", json={"name": "repeats"}).json()["id"]
    address = f"/v1/cohorts/{cohort}/reliability"
    assert found(address=address)["n_pairs"] == 0
    members = [{"subject_id": inside, "left_on": "2026-01-11"}]
    assert client.put(f"/v1/cohorts/{cohort}/members", json=members).status_code == 200
    answer = found(address=address)
    assert [pair["second_test_id"] for pair in answer["pairs"]] == [tests[1]]
    assert answer["cohort_id"] == cohort
    assert found(404, address="/v1/cohorts/nothing/reliability")["type"].endswith("not-found")
    assert found(422, address=address, arm="a")["errors"][0]["location"] == "query.arm"
    # A later test is seen at once: no tag of the cohort stands for the records of its members.
    assert "etag" not in client.get(address, params={"quantity": QUANTITY}).headers


def test_an_own_typical_error_is_taken_and_given_back(repeats, client, admin, found):
    repeats.many(15)
    listed = {one["quantity"]: one for one in client.get("/v1/typical-errors").json()["items"]}
    assert listed[QUANTITY]["used"] == "published"
    before = admin.get("/v1/site").json()["revision"]
    answer = admin.put(f"/v1/typical-errors/{QUANTITY}", json={"within_days": 10})
    assert answer.status_code == 200, answer.text
    told = answer.json()
    own = found(within_days=10)
    assert own["adoptable"] is True
    assert told["used"] == "own"
    assert told["own"]["value"] == pytest.approx(own["cv_percent"])
    assert (told["own"]["scale"], told["own"]["df"], told["own"]["n_pairs"]) == ("log", 14, 15)
    assert told["own"]["source"].startswith(
        "own: 15 pairs of 15 people, cycle, reported, within 10 days, 2026-01-05 to 2026-01-12; taken "
    )
    assert told["published"]["value"] == 5.0
    site = admin.get("/v1/site").json()
    assert site["revision"] > before
    assert site["typical_errors"][QUANTITY]["n_pairs"] == 15
    changes = client.get("/v1/changes", params={"limit": 500}).json()["items"]
    assert (changes[-1]["kind"], changes[-1]["action"]) == ("site", "changed")
    assert admin.delete(f"/v1/typical-errors/{QUANTITY}").status_code == 204
    assert admin.delete(f"/v1/typical-errors/{QUANTITY}").status_code == 404
    assert admin.get("/v1/site").json()["typical_errors"] == {}


def test_fewer_than_fifteen_pairs_are_refused(repeats, admin):
    repeats.many(3)
    answer = admin.put(f"/v1/typical-errors/{QUANTITY}", json={})
    assert answer.status_code == 409
    assert answer.json()["detail"] == (
        "An own typical error needs at least 15 repeat pairs; there are 3. The published default stays."
    )
    assert answer.json()["n_pairs"] == 3
    assert admin.get("/v1/site").json()["typical_errors"] == {}


@pytest.mark.parametrize(
    ("quantity", "body", "status"),
    [
        ("nothing", {}, 404),
        ("body_mass_kg", {}, 404),
        (QUANTITY, {"cohort_id": "nobody"}, 404),
        (QUANTITY, {"within_days": 1.5}, 422),
        (QUANTITY, {"pairs": 20}, 422),
    ],
)
def test_what_cannot_be_taken(quantity, body, status, admin):
    assert admin.put(f"/v1/typical-errors/{quantity}", json=body).status_code == status
