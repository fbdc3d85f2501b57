"""An erasure leaves no byte of a person in the record, its log or what is made of it afterwards."""

import io
import struct
import zipfile
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from service.db.models import Base
from service.privacy.queries import paths_to_a_person
from service.settings import Settings
from service.upkeep.workflow import run_checks
from tests.api.conftest import everything
from tests.privacy.conftest import WORDS


def bytes_of(store) -> bytes:
    """Everything of the record that is on disk: the file, its log, its shared memory, whatever lies beside."""
    path = Path(store.settings.sqlite_path)
    return b"".join(one.read_bytes() for one in sorted(path.parent.glob(f"{path.name}*")))


def found(data: bytes, known: dict[str, Any]) -> list[str]:
    words = [
        one
        for one in (*WORDS.split(), known["code"])
        if one.encode() in data or ascii(one)[1:-1].encode() in data
    ]
    # SQLite keeps a number as its eight bytes, the highest first.
    numbers = [str(one) for one in known["numbers"] if struct.pack(">d", one) in data]
    return words + numbers


def rows_left(store, subject_pk: int) -> dict[str, int]:
    with store.read() as session:
        return {
            name: session.scalar(sa.select(sa.func.count()).select_from(Base.metadata.tables[name]))
            for name in paths_to_a_person()
        }


def erased(admin, known) -> dict[str, Any]:
    answer = admin.post(
        f"/v1/subjects/{known['id']}/erasure", json={"code": known["code"], "basis": "asked_by_person"}
    )
    assert answer.status_code == 200, answer.text
    return answer.json()


def test_every_table_under_a_person_is_tried(store, known):
    with store.read() as session:
        empty = [
            name
            for name in paths_to_a_person()
            if not session.scalar(sa.select(sa.func.count()).select_from(Base.metadata.tables[name]))
        ]
    assert not empty, "a new table under a person: put rows of it into tests/privacy/conftest.py"


@pytest.mark.sqlite_file
def test_no_byte_is_left(store, admin, known):
    before = bytes_of(store)
    assert len(found(before, known)) > 2500, "what is looked for must be found before"
    answer = erased(admin, known)
    assert answer["file_overwritten"] is True
    assert found(bytes_of(store), known) == []
    assert answer["erased"]["interval"] == 3004
    assert answer["audit_entries_emptied"] == 1
    assert "Copies of the record made before" in answer["remaining"][0]


def test_others_are_as_they_were(store, admin, known):
    with store.read() as session:
        before = {
            name: session.scalar(sa.select(sa.func.count()).select_from(Base.metadata.tables[name]))
            for name in paths_to_a_person()
        }
    answer = erased(admin, known)
    assert rows_left(store, known["pk"]) == {
        name: count - answer["erased"].get(name, 0) for name, count in before.items()
    }
    assert admin.get(f"/v1/subjects/{known['id']}").status_code == 404
    assert len(admin.get("/v1/subjects").json()["items"]) == 1


def test_the_chain_holds_and_says_that_somebody_was_erased(store, admin, known):
    erased(admin, known)
    outcomes = {one.name: one for one in run_checks(Settings(database_url=store.settings.database_url))}
    assert outcomes["audit chain"].passed, outcomes["audit chain"]
    assert outcomes["foreign keys"].passed
    last, *_ = admin.get("/v1/audit").json()["items"]
    assert (last["kind"], last["action"], last["subject_id"]) == ("subject", "deleted", known["id"])
    assert last["content"]["erasure"]["basis"] == "asked_by_person"
    assert WORDS not in admin.get("/v1/audit").text


def test_an_entry_that_was_emptied_without_an_erasure_is_a_fault(store, known):
    with store.write_engine.begin() as connection:
        connection.execute(sa.text("UPDATE change_payload SET salt = '', payload = '' WHERE seq = 1"))
    (chain,) = [
        one
        for one in run_checks(Settings(database_url=store.settings.database_url))
        if one.name == "audit chain"
    ]
    assert not chain.passed
    assert "entry 1 was emptied" in chain.detail


def test_an_export_made_afterwards_has_nothing_of_the_person(admin, known):
    erased(admin, known)
    cohort = next(
        one["id"] for one in admin.get("/v1/cohorts").json()["items"] if one["id"] != known["cohort"]
    )
    answer = admin.get(f"/v1/cohorts/{cohort}/export?identified=true")
    assert answer.status_code == 200, answer.text
    with zipfile.ZipFile(io.BytesIO(answer.content)) as archive:
        data = b"".join(archive.read(name) for name in archive.namelist())
    assert found(data, known) == []
    assert known["id"].encode() not in data


@pytest.mark.parametrize(
    ("body", "at"),
    [
        ({"code": "somebody else", "basis": "other"}, "body.code"),
        ({"basis": "other"}, "body.code"),
        ({"code": WORDS, "basis": "because Wilma asked"}, "body.basis"),
    ],
)
def test_what_is_not_sure_erases_nothing(store, admin, known, body, at):
    before = rows_left(store, known["pk"])
    answer = admin.post(f"/v1/subjects/{known['id']}/erasure", json=body)
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["location"] == at
    assert rows_left(store, known["pk"]) == before


def test_a_tester_erases_nobody(client, known):
    body = {"code": known["code"], "basis": "other"}
    assert client.post(f"/v1/subjects/{known['id']}/erasure", json=body).status_code == 403
    assert client.delete(f"/v1/subjects/{known['id']}?erase=true").status_code == 403
    assert client.delete(f"/v1/subjects/{known['id']}").status_code == 409


def test_a_deletion_with_erase_does_the_same(store, admin, known):
    assert admin.delete(f"/v1/subjects/{known['id']}?erase=true").status_code == 204
    assert WORDS not in everything(store)


def test_an_old_state_is_not_erased(admin, known):
    tag = admin.get(f"/v1/subjects/{known['id']}").headers["ETag"]
    admin.patch(f"/v1/subjects/{known['id']}", json={"notes": "another word"})
    answer = admin.post(
        f"/v1/subjects/{known['id']}/erasure",
        json={"code": known["code"], "basis": "other"},
        headers={"If-Match": tag},
    )
    assert answer.status_code == 412
    assert admin.get(f"/v1/subjects/{known['id']}").status_code == 200
