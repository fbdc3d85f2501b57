"""Mistakes of units as they are really made, and changes of a file that change nothing.

Each mistake is one that courses and handbooks of exercise testing warn of (common practice, no single source): a pulse
counted over 10 s taken for beats per minute, miles per hour for km/h, pounds for kilograms, mL/min under a heading of
L/min, kilogram-metres per minute for watts. The tests in which they are made are invented here, and real ones are used
where the open data are at hand. Conversions: 1 mph = 1.609344 km/h, 1 lb = 0.45359237 kg exactly; 1 W = 60/9.80665 kgm/min.
"""

import csv
import io
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

KM_H_PER_MPH = 1.609344
KG_PER_LB = 0.45359237
KGM_MIN_PER_W = 60 / 9.80665
MASS_KG, HEIGHT_CM = 70.0, 178.0


def invented(mode, power=1.0):
    """A ramp of 12 min after 3 min at one load, in rows of 10 s; uptake follows the load with a small alternation."""
    rows = []
    for k in range(1, 91):
        rising = max(0, 10 * k - 180)
        if mode == "cycle":
            watts = power * (40 + rising / 3)
            uptake = 450 + 10 * watts
            load = {"Work rate (W)": round(watts)}
        else:
            speed = 8 + 0.5 * (rising // 30) if rising else 8.0
            # 0.9 of the ACSM running equation, level, as trained runners need.
            uptake = 0.9 * MASS_KG * (3.5 + 0.2 * speed * 1000 / 60)
            load = {"Speed (km/h)": speed, "Grade (%)": 0}
        uptake += 40 * math.sin(2.1 * k)
        output = uptake * (0.84 + 0.3 * rising / 720)
        rows.append(
            {
                "Time (s)": 10 * k,
                **load,
                "VO2 (mL/min)": round(uptake),
                "VCO2 (mL/min)": round(output),
                "VE (L/min)": round(0.027 * output + 4, 1),
                "HR (beats/min)": round(90 + 95 * rising / 720),
            }
        )
    return rows


def file_of(rows, named=None, times=None):
    """CSV; columns under other names, values multiplied."""
    named, times = named or {}, times or {}
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow([named.get(name, name) for name in rows[0]])
    for row in rows:
        writer.writerow([value * times[name] if name in times else value for name, value in row.items()])
    return text.getvalue().encode()


@pytest.fixture(scope="module")
def judged(wire):
    """A file in the record, judged; a fresh visit each time."""

    def judge(data, mode, mass=MASS_KG, height=None):
        person = wire.subject(sex="male", birth_date="1990-03-03")
        given = {"body_mass_kg": mass} | ({} if height is None else {"height_cm": height})
        told = wire.imported(wire.visit(person, **given), data, mode=mode)
        return wire.analysis(told["test_id"])

    return judge


@pytest.fixture(scope="module")
def refused(wire):
    def refuse(data, mode):
        visit = wire.visit(wire.subject(), body_mass_kg=MASS_KG)
        problem = wire.imported(visit, data, status=422, mode=mode)
        assert wire.get(f"/v1/visits/{visit}")["tests"] == []
        (error,) = problem["errors"]
        return problem["detail"], error

    return refuse


def doubts(analysis):
    return {
        one["code"]: one["message"] for one in analysis["findings"] if one["severity"] in {"warning", "error"}
    }


@pytest.mark.parametrize("mode", ["cycle", "treadmill"])
def test_a_file_without_mistakes_raises_no_doubt(judged, mode):
    assert doubts(judged(file_of(invented(mode)), mode, height=HEIGHT_CM)) == {}


def test_a_pulse_counted_over_10_s_is_asked_about(refused):
    detail, error = refused(file_of(invented("cycle"), times={"HR (beats/min)": 1 / 6}), "cycle")
    assert "beyond what is possible (25 to 250 beats/min)" in detail
    assert error["column"] == "HR (beats/min)"
    assert "In which unit" in error["message"]


def test_a_pulse_counted_over_15_s_is_an_error_of_the_peak(judged):
    found = doubts(judged(file_of(invented("cycle"), times={"HR (beats/min)": 1 / 4}), "cycle"))
    assert {"impossible_value", "implausible_value"} <= found.keys()


def test_a_pulse_counted_over_30_s_is_told_by_the_ratio(judged):
    """Possible beats all along; but 92 at the end of hard work is half of the 184 predicted at 34 years."""
    rows = invented("cycle")
    assert max(row["VCO2 (mL/min)"] / row["VO2 (mL/min)"] for row in rows) > 1.1
    found = doubts(judged(file_of(rows, times={"HR (beats/min)": 1 / 2}), "cycle"))
    assert "not brought to a minute" in found["implausible_value"]


@pytest.mark.parametrize(
    ("named", "times", "column"),
    [
        ({"VO2 (mL/min)": "VO2 (L/min)"}, {}, "VO2 (L/min)"),
        ({"VO2 (mL/min)": "VO2 (L/min)", "VCO2 (mL/min)": "VCO2 (L/min)"}, {}, "VO2 (L/min)"),
        ({"VCO2 (mL/min)": "VCO2 (L/min)"}, {}, "VCO2 (L/min)"),
        ({}, {"VO2 (mL/min)": 1e-3}, "VO2 (mL/min)"),
    ],
)
def test_a_heading_of_litres_over_millilitres_is_asked_about(refused, named, times, column):
    detail, error = refused(file_of(invented("cycle"), named, times), "cycle")
    assert "would fit" in detail
    assert error["column"] == column
    assert "mL/min" in error["message"]


def test_kilogram_metres_per_minute_read_as_watts_are_asked_about(refused):
    detail, error = refused(file_of(invented("cycle"), times={"Work rate (W)": KGM_MIN_PER_W}), "cycle")
    assert "kgm/min" in detail
    assert error["column"] == "Work rate (W)"


@pytest.mark.parametrize(
    ("named", "times"),
    [({}, {"Work rate (W)": KGM_MIN_PER_W}), ({"Work rate (W)": "Work rate (kgm/min)"}, {})],
)
def test_loads_of_a_weak_person_in_the_wrong_unit_are_out_of_line(judged, named, times):
    """Here the wrong loads are still possible ones: only the uptake tells."""
    rows = invented("cycle", power=0.5)
    assert "uptake_out_of_line" not in doubts(judged(file_of(rows), "cycle"))
    assert "uptake_out_of_line" in doubts(judged(file_of(rows, named, times), "cycle"))


@pytest.mark.parametrize(
    ("named", "times", "words"),
    [
        ({}, {"Speed (km/h)": 1 / KM_H_PER_MPH}, "mph read as km/h"),
        ({"Speed (km/h)": "Speed (mph)"}, {}, "km/h read as mph"),
    ],
)
def test_miles_and_kilometres_per_hour_taken_for_each_other_are_told(judged, named, times, words):
    found = doubts(judged(file_of(invented("treadmill"), named, times), "treadmill"))
    assert words in found["unit_doubt"]


def test_pounds_read_as_kilograms_are_told_by_the_run(judged):
    found = doubts(judged(file_of(invented("treadmill")), "treadmill", mass=MASS_KG / KG_PER_LB))
    assert "pounds read as kilograms" in found["unit_doubt"]


@pytest.mark.parametrize("factor", [1 / KG_PER_LB, KG_PER_LB])
def test_pounds_and_kilograms_taken_for_each_other_are_told_by_the_height(judged, factor):
    found = doubts(judged(file_of(invented("cycle")), "cycle", mass=MASS_KG * factor, height=HEIGHT_CM))
    assert "it would then be 70.0 kg" in found["unit_doubt"]


def test_a_rail_held_explains_a_low_uptake(wire):
    """Hands on the rail lower the uptake of a load; said with the test, nothing is left to doubt."""
    rows = [
        {
            "end_s": row["Time (s)"],
            "duration_s": 10,
            "vo2_ml_min": 0.55 * row["VO2 (mL/min)"],
            "speed_km_h": row["Speed (km/h)"],
            "grade_percent": row["Grade (%)"],
        }
        for row in invented("treadmill")
    ]
    found = {}
    for held in (True, False):
        visit = wire.visit(wire.subject(), body_mass_kg=MASS_KG)
        test = wire.test_of(
            visit, rows, mode="treadmill", handrail_support=held, exercise_start_s=180, exercise_end_s=900
        )
        found[held] = doubts(wire.analysis(test))
    assert "unit_doubt" not in found[True]
    assert "hands on the rail" in found[False]["unit_doubt"]


def test_pounds_read_as_kilograms_are_told_by_a_column_per_body_mass(judged):
    rows = [
        {**row, "VO2/kg (mL/kg/min)": round(row["VO2 (mL/min)"] / MASS_KG, 1)} for row in invented("cycle")
    ]
    found = doubts(judged(file_of(rows), "cycle", mass=MASS_KG / KG_PER_LB))
    assert "may be in pounds" in found["unit_doubt"]


def test_a_real_run_in_the_wrong_unit_of_speed_is_told(judged, ramp_lines):
    """Test 3 of Nolte 2023 (doi 10.1007/s40279-023-01903-3), 63.9 kg; its speed in mph under a heading of km/h."""
    header, by_test = ramp_lines
    rows = list(csv.DictReader([header, *by_test[3]]))
    wrong = [{**row, "speed_kmh": round(float(row["speed_kmh"]) / KM_H_PER_MPH, 3)} for row in rows]
    assert "unit_doubt" not in doubts(judged(file_of(rows), "treadmill", mass=63.9))
    assert "mph read as km/h" in doubts(judged(file_of(wrong), "treadmill", mass=63.9))["unit_doubt"]


SAME = ("vo2_ml_min", "vo2_ml_kg_min", "rer", "ve_l_min", "heart_rate_bpm", "work_rate_w", "speed_km_h")


def peak_of(analysis):
    """What the peak has of these; approx compares the names as well."""
    return {name: analysis["peak"][name] for name in SAME if analysis["peak"][name] is not None}


@pytest.mark.parametrize(
    ("mode", "named", "times"),
    [
        ("cycle", {"VO2 (mL/min)": "VO2 (L/min)"}, {"VO2 (mL/min)": 1e-3}),
        ("cycle", {"VE (L/min)": "VE (mL/min)"}, {"VE (L/min)": 1e3}),
        ("cycle", {"Work rate (W)": "Work rate (kgm/min)"}, {"Work rate (W)": KGM_MIN_PER_W}),
        ("cycle", {"Time (s)": "Time (min)"}, {"Time (s)": 1 / 60}),
        ("treadmill", {"Speed (km/h)": "Speed (mph)"}, {"Speed (km/h)": 1 / KM_H_PER_MPH}),
        ("treadmill", {"Speed (km/h)": "Speed (m/min)"}, {"Speed (km/h)": 1000 / 60}),
    ],
)
def test_another_unit_rightly_named_changes_nothing(judged, mode, named, times):
    rows = invented(mode)
    as_it_is, in_another = judged(file_of(rows), mode), judged(file_of(rows, named, times), mode)
    assert peak_of(in_another) == pytest.approx(peak_of(as_it_is), rel=1e-9)
    assert in_another["plateau"]["verdict"] == as_it_is["plateau"]["verdict"]
    assert in_another["effort"]["verdict"] == as_it_is["effort"]["verdict"]


def intervals(rows):
    names = {
        "VO2 (mL/min)": "vo2_ml_min",
        "VCO2 (mL/min)": "vco2_ml_min",
        "VE (L/min)": "ve_l_min",
        "HR (beats/min)": "heart_rate_bpm",
        "Work rate (W)": "work_rate_w",
    }
    return [
        {"end_s": row["Time (s)"], "duration_s": 10, **{key: row[name] for name, key in names.items()}}
        for row in rows
    ]


@pytest.fixture(scope="module")
def sent(wire):
    """Intervals put over HTTP with marks of exercise, judged."""

    def send(items, start=180.0, end=900.0):
        visit = wire.visit(wire.subject(), body_mass_kg=MASS_KG)
        return wire.analysis(
            wire.test_of(visit, items, mode="cycle", exercise_start_s=start, exercise_end_s=end)
        )

    return send


@settings(max_examples=5, deadline=None)
@given(shift=st.floats(min_value=0.001, max_value=80_000))
def test_a_shift_in_time_moves_the_window_and_no_value(sent, shift):
    items = intervals(invented("cycle"))
    here = sent(items)
    there = sent([{**one, "end_s": one["end_s"] + shift} for one in items], 180 + shift, 900 + shift)
    assert peak_of(there) == pytest.approx(peak_of(here), rel=1e-6)
    assert there["peak"]["start_s"] == pytest.approx(here["peak"]["start_s"] + shift, abs=1e-6)
    assert there["plateau"]["verdict"] == here["plateau"]["verdict"]


@settings(max_examples=5, deadline=None)
@given(
    cuts=st.dictionaries(st.integers(0, 89), st.floats(min_value=0.5, max_value=9.5), min_size=1, max_size=20)
)
def test_an_interval_split_in_two_alike_leaves_the_peak(sent, cuts):
    items = intervals(invented("cycle"))
    split = []
    for at, one in enumerate(items):
        first = cuts.get(at)
        if first is not None:
            split.append({**one, "end_s": one["end_s"] - 10 + first, "duration_s": first})
        split.append(one if first is None else {**one, "duration_s": 10 - first})
    assert len(split) == len(items) + len(cuts)
    whole, parts = sent(items), sent(split)
    assert peak_of(parts) == pytest.approx(peak_of(whole), rel=1e-9)
    for one, other in zip(parts["peak_by_window"], whole["peak_by_window"], strict=True):
        if one["convention"] == "time_weighted":
            assert one["vo2_ml_min"] == pytest.approx(other["vo2_ml_min"], rel=1e-9)
