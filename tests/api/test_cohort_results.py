"""What a cohort shows, over HTTP: which results count, pairs, arms, several kinds, tags, forms and statements."""

import csv
import io
import itertools
import shutil
import time
from datetime import UTC, datetime, timedelta

import pytest
import sqlalchemy as sa

from service.db.models import Cohort, CohortMember, Result, Subject, Visit
from service.db.transactions import Store
from service.settings import Settings

PEAK = "vo2_peak_ml_kg_min"
DAYS = {"1": "2026-01-12", "2": "2026-03-16", "3": "2026-06-08"}


class Study:
    """A cohort whose results are reported ones, so that numbers are as written here."""

    def __init__(self, client, laboratory):
        self.client, self.laboratory = client, laboratory
        self.id = client.post("/v1/cohorts", json={"name": "Study"}).json()["id"]
        self.members, self.subjects = [], {}

    def member(self, code, arm=None, **dates):
        self.subjects[code] = self.laboratory.subject(code=code)["id"]
        self.members.append({"subject_id": self.subjects[code], "arm": arm, **dates})
        self.put()

    def put(self):
        answer = self.client.put(f"/v1/cohorts/{self.id}/members", json=self.members)
        assert answer.status_code == 200, answer.text

    def visit(self, code, name, day=None, **fields):
        started = f"{day or DAYS[name]}T10:00:00+01:00"
        return self.laboratory.visit(self.subjects[code], started_at=started, round=name, **fields)["id"]

    def result(self, code, name, value, *, day=None, quantity=PEAK, **fields):
        test = self.laboratory.planned(self.visit(code, name, day), **({"mode": "cycle"} | fields))["id"]
        rows = [{"quantity": quantity, "value": value, "source": "invented"}]
        answer = self.client.put(f"/v1/tests/{test}/reported-results", json=rows)
        assert answer.status_code == 200, answer.text
        return test

    def ask(self, part, status=200, **query):
        given = {name.rstrip("_"): value for name, value in ({"quantity": PEAK} | query).items()}
        answer = self.client.get(f"/v1/cohorts/{self.id}/{part}", params=given)
        assert answer.status_code == status, answer.text
        return answer.json() if "json" in answer.headers["content-type"] else answer.text


@pytest.fixture
def study(client, laboratory):
    return Study(client, laboratory)


def in_two_arms(study):
    """Changes 2 4 6 8 and 0 1 2, as worked by hand beside the analysis; one member more in each arm lacks a round."""
    for code, arm, before, after in (
        ("A", "training", 40.0, 42.0), ("B", "training", 44.0, 48.0), ("C", "training", 38.0, 44.0),
        ("D", "training", 42.0, 50.0), ("E", "control", 41.0, 41.0), ("F", "control", 39.0, 40.0),
        ("G", "control", 43.0, 45.0), ("H", "training", 60.0, None), ("I", "control", None, 20.0),
    ):  # fmt: skip
        study.member(code, arm)
        for name, value in (("1", before), ("2", after)):
            if value is not None:
                study.result(code, name, value)
    return study


@pytest.fixture(scope="module")
def arms(migrated_file, tmp_path_factory, usual_settings, make_key, open_client, laboratory_of):
    """A study of two arms, for all tests that only read it."""
    path = tmp_path_factory.mktemp("arms") / "arms.db"
    shutil.copy(migrated_file, path)
    store = Store(Settings(database_url=f"sqlite:///{path}", **usual_settings))
    client = open_client(store, make_key(store, "tester", "tester"))
    study = in_two_arms(Study(client, laboratory_of(client)))
    study.store = store
    yield study
    store.close()


def test_summary_of_each_round_and_arm(arms):
    found = arms.ask("summary")
    assert (found["quantity"], found["unit"], found["mode"], found["basis"]) == (
        PEAK,
        "mL/kg/min",
        "cycle",
        "reported",
    )
    assert found["quantile_rule"] == "hyndman_fan_7"
    rows = {(row["round"], row["arm"]): row for row in found["rounds"]}
    assert list(rows) == [("1", "control"), ("1", "training"), ("2", "control"), ("2", "training")]
    one = rows["1", "training"]
    assert (one["n"], one["missing"], one["mean"], one["median"]) == (5, 0, pytest.approx(44.8), 42.0)
    assert (rows["2", "training"]["n"], rows["2", "training"]["missing"]) == (4, 1)
    assert (rows["1", "control"]["n"], rows["1", "control"]["missing"]) == (3, 1)
    assert any("take change from the pairs" in note for note in found["notes"])


def test_change_is_paired_and_says_who_is_missing(arms):
    found = arms.ask("change", from_="1", to="2")
    control, training = found["arms"]
    assert (training["arm"], training["n"], training["mean"]) == ("training", 4, pytest.approx(5.0))
    assert (control["n"], control["mean"], control["sd"]) == (3, pytest.approx(1.0), pytest.approx(1.0))
    assert [(one["code"], one["reason"]) for one in training["missing"]] == [("H", "No result in round 2.")]
    assert [(one["code"], one["reason"]) for one in control["missing"]] == [("I", "No result in round 1.")]
    difference = found["difference"]
    assert (difference["arm"], difference["reference_arm"]) == ("training", "control")
    assert (difference["value"], difference["df"]) == (pytest.approx(4.0), pytest.approx(4.07547, abs=1e-4))
    assert found["baseline_adjusted"]["value"] == pytest.approx(4.0)
    assert found["baseline_adjusted"]["slope"]["value"] == pytest.approx(30 / 28)
    response = found["individual_response_sd"]
    assert response["value"] == pytest.approx((17 / 3) ** 0.5)
    assert response["ci_low"] < 0 < response["ci_high"]
    assert (response["shown"], response["reason"]) == (False, None)
    assert "differences in response are not shown" in response["sentence"]
    assert found["members"] is None
    assert "p_value" not in str(found)


def test_the_reference_arm_can_be_named(arms):
    found = arms.ask("change", from_="1", to="2", reference_arm="training")
    assert (found["reference_arm"], found["difference"]["arm"]) == ("training", "control")
    assert found["difference"]["value"] == pytest.approx(-4.0)
    assert found["individual_response_sd"]["value"] == pytest.approx(-((17 / 3) ** 0.5))


def test_single_members(arms):
    found = arms.ask("change", from_="1", to="2", members="true")
    lines = {line["code"]: line for line in found["members"]}
    assert list(lines) == ["E", "F", "G", "A", "B", "C", "D"]
    assert (lines["D"]["change"], lines["D"]["change_beyond_reference"]) == (
        pytest.approx(8.0),
        pytest.approx(7.0),
    )
    assert lines["E"]["change_beyond_reference"] is None
    assert lines["D"]["true_change"]["verdict"] == "improved"
    assert found["typical_error"]["value"] == 5.0
    assert any("It is no response to an intervention" in note for note in found["notes"])


def test_what_does_not_count_is_listed_unless_all_is_asked_for(study):
    study.member("A")
    study.member("B", joined_on="2026-02-01", left_on="2026-03-16")
    counted = study.result("A", "1", 40.0)
    submaximal = study.result("A", "2", 41.0, stop_reason="tester")
    beyond = study.result("A", "3", 400.0)
    early = study.result("B", "1", 42.0)
    last_day = study.result("B", "2", 43.0)
    late = study.result("B", "3", 44.0)
    found = study.ask("summary")
    assert {one["test_id"]: one["reason"] for one in found["left_out"]} == {
        submaximal: "The effort was submaximal.",
        beyond: "An error finding stands on this result.",
        early: "The visit of 2026-01-12 lies before the member joined on 2026-02-01.",
        late: "The visit of 2026-06-08 lies after the member left on 2026-03-16.",
    }
    assert [(row["round"], row["n"], row["missing"]) for row in found["rounds"]] == [
        ("1", 1, 1),
        ("2", 1, 1),
        ("3", 0, 2),
    ]
    assert found["rounds"][2]["reason"] == "No member of the arm has a counted value in this round."
    everything = study.ask("summary", include="all")
    assert {one["test_id"] for one in everything["left_out"]} == {early, late}
    assert [row["n"] for row in everything["rounds"]] == [1, 2, 1]
    missing = study.ask("change", from_="1", to="2")["arms"][0]["missing"]
    assert {one["code"]: one["reason"] for one in missing} == {
        "A": "Round 2: The effort was submaximal.",
        "B": "Round 1: The visit of 2026-01-12 lies before the member joined on 2026-02-01.",
    }
    assert counted
    assert last_day


def test_of_several_tests_in_a_round_the_last_counts(study):
    study.member("A")
    study.result("A", "1", 50.0)
    last = study.result("A", "1", 40.0, day="2026-01-20")
    (row,) = study.ask("summary")["rounds"]
    assert row["mean"] == 40.0
    found = study.ask("summary")
    assert [one["reason"] for one in found["left_out"]] == [
        "A later result of the same round counts (2026-01-20)."
    ]
    assert any("of several the last counts" in note for note in found["notes"])
    # Two tests of one visit: the one made later.
    visit = study.client.get(f"/v1/tests/{last}").json()["visit_id"]
    second = study.laboratory.planned(visit, mode="cycle")["id"]
    study.client.put(
        f"/v1/tests/{second}/reported-results", json=[{"quantity": PEAK, "value": 41.0, "source": "invented"}]
    )
    assert study.ask("summary")["rounds"][0]["mean"] == 41.0


def test_several_modes_and_none_named_is_refused_naming_them(study):
    study.member("A")
    study.result("A", "1", 40.0)
    study.result("A", "1", 44.0, mode="treadmill")
    study.result("A", "2", 44.0, mode="treadmill")
    for part, query in (("summary", {}), ("change", {"from_": "1", "to": "2"}), ("chart", {})):
        problem = study.ask(part, 422, **query)
        assert [(one["location"], one["message"]) for one in problem["errors"]] == [
            ("query.mode", "has to be named, one of: cycle, treadmill")
        ]
        assert problem["choices"] == [
            {"mode": "treadmill", "basis": "reported", "n": 2},
            {"mode": "cycle", "basis": "reported", "n": 1},
        ]
    found = study.ask("summary", mode="treadmill")
    assert [row["n"] for row in found["rounds"]] == [1, 1]
    assert "There is 1 result of another mode, basis or method, no part of this." in found["notes"]


def test_several_bases_and_none_named_is_refused_naming_them(study, rows):
    study.member("A")
    study.result("A", "1", 44.0, mode="treadmill")
    study.laboratory.complete(study.visit("A", "2"), rows(3000.0))
    problem = study.ask("summary", 422)
    assert [one["location"] for one in problem["errors"]] == ["query.basis"]
    assert [row["n"] for row in study.ask("summary", basis="measured")["rounds"]] == [0, 1]
    # A result of another kind that counts for nothing here is no reason to ask.
    study.members[0]["joined_on"] = "2026-02-01"
    study.put()
    assert study.ask("summary")["basis"] == "measured"


def test_the_quantity_of_a_visit_has_no_mode(study):
    study.member("A")
    for name, mass in (("1", 80.0), ("2", 78.5)):
        study.visit("A", name, body_mass_kg=mass)
    found = study.ask("change", quantity="body_mass_kg", from_="1", to="2")
    assert (found["mode"], found["basis"]) == (None, "measured")
    assert found["arms"][0]["mean"] == pytest.approx(-1.5)
    assert found["arms"][0]["percent"] is None
    assert found["percent_reason"].startswith("Nothing is given in per cent")


def test_a_change_per_body_mass_comes_with_uptake_and_mass(study, rows):
    study.member("A")
    for name, peak, mass in (("1", 3000.0, 80.0), ("2", 3300.0, 76.0)):
        study.laboratory.complete(study.visit("A", name, body_mass_kg=mass), rows(peak))
    parts = study.ask("change", from_="1", to="2")["arms"][0]["parts"]
    assert parts["uptake_ml_min"]["value"] == pytest.approx(300.0, abs=5)
    assert parts["body_mass_kg"]["value"] == pytest.approx(-4.0)


NOTHING = {
    "an unknown quantity": ("summary", {"quantity": "luck"}, "quantity is no quantity"),
    "no such round": ("change", {"from_": "1", "to": "9"}, "is no round of this cohort; there are: 1, 2"),
    "the same round twice": ("change", {"from_": "1", "to": "1"}, "has to be another round than `from`"),
    "no such arm": ("change", {"from_": "1", "to": "2", "arm": "none"}, "there are: control, training"),
    "no such reference": (
        "change",
        {"from_": "1", "to": "2", "reference_arm": "x"},
        "is no arm of this cohort",
    ),
    "an arm against itself": ("change", {"from_": "1", "to": "2", "arm": "control"}, "is the reference arm"),
    "rounds turned round": ("chart", {"from_": "2", "to": "1"}, "comes before `from`"),
    "an unknown parameter": ("summary", {"colour": "red"}, "Unknown query parameter"),
}


@pytest.mark.parametrize("case", NOTHING)
def test_what_is_refused_says_what_there_is(arms, case):
    part, query, told = NOTHING[case]
    assert told in arms.ask(part, 422, **query)["detail"]


def test_small_cohorts_have_a_clear_answer(study):
    empty = study.ask("summary")
    assert (empty["rounds"], empty["notes"]) == ([], ["The cohort has no members."])
    assert "the cohort has none" in study.ask("change", 422, from_="1", to="2")["detail"]
    assert "No member has a counted value" in study.ask("chart")["description"]
    study.member("A", "training")
    assert "No visit of a member names a round" in study.ask("summary")["notes"][0]
    study.result("A", "1", 40.0)
    assert "there are: 1" in study.ask("change", 422, from_="1", to="2")["detail"]
    study.result("A", "2", 42.0)
    found = study.ask("change", from_="1", to="2")
    (arm,) = found["arms"]
    assert (arm["n"], arm["mean"], arm["sd"], arm["ci_low"]) == (1, 2.0, None, None)
    assert arm["reason"] == "No SD and no interval: one member has both rounds."
    for name in ("difference", "baseline_adjusted", "individual_response_sd"):
        assert found[name]["value"] is None
        assert "no second arm" in found[name]["reason"]
    study.member("B", "training")
    study.result("B", "1", 44.0)
    study.result("B", "2", 46.0)
    (arm,) = study.ask("change", from_="1", to="2")["arms"]
    assert (arm["mean"], arm["sd"], arm["ci_low"]) == (2.0, 0.0, None)
    assert "look whether values were copied" in arm["reason"]


def test_three_arms(arms):
    """The same people as another cohort: A and B of the trained arm are an arm of their own."""
    made = arms.client.post("/v1/cohorts", json={"name": "Three arms"}).json()["id"]
    strength = {arms.subjects["A"], arms.subjects["B"]}
    members = [one | {"arm": "strength"} if one["subject_id"] in strength else one for one in arms.members]
    arms.client.put(f"/v1/cohorts/{made}/members", json=members)
    query = {"quantity": PEAK, "from": "1", "to": "2"}
    found = arms.client.get(f"/v1/cohorts/{made}/change", params=query).json()
    assert found["difference"]["value"] is None
    assert "name the one to compare (strength, training)" in found["difference"]["reason"]
    # Changes 2 4 and 6 8 against 0 1 2.
    told = [(one["difference"]["arm"], one["difference"]["value"]) for one in found["comparisons"]]
    assert told == [("strength", pytest.approx(2.0)), ("training", pytest.approx(6.0))]
    named = arms.client.get(f"/v1/cohorts/{made}/change", params=query | {"arm": "training"}).json()
    assert named["difference"]["value"] == pytest.approx(6.0)


def test_a_key_limited_to_subjects_sees_no_cohort(arms, make_key, open_client):
    limited = open_client(arms.store, make_key(arms.store, "coach", "tester", subject_codes=["A"]))
    for part in ("summary", "change", "chart"):
        query = {"quantity": PEAK, "from": "1", "to": "2"}
        if part == "summary":
            query = {"quantity": PEAK}
        assert limited.get(f"/v1/cohorts/{arms.id}/{part}", params=query).status_code == 404


def test_a_reader_sees_codes_and_no_names(arms, make_key, open_client):
    reader = open_client(arms.store, make_key(arms.store, "reader", "reader"))
    answer = reader.get(
        f"/v1/cohorts/{arms.id}/change", params={"quantity": PEAK, "from": "1", "to": "2", "members": "true"}
    )
    assert answer.status_code == 200
    assert "given_name" not in answer.text


def rows_of(text):
    return list(csv.DictReader(io.StringIO(text)))


def test_flat_rows(arms):
    summary = arms.ask("summary")
    told = rows_of(arms.ask("summary", format="csv"))
    assert [(row["round"], row["arm"], float(row["mean"])) for row in told] == [
        (row["round"], row["arm"], row["mean"]) for row in summary["rounds"]
    ]
    change = arms.ask("change", from_="1", to="2")
    rows = rows_of(arms.ask("change", from_="1", to="2", format="csv"))
    assert [(row["what"], row["arm"]) for row in rows] == [
        ("change", "control"), ("change", "training"), ("difference", "training"), ("baseline_adjusted", "training"),
        ("individual_response_sd", "training"),
    ]  # fmt: skip
    assert float(rows[2]["ci_low"]) == change["difference"]["ci_low"]
    assert {(row["from_round"], row["to_round"], row["unit"]) for row in rows} == {("1", "2", "mL/kg/min")}
    members = rows_of(arms.ask("change", from_="1", to="2", members="true", format="csv"))
    assert [row["code"] for row in members] == ["E", "F", "G", "A", "B", "C", "D", "I", "H"]
    assert (members[-1]["change"], members[-1]["reason"]) == ("", "No result in round 2.")
    by_accept = arms.client.get(
        f"/v1/cohorts/{arms.id}/summary", params={"quantity": PEAK}, headers={"Accept": "text/csv"}
    )
    assert by_accept.headers["content-type"] == "text/csv; charset=utf-8"
    assert rows_of(by_accept.text) == told


def test_a_code_that_a_spreadsheet_would_run_is_escaped(study):
    study.member("=1+1", "-2")
    study.result("=1+1", "1", 40.0)
    study.result("=1+1", "2", 41.0)
    (row,) = rows_of(study.ask("change", from_="1", to="2", members="true", format="csv"))
    assert (row["code"], row["arm"]) == ("'=1+1", "'-2")


def test_the_chart_in_its_forms(arms):
    client = arms.client
    address = f"/v1/cohorts/{arms.id}/chart"
    spec = client.get(address, params={"quantity": PEAK}).json()
    assert "training, round 2: +5.0 mL/kg/min" in spec["description"]
    svg = client.get(address, params={"quantity": PEAK, "format": "svg"})
    assert svg.headers["content-type"] == "image/svg+xml"
    assert "training, 5 members" in svg.text
    png = client.get(address, params={"quantity": PEAK}, headers={"Accept": "image/png"})
    assert png.content.startswith(b"\x89PNG")
    assert "+5.0" not in client.get(address, params={"quantity": PEAK, "from": "2"}).json()["description"]


def erase(store, subject_id):
    """Take a subject away with everything under it, as an erasure does."""
    with store.write("test") as transaction:
        transaction.session.execute(sa.delete(Subject).where(Subject.public_id == subject_id))


def changes_of_state(study, store):
    """Writes that may change what a cohort shows, each by its own way in."""
    client, subject = study.client, study.subjects["A"]
    visit = client.get(f"/v1/subjects/{subject}/visits").json()["items"][0]["id"]
    yield "a result", lambda: study.result("C", "3", 61.0)
    yield "a visit", lambda: client.patch(f"/v1/visits/{visit}", json={"round": "0"})
    yield "a mass", lambda: client.patch(f"/v1/visits/{visit}", json={"body_mass_kg": 70.0})
    yield "a subject", lambda: client.patch(f"/v1/subjects/{subject}", json={"notes": "x"})
    yield "the members", study.put
    yield "the name", lambda: client.patch(f"/v1/cohorts/{study.id}", json={"name": "Other"})
    yield "an erased subject", lambda: erase(store, study.subjects["B"])


def test_tags_change_with_whatever_is_written_under_a_member(client, store, study):
    for code in "ABC":
        study.member(code)
        study.result(code, "1", 40.0)
        study.result(code, "2", 42.0)
    queries = {
        f"/v1/cohorts/{study.id}/{part}": {"quantity": PEAK, **more}
        for part, more in (("summary", {}), ("change", {"from": "1", "to": "2"}), ("chart", {}))
    }

    def tags():
        return {
            address: client.get(address, params=query).headers["etag"] for address, query in queries.items()
        }

    seen = [tags()]
    assert seen[0] == tags()
    for address, query in queries.items():
        answer = client.get(address, params=query, headers={"If-None-Match": seen[0][address]})
        assert (answer.status_code, answer.content) == (304, b"")
    for what, write in changes_of_state(study, store):
        answer = write()
        assert answer is None or isinstance(answer, str) or answer.is_success, (what, answer.text)
        seen.append(tags())
        for address, tag in seen[-1].items():
            assert tag not in {earlier[address] for earlier in seen[:-1]}, (what, address)
    # Another subject is none of the cohort's business.
    study.laboratory.subject()
    assert tags() == seen[-1]


def test_an_unchanged_cohort_is_not_read_again(arms, monkeypatch):
    client = arms.client
    address = f"/v1/cohorts/{arms.id}/summary"
    tag = client.get(address, params={"quantity": PEAK}).headers["etag"]

    def computed(*_, **__):
        raise AssertionError("computed")

    monkeypatch.setattr("service.cohorts.workflow.summary_of", computed)
    answer = client.get(address, params={"quantity": PEAK}, headers={"If-None-Match": tag})
    assert answer.status_code == 304


# --- many members ----------------------------------------------------------------------------------------------


def filled(store, members, rounds=4):
    """A cohort of two arms with a measured peak for each member and round, written straight into the tables."""
    start = datetime(2026, 1, 5, 9, tzinfo=UTC)
    ids = itertools.count(1)
    with store.write("test") as transaction:
        session = transaction.session
        session.execute(
            sa.insert(Cohort),
            [{"id": 1, "public_id": "big", "name": "Big", "revision": 1, "created_at": start}],
        )
        session.execute(
            sa.insert(Subject),
            [
                {"id": n, "public_id": f"s{n}", "code": f"C{n:05}", "revision": 1, "created_at": start}
                for n in range(1, members + 1)
            ],
        )
        session.execute(
            sa.insert(CohortMember),
            [
                {"cohort_id": 1, "subject_id": n, "arm": ("control", "training")[n % 2]}
                for n in range(1, members + 1)
            ],
        )
        visits, results = [], []
        for n in range(1, members + 1):
            for place in range(rounds):
                visit, at = next(ids), start + timedelta(days=60 * place, minutes=n)
                visits.append(
                    {
                        "id": visit, "public_id": f"v{visit}", "subject_id": n, "started_at": at, "utc_offset_minutes": 60,
                        "round": str(place + 1), "medications": [], "pre_test_answers": [], "body_mass_kg": 70.0,
                    }
                )  # fmt: skip
                results.append(
                    {
                        "subject_id": n, "visit_id": visit, "quantity": "waist_cm", "method": "tape", "method_version": "1",
                        "value": 90.0 + n % 13 - place * (n % 2) + 0.1 * (visit % 7), "occurred_at": at, "date": at.date(),
                        "basis": "measured", "has_error": False,
                    }
                )  # fmt: skip
        session.execute(sa.insert(Visit), visits)
        session.execute(sa.insert(Result), results)


def statements_of(store, ask):
    seen = []

    def note(connection, cursor, statement, *rest):
        del connection, cursor, rest
        seen.append(statement)

    sa.event.listen(store.read_engine, "before_cursor_execute", note)
    try:
        assert ask().status_code == 200
    finally:
        sa.event.remove(store.read_engine, "before_cursor_execute", note)
    return [statement for statement in seen if not statement.startswith("BEGIN")]


ASKED = [
    ("summary", {}),
    ("change", {"from": "1", "to": "4", "members": "true"}),
    ("chart", {}),
]


@pytest.mark.parametrize(("part", "query"), ASKED, ids=[part for part, _ in ASKED])
def test_the_number_of_statements_does_not_grow_with_the_members(
    make_store, open_client, make_key, part, query
):
    store = make_store()
    client = open_client(store, make_key(store, "reader", "reader"))
    filled(store, 4)
    address, query = f"/v1/cohorts/big/{part}", {"quantity": "waist_cm", **query}
    few = statements_of(store, lambda: client.get(address, params=query))
    with store.write("test") as transaction:
        for table in (Result, Visit, CohortMember, Subject, Cohort):
            transaction.session.execute(sa.delete(table))
    filled(store, 60)
    many = statements_of(store, lambda: client.get(address, params=query))
    assert len(many) == len(few)
    assert sum("FROM cohort_member JOIN result" in statement for statement in many) == 1


@pytest.mark.proof
def test_ten_thousand_members_in_four_rounds(store, client, capsys):
    filled(store, 10_000)
    told = []
    for part, query in ASKED:
        began, began_wall = time.process_time(), time.perf_counter()
        answer = client.get(f"/v1/cohorts/big/{part}", params={"quantity": "waist_cm", **query})
        assert answer.status_code == 200
        used, waited = time.process_time() - began, time.perf_counter() - began_wall
        told.append(
            f"{part}: {used:.2f} s of process time, {waited:.2f} s, {len(answer.content) / 1e6:.1f} MB"
        )
        assert used < 30
    with capsys.disabled():
        print("\n" + "\n".join(told))  # noqa: T201 what was measured is what is asked for
