"""`upslope export`."""

import csv
import json

import pytest


@pytest.fixture
def filled(migrated, cycle_test, sql):
    """One test of one person, in one cohort."""
    migrated(
        "import",
        cycle_test,
        "--subject",
        "A-1",
        "--visit",
        "2026-03-01",
        "--mode",
        "cycle",
        "--mass",
        "80",
        "--sex",
        "male",
    )
    sql(
        "INSERT INTO cohort (id, public_id, name, revision, created_at) VALUES (1, 'c1', 'The study', 1, '2026-01-01 00:00:00')"
    )
    sql("INSERT INTO cohort_member (cohort_id, subject_id) VALUES (1, 1)")
    return migrated


@pytest.mark.parametrize("who", [("The study",), ("c1",), ("--all",)])
def test_a_cohort_or_everybody(filled, tmp_path, who):
    told = filled("export", *who, "--to", tmp_path / "out").stdout
    assert told.startswith("1 subjects, 1 visits, 1 tests, ")
    package = json.loads((tmp_path / "out" / "datapackage.json").read_text("utf-8"))
    assert package["profile_of_export"] == "coded"
    with (tmp_path / "out" / "subjects.csv").open(newline="", encoding="utf-8") as stream:
        assert [row["code"] for row in csv.DictReader(stream)] == ["A-1"]


def test_forms_and_profiles(filled, tmp_path):
    filled("export", "The study", "--to", tmp_path / "p", "--format", "parquet", "--profile", "identified")
    assert (tmp_path / "p" / "intervals.parquet").exists()
    told = filled(
        "export", "The study", "--to", tmp_path / "d", "--format", "csv", "--profile", "deidentified"
    ).stdout
    assert "De-identified is not anonymous" in told
    assert "A-1" not in "".join(path.read_text("utf-8") for path in (tmp_path / "d").iterdir())


def test_a_folder_with_something_in_it_is_refused(filled, tmp_path):
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "kept").write_text("kept")
    result = filled("export", "The study", "--to", tmp_path / "out", status=1)
    assert "not an empty folder" in result.stderr
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["kept"]


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("export", "No such", "--to", "out"), "There is no cohort 'No such'"),
        (("export", "--all", "--to", "out"), "nobody to export"),
    ],
)
def test_nobody_is_told(migrated, tmp_path, arguments, told):
    assert told in migrated(*arguments, status=1).stderr
    assert not (tmp_path / "out").exists()


def test_the_audit_holds(filled, tmp_path, sql):
    filled("export", "--all", "--to", tmp_path / "out")
    assert sql("SELECT actor FROM change WHERE kind = 'export'") == [("command line",)]
    assert "audit chain" in filled("check").stdout


def test_nothing_but_the_answer_is_printed_where_there_is_no_terminal(filled, tmp_path):
    assert filled("export", "--all", "--to", tmp_path / "out").stderr.strip() == ""
