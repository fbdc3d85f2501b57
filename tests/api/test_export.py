"""An export over HTTP: who may have it, in which form, and what is sent."""

import csv
import io
import json
import zipfile
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest

from service.db.transactions import Store
from service.exports import workflow
from service.settings import Settings


@pytest.fixture
def cohort(client, laboratory) -> str:
    """Two people, one of them with names and a test."""
    people = [
        laboratory.subject(given_name="Zoë", family_name="Invented", notes="a note", birth_date="1990-06-15"),
        laboratory.subject(sex="female", birth_date="1985-01-02"),
    ]
    visits = [laboratory.visit(one["id"], tester="T. Ester", notes="=SUM(A1)") for one in people]
    laboratory.complete(visits[0]["id"], protocol_id="bruce")
    made = client.post("/v1/cohorts", json={"name": "study"}).json()
    rows = [{"subject_id": one["id"], "arm": "rowing at home"} for one in people]
    assert client.put(f"/v1/cohorts/{made['id']}/members", json=rows).status_code == 200
    return made["id"]


def files(answer: Any) -> dict[str, bytes]:
    assert answer.status_code == 200, answer.text
    with zipfile.ZipFile(io.BytesIO(answer.content)) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def rows(data: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(data.decode(), newline="")))


def test_the_usual_export_is_a_coded_data_package(client, cohort):
    answer = client.get(f"/v1/cohorts/{cohort}/export")
    found = files(answer)
    package = json.loads(found["datapackage.json"])
    assert answer.headers["content-type"] == "application/zip"
    assert answer.headers["content-length"] == str(len(answer.content))
    assert answer.headers["cache-control"] == "no-store"
    assert "etag" not in answer.headers
    assert package["id"] in answer.headers["content-disposition"]
    assert package["profile_of_export"] == "coded"
    assert {one["path"] for one in package["resources"]} | {"datapackage.json", "README.md"} == set(found)
    assert "Zoë" not in found["subjects.csv"].decode()
    assert "1990-06-15" not in "".join(data.decode() for data in found.values())
    (peak, *_) = [row for row in rows(found["results.csv"]) if row["quantity"] == "vo2_peak_ml_min"]
    assert peak["unit"] == "mL/min"
    assert len(rows(found["norms_used.csv"])) > 1


def test_other_forms(client, cohort):
    for form, extension in (("csv", "csv"), ("parquet", "parquet")):
        found = files(client.get(f"/v1/cohorts/{cohort}/export", params={"format": form}))
        assert f"intervals.{extension}" in found
        assert "datapackage.json" not in found
        assert {"README.md", "data_dictionary.csv"} <= set(found)
        if form == "parquet":
            assert pq.read_table(io.BytesIO(found["intervals.parquet"])).num_rows == 72


def test_what_is_exported_is_what_is_served(client, cohort):
    found = files(client.get(f"/v1/cohorts/{cohort}/export"))
    tests = rows(found["tests.csv"])
    assert len(tests) == 1
    for test in tests:
        analysis = client.get(f"/v1/tests/{test['test_id']}/analysis").json()
        (told,) = [row for row in rows(found["analyses.csv"]) if row["test_id"] == test["test_id"]]
        assert told["effort_verdict"] == analysis["effort"]["verdict"]
        assert told["plateau_verdict"] == analysis["plateau"]["verdict"]
        assert told["analysis_version"] == analysis["analysis_version"]
        ranks = {
            row["norm_id"]: row for row in rows(found["norms_used.csv"]) if row["test_id"] == test["test_id"]
        }
        assert set(ranks) == {one["norm_id"] for one in analysis["ranks"]}
        for one in analysis["ranks"]:
            told_percentile = ranks[one["norm_id"]]["percentile"]
            assert (float(told_percentile) if told_percentile else None) == one["percentile"]
        codes = [row["code"] for row in rows(found["findings.csv"]) if row["test_id"] == test["test_id"]]
        assert codes == [one["code"] for one in analysis["findings"]]


def test_the_standing_follows_a_table_that_the_site_loads_later(client, admin, cohort, own_norm):
    assert admin.post("/v1/norms", json=own_norm()).status_code == 201
    found = files(client.get(f"/v1/cohorts/{cohort}/export"))
    assert "own_treadmill" in {row["norm_id"] for row in rows(found["norms_used.csv"])}
    coarse = files(client.get(f"/v1/cohorts/{cohort}/export", params={"profile": "deidentified"}))
    told = {row["norm_id"] for row in rows(coarse["norms_used.csv"])}
    assert "norm 1" in told
    assert "own_treadmill" not in told


def test_the_deidentified_profile(client, cohort):
    found = files(client.get(f"/v1/cohorts/{cohort}/export", params={"profile": "deidentified"}))
    everything = "".join(data.decode() for data in found.values())
    for word in ("Zoë", "T. Ester", "SUM", "rowing at home", cohort, "2026-03-14", "S-01"):
        assert word not in everything
    assert {row["arm"] for row in rows(found["cohort_members.csv"])} == {"arm 1"}


def test_names_need_an_admin_or_the_right_to_see_them(store, make_key, open_client, cohort):
    for scope, identity, status in (
        ("reader", False, 403), ("reader", True, 200), ("tester", False, 403), ("tester", True, 200), ("admin", False, 200),
    ):  # fmt: skip
        asking = open_client(store, make_key(store, f"{scope} {identity}", scope, identity=identity))
        answer = asking.get(f"/v1/cohorts/{cohort}/export", params={"identified": "true"})
        assert answer.status_code == status, (scope, identity)
        if status == 200:
            assert {row["given_name"] for row in rows(files(answer)["subjects.csv"])} == {"Zoë", ""}
        else:
            assert "identity" in answer.json()["detail"]
        assert asking.get(f"/v1/cohorts/{cohort}/export").status_code == 200


def test_a_key_limited_to_subjects_is_told_that_there_are_none(store, make_key, open_client, cohort):
    limited = open_client(store, make_key(store, "limited", "tester", subject_codes=["S-01"]))
    assert limited.get(f"/v1/cohorts/{cohort}/export").status_code == 404


def test_what_cannot_be_asked_for_is_refused(admin, cohort):
    for query, place in (
        ({"format": "xlsx"}, "query.format"),
        ({"profile": "identified"}, "query.profile"),
        ({"profil": "coded"}, "query.profil"),
        ({"identified": "true", "profile": "deidentified"}, "query.identified"),
    ):
        answer = admin.get(f"/v1/cohorts/{cohort}/export", params=query)
        assert answer.status_code == 422
        assert [one["location"] for one in answer.json()["errors"]] == [place]


def test_no_cohort_and_nobody_in_it(client):
    assert client.get("/v1/cohorts/none/export", params={"format": "xlsx"}).status_code == 404
    empty = client.post("/v1/cohorts", json={"name": "empty"}).json()
    answer = client.get(f"/v1/cohorts/{empty['id']}/export")
    assert answer.status_code == 409
    assert "nobody to export" in answer.json()["detail"]


def test_the_feed_tells_of_it(client, cohort):
    before = client.get("/v1/changes", params={"limit": 500}).json()["next_since"]
    found = files(client.get(f"/v1/cohorts/{cohort}/export"))
    (told,) = client.get("/v1/changes", params={"since": before}).json()["items"]
    assert (told["kind"], told["action"]) == ("export", "created")
    assert told["id"] == json.loads(found["datapackage.json"])["id"]


def test_what_fails_on_the_way_is_a_problem_and_not_half_a_file(
    store, tester_key, open_client, cohort, monkeypatch
):
    def fails(*given: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(workflow, "write_text", fails)
    careful = open_client(store, tester_key, raise_server_exceptions=False)
    answer = careful.get(f"/v1/cohorts/{cohort}/export")
    assert answer.status_code == 500
    assert answer.headers["content-type"] == "application/problem+json"


def test_an_exported_test_is_imported_again_and_is_the_same(
    client, laboratory_of, cohort, migrated_file, tmp_path, make_key, open_client
):
    """From a CSV and a Parquet file, through the intake, into an empty record: the same rows and the same results."""
    coded = files(client.get(f"/v1/cohorts/{cohort}/export", params={"format": "csv"}))
    typed = files(client.get(f"/v1/cohorts/{cohort}/export", params={"format": "parquet"}))
    test = rows(coded["tests.csv"])[0]
    visit = next(row for row in rows(coded["visits.csv"]) if row["visit_id"] == test["visit_id"])
    path = tmp_path / "fresh.db"
    path.write_bytes(Path(migrated_file).read_bytes())
    fresh = Store(Settings(database_url=f"sqlite:///{path}", auth_failures_per_minute=100_000))
    try:
        other = open_client(fresh, make_key(fresh, "tester", "tester"))
        elsewhere = laboratory_of(other)
        table = pq.read_table(io.BytesIO(typed["intervals.parquet"])).to_pandas()
        sources = {
            "rows.csv": _csv(
                row for row in rows(coded["intervals.csv"]) if row["test_id"] == test["test_id"]
            ),
            "rows-of-parquet.csv": table[table.test_id == test["test_id"]].to_csv(index=False).encode(),
        }
        for name, data in sources.items():
            subject = elsewhere.subject(sex="male", birth_date="1990-06-15")
            again = elsewhere.visit(
                subject["id"],
                started_at=visit["started_at"],
                body_mass_kg=float(visit["body_mass_kg"]),
                height_cm=float(visit["height_cm"]),
            )
            options = {"mode": test["mode"], "shape": test["shape"], "protocol_id": test["protocol_id"]}
            imported = elsewhere.upload(
                again["id"], data, options | {"stop_reason": test["stop_reason"]}, name=name
            )
            assert imported.status_code == 201, imported.text
            test_id = imported.json()["test_id"]
            before = client.get(f"/v1/tests/{test['test_id']}/intervals", params={"limit": 500}).json()[
                "items"
            ]
            after = other.get(f"/v1/tests/{test_id}/intervals", params={"limit": 500}).json()["items"]
            assert after == before
            told = {
                row["quantity"]: float(row["value"])
                for row in rows(coded["results.csv"])
                if row["test_id"] == test["test_id"]
            }
            cohort_again = other.post("/v1/cohorts", json={"name": name}).json()["id"]
            other.put(f"/v1/cohorts/{cohort_again}/members", json=[{"subject_id": subject["id"]}])
            anew = files(other.get(f"/v1/cohorts/{cohort_again}/export"))
            assert {
                row["quantity"]: float(row["value"]) for row in rows(anew["results.csv"]) if row["test_id"]
            } == told
            assert len(told) > 8
    finally:
        fresh.close()


def _csv(some: Any) -> bytes:
    listed = list(some)
    buffer = io.StringIO()
    writer = csv.DictWriter(buffer, list(listed[0]))
    writer.writeheader()
    writer.writerows(listed)
    return buffer.getvalue().encode()
