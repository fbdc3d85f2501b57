"""A person's copy, consents, restriction, and how long data are kept."""

import io
import json
import zipfile
from datetime import UTC, datetime, timedelta

import pytest
import sqlalchemy as sa

from service.db.models import Base, Subject, Visit
from service.errors import Conflict
from service.privacy import queries
from service.privacy.queries import paths_to_a_person
from service.privacy.workflow import due_for_erasure
from tests.privacy.conftest import WORDS


def copy_of(admin, subject_id: str) -> dict[str, bytes]:
    answer = admin.get(f"/v1/subjects/{subject_id}/access-copy")
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"] == "application/zip"
    with zipfile.ZipFile(io.BytesIO(answer.content)) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def test_the_copy_has_every_row_of_every_table_under_the_person(store, admin, known):
    files = copy_of(admin, known["id"])
    record = json.loads(files["record.json"])["tables"]
    assert set(record) == set(paths_to_a_person()) - {"idempotency"}
    with store.read() as session:
        counts = queries.counts_of(session, known["pk"])
    counts.pop("idempotency")
    assert {name: len(rows) for name, rows in record.items()} == counts
    for name, rows in record.items():
        columns = {column.name for column in Base.metadata.tables[name].columns}
        assert {column for row in rows for column in row} == columns, name


def test_the_copy_is_of_nobody_else_and_has_what_a_person_can_read(admin, known):
    files = copy_of(admin, known["id"])
    everything = b"".join(files.values())
    assert WORDS.encode() in everything
    assert b"other" not in files["tables/subjects.csv"]
    assert b"other1" not in everything
    assert {"README.md", "record.json", "history.json", "fhir.json", "tables/README.md"} <= set(files)
    assert json.loads(files["fhir.json"])["resourceType"] == "Bundle"
    (entry,) = json.loads(files["history.json"])
    assert entry["content"]["after"]["given_name"] == WORDS
    # The next copy tells of the first: who has had a copy is part of what is held.
    assert [one["kind"] for one in json.loads(copy_of(admin, known["id"])["history.json"])] == [
        "subject",
        "access_copy",
    ]


def test_restricted_data_go_into_no_export(client, admin, laboratory):
    people = [laboratory.subject(), laboratory.subject()]
    for person in people:
        laboratory.complete(laboratory.visit(person["id"])["id"])
    cohort = client.post("/v1/cohorts", json={"name": "study"}).json()["id"]
    client.put(f"/v1/cohorts/{cohort}/members", json=[{"subject_id": one["id"]} for one in people])
    address = f"/v1/subjects/{people[0]['id']}"

    def exported() -> tuple[list[str], str]:
        answer = client.get(f"/v1/cohorts/{cohort}/export?format=csv")
        assert answer.status_code == 200, answer.text
        with zipfile.ZipFile(io.BytesIO(answer.content)) as archive:
            rows = archive.read("subjects.csv").decode().splitlines()[1:]
            return [row.split(",")[0] for row in rows], archive.read("README.md").decode()

    assert exported()[0] == [one["id"] for one in people]
    rights = client.post(f"{address}/restriction", json={"restricted": True, "reason": "the person objects"})
    assert rights.status_code == 200, rights.text
    assert rights.json()["restricted"] is True
    assert "restricted" in rights.json()["left_out_of_exports"]
    ids, readme = exported()
    assert ids == [people[1]["id"]]
    assert "Left out of this export: 1. The data are restricted" in readme
    assert admin.get("/v1/audit").json()["items"][0]["content"]["left_out"]
    # Both restricted: nobody is left, and that is said.
    client.post(
        f"/v1/subjects/{people[1]['id']}/restriction", json={"restricted": True, "reason": "the same"}
    )
    refused = client.get(f"/v1/cohorts/{cohort}/export")
    assert refused.status_code == 409
    assert "restricted" in refused.json()["detail"]
    client.post(f"{address}/restriction", json={"restricted": False, "reason": "settled"})
    assert exported()[0] == [people[0]["id"]]
    assert client.get(f"{address}/rights").json()["left_out_of_exports"] is None


def test_consents_are_given_withdrawn_and_given_anew(client, laboratory):
    address = f"/v1/subjects/{laboratory.subject()['id']}"

    def post(**body):
        return client.post(f"{address}/consents", json=body)

    assert post(purpose="research", given_at="2026-01-01T10:00:00Z", note="form 12").status_code == 200
    assert post(purpose="research", given_at="2026-02-01T10:00:00Z").status_code == 409
    assert post(purpose="sharing", withdrawn_at="2026-02-01T10:00:00Z").status_code == 409
    early = post(purpose="research", withdrawn_at="2025-12-01T10:00:00Z")
    assert early.status_code == 422
    assert early.json()["errors"][0]["location"] == "body.withdrawn_at"
    assert post(purpose="research").json()["errors"][0]["location"] == "body.given_at"
    withdrawn = post(purpose="research", withdrawn_at="2026-03-01T10:00:00Z").json()
    assert withdrawn["left_out_of_exports"] == "Consent to research was withdrawn."
    anew = post(purpose="research", given_at="2026-04-01T10:00:00Z").json()
    assert anew["left_out_of_exports"] is None
    assert [one["withdrawn_at"] is None for one in anew["consents"]] == [False, True]
    assert anew == client.get(f"{address}/rights").json()


@pytest.mark.parametrize(
    ("years", "today", "first"),
    [(10, "2026-11-28", "2016-11-28"), (1, "2024-02-29", "2023-03-01"), (4, "2024-02-29", "2020-02-29")],
)
def test_the_first_day_that_is_kept(years, today, first):
    day = datetime.fromisoformat(today).date()
    assert str(queries.first_day_to_keep(years, day)) == first


def test_who_is_kept_long_enough_is_listed_and_not_erased(make_store):
    kept = make_store(retention_years=10)
    with kept.write("test") as transaction:
        session = transaction.session
        for code, days in (("old", 3700), ("new", 3600), ("both", 4000)):
            at = datetime.now(UTC) - timedelta(days=days)
            subject = Subject(code=code, revision=1, created_at=at)
            session.add(subject)
            session.flush()
            if code == "both":
                session.add(
                    Visit(subject_id=subject.id, started_at=at + timedelta(days=3990), utc_offset_minutes=0)
                )
    assert [one.code for one in due_for_erasure(kept)] == ["old"]
    with kept.read() as session:
        assert session.scalar(sa.select(sa.func.count()).select_from(Subject)) == 3
    with pytest.raises(Conflict, match="UPSLOPE_RETENTION_YEARS"):
        due_for_erasure(make_store())
