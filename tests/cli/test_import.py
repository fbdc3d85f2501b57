"""Files into the record: some of a visit, or years of them by a manifest."""

import csv
import json

import pytest


@pytest.fixture
def files(tmp_path, examples, spoiled):
    """Two good files and a spoiled one in the working directory."""
    for name in ("cycle-step-15s.csv", "treadmill-ramp-breaths.csv"):
        (tmp_path / name).write_bytes((examples / name).read_bytes())
    return tmp_path


def counts(sql):
    return {
        table: sql(f"SELECT count(*) FROM {table}")[0][0]  # noqa: S608 names of our own
        for table in ("subject", "visit", "exercise_test")
    }


VISIT = ("--subject", "a1", "--visit", "2026-01-05", "--mode", "cycle")


def test_one_file_makes_its_subject_and_visit(migrated, sql, files):
    told = migrated(
        "import", "cycle-step-15s.csv", *VISIT, "--mass", 70, "--sex", "female", "--birth-date", "1990-03-04"
    ).stdout
    assert told.startswith("cycle-step-15s.csv: stored as test ")
    assert "VO2peak" in told
    assert "mL/kg/min" in told
    assert sql("SELECT code, sex, birth_date FROM subject") == [("a1", "female", "1990-03-04")]
    assert sql("SELECT date(started_at), body_mass_kg FROM visit") == [("2026-01-05", 70.0)]
    assert sql("SELECT actor FROM change GROUP BY actor") == [("command line",)]
    migrated("check")


def test_run_again_nothing_is_doubled(migrated, sql, files):
    first = migrated("import", "cycle-step-15s.csv", *VISIT).stdout
    again = migrated("import", "cycle-step-15s.csv", *VISIT).stdout
    assert "known already" in again
    assert first.split("test ")[1].split(",")[0].strip() in again
    assert counts(sql) == {"subject": 1, "visit": 1, "exercise_test": 1}


def test_other_options_for_a_known_file_are_refused_and_replace_reads_it_anew(migrated, sql, files):
    migrated("import", "cycle-step-15s.csv", *VISIT)
    other = (*VISIT, "--stop-reason", "legs")
    assert "other options" in migrated("import", "cycle-step-15s.csv", *other, status=1).stderr
    migrated("import", "cycle-step-15s.csv", *other, "--replace")
    assert sql("SELECT stop_reason FROM exercise_test") == [("legs",)]


def test_a_refused_file_leaves_no_subject_and_no_visit(migrated, sql, files):
    result = migrated("import", "spoiled.csv", *VISIT, status=1)
    assert "spoiled.csv: refused" in result.stdout
    assert "row 10, column VO2 (mL/min)" in result.stderr
    assert counts(sql) == {"subject": 0, "visit": 0, "exercise_test": 0}
    assert sql("SELECT count(*) FROM change") == [(0,)]


@pytest.mark.parametrize(
    ("wrong", "told"),
    [
        (("--stop-reason", "bored"), "stop_reason"),
        (("--protocol", "no_such_protocol"), "protocol_id names no protocol"),
    ],
)
def test_a_wrong_option_leaves_nothing_either(migrated, sql, files, wrong, told):
    assert told in migrated("import", "cycle-step-15s.csv", *VISIT, *wrong, status=1).stderr
    assert counts(sql) == {"subject": 0, "visit": 0, "exercise_test": 0}


def test_of_several_files_the_good_ones_are_stored(migrated, sql, files):
    result = migrated("import", "cycle-step-15s.csv", "spoiled.csv", *VISIT, status=1)
    assert "1 stored, 0 known already, 1 refused." in result.stdout
    assert counts(sql) == {"subject": 1, "visit": 1, "exercise_test": 1}


def test_where_there_is_no_terminal_no_bar_is_drawn(migrated, files):
    result = migrated("import", "cycle-step-15s.csv", "treadmill-ramp-breaths.csv", *VISIT)
    assert result.stderr.strip() == ""
    assert "2 stored, 0 known already, 0 refused." in result.stdout


def test_what_the_record_lacks_is_added_and_judged_again(migrated, sql, files):
    migrated("import", "cycle-step-15s.csv", *VISIT)
    assert sql("SELECT count(*) FROM result WHERE quantity = 'vo2_peak_ml_kg_min'") == [(0,)]
    migrated("import", "cycle-step-15s.csv", *VISIT, "--mass", 70, "--sex", "male")
    assert sql("SELECT sex FROM subject") == [("male",)]
    assert sql("SELECT count(*) FROM result WHERE quantity = 'vo2_peak_ml_kg_min'") == [(1,)]
    migrated("check")


@pytest.mark.parametrize(
    ("given", "told"),
    [(("--mass", 71), "is 70.0 in the record"), (("--sex", "male"), "is female in the record")],
)
def test_what_contradicts_the_record_is_refused(migrated, sql, files, given, told):
    migrated("import", "cycle-step-15s.csv", *VISIT, "--mass", 70, "--sex", "female")
    other = ("--subject", "a1", "--visit", "2026-01-05", "--mode", "treadmill")
    assert told in migrated("import", "treadmill-ramp-breaths.csv", *other, *given, status=1).stderr
    assert counts(sql) == {"subject": 1, "visit": 1, "exercise_test": 1}


def test_a_visit_is_found_by_the_day_of_its_own_clock(migrated, sql, files):
    migrated("import", "cycle-step-15s.csv", *VISIT)
    # 08:00 on 5 January ten hours east of Greenwich is still 4 January there.
    sql("UPDATE visit SET started_at = '2026-01-04 22:00:00.000000', utc_offset_minutes = 600")
    assert "known already" in migrated("import", "cycle-step-15s.csv", *VISIT).stdout


def manifest(folder, rows):
    names = list(dict.fromkeys(name for row in rows for name in row))
    path = folder / "old tests.csv"
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, names)
        writer.writeheader()
        writer.writerows(rows)
    return path


@pytest.fixture
def years(files):
    return manifest(
        files,
        [
            {"subject": "a1", "date": "2019-05-31", "mode": "cycle", "body_mass_kg": 70, "file": "cycle-step-15s.csv",
             "sex": "female", "birth_year": 1980, "notes": "first of all"},
            {"subject": "a1", "date": "2020-05-31", "mode": "cycle", "body_mass_kg": 71, "vo2_peak_ml_min": 2800},
            {"subject": "a2", "date": "2019-06-01", "mode": "treadmill", "file": "treadmill-ramp-breaths.csv"},
            {"subject": "a3", "date": "2019-06-01", "mode": "cycle", "file": "spoiled.csv"},
            {"subject": "a4", "date": "2019-06-01", "mode": "cycle", "file": "not there.csv"},
            {"subject": "a5", "date": "1.6.2019", "mode": "cycle", "file": "cycle-step-15s.csv"},
            {"subject": "a6", "date": "2019-06-01", "mode": "cycle", "file": "cycle-step-15s.csv", "rer_max": 1.2},
        ],
    )  # fmt: skip


def test_a_manifest_of_years(migrated, sql, years):
    result = migrated("import", "--manifest", years, status=1)
    assert "3 stored, 0 known already, 4 refused." in result.stdout
    for row, told in (
        (5, "row 10, column VO2"),
        (6, "There is no file"),
        (7, "year-month-day"),
        (8, "rer_max"),
    ):
        assert any(f"row {row} " in line and told in line for line in result.stderr.splitlines()), row
    assert [code for (code,) in sql("SELECT code FROM subject ORDER BY code")] == ["a1", "a2"]
    assert counts(sql) == {"subject": 2, "visit": 3, "exercise_test": 3}
    assert ("first of all",) in sql("SELECT notes FROM exercise_test")
    assert sql("SELECT basis, value FROM result WHERE quantity = 'vo2_peak_ml_min' AND value = 2800") == [
        ("reported", 2800.0)
    ]
    again = migrated("import", "--manifest", years, status=1)
    assert "0 stored, 3 known already, 4 refused." in again.stdout
    assert counts(sql) == {"subject": 2, "visit": 3, "exercise_test": 3}
    migrated("check")


def test_other_measurements_of_a_manifest(migrated, sql, files):
    rows = [
        {
            "subject": "a1",
            "date": "2019-05-31",
            "mode": "cycle",
            "vo2_peak_ml_min": 2800,
            "grip_strength_kg": 41,
        },
        {
            "subject": "a1",
            "date": "2019-05-31",
            "mode": "row",
            "vo2_peak_ml_min": 2900,
            "grip_strength_kg": 41,
        },
    ]
    migrated("import", "--manifest", manifest(files, rows))
    assert sql("SELECT quantity, value FROM measurement") == [("grip_strength_kg", 41.0)]
    rows[1]["grip_strength_kg"] = 44
    assert "is 41 in the record" in migrated("import", "--manifest", manifest(files, rows), status=1).stderr


@pytest.mark.parametrize("text", ["", "subject,date\na,2019-01-01\n", "a,b,c\n1,2,3\n"])
def test_a_list_that_is_no_manifest(migrated, tmp_path, text):
    path = tmp_path / "list.csv"
    path.write_text(text, encoding="utf-8")
    assert migrated("import", "--manifest", path, status=1).stderr.strip()


@pytest.mark.parametrize(
    "wrong",
    [
        ("import", "cycle-step-15s.csv"),
        ("import", "cycle-step-15s.csv", "--subject", "a1", "--visit", "2026-01-05"),
        ("import", "cycle-step-15s.csv", "--subject", "a1", "--visit", "5.1.2026", "--mode", "cycle"),
        ("import", "cycle-step-15s.csv", *VISIT, "--mode", "swim"),
        ("import", "cycle-step-15s.csv", *VISIT, "--manifest", "cycle-step-15s.csv"),
    ],
)
def test_wrong_usage_is_status_2(migrated, files, wrong):
    assert migrated(*wrong, status=2).stdout == ""


def test_a_trend_for_a_person_a_program_and_the_eye(migrated, files, years):
    migrated("import", "--manifest", years, status=1)
    lines = migrated("trend", "a1", "vo2_peak_ml_min").stdout.splitlines()
    assert lines[0].endswith("mL/min")
    assert any("2019-05-31" in line for line in lines)
    assert any("2020-05-31" in line and "2,800 mL/min" in line for line in lines)
    assert any("measured" in line for line in lines)
    assert any("reported" in line for line in lines)
    rows = list(csv.DictReader(migrated("trend", "a1", "vo2_peak_ml_min", "--csv").stdout.splitlines()))
    assert {row["date"] for row in rows} == {"2019-05-31", "2020-05-31"}
    migrated("trend", "a1", "vo2_peak_ml_min", "--chart", files / "trend.svg")
    assert (files / "trend.svg").read_text(encoding="utf-8").startswith("<svg")


def test_a_trend_of_nobody_and_of_nothing(migrated, files):
    assert "no subject 'nobody'" in migrated("trend", "nobody", "vo2_peak_ml_min", status=1).stderr
    migrated("import", "cycle-step-15s.csv", *VISIT)
    assert "No results yet." in migrated("trend", "a1", "grip_strength_kg").stdout


def test_the_command_and_the_record_judge_alike(migrated, sql, files):
    person = ("--mass", 70, "--sex", "female")
    migrated("import", "cycle-step-15s.csv", *VISIT, *person)
    alone = json.loads(migrated("analyse", "cycle-step-15s.csv", "--mode", "cycle", *person, "--json").stdout)
    ((kept,),) = sql("SELECT document FROM analysis")
    kept = json.loads(kept)
    assert {key: value for key, value in kept.items() if key != "test_id"} == {
        key: value for key, value in alone.items() if key != "test_id"
    }
