"""Lists of old tests: good rows go on, bad rows say why."""

import datetime as dt

import pytest

from service.errors import RefusedFile
from service.intake import ColumnChoice, read_manifest


def read(text):
    return read_manifest(text.encode(), "old_tests.csv")


def test_a_manifest_with_files_and_results():
    rows = read(
        "subject,date,mode,body_mass_kg,file,sex,birth_date,round,stop_reason,vo2_peak_ml_min,rer_max,barometric_pressure_mmhg\n"
        "a1,2019-05-31,cycle,70.5,a1.csv,female,1980-02-01,pre,exhaustion,,,745\n"
        "\n"
        "a2,2019-06-01,Treadmill,80,,male,,,,3200,1.15,\n"
    )
    first, second = rows
    assert (first.row, first.subject, first.date, first.mode) == (2, "a1", dt.date(2019, 5, 31), "cycle")
    assert (first.file, first.sex, first.birth_date) == ("a1.csv", "female", dt.date(1980, 2, 1))
    assert first.visit == {"body_mass_kg": 70.5, "barometric_pressure_mmhg": 745}
    assert (first.texts, first.test) == ({"round": "pre"}, {"stop_reason": "exhaustion"})
    assert (first.read_options.body_mass_kg, first.read_options.barometric_pressure_mmhg) == (70.5, 745)
    assert (second.row, second.file, second.mode) == (4, None, "treadmill")
    assert second.results == {"vo2_peak_ml_min": 3200, "rer_max": 1.15}
    assert not first.faults + second.faults


def test_semicolons_and_decimal_commas():
    (row,) = read("subject;date;mode;body_mass_kg;file\na1;2019-05-31;cycle;70,5;a1.csv\n")
    assert row.visit == {"body_mass_kg": 70.5}


def test_a_workbook_as_manifest(xlsx_bytes):
    day = dt.datetime(2019, 5, 31)  # noqa: DTZ001 a date cell knows no zone
    data = xlsx_bytes(
        list=[["Subject", "Date", "Mode", "Body mass kg", "File"], [17, day, "row", 80, "b.csv"]]
    )
    (row,) = read_manifest(data, "m.xlsx")
    assert (row.subject, row.date, row.mode, row.faults) == ("17", dt.date(2019, 5, 31), "row", ())


def test_options_of_the_file():
    (row,) = read(
        "subject;date;mode;file;columns;time_marks;first_s;last_s\n"
        'a;2019-05-31;cycle;a.csv;"{""VO2"": {""quantity"": ""vo2_ml_min"", ""unit"": ""L/min""}, ""x"": null}";start;10;900\n'
    )
    assert row.read_options.columns == {"VO2": ColumnChoice("vo2_ml_min", "L/min"), "x": None}
    assert (row.read_options.time_marks, row.read_options.rows) == ("start", (10, 900))


@pytest.mark.parametrize(
    ("line", "column"),
    [
        (",2019-05-31,cycle,70,a.csv,,", "subject"),
        ("a,,cycle,70,a.csv,,", "date"),
        ("a,31.05.2019,cycle,70,a.csv,,", "date"),
        ("a,2019-02-30,cycle,70,a.csv,,", "date"),
        ("a,2019-05-31,bicycle,70,a.csv,,", "mode"),
        ("a,2019-05-31,,70,a.csv,,", "mode"),
        ("a,2019-05-31,cycle,740,a.csv,,", "body_mass_kg"),
        ("a,2019-05-31,cycle,heavy,a.csv,,", "body_mass_kg"),
        ("a,2019-05-31,cycle,NaN,a.csv,,", "body_mass_kg"),
        ("a,2019-05-31,cycle,70,,,", "file"),
        ("a,2019-05-31,cycle,70,a.csv,2020-01-01,", "date"),
        ("a,2019-05-31,cycle,70,a.csv,,2020", "birth_year"),
        ("a,2019-05-31,cycle,70,a.csv,,80", "birth_year"),
        ("good,2019-05-31,cycle,70,good.csv,,", None),
    ],
)
def test_a_bad_row_says_where_and_does_not_stop_the_good_one(line, column):
    rows = read(
        f"subject,date,mode,body_mass_kg,file,birth_date,birth_year\n{line}\ngood,2019-05-31,cycle,70,good.csv,,\n"
    )
    bad, good = rows
    if column is None:
        assert bad.faults == ()
        assert good.faults[0].message == "It lists the same test as row 2."
        return
    assert (bad.faults[0].row, bad.faults[0].column) == (2, column)
    assert good.faults == ()


def test_a_lost_decimal_point_is_kept_with_row_and_column():
    (row,) = read("subject,date,mode,rer_max\n8,2019-05-31,cycle,110\n")
    assert row.results == {"rer_max": 110}
    (note,) = row.findings
    assert (note.code, note.severity, note.row, note.column) == (
        "reported_beyond_limit",
        "error",
        2,
        "rer_max",
    )
    assert row.faults == ()


@pytest.mark.parametrize(
    ("text", "columns"),
    [
        ("subject,date,file\na,2019-05-31,a.csv\n", ["mode"]),
        ("subject,date,mode\na,2019-05-31,cycle\n", ["file"]),
        ("subject,date,mode,file,body_mass\na,2019-05-31,cycle,a.csv,70\n", ["body_mass"]),
        ("subject,date,mode,file,file\na,2019-05-31,cycle,a.csv,b.csv\n", ["file"]),
        ("hello\nworld\n", ["subject", "date", "mode", "file", "hello"]),
    ],
)
def test_what_is_no_manifest_is_refused(text, columns):
    with pytest.raises(RefusedFile) as caught:
        read(text)
    assert [place.column for place in caught.value.errors] == columns


@pytest.mark.parametrize("text", ["", "\n\n", "subject,date,mode,file\n"])
def test_a_manifest_without_a_test_is_refused(text):
    with pytest.raises(RefusedFile):
        read(text)
