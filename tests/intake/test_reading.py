"""Files as people have them: each is read as the same test, or asked about."""

import datetime as dt

import numpy as np
import pytest

from service.errors import RefusedFile, TooLarge
from service.intake import ColumnChoice, ReadLimits, ReadOptions, first_rows, read_test_file


def codes(test_file):
    return [finding.code for finding in test_file.findings]


def read(text, **options):
    data = text if isinstance(text, bytes) else text.encode()
    return read_test_file(data, "test.csv", ReadOptions(**options))


def one_column(header, values, unit_line=None):
    """A file of time and one column, long enough for its time to be in seconds without doubt."""
    lines = [f"time_s;{header}"] + ([f"s;{unit_line}"] if unit_line is not None else [])
    lines += [f"{30 * (at + 1)};{value}" for at, value in enumerate(values)]
    return "\n".join(lines)


# --- the whole of a file ------------------------------------------------------------------------------------------


def test_a_plain_file_gives_series_rows_columns_and_findings(table, csv_bytes):
    test_file = read(csv_bytes(table()))
    series = test_file.series
    assert list(series.channels) == ["vo2_ml_min", "vco2_ml_min", "ve_l_min", "heart_rate_bpm"]
    assert series.end_s[:3].tolist() == [15, 30, 45]
    assert set(series.duration_s.tolist()) == {15.0}
    assert series.channels["vo2_ml_min"][0] == 400
    assert test_file.row_numbers[:2] == (2, 3)
    assert series.phase.tolist() == [-1] * 40
    assert [(c.header, c.quantity, c.unit, c.from_, c.factor) for c in test_file.columns][1:] == [
        ("VO2 (mL/min)", "vo2_ml_min", "mL/min", "header", 1.0),
        ("VCO2 (mL/min)", "vco2_ml_min", "mL/min", "header", 1.0),
        ("VE (L/min)", "ve_l_min", "L/min", "header", 1.0),
        ("HR", "heart_rate_bpm", "beats/min", "header", 1.0),
    ]
    assert codes(test_file) == [
        "time_is_interval_end",
        "default_duration",
        "unit_assumed_by_trade",
        "ve_taken_as_btps",
    ]
    assert not test_file.breath_by_breath
    assert first_rows(test_file, 1) == [
        {
            "row": 2,
            "end_s": 15.0,
            "duration_s": 15.0,
            "phase": None,
            "stage": None,
            "vo2_ml_min": 400.0,
            "vco2_ml_min": 360.0,
            "ve_l_min": 10.4,
            "heart_rate_bpm": 80.0,
        }
    ]


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "utf-32", "latin-1", "cp1252"]
)
def test_delimiters_and_encodings_read_the_same(table, csv_bytes, delimiter, encoding):
    rows = table()
    rows.insert(0, ["Größe", "Messung für"])
    test_file = read(csv_bytes(rows, delimiter, encoding))
    assert test_file.delimiter == delimiter
    assert test_file.series.channels["ve_l_min"].tolist() == [row[3] for row in rows[2:]]
    assert test_file.row_numbers[0] == 3


def test_a_file_with_everything_at_once(csv_bytes):
    text = "\n".join(  # noqa: FLY002 one line of the file a line here
        [
            "Ergospirometrie;;;",
            "Datum;03.05.;;",
            "",
            "Zeit;Phase;V'O2;V'CO2;V'E;Herzfrequenz;Leistung;Sonstiges",
            "mm:ss;;l/min;ml/min;l/min;1/min;W;xyz",
            "",
            "0:30;Ruhe;0,312;270,5;10,25;70;0;a",
            "1:00;Ruhe;0,300;265,0;9,75;71;0;b",
            "1:30;Belastung;0,900;800,0;25,00;95;50;c",
            "",
            "2:00;Belastung;1,100;1.000,5;30,00;100;75;c",
            "2:30;Erholung;0,700;750,0;28,00;-;0;d",
            "Mittelwert;;0,662;617;20,6;84;25;",
            "Maximum;;1,100;1.000,5;30,0;100;75;",
        ]
    )
    test_file = read(text.encode("latin-1"))
    series = test_file.series
    assert test_file.decimal_mark == ","
    assert series.end_s.tolist() == [30, 60, 90, 120, 150]
    assert series.channels["vo2_ml_min"].tolist() == pytest.approx([312, 300, 900, 1100, 700], abs=1e-9)
    assert series.channels["vco2_ml_min"].tolist() == [270.5, 265.0, 800.0, 1000.5, 750.0]
    assert np.isnan(series.channels["heart_rate_bpm"][-1])
    assert series.phase.tolist() == [0, 0, 2, 2, 3]
    assert test_file.row_numbers == (7, 8, 9, 11, 12)
    left_out = next(f for f in test_file.findings if f.code == "trailing_rows_not_read")
    assert left_out.row == 13
    assert "Maximum" in left_out.message
    unused = [f.column for f in test_file.findings if f.code == "column_not_used"]
    assert unused == ["Sonstiges"]
    assert {c.header: c.from_ for c in test_file.columns}["V'O2"] == "units_row"


def test_a_first_line_that_names_the_delimiter_is_no_trouble(table, csv_bytes):
    data = b"sep=;\r\n" + csv_bytes(table(), ";")
    assert read(data).row_numbers[0] == 3


def test_a_repeated_header_is_not_a_row(table, csv_bytes):
    rows = table()
    rows.insert(20, rows[0])
    assert len(read(csv_bytes(rows)).series) == 40


def test_rows_of_text_between_are_said_and_not_read(table, csv_bytes):
    rows = table()
    rows.insert(20, ["Stage 2 begins"])
    test_file = read(csv_bytes(rows))
    assert len(test_file.series) == 40
    assert next(f for f in test_file.findings if f.code == "trailing_rows_not_read").row == 21


# --- headers and units --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "header",
    [
        "VO2 [mL/min]",
        "VO2 (ml/min)",
        "VO2, mL/min",
        "VO2 / mL/min",
        "VO2_ml_min",
        "vo2_ml_min",
        "V'O2 [mL·min⁻¹]",
        "V̇O₂ (mL min-1)",
        "Oxygen uptake {mL.min-1}",
        "O2 consumption ml/min",
        "  vo2   ( ML/MIN ) ",
        "VO2 STPD [mL/min]",
    ],
)
def test_headers_that_say_uptake_in_millilitres(header):
    test_file = read(one_column(header, [500, 900, 1500, 2500]))
    assert test_file.series.channels["vo2_ml_min"].tolist() == [500, 900, 1500, 2500]


# Expected values: definitions of the units; 1 mph = 1.609344 km/h exactly, 1 kgf m = 9.80665 J (CGPM 1901),
# 1 kPa = 7.50062 mmHg (SI Brochure, 1 mmHg = 133.322 Pa).
@pytest.mark.parametrize(
    ("header", "value", "key", "expected"),
    [
        ("VO2 (L/min)", 2.5, "vo2_ml_min", 2500),
        ("VE (mL/min)", 60000, "ve_l_min", 60),
        ("Speed (mph)", 6, "speed_km_h", 6 * 1.609344),
        ("Speed (m/s)", 3, "speed_km_h", 10.8),
        ("Speed (m/min)", 200, "speed_km_h", 12),
        ("Work rate (kgm/min)", 600, "work_rate_w", 600 * 9.80665 / 60),
        ("Load [kpm/min]", 600, "work_rate_w", 600 * 9.80665 / 60),
        ("PETCO2 (kPa)", 5, "petco2_mmhg", 5000 / 133.322),
        ("FeO2 (%)", 16.5, "feo2_fraction", 0.165),
        ("FeO2", 16.5, "feo2_fraction", 0.165),
        ("FeO2", 0.165, "feo2_fraction", 0.165),
        ("SpO2 (fraction)", 0.97, "spo2_percent", 97),
        ("VT (mL)", 1800, "tidal_volume_l", 1.8),
        ("Grade (fraction)", 0.1, "grade_percent", 10),
        ("Slope (degrees)", 5, "grade_percent", 8.748866352592401),  # 100 tan 5 degrees
        ("Rf (1/min)", 30, "respiratory_rate_per_min", 30),
        ("Cadence (rpm)", 80, "cadence_per_min", 80),
        ("Herzfrequenz", 150, "heart_rate_bpm", 150),
        ("FC [bpm]", 150, "heart_rate_bpm", 150),
        ("Watt", 200, "work_rate_w", 200),
        ("Power", 200, "work_rate_w", 200),
    ],
)
def test_units_are_converted(header, value, key, expected):
    test_file = read(one_column(header, [value] * 4))
    assert test_file.series.channels[key].tolist() == pytest.approx([expected] * 4, rel=5e-6)


@pytest.mark.parametrize(
    ("header", "values", "words"),
    [
        ("VO2", [3.1, 3.0, 2.8, 2.9], ["no unit", "mL/min, L/min, mL/kg/min"]),
        ("VO2", [31, 30, 28, 29], ["no unit"]),
        ("VO2 (mL/kg/min)", [3200, 3100, 3000, 3100], ["beyond what is possible", "would fit mL/min"]),
        ("VO2 (mL/min)", [3.1, 3.0, 2.9, 2.8], ["beyond what is possible", "L/min"]),
        ("VO2 (L/min)", [3100, 3000, 2900, 2800], ["would fit mL/min"]),
        ("VO2 (mg/min)", [3100, 3000, 2900, 2800], ["no unit of oxygen uptake"]),
        ("VO2 (mg)", [3100, 3000, 2900, 2800], ["no unit of oxygen uptake"]),
        ("VO2 (mL)", [3100, 3000, 2900, 2800], ["no unit of oxygen uptake"]),
        ("VO2 (foo/min)", [3100, 3000, 2900, 2800], ["not known"]),
        ("Speed", [10, 11, 12, 13], ["no unit", "km/h, mph, m/s, m/min"]),
        ("Load", [100, 150, 200, 250], ["no unit", "W, kgm/min"]),
        ("Power (W)", [900, 1000, 1200, 1100], ["kgm/min"]),
        ("Grade", [0.05, 0.1, 0.1, 0.12], ["no unit"]),
        ("SpO2 (%)", [0.97, 0.96, 0.95, 0.95], ["fraction"]),
        ("HR", [1.2, 1.3, 1.4, 1.5], ["no unit"]),
        ("HR (bpm)", [15, 16, 17, 18], ["beyond"]),
        ("PetO2 (mmHg)", [14, 14.2, 14.5, 13.9], ["kPa"]),
    ],
)
def test_units_in_doubt_are_asked_about(header, values, words):
    with pytest.raises(RefusedFile) as caught:
        read(one_column(header, values))
    problem = caught.value
    (place,) = problem.errors
    assert place.column == header
    assert '"quantity"' in place.message
    assert "In which unit" in place.message
    for word in words:
        assert word in problem.detail + place.message


@pytest.mark.parametrize(
    ("unit", "expected"), [("L/min", 3100.0), ("mL/kg/min", 3.1 * 70), ("mL/min", None), ("mg/min", None)]
)
def test_the_question_is_answered_with_the_option_columns(unit, expected):
    text = one_column("VO2", [3.1, 3.1, 3.1, 3.1])
    options = {"columns": {"VO2": ColumnChoice("vo2_ml_min", unit)}, "body_mass_kg": 70.0}
    if expected is None:
        with pytest.raises(RefusedFile):
            read(text, **options)
        return
    test_file = read(text, **options)
    assert test_file.series.channels["vo2_ml_min"].tolist() == pytest.approx([expected] * 4)
    assert {c.header: c.from_ for c in test_file.columns}["VO2"] == "option"


def test_options_name_columns_of_any_header_and_leave_others_out():
    text = "clicks,blob,VO2\n" + "\n".join(f"{15 * at},{2000 + at},7" for at in range(1, 20))
    columns = {
        "clicks": ColumnChoice("time", "s"),
        "blob": ColumnChoice("vo2_ml_min", "mL/min"),
        "VO2": None,
    }
    test_file = read(text, columns=columns)
    assert test_file.series.channels["vo2_ml_min"][0] == 2001
    assert [(c.header, c.quantity) for c in test_file.columns] == [
        ("clicks", "time"),
        ("blob", "vo2_ml_min"),
        ("VO2", None),
    ]


@pytest.mark.parametrize(
    ("columns", "location"),
    [
        ({"nothing": ColumnChoice("vo2_ml_min")}, "options.columns.nothing"),
        ({"HR": ColumnChoice("happiness")}, "options.columns.HR.quantity"),
        ({"HR": ColumnChoice("heart_rate_bpm", "furlong")}, "options.columns.HR.unit"),
    ],
)
def test_choices_that_do_not_fit_the_file_are_refused(table, csv_bytes, columns, location):
    with pytest.raises(RefusedFile) as caught:
        read(csv_bytes(table()), columns=columns)
    assert caught.value.errors[0].location == location


def test_a_header_that_contradicts_the_units_line_is_asked_about():
    with pytest.raises(RefusedFile, match="mL/min or L/min"):
        read(one_column("VO2 (mL/min)", [1000, 1100, 1200], unit_line="L/min"))


def test_an_empty_column_is_said(table, csv_bytes):
    rows = table()
    for row in rows[1:]:
        row[4] = ""
    note = next(f for f in read(csv_bytes(rows)).findings if f.code == "column_not_used")
    assert (note.column, "no value" in note.message) == ("HR", True)


def test_two_columns_of_one_quantity():
    rows = [f"{30 * at},{1000 + at},{(1000 + at) / 1000},{120 + at}" for at in range(1, 10)]
    same = read("\n".join(["time_s,VO2 (mL/min),VO2 (L/min),HR", *rows]))
    assert [f.column for f in same.findings if f.code == "column_not_used"] == ["VO2 (L/min)"]
    apart = "\n".join(
        ["time_s,VO2 (mL/min),HR,HR"] + [f"{30 * at},1000,{90 + at},{120 + at}" for at in range(1, 10)]
    )
    with pytest.raises(RefusedFile, match="disagree") as caught:
        read(apart)
    assert caught.value.errors[0].column == "HR #2"
    assert read(apart, columns={"HR": None}).series.channels["heart_rate_bpm"][0] == 121
    assert read(apart, columns={"HR #2": None}).series.channels["heart_rate_bpm"][0] == 91


# --- decimal marks ------------------------------------------------------------------------------------------------


def test_a_comma_that_may_part_thousands_is_asked_about_and_answered():
    text = one_column("VO2 (L/min)", ["1,100", "1,200", "1,300"])
    with pytest.raises(RefusedFile, match=r"1\.100 or 1100") as caught:
        read(text)
    assert caught.value.errors[0].location == "options.decimal_mark"
    assert read(text, decimal_mark=",").series.channels["vo2_ml_min"].tolist() == [1100, 1200, 1300]


def test_thousands_in_quoted_cells_of_a_comma_file():
    text = 'time_s,VO2 (mL/min)\n30,"1,100"\n60,"1,200"\n90,"950"\n'
    assert read(text).series.channels["vo2_ml_min"].tolist() == [1100, 1200, 950]


def test_commas_and_points_that_contradict_each_other_are_refused():
    with pytest.raises(RefusedFile, match="decimal mark"):
        read(one_column("VE (L/min)", ["30,5", "31.25", "32"]))


def test_decimal_commas_split_at_commas_are_seen():
    with pytest.raises(RefusedFile, match="more cells than the header") as caught:
        read("Time (s),VO2 (L/min)\n30,1,0\n60,1,2\n90,1,3\n")
    assert [place.row for place in caught.value.errors] == [2, 3, 4]


# --- times --------------------------------------------------------------------------------------------------------

SECONDS = [15.0, 30.0, 75.0, 90.0, 3600.0, 3615.5]


@pytest.mark.parametrize(
    ("header", "cells"),
    [
        ("time_s", ["15", "30", "75", "90", "3600", "3615.5"]),
        ("Time", ["15", "30", "75", "90", "3600", "3615.5"]),
        ("Time", ["0:15", "0:30", "1:15", "1:30", "60:00", "60:15.5"]),
        ("Time (mm:ss)", ["00:15", "00:30", "01:15", "01:30", "60:00", "60:15,5"]),
        ("t [h:mm:ss]", ["0:00:15", "0:00:30", "0:01:15", "0:01:30", "1:00:00", "1:00:15.500"]),
        ("Time", ["0:15", "0:30", "1:15", "1:30", "1:00:00", "1:00:15.5"]),
        ("Time (min)", ["0.25", "0.5", "1.25", "1.5", "60", "60.2583333333333333"]),
        ("Time (h:mm:ss)", [str(s / 86400) for s in SECONDS]),
        ("time_ms", [str(s * 1000) for s in SECONDS]),
    ],
)
def test_notations_of_time_are_the_same_times(header, cells):
    text = f"{header};VO2 (mL/min)\n" + "\n".join(f"{cell};{1000 + at}" for at, cell in enumerate(cells))
    assert read(text).series.end_s.tolist() == pytest.approx(SECONDS, abs=1e-6)


@pytest.mark.parametrize(
    "convert",
    [
        lambda s: (dt.datetime(2000, 1, 1) + dt.timedelta(seconds=s)).time(),  # noqa: DTZ001 a time of day
        lambda s: dt.timedelta(seconds=s),
        lambda s: s,
    ],
)
def test_times_of_a_spreadsheet(xlsx_bytes, convert):
    rows = [["Time", "VO2 (mL/min)"], *[[convert(s), 1000 + at] for at, s in enumerate(SECONDS)]]
    test_file = read_test_file(xlsx_bytes(data=rows), "test.xlsx")
    assert test_file.series.end_s.tolist() == pytest.approx(SECONDS, abs=2e-3)
    assert test_file.sheet == "data"


def test_minutes_typed_into_a_spreadsheet_as_hours_are_asked_about(xlsx_bytes):
    rows = [["Time", "VO2 (mL/min)"], *[[dt.time(at, 30), 1000 + at] for at in range(12)]]
    with pytest.raises(RefusedFile, match="hours, all whole minutes"):
        read_test_file(xlsx_bytes(data=rows), "test.xlsx")
    answered = read_test_file(
        xlsx_bytes(data=rows), "test.xlsx", ReadOptions(columns={"Time": ColumnChoice("time", "mm:ss")})
    )
    assert answered.series.end_s[:2].tolist() == [30, 90]


@pytest.mark.parametrize(
    "cells", [["1", "2", "3", "4"], ["0.25", "0.5", "0.75", "1"], ["0.001", "0.002", "0.003", "0.004"]]
)
def test_numbers_that_may_be_seconds_or_minutes_are_asked_about(cells):
    text = "Time,VO2 (mL/min)\n" + "\n".join(f"{cell},{1000 + at}" for at, cell in enumerate(cells))
    with pytest.raises(RefusedFile, match="seconds, minutes or") as caught:
        read(text)
    assert caught.value.errors[0].column == "Time"
    unit, length = ("d", 86400) if cells[0] == "0.001" else ("min", 60)
    answered = read(text, columns={"Time": ColumnChoice("time", unit)})
    assert answered.series.end_s[0] == float(cells[0]) * length


def test_marks_at_the_start_by_option_and_by_header(table, csv_bytes):
    by_end = read(csv_bytes(table(t="Time (s)"))).series
    by_option = read(csv_bytes(table(t="Time (s)")), time_marks="start").series
    by_header = read(csv_bytes(table(t="Time (s) (start)"))).series
    assert by_option.end_s.tolist() == by_header.end_s.tolist() == (by_end.end_s + 15).tolist()
    assert "time_is_interval_end" not in codes(read(csv_bytes(table(t="End (s)"))))


def test_a_first_time_of_zero_warns_that_times_may_mark_the_start(table, csv_bytes):
    rows = table()
    for row in rows[1:]:
        row[0] -= 15
    note = next(f for f in read(csv_bytes(rows)).findings if f.code == "time_is_interval_end")
    assert note.severity == "warning"
    assert "time_marks" in note.message


def test_start_and_end_or_duration_columns():
    both = read("start_s,end_s,VO2 (mL/min)\n0,30,1000\n30,60,1100\n90,120,1200\n")
    assert both.series.duration_s.tolist() == [30, 30, 30]
    gap = next(f for f in both.findings if f.code == "gap_in_times")
    assert gap.row == 4
    lengths = read("time_s,duration_s,VO2 (mL/min)\n60,60,1000\n90,30,1100\n120,30,1200\n")
    assert lengths.series.duration_s.tolist() == [60, 30, 30]
    only = read("duration_s,VO2 (mL/min)\n60,1000\n30,1100\n30,1200\n")
    assert only.series.end_s.tolist() == [60, 90, 120]


def test_averages_that_overlap_are_refused():
    with pytest.raises(RefusedFile) as caught:
        read("time_s,duration_s,VO2 (mL/min)\n30,30,1000\n45,30,1100\n60,30,1200\n")
    assert caught.value.errors[0].row == 3


def test_times_of_day_are_counted_from_the_start_even_past_midnight():
    text = "Clock time,VO2 (mL/min)\n23:59:30,1000\n23:59:45,1100\n0:00:00,1200\n0:00:15,1300\n"
    test_file = read(text)
    assert test_file.series.end_s.tolist() == [15, 30, 45, 60]
    assert "clock_time_counted_from_start" in codes(test_file)
    assert test_file.zero_of_day_s == 24 * 3600 - 45


@pytest.mark.parametrize("day", ["", "2001-02-03 "])
def test_a_plain_time_column_with_times_of_day(day):
    text = f"Time,VO2 (mL/min)\n{day}10:32:15,1000\n{day}10:32:30,1100\n{day}10:32:45,1200\n"
    test_file = read(text)
    assert test_file.series.end_s.tolist() == [15, 30, 45]
    assert "clock_time_counted_from_start" in codes(test_file)
    assert test_file.zero_of_day_s == 10 * 3600 + 32 * 60


def test_offset_shifts_and_may_not_make_times_negative(table, csv_bytes):
    data = csv_bytes(table())
    assert read(data, offset_s=100.0).series.end_s[0] == 115
    assert read(data, offset_s=100.0).zero_of_day_s is None
    with pytest.raises(RefusedFile, match="offset"):
        read(data, offset_s=-100.0)


def test_a_part_of_the_file_by_seconds(table, csv_bytes):
    part = read(csv_bytes(table()), rows=(300.0, 400.0))
    assert part.series.end_s.tolist() == [315, 330, 345, 360, 375, 390]
    assert part.row_numbers[0] == 22
    assert "rows_outside_selection" in codes(part)
    with pytest.raises(RefusedFile, match="No interval"):
        read(csv_bytes(table()), rows=(3000.0, 4000.0))
    with pytest.raises(RefusedFile, match="before the last"):
        read(csv_bytes(table()), rows=(400.0, 300.0))


# --- two tests in one file ----------------------------------------------------------------------------------------


def test_two_tests_in_one_file_are_asked_about(table, csv_bytes):
    rows = table(40) + table(10)[1:]
    with pytest.raises(RefusedFile, match="rows 2 to 41, rows 42 to 51") as caught:
        read(csv_bytes(rows))
    assert caught.value.errors[0].row == 42
    assert caught.value.errors[0].column == "time_s"


def test_chosen_seconds_settle_it_only_where_one_part_has_them(table, csv_bytes):
    rows = table(40) + table(10)[1:]
    assert read(csv_bytes(rows), rows=(300.0, 600.0)).row_numbers == tuple(range(22, 42))
    with pytest.raises(RefusedFile, match="more than one"):
        read(csv_bytes(rows), rows=(0.0, 100.0))


# --- sheets -------------------------------------------------------------------------------------------------------


def test_the_one_sheet_with_a_test_is_taken(table, xlsx_bytes):
    about = [["Name", "coded"], ["Mass", 70], ["Peak VO2", 2700]]
    test_file = read_test_file(xlsx_bytes(about=about, breaths=table()), "test.xlsx")
    assert test_file.sheet == "breaths"
    assert test_file.row_numbers[0] == 2


def test_two_sheets_with_a_test_are_asked_about(table, xlsx_bytes):
    data = xlsx_bytes(first=table(), second=table(10))
    with pytest.raises(RefusedFile, match="'first', 'second'") as caught:
        read_test_file(data, "test.xlsx")
    assert caught.value.errors[0].location == "options.sheet"
    assert len(read_test_file(data, "test.xlsx", ReadOptions(sheet="second")).series) == 10
    with pytest.raises(RefusedFile, match="no sheet 'third'"):
        read_test_file(data, "test.xlsx", ReadOptions(sheet="third"))


def test_row_numbers_of_a_workbook_count_the_empty_rows_above(table, xlsx_bytes):
    rows = [[], [], ["Test of today"], [], *table()]
    assert read_test_file(xlsx_bytes(a=rows), "a.xlsx").row_numbers[0] == 6


# --- volumes, ratios, mass ----------------------------------------------------------------------------------------


def test_ventilation_at_other_conditions_needs_pressure_and_temperature(table, csv_bytes):
    data = csv_bytes(table(ve="VE ATPS (L/min)"))
    with pytest.raises(RefusedFile) as caught:
        read(data)
    assert [place.location for place in caught.value.errors] == [
        "visit.barometric_pressure_mmhg",
        "visit.temperature_c",
    ]
    converted = read(data, barometric_pressure_mmhg=760.0, temperature_c=20.0)
    # BTPS/ATPS at 20 °C and 760 mmHg: 1.102, the common table of factors (handbook value, from memory).
    assert converted.series.channels["ve_l_min"][0] == pytest.approx(10.4 * 1.102, rel=1e-3)
    assert converted.columns[3].factor == pytest.approx(1.102, rel=1e-3)
    assert "volume_condition_converted" in codes(converted)


def test_ventilation_at_stpd_by_option(table, csv_bytes):
    # 0.826 is BTPS to STPD at 760 mmHg: 273.15/310.15 (760 - 47.08)/760, arithmetic.
    converted = read(csv_bytes(table()), volume_condition="stpd", barometric_pressure_mmhg=760.0)
    assert converted.series.channels["ve_l_min"][0] == pytest.approx(10.4 / 0.8261, rel=1e-3)
    assert "ve_taken_as_btps" not in codes(converted)


def test_uptake_per_mass_needs_the_mass():
    text = one_column("VO2 (mL/kg/min)", [10, 20, 30, 40])
    with pytest.raises(RefusedFile) as caught:
        read(text)
    assert caught.value.errors[0].location == "visit.body_mass_kg"
    test_file = read(text, body_mass_kg=80.0)
    assert test_file.series.channels["vo2_ml_min"].tolist() == [800, 1600, 2400, 3200]
    assert "uptake_from_body_mass" in codes(test_file)
    assert "derived_column_checked" not in codes(test_file)


@pytest.mark.parametrize(
    ("mass", "expected"),
    [
        (70.0, "derived_column_checked"),
        (80.0, "derived_column_disagrees"),
        (154.3, "unit_doubt"),
        (None, "derived_column_checked"),
    ],
)
def test_uptake_per_mass_beside_uptake_is_compared(mass, expected):
    lines = [f"{30 * at},{1000 + 100 * at},{(1000 + 100 * at) / 70:.2f}" for at in range(1, 15)]
    test_file = read("\n".join(["time_s,VO2 (mL/min),VO2/kg (mL/kg/min)", *lines]), body_mass_kg=mass)
    note = next(f for f in test_file.findings if f.column and f.column.startswith("VO2/kg"))
    assert note.code == expected
    assert list(test_file.series.channels) == ["vo2_ml_min"]


@pytest.mark.parametrize(
    ("factor", "expected"), [(1.0, "derived_column_checked"), (1.1, "derived_column_disagrees")]
)
def test_ratios_are_compared_and_not_stored(table, csv_bytes, factor, expected):
    rows = table()
    rows[0] += ["RER", "VE/VO2", "O2 pulse (mL/beat)"]
    for row in rows[1:]:
        row += [
            round(factor * row[2] / row[1], 2),
            round(factor * 1000 * row[3] / row[1], 1),
            round(factor * row[1] / row[4], 1),
        ]
    test_file = read(csv_bytes(rows))
    found = {f.column: f.code for f in test_file.findings if f.code.startswith("derived")}
    assert found == dict.fromkeys(["RER", "VE/VO2", "O2 pulse (mL/beat)"], expected)
    assert "rer" not in test_file.series.channels


def test_the_ratio_gives_carbon_dioxide_where_the_file_has_none():
    lines = [f"{30 * at},{1000 + 100 * at},0.9" for at in range(1, 15)]
    test_file = read("\n".join(["time_s,VO2 (mL/min),RER", *lines]))
    assert test_file.series.channels["vco2_ml_min"][0] == pytest.approx(990)
    assert "carbon_dioxide_from_ratio" in codes(test_file)


# --- phases, stages, notes ----------------------------------------------------------------------------------------


def test_phase_words_and_stages(csv_bytes):
    rows = [["time_s", "phase", "stage", "VO2 (mL/min)"]]
    words = ["Rest", "Warm-up", "EXERCISE", "exercise", "Recovery", "dancing", ""]
    rows += [[30 * (at + 1), word, at, 1000] for at, word in enumerate(words)]
    test_file = read(csv_bytes(rows))
    assert test_file.series.phase.tolist() == [0, 1, 2, 2, 3, -1, -1]
    assert test_file.series.stage.tolist() == [0, 1, 2, 3, 4, 5, 6]
    note = next(f for f in test_file.findings if f.code == "phase_word_unknown")
    assert (note.row, note.column) == (7, "phase")


def test_phases_named_once_hold_until_the_next(csv_bytes):
    rows = [["time_s", "phase", "VO2 (mL/min)"]]
    words = ["Rest", "", "Exercise", "", "", "Recovery", ""]
    rows += [[30 * (at + 1), word, 1000] for at, word in enumerate(words)]
    test_file = read(csv_bytes(rows))
    assert test_file.series.phase.tolist() == [0, 0, 2, 2, 2, 3, 3]
    assert "phase_carried_down" in codes(test_file)


def test_columns_of_a_tester_become_stage_notes(csv_bytes):
    rows = [["time_s", "stage", "HR", "RPE", "Lactate (mmol/L)", "BP", "Comment"]]
    rows += [
        [60, 1, 100, "", "", "", ""],
        [120, 1, 110, 9, 1.2, "120/80", ""],
        [180, 2, 120, "", "", "", "mask slipped"],
        [240, 2, 130, 13, 2.5, "140/82", ""],
    ]
    test_file = read(csv_bytes(rows))
    first, second, third = test_file.stage_notes
    assert (first.stage, first.time_s, first.rpe, first.rpe_scale) == (1, 120, 9, "6-20")
    assert (first.lactate_mmol_l, first.systolic_mmhg, first.diastolic_mmhg) == (1.2, 120, 80)
    assert second.note == "mask slipped"
    assert third.rpe == 13
    kept = next(f for f in test_file.findings if f.code == "comment_kept")
    assert (kept.row, kept.column) == (4, "Comment")


@pytest.mark.parametrize(
    ("header", "values", "scale"),
    [
        ("RPE", [7, 13, 17], "6-20"),
        ("RPE", [2, 5, 9], "0-10"),
        ("RPE", [6, 8, 10], None),
        ("RPE (6-20)", [7, 9, 10], "6-20"),
        ("Borg CR10", [6, 7, 9], "0-10"),
    ],
)
def test_the_scale_of_exertion_is_taken_only_where_it_shows(header, values, scale):
    text = f"time_s,HR,{header}\n" + "\n".join(f"{60 * (at + 1)},120,{v}" for at, v in enumerate(values))
    assert read(text).stage_notes[0].rpe_scale == scale


def test_a_note_on_every_row_of_a_stage_stands_once():
    text = "time_s,HR,stage,RPE\n" + "\n".join(
        f"{30 * at},120,{at // 4},{10 + at // 4}" for at in range(1, 12)
    )
    notes = read(text).stage_notes
    assert [(note.stage, note.rpe, note.time_s) for note in notes] == [
        (0, 10, 90),
        (1, 11, 210),
        (2, 12, 330),
    ]


# --- single faults ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("row", "column", "value", "words"),
    [
        (5, 1, "NaN", "finite"),
        (5, 1, "inf", "finite"),
        (6, 2, "-Infinity", "finite"),
        (7, 1, -500, "negative"),
        (7, 2, -500, "negative"),
        (7, 3, -1, "negative"),
        (8, 4, "lost", "not a number"),
        (9, 4, "1e999", "finite"),
        (9, 1, "1_000", "not a number"),
        (9, 0, -3, "negative"),
        (9, 0, "NaN", "finite"),
        (9, 0, "12:75", "time"),
        (9, 0, 90, "backwards"),
        (9, 0, 105, "time is that of row"),
        (9, 0, "", "values but no time"),
    ],
)
def test_what_cannot_be_is_refused_with_its_place(table, csv_bytes, row, column, value, words):
    rows = table()
    rows[row - 1][column] = value
    with pytest.raises(RefusedFile) as caught:
        read(csv_bytes(rows))
    place = caught.value.errors[0]
    assert place.row == row
    assert place.column == rows[0][column]
    assert words in place.message


def test_a_repeated_row_is_refused(table, csv_bytes):
    rows = table()
    rows.insert(10, list(rows[9]))
    with pytest.raises(RefusedFile) as caught:
        read(csv_bytes(rows))
    assert caught.value.errors[0].message.startswith("This row repeats row 10")


def test_rows_in_reverse_are_refused_with_the_number_of_faults(table, csv_bytes):
    rows = table(100)
    with pytest.raises(RefusedFile) as caught:
        read(csv_bytes([rows[0], *reversed(rows[1:])]))
    assert len(caught.value.errors) == 50
    assert caught.value.extra["fault_count"] == 99


def test_impossible_values_of_single_rows_are_kept_with_a_finding(table, csv_bytes):
    rows = table()
    rows[9][1] = 20
    rows[11][4] = 0
    test_file = read(csv_bytes(rows))
    assert test_file.series.channels["vo2_ml_min"][8] == 20
    found = [
        (f.row, f.column, f.severity, f.first_seq) for f in test_file.findings if f.code == "impossible_value"
    ]
    assert found == [(10, "VO2 (mL/min)", "warning", 8), (12, "HR", "warning", 10)]


def test_a_lost_channel_of_zeros_is_a_fault_of_the_recording_and_not_of_the_unit(table, csv_bytes):
    rows = table()
    for row in rows[8:]:
        row[2] = 0
    test_file = read(csv_bytes(rows))
    assert test_file.series.channels["vco2_ml_min"][-1] == 0
    found = [f for f in test_file.findings if f.code == "impossible_value"]
    assert len(found) == 21
    assert (found[0].row, found[-1].first_seq, found[-1].last_seq) == (9, 27, 39)


@pytest.mark.parametrize("missing", ["", "-", "--", "n/a", "NA", " "])
def test_missing_values_are_missing(table, csv_bytes, missing):
    rows = table()
    rows[5][4] = missing
    values = read(csv_bytes(rows)).series.channels["heart_rate_bpm"]
    assert np.isnan(values[4])
    assert np.isfinite(np.delete(values, 4)).all()


def test_rows_and_columns_beyond_the_limits(table, csv_bytes):
    with pytest.raises(TooLarge, match="40 rows"):
        read_test_file(csv_bytes(table()), "t.csv", limits=ReadLimits(max_rows=39))
    assert len(read_test_file(csv_bytes(table()), "t.csv", limits=ReadLimits(max_rows=40)).series) == 40
    with pytest.raises(TooLarge, match="columns"):
        read_test_file(csv_bytes(table()), "t.csv", limits=ReadLimits(max_columns=4))
    with pytest.raises(TooLarge, match="bytes"):
        read_test_file(csv_bytes(table()), "t.csv", limits=ReadLimits(max_bytes=100))
