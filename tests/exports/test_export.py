"""An export shows all that is stored, is the same in every form, and tells what it is."""

import csv
import hashlib
import io
import json
import zipfile
from collections.abc import Callable
from datetime import UTC
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest
import sqlalchemy as sa

from service.db.models import Change, ChangePayload
from service.errors import Conflict
from service.exports.workflow import Question, export_folder, export_zip
from service.outlets.data_package import read_csv
from service.outlets.tables import DICTIONARY, PROFILES, Profile, tables_of

Tables = dict[str, list[dict[str, Any]]]


def read(folder: Path, profile: Profile) -> Tables:
    """All tables of an export of CSV files, by the reader of the project."""
    answer = {}
    for table in (*tables_of(profile), DICTIONARY):
        with (folder / f"{table.name}.csv").open(newline="", encoding="utf-8") as stream:
            answer[table.name] = list(read_csv(stream, table.of_profile(profile)))
    return answer


@pytest.fixture
def exported(store, tmp_path) -> Callable[..., Path]:
    def make(
        cohort: int | None, profile: Profile = "coded", form: Any = "datapackage", name: str = "out"
    ) -> Path:
        folder = tmp_path / name
        export_folder(store, "tester", Question(cohort, profile, form), folder)
        return folder

    return make


def test_every_column_shows_what_is_stored(exported, full_cohort):
    found = read(exported(full_cohort, "identified"), "identified")
    empty = [
        f"{table.name}.{column.name}"
        for table in tables_of("identified")
        for column in table.of_profile("identified")
        if all(row[column.name] is None for row in found[table.name])
    ]
    # A stage of the registry's table has its own codes; the rest is filled by the record of the test.
    assert empty == []


def test_the_counts_of_every_table(exported, full_cohort):
    found = read(exported(full_cohort), "coded")
    assert {name: len(rows) for name, rows in found.items() if name not in {"quantities", "data_dictionary"}} == {
        "subjects": 2, "cohorts": 1, "cohort_members": 2, "visits": 4, "medications": 4, "pre_test_answers": 4,
        "measurements": 4, "protocols": 1, "protocol_stages": 1, "tests": 4, "intervals": 8, "exclusions": 4, "stage_notes": 4,
        "recording_marks": 4, "reported_results": 4, "calibrations": 4, "tester_thresholds": 4, "analyses": 4, "results": 16,
        "findings": 4, "norms_used": 4, "events": 3,
    }  # fmt: skip


def test_only_members_are_in_it(exported, builder, full_cohort):
    other, _ = builder.cohort([{"sex": "male", "age_years": 30.0}], "other")
    one = read(exported(full_cohort, name="one"), "coded")
    two = read(exported(other, name="two"), "coded")
    whole = read(exported(None, name="whole"), "coded")
    for name in ("subjects", "visits", "tests", "intervals", "results"):
        assert len(one[name]) + len(two[name]) == len(whole[name])
    assert not {row["test_id"] for row in one["tests"]} & {row["test_id"] for row in two["tests"]}
    assert len(whole["cohorts"]) == 2


def test_coded_has_no_names_and_no_birthday(exported, full_cohort):
    folder = exported(full_cohort)
    coded = read(folder, "coded")
    assert set(coded["subjects"][0]) == {"subject_id", "code", "sex"}
    assert [row["age_years"] for row in coded["visits"]] == [41.2, 41.3, 70.3, 71.4]
    everything = "".join(path.read_text("utf-8") for path in folder.iterdir())
    assert "1990-02-03" not in everything
    assert "1960" not in everything
    identified = read(exported(full_cohort, "identified", name="named"), "identified")
    assert {str(row["birth_date"]) for row in identified["subjects"]} == {"1990-02-03", "1960-12-31"}
    assert identified["subjects"][0]["given_name"] == "=a word"


@pytest.mark.parametrize("profile", PROFILES)
def test_parquet_equals_csv(exported, full_cohort, profile):
    # Random ids differ between two exports: the rows are compared without them, in any order.
    csv_tables = read(exported(full_cohort, profile), profile)
    folder = exported(full_cohort, profile, "parquet", "parquet")
    for table in tables_of(profile):
        columns = [
            column
            for column in table.of_profile(profile)
            if profile != "deidentified" or (column.how not in {"id", "label"} and column.name != "result_no")
        ]
        file = pq.read_table(folder / f"{table.name}.parquet")
        assert file.column_names == [column.name for column in table.of_profile(profile)]
        rows = file.to_pylist()
        for row in rows:
            for column in columns:
                if column.type == "object" and row[column.name] is not None:
                    row[column.name] = json.loads(row[column.name])
                if column.type == "datetime" and row[column.name] is not None:
                    row[column.name] = row[column.name].astimezone(UTC)
        names = [column.name for column in columns]
        told = [
            sorted(repr([row[name] for name in names]) for row in some)
            for some in (rows, csv_tables[table.name])
        ]
        assert told[0] == told[1], table.name


def test_a_text_is_inert_in_csv_and_itself_in_parquet(exported, full_cohort):
    folder = exported(full_cohort)
    with (folder / "tests.csv").open(newline="", encoding="utf-8") as stream:
        row = next(csv.DictReader(stream))
    assert row["notes"] == "'=a word"
    with (folder / "stage_notes.csv").open(newline="", encoding="utf-8") as stream:
        assert next(csv.DictReader(stream))["grade_percent"] == "-1.0"
    parquet = exported(full_cohort, form="parquet", name="parquet")
    assert pq.read_table(parquet / "tests.parquet").to_pylist()[0]["notes"] == "=a word"


def test_the_descriptor_is_true_of_its_files(exported, full_cohort):
    folder = exported(full_cohort)
    package = json.loads((folder / "datapackage.json").read_text("utf-8"))
    assert {one["path"] for one in package["resources"]} | {"datapackage.json", "README.md"} == {
        path.name for path in folder.iterdir()
    }
    for one in package["resources"]:
        data = (folder / one["path"]).read_bytes()
        assert one["bytes"] == len(data)
        assert one["hash"] == f"sha256:{hashlib.sha256(data).hexdigest()}"
        assert data.decode().split("\r\n")[0] == ",".join(field["name"] for field in one["schema"]["fields"])
    assert package["id"] in (folder / "README.md").read_text("utf-8")
    assert "licenses" not in package


def test_the_dictionary_has_every_column(exported, full_cohort):
    folder = exported(full_cohort, "deidentified")
    told = {(row["table"], row["column"]) for row in read(folder, "deidentified")["data_dictionary"]}
    package = json.loads((folder / "datapackage.json").read_text("utf-8"))
    assert told == {
        (one["name"], field["name"]) for one in package["resources"] for field in one["schema"]["fields"]
    }


def test_the_text_says_versions_and_cautions(exported, full_cohort):
    told = (exported(full_cohort) / "README.md").read_text("utf-8")
    assert "4 analyses of version 3" in told
    assert "Nothing here is a diagnosis" in told
    assert "LOINC is copyright © Regenstrief Institute" in told


def test_the_audit_knows_of_it(store, exported, full_cohort):
    exported(full_cohort, "deidentified")
    with store.read() as session:
        change = session.scalars(sa.select(Change).where(Change.kind == "export")).one()
        payload = json.loads(session.get_one(ChangePayload, change.seq).payload)
    assert (change.actor, change.action, change.subject_id) == ("tester", "created", None)
    assert (payload["profile"], payload["format"], payload["rows"]["tests"]) == (
        "deidentified",
        "datapackage",
        4,
    )
    # Only here is it told which label stands for which arm.
    assert payload["labels"]["arm"] == {"arm =a word": "arm 1"}


def test_nobody_to_export_is_refused_and_leaves_nothing(store, builder, tmp_path):
    empty, _ = builder.cohort([])
    with pytest.raises(Conflict, match="nobody to export"):
        export_folder(store, "tester", Question(empty), tmp_path / "out")
    assert not (tmp_path / "out").exists()
    with store.read() as session:
        assert (
            session.scalar(sa.select(sa.func.count()).select_from(Change).where(Change.kind == "export")) == 0
        )


@pytest.mark.parametrize("existing", [True, False])
def test_what_fails_leaves_nothing(store, full_cohort, tmp_path, existing):
    folder = tmp_path / "out"
    if existing:
        folder.mkdir()

    def told(done: int, of: int) -> None:
        assert of == 16
        if done == 7:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        export_folder(store, "tester", Question(full_cohort), folder, told=told)
    assert folder.exists() == existing
    assert not existing or not any(folder.iterdir())


def test_a_folder_with_something_in_it_is_refused(store, full_cohort, tmp_path):
    (tmp_path / "kept.txt").write_text("kept")
    with pytest.raises(Conflict, match="not an empty folder"):
        export_folder(store, "tester", Question(full_cohort), tmp_path)
    assert (tmp_path / "kept.txt").read_text() == "kept"


def test_a_write_meanwhile_is_not_in_it(store, builder, full_cohort, tmp_path):
    written = []

    def told(done: int, of: int) -> None:
        del done, of
        if not written:
            written.append(builder.cohort([{"sex": "male", "age_years": 30.0}], "late"))

    export_folder(store, "tester", Question(None), tmp_path / "out", told=told)
    found = read(tmp_path / "out", "coded")
    assert written
    assert len(found["tests"]) == len(found["analyses"]) == 4
    assert len(found["results"]) == 16


def test_two_zips_of_the_same_record_are_alike_but_for_the_id(store, full_cohort):
    made = []
    for _ in range(2):
        buffer = io.BytesIO()
        export_zip(store, "tester", Question(full_cohort), buffer)
        with zipfile.ZipFile(buffer) as archive:
            assert archive.testzip() is None
            assert {one.date_time[0] for one in archive.infolist()} == {1980}
            made.append({name: archive.read(name) for name in archive.namelist() if name.endswith(".csv")})
    assert made[0] == made[1]
